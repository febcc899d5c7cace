"""Is a bolt long enough, and not too long: engagement, margins, and the lengths that work.

All figures follow from where the bolt's end stands: its nominal length less the washer, below the
seat. The interval of every figure holds the limits of size of the bolt's length (product grade A),
what the faces may come nearer as air in the joints closes (or as a gasket without room pushes them
apart), the facets, and, where a blind hole's depth of full thread is not given, the run-out a tap
needs before the bottom.

Engaged thread is counted from the end of the countersink to the bolt's end or to the end of the
full thread, over the walls that carry it; the chamfer of the bolt's end, about one pitch, is
counted with it, as the usual rules of engagement do (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from geomcheck.fasten.bore import Bore
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.grip import Grip
from geomcheck.standards.lengths import Nut, bolt_lengths, length_limits, pitch, runout
from geomcheck.standards.lengths import thread_length as length_of_thread

#: Run-out over the pitch where the table has no size (DIN 76-1 has 4.6 to 5.5 for M4 to M12).
RUNOUT_PITCHES = 5.0
#: Rounding of sums of lengths, mm: an exact fit is met.
ROUNDING = 1e-9
#: Step of the search for the lengths that work, mm.
STEP = 0.5


@dataclass(frozen=True)
class Wanted:
    """What is asked of a bolt.

    Parameters
    ----------
    engagement : float or None
        Least engaged thread, mm; None where nobody has said.
    margin : float
        From the bolt's end to the end of the full thread, mm.
    protrusion : float
        Beyond a nut, mm.
    tip : float
        From the bolt's end to metal beyond a hole that goes through, mm.
    thread_depth : float or None
        Full thread from the hole's mouth, mm.
    nut : Nut or None
    seat : float
        How far the true seat may lie off, mm.
    """

    engagement: float | None
    margin: float
    protrusion: float
    tip: float
    thread_depth: float | None = None
    nut: Nut | None = None
    seat: float = 0.0


@dataclass(frozen=True)
class Figure:
    """One measured length and the least it must be, mm.

    ``terms`` are (name, below, above, source).
    """

    name: str
    value: float
    low: float
    high: float
    least: float
    terms: tuple[tuple[str, float, float, str], ...] = ()

    @property
    def met(self) -> bool:
        """Whether it surely is as much as it must be."""
        return self.low >= self.least - ROUNDING


@dataclass(frozen=True)
class Lengths:
    """Lengths that work.

    Parameters
    ----------
    shortest, longest : float or None
        Of the nominal lengths that meet everything, in steps of ``STEP``, mm.
    standard : float or None
        The shortest of them in the series of ISO 888, of first choice where there is one.
    second : bool
        It is of second choice.
    """

    shortest: float | None = None
    longest: float | None = None
    standard: float | None = None
    second: bool = False


@dataclass(frozen=True)
class _End:
    """Where the bolt's end stands: depth, and what it may be less and more."""

    depth: float
    size: float
    less: float
    more: float

    @property
    def low(self) -> float:
        return self.depth - self.size - self.less

    @property
    def high(self) -> float:
        return self.depth + self.size + self.more

    def terms(self, *, turned: bool) -> tuple[tuple[str, float, float, str], ...]:
        """Contributions to a figure that grows with the depth, or (``turned``) shrinks with it."""
        found = [("bolt length", self.size, self.size, "limits of size, product grade A")]
        if self.less or self.more:
            below, above = (self.more, self.less) if turned else (self.less, self.more)
            found.append(("joints", below, above, "air or missing room in the joints, seat"))
        return tuple(found)


def figures(fastener: Fastener, grip: Grip, wanted: Wanted) -> tuple[Figure, ...]:
    """All lengths that decide about a bolt, as far as they can be measured.

    ``engagement`` (with its least as 0 where nobody has said), ``margin`` to the end of the
    thread, ``tip`` to metal beyond, ``protrusion`` beyond a nut, ``shank``: how far the hole's
    thread begins beyond the bolt's smooth shank.
    """
    low, high = length_limits(fastener.length)
    closing = grip.closing
    end = _End(
        fastener.length - fastener.washer,
        0.5 * (high - low),
        wanted.seat - closing[0],
        wanted.seat + closing[1],
    )
    found: list[Figure] = []
    start = grip.thickness
    bore = grip.bore
    if bore is not None and bore.kind == "thread":
        start = bore.start
        found += _in_thread(fastener, bore, wanted, end)
    if wanted.nut is not None:
        found.append(_beyond_nut(grip, wanted.nut, wanted.protrusion, end))
    if grip.beyond is not None and (grip.beyond.part or grip.beyond.doubt):
        near = grip.beyond
        found.append(
            Figure(
                "tip",
                near.value - end.depth,
                near.low - end.high,
                near.high - end.low,
                wanted.tip,
                (*end.terms(turned=True), _facets(near.value - near.low, near.high - near.value)),
            )
        )
    smooth = smooth_shank(fastener)
    if smooth is not None:
        least, most = (value - fastener.washer for value in smooth)
        found.append(
            Figure(
                "shank",
                start - most,
                start - most - grip.slack,
                start - least + grip.slack,
                0.0,
                (("run-out of the bolt's thread", 0.0, most - least, "ISO 888, five pitches"),),
            )
        )
    return tuple(found)


def smooth_shank(fastener: Fastener) -> tuple[float, float] | None:
    """Least and greatest length without full thread under the head, mm; None for none.

    The greatest is l - b, the least five pitches shorter; a bolt whose shank would be half a
    diameter or shorter is threaded to its head (ISO 888; page at andrewsfasteners.uk).
    """
    thread = length_of_thread(fastener.screw, fastener.length)
    if thread is None:
        return None
    most = fastener.length - thread
    least = most - 5.0 * pitch(fastener.screw).pitch
    if least <= 0.5 * fastener.screw.thread_diameter:
        return None
    return least, most


def full_thread(fastener: Fastener, bore: Bore, wanted: Wanted) -> tuple[float, float, float]:
    """Where the full thread ends, mm below the seat: as given or drawn, and its interval."""
    if wanted.thread_depth is not None:
        value = min(bore.mouth + wanted.thread_depth, bore.end)
        most = min(bore.start + wanted.thread_depth, bore.end)
        slack = bore.slack if most < bore.end else bore.slack_end
        return value, value - slack, most + slack
    if not bore.blind:
        return bore.end, bore.end - bore.slack_end, bore.end + bore.slack_end
    table = runout(fastener.screw.size)
    step = RUNOUT_PITCHES * pitch(fastener.screw).pitch if table is None else table
    return bore.end, max(bore.end - step, bore.start) - bore.slack_end, bore.end + bore.slack_end


def _in_thread(fastener: Fastener, bore: Bore, wanted: Wanted, end: _End) -> tuple[Figure, ...]:
    last, last_low, last_high = full_thread(fastener, bore, wanted)
    open_end = wanted.thread_depth is None and bore.blind
    depth_term = (
        "thread run-out" if open_end else "depth of thread",
        last - last_low,
        last_high - last,
        "thread_depth is not given; DIN 76-1, from memory" if open_end else "mesh",
    )

    def engaged(tip: float, limit: float) -> float:
        return math.fsum(max(0.0, min(b, tip, limit) - a) for a, b in bore.pieces)

    value = engaged(end.depth, last)
    low = max(0.0, engaged(end.low, last_low) - bore.slack)
    high = engaged(end.high, last_high) + bore.slack
    found = [
        Figure(
            "engagement",
            value,
            min(low, value),
            max(high, value),
            wanted.engagement or 0.0,
            (*end.terms(turned=False), depth_term),
        )
    ]
    if bore.blind or last < bore.end - 1e-6:
        found.append(
            Figure(
                "margin",
                last - end.depth,
                last_low - end.high,
                last_high - end.low,
                wanted.margin,
                (*end.terms(turned=True), depth_term),
            )
        )
    return tuple(found)


def _beyond_nut(grip: Grip, nut: Nut, least: float, end: _End) -> Figure:
    face = grip.thickness
    return Figure(
        "protrusion",
        end.depth - face - nut.height_max,
        end.low - face - grip.slack - nut.height_max,
        end.high - face + grip.slack - nut.height_min,
        least,
        (
            *end.terms(turned=False),
            ("height of the nut", 0.0, nut.height_max - nut.height_min, nut.standard),
            _facets(grip.slack, grip.slack),
        ),
    )


def _facets(below: float, above: float) -> tuple[str, float, float, str]:
    return ("facets", below, above, "sagitta of the parts")


def find_lengths(fastener: Fastener, grip: Grip, wanted: Wanted) -> Lengths:
    """The nominal lengths for which every figure is surely as much as it must be.

    None at all where the engagement wanted is not known, or there is no thread and no nut.
    """
    known = wanted.nut is not None or (
        wanted.engagement is not None and grip.bore is not None and grip.bore.kind == "thread"
    )
    if not known:
        return Lengths()

    def works(length: float) -> bool:
        return all(f.met for f in figures(replace(fastener, length=length), grip, wanted))

    first = STEP * math.ceil((grip.thickness + fastener.washer) / STEP)
    count = int((grip.looked - first) / STEP)
    tried = [first + STEP * n for n in range(max(count, 0))]
    good = [length for length in tried if works(length)]
    if not good:
        return Lengths()
    # One run of lengths: the first without a break.
    longest = good[0]
    while longest + STEP in good:
        longest += STEP
    series = [row for row in bolt_lengths() if good[0] <= row.length <= longest]
    rows = sorted(series, key=lambda row: (row.choice != "first", row.length))
    if not rows or not fastener.screw.size.startswith("M"):
        return Lengths(good[0], longest)
    return Lengths(good[0], longest, rows[0].length, rows[0].choice == "second")

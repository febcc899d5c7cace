"""What a bolt's length comes to: engagement, margins, and the lengths that work, reckoned anew.

All follows from where the bolt's end stands, ``length - washer`` below the seat, with its limits of
size, what air in the joints lets it go deeper, and what the seat's facets leave open.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias

from geomcheck.errors import InputError
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import Screw
from geomcheck.standards.lengths import (
    bolt_lengths,
    engagement,
    length_limits,
    nut,
    pitch,
    runout,
    thread_length,
)

#: Value, low, high and least of a figure, mm.
Four: TypeAlias = tuple[float, float, float, float]

#: What the project file does not say: pitches to the thread's end and beyond a nut; mm to metal.
MARGIN, PROTRUSION, TIP = 2.0, 2.0, 1.0
#: Run-out of a tap where the table has no size, in pitches; of the bolt's own thread.
RUNOUT, OWN_RUNOUT = 5.0, 5.0
#: Lengths are tried in steps of so many mm, down to so many diameters and mm below the bolt.
STEP, FAR, MORE = 0.5, 10.0, 20.0


@dataclass(frozen=True)
class Joint:
    """A bolted joint as told of and found in the meshes.

    Parameters
    ----------
    entry, row, table
        The bolt, its row of the table of screws, and the check's table.
    thickness, slack, less, more : float
        What is clamped, how far its far face may lie off, and by how much the bolt may go less and
        more deep, mm.
    hole : mapping or None
        The tapped hole: ``pieces``, ``mouth``, ``blind``, ``slack``, ``slack_end``.
    beyond : (value, low, high) or None
        Depth of the metal beyond its end, mm.
    """

    entry: FastenerEntry
    row: Screw
    table: Any
    thickness: float
    slack: float
    less: float
    more: float
    hole: Any
    beyond: tuple[float, float, float] | None

    @property
    def pitch(self) -> float:
        """Of the thread, mm."""
        return pitch(self.row).pitch

    def wanted(self, name: str) -> float:
        """The least a figure must be, mm."""
        if name == "engagement":
            return least_engagement(self.entry, self.row) or 0.0
        if name == "margin":
            return float(self.table.get("margin", MARGIN)) * self.pitch
        if name == "protrusion":
            return float(self.table.get("protrusion", PROTRUSION)) * self.pitch
        return float(self.table.get("tip", TIP)) if name == "tip" else 0.0

    def figures(self, length: float) -> dict[str, Four]:
        """All figures of a bolt of a length, by name."""
        return {name: (*three, self.wanted(name)) for name, three in self._figures(length)}

    def _figures(self, length: float) -> Iterator[tuple[str, tuple[float, float, float]]]:
        low, high = length_limits(length)
        size, end = 0.5 * (high - low), length - self.entry.washer
        least, most = end - size - self.less, end + size + self.more
        start = self.thickness
        if self.hole is not None:
            start = float(self.hole["pieces"][0][0])
            yield from self._in_thread(end, least, most)
        if self.entry.nut is not None:
            its = nut(self.entry.nut, self.entry.size)
            face, loose = self.thickness, self.slack
            yield (
                "protrusion",
                (
                    end - face - its.height_max,
                    least - face - loose - its.height_max,
                    most - face + loose - its.height_min,
                ),
            )
        if self.beyond is not None:
            value, near, far = self.beyond
            yield "tip", (value - end, near - most, far - least)
        thread = thread_length(self.row, length)
        if thread is not None:
            smooth = length - thread
            short = smooth - OWN_RUNOUT * self.pitch
            if short > 0.5 * self.row.thread_diameter:
                smooth, short = smooth - self.entry.washer, short - self.entry.washer
                low_high = (start - smooth - self.slack, start - short + self.slack)
                yield "shank", (start - smooth, *low_high)

    def _in_thread(
        self, end: float, least: float, most: float
    ) -> Iterator[tuple[str, tuple[float, float, float]]]:
        hole = self.hole
        pieces = [(float(a), float(b)) for a, b in hole["pieces"]]
        loose, loose_end = float(hole["slack"]), float(hole["slack_end"])
        bottom = pieces[-1][1]
        last, last_low, last_high = bottom, bottom - loose_end, bottom + loose_end
        deep = self.entry.thread_depth
        if deep is not None:
            last = min(float(hole["mouth"]) + deep, bottom)
            far = min(pieces[0][0] + deep, bottom)
            more = loose if far < bottom else loose_end
            last_low, last_high = last - more, far + more
        elif hole["blind"]:
            known = runout(self.row.size)
            step = RUNOUT * self.pitch if known is None else known
            last_low = max(bottom - step, pieces[0][0]) - loose_end

        def engaged(tip: float, limit: float) -> float:
            return math.fsum(max(0.0, min(b, tip, limit) - a) for a, b in pieces)

        value = engaged(end, last)
        low = max(0.0, engaged(least, last_low) - loose)
        high = engaged(most, last_high) + loose
        yield "engagement", (value, min(low, value), max(high, value))
        if hole["blind"] or last < bottom - 1e-6:
            yield "margin", (last - end, last_low - most, last_high - least)

    def lengths(self) -> tuple[float | None, float | None, float | None]:
        """Shortest, longest and standard length for which all figures are met."""
        known = self.entry.nut is not None or (
            self.hole is not None and least_engagement(self.entry, self.row) is not None
        )
        if not known:
            return None, None, None
        looked = self.entry.length + FAR * self.row.thread_diameter + MORE
        first = STEP * math.ceil((self.thickness + self.entry.washer) / STEP)
        tried = [first + STEP * n for n in range(max(int((looked - first) / STEP), 0))]
        good = [
            one
            for one in tried
            if all(four[1] >= four[3] - 1e-9 for four in self.figures(one).values())
        ]
        if not good:
            return None, None, None
        longest = good[0]
        while longest + STEP in good:
            longest += STEP
        rows = [row for row in bolt_lengths() if good[0] <= row.length <= longest]
        rows.sort(key=lambda row: (row.choice != "first", row.length))
        metric = rows and self.row.size.startswith("M")
        return good[0], longest, rows[0].length if metric else None


def least_engagement(entry: FastenerEntry, row: Screw) -> float | None:
    """Thread that must be engaged, mm; None where nobody says."""
    if isinstance(entry.engagement, str):
        return float(entry.engagement.rstrip("d ")) * row.thread_diameter
    if entry.engagement is not None:
        return entry.engagement
    if entry.material is None:
        return None
    try:
        return engagement(entry.material, entry.strength_class).factor * row.thread_diameter
    except InputError:
        return None

"""A fastener's way in and out, twice: in place, and on the bench with the housing off.

*In place* all parts stand about it; *on the bench* only those that stand there: the housing and
what it carries. Each way is the straight one of :mod:`geomcheck.fasten.withdraw`, with head, washer
and full length. The shank, a cylinder of the thread's diameter from the seat to its tip, must stand
free in what it passes: in every part but the one that carries its thread, ``into``; where that is
not known, in the part under its head.

A bolt that only goes in on the bench is loaded first. It then goes down with the housing, and must
not hold it up: while it is not screwed in, its tip can go no deeper than the mouth of its thread.
What is looked at is the end of that way, with the housing down: the bolt stands raised until its
tip is clear of all metal of the vehicle, within the clearance hole's radius about its axis (within
the thread's, where ``into`` tells that the metal is not the thread's), and its head and washer must
have that much free travel. Not looked at: the way down itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle, as_obstacles
from geomcheck.fasten.reach import LIFT
from geomcheck.fasten.room import Room, free_room
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.withdraw import First, Withdrawal, first_metal, withdraw
from geomcheck.finding import Point

Goes: TypeAlias = Literal["yes", "no", "undecided"]
Way: TypeAlias = Literal["in place", "load first", "no way", "undecided"]

#: No metal is looked for farther than this from the shank, mm.
WITHIN = 10.0


@dataclass(frozen=True)
class Raised:
    """A bolt that is loaded first, with the housing down and the bolt not yet screwed in.

    Parameters
    ----------
    lift, low, high : float
        How far it must stand raised, mm, and its interval; 0 where its tip meets nothing.
    part : str or None
        The part its tip stands on; None where it meets nothing.
    point : Point or None
        The place on it, mm.
    room, room_low, room_high : float
        Free travel in place less the lift, mm, and its interval.
    """

    lift: float
    low: float
    high: float
    part: str | None
    point: Point | None
    room: float
    room_low: float
    room_high: float


@dataclass(frozen=True)
class Loading:
    """Both ways of one fastener.

    Parameters
    ----------
    in_place, on_bench : Withdrawal
        Travel with all parts, and with those of the bench alone.
    shank, bench_shank : Room
        About the shank in what it passes freely, with all parts and on the bench.
    raised : Raised
    """

    in_place: Withdrawal
    on_bench: Withdrawal
    shank: Room
    bench_shank: Room
    raised: Raised

    @property
    def goes_in_place(self) -> Goes:
        """Whether it goes in and out with all parts about it."""
        return _both(_travels(self.in_place), _stands(self.shank))

    @property
    def goes_on_bench(self) -> Goes:
        """Whether it goes in and out with the housing off."""
        return _both(_travels(self.on_bench), _stands(self.bench_shank))

    @property
    def stays_clear(self) -> Goes:
        """Whether, loaded first, it lets the housing down."""
        if self.raised.room_low >= 0.0:
            return "yes"
        return "no" if self.raised.room_high < 0.0 else "undecided"

    @property
    def way(self) -> Way:
        """How it goes in; ``load first``: on the bench only, and then it lets the housing down."""
        if self.goes_in_place == "yes":
            return "in place"
        first = _both(self.goes_on_bench, self.stays_clear)
        if self.goes_in_place == "no" and first != "undecided":
            return "load first" if first == "yes" else "no way"
        return "undecided"


def loading(
    fastener: Fastener,
    in_place: Any,
    on_bench: Any,
    *,
    carrier: str = "",
    into: str | None = None,
    seat: Seat | None = None,
    lift: float = LIFT,
    margin: float = 0.0,
) -> Loading:
    """Both ways of a fastener; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    in_place : mapping of names to shapes, or iterable of Obstacle
        Everything that stands about it.
    on_bench : the same
        What stands about it with the housing off; parts of ``in_place``, by name.
    carrier : str
        The part under its head.
    into : str, optional
        The part that carries its thread.
    seat, lift, margin
        As for ``withdraw``.

    Raises
    ------
    InputError
        A length is negative or not finite, an obstacle is no mesh, or a part of the bench is not
        there in place.
    """
    parts, bench = as_obstacles(in_place), as_obstacles(on_bench)
    names = {part.name for part in bench}
    strange = sorted(names - {part.name for part in parts})
    if strange:
        raise InputError(f"on the bench but not in place: {', '.join(strange)}")
    here = withdraw(fastener, parts, seat=seat, lift=lift, margin=margin)
    alone = here
    if len(names) < len(parts):
        alone = withdraw(fastener, bench, seat=seat, lift=lift, margin=margin)
    passed = [
        part for part in parts if (part.name == carrier if into is None else part.name != into)
    ]
    shank = stand_free(fastener, passed, seat)
    theirs = [part for part in parts if part.name not in names]
    bench_shank = shank
    if any(part.name not in names for part in passed):
        bench_shank = stand_free(fastener, [p for p in passed if p.name in names], seat)
    return Loading(here, alone, shank, bench_shank, _raised(fastener, theirs, into, seat, here))


def stand_free(fastener: Fastener, parts: Sequence[Obstacle], seat: Seat | None = None) -> Room:
    """Room about the shank, from the seat to the tip, in parts that it passes freely."""
    depth = fastener.length - fastener.washer
    height = 0.0 if seat is None else seat.height
    if depth <= 0.0:
        return Room(WITHIN, WITHIN, WITHIN, WITHIN, None, None, None, False, "")
    rows = ((-depth, 0.0, fastener.screw.thread_diameter / 2.0),)
    foot = -min(0.5, 0.5 * depth)
    frame = fastener.frame(height)
    return free_room(frame, [(0.0, 0.0, rows)], parts, within=WITHIN, foot=foot)


def _raised(
    fastener: Fastener,
    theirs: Sequence[Obstacle],
    into: str | None,
    seat: Seat | None,
    travel: Withdrawal,
) -> Raised:
    down = fastener.frame(0.0 if seat is None else seat.height)
    down[2:] = -down[2:]
    tip = max(fastener.length - fastener.washer, 0.0)
    read = _mouth(fastener, theirs, into, "as_read", down, tip)
    near = _mouth(fastener, theirs, into, "nearest_truth", down, tip)
    far = _mouth(fastener, theirs, into, "farthest_truth", down, tip)
    lift = tip - read.value
    high, low = max(tip - near.value, lift), min(tip - far.value, lift)
    met = read.part >= 0
    x, y, z = (float(c) for c in read.point)
    return Raised(
        lift,
        low,
        high,
        theirs[read.part].name if met else None,
        (x, y, z) if met else None,
        travel.travel - lift,
        travel.low - high,
        travel.high - low,
    )


def _mouth(
    fastener: Fastener,
    theirs: Sequence[Obstacle],
    into: str | None,
    which: Literal["as_read", "nearest_truth", "farthest_truth"],
    down: FloatArray,
    tip: float,
) -> First:
    """The metal of the vehicle that a tip meets first on its way down from the seat."""
    best = First(tip, -1, -1, np.zeros(3))
    for number, part in enumerate(theirs):
        thread = into is None or part.name == into
        radius = fastener.hole_radius if thread else fastener.screw.thread_diameter / 2.0
        met = first_metal([part], which, down, radius, 0.0, best.value)
        if met.part >= 0 and met.value < best.value:
            best = First(met.value, number, met.triangle, met.point)
    return best


def _travels(result: Withdrawal) -> Goes:
    if result.low >= result.needed:
        return "yes"
    return "no" if result.high < result.needed else "undecided"


def _stands(room: Room) -> Goes:
    if room.low >= 0.0:
        return "yes"
    return "no" if room.high < 0.0 else "undecided"


def _both(first: Goes, second: Goes) -> Goes:
    if "no" in (first, second):
        return "no"
    return "undecided" if "undecided" in (first, second) else "yes"

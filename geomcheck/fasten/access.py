"""Does a tool serve a fastener: it stands on the head, turns far enough, and comes off.

The rule. A rigid tool stands and comes off as in ``reach``. Its arms and handles then swing about
the axis: somewhere there must be a free arc of the turn the tool needs at one go. What swings is
the bar from its lower face to its upper face plus the way it is lifted, so that it also comes off
and is put on again anywhere in that arc; a tool that is drawn off sideways must be free to go so
anywhere in it. The room wanted round the tool is wanted round its handle too. Nothing lower than
``lift`` plus the seat's sagitta above the seat is looked at: that is where the head meets its seat.
The wall of a counterbore is looked at, above that.

A tool that may lean (ball end, universal joint) is asked in ``lean``. With a yes comes the pose it
was found in; a no is proved, or it is undecided.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from geomcheck.fasten import arcs, turning
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import LIFT, WITHIN, Reach, free_from, lift_off, reach
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.tools import Row, Tool
from geomcheck.finding import Point

#: A part and the place where a handle runs against it.
End: TypeAlias = tuple[str, Point]
#: From, to, width, inner and outer radius of a bar, mm.
BarRow: TypeAlias = tuple[float, float, float, float, float]

#: Between the jaws and the handle of an open spanner, degrees: it is drawn off along its jaws.
JAW_ANGLE = 15.0
#: The least arc that is shown, degrees: a ratchet's stroke would hardly be seen.
SHOWN = 30.0


@dataclass(frozen=True)
class Swing:
    """Free arc of a tool's handle.

    Parameters
    ----------
    needed : float
        Turn the tool needs at one go, degrees.
    free, low, high : float
        Largest free arc as read from the meshes, and its interval, degrees.
    begin, end : float
        That arc, degrees from the frame's u axis; 0 and 0 where there is none.
    ends : tuple of (part, point)
        What the handle runs against; empty where it is free all round.
    doubt : str
        The part whose sagitta lowers the interval most; empty if none.
    """

    needed: float
    free: float
    low: float
    high: float
    begin: float
    end: float
    ends: tuple[End, ...]
    doubt: str

    @property
    def blocker(self) -> str | None:
        """The first part the handle runs against."""
        return self.ends[0][0] if self.ends else None

    @property
    def middle(self) -> float:
        """Middle of the free arc, degrees."""
        return 0.5 * (self.begin + self.end)


@dataclass(frozen=True)
class Lean:
    """How a tool leans.

    Parameters
    ----------
    angle : float
        Degrees off the fastener's axis.
    limit : float
        How far the tool may lean, degrees.
    direction : Point
        Unit vector along the leaning part.
    decided : bool
        The answer is a witness or a proof; False where the search ran out of steps.
    """

    angle: float
    limit: float
    direction: Point
    decided: bool


@dataclass(frozen=True)
class Access:
    """What was found of one tool on one fastener.

    Parameters
    ----------
    tool : Tool
    fastener : Fastener
    stands : Reach
        Room round the tool where it stands and comes off.
    turns : Swing or None
        None for a tool without a handle, and where it was not asked: the tool does not stand.
    lean : Lean or None
        For tools that may lean.
    frame : (4, 3) float
        Of the leaning part: origin, u, v and the axis its rows and bars are counted along.
    at : Point
        Where the heights of the rows below count from, along the frame's axis.
    profile : tuple of (from, to, diameter)
        The rows that lean, where they stand, mm.
    base : tuple of (from, to, diameter)
        Rows that stay on the fastener's axis, mm above its seat point; empty for a rigid tool.
    bars : tuple of (from, to, width, inner, outer)
        Arms and handles, counted as ``profile`` is.
    """

    tool: Tool
    fastener: Fastener
    stands: Reach
    turns: Swing | None
    lean: Lean | None
    frame: FloatArray
    at: Point
    profile: tuple[Row, ...]
    base: tuple[Row, ...]
    bars: tuple[BarRow, ...]

    def toward(self, angle: float) -> Point:
        """Unit vector of the handle at an angle of the frame, degrees."""
        a = math.radians(angle)
        x, y, z = (float(c) for c in math.cos(a) * self.frame[1] + math.sin(a) * self.frame[2])
        return (x, y, z)

    def away(self, point: Point) -> FloatArray:
        """The way from the tool's axis square to ``point``, mm."""
        out = np.array(point) - self.frame[0]
        found: FloatArray = out - (out @ self.frame[3]) * self.frame[3]
        return found


def access(
    fastener: Fastener,
    tool: Tool,
    obstacles: Iterable[Obstacle],
    *,
    seat: Seat | None = None,
    room: float = 0.0,
    turn: bool = True,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Access:
    """How a tool stands on a fastener and turns, along the fastener's axis; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    tool : Tool
        Taken as rigid; for one that leans see :func:`geomcheck.fasten.lean.lean_access`.
    obstacles : iterable of Obstacle
    seat : Seat, optional
        As found by ``examine_seat``.
    room : float
        Room wanted round the tool, mm; a tool that surely has less is not turned.
    turn : bool
        Whether turning is asked.
    lift, within : float
        As for ``reach``.

    Raises
    ------
    InputError
        The tool does not drive this head, or a length is negative or not finite.
    CannotDecide
        The whole tool, or its handle, lies below the place where looking begins.
    """
    parts = tuple(obstacles)
    stands = reach(fastener, tool, parts, seat=seat, lift=lift, within=within)
    height, start = free_from(seat, lift)
    frame = fastener.frame(height)
    rest = fastener.rest
    turns = None
    if turn and tool.bars and stands.high >= room:
        bars = swept(tool, rest, lift_off(fastener, tool))
        turns = swing(frame, bars, tool.arc, parts, start=start, grow=room)
    shown = bar_rows(tool, rest + height)
    return Access(tool, fastener, stands, turns, None, frame, fastener.at, stands.rows, (), shown)


def bar_rows(tool: Tool, rest: float) -> tuple[BarRow, ...]:
    """The bars of a tool for pictures, heights counted from ``rest`` below where it rests."""
    return tuple((b.low + rest, b.high + rest, b.width, b.inner, b.outer) for b in tool.bars)


def swept(tool: Tool, rest: float, stroke: float) -> list[arcs.Bar]:
    """The bars of a tool with the way they move when it comes off.

    Parameters
    ----------
    tool : Tool
    rest : float
        Height above the frame's origin from which the tool's heights count, mm.
    stroke : float
        How far it is lifted, mm.
    """
    jaw = 2.0 * tool.aside * math.sin(math.radians(JAW_ANGLE))
    bars = [
        _bar(rest + b.low, rest + b.high + stroke, b.width + jaw, b.inner, b.outer + tool.aside)
        for b in tool.bars
    ]
    if tool.aside > 0.0:
        bars += [
            _bar(rest + low, rest + high, diameter + jaw, 0.0, 0.5 * diameter + tool.aside)
            for low, high, diameter in tool.profile
        ]
    return bars


def _bar(low: float, high: float, width: float, inner: float, outer: float) -> arcs.Bar:
    """A bar whose round tip holds the square one."""
    half = 0.5 * width
    return arcs.Bar(low, high, half, inner, math.hypot(outer, half))


def swing(
    frame: FloatArray,
    bars: Sequence[arcs.Bar],
    needed: float,
    parts: Sequence[Obstacle],
    *,
    start: float,
    grow: float,
) -> Swing:
    """Largest free arc of bars; asked in full only where the quick answer is not a yes.

    Parameters
    ----------
    frame : (4, 3) float
    bars : sequence of arcs.Bar
    needed, start, grow : float
        As for ``turning.free_arc``.
    parts : sequence of Obstacle
    """
    found = turning.free_arc(frame, bars, parts, start=start, grow=grow, need_deg=needed)
    if found.low_deg < needed:
        found = turning.free_arc(frame, bars, parts, start=start, grow=grow)
    largest = found.largest
    ends: list[End] = []
    if largest is not None:
        edges = (largest.from_edge, largest.to_edge)
        ends = [(edge.part, edge.point) for edge in edges if edge is not None]
    else:
        ends = [(share.part, share.edge.point) for share in found.shares[:2]]
    return Swing(
        needed=needed,
        free=found.largest_deg,
        low=found.low_deg,
        high=found.high_deg,
        begin=largest.from_deg if largest is not None else 0.0,
        end=largest.to_deg if largest is not None else 0.0,
        ends=tuple(ends),
        doubt=found.doubt,
    )

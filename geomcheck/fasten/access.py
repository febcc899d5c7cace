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
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np

from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import LIFT, WITHIN, Reach, free_from, lift_off, reach_each
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.swing import Swing, full_swing, swept, swing
from geomcheck.fasten.tools import Row, Tool
from geomcheck.finding import Point

__all__ = ["Access", "BarRow", "Lean", "Swing", "access", "access_each", "bar_rows", "measured"]

#: From, to, width, inner and outer radius of a bar, mm.
BarRow: TypeAlias = tuple[float, float, float, float, float]

#: The least arc that is shown, degrees: a ratchet's stroke would hardly be seen.
SHOWN = 30.0


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
        The answer is a witness or a proof; False where neither was found.
    none : bool
        Proved: no direction has the room wanted.
    stands : bool
        A direction has the room wanted where the tool stands.
    """

    angle: float
    limit: float
    direction: Point
    decided: bool
    none: bool = False
    stands: bool = False


@dataclass(frozen=True, eq=False)
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

    def held(self) -> list[tuple[Point, Point]]:
        """Where a hand may hold the tool, and the way on from there: its top, its handle's end.

        The handle stands at the beginning, the middle and the end of its free arc. Places are 1 mm
        beyond the tool.
        """
        at, up = np.array(self.at), self.frame[3]
        heights = [high for _, high, _ in self.profile] + [bar[1] for bar in self.bars]
        found = [(_triple(at + (max(heights, default=0.0) + 1.0) * up), _triple(up))]
        if self.bars and self.turns is not None and self.turns.low > 0.0:
            low, high, _, _, outer = max(self.bars, key=lambda bar: bar[4])
            for angle in (self.turns.middle, self.turns.begin, self.turns.end):
                way = self.toward(angle)
                end = at + 0.5 * (low + high) * up + (outer + 1.0) * np.array(way)
                found.append((_triple(end), way))
        return found

    def away(self, point: Point) -> FloatArray:
        """The way from the tool's axis square to ``point``, mm."""
        out = np.array(point) - self.frame[0]
        found: FloatArray = out - (out @ self.frame[3]) * self.frame[3]
        return found


def _triple(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))


def access(fastener: Fastener, tool: Tool, obstacles: Iterable[Obstacle], **asked: Any) -> Access:
    """:func:`access_each` for one tool."""
    return access_each(fastener, [tool], obstacles, **asked)[0]


def access_each(
    fastener: Fastener,
    tools: Sequence[Tool],
    obstacles: Iterable[Obstacle],
    *,
    seat: Seat | None = None,
    room: float = 0.0,
    turn: bool = True,
    lift: float = LIFT,
    within: float = WITHIN,
) -> list[Access]:
    """How tools stand on a fastener and turn, along the fastener's axis; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    tools : sequence of Tool
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
        A tool does not drive this head, or a length is negative or not finite.
    CannotDecide
        A whole tool, or its handle, lies below the place where looking begins.
    """
    parts = tuple(obstacles)
    stood = reach_each(fastener, tools, parts, seat=seat, lift=lift, within=within)
    height, start = free_from(seat, lift)
    frame, rest = fastener.frame(height), fastener.rest
    found = []
    for tool, stands in zip(tools, stood, strict=True):
        turns = None
        if turn and tool.bars and stands.high >= room:
            bars = swept(tool, rest, lift_off(fastener, tool))
            turns = swing(frame, bars, tool.arc, parts, start=start, grow=room)
        bars_shown = bar_rows(tool, rest + height)
        found.append(
            Access(
                tool, fastener, stands, turns, None, frame, fastener.at, stands.rows, (), bars_shown
            )
        )
    return found


def bar_rows(tool: Tool, rest: float) -> tuple[BarRow, ...]:
    """The bars of a tool for pictures, heights counted from ``rest`` below where it rests."""
    return tuple((b.low + rest, b.high + rest, b.width, b.inner, b.outer) for b in tool.bars)


def measured(access: Access, parts: Sequence[Obstacle], room: float, start: float) -> Access:
    """The same with its free arc measured in full, and the part in doubt named if it decides.

    Parameters
    ----------
    access : Access
        Of a rigid tool.
    parts : sequence of Obstacle
    room, start : float
        As it was asked with.
    """
    turns = access.turns
    if turns is None or access.lean is not None:
        return access
    fastener, tool = access.fastener, access.tool
    bars = swept(tool, fastener.rest, lift_off(fastener, tool))
    # Whose sagitta it is matters where it decides.
    doubt = turns.low < turns.needed
    full = full_swing(
        access.frame, bars, turns.needed, parts, start=start, grow=room, name_doubt=doubt
    )
    return replace(access, turns=full)

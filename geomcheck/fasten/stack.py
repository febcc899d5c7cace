"""Room round stacks of cylinders that stand on a fastener's axis and move up along it.

The room is the least, over rows and triangles, of the free radius about the axis less the row's
radius; in metal the free radius is 0. The seat itself is left out: nothing is looked at lower than
``lift`` plus the seat's sagitta above the highest metal found under the head. A stack that touches
no triangle of a solid may still be wholly inside it: one point of the axis is tested by the
winding number.

The interval: every triangle of a part is moved out by its sagitta (metal may stand closer) for
the lower bound, and back by it for the upper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import CannotDecide
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle, as_obstacles
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.tools import Row, Tool
from geomcheck.finding import Point
from geomcheck.kernels import solids

IntArray: TypeAlias = NDArray[np.int64]

LIFT = 0.3
WITHIN = 25.0


@dataclass(frozen=True)
class Reach:
    """Room round one tool.

    Parameters
    ----------
    tool : Tool
    room, low, high : float
        Least room as read from the meshes, and its interval, mm; negative where metal stands in
        the tool's way. All three equal ``within`` where nothing is nearer than that: the room is
        then at least that much.
    within : float
        No metal was looked for farther than this from the tool, mm.
    blocker : str or None
        The part nearest to the tool; None if nothing is within ``within``.
    triangle : int or None
        Its triangle, in the caller's order; None also where the tool is inside the part.
    point : Point or None
        The place on it, mm.
    height : float or None
        Of that place above the seat point, along the axis, mm.
    inside : bool
        The tool is wholly inside the blocker's material.
    doubt : str
        The part whose sagitta sets the interval's lower bound; empty if none.
    rows : tuple of (from, to, diameter)
        The tool where it stands, mm above the seat point, for pictures.
    """

    tool: Tool
    room: float
    low: float
    high: float
    within: float
    blocker: str | None
    triangle: int | None
    point: Point | None
    height: float | None
    inside: bool
    doubt: str
    rows: tuple[tuple[float, float, float], ...]

    @property
    def clear(self) -> bool:
        """Nothing within ``within`` of the tool."""
        return self.blocker is None


def free_from(seat: Seat | None, lift: float) -> tuple[float, float]:
    """Height of the seat and of the lowest place looked at above it, mm.

    The kernel lowers its slabs by each triangle's sagitta; starting that much higher at the seat
    keeps the seat out.
    """
    if seat is None:
        return 0.0, lift
    return seat.height, lift + seat.sagitta


class Stack(NamedTuple):
    """Cylinders on a fastener's axis that move up along it.

    Attributes
    ----------
    tool : Tool
        What they belong to; only told on.
    standing : sequence of (from, to, diameter)
        mm above the seat.
    stroke : float
        How far they move, mm.
    """

    tool: Tool
    standing: Sequence[Row]
    stroke: float


def stack_rooms(
    fastener: Fastener,
    stacks: Sequence[Stack],
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> list[Reach]:
    """Room round stacks of cylinders on a fastener's axis, one answer for each.

    Parameters
    ----------
    fastener : Fastener
    stacks : sequence of Stack
    obstacles, seat, lift, within
        As for :func:`reach`.

    Raises
    ------
    CannotDecide
        All of a stack lies below the place where looking begins.
    """
    parts = as_obstacles(obstacles)
    height, start = free_from(seat, lift)
    tables = [_table(fastener, stack, start) for stack in stacks]
    frame = fastener.frame(height)
    read = _least(parts, "as_read", frame, tables, within)
    low = _least(parts, "nearest_truth", frame, tables, within)
    high = _least(parts, "farthest_truth", frame, tables, within)
    holders: dict[float, Obstacle | None] = {}
    found = []
    for k, stack in enumerate(stacks):
        part = int(read.part[k])
        point: Point | None = None
        if part >= 0:
            x, y, z = read.point[k].tolist()
            point = (x, y, z)
        room, least, most = (float(one.value[k]) for one in (read, low, high))
        result = Reach(
            tool=stack.tool,
            room=room,
            low=min(least, room),
            high=max(most, room),
            within=within,
            blocker=parts[part].name if part >= 0 else None,
            triangle=int(read.triangle[k]) if part >= 0 else None,
            point=point,
            height=None if point is None else fastener.height_of(point),
            inside=False,
            doubt=parts[int(low.part[k])].name if low.part[k] >= 0 and least < room else "",
            rows=tuple((a + height, b + height, d) for a, b, d in stack.standing),
        )
        if room > 0.0:
            inner = height + float(tables[k][0, 0])
            if inner not in holders:
                holders[inner] = _holder(fastener, parts, inner)
            holder = holders[inner]
            if holder is not None:
                result = _swallowed(fastener, holder, inner, float(tables[k][0, 2]), result)
        found.append(result)
    return found


def _table(fastener: Fastener, stack: Stack, start: float) -> FloatArray:
    """Rows of from, to, radius as they are swept, above where looking begins."""
    rows = [
        (max(a, start), b + stack.stroke, d / 2.0)
        for a, b, d in stack.standing
        if b + stack.stroke > start
    ]
    if not rows:
        raise CannotDecide(
            f'the tool "{stack.tool.name}" ends {start:.2f} mm above the seat, where looking '
            "begins",
            where=fastener.name,
        )
    return np.array(rows)


def _holder(fastener: Fastener, parts: Sequence[Obstacle], inner: float) -> Obstacle | None:
    """The part in whose material the axis lies at a height."""
    point = fastener.point(inner)
    return next((part for part in parts if part.holds(point, fastener.axis)), None)


def _swallowed(
    fastener: Fastener, part: Obstacle, inner: float, radius: float, result: Reach
) -> Reach:
    """The result, corrected where the tool is wholly inside a part."""
    return replace(
        result,
        room=-radius,
        low=-radius,
        high=-radius,
        blocker=part.name,
        triangle=None,
        point=fastener.point(inner),
        height=inner,
        inside=True,
        doubt="",
    )


class _Least(NamedTuple):
    """Least room of each stack, with the part's number (-1: none), triangle and place."""

    value: FloatArray
    part: IntArray
    triangle: IntArray
    point: FloatArray


def _least(
    parts: Sequence[Obstacle],
    which: str,
    frame: FloatArray,
    tables: Sequence[FloatArray],
    within: float,
) -> _Least:
    count = len(tables)
    frames = np.repeat(frame[None], count, axis=0)
    rows = np.concatenate(tables)
    starts = np.cumsum([0, *(len(table) for table in tables)], dtype=np.int64)
    best = _Least(
        np.full(count, within), np.full(count, -1), np.full(count, -1), np.zeros((count, 3))
    )
    value = np.empty(count)
    found, row = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    place = np.zeros((count, 3))
    for number, part in enumerate(parts):
        tree: KernelTree = getattr(part, which)
        cutoff = best.value.copy()
        solids.rooms(
            tree, frames, rows, starts, cutoff, -np.inf, 0, count, value, found, row, place
        )
        nearer = (found >= 0) & (value < cutoff)
        best.value[nearer] = value[nearer]
        best.part[nearer] = number
        best.triangle[nearer] = found[nearer]
        best.point[nearer] = place[nearer]
    return best

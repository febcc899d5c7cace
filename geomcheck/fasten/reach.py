"""Does a tool stand on a fastener, and how much room is left round it.

The rule. The tool rests on the head (see ``tools``) with its axis on the fastener's. It is a
rigid stack of cylinders that must also come off: it is lifted along the axis by the height of the
head, so each row of its profile sweeps from its lower end to its upper end plus that lift (a tool
that comes off sideways is not lifted). How it is turned is asked in ``access``.

The room is the least, over rows and triangles, of the free radius about the axis less the row's
radius; in metal the free radius is 0. The seat itself is left out: nothing is looked at lower than
``lift`` plus the seat's sagitta above the highest metal found under the head. A tool that touches
no triangle of a solid may still be wholly inside it: one point of the axis is tested by the
winding number.

The interval: every triangle of a part is moved out by its sagitta (metal may stand closer) for
the lower bound, and back by it for the upper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle, as_obstacles
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.tools import Tool
from geomcheck.finding import Point
from geomcheck.kernels import solids

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


def reach(
    fastener: Fastener,
    tool: Tool,
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Reach:
    """Room round one tool on one fastener; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    tool : Tool
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
        Everything that stands about the fastener, the part it sits on included.
    seat : Seat, optional
        As found by ``examine_seat``; the stated seat plane is taken if not given.
    lift : float
        mm above the seat below which nothing is looked at.
    within : float
        mm beyond the tool where the search ends.

    Raises
    ------
    InputError
        The tool does not drive this head, or a length is negative or not finite.
    CannotDecide
        The whole tool lies below the place where looking begins.
    """
    if not tool.drives(fastener.screw):
        row = fastener.screw
        raise InputError(
            f'the tool "{tool.name}" does not drive {row.size} {row.head} '
            f"({row.drive}, {row.across_flats:g} mm across flats)"
        )
    if not (0.0 <= lift < np.inf and 0.0 < within < np.inf):
        raise InputError("lift and within must be finite lengths, within more than 0")
    rest = fastener.rest
    standing = [(rest + a, rest + b, d) for a, b, d in (*tool.base, *tool.profile)]
    return stack_room(
        fastener,
        tool,
        standing,
        lift_off(fastener, tool),
        obstacles,
        seat=seat,
        lift=lift,
        within=within,
    )


def lift_off(fastener: Fastener, tool: Tool) -> float:
    """How far the tool is lifted along the axis to come off, mm; 0 if it comes off sideways."""
    return 0.0 if tool.aside > 0.0 else fastener.screw.head_height


def free_from(seat: Seat | None, lift: float) -> tuple[float, float]:
    """Height of the seat and of the lowest place looked at above it, mm.

    The kernel lowers its slabs by each triangle's sagitta; starting that much higher at the seat
    keeps the seat out.
    """
    if seat is None:
        return 0.0, lift
    return seat.height, lift + seat.sagitta


def stack_room(
    fastener: Fastener,
    tool: Tool,
    standing: Sequence[tuple[float, float, float]],
    stroke: float,
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Reach:
    """Room round cylinders on a fastener's axis that move up along it.

    Parameters
    ----------
    fastener : Fastener
    tool : Tool
        What they belong to; only told on.
    standing : sequence of (from, to, diameter)
        mm above the seat.
    stroke : float
        How far they move, mm.
    obstacles, seat, lift, within
        As for :func:`reach`.

    Raises
    ------
    CannotDecide
        All of it lies below the place where looking begins.
    """
    parts = as_obstacles(obstacles)
    height, start = free_from(seat, lift)
    rows = np.array(
        [(max(a, start), b + stroke, d / 2.0) for a, b, d in standing if b + stroke > start]
    )
    if len(rows) == 0:
        raise CannotDecide(
            f'the tool "{tool.name}" ends {start:.2f} mm above the seat, where looking begins',
            where=fastener.name,
        )
    frame = fastener.frame(height)
    read = _least(parts, "as_read", frame, rows, within)
    low = _least(parts, "nearest_truth", frame, rows, within)
    high = _least(parts, "farthest_truth", frame, rows, within)
    shown = tuple((a + height, b + height, d) for a, b, d in standing)
    blocker = parts[read.part] if read.part >= 0 else None
    point: Point | None = None
    if blocker is not None:
        point = (float(read.point[0]), float(read.point[1]), float(read.point[2]))
    result = Reach(
        tool=tool,
        room=read.value,
        low=min(low.value, read.value),
        high=max(high.value, read.value),
        within=within,
        blocker=None if blocker is None else blocker.name,
        triangle=None if blocker is None else read.triangle,
        point=point,
        height=None if point is None else fastener.height_of(point),
        inside=False,
        doubt=parts[low.part].name if low.part >= 0 and low.value < read.value else "",
        rows=shown,
    )
    if read.value <= 0.0:
        return result
    inner = height + float(rows[0, 0])
    return _swallowed(fastener, parts, inner, float(rows[0, 2]), result)


def _swallowed(
    fastener: Fastener, parts: Sequence[Obstacle], inner: float, radius: float, result: Reach
) -> Reach:
    """The result, corrected where the tool is wholly inside a part."""
    point = fastener.point(inner)
    for part in parts:
        if part.holds(point, fastener.axis):
            return replace(
                result,
                room=-radius,
                low=-radius,
                high=-radius,
                blocker=part.name,
                triangle=None,
                point=point,
                height=inner,
                inside=True,
                doubt="",
            )
    return result


@dataclass(frozen=True)
class _Least:
    value: float
    part: int
    triangle: int
    point: FloatArray


def _least(
    parts: Sequence[Obstacle], which: str, frame: FloatArray, rows: FloatArray, within: float
) -> _Least:
    best = _Least(within, -1, -1, np.zeros(3))
    value = np.empty(1)
    found = np.empty(1, dtype=np.int64)
    row = np.empty(1, dtype=np.int64)
    place = np.zeros((1, 3))
    frames = frame[None]
    starts = np.array([0, len(rows)])
    for number, part in enumerate(parts):
        tree: KernelTree = getattr(part, which)
        cutoff = np.array([best.value])
        solids.rooms(tree, frames, rows, starts, cutoff, -np.inf, 0, 1, value, found, row, place)
        if found[0] >= 0 and value[0] < best.value:
            best = _Least(float(value[0]), number, int(found[0]), place[0].copy())
    return best

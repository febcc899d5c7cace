"""Free room round something straight that moves along its axis: plugs, hands, ways out.

A body is a set of columns along one axis; each column is a stack of cylinders (from, to, radius)
about its own line, shifted off the axis. A round body is one column; a body of box shape is covered
by columns from outside for the lower bound and filled by others from inside for the upper.

The room is the least, over columns, rows and triangles, of the free radius about the column's line
less the row's radius: how much wider the body could be. In metal the free radius is 0. A body that
touches no triangle of a solid may still be wholly inside it: one point of the axis is tested by the
winding number.

The interval: every triangle of a part is moved out by its sagitta (metal may stand closer) for the
lower bound, and back by it for the upper. A flat face ends where a curved one begins, and its edge
is as untrue as that: where the upper bound would decide against the body, it is raised to what was
read plus the greatest sagitta of the triangles that share a corner with the nearest one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle, as_obstacles
from geomcheck.finding import Point
from geomcheck.kernels import solids

#: Rows of from, to (mm along the axis) and radius (mm), rising.
Rows: TypeAlias = Sequence[tuple[float, float, float]]
#: A column: shift along the frame's u and v, mm, and its rows.
Column: TypeAlias = tuple[float, float, Rows]
#: Which triangles: as read, or moved by their sagitta out or back.
Which: TypeAlias = Literal["as_read", "nearest_truth", "farthest_truth"]


@dataclass(frozen=True)
class Room:
    """Room round a body.

    Parameters
    ----------
    room, low, high : float
        Least room as read from the meshes, and its interval, mm; negative where metal stands in
        the way. All three are ``within`` where nothing is nearer: the room is then at least that.
    within : float
        No metal was looked for farther than this from the body, mm.
    blocker : str or None
        The nearest part; None if nothing is within ``within``.
    triangle : int or None
        Its triangle, in the caller's order; None also where the body is inside the part.
    point : Point or None
        The place on it, mm.
    inside : bool
        The body's foot is inside the blocker's material.
    doubt : str
        The part whose sagitta sets the lower bound; empty if none.
    """

    room: float
    low: float
    high: float
    within: float
    blocker: str | None
    triangle: int | None
    point: Point | None
    inside: bool
    doubt: str

    @property
    def clear(self) -> bool:
        """Nothing within ``within`` of the body."""
        return self.blocker is None


def free_room(
    frame: FloatArray,
    outside: Sequence[Column],
    obstacles: Any,
    *,
    within: float,
    filled: Sequence[Column] | None = None,
    foot: float | None = None,
    wanted: float = 0.0,
) -> Room:
    """Room round a body; see the module's rule.

    Parameters
    ----------
    frame : (4, 3) float
        Origin and unit axes u, v, w; w is the body's axis.
    outside : sequence of Column
        Columns that together cover the body.
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
    within : float
        mm beyond the body where the search ends.
    filled : sequence of Column, optional
        Columns that lie wholly in the body, for the upper bound; those of ``outside`` if not given.
    foot : float, optional
        Height on the axis of the point that must not be inside material; the lowest row's start
        if not given.
    wanted : float
        Room below which the body does not pass, mm.

    Raises
    ------
    InputError
        ``within`` is not a positive finite length, there are no rows, or an obstacle is no mesh.
    """
    if not 0.0 < within < np.inf:
        raise InputError("within must be a finite length above 0")
    parts = as_obstacles(obstacles)
    rows = [row for _, _, stack in outside for row in stack]
    if not rows:
        raise InputError("a body needs at least one row")
    level = min(row[0] for row in rows) if foot is None else foot
    start = frame[0] + level * frame[3]
    point: Point = (float(start[0]), float(start[1]), float(start[2]))
    axis: Point = (float(frame[3, 0]), float(frame[3, 1]), float(frame[3, 2]))
    for part in parts:
        if part.holds(point, axis):
            depth = -max(row[2] for row in rows)
            return Room(depth, depth, depth, within, part.name, None, point, True, "")
    read = least_room(parts, "as_read", frame, outside, within)
    low = least_room(parts, "nearest_truth", frame, outside, within)
    high = least_room(parts, "farthest_truth", frame, filled or outside, within).value
    if high < wanted and read.part >= 0:
        high = max(high, read.value + _edge_slack(parts[read.part], read.triangle))
    place: Point | None = None
    if read.part >= 0:
        place = (float(read.point[0]), float(read.point[1]), float(read.point[2]))
    return Room(
        room=read.value,
        low=min(low.value, read.value),
        high=max(high, read.value),
        within=within,
        blocker=parts[read.part].name if read.part >= 0 else None,
        triangle=read.triangle if read.part >= 0 else None,
        point=place,
        inside=False,
        doubt=parts[low.part].name if low.part >= 0 and low.value < read.value else "",
    )


@dataclass(frozen=True)
class Least:
    """Least room, part number (-1: none nearer than looked for), triangle, place."""

    value: float
    part: int
    triangle: int
    point: FloatArray


def least_room(
    parts: Sequence[Obstacle],
    which: Which,
    frame: FloatArray,
    columns: Sequence[Column],
    within: float,
) -> Least:
    """Least room of columns, up to ``within``.

    ``which`` are the triangles as read, moved out, or moved back by their sagitta.
    """
    best = Least(within, -1, -1, np.zeros(3))
    n = len(columns)
    frames = np.repeat(frame[None], n, axis=0)
    for number, (u, v, _) in enumerate(columns):
        frames[number, 0] += u * frame[1] + v * frame[2]
    table = np.array([row for _, _, stack in columns for row in stack], dtype=np.float64)
    starts = np.cumsum([0, *(len(stack) for _, _, stack in columns)])
    value, places = np.empty(n), np.zeros((n, 3))
    found, row = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    for number, part in enumerate(parts):
        tree: KernelTree = getattr(part, which)
        cutoffs = np.full(n, best.value)
        solids.rooms(tree, frames, table, starts, cutoffs, -np.inf, 0, n, value, found, row, places)
        hit = int(np.argmin(np.where(found >= 0, value, np.inf)))
        if found[hit] >= 0 and value[hit] < best.value:
            best = Least(float(value[hit]), number, int(found[hit]), places[hit].copy())
    return best


def _edge_slack(part: Obstacle, triangle: int) -> float:
    """Greatest inward sagitta of the triangles that share a corner with one, mm."""
    if not part.sagitta.inward.any():
        return 0.0
    tree = part.tree
    own = tree.triangles[np.flatnonzero(tree.order == triangle)[0]]
    shared = np.zeros(len(tree), dtype=bool)
    for corner in own:
        shared |= (tree.triangles == corner).all(axis=2).any(axis=1)
    return float(part.sagitta.inward[tree.order[shared]].max())

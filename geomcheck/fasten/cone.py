"""Branch and bound over the directions of a tilt cone.

Directions are points of a plane, the tilt in radians along the frame's u and v (its length is the
angle from the axis, its direction the azimuth). On a sphere two directions are never farther apart
than their points in that plane, so a square of half side h lies within h sqrt(2) of its centre.

The bound. Metal at distance s from the pivot, ``theta`` off the axis, is at most
``s sin(theta + d)`` off any axis within the angle d of that one (s where ``theta + d`` passes a
right angle), and stands between ``s cos(theta + d)`` and ``s cos(theta - d)`` along it. Where all
of that range lies within rows of the stack, no direction of the cell has more room than that
distance less the least radius of those rows. Any piece of metal gives such a bound; those that
stood nearest in the cells looked at before are tried first, on all cells at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import KernelTree
from geomcheck.fasten.rooms import IntArray, Rooms, leaning, rooms

Aim: TypeAlias = Literal["any", "room", "least"]

#: Cells looked at together; pieces of metal kept for bounds.
_BATCH = 64
_KEPT = 96


@dataclass(frozen=True)
class Search:
    """What a search over a cone found.

    Parameters
    ----------
    plane : tuple of float or None
        The best direction, see the module; the one with the most room if none reaches ``need``.
    room : float
        Its room, mm.
    reaches : bool
        Whether that is ``need`` or more.
    most : float
        No direction of the cone has more room than this, mm.
    done : bool
        The search came to its end: its answer is proved.
    cells : int
        Directions looked at.
    """

    plane: tuple[float, float]
    room: float
    reaches: bool
    most: float
    done: bool
    cells: int


def search(
    base: FloatArray,
    rows: FloatArray,
    trees: Sequence[KernelTree],
    limit: float,
    need: float,
    *,
    aim: Aim,
    within: float,
    tolerance: float,
    work: int,
    free: Callable[[FloatArray], bool],
) -> Search:
    """The best direction of the cone, or proof that none reaches ``need``.

    Parameters
    ----------
    base : (4, 3) float
        Frame at the pivot, the cone's axis its third axis.
    rows : (k, 3) float
        (z0, z1, radius) along the tilted axis from the pivot.
    trees : sequence of tuple
    limit : float
        Largest tilt, radians.
    need : float
        mm of room.
    aim : {"any", "room", "least"}
        End at the first direction that reaches ``need``; go on to the one with the most room; or
        to the one with the least tilt that does.
    within : float
        Room beyond which nothing is looked for, mm.
    tolerance : float
        How near to the most room (mm), or to the least tilt (radians), is near enough.
    work : int
        Cells to look at before giving up.
    free : callable
        Whether the stack in this frame is outside all solids, given that it touches nothing.
    """
    merged = _merged(rows)
    # plane u, v, half side, bound
    cells = np.array([[0.0, 0.0, limit, within]])
    metal = np.empty((0, 4))
    best, best_room, best_angle = (0.0, 0.0), -math.inf, math.inf
    looked, dropped = 0, -math.inf
    while len(cells):
        if looked >= work or (aim == "any" and best_room >= need):
            break
        order = _order(cells, aim)
        now, later = cells[order[:_BATCH]], cells[order[_BATCH:]]
        centre, spread = _aimed(now, limit)
        frames = leaning(base, centre)
        bound = np.minimum(now[:, 3], _bounds(frames, spread, metal, merged))
        now[:, 3] = bound
        keep, dropped = _worth(now, bound, need, best_room, best_angle, aim, tolerance, dropped)
        now, centre, spread, frames = now[keep], centre[keep], spread[keep], frames[keep]
        looked += len(now)
        if len(now):
            near = rooms(trees, frames, [rows] * len(now), within)
            metal = _remember(metal, near, base[0])
            for k in np.argsort(-near.value, kind="stable"):
                angle = float(np.hypot(centre[k, 0], centre[k, 1]))
                enough = near.value[k] >= need
                if aim == "least" and best_room >= need:
                    better = bool(enough) and angle < best_angle
                else:
                    better = bool(near.value[k] > best_room)
                if better and (not enough or free(frames[k])):
                    best = (float(centre[k, 0]), float(centre[k, 1]))
                    best_room, best_angle = float(near.value[k]), angle
            bound = np.minimum(now[:, 3], _bounds(frames, spread, metal, merged))
            # Metal at an end plane bounds nothing: look for some that stays within the rows.
            open_ = np.flatnonzero(bound >= need)
            tables = [_inner(merged, float(spread[k]), need) for k in open_]
            asked = [j for j, table in enumerate(tables) if len(table)]
            if asked:
                chosen = open_[asked]
                deep = rooms(trees, frames[chosen], [tables[j] for j in asked], within)
                metal = _remember(metal, deep, base[0])
                bound[chosen] = np.minimum(
                    bound[chosen], _bounds(frames[chosen], spread[chosen], metal, merged)
                )
            now[:, 3] = bound
            keep, dropped = _worth(now, bound, need, best_room, best_angle, aim, tolerance, dropped)
            now = now[keep]
        cells = np.concatenate([later, _split(now, limit)])
    most = max([dropped, best_room, *cells[:, 3].tolist()])
    reaches = best_room >= need
    done = len(cells) == 0 or (aim == "any" and reaches)
    return Search(best, best_room, reaches, most, done, looked)


def _order(cells: FloatArray, aim: Aim) -> IntArray:
    """Cells in the order they are looked at."""
    if aim == "least":
        return np.lexsort((-cells[:, 2], _nearest_angle(cells)))
    return np.lexsort((np.hypot(cells[:, 0], cells[:, 1]), -cells[:, 3]))


def _nearest_angle(cells: FloatArray) -> FloatArray:
    """Least tilt of each cell."""
    out = np.maximum(np.abs(cells[:, :2]) - cells[:, 2:3], 0.0)
    least: FloatArray = np.hypot(out[:, 0], out[:, 1])
    return least


def _aimed(cells: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    """The direction looked at in each cell, within the limit, and how far its cell reaches."""
    length = np.hypot(cells[:, 0], cells[:, 1])
    shrink = np.where(length > limit, limit / np.where(length > 0.0, length, 1.0), 1.0)
    centre: FloatArray = cells[:, :2] * shrink[:, None]
    farthest = np.abs(cells[:, :2] - centre) + cells[:, 2:3]
    return centre, np.hypot(farthest[:, 0], farthest[:, 1]) + 1e-12


def _split(cells: FloatArray, limit: float) -> FloatArray:
    """The quarters of cells that lie within the limit."""
    half = 0.5 * cells[:, 2]
    parts = []
    for du, dv in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        u, v = cells[:, 0] + du * half, cells[:, 1] + dv * half
        parts.append(np.column_stack([u, v, half, cells[:, 3]]))
    quarters = np.concatenate(parts)
    return quarters[_nearest_angle(quarters) <= limit]


def _worth(
    cells: FloatArray,
    bound: FloatArray,
    need: float,
    best_room: float,
    best_angle: float,
    aim: Aim,
    tolerance: float,
    dropped: float,
) -> tuple[NDArray[np.bool_], float]:
    """Which cells may hold something better, and the most room of those that may not."""
    if aim == "room" and best_room >= need:
        keep = bound > best_room + tolerance
    else:
        keep = bound >= need
    if aim == "least" and best_room >= need:
        keep &= _nearest_angle(cells) < best_angle - tolerance
    gone = bound[~keep]
    return keep, max([dropped, *gone.tolist()])


def _merged(rows: FloatArray) -> FloatArray:
    """The rows, and every run of rows that meet, with the least radius of the run."""
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    found = []
    for first in range(len(rows)):
        end, radius = rows[first, 1], rows[first, 2]
        found.append((rows[first, 0], end, radius))
        for row in rows[first + 1 :]:
            if row[0] > end:
                break
            end, radius = max(end, row[1]), min(radius, row[2])
            found.append((rows[first, 0], end, radius))
    return np.array(found)


def _inner(merged: FloatArray, spread: float, need: float) -> FloatArray:
    """Parts of the rows whose metal stays within them while the axis tilts by ``spread``."""
    if spread >= 0.5 * math.pi:
        return np.empty((0, 3))
    side = (merged[:, 2] + max(need, 0.0)) * math.sin(spread)
    low = (merged[:, 0] + side) / math.cos(spread)
    high = merged[:, 1] - side
    inner: FloatArray = np.column_stack([low, high, merged[:, 2]])[low < high]
    return inner


def _remember(metal: FloatArray, near: Rooms, pivot: FloatArray) -> FloatArray:
    """Metal found nearest, from the pivot, with how far it is moved out; the latest first."""
    met = near.part >= 0
    fresh = np.column_stack([near.point[met] - pivot, near.slack[met]])
    return np.concatenate([fresh, metal])[:_KEPT]


def _bounds(
    frames: FloatArray, spread: FloatArray, metal: FloatArray, merged: FloatArray
) -> FloatArray:
    """Most room that the known metal leaves to any direction of each cell."""
    count = len(frames)
    if len(metal) == 0 or count == 0:
        return np.full(count, math.inf)
    size = np.sqrt((metal[:, :3] ** 2).sum(axis=1))
    along = metal[:, :3] @ frames[:, 3].T
    across = np.sqrt(np.maximum(size[:, None] ** 2 - along**2, 0.0))
    angle = np.arctan2(across, along)
    high = np.minimum(angle + spread, math.pi)
    low = np.maximum(angle - spread, 0.0)
    pad = 1e-12 * size[:, None]
    bottom = size[:, None] * np.cos(high) - pad
    top = size[:, None] * np.cos(low) + pad
    passes = (low <= 0.5 * math.pi) & (high >= 0.5 * math.pi)
    off = size[:, None] * np.where(passes, 1.0, np.maximum(np.sin(low), np.sin(high))) + pad
    best = np.full(count, math.inf)
    extra = metal[:, 3:4]
    for z0, z1, radius in merged:
        held = (bottom >= z0 - extra) & (top <= z1 + extra)
        value = np.where(held, off - extra - radius, math.inf)
        best = np.minimum(best, value.min(axis=0))
    return best

"""Room round a capsule: a hand, a finger or a hose's end as every point near a segment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import Obstacle, as_obstacles
from geomcheck.finding import Point
from geomcheck.kernels import capsule as kernel

WITHIN = 25.0


@dataclass(frozen=True)
class CapsuleRoom:
    """Room round one capsule.

    Parameters
    ----------
    room, low, high : float
        Least distance of the segment from metal less the radius, as read, and its interval, mm;
        ``within`` where nothing is nearer.
    blocker, triangle, point
        The nearest part, the caller's triangle number and the place; None where nothing is near.
        No triangle where the segment lies inside the part's material.
    """

    room: float
    low: float
    high: float
    blocker: str | None
    triangle: int | None
    point: Point | None


def capsule_room(
    start: Any, end: Any, radius: float, obstacles: Any, *, within: float = WITHIN
) -> CapsuleRoom:
    """Exact room round the capsule about the segment ``start`` .. ``end``.

    Parameters
    ----------
    start, end : (3,) float
        mm; the same point makes a ball.
    radius : float
        mm.
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
    within : float
        mm beyond the capsule where the search ends.

    Raises
    ------
    InputError
        A figure that is not finite, or out of range.
    """
    ends = np.array([start, end], dtype=np.float64)
    if ends.shape != (2, 3) or not np.isfinite(ends).all():
        raise InputError("a capsule needs two points of three finite numbers")
    if not (0.0 <= radius < math.inf and 0.0 < within < math.inf):
        raise InputError("a capsule needs a radius of 0 or more and a positive range")
    parts = as_obstacles(obstacles)
    room, part, triangle, place = _least(parts, "as_read", ends, radius, within)
    low, _, _, _ = _least(parts, "nearest_truth", ends, radius, within)
    high, _, _, _ = _least(parts, "farthest_truth", ends, radius, within)
    way = ends[1] - ends[0] if (ends[1] != ends[0]).any() else np.array([0.0, 0.0, 1.0])
    if room > -radius:
        here, along = _point(ends[0]), _point(way)
        for obstacle in parts:
            if obstacle.holds(here, along):
                return CapsuleRoom(-radius, -radius, -radius, obstacle.name, None, here)
    if part < 0:
        return CapsuleRoom(room, min(low, room), max(high, room), None, None, None)
    return CapsuleRoom(
        room, min(low, room), max(high, room), parts[part].name, triangle, _point(place)
    )


def _point(place: FloatArray) -> Point:
    return (float(place[0]), float(place[1]), float(place[2]))


def _least(
    parts: tuple[Obstacle, ...], which: str, ends: FloatArray, radius: float, within: float
) -> tuple[float, int, int, FloatArray]:
    best, number, triangle, place = within, -1, -1, np.zeros(3)
    value, found = np.empty(1), np.empty(1, dtype=np.int64)
    point = np.zeros((1, 3))
    for k, part in enumerate(parts):
        kernel.rooms(
            getattr(part, which),
            ends[None],
            np.array([radius]),
            np.array([best]),
            -math.inf,
            0,
            1,
            value,
            found,
            point,
        )
        if found[0] >= 0 and value[0] < best:
            best, number, triangle = float(value[0]), k, int(found[0])
            place = point[0].copy()
    return best, number, triangle, place

"""The moved facets of one revision, cut into pieces that lie off the other one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.deviation import Directed
from geomcheck.mesh.deviation_pieces import areas_of
from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.wraps import wraps

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Pieces a change is cut into, about; and the least grain, mm.
_PIECES = 20_000
_GRAIN = 0.3


@dataclass(eq=False)
class Patch:
    """Pieces of one revision's moved facets."""

    points: FloatArray
    normals: FloatArray
    areas: FloatArray
    distance: FloatArray
    feet: FloatArray
    band: FloatArray
    most: FloatArray  # no point of the piece is farther
    sign: FloatArray  # + where material was added; 0 where that cannot be told
    corners: FloatArray

    def only(self, rows: NDArray[np.bool_]) -> Patch:
        """Some of the pieces."""
        return Patch(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


def grain_of(old: Part, new: Part, moved: list[NDArray[np.bool_]]) -> float:
    """Longest side of a piece (mm), so that a change is cut into no more than can be handled."""
    area = sum(
        float(areas_of(part.triangles[rows]).sum())
        for part, rows in zip((old, new), moved, strict=True)
    )
    return max(float(np.sqrt(2.0 * area / _PIECES)), _GRAIN)


def _cut_up(triangles: FloatArray, grain: float) -> tuple[FloatArray, IntArray]:
    """Pieces with no side longer than the grain, and the row each comes from."""
    rows = np.arange(len(triangles), dtype=np.int64)
    done, owners = [], []
    while len(triangles):
        sides = np.linalg.norm(np.roll(triangles, -1, axis=1) - triangles, axis=2)
        short = sides.max(axis=1) <= grain
        done.append(triangles[short])
        owners.append(rows[short])
        triangles, rows, sides = triangles[~short], rows[~short], sides[~short]
        every = np.arange(len(rows))
        a = sides.argmax(axis=1)
        b, c = triangles[every, (a + 1) % 3], triangles[every, (a + 2) % 3]
        first = triangles[every, a]
        middle = 0.5 * (first + b)
        triangles = np.concatenate(
            [np.stack([first, middle, c], axis=1), np.stack([middle, b, c], axis=1)]
        )
        rows = np.concatenate([rows, rows])
    if not done:
        return np.zeros((0, 3, 3)), rows
    return np.concatenate(done), np.concatenate(owners)


def cut_patch(
    part: Part,
    other: Part,
    directed: Directed,
    moved: NDArray[np.bool_],
    band: FloatArray,
    grain: float,
    closed: bool,
    *,
    buried: float,
) -> Patch:
    """Pieces off the other revision; ``buried``: the sign of those inside it."""
    facets = np.flatnonzero(moved)
    corners, owner = _cut_up(part.triangles[facets], grain)
    points = corners.mean(axis=1)
    found = point_distance(other.tree, np.ascontiguousarray(points))
    limit = band[facets][owner] if len(owner) else np.zeros(0)
    keep = found.distance > limit
    arm = np.linalg.norm(corners - points[:, None, :], axis=2).max(axis=1, initial=0.0)
    most = np.minimum(found.distance + arm, directed.bound[facets][owner])[keep]
    corners, points = corners[keep], np.ascontiguousarray(points[keep])
    sign = np.zeros(len(points))
    if closed and len(points):
        sign = np.where(wraps(other.tree, points) > 0, buried, -buried)
    normals = normals_of(corners)
    return Patch(
        points,
        normals,
        areas_of(corners),
        found.distance[keep],
        found.point[keep],
        limit[keep],
        np.maximum(most, found.distance[keep]),
        sign,
        corners,
    )


def normals_of(triangles: FloatArray) -> FloatArray:
    """(n, 3) unit normals of (n, 3, 3) triangles; zero for one without area."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1)
    return np.asarray(normal / np.where(length > 0.0, length, 1.0)[:, None])

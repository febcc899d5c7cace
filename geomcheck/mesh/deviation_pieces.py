"""Pieces of facets with bounds of how far they lie off another surface."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import alongside, edges, merge, overlay
from geomcheck.kernels import deviation as kernel
from geomcheck.mesh import threads
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree, noise_of

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: A corner is inside a piece if all its weights are more.
_INSIDE = 0.01


class Target:
    """The surface that is measured to.

    Parameters
    ----------
    tree : TriangleTree
    faces : (m, 3) int, optional
        Numbers of its corners in the caller's order; equal corners are found where not given.
    """

    def __init__(self, tree: TriangleTree, faces: Any = None) -> None:
        self.tree = tree
        self.triangles: FloatArray = np.empty_like(tree.triangles)
        self.triangles[tree.order] = tree.triangles
        self.asked = 0
        self._faces = faces

    @cached_property
    def across(self) -> NDArray[np.int32]:
        """(m, 3) facet across each side of each facet; -1 where there is none."""
        count = len(self.triangles)
        if self._faces is None:
            rows = self.triangles.reshape(-1, 3) + 0.0  # -0.0 becomes 0.0
            faces = merge.merge_equal(rows.view(np.uint64))[1].reshape(-1, 3)
        else:
            faces = np.ascontiguousarray(self._faces, dtype=np.int64)
        order, start = edges.group_edges(faces, int(faces.max()) + 1)
        out = np.empty((count, 3), dtype=np.int32)
        alongside.partners(order, start, faces, out)
        return out

    def ask(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Distance, nearest facet and nearest point of (n, 3) points."""
        self.asked += len(points)
        found = point_distance(self.tree, points)
        return found.distance, found.triangle, found.point

    def bounds(
        self, pieces: FloatArray, feet: IntArray, goals: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Upper bounds of the greatest and the mean distance of each piece.

        The cheap way first, the others where it is not as good as asked for. With them, a point
        of the piece that may be as far as the bound; NaN where there is no guess.
        """
        most, mean = np.empty(len(pieces)), np.empty(len(pieces))
        far = np.full((len(pieces), 3), np.nan)
        threads.each(
            lambda begin, end: kernel.by_one(pieces, feet, self.triangles, most, mean, begin, end),
            threads.chunks(len(pieces), 8192),
        )
        for ask in (self._overlaid, self._parted):
            rows = np.flatnonzero(most > goals)
            if len(rows):
                high, level, at = ask(pieces[rows], feet[rows], goals[rows])
                far[rows[high < most[rows]]] = at[high < most[rows]]
                most[rows] = np.minimum(most[rows], high)
                mean[rows] = np.minimum(mean[rows], level)
        return most, mean, far

    def _overlaid(
        self, pieces: FloatArray, feet: IntArray, goals: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        count = len(pieces)
        most, mean, far = np.empty(count), np.empty(count), np.empty((count, 3))
        views, tri, across = np.empty((count, 4, 3)), self.triangles, self.across

        def lay(begin: int, end: int) -> None:
            alongside.views(pieces, feet, tri, views, begin, end)
            overlay.bounds(pieces, feet, views, goals, tri, across, most, mean, far, begin, end)

        threads.each(lay, threads.chunks(count, 8192))
        return most, mean, far

    def _parted(
        self, pieces: FloatArray, feet: IntArray, goals: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        most, mean = np.empty(len(pieces)), np.empty(len(pieces))
        threads.each(
            lambda begin, end: kernel.bounds(
                pieces, feet, self.triangles, goals, most, mean, begin, end
            ),
            threads.chunks(len(pieces), 4096),
        )
        return most, mean, np.full((len(pieces), 3), np.nan)


@dataclass(eq=False)
class Pieces:
    """Pieces of facets: corners, what is known at corners and middle, and the bounds."""

    corners: FloatArray
    parent: IntArray
    d: FloatArray  # (n, 4) distances of the corners and the middle
    feet: IntArray  # (n, 4)
    bound: FloatArray
    mean: FloatArray
    far: FloatArray  # (n, 3) a point that may be as far as the bound, or NaN

    def take(self, rows: Any) -> Pieces:
        """Some of the pieces."""
        return Pieces(
            self.corners[rows],
            self.parent[rows],
            self.d[rows],
            self.feet[rows],
            self.bound[rows],
            self.mean[rows],
            self.far[rows],
        )

    def joined(self, other: Pieces) -> Pieces:
        """These pieces, then others."""
        pairs = ((getattr(self, n), getattr(other, n)) for n in self.__dataclass_fields__)
        return Pieces(*(np.concatenate(pair) for pair in pairs))

    @property
    def areas(self) -> FloatArray:
        """(n,) areas, mm2."""
        return areas_of(self.corners)

    @property
    def spread(self) -> FloatArray:
        """(n,) mean distance of a piece's points from its middle, at most (root mean square)."""
        sides = np.roll(self.corners, -1, axis=1) - self.corners
        return np.asarray(np.sqrt((sides**2).sum(axis=(1, 2)) / 36.0))

    @property
    def means(self) -> tuple[FloatArray, FloatArray]:
        """(n,) bounds of each piece's mean distance."""
        spread = self.spread
        high = np.minimum(self.mean, self.d[:, 3] + spread)
        return np.minimum(np.maximum(self.d[:, 3] - spread, 0.0), high), high


def areas_of(triangles: FloatArray) -> FloatArray:
    """(n,) areas of (n, 3, 3) triangles, mm2."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return np.asarray(0.5 * np.linalg.norm(normal, axis=1))


def first_pieces(triangles: FloatArray, target: Target, shape: Any, enough: float) -> Pieces:
    """Whole facets, with shared corners asked once where the shape knows them."""
    count = len(triangles)
    faces = getattr(shape, "faces", None)
    if faces is not None and len(faces) == count:
        corners = np.asarray(shape.vertices, dtype=np.float64)
        numbers = np.asarray(faces, dtype=np.int64)
    else:
        corners = triangles.reshape(-1, 3)
        numbers = np.arange(3 * count, dtype=np.int64).reshape(-1, 3)
    distance, feet, _ = target.ask(
        np.ascontiguousarray(np.concatenate([corners, triangles.mean(axis=1)]))
    )
    at = len(corners)
    d = np.column_stack([distance[numbers], distance[at:]])
    near = np.column_stack([feet[numbers], feet[at:]])
    return _bounded(triangles, np.arange(count, dtype=np.int64), d, near, target, enough, None)


def _bounded(
    corners: FloatArray,
    parent: IntArray,
    d: FloatArray,
    feet: IntArray,
    target: Target,
    enough: float,
    known: tuple[FloatArray, FloatArray] | None,
) -> Pieces:
    feet = np.ascontiguousarray(feet)
    goals = d.max(axis=1) + enough
    bound, mean, far = target.bounds(np.ascontiguousarray(corners), feet, goals)
    arm = np.linalg.norm(corners - corners.mean(axis=1, keepdims=True), axis=2).max(axis=1)
    # What is computed with rounds; a bound must not be lost to that.
    noise = noise_of(float(np.abs(corners).max(initial=0.0)))
    bound = np.minimum(bound, d[:, 3] + arm) + noise
    mean = mean + noise
    if known is not None:
        bound = np.minimum(bound, known[0])
    return Pieces(corners, parent, d, feet, bound, mean, far)


def split(pieces: Pieces, target: Target, enough: float) -> Pieces:
    """Two or three pieces of each: at a corner of the other surface inside it, else in halves.

    No cut along its sides separates the facets that meet in such a corner; once the corner is one
    of the pieces' own, the sides of those facets run through them from end to end.
    """
    inside, at = _corner_inside(pieces, target)
    whole, star = pieces.take(~inside), pieces.take(inside)
    return _halved(whole, target, enough).joined(_starred(star, at[inside], target, enough))


def _corner_inside(pieces: Pieces, target: Target) -> tuple[NDArray[np.bool_], FloatArray]:
    """Whether a corner of the facets below a piece stands inside it, and its foot there."""
    corners = target.triangles[pieces.feet].reshape(len(pieces.parent), 12, 3)
    origin = pieces.corners[:, :1]
    u, v = pieces.corners[:, 1] - origin[:, 0], pieces.corners[:, 2] - origin[:, 0]
    uu, uv, vv = ((a * b).sum(axis=1)[:, None] for a, b in ((u, u), (u, v), (v, v)))
    way = corners - origin
    along, across = (np.einsum("nki,ni->nk", way, side) for side in (u, v))
    area = uu * vv - uv * uv
    flat = area <= 1e-9 * uu * vv
    area = np.where(flat, 1.0, area)
    s, t = (vv * along - uv * across) / area, (uu * across - uv * along) / area
    least = np.minimum(np.minimum(s, t), 1.0 - s - t)
    least[np.broadcast_to(flat, least.shape)] = -1.0
    best = least.argmax(axis=1)
    rows = np.arange(len(best))
    foot = origin[:, 0] + s[rows, best][:, None] * u + t[rows, best][:, None] * v
    return least[rows, best] > _INSIDE, foot


def _starred(pieces: Pieces, at: FloatArray, target: Target, enough: float) -> Pieces:
    """Three pieces of each, from a point inside it to its sides."""
    count = len(pieces.parent)
    corners = np.concatenate(
        [
            np.stack([pieces.corners[:, k], pieces.corners[:, (k + 1) % 3], at], axis=1)
            for k in range(3)
        ]
    )
    distance, feet, _ = target.ask(np.concatenate([at, corners.mean(axis=1)]))
    d = np.empty((3 * count, 4))
    near = np.empty((3 * count, 4), dtype=np.int64)
    for out, old, new in ((d, pieces.d, distance), (near, pieces.feet, feet)):
        for k in range(3):
            rows = slice(k * count, (k + 1) * count)
            out[rows, 0], out[rows, 1], out[rows, 2] = old[:, k], old[:, (k + 1) % 3], new[:count]
        out[:, 3] = new[count:]
    again = np.tile(np.arange(count), 3)
    known = (pieces.bound[again], pieces.mean[again])
    return _bounded(corners, pieces.parent[again], d, near, target, enough, known)


def _halved(pieces: Pieces, target: Target, enough: float) -> Pieces:
    """Both halves of each piece, cut across its longest side."""
    count = len(pieces.parent)
    rows = np.arange(count)
    sides = ((np.roll(pieces.corners, -1, axis=1) - pieces.corners) ** 2).sum(axis=2)
    a = sides.argmax(axis=1)
    b, c = (a + 1) % 3, (a + 2) % 3
    middle = 0.5 * (pieces.corners[rows, a] + pieces.corners[rows, b])
    one = np.stack([pieces.corners[rows, a], middle, pieces.corners[rows, c]], axis=1)
    two = np.stack([middle, pieces.corners[rows, b], pieces.corners[rows, c]], axis=1)
    corners = np.concatenate([one, two])
    distance, feet, _ = target.ask(np.concatenate([middle, corners.mean(axis=1)]))
    d = np.empty((2 * count, 4))
    near = np.empty((2 * count, 4), dtype=np.int64)
    for out, old, new in ((d, pieces.d, distance), (near, pieces.feet, feet)):
        out[:count, 0], out[:count, 1], out[:count, 2] = old[rows, a], new[:count], old[rows, c]
        out[count:, 0], out[count:, 1], out[count:, 2] = new[:count], old[rows, b], old[rows, c]
        out[:, 3] = new[count:]
    twice = np.concatenate([rows, rows])
    known = (pieces.bound[twice], pieces.mean[twice])
    return _bounded(corners, pieces.parent[twice], d, near, target, enough, known)

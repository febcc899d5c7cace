"""How far one surface lies off another, with bounds: not at its corners alone, but all over it.

The directed deviation of A from B is the greatest distance of a point of A from B (the directed
Hausdorff distance). Sampling gives a lower bound; an upper bound of every facet comes from
convexity (``geomcheck.kernels.deviation``) and, since a distance changes by no more than one moves,
from the distance at its middle plus the farthest corner's way to it. Facets whose bound matters
are halved across their longest side until greatest value and bound agree within a tolerance, or
the number of points is spent: then the interval stays as wide as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import deviation as kernel
from geomcheck.mesh import threads
from geomcheck.mesh.given import check_length
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree, as_triangles, noise_of

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Points asked beyond the corners and middles of the facets.
BUDGET = 400_000
#: Share of the greatest deviation to which it is pinned down.
CLOSE = 0.005
#: Times a facet is halved at most.
_DEEPEST = 60
#: Pieces halved in a round, and rounds, that only narrow the mean.
_MEAN = 10_000
_ROUNDS = 16
#: Share of the mean to which it is narrowed, as far as these rounds go.
_NARROW = 0.02


@dataclass(frozen=True, eq=False)
class Directed:
    """Deviation of surface A from surface B.

    Parameters
    ----------
    low, high : float
        Bounds of the greatest deviation, mm.
    at, to : (3,) float64
        The point of A with the deviation ``low``, and the point of B nearest to it.
    mean_low, mean, mean_high : float
        Mean over the area of A, mm: by quadrature, with bounds.
    area : float
        Of A, mm2.
    middle : (m,) float64
        Distance at the middle of each facet, mm.
    facing : (m,) int64
        Facet of B nearest to it.
    sampled : (m,) float64
        Greatest distance found on each facet: a lower bound of what is there.
    bound : (m,) float64
        No point of the facet is farther.
    """

    low: float
    high: float
    at: FloatArray
    to: FloatArray
    mean_low: float
    mean: float
    mean_high: float
    area: float
    middle: FloatArray
    facing: IntArray
    sampled: FloatArray
    bound: FloatArray


class _Target:
    """The surface that is measured to."""

    def __init__(self, tree: TriangleTree) -> None:
        self.tree = tree
        self.triangles: FloatArray = np.empty_like(tree.triangles)
        self.triangles[tree.order] = tree.triangles
        self.asked = 0

    def ask(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Distance, nearest facet and nearest point of (n, 3) points."""
        self.asked += len(points)
        found = point_distance(self.tree, points)
        return found.distance, found.triangle, found.point

    def bounds(
        self, pieces: FloatArray, feet: IntArray, enough: float
    ) -> tuple[FloatArray, FloatArray]:
        """Upper bounds of the greatest and the mean distance of each piece."""
        most, mean = np.empty(len(pieces)), np.empty(len(pieces))
        threads.each(
            lambda begin, end: kernel.bounds(
                pieces, feet, self.triangles, enough, most, mean, begin, end
            ),
            threads.chunks(len(pieces), 4096),
        )
        return most, mean


@dataclass(eq=False)
class _Pieces:
    """Pieces of facets: corners, what is known at corners and middle, and the bounds."""

    corners: FloatArray
    parent: IntArray
    d: FloatArray  # (n, 4) distances of the corners and the middle
    feet: IntArray  # (n, 4)
    bound: FloatArray
    mean: FloatArray

    def take(self, rows: Any) -> _Pieces:
        return _Pieces(
            self.corners[rows],
            self.parent[rows],
            self.d[rows],
            self.feet[rows],
            self.bound[rows],
            self.mean[rows],
        )

    def joined(self, other: _Pieces) -> _Pieces:
        pairs = ((getattr(self, n), getattr(other, n)) for n in self.__dataclass_fields__)
        return _Pieces(*(np.concatenate(pair) for pair in pairs))

    @property
    def areas(self) -> FloatArray:
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


def directed_deviation(
    shape: Any,
    other: TriangleTree,
    *,
    band: Any = None,
    tolerance: float = 1e-3,
    budget: int = BUDGET,
) -> Directed:
    """Greatest and mean distance of one surface from another.

    Parameters
    ----------
    shape : Trimesh, object with ``triangles``, or (m, 3, 3) float
        The surface whose points are asked, mm.
    other : TriangleTree
        The surface they are measured to.
    band : (m,) float, optional
        For each facet: which of its points are farther than this matters, so that its bound is
        brought below wherever it is not above.
    tolerance : float
        The greatest deviation is pinned down to this (mm), or to 0.5 % of it.
    budget : int
        Points asked beyond the corners and middles of the facets.

    Raises
    ------
    InputError
        No triangles, a corner that is not finite, or another number of bands than facets.
    """
    triangles = as_triangles(getattr(shape, "triangles", shape))
    check_length("tolerance", tolerance)
    if not np.isfinite(triangles).all():
        raise InputError("a triangle has a corner that is not finite")
    limit = np.full(len(triangles), np.inf) if band is None else np.asarray(band, dtype=np.float64)
    if limit.shape != (len(triangles),):
        raise InputError(f"there are {len(triangles)} facets but {limit.shape} bands")
    target = _Target(other)
    pieces = _first(triangles, target, shape, tolerance)
    middle, facing = pieces.d[:, 3].copy(), pieces.feet[:, 3].copy()
    sampled = pieces.d.max(axis=1)
    best = _Best(pieces)
    spent = target.asked
    done = pieces.take(slice(0, 0))
    for depth in range(_DEEPEST):
        close = best.value + max(tolerance, CLOSE * best.value)
        wide = (sampled <= limit)[pieces.parent] & (pieces.bound > limit[pieces.parent])
        split = (pieces.bound > close) | wide
        if depth < _ROUNDS:
            split |= _most_doubtful(pieces)
        rows = np.flatnonzero(split)
        left = budget - (target.asked - spent)
        if 3 * len(rows) > left:
            order = np.argsort(-pieces.bound[rows], kind="stable")[: max(left // 3, 0)]
            rows = np.sort(rows[order])
        if len(rows) == 0:
            break
        keep = np.ones(len(pieces.bound), dtype=np.bool_)
        keep[rows] = False
        done = done.joined(pieces.take(keep))
        pieces = _halved(pieces.take(rows), target, tolerance)
        np.maximum.at(sampled, pieces.parent, pieces.d.max(axis=1))
        best.look(pieces)
    pieces = done.joined(pieces)
    bound = np.zeros(len(triangles))
    np.maximum.at(bound, pieces.parent, pieces.bound)
    area = pieces.areas
    whole = max(float(area.sum()), 1e-300)
    low, high = pieces.means
    inside = np.clip((pieces.d[:, :3].sum(axis=1) / 12.0 + 0.75 * pieces.d[:, 3]), low, high)
    foot = target.ask(best.point[None, :])[2][0]
    return Directed(
        low=best.value,
        high=max(float(bound.max()), best.value),
        at=best.point,
        to=foot,
        mean_low=float((area * low).sum()) / whole,
        mean=float((area * inside).sum()) / whole,
        mean_high=float((area * high).sum()) / whole,
        area=whole,
        middle=middle,
        facing=facing,
        sampled=sampled,
        bound=np.maximum(bound, sampled),
    )


class _Best:
    """The farthest point found so far; the first one of equals."""

    def __init__(self, pieces: _Pieces) -> None:
        self.value = -1.0
        self.point: FloatArray = np.zeros(3)
        self.look(pieces)

    def look(self, pieces: _Pieces) -> None:
        row, corner = divmod(int(pieces.d.argmax()), 4)
        if pieces.d[row, corner] > self.value:
            self.value = float(pieces.d[row, corner])
            corners = pieces.corners[row]
            self.point = corners[corner].copy() if corner < 3 else corners.mean(axis=0)


def _most_doubtful(pieces: _Pieces) -> NDArray[np.bool_]:
    """Which pieces are halved for the sake of the mean."""
    low, high = pieces.means
    area = pieces.areas
    doubt = area * (high - low)
    out = np.zeros(len(doubt), dtype=np.bool_)
    if float(doubt.sum()) > _NARROW * float((area * high).sum()):
        rows = np.argsort(-doubt, kind="stable")[:_MEAN]
        out[rows[doubt[rows] > 0.0]] = True
    return out


def _first(triangles: FloatArray, target: _Target, shape: Any, enough: float) -> _Pieces:
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
    target: _Target,
    enough: float,
    known: tuple[FloatArray, FloatArray] | None,
) -> _Pieces:
    feet = np.ascontiguousarray(feet)
    bound, mean = target.bounds(np.ascontiguousarray(corners), feet, enough)
    arm = np.linalg.norm(corners - corners.mean(axis=1, keepdims=True), axis=2).max(axis=1)
    # What is computed with rounds; a bound must not be lost to that.
    noise = noise_of(float(np.abs(corners).max(initial=0.0)))
    bound = np.minimum(bound, d[:, 3] + arm) + noise
    mean = mean + noise
    if known is not None:
        bound = np.minimum(bound, known[0])
    return _Pieces(corners, parent, d, feet, bound, mean)


def _halved(pieces: _Pieces, target: _Target, enough: float) -> _Pieces:
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

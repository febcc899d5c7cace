"""Questions about distances, asked of triangle trees.

Shapes are ``TriangleTree``, ``trimesh.Trimesh`` or (n, 3, 3) arrays of corner points in mm, in
one common frame. Triangle numbers in answers are the caller's. Answers are the same on any
number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import crossings, nearest, winding
from geomcheck.kernels import first_hit as rays
from geomcheck.kernels import points as feet
from geomcheck.kernels.tree import node_flags
from geomcheck.mesh import threads
from geomcheck.mesh.tree import TriangleTree, as_tree

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

_NO_FLAGS: BoolArray = np.zeros(0, dtype=np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """The least distance between two shapes and where it is.

    Parameters
    ----------
    distance : float
        mm; exactly 0 where triangles meet.
    point_a, point_b : (3,) float64
        The two closest points; the same point where the distance is 0.
    triangle_a, triangle_b : int
        Caller's numbers of the triangles they lie on.
    """

    distance: float
    point_a: FloatArray
    point_b: FloatArray
    triangle_a: int
    triangle_b: int


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Triangles of two shapes that go through each other.

    Parameters
    ----------
    pairs : (k, 2) int64
        Caller's triangle numbers in a and b, ascending.
    segments : (k, 2, 3) float64
        The segment each pair has in common, mm.
    """

    pairs: IntArray
    segments: FloatArray

    def __len__(self) -> int:
        return len(self.pairs)


@dataclass(frozen=True, slots=True, eq=False)
class PointDistance:
    """Nearest points on a shape.

    Parameters
    ----------
    distance : (n,) float64
        Unsigned, mm; inf beyond the cutoff, which is "not within the cutoff", no measurement.
    point : (n, 3) float64
        The nearest point; NaN beyond the cutoff.
    triangle : (n,) int64
        Caller's number of the triangle it lies on; -1 beyond the cutoff.
    """

    distance: FloatArray
    point: FloatArray
    triangle: IntArray


def rounding(*trees: TriangleTree) -> float:
    """Amount (mm) below which float64 coordinates of these shapes tell nothing apart.

    Eight units in the last place of the largest coordinate: what placing a part and one distance
    cost in rounding.
    """
    largest = max(float(np.abs(tree.boxes[0]).max()) for tree in trees)
    return max(8.0 * np.finfo(np.float64).eps * largest, 1e-100)


def least_distance(
    a: Any,
    b: Any,
    *,
    cutoff: float = np.inf,
    skip_a: ArrayLike | None = None,
    skip_b: ArrayLike | None = None,
) -> Nearest | None:
    """Exact least distance between two triangle sets.

    All kinds of closest features count (vertex, edge, face), crossing triangles are at distance
    0, triangles without area count as the segment or point they are. The result is right to
    ``rounding(a, b)``; a distance up to that is given as exactly 0. Among pairs at the same
    distance the one with the smallest numbers (a's first) is given.

    Parameters
    ----------
    a, b : TriangleTree, Trimesh or (n, 3, 3) float
    cutoff : float
        Largest distance of interest, mm; a small one is answered much faster.
    skip_a, skip_b : (na,), (nb,) bool, optional
        Flags by caller's number. A pair of triangles is left out only when both are flagged;
        one set of flags without the other leaves out nothing.

    Returns
    -------
    Nearest or None
        None if no pair is within the cutoff.

    Raises
    ------
    InputError
        A shape without triangles or with corners that are not finite, flags of the wrong length,
        a cutoff that is negative or NaN.
    """
    tree_a, tree_b = as_tree(a), as_tree(b)
    _check_length("cutoff", cutoff)
    flags_a, flags_b = _NO_FLAGS, _NO_FLAGS
    if skip_a is not None and skip_b is not None:
        flags_a, flags_b = _flags(tree_a, skip_a, "skip_a"), _flags(tree_b, skip_b, "skip_b")
    result = np.zeros(7)
    noise = rounding(tree_a, tree_b)
    size = 64
    while True:
        doubtful = np.empty((size, 2), dtype=np.int64)
        ia, ib, doubts = nearest.least(
            tree_a.boxes,
            tree_a.triangles,
            tree_a.order,
            tree_a.least_numbers,
            flags_a,
            tree_b.boxes,
            tree_b.triangles,
            tree_b.order,
            tree_b.least_numbers,
            flags_b,
            tree_a.leaf,
            float(cutoff),
            noise,
            result,
            doubtful,
        )
        if doubts <= size:
            break
        size = doubts
    best = None
    if ia >= 0:
        best = Nearest(float(result[0]), result[1:4].copy(), result[4:7].copy(), int(ia), int(ib))
    if doubts:
        best = _settle(tree_a, tree_b, doubtful[:doubts], best)
    return best


def _settle(
    tree_a: TriangleTree, tree_b: TriangleTree, doubtful: IntArray, best: Nearest | None
) -> Nearest | None:
    """The answer once pairs that rounding left open are decided exactly."""
    pairs = np.unique(doubtful, axis=0)
    where_a, where_b = np.argsort(tree_a.order), np.argsort(tree_b.order)
    ta, tb = tree_a.triangles[where_a[pairs[:, 0]]], tree_b.triangles[where_b[pairs[:, 1]]]
    met = _meets(ta, tb)
    if not met.any():
        return best
    k = int(np.argmax(met))
    found = (int(pairs[k, 0]), int(pairs[k, 1]))
    if best and best.distance == 0.0 and (best.triangle_a, best.triangle_b) <= found:
        return best
    # The features that made the pair doubtful are as near as rounding lets them be.
    points = np.empty((1, 6))
    nearest.pair_distances(ta[k : k + 1], tb[k : k + 1], 0.0, np.empty(1), points)
    return Nearest(0.0, points[0, :3].copy(), points[0, :3].copy(), *found)


def _meets(ta: FloatArray, tb: FloatArray) -> BoolArray:
    """Whether pairs of triangles (k, 3, 3) have a common point, exactly, unless coplanar."""
    kinds = np.empty(len(ta), dtype=np.int64)
    crossings.classify(np.ascontiguousarray(ta), np.ascontiguousarray(tb), kinds)
    return (kinds == crossings.MEETS) | (kinds == crossings.CROSSES)


def near_masks(a: Any, b: Any, distance: float) -> tuple[BoolArray, BoolArray]:
    """Triangles of each shape that are within ``distance`` (mm) of the other shape.

    Parameters
    ----------
    a, b : TriangleTree, Trimesh or (n, 3, 3) float
    distance : float
        The limit belongs to it; 0 asks which triangles touch or cross.

    Returns
    -------
    (na,) bool, (nb,) bool
        By caller's number.

    Raises
    ------
    InputError
        As ``least_distance``.
    """
    tree_a, tree_b = as_tree(a), as_tree(b)
    _check_length("distance", distance)
    noise = rounding(tree_a, tree_b)
    size = 1024
    while True:
        doubtful = np.empty((size, 2), dtype=np.int64)
        marks_a = np.zeros(len(tree_a), dtype=np.bool_)
        marks_b = np.zeros(len(tree_b), dtype=np.bool_)
        doubts = nearest.near(
            tree_a.boxes,
            tree_a.triangles,
            tree_b.boxes,
            tree_b.triangles,
            tree_a.leaf,
            float(distance),
            noise,
            marks_a,
            marks_b,
            doubtful,
        )
        if doubts <= size:
            break
        size = doubts
    if doubts:
        i, j = doubtful[:doubts].T
        met = _meets(tree_a.triangles[i], tree_b.triangles[j])
        marks_a[i[met]] = True
        marks_b[j[met]] = True
    out_a, out_b = np.empty_like(marks_a), np.empty_like(marks_b)
    out_a[tree_a.order] = marks_a
    out_b[tree_b.order] = marks_b
    return out_a, out_b


def crossing_pairs(a: Any, b: Any, *, noise: float | None = None) -> Crossings:
    """Pairs of triangles whose interiors cross.

    Every pair given is certain: signs are decided without error on the coordinates as they are,
    and the crossing is deeper and longer than ``noise``. Coplanar overlap, a shared corner or
    edge, and an edge or corner lying in the other triangle are contact: not given here, and at
    distance 0 for ``least_distance``. Every pair with interiors that cross by more than ``noise``
    is given.

    No crossing pair does not prove that two surfaces stay on their sides: one may go through
    the other exactly along mesh edges, so that each pair is mere contact. They touch then
    (``least_distance`` is 0) and points of the one lie on both sides of the other.

    Parameters
    ----------
    a, b : TriangleTree, Trimesh or (n, 3, 3) float
    noise : float, optional
        Depth and length (mm) up to which a crossing is taken for contact; ``rounding(a, b)`` if
        not given, so that faces laid on one another by a placement do not cross by its rounding.

    Raises
    ------
    InputError
        As ``least_distance``.
    """
    tree_a, tree_b = as_tree(a), as_tree(b)
    depth = rounding(tree_a, tree_b) if noise is None else noise
    _check_length("noise", depth)
    size = 1024
    while True:
        pairs = np.empty((size, 2), dtype=np.int64)
        segments = np.empty((size, 6))
        found = crossings.find(
            tree_a.boxes,
            tree_a.triangles,
            tree_b.boxes,
            tree_b.triangles,
            tree_a.leaf,
            float(depth),
            pairs,
            segments,
        )
        if found <= size:
            break
        size = found
    numbers = np.stack(
        [tree_a.order[pairs[:found, 0]], tree_b.order[pairs[:found, 1]]], axis=1
    ).astype(np.int64)
    rank = np.lexsort((numbers[:, 1], numbers[:, 0]))
    return Crossings(numbers[rank], segments[:found][rank].reshape(-1, 2, 3))


def point_distance(tree: Any, points: ArrayLike, cutoff: float = np.inf) -> PointDistance:
    """Nearest point of a shape for each of (n, 3) points.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    points : (n, 3) float
        mm; finite.
    cutoff : float
        Largest distance of interest, mm. Points beyond it get inf, NaN and -1: that is an answer
        to "within the cutoff?", never a measurement.

    Raises
    ------
    InputError
        As ``least_distance``, and for points that are not finite or not (n, 3).
    """
    shape = as_tree(tree)
    at = _points(points, "points")
    _check_length("cutoff", cutoff)
    n = len(at)
    distance = np.full(n, np.inf)
    foot = np.full((n, 3), np.nan)
    number = np.full(n, -1, dtype=np.int64)
    if n:
        noise = max(rounding(shape), 8.0 * np.finfo(np.float64).eps * float(np.abs(at).max()))
        rank = _coherent(at)
        threads.each(
            lambda begin, end: feet.nearest(
                shape.boxes,
                shape.triangles,
                shape.order,
                shape.leaf,
                at,
                rank,
                float(cutoff),
                noise,
                distance,
                foot,
                number,
                begin,
                end,
            ),
            threads.chunks(n, 4096),
        )
    return PointDistance(distance, foot, number)


def winding_number(tree: Any, points: ArrayLike) -> FloatArray:
    """Generalised winding number of a shape about each of (n, 3) points.

    1 inside and 0 outside a closed surface with outward normals, whole numbers for any closed
    surface, in between near an open one. Meaningless for points on the surface.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    points : (n, 3) float
        mm; finite.

    Returns
    -------
    (n,) float64

    Raises
    ------
    InputError
        As ``point_distance``.
    """
    shape = as_tree(tree)
    at = _points(points, "points")
    blocks = threads.chunks(len(shape), 1 << 15)
    parts = np.zeros((len(blocks), len(at)))
    for number, (first, last) in enumerate(blocks):
        winding.add(shape.triangles, first, last, at, parts[number], 0, len(at))
    return parts.sum(axis=0)


def first_hit(
    tree: Any, origins: ArrayLike, directions: ArrayLike, limit: float = np.inf
) -> tuple[FloatArray, IntArray]:
    """First triangle each ray meets; rays do not slip between triangles that share an edge.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    origins : (n, 3) float
        mm; finite. A triangle through the origin is met at 0.
    directions : (n, 3) float
        Any length but 0.
    limit : float
        Longest ray of interest, mm.

    Returns
    -------
    t : (n,) float64
        Distance along the ray, mm; inf where nothing is met within the limit.
    triangle : (n,) int64
        Caller's number; -1 where nothing is met.

    Raises
    ------
    InputError
        As ``point_distance``, and for a direction of length 0.
    """
    shape = as_tree(tree)
    start = _points(origins, "origins")
    along = _points(directions, "directions")
    if len(start) != len(along):
        raise InputError(f"there are {len(start)} origins but {len(along)} directions")
    _check_length("limit", limit)
    n = len(start)
    t = np.full(n, np.inf)
    number = np.full(n, -1, dtype=np.int64)
    if n:
        along = along / np.abs(along).max(axis=1, initial=1e-300)[:, None]
        length = np.linalg.norm(along, axis=1)
        if not (length > 0.5).all():
            raise InputError("a direction has no length", where=f"row {int(np.argmin(length))}")
        along = along / length[:, None]
        margin = max(rounding(shape), 8.0 * np.finfo(np.float64).eps * float(np.abs(start).max()))
        threads.each(
            lambda begin, end: rays.first(
                shape.boxes,
                shape.triangles,
                shape.order,
                shape.leaf,
                start,
                along,
                float(limit),
                margin,
                t,
                number,
                begin,
                end,
            ),
            threads.chunks(n, 2048),
        )
    return t, number


def _coherent(at: FloatArray) -> IntArray:
    """Order in which neighbouring points follow each other, by a coarse grid in snake order."""
    low = at.min(axis=0)
    side = float((at.max(axis=0) - low).max())
    if side == 0.0:
        return np.arange(len(at), dtype=np.int64)
    cell = np.minimum((at - low) * (64.0 / side), 63).astype(np.int64)
    key = np.zeros(len(at), dtype=np.int64)
    for bit in range(5, -1, -1):
        for axis in range(3):
            key = key << 1 | cell[:, axis] >> bit & 1
    return np.argsort(key, kind="stable")


def _flags(tree: TriangleTree, flags: ArrayLike, name: str) -> BoolArray:
    """Flags of the tree's nodes and sorted triangles from the caller's."""
    given = np.ascontiguousarray(flags, dtype=np.bool_)
    if given.shape != (len(tree),):
        raise InputError(f"{name} must have the shape ({len(tree)},), not {given.shape}")
    out = np.empty(len(tree.boxes) + len(tree), dtype=np.bool_)
    node_flags(given, tree.order, tree.leaf, tree.first_leaf, out)
    return out


def _points(points: ArrayLike, name: str) -> FloatArray:
    at = np.ascontiguousarray(points, dtype=np.float64)
    if at.ndim != 2 or at.shape[1] != 3:
        raise InputError(f"{name} must have the shape (n, 3), not {at.shape}")
    if not np.isfinite(at).all():
        raise InputError(f"{name} holds a coordinate that is not finite")
    return at


def _check_length(name: str, value: float) -> None:
    if not value >= 0.0:
        raise InputError(f"{name} must not be negative or NaN, not {value}")

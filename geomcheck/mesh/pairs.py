"""Questions about two triangle sets; see ``geomcheck.mesh.query``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import crossings
from geomcheck.kernels.tree import node_flags
from geomcheck.mesh.given import check_length
from geomcheck.mesh.narrow import near_parts
from geomcheck.mesh.tree import TriangleTree, as_tree, as_triangles, rounding
from geomcheck.mesh.walk import Nearest, Pair

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]


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
    check_length("cutoff", cutoff)
    flags = None
    if skip_a is not None and skip_b is not None:
        flags = _flags(a, skip_a, "skip_a"), _flags(b, skip_b, "skip_b")
    parts = None
    if not (isinstance(a, TriangleTree) or isinstance(b, TriangleTree)):
        parts = near_parts(a, b, float(cutoff), free=flags is None)
    if parts is None:
        return _least(as_tree(a), as_tree(b), float(cutoff), flags, None)
    if not (len(parts.a) and len(parts.b)):
        return None
    if flags is not None:
        flags = flags[0][parts.rows_a], flags[1][parts.rows_b]
    near = _least(TriangleTree(parts.a), TriangleTree(parts.b), float(cutoff), flags, parts.noise)
    if near is None:
        return None
    numbers = int(parts.rows_a[near.triangle_a]), int(parts.rows_b[near.triangle_b])
    return Nearest(near.distance, near.point_a, near.point_b, *numbers)


def _least(
    tree_a: TriangleTree,
    tree_b: TriangleTree,
    cutoff: float,
    flags: tuple[BoolArray, BoolArray] | None,
    noise: float | None,
) -> Nearest | None:
    """``least_distance`` of two trees; numbers are those of the trees' triangles."""
    skip = None
    if flags is not None:
        skip = _node_flags(tree_a, flags[0]), _node_flags(tree_b, flags[1])
    pair = Pair(tree_a, tree_b, skip, noise)
    found, doubtful = pair.nearest(cutoff)
    met = doubtful[_meet(tree_a, tree_b, doubtful)]
    if len(met):
        numbers = np.stack([tree_a.order[met[:, 0]], tree_b.order[met[:, 1]]], axis=1)
        k = int(np.lexsort((numbers[:, 1], numbers[:, 0]))[0])
        first = (int(numbers[k, 0]), int(numbers[k, 1]))
        if found is None or found.distance > 0.0 or first < (found.triangle_a, found.triangle_b):
            return pair.contact(int(met[k, 0]), int(met[k, 1]))
    return found


def _meet(tree_a: TriangleTree, tree_b: TriangleTree, pairs: IntArray) -> BoolArray:
    """Whether pairs of sorted triangles have a common point, exactly, unless coplanar."""
    kinds = np.empty(len(pairs), dtype=np.int64)
    if len(pairs):
        t, s, z, d, h = _scratch()
        ta, tb = tree_a.triangles[pairs[:, 0]], tree_b.triangles[pairs[:, 1]]
        crossings.classify(ta, tb, t, s, z, d, h, kinds)
    return np.isin(kinds, (crossings.MEETS, crossings.CROSSES))


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
    check_length("distance", distance)
    marks_a, marks_b, doubtful = Pair(tree_a, tree_b).within(float(distance))
    met = doubtful[_meet(tree_a, tree_b, doubtful)]
    marks_a[met[:, 0]] = True
    marks_b[met[:, 1]] = True
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
    check_length("noise", depth)
    t, s, z, d, h = _scratch()
    size = 1024
    while True:
        pairs = np.empty((size, 2), dtype=np.int64)
        segments = np.empty((size, 2, 3))
        found = crossings.find(
            tree_a.boxes,
            tree_a.triangles,
            tree_b.boxes,
            tree_b.triangles,
            tree_a.leaf,
            float(depth),
            t,
            s,
            z,
            d,
            h,
            np.empty((9, 3)),
            np.empty((tree_a.leaf + 1, 6)),
            np.empty((256, 2), dtype=np.int64),
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
    return Crossings(numbers[rank], segments[:found][rank])


def _flags(shape: Any, flags: ArrayLike, name: str) -> BoolArray:
    """The caller's flags, one for each triangle of the shape."""
    given = np.ascontiguousarray(flags, dtype=np.bool_)
    count = len(shape) if isinstance(shape, TriangleTree) else len(as_triangles(shape))
    if given.shape != (count,):
        raise InputError(f"{name} must have the shape ({count},), not {given.shape}")
    return given


def _node_flags(tree: TriangleTree, flags: BoolArray) -> BoolArray:
    """Flags of the tree's nodes and sorted triangles from the caller's."""
    out = np.empty(len(tree.boxes) + len(tree), dtype=np.bool_)
    node_flags(flags, tree.order, tree.leaf, tree.first_leaf, out)
    return out


def _scratch() -> tuple[FloatArray, IntArray, IntArray, FloatArray, FloatArray]:
    """Work arrays of ``crossings``; compiling their creation into it would cost more."""
    signs = np.empty((2, 3), dtype=np.int64)
    return np.empty((6, 3)), signs[0], signs[1], np.empty((3, 2, 3)), np.empty(200)

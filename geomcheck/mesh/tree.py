"""The triangle tree that all questions share."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import frames as turned
from geomcheck.kernels import tree as kernel
from geomcheck.mesh import threads

FloatArray: TypeAlias = NDArray[np.float64]

#: Triangles handed to a thread at once while building.
_CHUNK = 1 << 16


class TriangleTree:
    """Flat bounding-volume tree over triangles; see ``geomcheck.kernels.tree`` for the layout.

    Parameters
    ----------
    triangles : (n, 3, 3) float
        Corner points in mm; finite, n >= 1. Not kept: a sorted copy is.

    Attributes
    ----------
    triangles : (n, 3, 3) float64
        Sorted along the tree; row ``j`` is the caller's triangle ``order[j]``.
    order : (n,) int32
        Sorted position to the caller's triangle number.
    boxes : (2 p - 1, 6) float64
        Node bounds, min then max, heap order.
    first_leaf : int
        Index of the first leaf node, ``p - 1``.
    leaf : int
        Triangles per leaf.

    Raises
    ------
    InputError
        No triangles, too many (over 268 million), wrong shape, or a corner that is not finite.
    """

    __slots__ = ("_frames", "_least_numbers", "boxes", "first_leaf", "leaf", "order", "triangles")

    def __init__(self, triangles: Any) -> None:
        tri = as_triangles(triangles)
        n = len(tri)
        if n > 1 << kernel.INDEX_BITS:
            raise InputError(f"{n} triangles are more than one tree can hold")
        ranges = threads.chunks(n, _CHUNK)
        keys = _sorted_keys(tri, ranges)
        self.leaf = kernel.LEAF
        leaves = -(-n // self.leaf)
        p = 1 << (leaves - 1).bit_length()
        self.first_leaf = p - 1
        self.order: NDArray[np.int32] = np.empty(n, dtype=np.int32)
        self.boxes: FloatArray = np.empty((2 * p - 1, 6), dtype=np.float64)
        self.triangles: FloatArray = np.empty_like(tri)
        held = self.leaf * kernel.BLOCK
        threads.each(
            lambda begin, end: kernel.gather_leaves(
                tri,
                keys,
                p,
                np.empty(held, dtype=np.int64),
                np.empty(held, dtype=np.int64),
                np.empty((3, held)),
                self.triangles,
                self.order,
                self.boxes,
                begin,
                end,
            ),
            threads.chunks(-(-p // kernel.BLOCK), _CHUNK // held),
        )
        kernel.merge_boxes(self.boxes, 0, p - 1)
        self._least_numbers: NDArray[np.int32] | None = None
        self._frames: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.order)

    @property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinates."""
        bounds: FloatArray = self.boxes[0].reshape(2, 3).copy()
        return bounds

    @property
    def least_numbers(self) -> NDArray[np.int32]:
        """(2 p - 1,) least caller's number of the triangles under each node."""
        if self._least_numbers is None:
            out = np.empty(len(self.boxes), dtype=np.int32)
            kernel.least_numbers(self.order, self.leaf, self.first_leaf, out)
            self._least_numbers = out
        return self._least_numbers

    @property
    def frames(self) -> FloatArray:
        """(2 p - 1, 16) turned boxes of the lower nodes; see ``geomcheck.kernels.frames``."""
        if self._frames is None:
            out: FloatArray = np.zeros((len(self.boxes), 16))
            noise = rounding(self)
            blocks = -(-(self.first_leaf + 1) // turned.BLOCK)
            threads.each(
                lambda begin, end: turned.fill(
                    self.boxes, self.triangles, self.leaf, noise, out, begin, end
                ),
                threads.chunks(blocks, 128),
            )
            self._frames = out
        return self._frames


def _sorted_keys(tri: FloatArray, ranges: list[tuple[int, int]]) -> NDArray[np.uint64]:
    """(n,) sort keys of the triangles, ascending; see ``geomcheck.kernels.tree``."""
    n = len(tri)
    parts = np.empty((len(ranges), 6))
    threads.each(
        lambda begin, end: kernel.bounds(tri, _CHUNK, parts, begin, end),
        threads.chunks(len(ranges), 1),
    )
    low = parts[:, :3].min(axis=0)
    high = parts[:, 3:].max(axis=0)
    if not (np.isfinite(low).all() and np.isfinite(high).all()):
        raise InputError("a triangle has a corner that is not finite")
    side = float((high - low).max())
    scale = 4096.0 / side if side > 0.0 else 0.0
    if not (math.isfinite(side) and math.isfinite(scale)):
        raise InputError("the triangles' extent is beyond what can be computed with")
    keys = np.empty(n, dtype=np.uint64)
    threads.each(lambda begin, end: kernel.sort_keys(tri, low, scale, keys, begin, end), ranges)
    other = np.empty_like(keys)
    # A few long ranges: each costs a table of counts.
    runs = threads.chunks(n, max(_CHUNK, -(-n // 4)))
    size = runs[0][1]
    for number in range(kernel.PASSES):
        shift = kernel.INDEX_BITS + number * kernel.DIGIT_BITS
        counts = np.empty((len(runs), kernel.DIGITS), dtype=np.int64)
        threads.each(_counter(keys, shift, counts, size), runs)
        ends = np.cumsum(counts.T).reshape(counts.shape[::-1]).T
        threads.each(_scatterer(keys, shift, ends - counts, other, size), runs)
        keys, other = other, keys
    return keys


def sorted_numbers(tri: FloatArray) -> NDArray[np.int64]:
    """(n,) numbers of the triangles along the curve that trees are sorted by."""
    mask = np.uint64((1 << kernel.INDEX_BITS) - 1)
    return (_sorted_keys(tri, threads.chunks(len(tri), _CHUNK)) & mask).astype(np.int64)


def _counter(
    keys: NDArray[np.uint64], shift: int, counts: NDArray[np.int64], size: int
) -> Callable[[int, int], None]:
    return lambda begin, end: kernel.count_digits(keys, shift, counts[begin // size], begin, end)


def _scatterer(
    keys: NDArray[np.uint64],
    shift: int,
    starts: NDArray[np.int64],
    out: NDArray[np.uint64],
    size: int,
) -> Callable[[int, int], None]:
    rows = np.ascontiguousarray(starts)
    return lambda begin, end: kernel.scatter_digits(
        keys, shift, rows[begin // size], out, begin, end
    )


def as_tree(shape: Any) -> TriangleTree:
    """Tree of a ``TriangleTree``, a ``trimesh.Trimesh`` or an (n, 3, 3) array.

    The tree of a Trimesh is not kept with it: build one ``TriangleTree`` and pass that when
    several questions are asked of the same mesh.
    """
    if isinstance(shape, TriangleTree):
        return shape
    return TriangleTree(as_triangles(shape))


def as_triangles(shape: Any) -> FloatArray:
    """(n, 3, 3) corner points of a ``trimesh.Trimesh`` or an array.

    Raises
    ------
    InputError
        No triangles, or the wrong shape.
    """
    tri: FloatArray = np.ascontiguousarray(getattr(shape, "triangles", shape), dtype=np.float64)
    if tri.ndim != 3 or tri.shape[1:] != (3, 3):
        raise InputError(f"triangles must have the shape (n, 3, 3), not {tri.shape}")
    if len(tri) == 0:
        raise InputError("there are no triangles")
    return tri


def rounding(*trees: TriangleTree) -> float:
    """Amount (mm) below which float64 coordinates of these shapes tell nothing apart.

    Eight units in the last place of the largest coordinate: what placing a part and one distance
    cost in rounding.
    """
    return noise_of(max(float(np.abs(tree.boxes[0]).max()) for tree in trees))


def noise_of(largest: float) -> float:
    """``rounding`` of shapes by their largest coordinate."""
    return max(8.0 * np.finfo(np.float64).eps * largest, 1e-100)

"""The triangle tree that all questions share."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import tree as kernel

FloatArray: TypeAlias = NDArray[np.float64]


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
        No triangles, wrong shape, or a corner that is not finite.
    """

    __slots__ = ("boxes", "first_leaf", "leaf", "order", "triangles")

    def __init__(self, triangles: Any) -> None:
        tri = np.ascontiguousarray(triangles, dtype=np.float64)
        if tri.ndim != 3 or tri.shape[1:] != (3, 3):
            raise InputError(f"triangles must have the shape (n, 3, 3), not {tri.shape}")
        n = len(tri)
        if n == 0:
            raise InputError("there are no triangles")
        lo = tri.min(axis=(0, 1))
        hi = tri.max(axis=(0, 1))
        if not (np.isfinite(lo).all() and np.isfinite(hi).all()):
            raise InputError("a triangle has a corner that is not finite")
        extent = np.maximum(hi - lo, 1e-300)
        codes = np.empty(n, dtype=np.uint64)
        kernel.morton_codes(tri, lo, 2097151.0 / extent, codes, 0, n)
        self.leaf = kernel.LEAF
        self.order = np.argsort(codes, kind="stable").astype(np.int32)
        leaves = -(-n // self.leaf)
        p = 1
        while p < leaves:
            p *= 2
        self.first_leaf = p - 1
        self.boxes: FloatArray = np.empty((2 * p - 1, 6), dtype=np.float64)
        self.triangles: FloatArray = np.empty_like(tri)
        kernel.gather_leaves(tri, self.order, self.leaf, p, self.triangles, self.boxes, 0, p)
        kernel.merge_boxes(self.boxes, p)

    def __len__(self) -> int:
        return len(self.order)

    @property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest coordinates."""
        return self.boxes[0].reshape(2, 3).copy()


def as_tree(shape: Any) -> TriangleTree:
    """Tree of a ``TriangleTree``, a ``trimesh.Trimesh`` or an (n, 3, 3) array.

    The tree of a Trimesh is not kept with it: build one ``TriangleTree`` and pass that when
    several questions are asked of the same mesh.
    """
    if isinstance(shape, TriangleTree):
        return shape
    triangles = getattr(shape, "triangles", shape)
    return TriangleTree(triangles)

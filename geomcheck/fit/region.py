"""Which triangles lie in a convex region."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.body import FloatArray, IntArray
from geomcheck.mesh.tree import TriangleTree, rounding


def within(tree: TriangleTree, planes: FloatArray) -> tuple[IntArray, IntArray]:
    """Triangles within a convex region, and those that may reach out of it and into it.

    Parameters
    ----------
    tree : TriangleTree
    planes : (p, 4) float
        Half-spaces ``x . planes[:, :3] <= planes[:, 3]`` whose common part is the region.

    Returns
    -------
    inside, doubtful : (k,) int64, (l,) int64
        Caller's numbers, ascending. All others are clear of one of the planes; of the doubtful
        ones no plane is clear, and one at least is crossed.
    """
    nodes = np.array([0], dtype=np.int64)
    full: list[IntArray] = []
    level = 0
    noise = rounding(tree)  # what boxes do not decide by more than that is left to the triangles
    while len(nodes):
        low, high = _range(tree.boxes[nodes], planes)
        near = (low <= noise).all(axis=1)
        nodes, kept = nodes[near], (high[near] <= -noise).all(axis=1)
        full.append(_under(tree, nodes[kept], level))
        nodes = nodes[~kept]
        if len(nodes) == 0 or nodes[0] >= tree.first_leaf:
            break
        nodes = np.concatenate([2 * nodes + 1, 2 * nodes + 2])
        level += 1
    inside = [tree.order[np.concatenate(full)]]
    rows = _under(tree, nodes, level)
    corners = tree.triangles[rows]
    crossed = np.zeros(len(rows), dtype=bool)
    for plane in planes:
        low, high = extent(corners, plane)
        # Clear of one plane is clear of the region; lying in a plane is not.
        left = (low < 0.0) | (high <= 0.0)
        crossed |= high > 0.0
        if not left.all():
            corners, rows, crossed = corners[left], rows[left], crossed[left]
    inside.append(tree.order[rows[~crossed]])
    return (
        np.sort(np.concatenate(inside)).astype(np.int64),
        np.sort(tree.order[rows[crossed]]).astype(np.int64),
    )


def extent(corners: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest height of (k, 3, 3) triangles over a plane."""
    h, k, m = heights(corners, plane)
    return np.minimum(np.minimum(h, k), m), np.maximum(np.maximum(h, k), m)


def heights(corners: FloatArray, plane: FloatArray) -> FloatArray:
    """(3, k) heights of the corners over a plane; alike for equal corners."""
    a, b, c, d = (float(x) for x in plane)
    return np.stack(
        [corners[:, k, 0] * a + corners[:, k, 1] * b + corners[:, k, 2] * c - d for k in range(3)]
    )


def _range(boxes: FloatArray, planes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(k, p) least and greatest height of boxes over planes; empty boxes are nowhere."""
    empty = boxes[:, 0] > boxes[:, 3]
    box = np.where(empty[:, None], 0.0, boxes)
    rising = np.maximum(planes[:, :3], 0.0).T
    falling = np.minimum(planes[:, :3], 0.0).T
    low = box[:, :3] @ rising + box[:, 3:] @ falling - planes[:, 3]
    high = box[:, 3:] @ rising + box[:, :3] @ falling - planes[:, 3]
    low[empty] = np.inf
    return low, high


def _under(tree: TriangleTree, nodes: IntArray, level: int) -> IntArray:
    """Sorted numbers of the triangles under some nodes of one level."""
    leaves = (tree.first_leaf + 1) >> level
    span = leaves * tree.leaf
    first = (nodes + 1 - (1 << level)) * span
    rows = (first[:, None] + np.arange(span)).ravel()
    return rows[rows < len(tree)]

"""Arrays that the search over a movement walks; see ``geomcheck.kernels.moved``."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.motion import FloatArray
from geomcheck.kernels import moved as kernel
from geomcheck.mesh.tree import TriangleTree

#: How often a box of poses is halved at most: 2^-60 of a range is below rounding.
DEPTH = 400


def node_boxes(tree: TriangleTree) -> FloatArray:
    """(2 p - 1 + n, 6) bounds of the nodes, then of the sorted triangles."""
    own = np.concatenate([tree.triangles.min(axis=1), tree.triangles.max(axis=1)], axis=1)
    return np.concatenate([tree.boxes, own])


def node_reach(tree: TriangleTree, values: FloatArray) -> FloatArray:
    """(2 p - 1 + n,) greatest value under each node, then of each sorted triangle."""
    own = np.asarray(values, dtype=np.float64)[tree.order]
    row = np.zeros((tree.first_leaf + 1) * tree.leaf)
    row[: len(own)] = own
    row = row.reshape(-1, tree.leaf).max(axis=1)
    rows = [own, row]
    while len(row) > 1:
        row = row.reshape(-1, 2).max(axis=1)
        rows.append(row)
    return np.concatenate(rows[::-1])


def scratch(k: int) -> tuple[FloatArray, FloatArray, np.ndarray, FloatArray, FloatArray]:
    """Work arrays of one search."""
    return (
        np.empty((2 * DEPTH + 1000, 6 + 2 * k)),
        np.empty((DEPTH + 2, kernel.HEAD + kernel.WIDE * k)),
        np.empty(DEPTH + 2, dtype=np.int64),
        np.empty((5, 24 + 4 * k)),
        np.empty((2, 3, 3)),
    )

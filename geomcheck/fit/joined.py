"""Which cells of a surface hang together.

Two cells do if they have a stretch of a side in common. Sides on one line are compared by their
places on it: as these come from halving, two stretches either lie in one another or have at most
an end in common. Sides of the mesh's triangles that belong to one triangle only (the rim of an
open mesh, a crack, the seam where a face was cut out) are compared in space: the ends of each, a
hair inwards, are looked for on the others.
"""

from __future__ import annotations

import numpy as np
import rtree.index
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geomcheck.fit.body import BoolArray, FloatArray, IntArray
from geomcheck.fit.front import WHOLE, Front


def components(front: Front, mesh_edges: int, tolerance: float) -> IntArray:
    """Number the connected groups of cells.

    Parameters
    ----------
    front : Front
    mesh_edges : int
        Lines below this number are sides of the mesh's triangles.
    tolerance : float
        Sides of triangles that share no vertices are in one place if they are no farther apart
        than this, mm.

    Returns
    -------
    (k,) int64
        0, 1, ... in the order of the first cell of each group.
    """
    count = len(front)
    first, second, alone = _on_lines(front)
    more, others = _on_rims(front, alone & (front.line.ravel() < mesh_edges), tolerance)
    rows, columns = np.concatenate([first, more]), np.concatenate([second, others])
    graph = coo_array((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    _, place, number = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(place), dtype=np.int64)
    rank[np.argsort(place, kind="stable")] = np.arange(len(place))
    return np.asarray(rank[number], dtype=np.int64)


def _on_lines(front: Front) -> tuple[IntArray, IntArray, BoolArray]:
    """Pairs of cells with a stretch of one line in common; (3 k,) which sides have none."""
    side = np.arange(3 * len(front))
    line = front.line.ravel()
    low = np.minimum(front.begin, front.end).ravel()
    high = np.maximum(front.begin, front.end).ravel()
    order = np.lexsort((-high, low, line))
    # A stretch that begins before the longest so far has ended lies within that one.
    _, number = np.unique(line[order], return_inverse=True)
    offset = number.reshape(-1).astype(np.int64) * (2 * WHOLE)
    reach = np.maximum.accumulate(offset + high[order])
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (offset + low[order])[1:] >= reach[:-1]
    starts = np.flatnonzero(fresh)
    group = np.cumsum(fresh) - 1
    parent = front.parent[side[order] // 3]
    lonely = np.minimum.reduceat(parent, starts) == np.maximum.reduceat(parent, starts)
    alone = np.zeros(len(side), dtype=bool)
    alone[order] = lonely[group]
    return order[starts[group]] // 3, order // 3, alone


def _on_rims(front: Front, alone: BoolArray, tolerance: float) -> tuple[IntArray, IntArray]:
    """Pairs of cells whose sides lie on one another without a line in common."""
    sides = np.flatnonzero(alone)
    if len(sides) < 2:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    p = front.corners.reshape(-1, 3)[sides]
    q = np.roll(front.corners, -1, axis=1).reshape(-1, 3)[sides]
    index = rtree.index.Index(
        (
            (k, (*box[:3], *box[3:]), None)
            for k, box in enumerate(
                np.concatenate([np.minimum(p, q) - tolerance, np.maximum(p, q) + tolerance], axis=1)
            )
        ),
        properties=rtree.index.Property(dimension=3),
    )
    length = np.linalg.norm(q - p, axis=1)
    nudge = np.minimum(0.25, 4.0 * tolerance / np.where(length > 0.0, length, 1.0))[:, None]
    firsts: list[int] = []
    seconds: list[int] = []
    for points in (p + nudge * (q - p), q + nudge * (p - q)):
        for k, point in enumerate(points):
            near = [n for n in index.intersection((*point, *point)) if n != k]
            for n in near:
                if _to_segment(point, p[n], q[n]) <= tolerance:
                    firsts.append(int(sides[k]) // 3)
                    seconds.append(int(sides[n]) // 3)
    return np.array(firsts, dtype=np.int64), np.array(seconds, dtype=np.int64)


def _to_segment(point: FloatArray, p: FloatArray, q: FloatArray) -> float:
    """Distance of a point to a segment, mm."""
    along = q - p
    square = float(along @ along)
    share = 0.0 if square == 0.0 else min(1.0, max(0.0, float((point - p) @ along) / square))
    return float(np.linalg.norm(point - p - share * along))

"""Edges of a triangle mesh: which half-edges share one, and which triangles hang together.

Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner ``(k + 1) % 3``.
Half-edges between the same two vertices, in either direction, form one edge.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def _collapsed(faces, f):
    """Whether a triangle uses a vertex twice."""
    a = faces[f, 0]
    b = faces[f, 1]
    c = faces[f, 2]
    return a == b or b == c or c == a


@numba.njit(cache=True, nogil=True)
def group_edges(faces, n):
    """Half-edges sorted by edge: two counting sorts, linear in time whatever the mesh.

    Parameters
    ----------
    faces : (m, 3) int64
        Vertex numbers 0..n-1.
    n : int
        Number of vertices.

    Returns
    -------
    order : (h,) int64
        Half-edge numbers, edge by edge, ascending within an edge; triangles that use a vertex
        twice are left out.
    start : (e + 1,) int64
        Edge ``i`` holds ``order[start[i]:start[i + 1]]``.
    """
    m = faces.shape[0]
    counts = np.zeros(n + 1, dtype=np.int64)
    total = 0
    for f in range(m):
        if _collapsed(faces, f):
            continue
        for k in range(3):
            counts[max(faces[f, k], faces[f, (k + 1) % 3]) + 1] += 1
            total += 1
    for i in range(n):
        counts[i + 1] += counts[i]
    first = np.empty(total, dtype=np.int64)
    for f in range(m):
        if _collapsed(faces, f):
            continue
        for k in range(3):
            v = max(faces[f, k], faces[f, (k + 1) % 3])
            first[counts[v]] = 3 * f + k
            counts[v] += 1
    counts[:] = 0
    for i in range(total):
        h = first[i]
        a = faces[h // 3, h % 3]
        b = faces[h // 3, (h + 1 - 3 * (h // 3)) % 3]
        counts[min(a, b) + 1] += 1
    for i in range(n):
        counts[i + 1] += counts[i]
    order = np.empty(total, dtype=np.int64)
    for i in range(total):
        h = first[i]
        a = faces[h // 3, h % 3]
        b = faces[h // 3, (h + 1 - 3 * (h // 3)) % 3]
        v = min(a, b)
        order[counts[v]] = h
        counts[v] += 1
    start = np.empty(total + 1, dtype=np.int64)
    edges = 0
    last_low = np.int64(-1)
    last_high = np.int64(-1)
    for i in range(total):
        h = order[i]
        a = faces[h // 3, h % 3]
        b = faces[h // 3, (h + 1 - 3 * (h // 3)) % 3]
        low = min(a, b)
        high = max(a, b)
        if low != last_low or high != last_high:
            start[edges] = i
            edges += 1
            last_low = low
            last_high = high
    start[edges] = total
    return order, start[: edges + 1].copy()


@numba.njit(cache=True, nogil=True)
def _root(parent, i):
    """Representative of ``i``, halving the path on the way."""
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@numba.njit(cache=True, nogil=True)
def label_bodies(m, order, start):
    """Body number of each of ``m`` triangles; triangles that share an edge are of one body.

    Bodies are numbered in the order of their first triangle.
    """
    parent = np.arange(m)
    for e in range(start.shape[0] - 1):
        first = _root(parent, order[start[e]] // 3)
        for i in range(start[e] + 1, start[e + 1]):
            other = _root(parent, order[i] // 3)
            if other < first:
                parent[first] = other
                first = other
            else:
                parent[other] = first
    label = np.empty(m, dtype=np.int64)
    bodies = 0
    for f in range(m):
        root = _root(parent, f)
        if root == f:
            label[f] = bodies
            bodies += 1
        else:
            label[f] = label[root]
    return label, bodies

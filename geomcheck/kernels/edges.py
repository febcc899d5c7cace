"""Edges of a triangle mesh: which half-edges share one, and how far a surface bulges over them.

Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner ``(k + 1) % 3``.
Half-edges between the same two vertices, in either direction, form one edge.
"""

import math

import numba
import numpy as np

#: Turns up to this angle (rad) are taken as one smooth surface cut into facets.
SHARP = math.radians(40.0) + 1e-4
#: Two facets that turn by less than this (rad) are taken as pieces of one flat.
FLAT = math.radians(0.3)
#: A facet is believed to be curved along at most this many widths of its neighbour.
REACH = 2.0
#: Faces of one edge compared with one another; more than this many only in a ruined mesh.
CROWD = 64


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
        Half-edge numbers, edge by edge, ascending within an edge; half-edges from a vertex to
        itself are left out.
    start : (e + 1,) int64
        Edge ``i`` holds ``order[start[i]:start[i + 1]]``.
    """
    m = faces.shape[0]
    counts = np.zeros(n + 1, dtype=np.int64)
    total = 0
    for f in range(m):
        for k in range(3):
            a = faces[f, k]
            b = faces[f, (k + 1) % 3]
            if a != b:
                counts[max(a, b) + 1] += 1
                total += 1
    for i in range(n):
        counts[i + 1] += counts[i]
    first = np.empty(total, dtype=np.int64)
    for f in range(m):
        for k in range(3):
            a = faces[f, k]
            b = faces[f, (k + 1) % 3]
            if a != b:
                v = max(a, b)
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
def _wing(vertices, faces, h, out):
    """Direction in triangle ``h // 3`` from half-edge ``h`` to the far corner; the altitude.

    ``out`` receives the unit direction. The altitude is 0 for a triangle without area.
    """
    f = h // 3
    k = h - 3 * f
    a = faces[f, k]
    b = faces[f, (k + 1) % 3]
    c = faces[f, (k + 2) % 3]
    ex = vertices[b, 0] - vertices[a, 0]
    ey = vertices[b, 1] - vertices[a, 1]
    ez = vertices[b, 2] - vertices[a, 2]
    px = vertices[c, 0] - vertices[a, 0]
    py = vertices[c, 1] - vertices[a, 1]
    pz = vertices[c, 2] - vertices[a, 2]
    ee = ex * ex + ey * ey + ez * ez
    if ee == 0.0:
        return 0.0
    t = (px * ex + py * ey + pz * ez) / ee
    px -= t * ex
    py -= t * ey
    pz -= t * ez
    height = math.sqrt(px * px + py * py + pz * pz)
    if height == 0.0:
        return 0.0
    out[0] = px / height
    out[1] = py / height
    out[2] = pz / height
    return height


@numba.njit(cache=True, nogil=True)
def stand_off(vertices, faces, normals, order, start, thin):
    """Estimated stand-off of a smooth surface from its facets; see ``geomcheck.mesh.sagitta``.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int64
    normals : (m, 3) float64
        Unit normals; zero for a triangle without area.
    order, start
        From :func:`group_edges`.
    thin : float
        Altitude (mm) below which a triangle has no facing of its own.

    Returns
    -------
    convex, concave : (m,) float64
        Sums over the edges that turn away from the normal's side, and towards it; mm.
    """
    m = faces.shape[0]
    own = np.zeros((2, m))
    flat = np.full(3 * m, -1, dtype=np.int64)
    here = np.zeros(3)
    there = np.zeros(3)
    best = np.zeros(3)
    for e in range(start.shape[0] - 1):
        s = start[e]
        k = start[e + 1] - s
        if k < 2:
            continue
        for i in range(k):
            h = order[s + i]
            width = _wing(vertices, faces, h, here)
            if width <= thin:
                continue
            turn = math.inf
            mate = np.int64(-1)
            mate_width = 0.0
            for step in range(1, min(k, CROWD)):
                g = order[s + (i + step) % k]
                other = _wing(vertices, faces, g, there)
                if other <= thin:
                    continue
                # Angle between the one wing and the continuation of the other, exact near 0.
                sx = here[0] + there[0]
                sy = here[1] + there[1]
                sz = here[2] + there[2]
                dx = here[0] - there[0]
                dy = here[1] - there[1]
                dz = here[2] - there[2]
                angle = 2.0 * math.atan2(
                    math.sqrt(sx * sx + sy * sy + sz * sz),
                    math.sqrt(dx * dx + dy * dy + dz * dz),
                )
                if angle < turn:
                    turn = angle
                    mate = g
                    mate_width = other
                    best[0] = there[0]
                    best[1] = there[1]
                    best[2] = there[2]
            if mate < 0 or turn > SHARP:
                continue
            f = h // 3
            if turn < FLAT:
                flat[h] = mate // 3
            ratio = mate_width / width
            if ratio >= 1.0:
                arc = turn * min(max(0.5 * ratio, 1.0), 2.0)
            else:
                width = min(width, REACH * mate_width)
                arc = turn * 2.0 * width / (width + mate_width)
            bulge = 0.5 * width * math.tan(0.25 * arc)
            lean = normals[f, 0] * best[0] + normals[f, 1] * best[1] + normals[f, 2] * best[2]
            own[0 if lean < 0.0 else 1, f] += bulge
    out = own.copy()
    for h in range(3 * m):
        g = flat[h]
        if g >= 0:
            f = h // 3
            for side in range(2):
                if own[side, g] > out[side, f]:
                    out[side, f] = own[side, g]
    return out[0], out[1]


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

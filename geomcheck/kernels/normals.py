"""Normals of the smooth surface at a mesh's corners, and what they make of its facets.

See ``geomcheck.mesh.sagitta``. Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k``
to its corner ``(k + 1) % 3``, and its number stands for the corner it starts from, too.
"""

import math

import numba
import numpy as np

#: Weight of a plane beside a curved surface: the surface is tangent to it there.
TANGENT = 1e6
#: Cosine of the angle (35 degrees) beyond which a normal is not that of a smooth surface cut into
#: facets of 45 degrees at most, but of a tip or a corner.
TIP = math.cos(math.radians(35.0))
#: Share of a neighbour's stand-off, in proportion to size, that a facet gets at least.
NEIGHBOUR = 0.8
#: The two facets of an edge are pieces of one flat beyond doubt (``geomcheck.kernels.facets``).
FULLY = 2


@numba.njit(cache=True, nogil=True)
def _root(parent, i):
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@numba.njit(cache=True, nogil=True)
def _join(parent, i, j):
    i = _root(parent, i)
    j = _root(parent, j)
    if i < j:
        parent[j] = i
    elif j < i:
        parent[i] = j


@numba.njit(cache=True, nogil=True)
def _next(h):
    return h - 2 if h % 3 == 2 else h + 1


@numba.njit(cache=True, nogil=True)
def corner_normals(vertices, faces, order, start, smooth, plane):
    """Unit normal at each corner, the mean over the facets that join there without an edge.

    The weights of N. Max, "Weights for computing vertex normals from facet normals", Journal of
    Graphics Tools 4 (2), 1999: the cross product of the two sides over the squares of both. They
    are exact for a sphere and for the strips of a round cylinder, whatever their widths.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int64
    order, start
        Half-edges by edge, from ``geomcheck.kernels.edges.group_edges``.
    smooth : (3 m,) bool
        The surface goes on over the edge without a sharp one.
    plane : (3 m,) bool
        The facet is a plane to which the surface is tangent there.

    Returns
    -------
    normal : (3 m, 3) float64
        By corner; zero for one without.
    edge : (3 m,) bool
        The surface ends at the corner, at an edge of the part or of the mesh.
    """
    m = faces.shape[0]
    ends = np.zeros(vertices.shape[0], dtype=np.bool_)
    for e in range(start.shape[0] - 1):
        s = start[e]
        h = order[s]
        g = order[s + 1] if start[e + 1] - s == 2 else h
        # Two that run the same way face opposite ways: their normals do not go together.
        if faces[h // 3, h % 3] == faces[g // 3, g % 3] or not (smooth[h] or smooth[g]):
            ends[faces[h // 3, h % 3]] = True
            ends[faces[h // 3, _next(h) % 3]] = True
    # Corners at one vertex go together, but where a surface ends only those joined over edges.
    parent = np.arange(3 * m)
    first = np.full(vertices.shape[0], -1, dtype=np.int64)
    for h in range(3 * m):
        v = faces[h // 3, h % 3]
        if not ends[v]:
            if first[v] < 0:
                first[v] = h
            parent[h] = first[v]
    for e in range(start.shape[0] - 1):
        s = start[e]
        if start[e + 1] - s != 2:
            continue
        h = order[s]
        g = order[s + 1]
        a = faces[h // 3, h % 3]
        b = faces[g // 3, g % 3]
        if a == b or not (smooth[h] or smooth[g]):
            continue
        if ends[a]:
            _join(parent, h, _next(g))
        if ends[b]:
            _join(parent, _next(h), g)
    total = np.zeros((3 * m, 3))
    side = np.empty((3, 3))
    square = np.empty(3)
    for f in range(m):
        for k in range(3):
            square[k] = 0.0
            for c in range(3):
                side[k, c] = vertices[faces[f, (k + 1) % 3], c] - vertices[faces[f, k], c]
                square[k] += side[k, c] * side[k, c]
        x = side[0, 1] * side[1, 2] - side[0, 2] * side[1, 1]
        y = side[0, 2] * side[1, 0] - side[0, 0] * side[1, 2]
        z = side[0, 0] * side[1, 1] - side[0, 1] * side[1, 0]
        tangent = plane[3 * f] or plane[3 * f + 1] or plane[3 * f + 2]
        for k in range(3):
            squares = square[k] * square[(k + 2) % 3]
            if squares > 0.0:
                weight = (TANGENT if tangent else 1.0) / squares
                r = _root(parent, 3 * f + k)
                total[r, 0] += weight * x
                total[r, 1] += weight * y
                total[r, 2] += weight * z
    for h in range(3 * m):
        if parent[h] == h:
            length = math.sqrt(total[h, 0] ** 2 + total[h, 1] ** 2 + total[h, 2] ** 2)
            if length > 0.0:
                for c in range(3):
                    total[h, c] /= length
    edge = np.empty(3 * m, dtype=np.bool_)
    for h in range(3 * m):
        edge[h] = ends[faces[h // 3, h % 3]]
        r = _root(parent, h)
        if r != h:
            for c in range(3):
                total[h, c] = total[r, c]
    return total, edge


@numba.njit(cache=True, nogil=True)
def _height(one, two, three):
    """Greatest height over a triangle whose sides stand off by these amounts, all on one side."""
    top = max(one, two, three)
    if one < two + three and two < one + three and three < one + two:
        whole = 2.0 * (one * two + two * three + three * one) - one**2 - two**2 - three**2
        top = max(top, 4.0 * one * two * three / whole)
    return top


@numba.njit(cache=True, nogil=True)
def raise_facets(vertices, faces, normals, corner, edge, mate, level, bend, order, start, out):
    """Raise the stand-off of facets curved both ways to what the normals at their corners tell.

    Parameters
    ----------
    vertices : (n, 3) float64
    faces : (m, 3) int64
    normals : (m, 3) float64
        Unit normals of the facets.
    corner : (3 m, 3) float64
        From ``corner_normals``.
    edge : (3 m,) bool
        From ``corner_normals``.
    mate : (3 m,) int64
    level : (3 m,) int8
        From ``geomcheck.kernels.facets``.
    bend : (3 m,) bool
        Folds on both sides of which the surface is curved; triangles and quadrangles with such a
        fold, or the end of the mesh, on all sides are looked at.
    order, start
        Half-edges by edge, from ``geomcheck.kernels.edges.group_edges``.
    out : (2, m) float64
        mm, on the side of the normal and on the other; changed.
    """
    m = faces.shape[0]
    off = np.zeros(3)
    size = np.zeros(m)
    told = np.zeros(m, dtype=np.bool_)
    free = np.zeros(3 * m, dtype=np.bool_)
    for e in range(start.shape[0] - 1):
        if start[e + 1] - start[e] == 1:
            free[order[start[e]]] = True
    for f in range(m):
        for k in range(3):
            square = 0.0
            for c in range(3):
                e = vertices[faces[f, (k + 1) % 3], c] - vertices[faces[f, k], c]
                square += e * e
            size[f] = max(size[f], square)
        parts = 0
        some = False
        good = True
        for h in range(3 * f, 3 * f + 3):
            if level[h] == FULLY:
                parts += 1
                g = mate[h] - mate[h] % 3
                parts += int(level[g] == FULLY)
                parts += int(level[g + 1] == FULLY) + int(level[g + 2] == FULLY)
            elif level[h] > 0:
                some = True
            else:
                good = good and (bend[h] or free[h])
                some = some or bend[h]
        # A triangle, or half of a quadrangle, bent on all sides.
        if not (good and some and (parts == 0 or parts == 2)):
            continue
        told[f] = True
        for k in range(3):
            h = 3 * f + k
            n = _next(h)
            here = 0.0
            there = 0.0
            rise = 0.0
            fall = 0.0
            for c in range(3):
                e = vertices[faces[f, (k + 1) % 3], c] - vertices[faces[f, k], c]
                here += corner[h, c] * normals[f, c]
                there += corner[n, c] * normals[f, c]
                rise -= 0.125 * e * corner[h, c]
                fall += 0.125 * e * corner[n, c]
            if here < TIP:
                rise = 0.0
            if there < TIP:
                fall = 0.0
            off[k] = rise + fall
            # Where the surface ends its normal is known from one side only, and too near to the
            # facet's own: the other end tells more.
            inner = fall if edge[h] else rise
            if edge[h] != edge[n] and abs(2.0 * inner) > abs(off[k]) and inner * off[k] >= 0.0:
                off[k] = 2.0 * inner
        for side in range(2):
            sign = 1.0 if side == 0 else -1.0
            one = sign * off[0]
            two = sign * off[1]
            three = sign * off[2]
            top = max(one, two, three)
            if min(one, two, three) > 0.0:
                top = _height(one, two, three)
            out[side, f] = max(out[side, f], top)
    before = out.copy()
    for f in range(m):
        for h in range(3 * f, 3 * f + 3):
            g = mate[h] // 3
            if not (bend[h] or level[h] > 0) or not told[g]:
                continue
            share = NEIGHBOUR * min(size[f] / size[g], 1.0)
            for side in range(2):
                out[side, f] = max(out[side, f], share * before[side, g])

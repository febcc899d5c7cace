"""Pieces of a mesh that may be walls of round holes.

Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner ``(k + 1) % 3``.
"""

import math

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def neighbours(m, order, start):
    """(m, 3) triangle across each side; -1 where not exactly two triangles share it."""
    out = np.full((m, 3), -1, dtype=np.int64)
    for e in range(start.shape[0] - 1):
        if start[e + 1] - start[e] == 2:
            a = order[start[e]]
            b = order[start[e] + 1]
            out[a // 3, a % 3] = b // 3
            out[b // 3, b % 3] = a // 3
    return out


@numba.njit(cache=True, nogil=True)
def facet_normals(points, faces, beside, least):
    """(m, 3) unit normals; a needle takes that of the triangle over its longest side.

    Parameters
    ----------
    points : (n, 3) float64
    faces, beside : (m, 3) int64
    least : float
        mm; a triangle of less altitude is a needle, whose own normal is noise.

    Returns
    -------
    normals : (m, 3) float64
        Zero where none could be had.
    area : (m,) float64
    """
    m = faces.shape[0]
    normals = np.zeros((m, 3))
    area = np.zeros(m)
    over = np.full(m, -1, dtype=np.int64)
    for f in range(m):
        a = faces[f, 0]
        b = faces[f, 1]
        c = faces[f, 2]
        ux = points[b, 0] - points[a, 0]
        uy = points[b, 1] - points[a, 1]
        uz = points[b, 2] - points[a, 2]
        vx = points[c, 0] - points[a, 0]
        vy = points[c, 1] - points[a, 1]
        vz = points[c, 2] - points[a, 2]
        nx = uy * vz - uz * vy
        ny = uz * vx - ux * vz
        nz = ux * vy - uy * vx
        size = math.sqrt(nx * nx + ny * ny + nz * nz)
        area[f] = 0.5 * size
        longest = ux * ux + uy * uy + uz * uz
        side = 0
        square = (vx - ux) ** 2 + (vy - uy) ** 2 + (vz - uz) ** 2
        if square > longest:
            longest = square
            side = 1
        square = vx * vx + vy * vy + vz * vz
        if square > longest:
            longest = square
            side = 2
        longest = math.sqrt(longest)
        if size > least * longest and size > 0.0:
            normals[f, 0] = nx / size
            normals[f, 1] = ny / size
            normals[f, 2] = nz / size
        else:
            over[f] = beside[f, side]
    for _ in range(3):  # a needle may lie on another
        for f in range(m):
            g = over[f]
            if g >= 0 and normals[f, 0] == 0.0 and normals[f, 1] == 0.0 and normals[f, 2] == 0.0:
                normals[f] = normals[g]
    return normals, area


@numba.njit(cache=True, nogil=True)
def _root(parent, i):
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@numba.njit(cache=True, nogil=True)
def smooth_regions(beside, normals, cosine):
    """(m,) region of each triangle: joined where neighbours meet at less than an angle.

    Regions are numbered in the order of their first triangle.
    """
    m = beside.shape[0]
    parent = np.arange(m)
    for f in range(m):
        for k in range(3):
            g = beside[f, k]
            if g <= f:
                continue
            dot = (
                normals[f, 0] * normals[g, 0]
                + normals[f, 1] * normals[g, 1]
                + normals[f, 2] * normals[g, 2]
            )
            if dot > cosine:
                a = _root(parent, f)
                b = _root(parent, g)
                if a < b:
                    parent[b] = a
                elif b < a:
                    parent[a] = b
    label = np.empty(m, dtype=np.int64)
    count = 0
    for f in range(m):
        root = _root(parent, f)
        if root == f:
            label[f] = count
            count += 1
        else:
            label[f] = label[root]
    return label, count


@numba.njit(cache=True, nogil=True)
def grow_walls(points, faces, beside, normals, taken, limits, least_count):
    """Grow walls of round holes from folds, where smooth regions do not part them.

    Two triangles that meet in a hollow fold lie on one circle, seen along the fold: their corners
    give its centre and radius. From there the wall grows over triangles whose corners lie on that
    cylinder and that face its axis.

    Parameters
    ----------
    points : (n, 3) float64
    faces, beside : (m, 3) int64
    normals : (m, 3) float64
    taken : (m,) bool
        Triangles not looked at.
    limits : (6,) float64
        Least and greatest radius, mm; least and greatest sine of a fold; how far a corner may lie
        inside and outside of the circle, as a share of the radius.
    least_count : int
        Walls of fewer triangles are dropped.

    Returns
    -------
    label : (m,) int64
        Wall of each triangle, -1 for none.
    count : int
    """
    m = faces.shape[0]
    label = np.full(m, -1, dtype=np.int64)
    stack = np.empty(m, dtype=np.int64)
    count = 0
    centre = np.empty(3)
    for seed in range(m):
        if taken[seed] or label[seed] >= 0:
            continue
        for k in range(3):
            g = beside[seed, k]
            if g < 0 or taken[g] or label[g] >= 0:
                continue
            radius, dx, dy, dz = _circle(points, faces, beside, normals, seed, g, k, limits, centre)
            if radius < 0.0:
                continue
            found = 0
            top = 1
            stack[0] = seed
            label[seed] = count
            while found < top:
                f = stack[found]
                found += 1
                for j in range(3):
                    h = beside[f, j]
                    if h < 0 or taken[h] or label[h] >= 0:
                        continue
                    lean = normals[h, 0] * dx + normals[h, 1] * dy + normals[h, 2] * dz
                    if abs(lean) > 0.06:
                        continue
                    good = True
                    towards = 0.0
                    for c in range(3):
                        v = faces[h, c]
                        x = points[v, 0] - centre[0]
                        y = points[v, 1] - centre[1]
                        z = points[v, 2] - centre[2]
                        along = x * dx + y * dy + z * dz
                        x -= along * dx
                        y -= along * dy
                        z -= along * dz
                        away = math.sqrt(x * x + y * y + z * z) / radius - 1.0
                        if away < -limits[4] or away > limits[5]:
                            good = False
                            break
                        towards -= x * normals[h, 0] + y * normals[h, 1] + z * normals[h, 2]
                    if good and towards > 1.5 * radius:
                        label[h] = count
                        stack[top] = h
                        top += 1
            if top >= least_count:
                count += 1
                break
            for i in range(top):
                label[stack[i]] = -1
    return label, count


@numba.njit(cache=True, nogil=True)
def _circle(points, faces, beside, normals, f, g, k, limits, centre):
    """Radius and axis of the cylinder through two triangles; radius -1 for none."""
    dx = normals[f, 1] * normals[g, 2] - normals[f, 2] * normals[g, 1]
    dy = normals[f, 2] * normals[g, 0] - normals[f, 0] * normals[g, 2]
    dz = normals[f, 0] * normals[g, 1] - normals[f, 1] * normals[g, 0]
    sine = math.sqrt(dx * dx + dy * dy + dz * dz)
    dot = normals[f, 0] * normals[g, 0] + normals[f, 1] * normals[g, 1]
    dot += normals[f, 2] * normals[g, 2]
    if sine < limits[2] or sine > limits[3] or dot <= 0.0:
        return -1.0, 0.0, 0.0, 0.0
    dx /= sine
    dy /= sine
    dz /= sine
    e = faces[f, k]
    o = faces[f, (k + 2) % 3]
    side = 0
    for j in range(3):
        if beside[g, j] == f:
            side = j
    p = faces[g, (side + 2) % 3]
    # Towards the far corner of g, and of f, seen along the fold.
    ax = points[p, 0] - points[e, 0]
    ay = points[p, 1] - points[e, 1]
    az = points[p, 2] - points[e, 2]
    if ax * normals[f, 0] + ay * normals[f, 1] + az * normals[f, 2] <= 0.0:
        return -1.0, 0.0, 0.0, 0.0
    along = ax * dx + ay * dy + az * dz
    ax -= along * dx
    ay -= along * dy
    az -= along * dz
    bx = points[o, 0] - points[e, 0]
    by = points[o, 1] - points[e, 1]
    bz = points[o, 2] - points[e, 2]
    along = bx * dx + by * dy + bz * dz
    bx -= along * dx
    by -= along * dy
    bz -= along * dz
    aa = ax * ax + ay * ay + az * az
    bb = bx * bx + by * by + bz * bz
    ab = ax * bx + ay * by + az * bz
    det = 2.0 * (aa * bb - ab * ab)
    if det <= 1e-12 * aa * bb:
        return -1.0, 0.0, 0.0, 0.0
    s = bb * (aa - ab) / det
    t = aa * (bb - ab) / det
    x = s * ax + t * bx
    y = s * ay + t * by
    z = s * az + t * bz
    radius = math.sqrt(x * x + y * y + z * z)
    if radius < limits[0] or radius > limits[1]:
        return -1.0, 0.0, 0.0, 0.0
    centre[0] = points[e, 0] + x
    centre[1] = points[e, 1] + y
    centre[2] = points[e, 2] + z
    return radius, dx, dy, dz

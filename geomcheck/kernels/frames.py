"""Boxes turned to the surface they hold, for the lower nodes of a triangle tree.

A box along the coordinate axes around a patch of inclined surface is thick; one turned to the
patch's mean normal is a thin plate, and two such plates facing each other across a gap are told
apart long before their triangles are. Row ``node`` of the table holds centre (3), three axes
(3 x 3, row by row), three half sides, and 1; all 0 for nodes that have none: those more than
``log2(BLOCK)`` levels above the leaves (tree layout: ``geomcheck.kernels.tree``).
"""

import numba
import numpy as np

BLOCK = 64  # leaf slots under the highest nodes that have a turned box


@numba.njit(cache=True, nogil=True)
def _turn(f, x, y, z):
    """Frame with the third axis along (x, y, z), into ``f[3:12]`` row by row.

    Axes change smoothly with the direction and do not depend on its sense (but for signs), so
    that two patches facing each other get nearly the same frame.
    """
    length = np.sqrt(x * x + y * y + z * z)
    if length > 0.0:
        x /= length
        y /= length
        z /= length
    else:
        z = 1.0
    if z < 0.0:
        x, y, z = -x, -y, -z
    # Duff et al. 2017, "Building an orthonormal basis, revisited", for z >= 0.
    a = -1.0 / (1.0 + z)
    b = x * y * a
    f[3] = 1.0 + x * x * a
    f[4] = b
    f[5] = -x
    f[6] = b
    f[7] = 1.0 + y * y * a
    f[8] = -y
    f[9] = x
    f[10] = y
    f[11] = z


@numba.njit(cache=True, nogil=True)
def _leaf_frame(tri, first, last, f, noise):
    """Box of a leaf turned to its mean normal: centre, axes, half sides into ``f`` (16,)."""
    nx = ny = nz = 0.0
    for j in range(first, last):
        ux = tri[j, 1, 0] - tri[j, 0, 0]
        uy = tri[j, 1, 1] - tri[j, 0, 1]
        uz = tri[j, 1, 2] - tri[j, 0, 2]
        vx = tri[j, 2, 0] - tri[j, 0, 0]
        vy = tri[j, 2, 1] - tri[j, 0, 1]
        vz = tri[j, 2, 2] - tri[j, 0, 2]
        nx += uy * vz - uz * vy
        ny += uz * vx - ux * vz
        nz += ux * vy - uy * vx
    _turn(f, nx, ny, nz)
    cx = tri[first, 0, 0]
    cy = tri[first, 0, 1]
    cz = tri[first, 0, 2]
    x0 = y0 = z0 = np.inf
    x1 = y1 = z1 = -np.inf
    for j in range(first, last):
        for v in range(3):
            x = tri[j, v, 0] - cx
            y = tri[j, v, 1] - cy
            z = tri[j, v, 2] - cz
            h = f[3] * x + f[4] * y + f[5] * z
            x0 = h if h < x0 else x0
            x1 = h if h > x1 else x1
            h = f[6] * x + f[7] * y + f[8] * z
            y0 = h if h < y0 else y0
            y1 = h if h > y1 else y1
            h = f[9] * x + f[10] * y + f[11] * z
            z0 = h if h < z0 else z0
            z1 = h if h > z1 else z1
    _set_box(f, cx, cy, cz, x0, x1, y0, y1, z0, z1, noise)


@numba.njit(cache=True, nogil=True)
def _set_box(f, cx, cy, cz, x0, x1, y0, y1, z0, z1, noise):
    """Centre and half sides from extents along the frame's axes about (cx, cy, cz)."""
    x = 0.5 * (x0 + x1)
    y = 0.5 * (y0 + y1)
    z = 0.5 * (z0 + z1)
    f[0] = cx + x * f[3] + y * f[6] + z * f[9]
    f[1] = cy + x * f[4] + y * f[7] + z * f[10]
    f[2] = cz + x * f[5] + y * f[8] + z * f[11]
    f[12] = 0.5 * (x1 - x0) + noise
    f[13] = 0.5 * (y1 - y0) + noise
    f[14] = 0.5 * (z1 - z0) + noise
    f[15] = 1.0


@numba.njit(cache=True, nogil=True)
def _inner_frame(f, a, b, noise):
    """Turned box around two children's."""
    if b[15] == 0.0:
        for c in range(16):
            f[c] = a[c]
        return
    sign = 1.0 if a[9] * b[9] + a[10] * b[10] + a[11] * b[11] >= 0.0 else -1.0
    _turn(f, a[9] + sign * b[9], a[10] + sign * b[10], a[11] + sign * b[11])
    for side in range(2):
        child = a if side == 0 else b
        x = child[0] - a[0]
        y = child[1] - a[1]
        z = child[2] - a[2]
        for k in range(3):
            e = 3 + 3 * k
            h = f[e] * x + f[e + 1] * y + f[e + 2] * z
            half = 0.0
            for m in range(3):
                g = 3 + 3 * m
                half += child[12 + m] * abs(
                    f[e] * child[g] + f[e + 1] * child[g + 1] + f[e + 2] * child[g + 2]
                )
            if side == 0:
                f[k] = h - half
                f[12 + k] = h + half
            else:
                f[k] = min(f[k], h - half)
                f[12 + k] = max(f[12 + k], h + half)
    _set_box(f, a[0], a[1], a[2], f[0], f[12], f[1], f[13], f[2], f[14], noise)


@numba.njit(cache=True, nogil=True)
def fill(boxes, tri, leaf, noise, frames, begin, end):
    """Turned boxes of blocks begin..end-1 into ``frames`` (2 p - 1, 16), which must be zeros.

    Half sides are widened by ``noise`` (mm), more than the rounding errors here.
    """
    first = boxes.shape[0] // 2
    slots = min(first + 1, BLOCK)
    for block in range(begin, end):
        low = first + block * slots
        high = low + slots
        for node in range(low, high):
            j = (node - first) * leaf
            if j < tri.shape[0]:
                _leaf_frame(tri, j, min(j + leaf, tri.shape[0]), frames[node], noise)
        while high - low > 1:
            low = low // 2
            high = high // 2
            for node in range(low, high):
                a = frames[2 * node + 1]
                if a[15] != 0.0:
                    _inner_frame(frames[node], a, frames[2 * node + 2], noise)

"""Nearest point on a set of triangles, for many points.

One tree (layout: ``geomcheck.kernels.tree``) is walked for each point, nearer child first; a node
whose box is farther than the best triangle so far is dropped. Each point starts from the
triangle its predecessor ended at: points given in an order that keeps neighbours together are
answered faster, and the answer is the same in any order (ties go to the smallest number).
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def _nearest_on(tri, i, px, py, pz, out):
    """Squared distance of a point to triangle ``i``; the nearest point into ``out`` (3,).

    Where the foot of the point lies inside the three edges it is the foot, else it is on one of
    the edges the foot lies outside of.
    """
    ax = tri[i, 0, 0] - px
    ay = tri[i, 0, 1] - py
    az = tri[i, 0, 2] - pz
    bx = tri[i, 1, 0] - px
    by = tri[i, 1, 1] - py
    bz = tri[i, 1, 2] - pz
    cx = tri[i, 2, 0] - px
    cy = tri[i, 2, 1] - py
    cz = tri[i, 2, 2] - pz
    ux = bx - ax
    uy = by - ay
    uz = bz - az
    vx = cx - ax
    vy = cy - ay
    vz = cz - az
    nx = uy * vz - uz * vy
    ny = uz * vx - ux * vz
    nz = ux * vy - uy * vx
    # Weights of the corners, times |n|^2.
    wa = nx * (by * cz - bz * cy) + ny * (bz * cx - bx * cz) + nz * (bx * cy - by * cx)
    wb = nx * (cy * az - cz * ay) + ny * (cz * ax - cx * az) + nz * (cx * ay - cy * ax)
    wc = nx * (ay * bz - az * by) + ny * (az * bx - ax * bz) + nz * (ax * by - ay * bx)
    nn = nx * nx + ny * ny + nz * nz
    best = np.inf
    x = y = z = 0.0
    if wa >= 0.0 and wb >= 0.0 and wc >= 0.0 and nn > 0.0:
        total = wa + wb + wc
        if total > 0.0:
            x = (wa * ax + wb * bx + wc * cx) / total
            y = (wa * ay + wb * by + wc * cy) / total
            z = (wa * az + wb * bz + wc * cz) / total
            best = x * x + y * y + z * z
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    if best == np.inf or nn < 1e-12 * max(uu, vv) ** 2:
        for e in range(3):
            if e == 0:
                weight, sx, sy, sz, dx, dy, dz, dd = wc, ax, ay, az, ux, uy, uz, uu
            elif e == 1:
                weight, sx, sy, sz, dx, dy, dz, dd = wb, ax, ay, az, vx, vy, vz, vv
            else:
                weight, sx, sy, sz, dx, dy, dz = wa, bx, by, bz, cx - bx, cy - by, cz - bz
                dd = dx * dx + dy * dy + dz * dz
            if weight > 0.0 and best < np.inf and nn >= 1e-12 * max(uu, vv) ** 2:
                continue
            t = -(sx * dx + sy * dy + sz * dz)
            t = 0.0 if t <= 0.0 or dd == 0.0 else (1.0 if t >= dd else t / dd)
            gx = sx + t * dx
            gy = sy + t * dy
            gz = sz + t * dz
            g = gx * gx + gy * gy + gz * gz
            if g < best:
                best = g
                x = gx
                y = gy
                z = gz
    out[0] = px + x
    out[1] = py + y
    out[2] = pz + z
    return best


@numba.njit(cache=True, nogil=True)
def _box_gap(boxes, i, x, y, z):
    """Squared distance of a point to box ``i``; inf if it holds nothing."""
    dx = max(boxes[i, 0] - x, x - boxes[i, 3], 0.0)
    dy = max(boxes[i, 1] - y, y - boxes[i, 4], 0.0)
    dz = max(boxes[i, 2] - z, z - boxes[i, 5], 0.0)
    return dx * dx + dy * dy + dz * dz


@numba.njit(cache=True, nogil=True)
def nearest(
    boxes, tri, order, leaf, points, rank, limit, noise, distance, foot, number, begin, end
):
    """Nearest triangle of points ``rank[begin..end-1]``, none if farther than ``limit``.

    ``rank`` (n,) int64 is the order in which points are taken. Fills ``distance`` (n,), ``foot``
    (n, 3) and ``number`` (n,), the caller's triangle; left alone where nothing is near.
    ``noise`` bounds the rounding error of a distance, so that ties are not lost to it.
    """
    first_leaf = boxes.shape[0] // 2
    stack = np.empty(128, np.int64)
    bound = np.empty(128)
    out = np.empty(3)
    seed = -1
    for r in range(begin, end):
        k = rank[r]
        x = points[k, 0]
        y = points[k, 1]
        z = points[k, 2]
        best = np.inf
        reach = (limit + noise) ** 2
        found = -1
        if seed >= 0:
            d2 = _nearest_on(tri, seed, x, y, z, out)
            d = np.sqrt(d2)
            reach = min(reach, (d + noise) ** 2)
        stack[0] = 0
        bound[0] = _box_gap(boxes, 0, x, y, z)
        top = 1
        while top > 0:
            top -= 1
            if bound[top] > reach:
                continue
            node = stack[top]
            while node < first_leaf:
                node = 2 * node + 1
                gap1 = _box_gap(boxes, node, x, y, z)
                gap2 = _box_gap(boxes, node + 1, x, y, z)
                far = max(gap1, gap2)
                if far <= reach:
                    stack[top] = node + 1 if gap1 <= gap2 else node
                    bound[top] = far
                    top += 1
                if gap2 < gap1:
                    node += 1
                if min(gap1, gap2) > reach:
                    node = -1
                    break
            if node < 0:
                continue
            i0 = (node - first_leaf) * leaf
            for i in range(i0, min(i0 + leaf, tri.shape[0])):
                d2 = _nearest_on(tri, i, x, y, z, out)
                if d2 > best or (d2 == best and order[i] > number[k]):
                    continue
                d = np.sqrt(d2)
                if d > limit:
                    continue
                best = d2
                found = i
                reach = min(reach, (d + noise) ** 2)
                distance[k] = d
                number[k] = order[i]
                foot[k, 0] = out[0]
                foot[k, 1] = out[1]
                foot[k, 2] = out[2]
        if found >= 0:
            seed = found

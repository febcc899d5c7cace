"""Nearest point on a set of triangles, for many points.

One tree (layout: ``geomcheck.kernels.tree``) is walked for each point, nearer child first; a node
whose box is farther than the best triangle so far is dropped. Each point starts from the
triangle its predecessor ended at: points given in an order that keeps neighbours together are
answered faster, and the answer is the same in any order (ties go to the smallest number).
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def _nearest_on(tri, i, px, py, pz, w):
    """Squared distance of a point to triangle ``i``; the nearest point into ``w[0]``.

    Where the foot of the point lies inside the three edges it is the foot, else it is on one of
    the edges the foot lies outside of. ``w`` (5, 3): corners from the point in rows 1 to 3, the
    weight of the corner opposite each edge in row 4.
    """
    for k in range(3):
        w[1 + k, 0] = tri[i, k, 0] - px
        w[1 + k, 1] = tri[i, k, 1] - py
        w[1 + k, 2] = tri[i, k, 2] - pz
    ux = w[2, 0] - w[1, 0]
    uy = w[2, 1] - w[1, 1]
    uz = w[2, 2] - w[1, 2]
    vx = w[3, 0] - w[1, 0]
    vy = w[3, 1] - w[1, 1]
    vz = w[3, 2] - w[1, 2]
    nx = uy * vz - uz * vy
    ny = uz * vx - ux * vz
    nz = ux * vy - uy * vx
    nn = nx * nx + ny * ny + nz * nz
    total = 0.0
    least = np.inf
    for e in range(3):
        a = 1 + e
        b = 1 + (e + 1) % 3
        weight = nx * (w[a, 1] * w[b, 2] - w[a, 2] * w[b, 1])
        weight += ny * (w[a, 2] * w[b, 0] - w[a, 0] * w[b, 2])
        weight += nz * (w[a, 0] * w[b, 1] - w[a, 1] * w[b, 0])
        w[4, e] = weight
        total += weight
        least = min(least, weight)
    best = np.inf
    x = y = z = 0.0
    inside = least >= 0.0 and total > 0.0
    if inside:
        x = (w[4, 1] * w[1, 0] + w[4, 2] * w[2, 0] + w[4, 0] * w[3, 0]) / total
        y = (w[4, 1] * w[1, 1] + w[4, 2] * w[2, 1] + w[4, 0] * w[3, 1]) / total
        z = (w[4, 1] * w[1, 2] + w[4, 2] * w[2, 2] + w[4, 0] * w[3, 2]) / total
        best = x * x + y * y + z * z
    longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
    sliver = nn < 1e-12 * longest * longest
    if sliver or not inside:
        for e in range(3):
            if w[4, e] > 0.0 and not sliver:
                continue
            a = 1 + e
            b = 1 + (e + 1) % 3
            dx = w[b, 0] - w[a, 0]
            dy = w[b, 1] - w[a, 1]
            dz = w[b, 2] - w[a, 2]
            dd = dx * dx + dy * dy + dz * dz
            t = -(w[a, 0] * dx + w[a, 1] * dy + w[a, 2] * dz)
            t = min(max(t / dd, 0.0), 1.0) if dd > 0.0 else 0.0
            # Weights of both ends, so that a foot at a corner is that corner.
            gx = (1.0 - t) * w[a, 0] + t * w[b, 0]
            gy = (1.0 - t) * w[a, 1] + t * w[b, 1]
            gz = (1.0 - t) * w[a, 2] + t * w[b, 2]
            g = gx * gx + gy * gy + gz * gz
            if g < best:
                best = g
                x = gx
                y = gy
                z = gz
    w[0, 0] = px + x
    w[0, 1] = py + y
    w[0, 2] = pz + z
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
    boxes, tri, order, leaf, points, rank, limit, noise,
    stack, bound, w, distance, foot, number, begin, end,
):  # fmt: skip
    """Nearest triangle of points ``rank[begin..end-1]``, none if farther than ``limit``.

    ``rank`` (n,) int64 is the order in which points are taken. Fills ``distance`` (n,), ``foot``
    (n, 3) and ``number`` (n,), the caller's triangle; left alone where nothing is near.
    ``noise`` bounds the rounding error of a distance, so that ties are not lost to it. Scratch:
    ``stack`` (128,) int64, ``bound`` (128,), ``w`` (5, 3).
    """
    first_leaf = boxes.shape[0] // 2
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
            d2 = _nearest_on(tri, seed, x, y, z, w)
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
                d2 = _nearest_on(tri, i, x, y, z, w)
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
                foot[k, 0] = w[0, 0]
                foot[k, 1] = w[0, 1]
                foot[k, 2] = w[0, 2]
        if found >= 0:
            seed = found

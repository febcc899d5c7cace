"""Nearest point on a set of triangles, for many points.

Points are taken in blocks of up to ``LANES`` that lie close together, in the order made by
``curve_keys``. One tree (layout: ``geomcheck.kernels.tree``) is walked for a block at once, nearer
child first; every box and every triangle is asked about all points of the block in one loop
without branches, which the compiler turns into vector instructions. A node is dropped when its
box is farther from every point of the block than the best triangle that point has so far. A block
starts with the leaf its predecessor ended at. The answer to a point does not depend on the other
points, nor on the order they come in: the squared distance of a point and a triangle is always
computed in the same way, and ties go to the smallest number.

Arrays are handed to few functions, and to none that is called for a triangle: counting the
references to them costs more than the arithmetic.
"""

import numba
import numpy as np

LANES = 16  # points of a block
TERMS = 35  # numbers kept of a triangle
HELD = 256  # leaves whose terms are kept at hand
CELLS = 4095  # of the curve along each axis


@numba.njit(cache=True, nogil=True)
def curve_keys(points, low, scale, shift, keys, begin, end):
    """Sort keys of points begin..end-1: place along a Morton curve, then the point's number.

    ``scale`` is cells per mm, ``shift`` the bits of the number; at most 28.
    """
    for i in range(begin, end):
        code = np.uint64(0)
        for k in range(3):
            cell = np.int64((points[i, k] - low[k]) * scale)
            v = np.uint64(min(max(cell, 0), CELLS))
            v = (v | (v << np.uint64(16))) & np.uint64(0x0000FF0000FF)
            v = (v | (v << np.uint64(8))) & np.uint64(0x00F00F00F00F)
            v = (v | (v << np.uint64(4))) & np.uint64(0x0C30C30C30C3)
            v = (v | (v << np.uint64(2))) & np.uint64(0x249249249249)
            code |= v << np.uint64(k)
        keys[i] = (code << np.uint64(shift)) | np.uint64(i)


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
def _terms(tri, i, terms, row):
    """What ``_leaf`` needs of triangle ``i``, into ``terms[row]`` (TERMS,).

    Corners in the order of their coordinates (0..8), so that neighbours compute their common edge
    alike; edges 01, 02, 12 (9..17); for each edge a vector in the plane that points inwards
    across it (18..26); the unit normal (27..29); 1 / squared lengths of the edges (30..32); in 33
    a 1 if the corners lie so nearly in line that the normal says little.
    """
    for v in range(3):
        place = 0
        for o in range(3):
            first = o < v
            for k in range(3):
                if tri[i, o, k] != tri[i, v, k]:
                    first = tri[i, o, k] < tri[i, v, k]
                    break
            place += 3 if o != v and first else 0
        for k in range(3):
            terms[row, place + k] = tri[i, v, k]
    longest, e, product = -1.0, 0, 1.0
    for k in range(3):
        uu = 0.0
        for c in range(3):
            x = terms[row, (3 if k == 0 else 6) + c] - terms[row, (3 if k == 2 else 0) + c]
            terms[row, 9 + 3 * k + c] = x
            uu += x * x
        terms[row, 30 + k] = 1.0 / uu if uu > 0.0 else 0.0
        if uu > longest:
            product *= longest if longest >= 0.0 else 1.0
            longest, e = uu, k
        else:
            product *= uu
    # The normal by the two shorter edges; it is the same way round for any two.
    u = 12 if e == 0 else 9
    v = 12 if e == 2 else 15
    nn = 0.0
    for c in range(3):
        c1 = c + 1 if c < 2 else 0
        c2 = 3 - c - c1
        x = terms[row, u + c1] * terms[row, v + c2] - terms[row, u + c2] * terms[row, v + c1]
        terms[row, 27 + c] = x
        nn += x * x
    terms[row, 33] = 0.0 if nn > 0.01 * product else 1.0
    length = 1.0 / np.sqrt(nn) if nn > 0.0 else 0.0
    for c in range(3):
        terms[row, 27 + c] *= length
    for k in range(3):
        for c in range(3):
            c1 = c + 1 if c < 2 else 0
            c2 = 3 - c - c1
            x = terms[row, 27 + c1] * terms[row, 9 + 3 * k + c2]
            x -= terms[row, 27 + c2] * terms[row, 9 + 3 * k + c1]
            terms[row, 18 + 3 * k + c] = -x if k == 1 else x


@numba.njit(cache=True, nogil=True)
def _near(boxes, i, q, m):
    """How many of ``m`` points have box ``i`` within their squared reach."""
    x0, y0, z0 = boxes[i, 0], boxes[i, 1], boxes[i, 2]
    x1, y1, z1 = boxes[i, 3], boxes[i, 4], boxes[i, 5]
    count = 0
    for k in range(m):
        x = x0 - q[0, k]
        r = q[0, k] - x1
        x = r if r > x else x
        x = x if x > 0.0 else 0.0
        y = y0 - q[1, k]
        r = q[1, k] - y1
        y = r if r > y else y
        y = y if y > 0.0 else 0.0
        z = z0 - q[2, k]
        r = q[2, k] - z1
        z = r if r > z else z
        z = z if z > 0.0 else 0.0
        count += 1 if x * x + y * y + z * z <= q[4, k] else 0
    return count


@numba.njit(cache=True, nogil=True)
def _near_turned(frames, i, q, m):
    """As ``_near``, for the turned box of node ``i``."""
    cx, cy, cz = frames[i, 0], frames[i, 1], frames[i, 2]
    ux, uy, uz = frames[i, 3], frames[i, 4], frames[i, 5]
    vx, vy, vz = frames[i, 6], frames[i, 7], frames[i, 8]
    nx, ny, nz = frames[i, 9], frames[i, 10], frames[i, 11]
    hx, hy, hz = frames[i, 12], frames[i, 13], frames[i, 14]
    count = 0
    for k in range(m):
        x = q[0, k] - cx
        y = q[1, k] - cy
        z = q[2, k] - cz
        r = abs(x * ux + y * uy + z * uz) - hx
        r = r if r > 0.0 else 0.0
        gap = r * r
        r = abs(x * vx + y * vy + z * vz) - hy
        r = r if r > 0.0 else 0.0
        gap += r * r
        r = abs(x * nx + y * ny + z * nz) - hz
        r = r if r > 0.0 else 0.0
        gap += r * r
        count += 1 if gap <= q[4, k] else 0
    return count


@numba.njit(cache=True, nogil=True)
def _box_gap(boxes, i, x, y, z):
    """Squared distance of a point to box ``i``; inf if it holds nothing."""
    dx = max(boxes[i, 0] - x, x - boxes[i, 3], 0.0)
    dy = max(boxes[i, 1] - y, y - boxes[i, 4], 0.0)
    dz = max(boxes[i, 2] - z, z - boxes[i, 5], 0.0)
    return dx * dx + dy * dy + dz * dz


@numba.njit(cache=True, nogil=True)
def _leaf(tri, order, i0, i1, terms, row, q, found, m, noise, w, mx, my, mz, far):
    """Ask triangles i0..i1-1 of the block's points; how many were the nearest of one so far.

    One function for all of a leaf: handing arrays to a function costs more than a triangle does.
    """
    better = 0
    for i in range(i0, i1):
        t = row + i - i0
        x = max(terms[t, 0] - mx, mx - terms[t, 6], 0.0)
        y0, y1, y2 = terms[t, 1], terms[t, 4], terms[t, 7]
        z0, z1, z2 = terms[t, 2], terms[t, 5], terms[t, 8]
        y = max(min(y0, y1, y2) - my, my - max(y0, y1, y2), 0.0)
        z = max(min(z0, z1, z2) - mz, mz - max(z0, z1, z2), 0.0)
        if x * x + y * y + z * z > far:
            continue
        if terms[t, 33] != 0.0:
            for k in range(m):
                q[5, k] = _nearest_on(tri, i, q[0, k], q[1, k], q[2, k], w)
        else:
            ax, ay, az, bx, by, bz = (
                terms[t, 0],
                terms[t, 1],
                terms[t, 2],
                terms[t, 3],
                terms[t, 4],
                terms[t, 5],
            )
            cx, cy, cz, ux, uy, uz = (
                terms[t, 6],
                terms[t, 7],
                terms[t, 8],
                terms[t, 9],
                terms[t, 10],
                terms[t, 11],
            )
            vx, vy, vz, wx, wy, wz = (
                terms[t, 12],
                terms[t, 13],
                terms[t, 14],
                terms[t, 15],
                terms[t, 16],
                terms[t, 17],
            )
            fx, fy, fz, gx, gy, gz = (
                terms[t, 18],
                terms[t, 19],
                terms[t, 20],
                terms[t, 21],
                terms[t, 22],
                terms[t, 23],
            )
            hx, hy, hz, nx, ny, nz = (
                terms[t, 24],
                terms[t, 25],
                terms[t, 26],
                terms[t, 27],
                terms[t, 28],
                terms[t, 29],
            )
            iu, iv, iw = terms[t, 30], terms[t, 31], terms[t, 32]
            for k in range(m):
                x0 = q[0, k] - ax
                y0 = q[1, k] - ay
                z0 = q[2, k] - az
                x1 = q[0, k] - bx
                y1 = q[1, k] - by
                z1 = q[2, k] - bz
                x2 = q[0, k] - cx
                y2 = q[1, k] - cy
                z2 = q[2, k] - cz
                # Weights of both ends, so that a foot at a corner is that corner for both edges.
                s = (x0 * ux + y0 * uy + z0 * uz) * iu
                s = s if s > 0.0 else 0.0
                s = s if s < 1.0 else 1.0
                r = 1.0 - s
                x = r * x0 + s * x1
                y = r * y0 + s * y1
                z = r * z0 + s * z1
                least = x * x + y * y + z * z
                s = (x0 * vx + y0 * vy + z0 * vz) * iv
                s = s if s > 0.0 else 0.0
                s = s if s < 1.0 else 1.0
                r = 1.0 - s
                x = r * x0 + s * x2
                y = r * y0 + s * y2
                z = r * z0 + s * z2
                d = x * x + y * y + z * z
                least = d if d < least else least
                s = (x1 * wx + y1 * wy + z1 * wz) * iw
                s = s if s > 0.0 else 0.0
                s = s if s < 1.0 else 1.0
                r = 1.0 - s
                x = r * x1 + s * x2
                y = r * y1 + s * y2
                z = r * z1 + s * z2
                d = x * x + y * y + z * z
                least = d if d < least else least
                s = x0 * fx + y0 * fy + z0 * fz
                r = x0 * gx + y0 * gy + z0 * gz
                s = r if r < s else s
                r = x1 * hx + y1 * hy + z1 * hz
                s = r if r < s else s
                d = x0 * nx + y0 * ny + z0 * nz
                d = d * d
                d = d if d < least else least
                q[5, k] = d if s > 0.0 else least
        count = 0
        for k in range(m):
            count += 1 if q[5, k] <= q[3, k] else 0
        if count == 0:
            continue
        better += 1
        number = order[i]
        for k in range(m):
            d = q[5, k]
            if d < q[3, k] or (d == q[3, k] and number < found[1, k]):
                q[3, k] = d
                q[4, k] = (np.sqrt(d) + noise) ** 2
                found[0, k] = i
                found[1, k] = number
    return better


@numba.njit(cache=True, nogil=True)
def nearest(
    boxes, frames, tri, order, leaf, points, rank, limit, noise, room,
    stack, bound, q, found, terms, held, w, distance, foot, number, begin, end,
):  # fmt: skip
    """Nearest triangle of points ``rank[begin..end-1]``, none if farther than ``limit``.

    ``rank`` (n,) uint64 is the order in which points are taken. Fills ``distance`` (n,), ``foot``
    (n, 3) and ``number`` (n,), the caller's triangle; left alone where nothing is near.
    ``noise`` bounds the rounding error of a distance, so that ties are not lost to it. A block
    does not reach farther than ``room`` from its first point (more, far from the surface): points
    that have nothing in common are better asked alone. Scratch:
    ``stack`` (128,) int64, ``bound`` (128,), ``q`` (6, LANES), ``found`` (2, LANES) int64,
    ``terms`` (HELD * leaf, TERMS), ``held`` (HELD,) int64 of -1, ``w`` (5, 3).
    """
    first_leaf = boxes.shape[0] // 2
    seed = -1
    turned = frames.shape[0] > 0
    last = 0.0
    start, stop = begin, begin
    while stop < end:
        start = stop
        m = 0
        cx = cy = cz = 0.0
        room2 = (room + 0.1 * last) ** 2
        while stop < end and m < LANES:
            k = rank[stop]
            x, y, z = points[k, 0], points[k, 1], points[k, 2]
            if m > 0 and (x - q[0, 0]) ** 2 + (y - q[1, 0]) ** 2 + (z - q[2, 0]) ** 2 > room2:
                break
            q[0, m] = x
            q[1, m] = y
            q[2, m] = z
            q[3, m] = q[4, m] = (limit + noise) ** 2
            found[0, m] = -1
            found[1, m] = np.int64(9223372036854775807)
            cx += x
            cy += y
            cz += z
            m += 1
            stop += 1
        cx /= m
        cy /= m
        cz /= m
        wide = 0.0
        for k in range(m):
            wide = max(wide, (q[0, k] - cx) ** 2 + (q[1, k] - cy) ** 2 + (q[2, k] - cz) ** 2)
        wide = np.sqrt(wide) + noise
        far = (limit + noise + wide) ** 2
        stack[0] = 0
        bound[0] = 0.0
        top = 1
        if seed >= 0:
            # The seed, then its brother, its parent's brother and so on up to the root's child.
            top = 0
            node = seed
            while node > 0:
                node = (node - 1) // 2
                top += 1
            node = seed
            for level in range(top, 0, -1):
                brother = node + 1 if node % 2 == 1 else node - 1
                stack[level - 1] = brother
                bound[level - 1] = _box_gap(boxes, brother, cx, cy, cz)
                node = (node - 1) // 2
            stack[top] = seed
            bound[top] = 0.0
            top += 1
        while top > 0:
            top -= 1
            node = stack[top]
            if bound[top] > far:
                continue
            if _near(boxes, node, q, m) == 0:
                continue
            if turned and frames[node, 15] != 0.0 and _near_turned(frames, node, q, m) == 0:
                continue
            if node < first_leaf:
                a = 2 * node + 1
                gap1 = _box_gap(boxes, a, cx, cy, cz)
                gap2 = _box_gap(boxes, a + 1, cx, cy, cz)
                b = a
                if gap1 < gap2:
                    b = a + 1
                    gap1, gap2 = gap2, gap1
                # b is the farther one.
                if gap1 <= far:
                    stack[top] = b
                    bound[top] = gap1
                    top += 1
                if gap2 <= far:
                    stack[top] = 2 * a + 1 - b
                    bound[top] = gap2
                    top += 1
                continue
            i0 = (node - first_leaf) * leaf
            i1 = min(i0 + leaf, tri.shape[0])
            at = node % held.shape[0]
            if held[at] != node:
                for i in range(i0, i1):
                    _terms(tri, i, terms, at * leaf + i - i0)
                held[at] = node
            better = _leaf(
                tri, order, i0, i1, terms, at * leaf, q, found, m, noise, w, cx, cy, cz, far
            )
            if better > 0:
                far = 0.0
                for k in range(m):
                    far = max(far, q[4, k])
                far = (np.sqrt(far) + wide) ** 2
        for k in range(m):
            i = found[0, k]
            if i < 0:
                continue
            d = np.sqrt(_nearest_on(tri, i, q[0, k], q[1, k], q[2, k], w))
            if d > limit:
                continue
            seed = first_leaf + i // leaf
            last = d
            row = rank[start + k]
            distance[row] = d
            number[row] = order[i]
            foot[row, 0] = w[0, 0]
            foot[row, 1] = w[0, 1]
            foot[row, 2] = w[0, 2]

"""Least distance of two sets of triangles in many rigid poses of the second one.

Two trees (layout: ``geomcheck.kernels.tree``, turned boxes: ``geomcheck.kernels.frames``) stay as
they were built; each pose turns and shifts the second. A pair of nodes is dropped when their boxes
are farther apart than the best pair of triangles so far: the gap along the axes of either box is
a lower bound of the distance (three faces of each; the nine products of edges are left out). A
pose starts with the pair of leaves its predecessor ended at, and with the distance of two corners
that a short search finds near each other.

Pair of triangles: when they do not cross, the closest points are a vertex and a face, a vertex
and an edge, or the interiors of two edges; when they cross, an edge of one goes through the face
of the other. Signs are taken as float64 gives them: where rounding hides a crossing, the features
that make it are within rounding, and a distance up to ``noise`` is given as 0. Coordinates of a
placed part are not known better than that.
"""

import numba
import numpy as np

SAMPLE = 16  # corners of b that a first bound is looked for from
HELD = 512  # leaves whose terms are kept at hand
TERMS = 21  # of a triangle: corners (9), bounds (6), unit normal (3), extent along it (2), reach


@numba.njit(cache=True, nogil=True)
def _gap(boxes_a, na, boxes_b, nb, rec):
    """Squared distance of two nodes' boxes from below; inf if one holds nothing."""
    if boxes_a[na, 0] > boxes_a[na, 3] or boxes_b[nb, 0] > boxes_b[nb, 3]:
        return np.inf
    hx = 0.5 * (boxes_b[nb, 3] - boxes_b[nb, 0])
    hy = 0.5 * (boxes_b[nb, 4] - boxes_b[nb, 1])
    hz = 0.5 * (boxes_b[nb, 5] - boxes_b[nb, 2])
    mx = boxes_b[nb, 0] + hx
    my = boxes_b[nb, 1] + hy
    mz = boxes_b[nb, 2] + hz
    gx = 0.5 * (boxes_a[na, 3] - boxes_a[na, 0])
    gy = 0.5 * (boxes_a[na, 4] - boxes_a[na, 1])
    gz = 0.5 * (boxes_a[na, 5] - boxes_a[na, 2])
    x = rec[0] * mx + rec[1] * my + rec[2] * mz + rec[9] - boxes_a[na, 0] - gx
    y = rec[3] * mx + rec[4] * my + rec[5] * mz + rec[10] - boxes_a[na, 1] - gy
    z = rec[6] * mx + rec[7] * my + rec[8] * mz + rec[11] - boxes_a[na, 2] - gz
    r = abs(x) - gx - rec[12] * hx - rec[13] * hy - rec[14] * hz
    still = r * r if r > 0.0 else 0.0
    r = abs(y) - gy - rec[15] * hx - rec[16] * hy - rec[17] * hz
    still += r * r if r > 0.0 else 0.0
    r = abs(z) - gz - rec[18] * hx - rec[19] * hy - rec[20] * hz
    still += r * r if r > 0.0 else 0.0
    r = abs(rec[0] * x + rec[3] * y + rec[6] * z) - hx
    r -= rec[12] * gx + rec[15] * gy + rec[18] * gz
    moved = r * r if r > 0.0 else 0.0
    r = abs(rec[1] * x + rec[4] * y + rec[7] * z) - hy
    r -= rec[13] * gx + rec[16] * gy + rec[19] * gz
    moved += r * r if r > 0.0 else 0.0
    r = abs(rec[2] * x + rec[5] * y + rec[8] * z) - hz
    r -= rec[14] * gx + rec[17] * gy + rec[20] * gz
    moved += r * r if r > 0.0 else 0.0
    return max(still, moved)


@numba.njit(cache=True, nogil=True)
def _turned_gap(frames_a, na, frames_b, nb, rec):
    """As ``_gap``, for the turned boxes."""
    x, y, z = rec[9] - frames_a[na, 0], rec[10] - frames_a[na, 1], rec[11] - frames_a[na, 2]
    for c in range(3):
        m = frames_b[nb, c]
        x += rec[c] * m
        y += rec[3 + c] * m
        z += rec[6 + c] * m
    moved = 0.0
    r0, r1, r2 = frames_a[na, 12], frames_a[na, 13], frames_a[na, 14]
    g0, g1, g2 = r0, r1, r2
    for k in range(3):
        # Axis k of b where it is placed.
        e = 3 + 3 * k
        f0, f1, f2 = frames_b[nb, e], frames_b[nb, e + 1], frames_b[nb, e + 2]
        u = rec[0] * f0 + rec[1] * f1 + rec[2] * f2
        v = rec[3] * f0 + rec[4] * f1 + rec[5] * f2
        w = rec[6] * f0 + rec[7] * f1 + rec[8] * f2
        h = frames_b[nb, 12 + k]
        s0 = abs(frames_a[na, 3] * u + frames_a[na, 4] * v + frames_a[na, 5] * w)
        s1 = abs(frames_a[na, 6] * u + frames_a[na, 7] * v + frames_a[na, 8] * w)
        s2 = abs(frames_a[na, 9] * u + frames_a[na, 10] * v + frames_a[na, 11] * w)
        r0 += h * s0
        r1 += h * s1
        r2 += h * s2
        r = abs(u * x + v * y + w * z) - h - s0 * g0 - s1 * g1 - s2 * g2
        moved += r * r if r > 0.0 else 0.0
    r = abs(frames_a[na, 3] * x + frames_a[na, 4] * y + frames_a[na, 5] * z) - r0
    still = r * r if r > 0.0 else 0.0
    r = abs(frames_a[na, 6] * x + frames_a[na, 7] * y + frames_a[na, 8] * z) - r1
    still += r * r if r > 0.0 else 0.0
    r = abs(frames_a[na, 9] * x + frames_a[na, 10] * y + frames_a[na, 11] * z) - r2
    still += r * r if r > 0.0 else 0.0
    return max(still, moved)


@numba.njit(cache=True, nogil=True)
def _terms(tri, i, rec, terms, row):
    """Terms of triangle ``i``, placed, into ``terms[row]`` (TERMS,)."""
    for c in range(3):
        low, high = np.inf, -np.inf
        for v in range(3):
            x = rec[3 * c] * tri[i, v, 0] + rec[3 * c + 1] * tri[i, v, 1]
            x += rec[3 * c + 2] * tri[i, v, 2] + rec[9 + c]
            terms[row, 3 * v + c] = x
            low = x if x < low else low
            high = x if x > high else high
        terms[row, 9 + c] = low
        terms[row, 12 + c] = high
    nn = 0.0
    for c in range(3):
        e = c + 1 if c < 2 else 0
        f = 3 - c - e
        n = (terms[row, 3 + e] - terms[row, e]) * (terms[row, 6 + f] - terms[row, f])
        n -= (terms[row, 3 + f] - terms[row, f]) * (terms[row, 6 + e] - terms[row, e])
        terms[row, 15 + c] = n
        nn += n * n
    scale = 1.0 / np.sqrt(nn) if nn > 0.0 else 0.0
    low, high = np.inf, -np.inf
    for c in range(3):
        terms[row, 15 + c] *= scale
    for v in range(3):
        h = terms[row, 15] * terms[row, 3 * v] + terms[row, 16] * terms[row, 3 * v + 1]
        h += terms[row, 17] * terms[row, 3 * v + 2]
        low = h if h < low else low
        high = h if h > high else high
    terms[row, 18] = low
    terms[row, 19] = high


@numba.njit(cache=True, nogil=True)
def _plane_gap(s, i, t, j):
    """Gap of triangle ``t[j]`` from ``s[i]`` along the normal of that; negative if none."""
    n0, n1, n2 = s[i, 15], s[i, 16], s[i, 17]
    x = n0 * t[j, 0] + n1 * t[j, 1] + n2 * t[j, 2]
    y = n0 * t[j, 3] + n1 * t[j, 4] + n2 * t[j, 5]
    z = n0 * t[j, 6] + n1 * t[j, 7] + n2 * t[j, 8]
    low = x if x < y else y
    low = z if z < low else low
    high = x if x > y else y
    high = z if z > high else high
    return max(low - s[i, 19], s[i, 18] - high)


@numba.njit(cache=True, nogil=True)
def _pair(s, i, t, j, noise, w):
    """Squared distance of triangles ``s[i]`` and ``t[j]``; 0 if they cross.

    ``w`` (9, 3) gets the corners of both and the edges of one.
    """
    best = np.inf
    for side in range(2):
        for v in range(3):
            for c in range(3):
                w[v, c] = s[i, 3 * v + c] if side == 0 else t[j, 3 * v + c]
                w[3 + v, c] = t[j, 3 * v + c] if side == 0 else s[i, 3 * v + c]
        longest = 0.0
        for v in range(3):
            e = v + 1 if v < 2 else 0
            dd = 0.0
            for c in range(3):
                w[6 + v, c] = w[e, c] - w[v, c]
                dd += w[6 + v, c] * w[6 + v, c]
            longest = max(longest, dd)
        n0 = w[6, 1] * w[7, 2] - w[6, 2] * w[7, 1]
        n1 = w[6, 2] * w[7, 0] - w[6, 0] * w[7, 2]
        n2 = w[6, 0] * w[7, 1] - w[6, 1] * w[7, 0]
        nn = n0 * n0 + n1 * n1 + n2 * n2
        sliver = nn < 1e-12 * longest * longest
        for v in range(6):
            # Corners of the other triangle (0..2), then where its edges go through the plane.
            k = 3 + v if v < 3 else v
            x, y, z = w[k, 0], w[k, 1], w[k, 2]
            if v >= 3:
                e = v + 1 if v < 5 else 3
                h = n0 * (x - w[0, 0]) + n1 * (y - w[0, 1]) + n2 * (z - w[0, 2])
                g = n0 * (w[e, 0] - w[0, 0]) + n1 * (w[e, 1] - w[0, 1]) + n2 * (w[e, 2] - w[0, 2])
                if (h > 0.0) == (g > 0.0) or nn < 1e-24 * longest * longest:
                    continue
                f = h / (h - g)
                x += f * (w[e, 0] - x)
                y += f * (w[e, 1] - y)
                z += f * (w[e, 2] - z)
            least, total = np.inf, 0.0
            a = b = c0 = 0.0
            for e in range(3):
                p, q, r = x - w[e, 0], y - w[e, 1], z - w[e, 2]
                u0, u1, u2 = w[6 + e, 0], w[6 + e, 1], w[6 + e, 2]
                weight = n0 * (u1 * r - u2 * q) + n1 * (u2 * p - u0 * r) + n2 * (u0 * q - u1 * p)
                least = min(least, weight)
                total += weight
                a, b, c0 = b, c0, weight
                if v < 3 and (weight <= 0.0 or sliver):
                    dd = u0 * u0 + u1 * u1 + u2 * u2
                    f = u0 * p + u1 * q + u2 * r
                    f = min(max(f / dd, 0.0), 1.0) if dd > 0.0 else 0.0
                    p -= f * u0
                    q -= f * u1
                    r -= f * u2
                    best = min(best, p * p + q * q + r * r)
            if least >= 0.0 and total > 0.0:
                if v >= 3:
                    return 0.0
                # The weight of an edge belongs to the corner opposite to it.
                p = (b * w[0, 0] + c0 * w[1, 0] + a * w[2, 0]) / total - x
                q = (b * w[0, 1] + c0 * w[1, 1] + a * w[2, 1]) / total - y
                r = (b * w[0, 2] + c0 * w[1, 2] + a * w[2, 2]) / total - z
                best = min(best, p * p + q * q + r * r)
    for e in range(3):
        u0, u1, u2 = w[6 + e, 0], w[6 + e, 1], w[6 + e, 2]
        uu = u0 * u0 + u1 * u1 + u2 * u2
        for f in range(3):
            g = f + 4 if f < 2 else 3
            v0, v1, v2 = w[g, 0] - w[3 + f, 0], w[g, 1] - w[3 + f, 1], w[g, 2] - w[3 + f, 2]
            x, y, z = w[3 + f, 0] - w[e, 0], w[3 + f, 1] - w[e, 1], w[3 + f, 2] - w[e, 2]
            n0 = u1 * v2 - u2 * v1
            n1 = u2 * v0 - u0 * v2
            n2 = u0 * v1 - u1 * v0
            nn = n0 * n0 + n1 * n1 + n2 * n2
            h = x * n0 + y * n1 + z * n2
            vv = v0 * v0 + v1 * v1 + v2 * v2
            # 4e-26 times that bounds the square of the rounding error of h.
            if nn <= 0.0 or h * h > 1.0001 * best * nn + 4e-26 * (x * x + y * y + z * z) * uu * vv:
                continue
            a = (y * v2 - z * v1) * n0 + (z * v0 - x * v2) * n1 + (x * v1 - y * v0) * n2
            if a < 0.0 or a > nn:
                continue
            a /= nn
            # The foot on the other edge: on nearly parallel ones both points slide together.
            b = ((a * u0 - x) * v0 + (a * u1 - y) * v1 + (a * u2 - z) * v2) / vv
            b = min(max(b, 0.0), 1.0)
            x += b * v0 - a * u0
            y += b * v1 - a * u1
            z += b * v2 - a * u2
            best = min(best, x * x + y * y + z * z)
    return 0.0 if best <= noise * noise else best


@numba.njit(cache=True, nogil=True)
def _descend(boxes, tri, leaf, x, y, z, out):
    """Squared distance of a point from a corner near it, not always the nearest; into ``out``."""
    node = 0
    while node < boxes.shape[0] // 2:
        node = 2 * node + 1
        gap = middle = 0.0
        for c in range(3):
            p = x if c == 0 else y if c == 1 else z
            d = max(boxes[node, c] - p, p - boxes[node, 3 + c], 0.0)
            e = max(boxes[node + 1, c] - p, p - boxes[node + 1, 3 + c], 0.0)
            gap += d * d - e * e
            d = 0.5 * (boxes[node, c] + boxes[node, 3 + c]) - p
            e = 0.5 * (boxes[node + 1, c] + boxes[node + 1, 3 + c]) - p
            middle += d * d - e * e
        # Empty boxes are infinitely far; the first child of a node that holds something does too.
        if boxes[node + 1, 0] <= boxes[node + 1, 3] and (gap > 0.0 or (gap == 0.0 and middle > 0)):
            node += 1
    first = (node - boxes.shape[0] // 2) * leaf
    best = np.inf
    for i in range(first, min(first + leaf, tri.shape[0])):
        for v in range(3):
            d = (tri[i, v, 0] - x) ** 2 + (tri[i, v, 1] - y) ** 2 + (tri[i, v, 2] - z) ** 2
            if d < best:
                best = d
                out[0], out[1], out[2] = tri[i, v, 0], tri[i, v, 1], tri[i, v, 2]
    return best


@numba.njit(cache=True, nogil=True)
def _first_bound(boxes_a, tri_a, boxes_b, tri_b, leaf, rec, out):
    """Squared distance of two corners, one of each part: of a sample, then to and fro.

    The unit vector from the last one on b to that on a goes into ``rec[21:24]``.
    """
    best = np.inf
    x = y = z = 0.0
    for k in range(SAMPLE):
        i = k * tri_b.shape[0] // SAMPLE
        u, v, w = tri_b[i, 0, 0], tri_b[i, 0, 1], tri_b[i, 0, 2]
        p = rec[0] * u + rec[1] * v + rec[2] * w + rec[9]
        q = rec[3] * u + rec[4] * v + rec[5] * w + rec[10]
        r = rec[6] * u + rec[7] * v + rec[8] * w + rec[11]
        d2 = _descend(boxes_a, tri_a, leaf, p, q, r, out)
        if d2 < best:
            best = d2
            x, y, z = out[0], out[1], out[2]
    for _ in range(8):
        x -= rec[9]
        y -= rec[10]
        z -= rec[11]
        u = rec[0] * x + rec[3] * y + rec[6] * z
        v = rec[1] * x + rec[4] * y + rec[7] * z
        w = rec[2] * x + rec[5] * y + rec[8] * z
        d2 = _descend(boxes_b, tri_b, leaf, u, v, w, out)
        u, v, w = out[0], out[1], out[2]
        x = rec[0] * u + rec[1] * v + rec[2] * w + rec[9]
        y = rec[3] * u + rec[4] * v + rec[5] * w + rec[10]
        z = rec[6] * u + rec[7] * v + rec[8] * w + rec[11]
        d2 = _descend(boxes_a, tri_a, leaf, x, y, z, out)
        d = 1.0 / np.sqrt(d2) if d2 > 0.0 else 0.0
        rec[21] = d * (out[0] - x)
        rec[22] = d * (out[1] - y)
        rec[23] = d * (out[2] - z)
        x, y, z = out[0], out[1], out[2]
        if d2 >= 0.999 * best:
            break
        best = d2
    return best


@numba.njit(cache=True, nogil=True)
def walk(
    boxes_a, frames_a, tri_a, order_a, boxes_b, frames_b, tri_b, order_b, leaf, poses, cutoff,
    noise, still, rec, stack, bound, terms_a, held_a, terms_b, held_b, w,
    distance, number_a, number_b, begin, end,
):  # fmt: skip
    """Least distance of a and b in poses begin..end-1, none if farther than ``cutoff``.

    Parameters
    ----------
    boxes, frames, tri, order, leaf
        Of both trees.
    poses : (n, 3, 4) float64
        Maps of b's coordinates into a's; the first three columns turn.
    noise : float
        More than the rounding error of a distance; up to it one is 0.
    still : (21,) float64
        ``rec`` of a part that stays.
    rec, stack, bound, terms, held, w : arrays
        Scratch: (24,), (512, 2) int64, (512,), (HELD * leaf, TERMS), (HELD,) int64 of -1, (9, 3).
    distance, number_a, number_b : (n,)
        Filled where a pair is within the cutoff: mm, callers' triangles.

    Returns
    -------
    looked, pairs : int
        Pairs of nodes and of triangles looked at.
    """
    first_a, first_b = boxes_a.shape[0] // 2, boxes_b.shape[0] // 2
    last_a = last_b = -1
    looked = pairs = 0
    for pose in range(begin, end):
        for r in range(3):
            for c in range(3):
                rec[3 * r + c] = poses[pose, r, c]
                rec[12 + 3 * r + c] = abs(poses[pose, r, c])
            rec[9 + r] = poses[pose, r, 3]
        for k in range(HELD):
            held_b[k] = -1
        best = np.inf
        found_a = found_b = -1
        limit = cutoff
        rec[21] = rec[22] = rec[23] = 0.0
        if cutoff > 0.0:
            d = np.sqrt(_first_bound(boxes_a, tri_a, boxes_b, tri_b, leaf, rec, w[0]))
            limit = min(limit, d + 4.0 * noise)
        reach = (limit + noise) ** 2
        stack[0, 0] = stack[0, 1] = 0
        bound[0] = _gap(boxes_a, 0, boxes_b, 0, rec)
        top = 1
        if last_a >= 0:
            stack[1, 0], stack[1, 1] = last_a, last_b
            bound[1] = 0.0
            top = 2
        while top > 0 and best > 0.0:
            top -= 1
            if bound[top] > reach:
                continue
            na, nb = stack[top, 0], stack[top, 1]
            looked += 1
            thin = frames_a[na, 15] != 0.0 and frames_b[nb, 15] != 0.0
            if thin and _turned_gap(frames_a, na, frames_b, nb, rec) > reach:
                continue
            if na < first_a or nb < first_b:
                side_a = boxes_a[na, 3] - boxes_a[na, 0] + boxes_a[na, 4] - boxes_a[na, 1]
                side_a += boxes_a[na, 5] - boxes_a[na, 2]
                side_b = boxes_b[nb, 3] - boxes_b[nb, 0] + boxes_b[nb, 4] - boxes_b[nb, 1]
                side_b += boxes_b[nb, 5] - boxes_b[nb, 2]
                of_a = na < first_a and (nb >= first_b or side_a >= side_b)
                k = top
                for child in range(2):
                    ca = 2 * na + 1 + child if of_a else na
                    cb = nb if of_a else 2 * nb + 1 + child
                    gap = _gap(boxes_a, ca, boxes_b, cb, rec)
                    if gap > reach:
                        continue
                    if top > k and gap > bound[k]:
                        # The nearer one comes to lie on top.
                        stack[top, 0], stack[top, 1] = stack[k, 0], stack[k, 1]
                        bound[top] = bound[k]
                        stack[k, 0], stack[k, 1] = ca, cb
                        bound[k] = gap
                    else:
                        stack[top, 0], stack[top, 1] = ca, cb
                        bound[top] = gap
                    top += 1
                continue
            ka, kb = na % HELD, nb % HELD
            i0, j0 = (na - first_a) * leaf, (nb - first_b) * leaf
            count_a, count_b = min(leaf, tri_a.shape[0] - i0), min(leaf, tri_b.shape[0] - j0)
            if held_a[ka] != na:
                for i in range(count_a):
                    _terms(tri_a, i0 + i, still, terms_a, ka * leaf + i)
                held_a[ka] = na
            if held_b[kb] != nb:
                for j in range(count_b):
                    _terms(tri_b, j0 + j, rec, terms_b, kb * leaf + j)
                held_b[kb] = nb
            # How far each triangle reaches along the way from b to a: what lies within the limit.
            n0, n1, n2 = rec[21], rec[22], rec[23]
            foremost = -np.inf
            for j in range(kb * leaf, kb * leaf + count_b):
                x = n0 * terms_b[j, 0] + n1 * terms_b[j, 1] + n2 * terms_b[j, 2]
                y = n0 * terms_b[j, 3] + n1 * terms_b[j, 4] + n2 * terms_b[j, 5]
                z = n0 * terms_b[j, 6] + n1 * terms_b[j, 7] + n2 * terms_b[j, 8]
                x = y if y > x else x
                x = z if z > x else x
                terms_b[j, 20] = x
                foremost = x if x > foremost else foremost
            for i in range(ka * leaf, ka * leaf + count_a):
                x = n0 * terms_a[i, 0] + n1 * terms_a[i, 1] + n2 * terms_a[i, 2]
                y = n0 * terms_a[i, 3] + n1 * terms_a[i, 4] + n2 * terms_a[i, 5]
                z = n0 * terms_a[i, 6] + n1 * terms_a[i, 7] + n2 * terms_a[i, 8]
                x = y if y < x else x
                x = z if z < x else x
                if x - foremost > limit + 4.0 * noise:
                    continue
                for j in range(kb * leaf, kb * leaf + count_b):
                    if x - terms_b[j, 20] > limit + 4.0 * noise:
                        continue
                    d2 = 0.0
                    for c in range(9, 12):
                        d = terms_a[i, c] - terms_b[j, c + 3]
                        d = max(d, terms_b[j, c] - terms_a[i, c + 3])
                        d2 += d * d if d > 0.0 else 0.0
                    if d2 > reach or _plane_gap(terms_a, i, terms_b, j) > limit + 2.0 * noise:
                        continue
                    if _plane_gap(terms_b, j, terms_a, i) > limit + 2.0 * noise:
                        continue
                    pairs += 1
                    d2 = _pair(terms_a, i, terms_b, j, noise, w)
                    if d2 > best:
                        continue
                    ia = order_a[i0 + i - ka * leaf]
                    ib = order_b[j0 + j - kb * leaf]
                    if d2 == best and (ia > found_a or (ia == found_a and ib > found_b)):
                        continue
                    d = np.sqrt(d2)
                    if d > cutoff:
                        continue
                    best = d2
                    limit = min(limit, d)
                    reach = (limit + noise) ** 2
                    found_a, found_b = ia, ib
                    last_a, last_b = na, nb
        if found_a >= 0:
            distance[pose] = np.sqrt(best)
            number_a[pose] = found_a
            number_b[pose] = found_b
    return looked, pairs

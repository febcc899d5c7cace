"""Pairs of triangles whose interiors really cross, decided without error.

Signs of volumes (orient3d) are taken from float64 arithmetic when they stand clear of its error
bound, and from exact expansions otherwise (Shewchuk 1997, "Adaptive precision floating-point
arithmetic and fast robust geometric predicates": two-sum, two-product, grow-expansion; the bound
is his first-stage bound, rounded up). The overlap of the two chords on the line where the planes
meet is decided by two further signs (Guigue & Devillers 2003, "Fast and robust triangle-triangle
overlap test using orientation predicates"). Coordinates and their triple products must stay
within the range of float64; millimetres do.
"""

import numba
import numpy as np

APART = 0
MEETS = 1  # common points, but the interiors do not cross
CROSSES = 2
FLAT = 3  # coplanar, or a triangle without area: signs of volumes do not tell

_BOUND = 1e-15  # Shewchuk's (7 + 56 eps) eps is 7.8e-16
_SPLIT = 134217729.0  # 2^27 + 1


@numba.njit(cache=True, nogil=True)
def _add(h, m, b):
    """Add ``b`` to the expansion ``h[:m]``; returns the new length."""
    k = 0
    q = b
    for i in range(m):
        x = q + h[i]
        t = x - q
        y = (q - (x - t)) + (h[i] - t)
        q = x
        if y != 0.0:
            h[k] = y
            k += 1
    if q != 0.0:
        h[k] = q
        k += 1
    return k


@numba.njit(cache=True, nogil=True)
def _times(a, b):
    """Product of two numbers as high and low part, without error."""
    x = a * b
    t = _SPLIT * a
    ah = t - (t - a)
    al = a - ah
    t = _SPLIT * b
    bh = t - (t - b)
    bl = b - bh
    return x, al * bl - (((x - ah * bh) - al * bh) - ah * bl)


@numba.njit(cache=True, nogil=True)
def _exact(d, h):
    """Sign of the determinant of the rows ``d[k, 0] + d[k, 1]`` (k = 0..2), without error."""
    m = np.int64(0)  # a plain 0 is a type of its own: _add would be compiled twice
    for term in range(48):
        # Row 0 column i, row 1 column j, row 2 column k; each difference is high + low.
        i = term % 3
        odd = term % 2
        bits = term // 6
        x = d[0, bits & 1, i]
        y = d[1, (bits >> 1) & 1, (i + 1 + odd) % 3]
        z = d[2, bits >> 2, (i + 2 - odd) % 3]
        if x == 0.0 or y == 0.0 or z == 0.0:
            continue
        high, low = _times(-x if odd else x, y)
        a0, a1 = _times(high, z)
        b0, b1 = _times(low, z)
        for part in range(4):
            m = _add(h, m, b1 if part == 0 else (b0 if part == 1 else (a1 if part == 2 else a0)))
    if m == 0:
        return 0
    return 1 if h[m - 1] > 0.0 else -1


@numba.njit(cache=True, nogil=True)
def _side(t, a, b, c, p, d, h):
    """Sign of the volume (b - a) x (c - a) . (p - a); points are rows of ``t``."""
    for k in range(3):
        x = t[a, k]
        for row in range(3):
            y = t[b, k] if row == 0 else (t[c, k] if row == 1 else t[p, k])
            v = y - x
            w = v - y  # two-diff (Shewchuk)
            d[row, 0, k] = v
            d[row, 1, k] = (y - (v - w)) - (x + w)
    yz = d[1, 0, 1] * d[2, 0, 2]
    zy = d[1, 0, 2] * d[2, 0, 1]
    zx = d[1, 0, 2] * d[2, 0, 0]
    xz = d[1, 0, 0] * d[2, 0, 2]
    xy = d[1, 0, 0] * d[2, 0, 1]
    yx = d[1, 0, 1] * d[2, 0, 0]
    det = d[0, 0, 0] * (yz - zy) + d[0, 0, 1] * (zx - xz) + d[0, 0, 2] * (xy - yx)
    size = (
        abs(d[0, 0, 0]) * (abs(yz) + abs(zy))
        + abs(d[0, 0, 1]) * (abs(zx) + abs(xz))
        + abs(d[0, 0, 2]) * (abs(xy) + abs(yx))
    )
    if det > _BOUND * size:
        return 1
    if det < -_BOUND * size:
        return -1
    if size == 0.0:
        # Every product has a zero factor in the high parts, and then in the low parts too.
        return 0
    return _exact(d, h)


@numba.njit(cache=True, nogil=True)
def _alone(s):
    """Vertex that stands alone on its side, and its sign (signs are not all zero)."""
    plus = (s[0] > 0) + (s[1] > 0) + (s[2] > 0)
    minus = (s[0] < 0) + (s[1] < 0) + (s[2] < 0)
    sign = 1
    if plus == 1 and minus != 1:
        sign = 1
    elif minus == 1 and plus != 1:
        sign = -1
    elif plus == 1:  # one above, one below, one on the plane
        sign = 1
    else:  # two on one side, one on the plane: that one is alone on the other, closed, side
        for k in range(3):
            if s[k] == 0:
                return k, (-1 if plus > 0 else 1)
    for k in range(3):
        if s[k] == sign:
            return k, sign
    return 0, 0


@numba.njit(cache=True, nogil=True)
def _classify(t, s, z, d, h):
    """How triangles ``t[0:3]`` and ``t[3:6]`` lie to each other."""
    touching = False
    # One call of _side in a loop: the compiler copies it in wherever it is called.
    a, b, c = 3, 4, 5
    p1 = q1 = r1 = p2 = q2 = r2 = 0
    for step in range(8):
        p = step
        if step == 3:
            a, b, c = 0, 1, 2
        elif step == 6:
            i, above = _alone(s)
            j, beyond = _alone(z)
            # Name the vertices so that each lone one is on the positive side of the other's plane.
            p1 = i
            q1 = (i + 1) % 3 if beyond > 0 else (i + 2) % 3
            r1 = (i + 2) % 3 if beyond > 0 else (i + 1) % 3
            p2 = 3 + j
            q2 = 3 + ((j + 1) % 3 if above > 0 else (j + 2) % 3)
            r2 = 3 + ((j + 2) % 3 if above > 0 else (j + 1) % 3)
            a, b, c, p = p1, q1, p2, q2
        elif step == 7:
            a, b, c, p = p1, r1, r2, p2
        sign = _side(t, a, b, c, p, d, h)
        if step < 3:
            s[step] = sign
            if step == 2 and s[0] == s[1] == s[2] != 0:
                return APART
        elif step < 6:
            z[step - 3] = sign
            if step == 5:
                if z[0] == z[1] == z[2] != 0:
                    return APART
                if s[0] == s[1] == s[2] or z[0] == z[1] == z[2]:
                    return FLAT
        elif sign > 0:
            return APART
        elif sign == 0:
            touching = True
    straddles = min(s[0], s[1], s[2]) < 0 < max(s[0], s[1], s[2])
    straddled = min(z[0], z[1], z[2]) < 0 < max(z[0], z[1], z[2])
    if straddles and straddled and not touching:
        return CROSSES
    return MEETS


@numba.njit(cache=True, nogil=True)
def _segment(t, s, z, w):
    """Segment common to two crossing triangles into ``w[7:9]``; returns the crossing's depth.

    Each triangle has two points where its edges go through the other's plane. Of these four the
    middle two along the common line are the ends. The depth is the least amount by which either
    triangle reaches through the other's plane, or the segment's length if that is less.
    """
    depth = np.inf
    count = 0
    for side in range(2):
        base = 3 * side
        other = 3 - base
        for c in range(3):
            e = (c + 1) % 3
            f = (c + 2) % 3
            w[side, c] = (t[other + 1, e] - t[other, e]) * (t[other + 2, f] - t[other, f]) - (
                t[other + 1, f] - t[other, f]
            ) * (t[other + 2, e] - t[other, e])
        length = np.sqrt(w[side, 0] ** 2 + w[side, 1] ** 2 + w[side, 2] ** 2)
        signs = s if side == 0 else z
        above = 0.0
        below = 0.0
        for k in range(3):
            a = 0.0
            for c in range(3):
                a += w[side, c] * (t[base + k, c] - t[other, c])
            # The exact sign rules; a float of the other sign is rounding.
            a = a if a * signs[k] > 0 else 0.0
            w[2, k] = a
            above = max(above, a)
            below = max(below, -a)
        depth = min(depth, min(above, below) / length if length > 0.0 else 0.0)
        done = 0
        for k in range(3):
            m = (k + 1) % 3
            if done < 2 and (signs[k] == 0 or signs[k] * signs[m] < 0):
                gap = w[2, k] - w[2, m]
                share = 0.0 if signs[k] == 0 or gap == 0.0 else w[2, k] / gap
                for c in range(3):
                    w[3 + count, c] = t[base + k, c] + share * (t[base + m, c] - t[base + k, c])
                count += 1
                done += 1
    low = high = -1  # the ends of the four
    least = np.inf
    most = -np.inf
    for k in range(4):
        along = 0.0
        for c in range(3):
            e = (c + 1) % 3
            f = (c + 2) % 3
            along += (w[0, e] * w[1, f] - w[0, f] * w[1, e]) * w[3 + k, c]
        if along < least:
            least = along
            low = k
        if along >= most:
            most = along
            high = k
    length = 0.0
    side = 0
    for k in range(4):
        if k not in (low, high) and side < 2:
            for c in range(3):
                w[7 + side, c] = w[3 + k, c]
            side += 1
    for c in range(3):
        length += (w[8, c] - w[7, c]) ** 2
    return min(depth, np.sqrt(length))


@numba.njit(cache=True, nogil=True)
def classify(ta, tb, t, s, z, d, h, kinds):
    """Kind of each pair ``ta[k]``, ``tb[k]`` (k, 3, 3) into ``kinds`` (k,); scratch as ``find``."""
    for k in range(ta.shape[0]):
        for v in range(3):
            for c in range(3):
                t[v, c] = ta[k, v, c]
                t[3 + v, c] = tb[k, v, c]
        kinds[k] = _classify(t, s, z, d, h)


@numba.njit(cache=True, nogil=True)
def _meet(a, i, b, j):
    """Whether two boxes have a common point."""
    gap = -np.inf
    for c in range(3):
        gap = max(gap, max(a[i, c] - b[j, 3 + c], b[j, c] - a[i, 3 + c]))
    return gap <= 0.0


@numba.njit(cache=True, nogil=True)
def find(
    boxes_a, tri_a, boxes_b, tri_b, leaf, noise, t, s, z, d, h, w, inner, stack, pairs, segments
):  # fmt: skip
    """Crossing pairs of two trees, as sorted numbers.

    A crossing no deeper, or no longer, than ``noise`` (mm) is left out. ``pairs`` (m, 2) int64
    and ``segments`` (m, 2, 3) are filled; returns how many there are, more than m if they did not
    all fit. Scratch: ``t`` (6, 3), ``s`` and ``z`` (3,) int64, ``d`` (3, 2, 3),
    ``h`` (200,), ``w`` (9, 3), ``inner`` (leaf + 1, 6), ``stack`` (256, 2) int64.
    """
    nodes_a = boxes_a.shape[0]
    nodes_b = boxes_b.shape[0]
    first_a = nodes_a // 2
    first_b = nodes_b // 2
    found = 0
    stack[0, 0] = 0
    stack[0, 1] = 0
    top = 1 if _meet(boxes_a, np.int64(0), boxes_b, np.int64(0)) else 0
    while top > 0:
        top -= 1
        na = stack[top, 0]
        nb = stack[top, 1]
        if na < first_a or nb < first_b:
            side = 0.0
            for c in range(3):
                side += boxes_a[na, 3 + c] - boxes_a[na, c] - boxes_b[nb, 3 + c] + boxes_b[nb, c]
            in_a = nb >= first_b or (na < first_a and side >= 0.0)
            for child in range(1, 3):
                ca = 2 * na + child if in_a else na
                cb = nb if in_a else 2 * nb + child
                if _meet(boxes_a, ca, boxes_b, cb):
                    stack[top, 0] = ca
                    stack[top, 1] = cb
                    top += 1
            continue
        i0 = (na - first_a) * leaf
        j0 = (nb - first_b) * leaf
        i1 = min(i0 + leaf, tri_a.shape[0])
        j1 = min(j0 + leaf, tri_b.shape[0])
        for j in range(j0, j1):
            for c in range(3):
                inner[j - j0, c] = min(tri_b[j, 0, c], tri_b[j, 1, c], tri_b[j, 2, c])
                inner[j - j0, 3 + c] = max(tri_b[j, 0, c], tri_b[j, 1, c], tri_b[j, 2, c])
        for i in range(i0, i1):
            for c in range(3):
                inner[leaf, c] = min(tri_a[i, 0, c], tri_a[i, 1, c], tri_a[i, 2, c])
                inner[leaf, 3 + c] = max(tri_a[i, 0, c], tri_a[i, 1, c], tri_a[i, 2, c])
            if not _meet(inner, leaf, boxes_b, nb):
                continue
            for v in range(3):
                for c in range(3):
                    t[v, c] = tri_a[i, v, c]
            for j in range(j0, j1):
                if not _meet(inner, leaf, inner, j - j0):
                    continue
                for v in range(3):
                    for c in range(3):
                        t[3 + v, c] = tri_b[j, v, c]
                if _classify(t, s, z, d, h) != CROSSES:
                    continue
                if _segment(t, s, z, w) <= noise:
                    continue
                if found < pairs.shape[0]:
                    pairs[found, 0] = i
                    pairs[found, 1] = j
                    for c in range(3):
                        segments[found, 0, c] = w[7, c]
                        segments[found, 1, c] = w[8, c]
                found += 1
    return found

"""Least distance between two sets of triangles, and which triangles are within a distance.

Two trees (layout: ``geomcheck.kernels.tree``) are walked together, nearer pairs of nodes first; a
pair of nodes whose boxes are farther apart than the best pair of triangles so far is dropped.

Pair of triangles: when they do not cross, the closest points are a vertex and a face, a vertex
and an edge, or the interiors of two edges (all are tried); when they cross, an edge of one goes
through the other, which is decided by the signs of volumes with a bound on their rounding error.
A pair that bound leaves open, with features so close that it may cross, goes on a list for
``geomcheck.kernels.crossings`` to decide exactly.

Edge to edge uses the common normal n of the edges (s = r x d2 . n / |n|^2, as in any text on skew
lines), not the 2 x 2 normal equations, which lose half the digits on nearly parallel edges. A
plane through its two shorter sides stands for a triangle: needles stay well conditioned. Distances
are right to a few roundings of the coordinates: ``noise``, up to which one is given as 0.
"""

import numba
import numpy as np

_EPS = 4e-15  # bounds the rounding of the volumes below, relative to the product of lengths


@numba.njit(cache=True, nogil=True)
def _triangle_terms(p, u, n):
    """Edges ``u`` and normal ``n`` (by the two shorter edges) of triangle ``p``.

    Returns |n|^2, the vertex the two shorter edges share, the product of their squared lengths,
    and the longest squared edge.
    """
    longest, k, product = -1.0, 0, 1.0
    for e in range(3):
        f = (e + 1) % 3
        uu = 0.0
        for c in range(3):
            u[e, c] = p[f, c] - p[e, c]
            uu += u[e, c] * u[e, c]
        if uu > longest:
            if longest >= 0.0:
                product *= longest
            longest, k = uu, e
        else:
            product *= uu
    a, b = (k + 1) % 3, (k + 2) % 3
    n[0] = u[a, 1] * u[b, 2] - u[a, 2] * u[b, 1]
    n[1] = u[a, 2] * u[b, 0] - u[a, 0] * u[b, 2]
    n[2] = u[a, 0] * u[b, 1] - u[a, 1] * u[b, 0]
    return n[0] * n[0] + n[1] * n[1] + n[2] * n[2], b, product, longest


@numba.njit(cache=True, nogil=True)
def _heights(p, ref, n, q, product, longest, s):
    """Heights of vertices ``q`` over the plane of ``p``, times |n|; a bound on the error of all."""
    far = longest
    for j in range(3):
        h = r = 0.0
        for c in range(3):
            d = q[j, c] - p[ref, c]
            h += n[c] * d
            r += d * d
        s[j] = h
        far = max(far, r)
    return _EPS * np.sqrt(product * far)


@numba.njit(cache=True, nogil=True)
def _vertices_to_face(p, u, n, nn, longest, q, s, error, best, out, swap):
    """Nearest of the vertices ``q`` to the triangle ``p``, edges and corners of ``p`` included.

    ``swap``: where in ``out`` the point on ``p`` goes, 0 or 3. ``out[8:11]``: weight in the foot
    of the corner opposite each edge; ``out[11:14]``: of each corner in the point at hand.
    """
    sliver = nn < 1e-12 * longest * longest
    for j in range(3):
        height = abs(s[j]) - 2.0 * error
        if height > 0.0 and height * height > 1.0001 * best * nn:
            continue
        total, least = 0.0, np.inf
        for e in range(3):
            x, y, z = q[j, 0] - p[e, 0], q[j, 1] - p[e, 1], q[j, 2] - p[e, 2]
            m = n[0] * (u[e, 1] * z - u[e, 2] * y)
            m += n[1] * (u[e, 2] * x - u[e, 0] * z)
            m += n[2] * (u[e, 0] * y - u[e, 1] * x)
            out[8 + e] = m
            total += m
            least = min(least, m)
        inside = least >= 0.0 and total > 0.0
        for e in range(4):
            if e == 3:
                if not inside:
                    continue
                for k in range(3):
                    out[11 + (k + 2) % 3] = out[8 + k] / total
            else:
                if not sliver and (inside or out[8 + e] > 0.0):
                    continue
                uu = t = 0.0
                for c in range(3):
                    uu += u[e, c] * u[e, c]
                    t += u[e, c] * (q[j, c] - p[e, c])
                t = min(max(t / uu, 0.0), 1.0) if uu > 0.0 else 0.0
                out[11 + e] = 1.0 - t
                out[11 + (e + 1) % 3] = t
                out[11 + (e + 2) % 3] = 0.0
            d2 = 0.0
            for c in range(3):
                x = out[11] * p[0, c] + out[12] * p[1, c] + out[13] * p[2, c]
                out[14 + c] = x
                d2 += (x - q[j, c]) * (x - q[j, c])
            if d2 < best:
                best = d2
                for c in range(3):
                    out[c + swap] = out[14 + c]
                    out[c + 3 - swap] = q[j, c]
    return best


@numba.njit(cache=True, nogil=True)
def _edges_to_edges(p, u, q, v, best, out):
    """Nearest interior points of two edges; ends are left to ``_vertices_to_face``."""
    for e in range(3):
        ux, uy, uz = u[e, 0], u[e, 1], u[e, 2]
        uu = ux * ux + uy * uy + uz * uz
        for f in range(3):
            vx, vy, vz = v[f, 0], v[f, 1], v[f, 2]
            nx = uy * vz - uz * vy
            ny = uz * vx - ux * vz
            nz = ux * vy - uy * vx
            nn = nx * nx + ny * ny + nz * nz
            rx, ry, rz = q[f, 0] - p[e, 0], q[f, 1] - p[e, 1], q[f, 2] - p[e, 2]
            h = rx * nx + ry * ny + rz * nz
            vv = vx * vx + vy * vy + vz * vz
            rounding = 4e-26 * (rx * rx + ry * ry + rz * rz) * uu * vv
            if nn <= 0.0 or h * h > 1.0001 * best * nn + rounding:
                continue
            s = (ry * vz - rz * vy) * nx + (rz * vx - rx * vz) * ny + (rx * vy - ry * vx) * nz
            if s < 0.0 or s > nn:
                continue
            s /= nn
            # The foot on the other edge, not a formula like that for s: on nearly parallel edges
            # the error of s slides both points along, and must slide them together.
            t = ((s * ux - rx) * vx + (s * uy - ry) * vy + (s * uz - rz) * vz) / vv
            t = min(max(t, 0.0), 1.0)
            d2 = 0.0
            for c in range(3):
                out[14 + c] = p[e, c] + s * u[e, c]
                out[17 + c] = q[f, c] + t * v[f, c]
                d2 += (out[14 + c] - out[17 + c]) ** 2
            if d2 < best:
                best = d2
                for c in range(6):
                    out[c] = out[14 + c]
    return best


@numba.njit(cache=True, nogil=True)
def _pierced(p, u, longest, q, v, s, error, out):
    """Whether an edge of ``q`` goes through ``p``: 1 yes (point in ``out``), 0 no, -1 unsure."""
    answer = 0
    for j in range(3):
        k = (j + 1) % 3
        if (s[j] > error and s[k] > error) or (s[j] < -error and s[k] < -error):
            continue
        low, high, far = np.inf, -np.inf, 0.0
        dd = v[j, 0] * v[j, 0] + v[j, 1] * v[j, 1] + v[j, 2] * v[j, 2]
        for e in range(3):
            x, y, z = p[e, 0] - q[j, 0], p[e, 1] - q[j, 1], p[e, 2] - q[j, 2]
            far = max(far, x * x + y * y + z * z)
            volume = (
                v[j, 0] * (y * u[e, 2] - z * u[e, 1])
                + v[j, 1] * (z * u[e, 0] - x * u[e, 2])
                + v[j, 2] * (x * u[e, 1] - y * u[e, 0])
            )
            low, high = min(low, volume), max(high, volume)
        bound = _EPS * np.sqrt(dd * far * longest)
        if low < -bound and high > bound:
            continue
        across = (s[j] > error and s[k] < -error) or (s[j] < -error and s[k] > error)
        if across and (low > bound or high < -bound):
            t = s[j] / (s[j] - s[k])
            for c in range(3):
                out[c] = q[j, c] + t * v[j, c]
                out[3 + c] = out[c]
            return 1
        answer = -1
    return answer


@numba.njit(cache=True, nogil=True)
def _pair(ta, i, tb, j, overlap, limit, noise, w, out):
    """Squared distance of triangles ``ta[i]`` and ``tb[j]`` if it is at most ``limit``, else inf.

    ``overlap``: their boxes meet, so that they may cross. ``out`` gets both points, and in
    ``out[6]`` whether the pair may cross all the same; ``w`` is scratch.
    """
    p, q, u, v = w[0:3], w[3:6], w[6:9], w[9:12]
    n, o, s, z = w[12], w[13], w[14], w[15]
    for k in range(3):
        for c in range(3):
            p[k, c], q[k, c] = ta[i, k, c], tb[j, k, c]
    out[6] = 0.0
    nn, ref, product, long_a = _triangle_terms(p, u, n)
    error_q = _heights(p, ref, n, q, product, long_a, s)
    oo, ref, product, long_b = _triangle_terms(q, v, o)
    error_p = _heights(q, ref, o, p, product, long_b, z)
    unsure = False
    above = max(min(min(s[0], s[1]), s[2]), -max(max(s[0], s[1]), s[2])) - error_q
    beyond = max(min(min(z[0], z[1]), z[2]), -max(max(z[0], z[1]), z[2])) - error_p
    if overlap and above <= 0.0 and beyond <= 0.0:
        first = _pierced(p, u, long_a, q, v, s, error_q, out)
        if first == 1:
            return 0.0
        second = _pierced(q, v, long_b, p, u, z, error_p, out)
        if second == 1:
            return 0.0
        unsure = first + second < 0
    # Anything up to the limit counts, ties with the best pair included.
    start = limit * (1.0 + 1e-15)
    best = _vertices_to_face(p, u, n, nn, long_a, q, s, error_q, start, out, np.int64(0))
    best = _vertices_to_face(q, v, o, oo, long_b, p, z, error_p, best, out, np.int64(3))
    best = _edges_to_edges(p, u, q, v, best, out)
    if best <= noise * noise and best < start:
        for c in range(3):
            out[3 + c] = out[c]
        return 0.0
    if unsure and min(best, start) <= 1e-12 * max(long_a, long_b):
        out[6] = 1.0
    return best if best < start else np.inf


@numba.njit(cache=True, nogil=True)
def _box_gap(a, i, b, j):
    """Squared distance of box ``a[i]`` and box ``b[j]``; inf if one holds nothing."""
    x = max(a[i, 0] - b[j, 3], b[j, 0] - a[i, 3], 0.0)
    y = max(a[i, 1] - b[j, 4], b[j, 1] - a[i, 4], 0.0)
    z = max(a[i, 2] - b[j, 5], b[j, 2] - a[i, 5], 0.0)
    return x * x + y * y + z * z


@numba.njit(cache=True, nogil=True)
def _leaf_terms(tri, first, count, noise, t):
    """What a leaf is compared by, into ``t`` (192,): rows of 8, one column a triangle.

    Rows: 0-5 box along the leaf's own axes, 6-8 normal, 9 and 10 extent along it, 11-19 corners.
    Row 20 holds the leaf's origin, 21-23 its axes: one edge, and across it and the mean normal.
    Loops run to ``count``: short loops of a known length are unrolled, not turned into vector code.
    """
    for j in range(count):
        for k in range(9):
            t[88 + 8 * k + j] = tri[first + j, k // 3, k % 3]
    for j in range(count):
        x, y, z = t[88 + j], t[96 + j], t[104 + j]
        ux, uy, uz = t[112 + j] - x, t[120 + j] - y, t[128 + j] - z
        vx, vy, vz = t[136 + j] - x, t[144 + j] - y, t[152 + j] - z
        a, b, c = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(a * a + b * b + c * c)
        scale = 1.0 / length if length > 1e-140 else 0.0  # less is no direction
        t[j], t[8 + j], t[16 + j] = a, b, c
        a, b, c = a * scale, b * scale, c * scale
        t[48 + j], t[56 + j], t[64 + j] = a, b, c
        p = a * x + b * y + c * z
        q = a * t[112 + j] + b * t[120 + j] + c * t[128 + j]
        r = a * t[136 + j] + b * t[144 + j] + c * t[152 + j]
        t[72 + j], t[80 + j] = min(min(p, q), r), max(max(p, q), r)
    x, y, z = t[88], t[96], t[104]
    ex, ey, ez = t[112] - x, t[120] - y, t[128] - z
    a = b = c = 0.0
    for j in range(count):
        a, b, c = a + t[j], b + t[8 + j], c + t[16 + j]
    ux, uy, uz = b * ez - c * ey, c * ex - a * ez, a * ey - b * ex
    ee, uu = ex * ex + ey * ey + ez * ez, ux * ux + uy * uy + uz * uz
    if uu > 0.01 * (a * a + b * b + c * c) * ee:
        p, q = np.sqrt(ee), np.sqrt(uu)
        ex, ey, ez, ux, uy, uz = ex / p, ey / p, ez / p, ux / q, uy / q, uz / q
    else:  # no area, or turned too far: axes of coordinates
        ex, ey, ez, ux, uy, uz = 1.0, 0.0, 0.0, 0.0, 1.0, 0.0
    t[160], t[161], t[162], t[168], t[169], t[170] = x, y, z, ex, ey, ez
    t[176], t[177], t[178], t[184] = ux, uy, uz, ey * uz - ez * uy
    t[185], t[186] = ez * ux - ex * uz, ex * uy - ey * ux
    _turn(t, t, 4.0 * noise, t, count)  # more than the rounding here and of the other leaf


@numba.njit(cache=True, nogil=True)
def _turn(a, b, wider, box, count):
    """Boxes of the triangles of terms ``b`` along the axes of terms ``a``."""
    x, y, z = a[160], a[161], a[162]
    for k in range(3):
        fx, fy, fz = a[168 + 8 * k], a[169 + 8 * k], a[170 + 8 * k]
        for j in range(count):
            p = fx * (b[88 + j] - x) + fy * (b[96 + j] - y) + fz * (b[104 + j] - z)
            q = fx * (b[112 + j] - x) + fy * (b[120 + j] - y) + fz * (b[128 + j] - z)
            r = fx * (b[136 + j] - x) + fy * (b[144 + j] - y) + fz * (b[152 + j] - z)
            box[8 * k + j] = min(min(p, q), r) - wider
            box[24 + 8 * k + j] = max(max(p, q), r) + wider


@numba.njit(cache=True, nogil=True)
def _in_reach(a, count_a, box, count_b, reach, gaps, hits):
    """How many pairs of triangles have boxes in reach of each other; numbers to ``hits``.

    Pair ``8 * i + j``; ``gaps`` gets the squared distances of the boxes of all pairs.
    """
    for i in range(count_a):
        x0, y0, z0, x1, y1, z1 = a[i], a[8 + i], a[16 + i], a[24 + i], a[32 + i], a[40 + i]
        row = 8 * i
        for j in range(count_b):
            x = max(max(x0 - box[24 + j], box[j] - x1), 0.0)
            y = max(max(y0 - box[32 + j], box[8 + j] - y1), 0.0)
            z = max(max(z0 - box[40 + j], box[16 + j] - z1), 0.0)
            gaps[row + j] = x * x + y * y + z * z
    found = 0
    for i in range(count_a):
        for k in range(8 * i, 8 * i + count_b):
            hits[found] = k  # no branch: it would be guessed wrong too often
            found += 1 if gaps[k] <= reach else 0
    return found


@numba.njit(cache=True, nogil=True)
def _plane_gap(t, k, tri, j):
    """Gap of triangle ``j`` from triangle ``k`` of terms ``t``, along the normal of that."""
    a, b, c = t[48 + k], t[56 + k], t[64 + k]
    x = a * tri[j, 0, 0] + b * tri[j, 0, 1] + c * tri[j, 0, 2]
    y = a * tri[j, 1, 0] + b * tri[j, 1, 1] + c * tri[j, 1, 2]
    z = a * tri[j, 2, 0] + b * tri[j, 2, 1] + c * tri[j, 2, 2]
    return max(min(min(x, y), z) - t[80 + k], t[72 + k] - max(max(x, y), z))


@numba.njit(cache=True, nogil=True)
def _split(a, na, b, nb, reach, stack, bound, top):
    """Put the children in reach of the larger node, of both if alike, on top, the nearest last."""
    leaf_a, leaf_b = na >= a.shape[0] // 2, nb >= b.shape[0] // 2
    side_a = a[na, 3] - a[na, 0] + a[na, 4] - a[na, 1] + a[na, 5] - a[na, 2]
    side_b = b[nb, 3] - b[nb, 0] + b[nb, 4] - b[nb, 1] + b[nb, 5] - b[nb, 2]
    split_a = not leaf_a and (leaf_b or 2.0 * side_a > side_b)
    split_b = not leaf_b and (leaf_a or 2.0 * side_b > side_a)
    i, j, low = 2 * na + 1 if split_a else na, 2 * nb + 1 if split_b else nb, top
    for ca in range(i, i + 1 + split_a):
        for cb in range(j, j + 1 + split_b):
            gap = _box_gap(a, ca, b, cb)
            if gap > reach:
                continue
            k = top
            while k > low and bound[k - 1] < gap:
                bound[k] = bound[k - 1]
                stack[k, 0], stack[k, 1] = stack[k - 1, 0], stack[k - 1, 1]
                k -= 1
            bound[k] = gap
            stack[k, 0], stack[k, 1] = ca, cb
            top += 1
    return top


@numba.njit(cache=True, nogil=True)
def _fill(full, node):
    """Note that all triangles under a node are marked; its parent may become full by it."""
    full[node] = True
    while node > 0:
        node = (node - 1) // 2
        if not (full[2 * node + 1] and full[2 * node + 2]):
            break
        full[node] = True


@numba.njit(cache=True, nogil=True)
def walk(
    boxes_a, tri_a, order_a, least_a, skip_a, full_a, marks_a,
    boxes_b, tri_b, order_b, least_b, skip_b, full_b, marks_b,
    leaf, limit, noise, top, stack, bound,
    terms_a, held_a, terms_b, held_b, box, gaps, hits, w, out, result, doubtful,
):  # fmt: skip
    """Least distance of two trees, or all triangles within a distance of the other tree.

    Parameters
    ----------
    boxes, tri, order, least : arrays
        Of each tree; ``least`` (2 p - 1,) is the least caller's number under each node.
    skip_a, skip_b : (2 p - 1 + n,) bool or (0,) bool
        Flag of each node (all its triangles are skipped), then of each sorted triangle; a pair is
        left out when both are flagged. Empty: nothing is.
    full_a, full_b : (2 p - 1,) bool or (0,) bool
        Empty: find the least distance, ties to the smallest numbers. Else mark triangles within
        ``limit``; a node whose triangles are all marked, or that has none, is full.
    marks_a, marks_b : (n,) bool
        Sorted triangles marked; those under a full node need not be.
    leaf, limit, noise : int, float, float
        Triangles per leaf, at most 8; largest distance of interest; the largest given as 0.
    stack, bound : (m, 2) int64, (m,) float64
        The first ``top`` rows: pairs of nodes to look at, the last first, and the squared
        distances of their boxes. m >= top + 128.
    terms_a, terms_b, held_a, held_b : (k, 192) float64, (k,) int64
        Terms of the leaves met last, and which these are; -1 at first.
    box, gaps, hits, w, out : arrays
        Scratch: (48,), (64,), (64,) int64, (16, 3), (20,).
    result : (9,) float64
        Gets distance, both points, and the sorted numbers of both triangles.
    doubtful : (m, 2) int64
        Gets sorted numbers of pairs that only exact arithmetic can decide, the first m of them.

    Returns
    -------
    tuple of int
        Callers' numbers of both triangles, -1 if nothing is within the limit; doubtful pairs.
    """
    masked, marking = skip_a.shape[0] > 0, full_a.shape[0] > 0
    nodes_a, nodes_b = boxes_a.shape[0], boxes_b.shape[0]
    first_a, first_b = nodes_a // 2, nodes_b // 2
    a_first = True  # whose plane is tried first: the one that parted the last pair
    found_a, found_b, doubts = -1, -1, 0
    best = np.inf  # squared
    reach = (limit + noise) ** 2  # farther boxes cannot improve or tie
    tie = np.inf  # from here to reach a pair can only tie: smaller numbers count
    plane = limit + 4.0 * noise  # triangles a plane holds farther apart than this are dropped
    within = max(limit - noise, 0.0) ** 2 if limit > noise else -1.0
    while top > 0:
        top -= 1
        gap, na, nb = bound[top], stack[top, 0], stack[top, 1]
        if gap > reach or (masked and skip_a[na] and skip_b[nb]):
            continue
        if marking:
            full_a[na] = full_a[na] or (na > 0 and full_a[(na - 1) // 2])
            full_b[nb] = full_b[nb] or (nb > 0 and full_b[(nb - 1) // 2])
            if full_a[na] and full_b[nb]:
                continue
            far, u, v = 0.0, boxes_a[na], boxes_b[nb]
            for c in range(3):
                far += max(u[3 + c] - v[c], v[3 + c] - u[c]) ** 2
            if far <= within:
                _fill(full_a, na)
                _fill(full_b, nb)
                continue
        if gap >= tie:
            number = least_a[na]
            if number > found_a or (number == found_a and least_b[nb] >= found_b):
                continue
        if na < first_a or nb < first_b:
            top = _split(boxes_a, na, boxes_b, nb, reach, stack, bound, top)
            continue
        i0, j0 = (na - first_a) * leaf, (nb - first_b) * leaf
        i1, j1 = min(i0 + leaf, tri_a.shape[0]), min(j0 + leaf, tri_b.shape[0])
        ka, kb = na % terms_a.shape[0], nb % terms_b.shape[0]
        in_a, in_b = terms_a[ka], terms_b[kb]
        if held_a[ka] != na:
            _leaf_terms(tri_a, i0, i1 - i0, noise, in_a)
            held_a[ka] = na
        if held_b[kb] != nb:
            _leaf_terms(tri_b, j0, j1 - j0, noise, in_b)
            held_b[kb] = nb
        _turn(in_a, in_b, 0.0, box, j1 - j0)
        for k in range(_in_reach(in_a, i1 - i0, box, j1 - j0, reach, gaps, hits)):
            gap = gaps[hits[k]]
            i, j = i0 + (hits[k] >> 3), j0 + (hits[k] & 7)
            done = marking and (full_a[na] or marks_a[i]) and (full_b[nb] or marks_b[j])
            if done or gap > reach:  # which may have come closer meanwhile
                continue
            apart = -np.inf
            for _ in range(2):
                if a_first:
                    apart = _plane_gap(in_a, i - i0, tri_b, j)
                else:
                    apart = _plane_gap(in_b, j - j0, tri_a, i)
                if apart > plane:
                    break
                a_first = not a_first
            if apart > plane:
                continue
            ia, ib = order_a[i], order_b[j]
            later = ia > found_a or (ia == found_a and ib > found_b)
            if gap >= tie and later:
                continue
            if masked and skip_a[nodes_a + i] and skip_b[nodes_b + j]:
                continue
            d2 = _pair(tri_a, i, tri_b, j, gap == 0.0, reach, noise, w, out)
            distance = np.sqrt(d2)
            if out[6] != 0.0:
                if doubts < doubtful.shape[0]:
                    doubtful[doubts, 0], doubtful[doubts, 1] = i, j
                doubts += 1
            if distance > limit:
                continue
            if marking:
                marks_a[i] = True
                marks_b[j] = True
            elif d2 < best or (d2 == best and not later):
                best, found_a, found_b = d2, ia, ib
                reach = (distance + noise) ** 2
                tie = max(distance - 4.0 * noise, 0.0) ** 2
                plane = distance + 4.0 * noise
                result[0], result[7], result[8] = distance, i, j
                for c in range(6):
                    result[1 + c] = out[c]
        if marking:
            if marks_a[i0:i1].all():
                _fill(full_a, na)
            if marks_b[j0:j1].all():
                _fill(full_b, nb)
    return found_a, found_b, doubts

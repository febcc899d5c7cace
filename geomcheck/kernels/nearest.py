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
            longest = uu
            k = e
        else:
            product *= uu
    a = (k + 1) % 3
    b = (k + 2) % 3
    n[0] = u[a, 1] * u[b, 2] - u[a, 2] * u[b, 1]
    n[1] = u[a, 2] * u[b, 0] - u[a, 0] * u[b, 2]
    n[2] = u[a, 0] * u[b, 1] - u[a, 1] * u[b, 0]
    return n[0] * n[0] + n[1] * n[1] + n[2] * n[2], b, product, longest


@numba.njit(cache=True, nogil=True)
def _heights(p, ref, n, q, product, longest, s):
    """Heights of the vertices ``q`` over the plane of ``p``, times |n|, and their error bound.

    The bound holds for the heights of ``p`` itself too, which ought to be 0.
    """
    far = longest
    for j in range(3):
        h = 0.0
        r = 0.0
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
                uu = 0.0
                t = 0.0
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
            if nn <= 0.0:
                continue
            rx, ry, rz = q[f, 0] - p[e, 0], q[f, 1] - p[e, 1], q[f, 2] - p[e, 2]
            h = rx * nx + ry * ny + rz * nz
            vv = vx * vx + vy * vy + vz * vz
            rounding = 4e-26 * (rx * rx + ry * ry + rz * rz) * uu * vv
            if h * h > 1.0001 * best * nn + rounding:
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
                d2 += (out[14 + c] - out[17 + c]) * (out[14 + c] - out[17 + c])
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
        low, high = np.inf, -np.inf
        dd = v[j, 0] * v[j, 0] + v[j, 1] * v[j, 1] + v[j, 2] * v[j, 2]
        far = 0.0
        for e in range(3):
            x, y, z = p[e, 0] - q[j, 0], p[e, 1] - q[j, 1], p[e, 2] - q[j, 2]
            far = max(far, x * x + y * y + z * z)
            volume = (
                v[j, 0] * (y * u[e, 2] - z * u[e, 1])
                + v[j, 1] * (z * u[e, 0] - x * u[e, 2])
                + v[j, 2] * (x * u[e, 1] - y * u[e, 0])
            )
            low = min(low, volume)
            high = max(high, volume)
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

    ``overlap`` tells that their boxes meet, so that they may cross. ``w`` is scratch; ``out``
    gets both points, and in ``out[6]`` whether the pair may cross all the same.
    """
    p, q, u, v = w[0:3], w[3:6], w[6:9], w[9:12]
    n, o, s, z = w[12], w[13], w[14], w[15]
    for k in range(3):
        for c in range(3):
            p[k, c] = ta[i, k, c]
            q[k, c] = tb[j, k, c]
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
    best = _vertices_to_face(p, u, n, nn, long_a, q, s, error_q, start, out, 0)
    best = _vertices_to_face(q, v, o, oo, long_b, p, z, error_p, best, out, 3)
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
def _box_reach(a, i, b, j):
    """Squared distance of the farthest points of two boxes."""
    x = max(a[i, 3] - b[j, 0], b[j, 3] - a[i, 0])
    y = max(a[i, 4] - b[j, 1], b[j, 4] - a[i, 1])
    z = max(a[i, 5] - b[j, 2], b[j, 5] - a[i, 2])
    return x * x + y * y + z * z


@numba.njit(cache=True, nogil=True)
def _leaf_terms(tri, first, last, terms):
    """Box (6), normal (3) and extent along it (2) of triangles first..last-1, (leaf, 11)."""
    for j in range(first, last):
        t = terms[j - first]
        for c in range(3):
            t[c] = min(min(tri[j, 0, c], tri[j, 1, c]), tri[j, 2, c])
            t[3 + c] = max(max(tri[j, 0, c], tri[j, 1, c]), tri[j, 2, c])
            e = (c + 1) % 3
            f = (c + 2) % 3
            t[6 + c] = (tri[j, 1, e] - tri[j, 0, e]) * (tri[j, 2, f] - tri[j, 0, f]) - (
                tri[j, 1, f] - tri[j, 0, f]
            ) * (tri[j, 2, e] - tri[j, 0, e])
        length = np.sqrt(t[6] * t[6] + t[7] * t[7] + t[8] * t[8])
        low, high = np.inf, -np.inf
        for c in range(3):
            t[6 + c] /= length if length > 0.0 else 1.0
        for v in range(3):
            h = t[6] * tri[j, v, 0] + t[7] * tri[j, v, 1] + t[8] * tri[j, v, 2]
            low, high = min(low, h), max(high, h)
        t[9], t[10] = low, high


@numba.njit(cache=True, nogil=True)
def _plane_gap(t, tri, j):
    """Gap of triangle ``j`` from the triangle of terms ``t``, along the normal of that."""
    x = t[6] * tri[j, 0, 0] + t[7] * tri[j, 0, 1] + t[8] * tri[j, 0, 2]
    y = t[6] * tri[j, 1, 0] + t[7] * tri[j, 1, 1] + t[8] * tri[j, 1, 2]
    z = t[6] * tri[j, 2, 0] + t[7] * tri[j, 2, 1] + t[8] * tri[j, 2, 2]
    return max(min(min(x, y), z) - t[10], t[9] - max(max(x, y), z))


@numba.njit(cache=True, nogil=True)
def _split(a, na, b, nb, reach, stack, bound, top):
    """Replace a pair of nodes by its children's, those in reach; the nearest ends on top.

    Both are split where they are of like size, else the larger one.
    """
    leaf_a = na >= a.shape[0] // 2
    leaf_b = nb >= b.shape[0] // 2
    side_a = a[na, 3] - a[na, 0] + a[na, 4] - a[na, 1] + a[na, 5] - a[na, 2]
    side_b = b[nb, 3] - b[nb, 0] + b[nb, 4] - b[nb, 1] + b[nb, 5] - b[nb, 2]
    split_a = not leaf_a and (leaf_b or 2.0 * side_a > side_b)
    split_b = not leaf_b and (leaf_a or 2.0 * side_b > side_a)
    i = 2 * na + 1 if split_a else na
    j = 2 * nb + 1 if split_b else nb
    low = top
    for ca in range(i, i + 2 if split_a else i + 1):
        for cb in range(j, j + 2 if split_b else j + 1):
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
def _frame_gap(a, b, noise):
    """Squared distance of two turned boxes from below: in the frame of either."""
    x, y, z = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    gap_a = gap_b = 0.0
    for k in range(3):
        e = 3 + 3 * k
        r0 = a[e] * b[3] + a[e + 1] * b[4] + a[e + 2] * b[5]
        r1 = a[e] * b[6] + a[e + 1] * b[7] + a[e + 2] * b[8]
        r2 = a[e] * b[9] + a[e + 1] * b[10] + a[e + 2] * b[11]
        span = a[12 + k] + b[12] * abs(r0) + b[13] * abs(r1) + b[14] * abs(r2) + noise
        g = max(abs(a[e] * x + a[e + 1] * y + a[e + 2] * z) - span, 0.0)
        gap_a += g * g
        r0 = b[e] * a[3] + b[e + 1] * a[4] + b[e + 2] * a[5]
        r1 = b[e] * a[6] + b[e + 1] * a[7] + b[e + 2] * a[8]
        r2 = b[e] * a[9] + b[e + 1] * a[10] + b[e + 2] * a[11]
        span = b[12 + k] + a[12] * abs(r0) + a[13] * abs(r1) + a[14] * abs(r2) + noise
        g = max(abs(b[e] * x + b[e + 1] * y + b[e + 2] * z) - span, 0.0)
        gap_b += g * g
    return max(gap_a, gap_b)


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
    boxes_a, frames_a, tri_a, order_a, least_a, skip_a, full_a, marks_a,
    boxes_b, frames_b, tri_b, order_b, least_b, skip_b, full_b, marks_b,
    leaf, limit, noise, top, stack, bound,
    terms_a, held_a, terms_b, held_b, w, out, result, doubtful,
):  # fmt: skip
    """Least distance of two trees, or all triangles within a distance of the other tree.

    Parameters
    ----------
    boxes, frames, tri, order, least : arrays
        Of each tree; ``frames`` as in ``geomcheck.kernels.frames``, ``least`` (2 p - 1,) the
        least caller's number under each node.
    skip_a, skip_b : (2 p - 1 + n,) bool or (0,) bool
        Flag of each node (all its triangles are skipped), then of each sorted triangle; a pair is
        left out when both are flagged. Empty: nothing is.
    full_a, full_b : (2 p - 1,) bool or (0,) bool
        Empty: find the least distance, ties to the smallest numbers. Else mark triangles within
        ``limit``; a node whose triangles are all marked, or that has none, is full.
    marks_a, marks_b : (n,) bool
        Sorted triangles marked; those under a full node need not be.
    leaf : int
        Triangles per leaf, both trees.
    limit, noise : float
        Largest distance of interest, may be inf; distances up to ``noise`` are given as 0.
    stack, bound : (m, 2) int64, (m,) float64
        The first ``top`` rows: pairs of nodes to look at, the last first, and the squared
        distances of their boxes. m >= top + 128.
    terms_a, terms_b, held_a, held_b : (k, leaf, 11) float64, (k,) int64
        Terms of the leaves met last, and which these are; -1 at first.
    w, out : arrays
        Scratch: (16, 3), (20,).
    result : (7,) float64
        Gets distance and both points.
    doubtful : (m, 2) int64
        Gets the sorted numbers of pairs that only exact arithmetic can decide.

    Returns
    -------
    tuple of int
        Callers' numbers of both triangles (-1, -1 if nothing is within the limit), and how many
        doubtful pairs there are (more than m: the list is cut).
    """
    masked = skip_a.shape[0] > 0
    marking = full_a.shape[0] > 0
    nodes_a, nodes_b = boxes_a.shape[0], boxes_b.shape[0]
    first_a, first_b = nodes_a // 2, nodes_b // 2
    a_first = True  # whose plane is tried first: the one that parted the last pair
    found_a = found_b = -1
    doubts = 0
    best = np.inf  # squared distance of the best pair
    reach = (limit + noise) ** 2  # farther boxes cannot improve or tie
    tie = np.inf  # from here to reach a pair can only tie: smaller numbers count
    plane = limit + 4.0 * noise  # triangles a plane holds farther apart than this are dropped
    within = max(limit - noise, 0.0) ** 2 if limit > noise else -1.0
    while top > 0:
        top -= 1
        gap = bound[top]
        na, nb = stack[top, 0], stack[top, 1]
        if gap > reach or (masked and skip_a[na] and skip_b[nb]):
            continue
        if marking:
            full_a[na] = full_a[na] or (na > 0 and full_a[(na - 1) // 2])
            full_b[nb] = full_b[nb] or (nb > 0 and full_b[(nb - 1) // 2])
            if full_a[na] and full_b[nb]:
                continue
            if _box_reach(boxes_a, na, boxes_b, nb) <= within:
                _fill(full_a, na)
                _fill(full_b, nb)
                continue
        if frames_a[na, 15] != 0.0 and frames_b[nb, 15] != 0.0:
            gap = max(gap, _frame_gap(frames_a[na], frames_b[nb], noise))
            if gap > reach:
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
        if held_a[ka] != na:
            _leaf_terms(tri_a, i0, i1, terms_a[ka])
            held_a[ka] = na
        if held_b[kb] != nb:
            _leaf_terms(tri_b, j0, j1, terms_b[kb])
            held_b[kb] = nb
        in_a, in_b = terms_a[ka], terms_b[kb]
        for i in range(i0, i1):
            if _box_gap(in_a, i - i0, boxes_b, nb) > reach:
                continue
            for j in range(j0, j1):
                if marking and (full_a[na] or marks_a[i]) and (full_b[nb] or marks_b[j]):
                    continue
                gap = _box_gap(in_a, i - i0, in_b, j - j0)
                if gap > reach:
                    continue
                apart = -np.inf
                for _ in range(2):
                    if a_first:
                        apart = _plane_gap(in_a[i - i0], tri_b, j)
                    else:
                        apart = _plane_gap(in_b[j - j0], tri_a, i)
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
                    result[0] = distance
                    for c in range(6):
                        result[1 + c] = out[c]
        if marking:
            if marks_a[i0:i1].all():
                _fill(full_a, na)
            if marks_b[j0:j1].all():
                _fill(full_b, nb)
    return found_a, found_b, doubts

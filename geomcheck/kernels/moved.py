"""Least distance of two triangle trees over a box of movements, found and proved.

The second shape b moves by ``E_1 E_2 ... E_k B`` (``E_1`` done last), where ``B`` is a fixed
placement and each element has one parameter q:

    E(y) = p + (1 + q g) R(u, q w) (y - p) + q v

a turn about the axis u through p, a shift along v, both at once (a sweep), or a growth about p.
Growths come last in the list, so that the elements before them are rigid. The first shape a may
have growths of its own (side 1) and is not moved otherwise.

A box of parameters has a middle c and half widths h. Let X be a point in the middle pose, u, p and
v as placed there, r the distance from the axis, f = w h. Over the box X moves at most the sum of

    D = 2 r sin(f / 2) + h |v| + h |g| |X - p| / (1 + c g)

and along a unit vector n at most the sum of h |n . v|, the growth's part along n, the greatest
``s sin t - m (1 - cos t)`` for |t| <= f, where ``s = n . u x (X - p)`` and m is the part of
``n . (X - p)`` across the axis, and, for every turn done after the element, 2 sin(f / 2) |u x n|
of that turn times the element's D. Both follow by changing one parameter after the other, the
last turn first; no series is cut off.

Two triangles with a unit vector n between them are at least ``min n . a - max n . b`` apart,
whatever n is, and their corners bound what the movement takes from that. The search keeps pairs of
nodes, each with a box of poses of its own; it halves the larger node, or the box along the
parameter that costs most where the movement is coarser than the nodes.
"""

import numba
import numpy as np

COLUMNS = 12  # of a chain: axis, point, shift (3 each); angle and growth per unit of q; side
HEAD = 48  # numbers in the record of a pose: maps of both sides, then WIDE for each element
WIDE = 18


@numba.njit(cache=True, nogil=True)
def pose(chain, base, box, rec):
    """Maps and elements at the middle of a box of parameters, into ``rec``.

    ``chain`` (k, COLUMNS) holds the elements, ``base`` (3, 4) places b before them, ``box`` (2 k,)
    holds middles, then half widths. ``rec`` (HEAD + WIDE k,) gets 0..11 the map of b, (3, 4) row
    by row, 12..23 that of a; 24, 25 their scales; 26..34 absolute values of b's rotation; 36..47
    scratch; then of each element u, p, v (9); 2 sin(f / 2), sin f, 1 - cos f; h |v|,
    h |g| / (1 + c g), h, side, g / (1 + c g), w.
    """
    k = chain.shape[0]
    e = rec[36:48]
    for side in range(2):
        m = rec[12 * side : 12 * side + 12]
        for i in range(12):
            m[i] = 1.0 if i % 5 == 0 else 0.0
        rec[24 + side] = 1.0
        for j in range(k + 1 - side):
            if j < k and chain[j, 11] != side:
                continue
            if j < k:
                _element(chain[j], box[j], box[k + j], m, rec[HEAD + WIDE * j :], e)
                rec[24 + side] *= 1.0 + box[j] * chain[j, 10]
            else:
                for i in range(12):
                    e[i] = base[i // 4, i % 4]
            for i in range(0, 12, 4):
                x, y, z = m[i], m[i + 1], m[i + 2]
                for c in range(3):
                    m[i + c] = x * e[c] + y * e[4 + c] + z * e[8 + c]
                m[i + 3] += x * e[3] + y * e[7] + z * e[11]
    for i in range(9):
        rec[26 + i] = abs(rec[i + i // 3]) / rec[24]


@numba.njit(cache=True, nogil=True)
def _element(row, c, h, m, out, e):
    """One element of a chain at ``c``, +-``h``: its numbers as ``m`` places them, and its map."""
    grown = 1.0 + c * row[10]
    s = np.sin(c * row[9])
    t = 1.0 - np.cos(c * row[9])
    half = min(abs(row[9]) * h, np.pi)
    out[9] = 2.0 * np.sin(0.5 * half)
    out[10] = np.sin(half)
    out[11] = 1.0 - np.cos(half)
    out[12] = 0.0
    out[13] = h * abs(row[10]) / grown
    out[14] = h
    out[15] = row[11]
    out[16] = row[10] / grown
    out[17] = row[9]
    for i in range(3):
        i1 = (i + 1) % 3
        i2 = (i + 2) % 3
        for a in range(0, 9, 3):
            out[a + i] = m[4 * i + 3] if a == 3 else 0.0
            for b in range(3):
                shift = c * row[6 + b] if a == 3 else 0.0
                out[a + i] += m[4 * i + b] * (row[a + b] + shift)
        out[12] += row[6 + i] * row[6 + i]
        e[5 * i] = grown * (1.0 - t * (row[i1] * row[i1] + row[i2] * row[i2]))
        e[4 * i + i1] = grown * (t * row[i] * row[i1] - s * row[i2])
        e[4 * i + i2] = grown * (t * row[i] * row[i2] + s * row[i1])
    out[12] = h * np.sqrt(out[12])
    for i in range(3):
        e[4 * i + 3] = row[3 + i] + c * row[6 + i]
        for b in range(3):
            e[4 * i + 3] -= e[4 * i + b] * row[3 + b]


@numba.njit(cache=True, nogil=True)
def _cost(rec, k, side, x, r, n, sign, share):
    """What the box of poses may take: displacement of all points within ``r`` of ``x``, at most.

    Along ``sign`` times the unit vector n, or any way if n is 0. ``share`` (2 k,) gets what each
    parameter adds if that is more, then how fast it takes ``x`` that way.
    """
    n0, n1, n2 = sign * n[0], sign * n[1], sign * n[2]
    directed = n0 != 0.0 or n1 != 0.0 or n2 != 0.0
    whole = total = 0.0
    swing = 0.0  # by the turns done after this element: sum of 2 sin(f / 2) |u x n|
    for j in range(k):
        e = rec[HEAD + WIDE * j : HEAD + WIDE * j + WIDE]
        if e[15] != side:
            continue
        far = e[12]
        rate = n0 * e[6] + n1 * e[7] + n2 * e[8]
        part = e[14] * abs(rate)
        across = 0.0
        if e[9] > 0.0 or e[13] > 0.0:
            a = x[0] - e[3]
            b = x[1] - e[4]
            c = x[2] - e[5]
            square = a * a + b * b + c * c
            along = a * e[0] + b * e[1] + c * e[2]
            far += e[9] * (np.sqrt(max(square - along * along, 0.0)) + r)
            far += e[13] * (np.sqrt(square) + r)
            level = a * n0 + b * n1 + c * n2
            # n . (u x d) = d . (n x u)
            q0 = n1 * e[2] - n2 * e[1]
            q1 = n2 * e[0] - n0 * e[2]
            q2 = n0 * e[1] - n1 * e[0]
            across = e[9] * np.sqrt(q0 * q0 + q1 * q1 + q2 * q2)
            s = a * q0 + b * q1 + c * q2
            rate += e[17] * s + e[16] * level
            s = abs(s)
            m = level - along * (n0 * e[0] + n1 * e[1] + n2 * e[2])
            crest = np.sqrt(s * s + m * m)
            top = crest - m if crest * (1.0 - e[11]) <= m else s * e[10] - m * e[11]
            part += top + across * r + e[13] * (abs(level) + r)
        part += swing * far
        swing += min(across + swing * e[9], e[9])
        whole += far
        total += part
        share[j] = max(share[j], part if directed else far)
        share[k + j] = rate
    return min(whole, total) if directed else whole


@numba.njit(cache=True, nogil=True)
def _node(boxes_a, na, boxes_b, nb, rec, k, share, out, t):
    """Lower bound of the distance of two nodes over the box of a pose.

    ``out`` gets the half diagonals of both and what the movement costs, ``share`` what each
    parameter adds, ``t[3:6]`` the way from the middle of b's node to that of a's.
    """
    n, d, ha, hb, xa, xb = t[0:3], t[3:6], t[6:9], t[9:12], t[12:15], t[15:18]
    world = turned = ra = rb = 0.0
    for i in range(3):
        ha[i] = 0.5 * rec[25] * (boxes_a[na, 3 + i] - boxes_a[na, i])
        xa[i] = 0.5 * rec[25] * (boxes_a[na, 3 + i] + boxes_a[na, i]) + rec[15 + 4 * i]
        hb[i] = 0.5 * rec[24] * (boxes_b[nb, 3 + i] - boxes_b[nb, i])
        xb[i] = rec[4 * i + 3]
        for c in range(3):
            xb[i] += 0.5 * rec[4 * i + c] * (boxes_b[nb, 3 + c] + boxes_b[nb, c])
        d[i] = xa[i] - xb[i]
        ra += ha[i] * ha[i]
        rb += hb[i] * hb[i]
    for i in range(3):
        # Along axis i of the surroundings, and along axis i of b.
        g = abs(d[i]) - ha[i]
        h = (rec[i] * d[0] + rec[4 + i] * d[1] + rec[8 + i] * d[2]) / rec[24]
        f = abs(h) - hb[i]
        for c in range(3):
            g -= rec[26 + 3 * i + c] * hb[c]
            f -= rec[26 + 3 * c + i] * ha[c]
        t[18 + i] = np.copysign(max(g, 0.0), d[i])
        t[21 + i] = np.copysign(max(f, 0.0), h)
        world += t[18 + i] * t[18 + i]
        turned += t[21 + i] * t[21 + i]
    gap = np.sqrt(max(world, turned))
    for i in range(3):
        n[i] = t[18 + i] / gap if gap > 0.0 and world >= turned else 0.0
        for c in range(3 if turned > world else 0):
            n[i] += rec[4 * i + c] * t[21 + c] / (gap * rec[24])
    for j in range(k):
        share[j] = 0.0
    out[0] = np.sqrt(ra)
    out[1] = np.sqrt(rb)
    out[2] = _cost(rec, k, np.int64(0), xb, out[1], n, 1.0, share)
    out[2] += _cost(rec, k, np.int64(1), xa, out[0], n, -1.0, share)
    return gap - out[2]


@numba.njit(cache=True, nogil=True)
def _place(tri, i, rec, side, out):
    """Triangle ``i`` of a side in the middle pose, into ``out`` (3, 3)."""
    for v in range(3):
        for c in range(3):
            m = rec[12 * side + 4 * c : 12 * side + 4 * c + 4]
            out[v, c] = m[0] * tri[i, v, 0] + m[1] * tri[i, v, 1] + m[2] * tri[i, v, 2] + m[3]


@numba.njit(cache=True, nogil=True)
def _corners(p, q, best, out, o):
    """Feet of the corners of ``q`` inside the triangle ``p``; its edges are left to ``_edges``.

    The foot goes to ``out[o : o + 3]``, the corner to ``out[3 - o : 6 - o]``.
    """
    uu = uv = vv = 0.0
    for c in range(3):
        u = p[1, c] - p[0, c]
        v = p[2, c] - p[0, c]
        uu += u * u
        uv += u * v
        vv += v * v
    det = uu * vv - uv * uv
    if det <= 0.0:
        return best
    for j in range(3):
        ru = rv = 0.0
        for c in range(3):
            ru += (q[j, c] - p[0, c]) * (p[1, c] - p[0, c])
            rv += (q[j, c] - p[0, c]) * (p[2, c] - p[0, c])
        s = (vv * ru - uv * rv) / det
        t = (uu * rv - uv * ru) / det
        if s < 0.0 or t < 0.0 or s + t > 1.0:
            continue
        d2 = 0.0
        for c in range(3):
            d2 += (p[0, c] + s * (p[1, c] - p[0, c]) + t * (p[2, c] - p[0, c]) - q[j, c]) ** 2
        if d2 < best:
            best = d2
            for c in range(3):
                out[o + c] = p[0, c] + s * (p[1, c] - p[0, c]) + t * (p[2, c] - p[0, c])
                out[3 - o + c] = q[j, c]
    return best


@numba.njit(cache=True, nogil=True)
def _edges(p, q, best, out):
    """Nearest points of the edges of two triangles, ends included."""
    for i in range(3):
        i1 = (i + 1) % 3
        for j in range(3):
            j1 = (j + 1) % 3
            uu = uv = vv = ur = vr = 0.0
            for c in range(3):
                u = p[i1, c] - p[i, c]
                v = q[j1, c] - q[j, c]
                r = p[i, c] - q[j, c]
                uu += u * u
                uv += u * v
                vv += v * v
                ur += u * r
                vr += v * r
            det = uu * vv - uv * uv
            s = 0.0
            if det > 1e-14 * uu * vv:
                s = min(max((uv * vr - vv * ur) / det, 0.0), 1.0)
            t = (uv * s + vr) / vv if vv > 0.0 else 0.0
            if s == 0.0 or t < 0.0 or t > 1.0:
                t = min(max(t, 0.0), 1.0)
                s = min(max((uv * t - ur) / uu, 0.0), 1.0) if uu > 0.0 else 0.0
                t = min(max((uv * s + vr) / vv, 0.0), 1.0) if vv > 0.0 else 0.0
            d2 = 0.0
            for c in range(3):
                x = p[i, c] - q[j, c] + s * (p[i1, c] - p[i, c]) - t * (q[j1, c] - q[j, c])
                d2 += x * x
            if d2 < best:
                best = d2
                for c in range(3):
                    out[c] = p[i, c] + s * (p[i1, c] - p[i, c])
                    out[3 + c] = q[j, c] + t * (q[j1, c] - q[j, c])
    return best


@numba.njit(cache=True, nogil=True)
def _triangles(pq, rec, k, noise, share, out):
    """Distance of two triangles in the middle pose, and a lower bound over the box.

    ``pq`` (2, 3, 3) are b's and a's; ``out`` gets the nearest points of a and b (6) and the unit
    vector from b to a (3).
    """
    best = np.inf
    for side in range(2):
        best = _corners(pq[1 - side], pq[side], best, out, 3 * side)
    distance = np.sqrt(_edges(pq[1], pq[0], best, out))
    for j in range(k):
        share[j] = 0.0
    if distance <= noise:
        return 0.0, 0.0
    n = out[6:9]
    for c in range(3):
        n[c] = (out[c] - out[3 + c]) / distance
    still = moved = 0.0
    for side in range(2):
        sign = 1.0 - 2.0 * side
        highest = farthest = -np.inf
        for v in range(3):
            x = pq[side, v]
            level = 0.0
            for c in range(3):
                level += sign * n[c] * (x[c] - out[3 + c])
            highest = max(highest, level)
            farthest = max(farthest, level + _cost(rec, k, side, x, 0.0, n, sign, share))
        still -= highest
        moved -= farthest
    if still <= 0.0:
        return 0.0, 0.0  # closest features that do not hold them apart: they cross
    return distance, moved


@numba.njit(cache=True, nogil=True)
def _children(boxes, node, n, leaf, v0, v1, v2):
    """First and last + 1 of what a node holds, and whether the first is farther along v."""
    nodes = boxes.shape[0] - n
    if node >= nodes // 2:
        begin = nodes + (node - nodes // 2) * leaf
        return begin, min(begin + leaf, boxes.shape[0]), False
    i = 2 * node + 1
    if boxes[i + 1, 0] > boxes[i + 1, 3]:
        return i, i + 1, False
    lead = v0 * (boxes[i, 0] + boxes[i, 3] - boxes[i + 1, 0] - boxes[i + 1, 3])
    lead += v1 * (boxes[i, 1] + boxes[i, 4] - boxes[i + 1, 1] - boxes[i + 1, 4])
    lead += v2 * (boxes[i, 2] + boxes[i, 5] - boxes[i + 1, 2] - boxes[i + 1, 5])
    return i, i + 2, lead > 0.0


@numba.njit(cache=True, nogil=True)
def _look(
    tri_a, i, tri_b, j, reach, chain, base, box, corner, rec, other, noise,
    best, found, at, pq, share, out,
):  # fmt: skip
    """Lower bound for two triangles over a box of poses; ``share`` gets what each parameter costs.

    ``best`` is improved by the middle of the box and the ``corner`` they look nearest in.
    """
    k = chain.shape[0]
    bound = 0.0
    for attempt in range(2):
        here = rec if attempt == 0 else other
        _place(tri_b, j, here, np.int64(0), pq[0])
        _place(tri_a, i, here, np.int64(1), pq[1])
        d, low = _triangles(pq, here, k, noise, share if attempt == 0 else corner[2 * k :], out)
        best[1] = min(best[1], d - reach)
        if d < best[0]:
            best[0] = d
            found[6] = i
            found[7] = j
            for c in range(6):
                found[c] = out[c]
            for c in range(k):
                at[c] = box[c] if attempt == 0 else corner[c]
        if attempt == 0:
            bound = low
            _cost(rec, k, np.int64(0), out[3:6], 0.0, out[6:9], 1.0, share)
            _cost(rec, k, np.int64(1), out[:3], 0.0, out[6:9], -1.0, share)
            for c in range(k):
                corner[c] = box[c] + np.copysign(box[k + c], share[k + c])
                corner[k + c] = 0.0
            if bound >= best[0]:
                break
            pose(chain, base, corner, other)
    return bound


@numba.njit(cache=True, nogil=True)
def search(
    boxes_a, tri_a, reach_a, boxes_b, tri_b, reach_b, leaf, chain, base, start, tolerance, noise,
    budget, best, found, at, stack, recs, numbers, w, pq,
):  # fmt: skip
    """Find and prove the least distance over a box of poses, and the same less the reaches.

    Two amounts are minimised over pairs of triangles and poses: the distance d, and d less what
    the true surfaces may come nearer (``reach``). What cannot bring either of them more than
    ``tolerance`` below the best one so far is dropped.

    Parameters
    ----------
    boxes, reach : (2 p - 1 + n, 6), (2 p - 1 + n) float64
        Of the nodes of each tree (layout: ``geomcheck.kernels.tree``), then of its sorted
        triangles ``tri`` (n, 3, 3): bounds, and the greatest reach, mm.
    chain, base, start
        See ``pose``; half widths 0 ask for one pose.
    tolerance, noise : float
        mm; distances up to ``noise`` count as contact, which ends the search.
    budget : int
        Pairs of nodes with their boxes of poses to be looked at.
    best : (4,) float64
        Least d and d less reach known, improved; lower bounds of what was dropped, lowered.
    found, at : (8,), (k,) float64
        Points on a and on b, sorted triangles and the pose of the least d, if improved.
    stack, recs, numbers, w, pq : arrays
        Scratch: (m, 6 + 2 k), (depth + 2, HEAD + WIDE k) float64, (depth + 2,) int64,
        (5, 24 + 4 k), (2, 3, 3) float64; m >= 2 depth + 1000.

    Returns
    -------
    int
        Pairs looked at; more than the budget if it ran out: ``best`` bounds the rest, too.
    """
    k = chain.shape[0]
    nodes_a = boxes_a.shape[0] - tri_a.shape[0]
    nodes_b = boxes_b.shape[0] - tri_b.shape[0]
    deepest = recs.shape[0] - 2
    numbers[:] = -1
    count, looked, top = 1, 0, 1  # boxes of poses numbered so far, pairs, pairs on the stack
    share, out, corner, d, e = w[0], w[1], w[4], w[3, 3:6], w[3, 6:9]
    now = w[2, : 6 + 2 * k]  # nodes, number and depth of the box of poses, bounds; the box
    low, box = now[4:6], now[6:]
    for i in range(6 + 2 * k):
        stack[0, i] = start[i - 6] if i >= 6 else 0.0
    stack[0, 5] = -reach_a[0] - reach_b[0]
    while top > 0:
        top -= 1
        for i in range(6 + 2 * k):
            now[i] = stack[top, i]
        na, nb, depth = int(now[0]), int(now[1]), int(now[3])
        reach = reach_a[na] + reach_b[nb]
        pick = 0
        halve = False
        rec = recs[depth]
        stop = looked > budget or depth > deepest
        if not stop and (low[0] < best[0] - tolerance or low[1] < best[1] - tolerance):
            looked += 1
            if numbers[depth] != now[2]:
                pose(chain, base, box, rec)
                numbers[depth] = int(now[2])
            bound = _node(boxes_a, na, boxes_b, nb, rec, k, share, out, w[3])
            low[0] = max(low[0], bound - noise)
            low[1] = max(low[1], low[0] - reach)
            halve = out[2] > 0.5 * (out[0] + out[1])
            if na >= nodes_a and nb >= nodes_b:
                halve = True
                if low[0] < best[0] - tolerance or low[1] < best[1] - tolerance:
                    bound = _look(
                        tri_a, na - nodes_a, tri_b, nb - nodes_b, reach, chain, base, box, corner,
                        rec, recs[deepest + 1], noise, best, found, at, pq, share, out,
                    )  # fmt: skip
                    if best[0] == 0.0:
                        best[2] = 0.0
                        break
                    low[0] = max(low[0], bound - noise)
                    low[1] = max(low[1], low[0] - reach)
            for j in range(k):
                pick = j if share[j] > share[pick] else pick
            # Where rounding hides on which side triangles lie, no smaller box would tell.
            stop = halve and share[pick] <= 0.01 * tolerance / k
        if stop or (low[0] >= best[0] - tolerance and low[1] >= best[1] - tolerance):
            best[2] = min(best[2], low[0])
            best[3] = min(best[3], low[1])
            continue
        of_a = na < nodes_a and (nb >= nodes_b or out[0] >= out[1])
        if halve:
            begin, end = 0, 2
            middle = box[pick]
            last = corner[pick] < middle
            box[k + pick] *= 0.5
            now[3] = depth + 1
        elif of_a:
            begin, end, last = _children(boxes_a, na, tri_a.shape[0], leaf, -d[0], -d[1], -d[2])
        else:
            for i in range(3):
                e[i] = rec[i] * d[0] + rec[4 + i] * d[1] + rec[8 + i] * d[2]
            begin, end, last = _children(boxes_b, nb, tri_b.shape[0], leaf, e[0], e[1], e[2])
        for number in range(begin, end):
            # What looks nearer is put on top.
            i = begin + end - 1 - number if last else number
            if halve:
                box[pick] = middle + (2 * i - 1) * box[k + pick]
                now[2] = count
                count += 1
            elif of_a:
                now[0] = i
            else:
                now[1] = i
            for j in range(6 + 2 * k):
                stack[top, j] = now[j]
            top += 1
    return looked

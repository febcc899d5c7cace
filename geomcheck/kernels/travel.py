"""Straight travel of one set of triangles until it meets another: the pairs that meet, and when.

Everything is turned into a frame whose third axis w is the direction of travel. Seen along w, a
triangle of the moving set and one of the other overlap in a convex polygon; over it the height
from the one to the other is linear, and its least value is the travel at which the pair meets:
at a corner over a face, a face over a corner, or two edges that cross. Triangles that stand along
w have no width in this view and meet nothing: what closes a body across w does.

Which meetings count. In a column along w a moving body ends in a face that looks ahead (normal
along w), and what it runs into begins with a face that looks back. Such a pair counts from
``-allow`` on: a touch, or an overlap along the way of up to that, is met at once; deeper ones
have been passed. Any other two faces can only meet ahead, by more than ``allow``, behind such a
pair of the same column (at it, where a silhouette meets: ``BEHIND`` keeps them apart) or where
the bodies share that much room from the start. Triangles of a sheet look both ways.

Slack widens the triangles of the other set all round, and moves them towards the moving one,
where the one runs into the other: polygons are then a little too large and travels a little too
small, never the other way about.

Traversal: two trees (``geomcheck.kernels.tree``); a pair of nodes is left out when the line of
travel misses the difference of their boxes.
"""

import numba
import numpy as np

CORNERS = 16  # most corners of an overlap: 3, and one more for each of 7 cuts, and of one height
STACK = 512
BEHIND = 1e-6  # mm


@numba.njit(cache=True, nogil=True)
def _cut(poly, n, a, b, c, out):
    """Part of a polygon (x, y, height) where a x + b y + c >= 0, into ``out``; corners of it."""
    m = 0
    for k in range(n):
        j = k + 1 if k + 1 < n else 0
        p = a * poly[k, 0] + b * poly[k, 1] + c
        q = a * poly[j, 0] + b * poly[j, 1] + c
        if p >= 0.0:
            for i in range(2):
                out[m, i] = poly[k, i]
            m += 1
        if (p > 0.0 and q < 0.0) or (p < 0.0 and q > 0.0):
            f = p / (p - q)
            for i in range(2):
                out[m, i] = poly[k, i] + f * (poly[j, i] - poly[k, i])
            m += 1
    for k in range(m):
        for i in range(2):
            poly[k, i] = out[k, i]
    return m


@numba.njit(cache=True, nogil=True)
def _turn(tri, i, frame, shift, w):
    """Triangle in the frame, and its plane, into w (5, 3).

    Row 3: height = r0 + r1 x + r2 y; row 4: least and greatest height, twice the area seen.
    """
    w[4, 0], w[4, 1] = np.inf, -np.inf
    for v in range(3):
        x = tri[i, v, 0] + shift[0]
        y = tri[i, v, 1] + shift[1]
        z = tri[i, v, 2] + shift[2]
        for c in range(3):
            w[v, c] = frame[c, 0] * x + frame[c, 1] * y + frame[c, 2] * z
        w[4, 0] = min(w[4, 0], w[v, 2])
        w[4, 1] = max(w[4, 1], w[v, 2])
    ux, uy, uz = w[1, 0] - w[0, 0], w[1, 1] - w[0, 1], w[1, 2] - w[0, 2]
    vx, vy, vz = w[2, 0] - w[0, 0], w[2, 1] - w[0, 1], w[2, 2] - w[0, 2]
    area = ux * vy - uy * vx
    w[4, 2] = area
    longest = max(ux * ux + uy * uy, vx * vx + vy * vy)
    longest = max(longest, (ux - vx) ** 2 + (uy - vy) ** 2)
    if area == 0.0:
        return 0.0
    w[3, 1] = (uz * vy - vz * uy) / area
    w[3, 2] = (ux * vz - vx * uz) / area
    w[3, 0] = w[0, 2] - w[3, 1] * w[0, 0] - w[3, 2] * w[0, 1]
    return abs(area) / np.sqrt(longest)


@numba.njit(cache=True, nogil=True)
def _overlap(wa, wb, margin, poly, out):
    """Where triangle wa lies over wb widened by ``margin``, into ``poly``; corners of it."""
    for v in range(3):
        poly[v, 0], poly[v, 1] = wa[v, 0], wa[v, 1]
    n = np.int64(3)  # a plain 3 is a type of its own: _cut would be compiled twice
    side = 1.0 if wb[4, 2] > 0.0 else -1.0
    for v in range(3):
        e = v + 1 if v < 2 else 0
        dx, dy = wb[e, 0] - wb[v, 0], wb[e, 1] - wb[v, 1]
        a, b = -side * dy, side * dx
        c = -(a * wb[v, 0] + b * wb[v, 1]) + margin * np.sqrt(dx * dx + dy * dy)
        n = _cut(poly, n, a, b, c, out)
        if n == 0:
            return 0
    if margin > 0.0:
        for c in range(2):
            low = min(wb[0, c], wb[1, c], wb[2, c]) - margin
            high = max(wb[0, c], wb[1, c], wb[2, c]) + margin
            a, b = (1.0, 0.0) if c == 0 else (0.0, 1.0)
            n = _cut(poly, n, a, b, -low, out)
            n = _cut(poly, n, -a, -b, high, out)
    return n


@numba.njit(cache=True, nogil=True)
def _height(w, x, y):
    """Height of a triangle's plane at a place, not beyond the triangle's own."""
    return min(max(w[3, 0] + w[3, 1] * x + w[3, 2] * y, w[4, 0]), w[4, 1])


@numba.njit(cache=True, nogil=True)
def _meeting(wa, wb, margin, least, poly, out, place):
    """Corners of the part of the overlap that lies ``least`` or more ahead; its least travel.

    ``place`` gets the travel and the corner (x, y) where it is least.
    """
    n = _overlap(wa, wb, margin, poly, out)
    if n < 3:
        return 0
    if margin > 0.0:
        slope = margin * np.sqrt(wb[3, 1] ** 2 + wb[3, 2] ** 2)
        low, high, top, foot = np.inf, -np.inf, -np.inf, np.inf
        for k in range(n):
            za = _height(wa, poly[k, 0], poly[k, 1])
            zb = wb[3, 0] + wb[3, 1] * poly[k, 0] + wb[3, 2] * poly[k, 1]
            if zb - slope - za < low:
                low = zb - slope - za
                place[1], place[2] = poly[k, 0], poly[k, 1]
            high = max(high, zb + slope - za)
            top, foot = max(top, za), min(foot, za)
        low = max(low, wb[4, 0] - top) - margin
        high = min(high, wb[4, 1] - foot) + margin
        if high < least:
            return 0
        place[0] = max(low, least)
        return n
    # Seen through both planes the height between them is linear.
    a, b = wb[3, 1] - wa[3, 1], wb[3, 2] - wa[3, 2]
    c = wb[3, 0] - wa[3, 0]
    n = _cut(poly, n, a, b, c - least, out)
    if n < 3:
        return 0
    place[0] = np.inf
    for k in range(n):
        t = _height(wb, poly[k, 0], poly[k, 1]) - _height(wa, poly[k, 0], poly[k, 1])
        if t < place[0]:
            place[0], place[1], place[2] = max(t, least), poly[k, 0], poly[k, 1]
    return n


@numba.njit(cache=True, nogil=True)
def _span(boxes_a, na, boxes_b, nb, way, shift, more, t):
    """Travels between which two nodes' boxes, ``more`` wider, share room; into t (2,)."""
    t[0], t[1] = -np.inf, np.inf
    for c in range(3):
        # An empty node's box is inside out: low is +inf and nothing is left.
        low = boxes_b[nb, c] - boxes_a[na, 3 + c] - shift[c] - more
        high = boxes_b[nb, 3 + c] - boxes_a[na, c] - shift[c] + more
        d = way[c]
        if abs(d) < 1e-15:
            if low > 0.0 or high < 0.0:
                t[1] = -np.inf
        elif d > 0.0:
            t[0], t[1] = max(t[0], low / d), min(t[1], high / d)
        else:
            t[0], t[1] = max(t[0], high / d), min(t[1], low / d)


@numba.njit(cache=True, nogil=True)
def gather(
    boxes_a, tri_a, order_a, slack_a, sheet_a, boxes_b, tri_b, order_b, slack_b, sheet_b, leaf,
    frame, shift, allow, margin, noise, width, most, stack, work_a, work_b, poly, out,
    travel, number_a, number_b, kind, point, corners, count,
):  # fmt: skip
    """Meetings of a, travelling along ``frame[2]`` from ``shift``, with b.

    Parameters
    ----------
    boxes, tri, order, leaf
        Of both trees.
    slack_a, slack_b : (n,) float64
        How far each triangle is widened, mm, sorted as the trees are; none if empty.
    sheet_a, sheet_b : bool
        Triangles look both ways.
    frame : (3, 3) float64
        Unit rows u, v, w; w is the direction.
    shift : (3,) float64
        Where a starts, from where it stands.
    allow, margin, noise, width : float
        See the module; ``margin`` is no less than two slacks, ``noise`` is more than the rounding
        error of a height. A polygon whose area over its perimeter is more than ``width`` ends the
        search beyond its travel.
    most : (1,) float64
        Travels to look at, up to this, which is lowered to the travel of the first polygon that is
        wide enough, and to that of the farthest kept once k are.
    stack, work_a, work_b, poly, out : arrays
        Scratch: (STACK, 2) int64, (leaf, 5, 3), (5, 3), (CORNERS, 2) twice.
    travel, number_a, number_b, kind, point, corners, count : (k, ...)
        Filled with the k nearest meetings: mm, callers' triangles, whether a runs into b there,
        (k, 3) the place on b, (k, CORNERS, 2) the polygon.

    Returns
    -------
    int
        How many meetings are kept. Where that is k, all nearer than the farthest are among them.
    """
    first_a, first_b = boxes_a.shape[0] // 2, boxes_b.shape[0] // 2
    place = np.empty(3)
    none = np.zeros(3)
    t = np.empty(2)
    seen_a = np.empty(work_a.shape[0])
    found, farthest = 0, -1
    top = 1
    stack[0, 0] = stack[0, 1] = 0
    more = margin + noise
    while top > 0:
        top -= 1
        na, nb = stack[top, 0], stack[top, 1]
        _span(boxes_a, na, boxes_b, nb, frame[2], shift, more, t)
        if not (t[0] <= t[1] and t[0] <= most[0] and t[1] >= -allow - more):
            continue
        if na < first_a or nb < first_b:
            side = 0.0
            if na < first_a and nb < first_b:
                for c in range(3):
                    side += (
                        boxes_a[na, 3 + c] - boxes_a[na, c] - boxes_b[nb, 3 + c] + boxes_b[nb, c]
                    )
            down_a = na < first_a and (nb >= first_b or side >= 0.0)
            for k in range(2):
                stack[top + k, 0] = 2 * na + 1 + k if down_a else na
                stack[top + k, 1] = nb if down_a else 2 * nb + 1 + k
            _span(boxes_a, stack[top, 0], boxes_b, stack[top, 1], frame[2], shift, more, t)
            one = max(t[0], 0.0)
            _span(boxes_a, stack[top + 1, 0], boxes_b, stack[top + 1, 1], frame[2], shift, more, t)
            if one < max(t[0], 0.0):
                # The nearer one lies on top.
                for c in range(2):
                    k = stack[top, c]
                    stack[top, c] = stack[top + 1, c]
                    stack[top + 1, c] = k
            top += 2
            continue
        i0, j0 = (na - first_a) * leaf, (nb - first_b) * leaf
        i1, j1 = min(i0 + leaf, tri_a.shape[0]), min(j0 + leaf, tri_b.shape[0])
        for i in range(i0, i1):
            seen_a[i - i0] = _turn(tri_a, i, frame, shift, work_a[i - i0])
        for j in range(j0, j1):
            if _turn(tri_b, j, frame, none, work_b) <= noise:
                continue
            wb = work_b
            for i in range(i0, i1):
                if seen_a[i - i0] <= noise:
                    continue
                wa = work_a[i - i0]
                runs = (sheet_a or wa[4, 2] > 0.0) and (sheet_b or wb[4, 2] < 0.0)
                wider = 0.0
                if runs and slack_a.shape[0] > 0:
                    wider = slack_a[i] + slack_b[j]
                least = -allow - wider - noise if runs else allow + noise
                if wb[4, 1] - wa[4, 0] + wider < least or wb[4, 0] - wa[4, 1] - wider > most[0]:
                    continue
                n = _meeting(wa, wb, wider, least, poly, out, place)
                if n < 3:
                    continue
                ahead = max(place[0], 0.0)
                if not runs:
                    ahead += BEHIND
                if ahead > most[0]:
                    continue
                area = around = 0.0
                for k in range(n):
                    e = k + 1 if k + 1 < n else 0
                    area += poly[k, 0] * poly[e, 1] - poly[e, 0] * poly[k, 1]
                    dx, dy = poly[e, 0] - poly[k, 0], poly[e, 1] - poly[k, 1]
                    around += np.sqrt(dx * dx + dy * dy)
                area = 0.5 * abs(area)
                if area <= noise * around:
                    continue
                if area > width * around:
                    most[0] = ahead
                row = found
                if found == travel.shape[0]:
                    # Full: the farthest gives its place.
                    row = farthest
                    if ahead >= travel[row]:
                        continue
                else:
                    found += 1
                travel[row] = ahead
                number_a[row], number_b[row], kind[row] = order_a[i], order_b[j], runs
                z = _height(wb, place[1], place[2])
                for c in range(3):
                    x = frame[0, c] * place[1] + frame[1, c] * place[2]
                    point[row, c] = x + frame[2, c] * z
                for k in range(n):
                    corners[row, k, 0], corners[row, k, 1] = poly[k, 0], poly[k, 1]
                count[row] = n
                if found == travel.shape[0]:
                    farthest = 0
                    for k in range(1, found):
                        if travel[k] > travel[farthest]:
                            farthest = k
                    most[0] = min(most[0], travel[farthest])
    return found

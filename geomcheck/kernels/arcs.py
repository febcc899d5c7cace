"""Turning arcs: at which angles a bar that turns about an axis stands clear of a triangle tree.

The frame is ``frame`` (4, 3): row 0 the origin, rows 1 to 3 the unit axes u, v, w; the bar turns
about w, angle 0 along u, positive from u to v, radians.

*The bar.* Turned to angle 0 it is every point with ``z_low <= z <= z_high``,
``r_from <= rho <= r_to`` and ``x >= 0, |y| <= half_width``: flat below, above and on its sides, its
tip round about the axis (a square tip of length l is inside where
``r_to ** 2 >= l ** 2 + half_width ** 2``). Where ``r_from < half_width`` its root is round about
the axis too, and holds every point with ``r_from <= rho <= half_width``. A bar is a row (z_low,
z_high, half_width, r_from, r_to, at), ``at`` being its angle from the first one where several turn
together.

*Blocked angles.* A triangle is clipped to the slab and projected. A point at (rho, phi) blocks
phi -+ asin(half_width / rho), all angles in the root. Half lines that touch the circle of radius
half_width fill the plane outside it once, so along a straight edge out there either end of the
interval only rises or only falls: the extremes over the part of an edge within the ring are at
that part's ends. The bar reaches from one circle of the ring to the other, so where it meets the
polygon it meets an edge or the polygon's part of the outer circle. Exact up to rounding; touching
counts as blocked.

``tree`` is as in ``geomcheck.kernels.solids``; ``slack`` grows the bar by that many mm on all
sides for that triangle (shrinks it where negative).

*State.* ``ends`` (k, 2) are blocked intervals in 0 .. 2 pi, rising and apart; ``marks`` (k, 4)
the part and the caller's triangle number of the lower and of the upper end; ``spots`` (k, 6) the
places on those triangles in the frame. At 0 and 2 pi, where an interval may go on round, they are
those of one triangle that blocks that angle.
"""

import math

import numba
import numpy as np

#: A tree of depth 64 leaves at most one waiting node a level.
STACK = 66
TURN = 2.0 * math.pi
#: Answer instead of a count of intervals: there is no room for another one.
FULL_TABLE = -1


@numba.njit(cache=True, nogil=True)
def _move(state, source, row):
    """Copy an interval to another row."""
    ends, marks, spots = state
    for c in range(2):
        ends[row, c] = ends[source, c]
    for c in range(4):
        marks[row, c] = marks[source, c]
    for c in range(6):
        spots[row, c] = spots[source, c]


@numba.njit(cache=True, nogil=True)
def _put(state, count, low, high, part, number, places, need):
    """Unite one interval within 0 .. 2 pi with the blocked ones; returns their new number.

    Gaps shorter than ``need`` between intervals are closed. ``places`` (6,): of both ends.
    """
    ends, marks, spots = state
    first = 0
    while first < count and ends[first, 1] < low and low - ends[first, 1] >= need:
        first += 1
    last = first
    while last < count and (ends[last, 0] <= high or ends[last, 0] - high < need):
        last += 1
    if first == last:
        if count == ends.shape[0]:
            return FULL_TABLE
        for i in range(count, first, -1):
            _move(state, i - 1, i)
        count += 1
        # An interval turned inside out: either end is farther.
        ends[first, 0] = math.inf
        ends[first, 1] = -math.inf
    elif last - 1 > first:
        shift = last - 1 - first
        ends[first, 1] = ends[first + shift, 1]
        for c in range(2, 4):
            marks[first, c] = marks[first + shift, c]
        for c in range(3, 6):
            spots[first, c] = spots[first + shift, c]
        for i in range(last, count):
            _move(state, i, i - shift)
        count -= shift
    for side in range(2):
        value = low if side == 0 else high
        old = ends[first, side]
        further = value < old if side == 0 else value > old
        held = marks[first, 2 * side]
        less = part < held or (part == held and number < marks[first, 2 * side + 1])
        if further or (value == old and less):
            ends[first, side] = value
            marks[first, 2 * side] = part
            marks[first, 2 * side + 1] = number
            for c in range(3 * side, 3 * side + 3):
                spots[first, c] = places[c]
    return count


@numba.njit(cache=True, nogil=True)
def _block(state, count, low, high, part, number, places, need):
    """Unite the interval low .. high, any turn, with the blocked ones; returns their number."""
    turns = math.floor(low / TURN)
    low -= turns * TURN
    high -= turns * TURN
    if high - low >= TURN:
        low = 0.0
        high = TURN
    elif low >= TURN:
        low = 0.0
        high = max(high - TURN, 0.0)
    over = high > TURN
    for side in range(2 if over else 1):
        a = low if side == 0 else 0.0
        b = (TURN if over else high) if side == 0 else high - TURN
        count = _put(state, count, a, b, part, number, places, need)
        if count < 0:
            break
    return count


@numba.njit(cache=True, nogil=True)
def _settled(ends, count, low, high):
    """Whether low .. high, any turn, lies inside blocked intervals and off their ends."""
    turns = math.floor(low / TURN)
    low -= turns * TURN
    high -= turns * TURN
    if high - low >= TURN:
        low = 0.0
        high = TURN
    over = high > TURN
    for side in range(2 if over else 1):
        a = low if side == 0 else 0.0
        b = (TURN if over else high) if side == 0 else high - TURN
        held = False
        for i in range(count):
            before = ends[i, 0] < a or (ends[i, 0] == 0.0 and a == 0.0)
            behind = b < ends[i, 1] or (ends[i, 1] == TURN and b == TURN)
            if before and behind:
                held = True
                break
        if not held:
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _node(boxes, node, frame, bars, i, extra, out):
    """Whether a node can block; out = angles low and high, distance of its centre's circle."""
    if boxes[node, 0] > boxes[node, 3]:
        return False
    x = 0.5 * (boxes[node, 0] + boxes[node, 3]) - frame[0, 0]
    y = 0.5 * (boxes[node, 1] + boxes[node, 4]) - frame[0, 1]
    z = 0.5 * (boxes[node, 2] + boxes[node, 5]) - frame[0, 2]
    hx = 0.5 * (boxes[node, 3] - boxes[node, 0])
    hy = 0.5 * (boxes[node, 4] - boxes[node, 1])
    hz = 0.5 * (boxes[node, 5] - boxes[node, 2])
    # Rounding must not make a bound too tight.
    pad = 1e-12 * (abs(x) + abs(y) + abs(z) + hx + hy + hz) + extra
    cw = frame[3, 0] * x + frame[3, 1] * y + frame[3, 2] * z
    hw = abs(frame[3, 0]) * hx + abs(frame[3, 1]) * hy + abs(frame[3, 2]) * hz + pad
    if cw - hw > bars[i, 1] or cw + hw < bars[i, 0]:
        return False
    cu = frame[1, 0] * x + frame[1, 1] * y + frame[1, 2] * z
    cv = frame[2, 0] * x + frame[2, 1] * y + frame[2, 2] * z
    hu = abs(frame[1, 0]) * hx + abs(frame[1, 1]) * hy + abs(frame[1, 2]) * hz
    hv = abs(frame[2, 0]) * hx + abs(frame[2, 1]) * hy + abs(frame[2, 2]) * hz
    # The box lies within this rectangle and within its own ball.
    reach = math.sqrt(min(hu * hu + hv * hv, hx * hx + hy * hy + hz * hz)) + pad
    away = math.sqrt(cu * cu + cv * cv)
    du = max(abs(cu) - hu, 0.0)
    dv = max(abs(cv) - hv, 0.0)
    if (
        max(away - reach, math.sqrt(du * du + dv * dv) - pad) > bars[i, 4]
        or away + reach < bars[i, 3]
    ):
        return False
    out[2] = away - reach
    side = reach + bars[i, 2]
    if away <= side:
        out[0] = 0.0
        out[1] = TURN
        return True
    half = math.asin(side / away) + 1e-12
    middle = math.atan2(cv, cu) + bars[i, 5]
    out[0] = middle - half
    out[1] = middle + half
    return True


@numba.njit(cache=True, nogil=True)
def _local(triangles, j, frame, poly):
    """Corners of triangle j in the frame, as the first three rows of ``poly``."""
    for i in range(3):
        x = triangles[j, i, 0] - frame[0, 0]
        y = triangles[j, i, 1] - frame[0, 1]
        z = triangles[j, i, 2] - frame[0, 2]
        poly[i, 0] = frame[1, 0] * x + frame[1, 1] * y + frame[1, 2] * z
        poly[i, 1] = frame[2, 0] * x + frame[2, 1] * y + frame[2, 2] * z
        poly[i, 2] = frame[3, 0] * x + frame[3, 1] * y + frame[3, 2] * z


@numba.njit(cache=True, nogil=True)
def _clip(poly, n, level, sign, out):
    """Part of a convex polygon where sign * (z - level) >= 0; returns its number of corners."""
    m = 0
    for i in range(n):
        k = i + 1 if i + 1 < n else 0
        a = sign * (poly[i, 2] - level)
        b = sign * (poly[k, 2] - level)
        if a >= 0.0:
            out[m, 0] = poly[i, 0]
            out[m, 1] = poly[i, 1]
            out[m, 2] = poly[i, 2]
            m += 1
        if (a > 0.0 and b < 0.0) or (a < 0.0 and b > 0.0):
            t = a / (a - b)
            out[m, 0] = poly[i, 0] + t * (poly[k, 0] - poly[i, 0])
            out[m, 1] = poly[i, 1] + t * (poly[k, 1] - poly[i, 1])
            out[m, 2] = level
            m += 1
    return m


@numba.njit(cache=True, nogil=True)
def _sense(poly, n, x, y):
    """+1 or -1 where the projected polygon holds (x, y), by its sense of turning; else 0.

    Rounding can give all cross products of an edge-on sliver one sign, hence the rectangle test.
    """
    negative = False
    positive = False
    low_x = math.inf
    high_x = -math.inf
    low_y = math.inf
    high_y = -math.inf
    for i in range(n):
        k = i + 1 if i + 1 < n else 0
        ax = poly[i, 0] - x
        ay = poly[i, 1] - y
        cross = ax * (poly[k, 1] - y) - ay * (poly[k, 0] - x)
        if cross < 0.0:
            negative = True
        elif cross > 0.0:
            positive = True
        low_x = min(low_x, ax)
        high_x = max(high_x, ax)
        low_y = min(low_y, ay)
        high_y = max(high_y, ay)
    if negative == positive or low_x > 0.0 or high_x < 0.0 or low_y > 0.0 or high_y < 0.0:
        return 0
    return 1 if positive else -1


@numba.njit(cache=True, nogil=True)
def _keep(found, m, low, high, ax, ay, az, bx, by, bz):
    """Note an interval and the places of its ends in row ``m`` of ``found``."""
    found[m, 0] = low
    found[m, 1] = high
    found[m, 2] = ax
    found[m, 3] = ay
    found[m, 4] = az
    found[m, 5] = bx
    found[m, 6] = by
    found[m, 7] = bz


@numba.njit(cache=True, nogil=True)
def _straight(poly, i, k, t0, t1, width, found, m):
    """Blocked angles of the part t0 .. t1 of an edge, outside the circle of ``width``."""
    dx = poly[k, 0] - poly[i, 0]
    dy = poly[k, 1] - poly[i, 1]
    dz = poly[k, 2] - poly[i, 2]
    ax = poly[i, 0] + t0 * dx
    ay = poly[i, 1] + t0 * dy
    az = poly[i, 2] + t0 * dz
    bx = poly[i, 0] + t1 * dx
    by = poly[i, 1] + t1 * dy
    bz = poly[i, 2] + t1 * dz
    if t1 == 1.0:
        bx = poly[k, 0]
        by = poly[k, 1]
        bz = poly[k, 2]
    phi = math.atan2(ay, ax)
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    half_a = math.asin(min(width / math.sqrt(ax * ax + ay * ay), 1.0))
    half_b = math.asin(min(width / math.sqrt(bx * bx + by * by), 1.0))
    low = min(-half_a, turn - half_b)
    high = max(half_a, turn + half_b)
    _keep(found, m, phi + low, phi + high, ax, ay, az, ax, ay, az)
    if low < -half_a:
        found[m, 2] = bx
        found[m, 3] = by
        found[m, 4] = bz
    if high > half_a:
        found[m, 5] = bx
        found[m, 6] = by
        found[m, 7] = bz


@numba.njit(cache=True, nogil=True)
def _rim(poly, n, sense, rim, crossings, width, outer, found, m):
    """Blocked angles of the outer circle's parts inside the polygon; returns the rows noted.

    ``rim`` holds, in the order of the edges, the points where they cross the circle, its fourth
    column +1 where the edge comes in and -1 where it goes out.
    """
    half = math.asin(min(width / outer, 1.0))
    for i in range(crossings):
        k = i + 1 if i + 1 < crossings else 0
        if rim[i, 3] > 0.0 or rim[k, 3] < 0.0:
            continue
        start = math.atan2(rim[i, 1], rim[i, 0])
        span = math.atan2(rim[k, 1], rim[k, 0]) - start
        # The shorter way, right wherever the polygon does not hold the axis.
        span -= TURN * math.floor(span / TURN + 0.5)
        if sense * span < 0.0:
            # The long way is meant if the polygon holds three points of it. (A sliver's two
            # crossings lie together, and rounding may swap them.)
            longer = span + sense * TURN
            held = 0
            for quarter in range(1, 4):
                angle = start + 0.25 * quarter * longer
                if _sense(poly, n, outer * math.cos(angle), outer * math.sin(angle)) != 0:
                    held += 1
            if held == 3:
                span = longer
        a = i if span >= 0.0 else k
        b = k if span >= 0.0 else i
        low = min(start, start + span) - half
        high = max(start, start + span) + half
        ax, ay, az = rim[a, 0], rim[a, 1], rim[a, 2]
        _keep(found, m, low, high, ax, ay, az, rim[b, 0], rim[b, 1], rim[b, 2])
        m += 1
    return m


@numba.njit(cache=True, nogil=True)
def _metal(poly, n, width, inner, outer, rooted, rim, found):
    """Blocked angles of one clipped triangle; returns the number of intervals noted.

    Unless ``rooted``, a grown bar may yet come nearer to the axis than its half width:
    there, half a turn is blocked to either side, and edges are cut at that circle.
    """
    sense = _sense(poly, n, 0.0, 0.0)
    farthest = 0.0
    for i in range(n):
        farthest = max(farthest, poly[i, 0] * poly[i, 0] + poly[i, 1] * poly[i, 1])
    if farthest < inner * inner:
        return 0
    everywhere = sense != 0 and rooted
    # int64 variables: for a literal number numba compiles the function called anew.
    crossings = np.int64(0)
    m = np.int64(0)
    touched = False
    for i in range(n):
        if everywhere:
            break
        k = i + 1 if i + 1 < n else 0
        ax = poly[i, 0]
        ay = poly[i, 1]
        dx = poly[k, 0] - ax
        dy = poly[k, 1] - ay
        a = dx * dx + dy * dy
        b = ax * dx + ay * dy
        c = ax * ax + ay * ay
        begin = 0.0
        end = 1.0
        if a > 0.0:
            root = b * b - a * (c - outer * outer)
            if root < 0.0:
                continue
            root = math.sqrt(root)
            begin = max((-b - root) / a, 0.0)
            end = min((-b + root) / a, 1.0)
            if begin > end:
                continue
        elif c > outer * outer:
            continue
        touched = True
        for side in range(2):
            t = begin if side == 0 else end
            if (side == 0 and t > 0.0) or (side == 1 and t < 1.0):
                rim[crossings, 0] = ax + t * dx
                rim[crossings, 1] = ay + t * dy
                rim[crossings, 2] = poly[i, 2] + t * (poly[k, 2] - poly[i, 2])
                rim[crossings, 3] = 1.0 if side == 0 else -1.0
                crossings += 1
        # The parts outside the inner circle: one before it, one behind.
        leave = end
        again = 2.0
        root = b * b - a * (c - inner * inner)
        if a == 0.0 and c < inner * inner:
            continue
        if a > 0.0 and root > 0.0:
            root = math.sqrt(root)
            leave = min(end, (-b - root) / a)
            again = max(begin, (-b + root) / a)
        for side in range(2):
            t0 = begin if side == 0 else again
            t1 = leave if side == 0 else end
            if t0 > t1:
                continue
            nearest = min(max(-b / a, t0), t1) if a > 0.0 else t0
            first = t1
            last = t1
            if c + nearest * (2.0 * b + nearest * a) <= width * width:
                if rooted:
                    everywhere = True
                    break
                cross = math.sqrt(max(b * b - a * (c - width * width), 0.0))
                first = min(max((-b - cross) / a, t0), t1) if a > 0.0 else t1
                last = min(max((-b + cross) / a, t0), t1) if a > 0.0 else t1
            for piece in range(3 if first < t1 else 1):
                begin_at = t0 if piece == 0 else (first if piece == 1 else last)
                end_at = first if piece == 0 else (last if piece == 1 else t1)
                _straight(poly, i, k, begin_at, end_at, width, found, m)
                m += 1
    if everywhere or (sense != 0 and not touched):
        x, y, z = poly[0]
        m *= 0
        _keep(found, m, 0.0, TURN, x, y, z, x, y, z)
        return m + 1
    if crossings > 1:
        m = _rim(poly, n, sense, rim, crossings, width, outer, found, m)
    return m


@numba.njit(cache=True, nogil=True)
def _triangle(triangles, j, frame, bars, i, extra, work):
    """Angles that triangle j blocks for bar i, noted in ``found``; returns their number."""
    poly, half, cut, rim, found = work
    low = bars[i, 0] - extra
    high = bars[i, 1] + extra
    width = bars[i, 2] + extra
    inner = max(bars[i, 3] - extra, 0.0)
    outer = bars[i, 4] + extra
    # A bar that begins beyond its half width has a flat inner end; grown, it has a round root
    # only if that end comes to the axis.
    flat = bars[i, 3] * bars[i, 3] - bars[i, 2] * bars[i, 2]
    grown = max(extra, 0.0)
    rooted = bars[i, 3] < bars[i, 2] or flat < grown * grown
    if low > high or width < 0.0 or inner > outer or outer <= 0.0:
        return 0
    n = np.int64(3)
    _local(triangles, j, frame, poly)
    least = min(poly[0, 2], poly[1, 2], poly[2, 2])
    most = max(poly[0, 2], poly[1, 2], poly[2, 2])
    if least > high or most < low:
        return 0
    if least >= low and most <= high:
        return _metal(poly, n, width, inner, outer, rooted, rim, found)
    n = _clip(poly, n, low, 1.0, half)
    n = _clip(half, n, high, -1.0, cut)
    if n == 0:
        return 0
    return _metal(cut, n, width, inner, outer, rooted, rim, found)


@numba.njit(cache=True, nogil=True)
def block(tree, part, frame, bars, need, state, count, work):
    """Unite the angles that one tree blocks with those blocked already.

    ``bars`` (m, 6) as the module says. Gaps shorter than ``need`` radians are closed while
    looking: the gaps left are exact, and there are none shorter (but at 0 and 2 pi, where two
    pieces make one). Returns the number of rows of ``state`` in use, or -1 where its arrays are
    too short. ``work`` holds arrays to work in: (STACK,) int, (3,), (6,), and in a tuple
    of their own three of (8, 3), one of (16, 4) and one of (48, 8).
    """
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    stack, near, places, inner_work = work
    found = inner_work[4]
    ends = state[0]
    n = order.shape[0]
    loose = slack.shape[0] > 0
    for i in range(bars.shape[0]):
        top = 0
        stack[0] = 0
        while top >= 0:
            if count == 1 and ends[0, 0] == 0.0 and ends[0, 1] == TURN:
                return count
            node = stack[top]
            top -= 1
            if node >= first_leaf:
                begin = (node - first_leaf) * leaf
                for j in range(begin, min(begin + leaf, n)):
                    extra = slack[j] if loose else 0.0
                    m = _triangle(triangles, j, frame, bars, i, extra, inner_work)
                    for row in range(m):
                        for c in range(6):
                            places[c] = found[row, 2 + c]
                        low = found[row, 0] + bars[i, 5]
                        high = found[row, 1] + bars[i, 5]
                        count = _block(state, count, low, high, part, order[j], places, need)
                        if count < 0:
                            return count
                continue
            held = -1
            kept = 0.0
            for child in range(2 * node + 1, 2 * node + 3):
                extra = node_slack[child] if loose else 0.0
                if not _node(boxes, child, frame, bars, i, extra, near):
                    continue
                if _settled(ends, count, near[0], near[1]):
                    continue
                top += 1
                stack[top] = child
                # The nearer one on top: it blocks more.
                if held >= 0 and near[2] > kept:
                    stack[top] = held
                    stack[top - 1] = child
                held = child
                kept = near[2]
    return count

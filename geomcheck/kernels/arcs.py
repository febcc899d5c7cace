"""Turning arcs: at which angles a bar that turns about an axis stands clear of a triangle tree.

``frame`` (4, 3): row 0 the origin, rows 1 to 3 the unit axes u, v, w; the bar turns about w, angle
0 along u, positive from u to v, radians.

*The bar.* Turned to angle 0 it is every point with ``z_low <= z <= z_high``,
``r_from <= rho <= r_to`` and ``x >= 0, |y| <= half_width``: flat below, above and on its sides, its
tip round about the axis (a square tip of length l is inside where
``r_to ** 2 >= l ** 2 + half_width ** 2``). Where ``r_from < half_width`` its root is round about
the axis too, and holds every point with ``r_from <= rho <= half_width``. A row is (z_low, z_high,
half_width, r_from, r_to, at), ``at`` being its angle from the first one where several turn.

*Blocked angles.* A triangle is clipped to the slab and projected. A point at (rho, phi) blocks
phi -+ asin(half_width / rho), all angles in the root. Half lines that touch the circle of radius
half_width fill the plane outside it once, so along a straight edge out there either end of the
interval only rises or only falls: the extremes over the part of an edge within the ring are at
that part's ends. The bar reaches from one circle of the ring to the other, so where it meets the
polygon it meets an edge or its part of the outer circle. Exact up to rounding; touching blocks.

``tree`` is as in ``geomcheck.kernels.solids``; ``slack`` grows the bar by that on all sides.

*State.* ``ends`` (k, 2) are blocked intervals in 0 .. 2 pi, rising and apart; ``marks`` (k, 4)
the part and the caller's triangle number of the lower and of the upper end; ``spots`` (k, 6) the
places on them in the frame. At 0 and 2 pi they are those of one triangle that blocks that angle.
"""

import math

import numba
import numpy as np

#: A tree of depth 64 leaves at most one waiting node a level.
STACK = 66
TURN = 2.0 * math.pi
FULL_TABLE = -1  # instead of a count of intervals: there is no room for another one


@numba.njit(cache=True, nogil=True)
def _move(state, source, row):
    """Copy an interval to another row."""
    ends, marks, spots = state
    for c in range(6):
        spots[row, c] = spots[source, c]
        if c < 4:
            marks[row, c] = marks[source, c]
        if c < 2:
            ends[row, c] = ends[source, c]


@numba.njit(cache=True, nogil=True)
def _put(state, count, low, high, part, number, places, need):
    """Unite an interval within 0 .. 2 pi with those blocked, closing gaps under ``need``."""
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
        for c in range(2, 6):
            spots[first, c] = spots[first + shift if c > 2 else first, c]
            if c < 4:
                marks[first, c] = marks[first + shift, c]
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
def _turned(low, high):
    """The same angles with ``low`` within 0 .. 2 pi."""
    if high - low >= TURN:
        return 0.0, TURN
    turns = math.floor(low / TURN) * TURN
    if low - turns >= TURN:
        return 0.0, max(high - turns - TURN, 0.0)
    return low - turns, high - turns


@numba.njit(cache=True, nogil=True)
def _block(state, count, low, high, part, number, places, need):
    """Unite the interval low .. high, any turn, with the blocked ones; returns their number."""
    low, high = _turned(low, high)
    count = _put(state, count, low, min(high, TURN), part, number, places, need)
    if high > TURN and count >= 0:
        count = _put(state, count, 0.0, high - TURN, part, number, places, need)
    return count


@numba.njit(cache=True, nogil=True)
def _settled(ends, count, low, high):
    """Whether low .. high, any turn, lies inside blocked intervals and off their ends."""
    low, high = _turned(low, high)
    for side in range(2 if high > TURN else 1):
        a = low if side == 0 else 0.0
        b = min(high, TURN) if side == 0 else high - TURN
        held = False
        for i in range(count):
            before = ends[i, 0] < a or (ends[i, 0] == 0.0 and a == 0.0)
            behind = b < ends[i, 1] or (ends[i, 1] == TURN and b == TURN)
            held = held or (before and behind)
        if not held:
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _node(boxes, node, frame, bars, i, extra, out):
    """Whether a node can block; out = angles low and high, distance of its centre's circle."""
    if boxes[node, 0] > boxes[node, 3]:
        return False
    low, high = boxes[node, :3], boxes[node, 3:]
    x = 0.5 * (low[0] + high[0]) - frame[0, 0]
    y = 0.5 * (low[1] + high[1]) - frame[0, 1]
    z = 0.5 * (low[2] + high[2]) - frame[0, 2]
    hx, hy, hz = 0.5 * (high[0] - low[0]), 0.5 * (high[1] - low[1]), 0.5 * (high[2] - low[2])
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
    if away - reach > bars[i, 4] or away + reach < bars[i, 3]:
        return False
    out[2] = away - reach
    side = reach + bars[i, 2]
    half = math.asin(side / away) + 1e-12 if away > side else math.pi
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
        for c in range(3):
            poly[i, c] = frame[c + 1, 0] * x + frame[c + 1, 1] * y + frame[c + 1, 2] * z


@numba.njit(cache=True, nogil=True)
def _clip(poly, n, level, sign, out):
    """Part of a convex polygon where sign * (z - level) >= 0; returns its number of corners."""
    m = 0
    for i in range(n):
        k = i + 1 if i + 1 < n else 0
        a = sign * (poly[i, 2] - level)
        b = sign * (poly[k, 2] - level)
        if a >= 0.0:
            for c in range(3):
                out[m, c] = poly[i, c]
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
    """+1 or -1 where the projected polygon holds (x, y), by its sense of turning; else 0."""
    # Rounding can give all cross products of an edge-on sliver one sign: hence the rectangle.
    negative = positive = False
    low_x = low_y = math.inf
    high_x = high_y = -math.inf
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
def _keep(found, m, low, high, a, b):
    """Note an interval and the places (3,) of its ends in row ``m`` of ``found``."""
    found[m, 0] = low
    found[m, 1] = high
    for c in range(3):
        found[m, 2 + c] = a[c]
        found[m, 5 + c] = b[c]


@numba.njit(cache=True, nogil=True)
def _straight(poly, i, k, t0, t1, width, found, m):
    """Blocked angles of the part t0 .. t1 of an edge, outside the circle of ``width``."""
    a = poly[6]
    b = poly[7]
    for c in range(3):
        step = poly[k, c] - poly[i, c]
        a[c] = poly[i, c] + t0 * step
        b[c] = poly[k, c] if t1 == 1.0 else poly[i, c] + t1 * step
    phi = math.atan2(a[1], a[0])
    turn = math.atan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
    half_a = math.asin(min(width / math.sqrt(a[0] * a[0] + a[1] * a[1]), 1.0))
    half_b = math.asin(min(width / math.sqrt(b[0] * b[0] + b[1] * b[1]), 1.0))
    low = min(-half_a, turn - half_b)
    high = max(half_a, turn + half_b)
    first = b if low < -half_a else a
    last = b if high > half_a else a
    _keep(found, m, phi + low, phi + high, first, last)


@numba.njit(cache=True, nogil=True)
def _rim(poly, n, sense, rim, crossings, width, outer, found, m):
    """Blocked angles of the outer circle's parts inside the polygon; returns the rows noted."""
    # ``rim``: where the edges cross the circle, in their order; +1 coming in, -1 going out.
    half = math.asin(min(width / outer, 1.0))
    for i in range(crossings if crossings > 1 else 0):
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
        low = min(start, start + span)
        a, b = (i, k) if span >= 0.0 else (k, i)
        _keep(found, m, low - half, low + abs(span) + half, rim[a], rim[b])
        m += 1
    return m


@numba.njit(cache=True, nogil=True)
def _metal(poly, n, width, inner, outer, rooted, rim, found):
    """Blocked angles of one clipped triangle; returns the number of intervals noted."""
    # Unless ``rooted``, a grown bar may yet come nearer to the axis than its half width: there,
    # a quarter turn is blocked to either side, and edges are cut at that circle.
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
        begin, end = 0.0, 1.0
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
                for axis in range(3):
                    rim[crossings, axis] = poly[i, axis] + t * (poly[k, axis] - poly[i, axis])
                rim[crossings, 3] = 1.0 if side == 0 else -1.0
                crossings += 1
        # The parts outside the inner circle: one before it, one behind.
        leave, again = end, 2.0
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
            first = last = t1
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
        m *= 0
        _keep(found, m, 0.0, TURN, poly[0], poly[0])
        return m + 1
    return _rim(poly, n, sense, rim, crossings, width, outer, found, m)


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
    return _metal(cut, n, width, inner, outer, rooted, rim, found)


@numba.njit(cache=True, nogil=True)
def block(tree, part, frame, bars, need, state, count, work):
    """Unite the angles that one tree blocks with those blocked already.

    ``bars`` (m, 6) as the module says. Gaps shorter than ``need`` radians are closed while
    looking: the gaps left are exact (at 0 and 2 pi two pieces make one). Returns the number of
    rows of ``state`` in use, -1 where it has too few. ``work``, arrays to work in: (STACK,) int,
    (3,), and in a tuple of their own three of (8, 3), one of (16, 4) and one of (48, 8).
    """
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    stack, near, inner_work = work
    found = inner_work[4]
    ends = state[0]
    n = order.shape[0]
    loose = slack.shape[0] > 0
    for i in range(bars.shape[0]):
        top = 0
        stack[0] = 0
        while top >= 0:
            if count == 1:
                rest = ends[0, 0] + (TURN - ends[0, 1])
                if rest == 0.0 or rest < need:
                    return count
            node = stack[top]
            top -= 1
            if node >= first_leaf:
                begin = (node - first_leaf) * leaf
                for j in range(begin, min(begin + leaf, n)):
                    extra = slack[j] if loose else 0.0
                    for row in range(_triangle(triangles, j, frame, bars, i, extra, inner_work)):
                        low, high = found[row, 0] + bars[i, 5], found[row, 1] + bars[i, 5]
                        places = found[row, 2:]
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


@numba.njit(cache=True, nogil=True)
def _widest(ends, count):
    """The widest free gap, radians: (from, to), the same twice where there is none."""
    if count == 0:
        return 0.0, TURN
    low = ends[count - 1, 1]
    high = ends[0, 0] + TURN
    for i in range(count - 1):
        if ends[i + 1, 0] - ends[i, 1] > high - low:
            low, high = ends[i, 1], ends[i + 1, 0]
    return low, high


@numba.njit(cache=True, nogil=True)
def turns(tree, frames, bars, starts, need, begin, end, state, work, out, middle):
    """Whether the tools of poses begin..end-1 turn by ``need`` radians (more than 0).

    ``bars[starts[k] : starts[k + 1]]`` are the bars of tool k. ``out`` (q, tools) uint8 holds 1
    where the question is asked, and gets 0 where no arc is that long; ``middle`` (q, tools) gets
    the middle of one that is. ``state`` needs 4 + TURN / need rows.
    """
    tools = starts.shape[0] - 1
    # Neighbours mostly turn in the same place: the last arc is tried first, by itself.
    guess = np.zeros((tools, 2))
    ends = state[0]
    # Of the types that block() uses, else numba compiles the functions called anew.
    part, none = np.int64(0), np.int32(-1)
    for q in range(begin, end):
        for k in range(tools):
            own = bars[starts[k] : starts[k + 1]]
            if out[q, k] == 0 or own.shape[0] == 0:
                continue
            side = min(0.5 * (guess[k, 1] - guess[k, 0]), 0.7 * need, 0.5 * TURN)
            low = high = 0.0
            for attempt in range(0 if side > 0.0 else 1, 2):
                count = np.int64(0)
                if attempt == 0:
                    # All but the last arc's middle counts as blocked.
                    low = 0.5 * (guess[k, 0] + guess[k, 1]) + side
                    high = low + TURN - 2.0 * side
                    count = _block(state, count, low, high, part, none, work[2][4][0, 2:], need)
                count = block(tree, part, frames[q], own, need, state, count, work)
                low, high = _widest(ends, count)
                if high - low >= need:
                    break
            if high - low >= need:
                middle[q, k] = 0.5 * (low + high) % TURN
                guess[k, 0] = low
                guess[k, 1] = high
            else:
                out[q, k] = 0

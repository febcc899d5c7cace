"""Flat-ended cylinders against a triangle tree: largest free radius, and free travel.

Both questions work in a frame whose third axis is the cylinder's (``frames[q]``: row 0 the origin,
rows 1 to 3 the unit axes u, v, w in world coordinates).

*Room.* A tool is a stack of coaxial rows (z0, z1, radius). Each triangle is clipped to the slab
z0 .. z1 and projected along w; the distance from the origin to the convex polygon that is left
(0 when it holds the origin) is the largest radius that fits under that triangle. The room of a
tool is the least, over rows and triangles, of that radius less the row's radius. Exact up to
rounding; slabs are closed, so a face lying in an end plane counts.

*Travel.* The least z of the part of the triangles that lies within a radius of the axis and above
a start: where a cylinder moving along w is stopped. A linear function over the convex set
(polygon and disc) is least at a polygon vertex, an edge's crossing of the circle, or the circle's
extreme point.

``tree`` is (triangles, order, boxes, first_leaf, leaf, slack, node_slack); the first five as
``geomcheck.kernels.tree`` lays them out. ``slack`` (one value a triangle, tree order) moves the
metal towards the tool by that many mm in every direction, away from it where negative;
``node_slack`` is its maximum per tree node. Two arrays of length 0 mean none.

The node bound turns the box into the frame: its z interval, and the distance of its rectangle
from the axis.
"""

import numba
import numpy as np

# Counts that are literals are handed on as np.int64(...): a bare literal has a type of its own, and
# the callee would be compiled once more for it.

#: A tree of depth 64 leaves at most one waiting node a level.
STACK = 66


@numba.njit(cache=True, nogil=True)
def merge_slack(slack, leaf, p, out):
    """Maximum of ``slack`` under every node; nodes without triangles get -inf."""
    n = slack.shape[0]
    for k in range(p):
        top = -np.inf
        for j in range(k * leaf, min((k + 1) * leaf, n)):
            top = max(top, slack[j])
        out[p - 1 + k] = top
    for i in range(p - 2, -1, -1):
        out[i] = max(out[2 * i + 1], out[2 * i + 2])


@numba.njit(cache=True, nogil=True)
def _box(boxes, node, frame, out):
    """Node box in the frame: out = z low, z high, distance of its rectangle from the axis."""
    if boxes[node, 0] > boxes[node, 3]:
        return False
    cx = 0.5 * (boxes[node, 0] + boxes[node, 3]) - frame[0, 0]
    cy = 0.5 * (boxes[node, 1] + boxes[node, 4]) - frame[0, 1]
    cz = 0.5 * (boxes[node, 2] + boxes[node, 5]) - frame[0, 2]
    hx = 0.5 * (boxes[node, 3] - boxes[node, 0])
    hy = 0.5 * (boxes[node, 4] - boxes[node, 1])
    hz = 0.5 * (boxes[node, 5] - boxes[node, 2])
    w = frame[3, 0] * cx + frame[3, 1] * cy + frame[3, 2] * cz
    dw = abs(frame[3, 0]) * hx + abs(frame[3, 1]) * hy + abs(frame[3, 2]) * hz
    # The part of the centre's offset square to the axis, and the box's half extent along it.
    rx = cx - w * frame[3, 0]
    ry = cy - w * frame[3, 1]
    rz = cz - w * frame[3, 2]
    r2 = rx * rx + ry * ry + rz * rz
    distance = 0.0
    # Rounding must not make a bound too large.
    pad = 1e-12 * (abs(cx) + abs(cy) + abs(cz) + hx + hy + hz)
    if r2 > 0.0:
        distance = (r2 - (abs(rx) * hx + abs(ry) * hy + abs(rz) * hz)) / np.sqrt(r2) - pad
    out[0] = w - dw - pad
    out[1] = w + dw + pad
    out[2] = max(distance, 0.0)
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
def _away(poly):
    """Lower bound of the squared distance from the axis to a triangle, by its rectangle."""
    total = 0.0
    for c in range(2):
        low = min(poly[0, c], poly[1, c], poly[2, c])
        high = max(poly[0, c], poly[1, c], poly[2, c])
        gap = max(low, -high, 0.0)
        total += gap * gap
    return total


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
def _holds(poly, n, x, y):
    """Whether the projected polygon holds the point (x, y); a sliver seen edge-on holds none.

    Rounding can give all cross products of an edge-on sliver one sign, hence the rectangle test.
    """
    negative = False
    positive = False
    low_x = np.inf
    high_x = -np.inf
    low_y = np.inf
    high_y = -np.inf
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
    if negative == positive:
        return False
    return low_x <= 0.0 and high_x >= 0.0 and low_y <= 0.0 and high_y >= 0.0


@numba.njit(cache=True, nogil=True)
def _normal(poly, n):
    """Normal of a convex polygon, twice its area long."""
    nx = 0.0
    ny = 0.0
    nz = 0.0
    for i in range(1, n - 1):
        ax = poly[i, 0] - poly[0, 0]
        ay = poly[i, 1] - poly[0, 1]
        az = poly[i, 2] - poly[0, 2]
        bx = poly[i + 1, 0] - poly[0, 0]
        by = poly[i + 1, 1] - poly[0, 1]
        bz = poly[i + 1, 2] - poly[0, 2]
        nx += ay * bz - az * by
        ny += az * bx - ax * bz
        nz += ax * by - ay * bx
    return nx, ny, nz


@numba.njit(cache=True, nogil=True)
def _height(poly, n, normal, x, y):
    """Z of the polygon's plane at (x, y), kept within the polygon: a steep one may round off."""
    low = np.inf
    high = -np.inf
    for i in range(n):
        low = min(low, poly[i, 2])
        high = max(high, poly[i, 2])
    nx, ny, nz = normal
    if nz == 0.0:
        return low
    z = poly[0, 2] + (nx * (poly[0, 0] - x) + ny * (poly[0, 1] - y)) / nz
    return min(max(z, low), high)


@numba.njit(cache=True, nogil=True)
def _nearest(poly, n, point):
    """Distance from the origin to the projected polygon; ``point`` gets the place, in the frame."""
    if _holds(poly, n, 0.0, 0.0):
        point[0] = 0.0
        point[1] = 0.0
        point[2] = _height(poly, n, _normal(poly, n), 0.0, 0.0)
        return 0.0
    best = np.inf
    for i in range(n):
        k = i + 1 if i + 1 < n else 0
        ax = poly[i, 0]
        ay = poly[i, 1]
        dx = poly[k, 0] - ax
        dy = poly[k, 1] - ay
        length = dx * dx + dy * dy
        t = 0.0
        if length > 0.0:
            t = min(max(-(ax * dx + ay * dy) / length, 0.0), 1.0)
        x = ax + t * dx
        y = ay + t * dy
        if t == 1.0:
            x = poly[k, 0]
            y = poly[k, 1]
        d2 = x * x + y * y
        if d2 < best:
            best = d2
            point[0] = x
            point[1] = y
            point[2] = poly[i, 2] + t * (poly[k, 2] - poly[i, 2])
    return np.sqrt(best)


@numba.njit(cache=True, nogil=True)
def _node_room(boxes, node, frame, rows, extra, box):
    """Lower bound of the room under a node; +inf if no row reaches it (cutoffs are finite)."""
    if not _box(boxes, node, frame, box):
        return np.inf
    widest = -np.inf
    for i in range(rows.shape[0]):
        if rows[i, 1] + extra >= box[0] and rows[i, 0] - extra <= box[1] and rows[i, 2] > widest:
            widest = rows[i, 2]
    return box[2] - widest - extra


@numba.njit(cache=True, nogil=True)
def _slab(poly, low, high, half, cut):
    """Clip the triangle in ``poly`` to low <= z <= high into ``cut``; returns the corners left."""
    n = _clip(poly, np.int64(3), low, 1.0, half)
    return _clip(half, n, high, -1.0, cut)


@numba.njit(cache=True, nogil=True)
def _room(tree, frame, rows, cutoff, enough, work):
    """Least room of one tool under ``cutoff``: (value, sorted triangle or -1, row)."""
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    stack, bounds, poly, half, cut, box = work
    n = order.shape[0]
    loose = slack.shape[0] > 0
    best = cutoff
    found = -1
    at_row = -1
    top = 0
    stack[0] = 0
    bounds[0] = -np.inf
    while top >= 0:
        node = stack[top]
        bound = bounds[top]
        top -= 1
        # A node that can only tie is opened, so that ties go to the least triangle number.
        if bound > best:
            continue
        if node < first_leaf:
            a = 2 * node + 1
            b = a + 1
            bound_a = _node_room(boxes, a, frame, rows, node_slack[a] if loose else 0.0, box)
            bound_b = _node_room(boxes, b, frame, rows, node_slack[b] if loose else 0.0, box)
            if bound_a < bound_b:
                a, b = b, a
                bound_a, bound_b = bound_b, bound_a
            if bound_a <= best:
                top += 1
                stack[top] = a
                bounds[top] = bound_a
            if bound_b <= best:
                top += 1
                stack[top] = b
                bounds[top] = bound_b
            continue
        begin = (node - first_leaf) * leaf
        for j in range(begin, min(begin + leaf, n)):
            extra = slack[j] if loose else 0.0
            _local(triangles, j, frame, poly)
            low = min(poly[0, 2], poly[1, 2], poly[2, 2])
            high = max(poly[0, 2], poly[1, 2], poly[2, 2])
            away = _away(poly)
            for i in range(rows.shape[0]):
                z0 = rows[i, 0] - extra
                z1 = rows[i, 1] + extra
                if z0 > z1 or high < z0 or low > z1:
                    continue
                limit = best + rows[i, 2] + extra
                if limit < 0.0 or away > limit * limit:
                    continue
                if low >= z0 and high <= z1:
                    value = _nearest(poly, np.int64(3), box)
                else:
                    m = _slab(poly, z0, z1, half, cut)
                    if m == 0:
                        continue
                    value = _nearest(cut, m, box)
                value = value - rows[i, 2] - extra
                tie = value == best and found >= 0 and order[j] < order[found]
                if value < best or tie:
                    best = value
                    found = j
                    at_row = i
                    if best < enough:
                        return best, found, at_row
    return best, found, at_row


@numba.njit(cache=True, nogil=True)
def _world(frame, point, out):
    """A point of the frame in world coordinates."""
    for c in range(3):
        out[c] = (
            frame[0, c] + point[0] * frame[1, c] + point[1] * frame[2, c] + point[2] * frame[3, c]
        )


@numba.njit(cache=True, nogil=True)
def rooms(tree, frames, rows, starts, cutoffs, enough, begin, end, values, found, row, points):
    """Room of tools begin..end-1, each in its own frame.

    ``rows[starts[q] : starts[q + 1]]`` are the rows (z0, z1, radius) of tool q. ``values[q]`` is
    the room, or ``cutoffs[q]`` when nothing comes nearer than that; ``found[q]`` the caller's
    triangle number, -1 for none; ``row[q]`` the row of the tool; ``points[q]`` the place on that
    triangle in world coordinates. A query ends at the first room under ``enough`` (-inf: never):
    the value then only proves that the room is no larger.
    """
    triangles = tree[0]
    order = tree[1]
    slack = tree[5]
    stack = np.empty(STACK, dtype=np.int64)
    bounds = np.empty(STACK, dtype=np.float64)
    poly = np.empty((8, 3), dtype=np.float64)
    half = np.empty((8, 3), dtype=np.float64)
    cut = np.empty((8, 3), dtype=np.float64)
    box = np.empty(3, dtype=np.float64)
    work = (stack, bounds, poly, half, cut, box)
    for q in range(begin, end):
        frame = frames[q]
        own = rows[starts[q] : starts[q + 1]]
        best, j, i = _room(tree, frame, own, cutoffs[q], enough, work)
        values[q] = best
        row[q] = i
        if j < 0:
            found[q] = -1
            continue
        found[q] = order[j]
        extra = slack[j] if slack.shape[0] > 0 else 0.0
        _local(triangles, j, frame, poly)
        m = _slab(poly, own[i, 0] - extra, own[i, 1] + extra, half, cut)
        _nearest(cut, m, box)
        _world(frame, box, points[q])


@numba.njit(cache=True, nogil=True)
def _lowest(poly, n, radius, point):
    """Least z of a convex polygon within ``radius`` of the axis; +inf if none is."""
    best = np.inf
    r2 = radius * radius
    for i in range(n):
        k = i + 1 if i + 1 < n else 0
        ax = poly[i, 0]
        ay = poly[i, 1]
        dx = poly[k, 0] - ax
        dy = poly[k, 1] - ay
        dz = poly[k, 2] - poly[i, 2]
        a = dx * dx + dy * dy
        b = ax * dx + ay * dy
        c = ax * ax + ay * ay - r2
        t0 = 0.0
        t1 = 1.0
        if a > 0.0:
            root = b * b - a * c
            if root < 0.0:
                continue
            root = np.sqrt(root)
            t0 = max((-b - root) / a, 0.0)
            t1 = min((-b + root) / a, 1.0)
        elif c > 0.0:
            continue
        if t0 > t1:
            continue
        t = t1 if dz < 0.0 else t0
        z = poly[i, 2] + t * dz
        if t == 1.0:
            z = poly[k, 2]
        if z < best:
            best = z
            point[0] = ax + t * dx
            point[1] = ay + t * dy
            point[2] = z
    # The circle's own extreme point, where the polygon covers it.
    nx, ny, nz = _normal(poly, n)
    if nz < 0.0:
        nx, ny, nz = -nx, -ny, -nz
    steep = np.sqrt(nx * nx + ny * ny)
    x = radius
    y = 0.0
    if steep > 0.0:
        x = radius * nx / steep
        y = radius * ny / steep
    if nz > 0.0 and _holds(poly, n, x, y):
        z = _height(poly, n, (nx, ny, nz), x, y)
        if z < best:
            best = z
            point[0] = x
            point[1] = y
            point[2] = z
    return best


@numba.njit(cache=True, nogil=True)
def travels(tree, frames, radii, floors, ceilings, begin, end, values, found, points):
    """Height at which cylinders begin..end-1, moving up their axes, first meet metal.

    ``values[q]`` is the least z of metal within ``radii[q]`` of the axis and not below
    ``floors[q]``, or ``ceilings[q]`` when there is none lower; ``found`` and ``points`` as for
    :func:`rooms`.
    """
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    stack = np.empty(STACK, dtype=np.int64)
    bounds = np.empty(STACK, dtype=np.float64)
    poly = np.empty((8, 3), dtype=np.float64)
    cut = np.empty((8, 3), dtype=np.float64)
    box = np.empty(3, dtype=np.float64)
    point = np.empty(3, dtype=np.float64)
    n = order.shape[0]
    loose = slack.shape[0] > 0
    for q in range(begin, end):
        frame = frames[q]
        floor = floors[q]
        best = ceilings[q]
        at = -1
        top = 0
        stack[0] = 0
        bounds[0] = -np.inf
        while top >= 0:
            node = stack[top]
            bound = bounds[top]
            top -= 1
            if bound > best:
                continue
            if node < first_leaf:
                near = -1
                for child in (2 * node + 1, 2 * node + 2):
                    if not _box(boxes, child, frame, box):
                        continue
                    extra = node_slack[child] if loose else 0.0
                    if box[2] > radii[q] + extra or box[1] < floor - extra:
                        continue
                    low = max(box[0] - extra, floor)
                    if low > best:
                        continue
                    top += 1
                    stack[top] = child
                    bounds[top] = low
                    if near >= 0 and low > bounds[near]:
                        stack[top], stack[near] = stack[near], stack[top]
                        bounds[top], bounds[near] = bounds[near], bounds[top]
                    near = top
                continue
            first = (node - first_leaf) * leaf
            for j in range(first, min(first + leaf, n)):
                extra = slack[j] if loose else 0.0
                radius = radii[q] + extra
                if radius < 0.0:
                    continue
                _local(triangles, j, frame, poly)
                if max(poly[0, 2], poly[1, 2], poly[2, 2]) < floor - extra:
                    continue
                m = _clip(poly, np.int64(3), floor - extra, 1.0, cut)
                if m == 0:
                    continue
                value = max(_lowest(cut, m, radius, point) - extra, floor)
                tie = value == best and at >= 0 and order[j] < order[at]
                if value < best or tie:
                    best = value
                    at = j
                    _world(frame, point, points[q])
        values[q] = best
        found[q] = order[at] if at >= 0 else -1

"""Which of several tools stand clear in many directions: yes or no, first witness first.

The same question as :func:`geomcheck.kernels.solids.rooms` asks, for all tools of a direction in
one walk and without the room itself. A tool is a stack of coaxial rows (z0, z1, radius) in a frame
``frames[q]`` (row 0 the origin, rows 1 to 3 the unit axes u, v, w); it is met where a triangle,
clipped to a row's slab and projected along w, comes nearer to the axis than ``radius + need``.

Next to one direction stands another that mostly meets the same metal: triangles that met a tool
last are tried first.

``tree`` is as in ``geomcheck.kernels.solids``.
"""

import math

import numba
import numpy as np

#: A tree of depth 64 leaves at most one waiting node a level.
STACK = 66
#: Triangles remembered for each tool.
KEPT = 32


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
        distance = (r2 - (abs(rx) * hx + abs(ry) * hy + abs(rz) * hz)) / math.sqrt(r2) - pad
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
    if negative == positive:
        return False
    return low_x <= 0.0 and high_x >= 0.0 and low_y <= 0.0 and high_y >= 0.0


@numba.njit(cache=True, nogil=True)
def _within(poly, n, limit2):
    """Whether the projected polygon comes nearer to the origin than the root of ``limit2``."""
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
        if x * x + y * y < limit2:
            return True
    return _holds(poly, n, 0.0, 0.0)


@numba.njit(cache=True, nogil=True)
def _meets(poly, rows, first, last, need, extra, low, high, away2, half, cut):
    """Whether the triangle in ``poly`` meets one of the rows."""
    n = np.int64(3)
    for i in range(first, last):
        z0 = rows[i, 0] - extra
        z1 = rows[i, 1] + extra
        limit = rows[i, 2] + need + extra
        if z0 > z1 or high < z0 or low > z1 or limit <= 0.0 or away2 >= limit * limit:
            continue
        if low >= z0 and high <= z1:
            if _within(poly, n, limit * limit):
                return True
            continue
        m = _clip(poly, n, z0, 1.0, half)
        m = _clip(half, m, z1, -1.0, cut)
        if m > 0 and _within(cut, m, limit * limit):
            return True
    return False


@numba.njit(cache=True, nogil=True)
def _span(poly, out):
    """Heights of a triangle, and a lower bound of its squared distance from the axis."""
    out[0] = min(poly[0, 2], poly[1, 2], poly[2, 2])
    out[1] = max(poly[0, 2], poly[1, 2], poly[2, 2])
    total = 0.0
    for c in range(2):
        low = min(poly[0, c], poly[1, c], poly[2, c])
        high = max(poly[0, c], poly[1, c], poly[2, c])
        gap = max(low, -high, 0.0)
        total += gap * gap
    out[2] = total


@numba.njit(cache=True, nogil=True)
def _reached(rows, starts, alive, count, need, extra, box):
    """Whether a node can meet one of the tools that are still clear."""
    for k in range(count):
        for i in range(starts[alive[k]], starts[alive[k] + 1]):
            if (
                rows[i, 1] + extra >= box[0]
                and rows[i, 0] - extra <= box[1]
                and rows[i, 2] + need + extra > box[2]
            ):
                return True
    return False


@numba.njit(cache=True, nogil=True)
def clear(tree, frames, rows, starts, need, begin, end, out):
    """Clear, or not, for the tools of poses begin..end-1.

    ``rows[starts[k] : starts[k + 1]]`` are the rows of tool k. ``out`` (q, tools) uint8 holds 1
    where the question is asked, and gets 0 where that tool has less room than ``need``.
    """
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    n = order.shape[0]
    tools = starts.shape[0] - 1
    loose = slack.shape[0] > 0
    stack = np.empty(STACK, dtype=np.int64)
    away = np.empty(STACK)
    alive = np.empty(tools, dtype=np.int64)
    kept = np.full((tools, KEPT), -1, dtype=np.int64)
    poly = np.empty((8, 3))
    half = np.empty((8, 3))
    cut = np.empty((8, 3))
    box = np.empty(3)
    for q in range(begin, end):
        frame = frames[q]
        count = 0
        for k in range(tools):
            if out[q, k] == 0:
                continue
            met = False
            for slot in range(KEPT):
                j = kept[k, slot]
                if j < 0:
                    break
                extra = slack[j] if loose else 0.0
                _local(triangles, j, frame, poly)
                _span(poly, box)
                low, high, near = box[0], box[1], box[2]
                met = _meets(
                    poly, rows, starts[k], starts[k + 1], need, extra, low, high, near, half, cut
                )
                if met:
                    # The latest witness first.
                    for back in range(slot, 0, -1):
                        kept[k, back] = kept[k, back - 1]
                    kept[k, 0] = j
                    break
            if met:
                out[q, k] = 0
            else:
                alive[count] = k
                count += 1
        top = 0
        stack[0] = 0
        while top >= 0 and count > 0:
            node = stack[top]
            top -= 1
            if node >= first_leaf:
                start = (node - first_leaf) * leaf
                for j in range(start, min(start + leaf, n)):
                    extra = slack[j] if loose else 0.0
                    _local(triangles, j, frame, poly)
                    _span(poly, box)
                    low, high, near = box[0], box[1], box[2]
                    left = 0
                    for a in range(count):
                        k = alive[a]
                        first, last = starts[k], starts[k + 1]
                        if _meets(poly, rows, first, last, need, extra, low, high, near, half, cut):
                            out[q, k] = 0
                            for back in range(KEPT - 1, 0, -1):
                                kept[k, back] = kept[k, back - 1]
                            kept[k, 0] = j
                        else:
                            alive[left] = k
                            left += 1
                    count = left
                continue
            held = -1
            for child in range(2 * node + 1, 2 * node + 3):
                if not _box(boxes, child, frame, box):
                    continue
                extra = node_slack[child] if loose else 0.0
                if not _reached(rows, starts, alive, count, need, extra, box):
                    continue
                top += 1
                stack[top] = child
                away[top] = box[2]
                # The nearer one on top.
                if held >= 0 and box[2] > away[top - 1]:
                    stack[top], stack[top - 1] = stack[top - 1], stack[top]
                held = top

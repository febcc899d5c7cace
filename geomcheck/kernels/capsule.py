"""Capsules against a triangle tree: exact distance of a segment from the triangles, less a radius.

A capsule is every point within ``radius`` of a segment. The distance of a segment from a triangle
is 0 where it passes through it, else that of the segment from one of the edges or of one of its
ends from the triangle. Exact up to rounding.

``tree`` is as in ``geomcheck.kernels.solids``; ``slack`` moves the metal towards the capsule by
that many mm for that triangle, away where negative.
"""

import math

import numba
import numpy as np

#: A tree of depth 64 leaves at most one waiting node a level.
STACK = 66


@numba.njit(cache=True, nogil=True)
def _node_gap(boxes, node, ends):
    """Lower bound of the distance from a segment (2, 3) to a node's box."""
    if boxes[node, 0] > boxes[node, 3]:
        return math.inf
    total = 0.0
    scale = 0.0
    span = 0.0
    radius = 0.0
    along = 0.0
    size = 0.0
    for c in range(3):
        low = min(ends[0, c], ends[1, c])
        high = max(ends[0, c], ends[1, c])
        gap = max(boxes[node, c] - high, low - boxes[node, 3 + c], 0.0)
        total += gap * gap
        half = 0.5 * (boxes[node, 3 + c] - boxes[node, c])
        radius += half * half
        off = 0.5 * (boxes[node, 3 + c] + boxes[node, c]) - ends[0, c]
        step = ends[1, c] - ends[0, c]
        along += off * step
        span += step * step
        size += off * off
        scale += abs(off) + half + abs(step)
    # The box's own ball, from the segment: tighter where the segment runs askew.
    t = min(max(along / span, 0.0), 1.0) if span > 0.0 else 0.0
    ball = size - 2.0 * t * along + t * t * span
    gap = max(math.sqrt(max(ball, 0.0)) - math.sqrt(radius), math.sqrt(total))
    # Rounding must not make a bound too large.
    return gap - 1e-12 * scale


@numba.njit(cache=True, nogil=True)
def _lines(ends, a, b, point):
    """Squared distance between a segment (2, 3) and the segment a .. b; ``point`` on the latter."""
    dd = ee = de = dr = er = 0.0
    for c in range(3):
        d = ends[1, c] - ends[0, c]
        e = b[c] - a[c]
        r = ends[0, c] - a[c]
        dd += d * d
        ee += e * e
        de += d * e
        dr += d * r
        er += e * r
    s = 0.0
    t = 0.0
    if dd == 0.0:
        t = min(max(er / ee, 0.0), 1.0) if ee > 0.0 else 0.0
    elif ee == 0.0:
        s = min(max(-dr / dd, 0.0), 1.0)
    else:
        wide = dd * ee - de * de
        if wide > 0.0:
            s = min(max((de * er - dr * ee) / wide, 0.0), 1.0)
        t = (de * s + er) / ee
        if t < 0.0:
            t = 0.0
            s = min(max(-dr / dd, 0.0), 1.0)
        elif t > 1.0:
            t = 1.0
            s = min(max((de - dr) / dd, 0.0), 1.0)
    total = 0.0
    for c in range(3):
        x = a[c] + t * (b[c] - a[c])
        point[c] = x
        off = ends[0, c] + s * (ends[1, c] - ends[0, c]) - x
        total += off * off
    return total


@numba.njit(cache=True, nogil=True)
def _foot(place, tri, normal, size, out):
    """Squared distance from a point to the plane of a triangle if it falls inside; else inf."""
    if size == 0.0:
        return math.inf
    height = 0.0
    for c in range(3):
        height += (place[c] - tri[0, c]) * normal[c]
    height /= size
    for c in range(3):
        out[c] = place[c] - height * normal[c]
    for i in range(3):
        k = i + 1 if i < 2 else 0
        turn = 0.0
        for c in range(3):
            d = (c + 1) % 3
            e = (c + 2) % 3
            cross = (tri[k, d] - tri[i, d]) * (out[e] - tri[i, e])
            cross -= (tri[k, e] - tri[i, e]) * (out[d] - tri[i, d])
            turn += cross * normal[c]
        if turn < 0.0:
            return math.inf
    return height * height * size


@numba.njit(cache=True, nogil=True)
def _distance(ends, tri, work, point):
    """Squared distance from a segment to a triangle; ``point`` gets the place on the triangle."""
    normal, spot = work
    size = 0.0
    for c in range(3):
        d = (c + 1) % 3
        e = (c + 2) % 3
        normal[c] = (tri[1, d] - tri[0, d]) * (tri[2, e] - tri[0, e]) - (tri[1, e] - tri[0, e]) * (
            tri[2, d] - tri[0, d]
        )
        size += normal[c] * normal[c]
    best = math.inf
    side_a = 0.0
    side_b = 0.0
    for c in range(3):
        side_a += (ends[0, c] - tri[0, c]) * normal[c]
        side_b += (ends[1, c] - tri[0, c]) * normal[c]
    if size > 0.0 and side_a * side_b < 0.0:
        # The segment crosses the plane: inside the triangle the distance is 0.
        t = side_a / (side_a - side_b)
        for c in range(3):
            point[c] = ends[0, c] + t * (ends[1, c] - ends[0, c])
        if _foot(point, tri, normal, size, spot) < math.inf:
            return 0.0
    for i in range(3):
        value = _lines(ends, tri[i], tri[i + 1 if i < 2 else 0], spot)
        if value < best:
            best = value
            for c in range(3):
                point[c] = spot[c]
    for i in range(2):
        value = _foot(ends[i], tri, normal, size, spot)
        if value < best:
            best = value
            for c in range(3):
                point[c] = spot[c]
    return best


@numba.njit(cache=True, nogil=True)
def rooms(tree, segments, radii, cutoffs, enough, begin, end, values, found, points):
    """Room of capsules begin..end-1: distance of ``segments`` (q, 2, 3) less ``radii`` (q,).

    ``values[q]`` is the room, or ``cutoffs[q]`` when nothing comes nearer; ``found[q]`` the
    caller's triangle number, -1 for none; ``points[q]`` the place on it. A query ends at the first
    room under ``enough`` (-inf: never).
    """
    triangles, order, boxes, first_leaf, leaf, slack, node_slack = tree
    stack = np.empty(STACK, dtype=np.int64)
    bounds = np.empty(STACK)
    point = np.empty(3)
    work = (np.empty(3), np.empty(3))
    n = order.shape[0]
    loose = slack.shape[0] > 0
    for q in range(begin, end):
        ends = segments[q]
        best = cutoffs[q]
        at = -1
        top = 0
        stack[0] = 0
        bounds[0] = -math.inf
        while top >= 0 and best >= enough:
            node = stack[top]
            bound = bounds[top]
            top -= 1
            # A node that can only tie is opened, so that ties go to the least triangle number.
            if bound > best:
                continue
            if node < first_leaf:
                held = -1
                for child in range(2 * node + 1, 2 * node + 3):
                    extra = node_slack[child] if loose else 0.0
                    gap = _node_gap(boxes, child, ends)
                    if gap == math.inf or gap - radii[q] - extra > best:
                        continue
                    top += 1
                    stack[top] = child
                    bounds[top] = gap - radii[q] - extra
                    # The nearer one on top.
                    if held >= 0 and bounds[top] > bounds[held]:
                        stack[top], stack[held] = stack[held], stack[top]
                        bounds[top], bounds[held] = bounds[held], bounds[top]
                    held = top
                continue
            first = (node - first_leaf) * leaf
            for j in range(first, min(first + leaf, n)):
                extra = slack[j] if loose else 0.0
                value = math.sqrt(_distance(ends, triangles[j], work, point)) - radii[q] - extra
                if value < best or (value == best and at >= 0 and order[j] < order[at]):
                    best = value
                    at = j
                    for c in range(3):
                        points[q, c] = point[c]
        values[q] = best
        found[q] = order[at] if at >= 0 else -1

"""Plane sections of triangle meshes: segments, loops, nesting and winding numbers.

A plane is a frame row of 12 floats: origin, u, v, n (u x v = n). A section lives in the frame's
(x, y). A mesh vertex exactly on the plane counts as in front ("+"), so that every triangle is cut
in two edges or in none: simulation of simplicity (H. Edelsbrunner, E. Mucke, 1990, ACM TOG 9(1)),
with no tolerance. The section is therefore the limit of sections from behind the plane. Segments
run with the material on their left; their ends are named by the mesh edge they lie on, and the
point on an edge is computed from its two vertices in the order of their numbers, so that both
triangles of an edge give the same point to the last bit and loops are joined by names alone.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def cut(
    tri, order, boxes, first_leaf, leaf, faces, base, frames, flush, offsets, names, points, owner,
    flat,
):  # fmt: skip
    """Cut a mesh with many planes.

    ``tri, order, boxes, first_leaf, leaf``: the triangle tree; ``faces`` (n, 3) vertex numbers in
    the caller's order, ``base`` is added to them in edge names. Fills segment ``offsets`` per
    plane (m + 1), edge ``names`` (k, 2), ``points`` x0 y0 x1 y1 (k, 4), ``owner`` (k), the
    caller's triangle number, and ``flat`` (m), the number of triangles that lie wholly within
    ``flush`` of the plane. Returns the number of segments; what does not fit is counted only.
    """
    m = frames.shape[0]
    room = owner.shape[0]
    offsets[0] = 0
    stack = np.empty(128, np.int64)
    d = np.empty(3)
    x = np.empty(3)
    y = np.empty(3)
    count = 0
    for plane in range(m):
        o0, o1, o2 = frames[plane, 0], frames[plane, 1], frames[plane, 2]
        u0, u1, u2 = frames[plane, 3], frames[plane, 4], frames[plane, 5]
        v0, v1, v2 = frames[plane, 6], frames[plane, 7], frames[plane, 8]
        n0, n1, n2 = frames[plane, 9], frames[plane, 10], frames[plane, 11]
        top = 1
        stack[0] = 0
        while top > 0:
            top -= 1
            node = stack[top]
            # The same sums as for a vertex, term by term: rounding is monotone, so no vertex of
            # the box can lie outside low..high.
            a0, b0 = boxes[node, 0] - o0, boxes[node, 3] - o0
            a1, b1 = boxes[node, 1] - o1, boxes[node, 4] - o1
            a2, b2 = boxes[node, 2] - o2, boxes[node, 5] - o2
            if n0 < 0.0:
                a0, b0 = b0, a0
            if n1 < 0.0:
                a1, b1 = b1, a1
            if n2 < 0.0:
                a2, b2 = b2, a2
            low = n0 * a0 + n1 * a1 + n2 * a2
            high = n0 * b0 + n1 * b1 + n2 * b2
            if not (low <= flush and high >= -flush):
                continue
            if node < first_leaf:
                stack[top] = 2 * node + 2
                stack[top + 1] = 2 * node + 1
                top += 2
                continue
            begin = (node - first_leaf) * leaf
            for j in range(begin, min(begin + leaf, tri.shape[0])):
                near = 0
                plus = 0
                for c in range(3):
                    p0, p1, p2 = tri[j, c, 0] - o0, tri[j, c, 1] - o1, tri[j, c, 2] - o2
                    d[c] = n0 * p0 + n1 * p1 + n2 * p2
                    if d[c] >= 0.0:
                        plus += 1
                    if abs(d[c]) <= flush:
                        near += 1
                if near == 3:
                    flat[plane] += 1
                if plus == 0 or plus == 3:
                    continue
                src = order[j]
                if (
                    faces[src, 0] == faces[src, 1]
                    or faces[src, 1] == faces[src, 2]
                    or faces[src, 2] == faces[src, 0]
                ):
                    continue
                if count >= room:
                    count += 1
                    continue
                for c in range(3):
                    p0, p1, p2 = tri[j, c, 0] - o0, tri[j, c, 1] - o1, tri[j, c, 2] - o2
                    x[c] = u0 * p0 + u1 * p1 + u2 * p2
                    y[c] = v0 * p0 + v1 * p1 + v2 * p2
                for c in range(3):
                    e = c + 1 if c < 2 else 0
                    front = d[c] >= 0.0
                    if front == (d[e] >= 0.0):
                        continue
                    end = 0 if front else 1  # starts where the outline leaves the front side
                    i, k = c, e
                    if faces[src, c] > faces[src, e]:
                        i, k = e, c
                    names[count, end] = ((faces[src, i] + base) << 32) | (faces[src, k] + base)
                    if d[i] == 0.0:
                        points[count, 2 * end] = x[i]
                        points[count, 2 * end + 1] = y[i]
                    elif d[k] == 0.0:
                        points[count, 2 * end] = x[k]
                        points[count, 2 * end + 1] = y[k]
                    else:
                        t = d[i] / (d[i] - d[k])
                        points[count, 2 * end] = x[i] + t * (x[k] - x[i])
                        points[count, 2 * end + 1] = y[i] + t * (y[k] - y[i])
                owner[count] = src
                count += 1
        offsets[plane + 1] = count
    return count


@numba.njit(cache=True, nogil=True)
def _slot(table, used, name):
    """Position of ``name`` in the open-addressing table, entering it if new."""
    mask = table.shape[0] - 1
    mixed = np.uint64(name) * np.uint64(0x9E3779B97F4A7C15)
    at = np.int64((mixed >> np.uint64(32)) & np.uint64(mask))
    while used[at] and table[at] != name:
        at = (at + 1) & mask
    if not used[at]:
        used[at] = True
        table[at] = name
    return at


@numba.njit(cache=True, nogil=True)
def chain(names):
    """Join the segments of one plane into chains by the names of their ends.

    Returns the segments in chain order (k), chain offsets (c + 1) and whether each chain closes.
    A chain closes when it comes back to the edge it started on; a node where more segments begin
    than end, or the other way round, makes open chains, which are taken out first.
    """
    n = names.shape[0]
    size = 8
    while size < 2 * n:
        size *= 2
    table = np.empty(size, np.int64)
    used = np.zeros(size, np.bool_)
    head = np.full(size, -1, np.int64)
    surplus = np.zeros(size, np.int64)
    follow = np.empty(n, np.int64)
    begin = np.empty(n, np.int64)
    end = np.empty(n, np.int64)
    for i in range(n - 1, -1, -1):
        at = _slot(table, used, names[i, 0])
        begin[i] = at
        follow[i] = head[at]
        head[at] = i
        surplus[at] += 1
    for i in range(n):
        at = _slot(table, used, names[i, 1])
        end[i] = at
        surplus[at] -= 1
    done = np.zeros(n, np.bool_)
    turn = np.empty(n, np.int64)
    offsets = np.zeros(n + 1, np.int64)
    closed = np.zeros(n, np.bool_)
    chains = 0
    count = 0
    for first in range(2 * n):
        i = first if first < n else first - n
        start = begin[i]
        if done[i]:
            continue
        if first < n:
            if surplus[start] <= 0:
                continue
            surplus[start] -= 1
        while i >= 0:
            # Drop segments already taken from the list of this node.
            done[i] = True
            turn[count] = i
            count += 1
            at = end[i]
            if first >= n and at == start:
                closed[chains] = True
                break
            i = head[at]
            while i >= 0 and done[i]:
                i = follow[i]
            head[at] = i
        chains += 1
        offsets[chains] = count
    return turn, offsets[: chains + 1], closed[:chains]


@numba.njit(cache=True, nogil=True)
def measure(points, turn, offsets, tiny):
    """Outlines of chains: segments longer than ``tiny`` in chain order, with sizes.

    Returns the kept segments (k), their points (k, 4), their offsets (c + 1), and the area
    (positive with the material inside), length and box xmin ymin xmax ymax of each chain, taken
    over all segments. A section through mesh vertices has segments of no length; they carry
    nothing and would look like touching. Each kept segment ends where the next begins.
    """
    chains = offsets.shape[0] - 1
    kept = np.empty(turn.shape[0], np.int64)
    line = np.empty((turn.shape[0], 4))
    bounds = np.zeros(chains + 1, np.int64)
    area = np.zeros(chains)
    length = np.zeros(chains)
    box = np.empty((chains, 4))
    count = 0
    for c in range(chains):
        x0, y0 = points[turn[offsets[c]], 0], points[turn[offsets[c]], 1]
        box[c, 0] = box[c, 2] = x0
        box[c, 1] = box[c, 3] = y0
        twice = 0.0
        first = count
        for k in range(offsets[c], offsets[c + 1]):
            i = turn[k]
            ax, ay = points[i, 0] - x0, points[i, 1] - y0
            bx, by = points[i, 2] - x0, points[i, 3] - y0
            twice += ax * by - ay * bx
            step = np.sqrt((bx - ax) ** 2 + (by - ay) ** 2)
            length[c] += step
            for e in (0, 2):
                box[c, 0] = min(box[c, 0], points[i, e])
                box[c, 1] = min(box[c, 1], points[i, e + 1])
                box[c, 2] = max(box[c, 2], points[i, e])
                box[c, 3] = max(box[c, 3], points[i, e + 1])
            if step > tiny:
                kept[count] = i
                line[count, 0], line[count, 1] = points[i, 0], points[i, 1]
                count += 1
        for k in range(first, count):
            e = k + 1 if k + 1 < count else first
            line[k, 2], line[k, 3] = line[e, 0], line[e, 1]
        area[c] = 0.5 * twice
        bounds[c + 1] = count
    return kept[:count], line[:count], bounds, area, length, box


@numba.njit(cache=True, nogil=True)
def tangled(points, offsets, eps):
    """Which loops cross or touch another loop or themselves.

    ``points`` (k, 4) in loop order; ``eps``: two segments nearer than this count as touching.
    A uniform grid keeps the pairs few.
    """
    n = points.shape[0]
    loops = offsets.shape[0] - 1
    bad = np.zeros(loops, np.bool_)
    if n == 0:
        return bad
    owner = np.empty(n, np.int64)
    after = np.empty(n, np.int64)
    for c in range(loops):
        for i in range(offsets[c], offsets[c + 1]):
            owner[i] = c
            after[i] = i + 1 if i + 1 < offsets[c + 1] else offsets[c]
    lx = hx = points[0, 0]
    ly = hy = points[0, 1]
    for i in range(n):
        lx = min(lx, points[i, 0])
        hx = max(hx, points[i, 0])
        ly = min(ly, points[i, 1])
        hy = max(hy, points[i, 1])
    side = max(1, int(np.sqrt(n * 1.0)))
    sx = side / max(hx - lx, 1e-300) * (1.0 - 1e-12)
    sy = side / max(hy - ly, 1e-300) * (1.0 - 1e-12)
    cell = np.empty((n, 4), np.int64)
    starts = np.zeros(side * side + 1, np.int64)
    for i in range(n):
        cell[i, 0] = max(0, int((min(points[i, 0], points[i, 2]) - eps - lx) * sx))
        cell[i, 1] = max(0, int((min(points[i, 1], points[i, 3]) - eps - ly) * sy))
        cell[i, 2] = min(side - 1, int((max(points[i, 0], points[i, 2]) + eps - lx) * sx))
        cell[i, 3] = min(side - 1, int((max(points[i, 1], points[i, 3]) + eps - ly) * sy))
        for p in range(cell[i, 0], cell[i, 2] + 1):
            for q in range(cell[i, 1], cell[i, 3] + 1):
                starts[p * side + q + 1] += 1
    for k in range(side * side):
        starts[k + 1] += starts[k]
    items = np.empty(starts[side * side], np.int64)
    fill = starts[:-1].copy()
    for i in range(n):
        for p in range(cell[i, 0], cell[i, 2] + 1):
            for q in range(cell[i, 1], cell[i, 3] + 1):
                at = p * side + q
                for r in range(starts[at], fill[at]):
                    j = items[r]
                    if after[i] == j or after[j] == i or (bad[owner[i]] and bad[owner[j]]):
                        continue
                    ax, ay, bx, by = points[i, 0], points[i, 1], points[i, 2], points[i, 3]
                    cx, cy, dx, dy = points[j, 0], points[j, 1], points[j, 2], points[j, 3]
                    if (
                        min(ax, bx) > max(cx, dx) + eps
                        or max(ax, bx) < min(cx, dx) - eps
                        or min(ay, by) > max(cy, dy) + eps
                        or max(ay, by) < min(cy, dy) - eps
                    ):
                        continue
                    slack = eps * np.sqrt((bx - ax) ** 2 + (by - ay) ** 2)
                    c1 = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
                    c2 = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
                    if (c1 > slack and c2 > slack) or (c1 < -slack and c2 < -slack):
                        continue
                    slack = eps * np.sqrt((dx - cx) ** 2 + (dy - cy) ** 2)
                    c3 = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
                    c4 = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
                    if (c3 > slack and c4 > slack) or (c3 < -slack and c4 < -slack):
                        continue
                    bad[owner[i]] = True
                    bad[owner[j]] = True
                items[fill[at]] = i
                fill[at] += 1
    return bad


@numba.njit(cache=True, nogil=True)
def _turns(points, begin, end, x, y):
    """Winding number of one closed loop round (x, y), by signed crossings of a ray along +x."""
    w = 0
    for i in range(begin, end):
        ay, by = points[i, 1], points[i, 3]
        if (ay <= y) == (by <= y):
            continue
        side = (points[i, 2] - points[i, 0]) * (y - ay) - (x - points[i, 0]) * (by - ay)
        if by > ay:
            if side > 0.0:
                w += 1
        elif side < 0.0:
            w -= 1
    return w


@numba.njit(cache=True, nogil=True)
def winding(points, offsets, part, box, parts, where):
    """Winding number (q, parts) of each part's loops round each point ``where`` (q, 2)."""
    out = np.zeros((where.shape[0], parts), np.int32)
    for q in range(where.shape[0]):
        x, y = where[q, 0], where[q, 1]
        for c in range(part.shape[0]):
            if box[c, 0] <= x and x <= box[c, 2] and box[c, 1] <= y and y <= box[c, 3]:
                out[q, part[c]] += _turns(points, offsets[c], offsets[c + 1], x, y)
    return out


@numba.njit(cache=True, nogil=True)
def nest(points, offsets, part, box, area, parts):
    """Nesting of loops that neither cross nor touch.

    Returns each loop's parent (the smallest loop round it, or -1), the winding numbers just
    inside each loop (c, parts), and the innermost loop round the origin (-1: none). The caller
    shifts the points so that the path stands at the origin.
    """
    loops = part.shape[0]
    parent = np.full(loops, -1, np.int64)
    inside = np.zeros((loops, parts), np.int32)
    home = -1
    for c in range(loops):
        if box[c, 0] <= 0.0 and box[c, 2] >= 0.0 and box[c, 1] <= 0.0 and box[c, 3] >= 0.0:
            smaller = home < 0 or abs(area[c]) < abs(area[home])
            if smaller and _turns(points, offsets[c], offsets[c + 1], 0.0, 0.0) != 0:
                home = c
        inside[c, part[c]] += 1 if area[c] > 0.0 else -1
        if offsets[c + 1] == offsets[c]:
            continue
        x, y = points[offsets[c], 0], points[offsets[c], 1]
        for k in range(loops):
            if (
                k == c
                or x < box[k, 0]
                or x > box[k, 2]
                or y < box[k, 1]
                or y > box[k, 3]
                or box[c, 0] < box[k, 0]
                or box[c, 2] > box[k, 2]
                or box[c, 1] < box[k, 1]
                or box[c, 3] > box[k, 3]
            ):
                continue
            w = _turns(points, offsets[k], offsets[k + 1], x, y)
            if w != 0:
                inside[c, part[k]] += w
                if parent[c] < 0 or abs(area[k]) < abs(area[parent[c]]):
                    parent[c] = k
    return parent, inside, home

"""First triangle a ray meets.

The ray's frame is sheared so that it runs along its largest axis, and the signs of three edge
functions tell whether it goes through a triangle (Woop, Benthin & Wald 2013, "Watertight
ray/triangle intersection"). The two triangles of an edge compute the same products, so that a ray
between them cannot miss both; one through an edge or a corner meets all that share it, and the
smallest number is given. A triangle seen exactly edge-on is not met.
"""

import numba


@numba.njit(cache=True, nogil=True)
def first(
    boxes, tri, order, leaf, origins, directions, limit, margin,
    stack, bound, q, t_out, number, begin, end,
):  # fmt: skip
    """First hit of rays begin..end-1 within ``limit`` mm.

    ``directions`` are unit vectors; ``margin`` (mm) widens the boxes against rounding. Fills
    ``t_out`` (n,) and ``number`` (n,), the caller's triangle; left alone where nothing is hit.
    Scratch: ``stack`` (128,) int64, ``bound`` (128,), ``q`` (6, 3).
    """
    first_leaf = boxes.shape[0] // 2
    o = q[3]
    d = q[4]
    inverse = q[5]
    for r in range(begin, end):
        axis = 0
        for c in range(3):
            o[c] = origins[r, c]
            d[c] = directions[r, c]
            inverse[c] = 1.0 / d[c] if abs(d[c]) > 1e-300 else 0.0
            if abs(d[c]) > abs(d[axis]):
                axis = c
        kx = (axis + 1) % 3
        ky = (axis + 2) % 3
        sx = d[kx] / d[axis]
        sy = d[ky] / d[axis]
        sz = 1.0 / d[axis]
        best = limit
        stack[0] = 0
        bound[0] = 0.0
        top = 1
        while top > 0:
            top -= 1
            node = stack[top]
            if bound[top] > best + margin:
                continue
            if node < first_leaf:
                start = top
                for child in range(2 * node + 1, 2 * node + 3):
                    enter = 0.0
                    leave = best + margin
                    for c in range(3):
                        low = boxes[child, c] - margin - o[c]
                        high = boxes[child, 3 + c] + margin - o[c]
                        if inverse[c] == 0.0:
                            if low > 0.0 or high < 0.0:
                                leave = -1.0
                        else:
                            t0 = low * inverse[c]
                            t1 = high * inverse[c]
                            enter = max(enter, min(t0, t1))
                            leave = min(leave, max(t0, t1))
                    # Rounding of the products above, relative.
                    if enter * (1.0 - 1e-15) <= leave * (1.0 + 1e-15) + margin and leave >= 0.0:
                        stack[top] = child
                        bound[top] = enter * (1.0 - 1e-15)
                        top += 1
                if top == start + 2 and bound[start] < bound[start + 1]:
                    stack[start], stack[start + 1] = stack[start + 1], stack[start]
                    bound[start], bound[start + 1] = bound[start + 1], bound[start]
                continue
            i0 = (node - first_leaf) * leaf
            for i in range(i0, min(i0 + leaf, tri.shape[0])):
                for k in range(3):
                    depth = tri[i, k, axis] - o[axis]
                    q[k, 0] = (tri[i, k, kx] - o[kx]) - sx * depth
                    q[k, 1] = (tri[i, k, ky] - o[ky]) - sy * depth
                    q[k, 2] = depth
                u = q[2, 0] * q[1, 1] - q[2, 1] * q[1, 0]
                v = q[0, 0] * q[2, 1] - q[0, 1] * q[2, 0]
                w = q[1, 0] * q[0, 1] - q[1, 1] * q[0, 0]
                if min(u, v, w) < 0.0 and max(u, v, w) > 0.0:
                    continue
                total = u + v + w
                if total == 0.0:
                    continue
                t = (u * q[0, 2] + v * q[1, 2] + w * q[2, 2]) / total * sz
                if t < 0.0 or t > best:
                    continue
                if t == best and number[r] >= 0 and order[i] > number[r]:
                    continue
                best = t
                t_out[r] = t
                number[r] = order[i]

"""How often a closed surface wraps a point, counted along a ray parallel to an axis.

Every triangle the ray passes through from behind counts +1, every one from the front -1; on a
closed surface the sum is the winding number. Whether the ray passes through a triangle is decided
in the plane across it, by the half-open rule for polygons: an edge counts when it begins on or
below the ray's level and ends above it, or the other way round, and the ray lies to its left or
right (D. Sunday's form of the winding number; from memory). Two triangles that share an edge
compute the same products for it, of opposite sign, so a ray through an edge or a corner is counted
as if it ran a hair beside it, and the sum over a closed surface is a whole number without any
tolerance.

Only the height at which the ray meets a triangle is rounded. It is a mean of the corners' heights
with weights that are not negative, so it errs by more than rounding only where the triangle is
seen edge-on and the ray's beginning lies next to it: on the surface, where either answer may be
given.
"""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def wraps(boxes, tri, leaf, points, ways, out, begin, end):
    """Winding number of a closed surface about points begin..end-1, into ``out``.

    ``ways`` (n,) says along which ray each is counted: axis 0, 1, 2 upwards, or 3, 4, 5 for the
    same axes downwards. The shortest way out of the root's box is the fastest.
    """
    first_leaf = boxes.shape[0] // 2
    stack = np.empty(128, np.int64)
    q = np.empty((3, 3))
    weight = np.empty(3)
    for r in range(begin, end):
        axis = ways[r] % 3
        up = ways[r] < 3
        kx = (axis + 1) % 3
        ky = (axis + 2) % 3
        px = points[r, kx]
        py = points[r, ky]
        pz = points[r, axis]
        number = 0
        stack[0] = 0
        top = 1
        while top > 0:
            top -= 1
            node = stack[top]
            if (
                boxes[node, kx] > px
                or boxes[node, 3 + kx] < px
                or boxes[node, ky] > py
                or boxes[node, 3 + ky] < py
                or (up and boxes[node, 3 + axis] < pz)
                or (not up and boxes[node, axis] > pz)
            ):
                continue
            if node < first_leaf:
                stack[top] = 2 * node + 1
                stack[top + 1] = 2 * node + 2
                top += 2
                continue
            i0 = (node - first_leaf) * leaf
            for i in range(i0, min(i0 + leaf, tri.shape[0])):
                for k in range(3):
                    q[k, 0] = tri[i, k, kx] - px
                    q[k, 1] = tri[i, k, ky] - py
                    q[k, 2] = tri[i, k, axis] - pz
                turns = 0
                for k in range(3):
                    m = (k + 1) % 3
                    left = q[k, 0] * q[m, 1] - q[m, 0] * q[k, 1]
                    weight[(k + 2) % 3] = left
                    if q[k, 1] <= 0.0:
                        if q[m, 1] > 0.0 and left > 0.0:
                            turns += 1
                    elif q[m, 1] <= 0.0 and left < 0.0:
                        turns -= 1
                if turns == 0:
                    continue
                total = 0.0
                height = 0.0
                for k in range(3):
                    share = max(weight[k] * turns, 0.0)
                    total += share
                    height += share * q[k, 2]
                if total == 0.0:
                    height = q[0, 2] + q[1, 2] + q[2, 2]
                if up and height > 0.0:
                    number += turns
                elif not up and height < 0.0:
                    number -= turns
        out[r] = number

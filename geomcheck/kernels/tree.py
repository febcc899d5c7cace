"""A bounding-volume tree over triangles as flat arrays.

Triangles are sorted along a Morton curve of their centres and cut into leaves of ``LEAF``
triangles. The leaves are the bottom row of a complete binary tree in heap order: node ``i`` has
the children ``2 i + 1`` and ``2 i + 2``; with ``p`` leaf slots (a power of two) the leaves are the
nodes ``p - 1 .. 2 p - 2`` and leaf ``k`` (node ``p - 1 + k``) holds the sorted triangles
``k * LEAF .. min((k + 1) * LEAF, n) - 1``. Slots without triangles have boxes turned inside out
(min = +inf, max = -inf), which no query enters. No pointers, no recursion; depth <= 64.
"""

import numba
import numpy as np

LEAF = 8


@numba.njit(cache=True, nogil=True, inline="never")
def _spread(value):
    """Insert two zero bits after each of the low 21 bits."""
    v = np.uint64(value)
    v = (v | (v << np.uint64(32))) & np.uint64(0x1F00000000FFFF)
    v = (v | (v << np.uint64(16))) & np.uint64(0x1F0000FF0000FF)
    v = (v | (v << np.uint64(8))) & np.uint64(0x100F00F00F00F00F)
    v = (v | (v << np.uint64(4))) & np.uint64(0x10C30C30C30C30C3)
    v = (v | (v << np.uint64(2))) & np.uint64(0x1249249249249249)
    return v


@numba.njit(cache=True, nogil=True)
def morton_codes(tri, lo, inv, codes, begin, end):
    """Morton code of each triangle's centre, for triangles begin..end-1."""
    for i in range(begin, end):
        code = np.uint64(0)
        for k in range(3):
            c = (tri[i, 0, k] + tri[i, 1, k] + tri[i, 2, k]) / 3.0
            q = (c - lo[k]) * inv[k]
            cell = np.int64(q)
            if cell < 0:
                cell = 0
            elif cell > 2097151:
                cell = 2097151
            code |= _spread(cell) << np.uint64(k)
        codes[i] = code


@numba.njit(cache=True, nogil=True)
def gather_leaves(tri, order, leaf, p, out, boxes, begin, end):
    """Copy triangles into sorted order and bound leaves begin..end-1."""
    n = order.shape[0]
    for k in range(begin, end):
        node = p - 1 + k
        for c in range(3):
            boxes[node, c] = np.inf
            boxes[node, 3 + c] = -np.inf
        for j in range(k * leaf, min((k + 1) * leaf, n)):
            src = order[j]
            for v in range(3):
                for c in range(3):
                    x = tri[src, v, c]
                    out[j, v, c] = x
                    if x < boxes[node, c]:
                        boxes[node, c] = x
                    if x > boxes[node, 3 + c]:
                        boxes[node, 3 + c] = x


@numba.njit(cache=True, nogil=True)
def merge_boxes(boxes, p):
    """Bound the inner nodes from the leaves up."""
    for i in range(p - 2, -1, -1):
        a = 2 * i + 1
        b = a + 1
        for c in range(3):
            boxes[i, c] = min(boxes[a, c], boxes[b, c])
            boxes[i, 3 + c] = max(boxes[a, 3 + c], boxes[b, 3 + c])

"""A bounding-volume tree over triangles as flat arrays.

Triangles are sorted along a Morton curve of their centres and cut into leaves of ``LEAF``
triangles. The leaves are the bottom row of a complete binary tree in heap order: node ``i`` has
the children ``2 i + 1`` and ``2 i + 2``; with ``p`` leaf slots (a power of two) the leaves are the
nodes ``p - 1 .. 2 p - 2`` and leaf ``k`` (node ``p - 1 + k``) holds the sorted triangles
``k * LEAF .. min((k + 1) * LEAF, n) - 1``. Slots without triangles have boxes turned inside out
(min = +inf, max = -inf), which no query enters. No pointers, no recursion; depth <= 64.

A sort key holds the curve's code in its high ``CODE_BITS`` bits and the triangle's number in the
rest, so that one array is sorted and equal codes stay in the caller's order. The sort is a least
significant digit radix sort in ``PASSES`` passes; each pass counts and scatters chunk by chunk,
and gives the same order however the work is shared between threads.
"""

import numba
import numpy as np

LEAF = 8

CODE_BITS = 36  # 12 bits an axis: cells of 1/4096 of the longest side
INDEX_BITS = 28  # at most 268,435,456 triangles
PASSES = 3
DIGIT_BITS = 12
DIGITS = 1 << DIGIT_BITS

_CELLS = 4095
_INDEX_MASK = np.uint64((1 << INDEX_BITS) - 1)
_DIGIT_MASK = np.uint64(DIGITS - 1)


@numba.njit(cache=True, nogil=True)
def bounds(tri, begin, end, out):
    """Least and greatest coordinate of triangles begin..end-1 into ``out`` (6,).

    ``out`` becomes NaN where a coordinate is not finite.
    """
    x0 = y0 = z0 = np.inf
    x1 = y1 = z1 = -np.inf
    check = 0.0
    for i in range(begin, end):
        for v in range(3):
            x = tri[i, v, 0]
            y = tri[i, v, 1]
            z = tri[i, v, 2]
            x0 = x if x < x0 else x0
            x1 = x if x > x1 else x1
            y0 = y if y < y0 else y0
            y1 = y if y > y1 else y1
            z0 = z if z < z0 else z0
            z1 = z if z > z1 else z1
            check += x * 0.0 + y * 0.0 + z * 0.0
    out[0] = x0 + check
    out[1] = y0 + check
    out[2] = z0 + check
    out[3] = x1 + check
    out[4] = y1 + check
    out[5] = z1 + check


@numba.njit(cache=True, nogil=True)
def sort_keys(tri, low, scale, keys, begin, end):
    """Sort key of triangles begin..end-1; ``scale`` is cells per mm, the same on every axis.

    Cubic cells: a flat part is then cut along its length and width, not through its thickness.
    """
    third = scale / 3.0
    for i in range(begin, end):
        code = np.uint64(0)
        for k in range(3):
            total = tri[i, 0, k] + tri[i, 1, k] + tri[i, 2, k]
            cell = np.int64(total * third - low[k] * scale)
            cell = 0 if cell < 0 else cell
            cell = _CELLS if cell > _CELLS else cell
            v = np.uint64(cell)
            v = (v | (v << np.uint64(16))) & np.uint64(0x0000FF0000FF)
            v = (v | (v << np.uint64(8))) & np.uint64(0x00F00F00F00F)
            v = (v | (v << np.uint64(4))) & np.uint64(0x0C30C30C30C3)
            v = (v | (v << np.uint64(2))) & np.uint64(0x249249249249)
            code |= v << np.uint64(k)
        keys[i] = (code << np.uint64(INDEX_BITS)) | np.uint64(i)


@numba.njit(cache=True, nogil=True)
def count_digits(keys, shift, counts, begin, end):
    """How often each digit occurs in keys begin..end-1; ``counts`` (DIGITS,) is overwritten."""
    for d in range(DIGITS):
        counts[d] = 0
    s = np.uint64(shift)
    for i in range(begin, end):
        counts[np.int64((keys[i] >> s) & _DIGIT_MASK)] += 1


@numba.njit(cache=True, nogil=True)
def scatter_digits(keys, shift, starts, out, begin, end):
    """Move keys begin..end-1 to where their digit's run stands; ``starts`` (DIGITS,) is used up."""
    s = np.uint64(shift)
    for i in range(begin, end):
        key = keys[i]
        d = np.int64((key >> s) & _DIGIT_MASK)
        out[starts[d]] = key
        starts[d] += 1


@numba.njit(cache=True, nogil=True)
def gather_leaves(tri, keys, p, out, order, boxes, begin, end):
    """Copy triangles into sorted order and bound leaves begin..end-1."""
    n = keys.shape[0]
    for k in range(begin, end):
        node = p - 1 + k
        x0 = y0 = z0 = np.inf
        x1 = y1 = z1 = -np.inf
        for j in range(k * LEAF, min((k + 1) * LEAF, n)):
            src = np.int64(keys[j] & _INDEX_MASK)
            order[j] = src
            for v in range(3):
                x = tri[src, v, 0]
                y = tri[src, v, 1]
                z = tri[src, v, 2]
                out[j, v, 0] = x
                out[j, v, 1] = y
                out[j, v, 2] = z
                x0 = x if x < x0 else x0
                x1 = x if x > x1 else x1
                y0 = y if y < y0 else y0
                y1 = y if y > y1 else y1
                z0 = z if z < z0 else z0
                z1 = z if z > z1 else z1
        boxes[node, 0] = x0
        boxes[node, 1] = y0
        boxes[node, 2] = z0
        boxes[node, 3] = x1
        boxes[node, 4] = y1
        boxes[node, 5] = z1


@numba.njit(cache=True, nogil=True)
def merge_boxes(boxes, begin, end):
    """Bound the inner nodes end-1 down to begin from their children."""
    for i in range(end - 1, begin - 1, -1):
        a = 2 * i + 1
        b = a + 1
        for c in range(3):
            boxes[i, c] = min(boxes[a, c], boxes[b, c])
            boxes[i, 3 + c] = max(boxes[a, 3 + c], boxes[b, 3 + c])


@numba.njit(cache=True, nogil=True)
def least_numbers(order, leaf, first_leaf, out):
    """Least caller's number of the triangles under each node, into ``out`` (2 p - 1,) int32."""
    n = order.shape[0]
    for node in range(out.shape[0] - 1, -1, -1):
        if node >= first_leaf:
            least = np.int32(2147483647)
            k = node - first_leaf
            for j in range(k * leaf, min((k + 1) * leaf, n)):
                least = min(least, order[j])
            out[node] = least
        else:
            out[node] = min(out[2 * node + 1], out[2 * node + 2])


@numba.njit(cache=True, nogil=True)
def node_flags(flags, order, leaf, first_leaf, out):
    """Flags (n,) by caller's number into ``out`` (2 p - 1 + n,): nodes, then sorted triangles.

    A node is flagged when all its triangles are.
    """
    n = order.shape[0]
    nodes = 2 * first_leaf + 1
    for j in range(n):
        out[nodes + j] = flags[order[j]]
    for node in range(nodes - 1, -1, -1):
        if node >= first_leaf:
            k = node - first_leaf
            out[node] = True
            for j in range(k * leaf, min((k + 1) * leaf, n)):
                out[node] = out[node] and out[nodes + j]
        else:
            out[node] = out[2 * node + 1] and out[2 * node + 2]

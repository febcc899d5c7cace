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
BLOCK = 64  # leaf slots whose triangles are arranged anew after the sort

CODE_BITS = 36  # 12 bits an axis: cells of 1/4096 of the longest side
INDEX_BITS = 28  # at most 268,435,456 triangles
PASSES = 3
DIGIT_BITS = 12
DIGITS = 1 << DIGIT_BITS

_CELLS = 4095
_INDEX_MASK = np.uint64((1 << INDEX_BITS) - 1)
_DIGIT_MASK = np.uint64(DIGITS - 1)


@numba.njit(cache=True, nogil=True)
def bounds(tri, size, out, begin, end):
    """Boxes of runs begin..end-1 of ``size`` triangles into the rows of ``out`` (k, 6).

    A row is NaN where a coordinate is not finite.
    """
    for run in range(begin, end):
        x0 = y0 = z0 = np.inf
        x1 = y1 = z1 = -np.inf
        check = 0.0
        for i in range(run * size, min((run + 1) * size, tri.shape[0])):
            for v in range(3):
                x, y, z = tri[i, v, 0], tri[i, v, 1], tri[i, v, 2]
                x0 = x if x < x0 else x0
                x1 = x if x > x1 else x1
                y0 = y if y < y0 else y0
                y1 = y if y > y1 else y1
                z0 = z if z < z0 else z0
                z1 = z if z > z1 else z1
                check += x * 0.0 + y * 0.0 + z * 0.0
        out[run, 0], out[run, 1], out[run, 2] = x0 + check, y0 + check, z0 + check
        out[run, 3], out[run, 4], out[run, 5] = x1 + check, y1 + check, z1 + check


@numba.njit(cache=True, nogil=True)
def farthest(tri, size, line, out, begin, end):
    """Greatest coordinate along ``line`` (3,) of runs begin..end-1 of ``size`` triangles."""
    a, b, c = line[0], line[1], line[2]
    for run in range(begin, end):
        most = -np.inf
        for i in range(run * size, min((run + 1) * size, tri.shape[0])):
            for v in range(3):
                h = a * tri[i, v, 0] + b * tri[i, v, 1] + c * tri[i, v, 2]
                most = h if h > most else most
        out[run] = most


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
def _select(value, index, first, last, middle):
    """Reorder ``index[first:last]`` until the ``middle`` parts it by value (quickselect).

    The order depends on the values and numbers given, and on nothing else.
    """
    last -= 1
    while first < last:
        pivot = value[index[(first + last) >> 1]]
        i = first
        j = last
        while i <= j:
            while value[index[i]] < pivot:
                i += 1
            while value[index[j]] > pivot:
                j -= 1
            if i <= j:
                index[i], index[j] = index[j], index[i]
                i += 1
                j -= 1
        if middle <= j:
            last = j
        elif middle >= i:
            first = i
        else:
            return


@numba.njit(cache=True, nogil=True)
def gather_leaves(tri, keys, p, source, index, centre, out, order, boxes, begin, end):
    """Copy the triangles of blocks begin..end-1 into sorted order and bound their leaves.

    A block is ``BLOCK`` leaf slots, or all ``p`` if there are fewer. Within a block the curve's
    order gives way to halving across the longest side of the centres' extent, again and again:
    the leaves come out compact, which a curve's runs are not. Scratch: ``source`` and ``index``
    (BLOCK * LEAF,) int64, ``centre`` (3, BLOCK * LEAF).
    """
    n = keys.shape[0]
    slots = min(p, BLOCK)
    for block in range(begin, end):
        start = block * slots * LEAF
        count = min(slots * LEAF, n - start)
        for j in range(count):
            src = np.int64(keys[start + j] & _INDEX_MASK)
            source[j] = src
            index[j] = j
            for c in range(3):
                centre[c, j] = tri[src, 0, c] + tri[src, 1, c] + tri[src, 2, c]
        size = slots * LEAF
        while size > LEAF:
            for first in range(0, count, size):
                middle = first + size // 2
                last = min(first + size, count)
                if middle >= last:
                    break
                axis = 0
                longest = -1.0
                for c in range(3):
                    low = np.inf
                    high = -np.inf
                    for j in range(first, last):
                        x = centre[c, index[j]]
                        low = x if x < low else low
                        high = x if x > high else high
                    if high - low > longest:
                        longest = high - low
                        axis = c
                _select(centre[axis], index, first, last, middle)
            size //= 2
        for k in range(slots):
            node = p - 1 + block * slots + k
            x0 = y0 = z0 = np.inf
            x1 = y1 = z1 = -np.inf
            for j in range(k * LEAF, min((k + 1) * LEAF, count)):
                src = source[index[j]]
                order[start + j] = src
                for v in range(3):
                    x = tri[src, v, 0]
                    y = tri[src, v, 1]
                    z = tri[src, v, 2]
                    out[start + j, v, 0] = x
                    out[start + j, v, 1] = y
                    out[start + j, v, 2] = z
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

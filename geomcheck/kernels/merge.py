"""Merging points that are equal to the last bit."""

import numba
import numpy as np


@numba.njit(cache=True, nogil=True)
def _slot(words, i, mask):
    """Hash of the three words of row ``i`` (multiply and fold; constants of splitmix64)."""
    h = np.uint64(words[i, 0]) * np.uint64(0x9E3779B97F4A7C15)
    h ^= h >> np.uint64(29)
    h = (h + np.uint64(words[i, 1])) * np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(32)
    h = (h + np.uint64(words[i, 2])) * np.uint64(0x94D049BB133111EB)
    h ^= h >> np.uint64(31)
    return np.int64(h & mask)


@numba.njit(cache=True, nogil=True)
def merge_equal(words):
    """Number the distinct rows in the order they first occur.

    Parameters
    ----------
    words : (n, 3) uint32 or uint64
        The coordinates' bits, -0.0 made +0.0 beforehand.

    Returns
    -------
    first : (u,) int64
        Row at which each distinct one first occurs, ascending.
    number : (n,) int64
        For each row, which distinct one it is.
    """
    n = words.shape[0]
    size = 1024
    while size < n // 2:
        size *= 2
    table = np.full(size, -1, dtype=np.int32)
    mask = np.uint64(size - 1)
    kept = np.empty((max(size // 2, 16), 3), dtype=words.dtype)
    first = np.empty(max(size // 2, 16), dtype=np.int64)
    number = np.empty(n, dtype=np.int64)
    count = 0
    for i in range(n):
        a = words[i, 0]
        b = words[i, 1]
        c = words[i, 2]
        s = _slot(words, i, mask)
        while True:
            k = table[s]
            if k < 0:
                table[s] = count
                kept[count, 0] = a
                kept[count, 1] = b
                kept[count, 2] = c
                first[count] = i
                number[i] = count
                count += 1
                break
            if kept[k, 0] == a and kept[k, 1] == b and kept[k, 2] == c:
                number[i] = k
                break
            s = (s + 1) & np.int64(mask)
        if 2 * count >= size and i + 1 < n:
            size *= 2
            mask = np.uint64(size - 1)
            table = np.full(size, -1, dtype=np.int32)
            more = np.empty((size // 2, 3), dtype=words.dtype)
            longer = np.empty(size // 2, dtype=np.int64)
            for k in range(count):
                for c in range(3):
                    more[k, c] = kept[k, c]
                longer[k] = first[k]
            kept = more
            first = longer
            for k in range(count):
                s = _slot(kept, k, mask)
                while table[s] >= 0:
                    s = (s + 1) & np.int64(mask)
                table[s] = k
    return first[:count].copy(), number

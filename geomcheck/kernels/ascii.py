"""Reading ASCII STL byte by byte, without dropping anything.

The grammar, words in any case and separated by blanks or line ends of any kind::

    file   = { solid }
    solid  = "solid" name { facet } "endsolid" name
    facet  = "facet" "normal" n n n "outer" "loop" 3 * ("vertex" n n n) "endloop" "endfacet"

A name runs to the end of its line, or to the words ``facet normal`` where a file has no lines.
Numbers are turned into float64 here when that is exact (mantissa below 2**53 and a power of ten up
to 22: Clinger 1990, "How to read floating point numbers accurately"); the others are left to the
caller, with their place. Numbers of words are given as ``np.int64``: a plain one would be a type
of its own, and the function compiled for each.
"""

import numba
import numpy as np

#: Why reading stopped.
DONE, UNEXPECTED, NUMBER, ENDED, CORNERS, NO_END = 0, 1, 2, 3, 4, 5

WORDS = (
    b"solid",
    b"facet",
    b"normal",
    b"outer",
    b"loop",
    b"vertex",
    b"endloop",
    b"endfacet",
    b"endsolid",
)
WORD_TABLE = np.array([list(word.ljust(9, b"\0")) for word in WORDS], dtype=np.uint8)
POWERS = 10.0 ** np.arange(23)


@numba.njit(cache=True, nogil=True)
def _skip(data, i):
    """First place from ``i`` on that is not blank."""
    n = data.shape[0]
    while i < n and (data[i] == 32 or 9 <= data[i] <= 13):
        i += 1
    return i


@numba.njit(cache=True, nogil=True)
def _end(data, i):
    """End of the token that begins at ``i``."""
    n = data.shape[0]
    while i < n and not (data[i] == 32 or 9 <= data[i] <= 13):
        i += 1
    return i


@numba.njit(cache=True, nogil=True)
def _is_word(data, i, end, words, which):
    """Whether data[i:end] is the word, in any case."""
    k = 0
    while k < 9 and words[which, k] != 0:
        if i + k >= end:
            return False
        c = data[i + k]
        if 65 <= c <= 90:
            c += 32
        if c != words[which, k]:
            return False
        k += 1
    return i + k == end


@numba.njit(cache=True, nogil=True)
def _number(data, i, end, powers):
    """Value of data[i:end] and 0; or 1 if it must be read elsewhere, 2 if it is no number."""
    negative = False
    if i < end and (data[i] == 43 or data[i] == 45):
        negative = data[i] == 45
        i += 1
    mantissa = np.int64(0)
    digits = 0
    shift = 0
    point = False
    long = False
    while i < end:
        c = data[i]
        if 48 <= c <= 57:
            digits += 1
            if mantissa > 900719925474098:
                long = True
            else:
                mantissa = mantissa * 10 + np.int64(c - 48)
                if point:
                    shift -= 1
        elif c == 46 and not point:
            point = True
        else:
            break
        i += 1
    if digits == 0:
        return 0.0, 2
    if i < end and (data[i] == 101 or data[i] == 69):
        i += 1
        down = False
        if i < end and (data[i] == 43 or data[i] == 45):
            down = data[i] == 45
            i += 1
        exponent = 0
        count = 0
        while i < end and 48 <= data[i] <= 57:
            if exponent < 10000:
                exponent = exponent * 10 + np.int64(data[i] - 48)
            count += 1
            i += 1
        if count == 0:
            return 0.0, 2
        shift += -exponent if down else exponent
    if i != end:
        return 0.0, 2
    if long or (mantissa != 0 and (shift > 22 or shift < -22)):
        return 0.0, 1
    value = np.float64(mantissa)
    if mantissa != 0:
        if shift > 0:
            value *= powers[shift]
        elif shift < 0:
            value /= powers[-shift]
    return (-value if negative else value), 0


@numba.njit(cache=True, nogil=True)
def _skip_name(data, i, words):
    """Place after a name: the end of its line, or the words ``facet normal``."""
    n = data.shape[0]
    while True:
        while i < n and (data[i] == 32 or data[i] == 9 or data[i] == 11 or data[i] == 12):
            i += 1
        if i >= n or data[i] == 10 or data[i] == 13:
            return i
        stop = _end(data, i)
        if _is_word(data, i, stop, words, np.int64(1)):
            following = _skip(data, stop)
            if _is_word(data, following, _end(data, following), words, np.int64(2)):
                return i
        i = stop


@numba.njit(cache=True, nogil=True)
def parse(data, words, powers, corners, late):
    """Read all facets.

    Parameters
    ----------
    data : (n,) uint8
        The file, without a byte order mark.
    words, powers
        ``WORD_TABLE`` and ``POWERS``.
    corners : (m, 3) float64
        Receives the corners; room for all there can be (n // 20 + 3 rows is enough).
    late : (k, 3) int64
        Receives row-times-3-plus-column, begin and end of numbers the caller must read itself;
        3 * m rows are enough.

    Returns
    -------
    count : int
        Corners read.
    waiting : int
        Rows used in ``late``.
    solids : int
        Solids begun.
    reason : int
        DONE or why reading stopped.
    place : int
        Offset of the token it stopped at.
    """
    n = data.shape[0]
    i = np.int64(0)
    count = 0
    waiting = 0
    solids = 0
    inside = False
    while True:
        i = _skip(data, i)
        if i >= n:
            return count, waiting, solids, (NO_END if inside else DONE), n
        stop = _end(data, i)
        if not inside:
            if not _is_word(data, i, stop, words, np.int64(0)):
                return count, waiting, solids, UNEXPECTED, i
            inside = True
            solids += 1
            i = _skip_name(data, stop, words)
            continue
        if _is_word(data, i, stop, words, np.int64(8)):
            inside = False
            # A one-line file may begin its next solid after this name.
            i = _skip_name(data, stop, words)
            if i < n and data[i] != 10 and data[i] != 13:
                inside = True
                solids += 1
            continue
        if not _is_word(data, i, stop, words, np.int64(1)):
            return count, waiting, solids, UNEXPECTED, i
        # facet normal n n n: the normal is not used, but must be there.
        i = _skip(data, stop)
        stop = _end(data, i)
        if i >= n:
            return count, waiting, solids, ENDED, n
        if not _is_word(data, i, stop, words, np.int64(2)):
            return count, waiting, solids, UNEXPECTED, i
        for _ in range(3):
            i = _skip(data, stop)
            stop = _end(data, i)
            if i >= n:
                return count, waiting, solids, ENDED, n
            if _is_word(data, i, stop, words, np.int64(3)):
                return count, waiting, solids, UNEXPECTED, i
        for step in range(2):
            i = _skip(data, stop)
            stop = _end(data, i)
            if i >= n:
                return count, waiting, solids, ENDED, n
            if not _is_word(data, i, stop, words, 3 + step):
                return count, waiting, solids, UNEXPECTED, i
        for corner in range(3):
            i = _skip(data, stop)
            stop = _end(data, i)
            if i >= n:
                return count, waiting, solids, ENDED, n
            if not _is_word(data, i, stop, words, np.int64(5)):
                reason = CORNERS if _is_word(data, i, stop, words, np.int64(6)) else UNEXPECTED
                return count, waiting, solids, reason, i
            for column in range(3):
                i = _skip(data, stop)
                stop = _end(data, i)
                if i >= n:
                    return count, waiting, solids, ENDED, n
                value, state = _number(data, i, stop, powers)
                if state == 0:
                    corners[count + corner, column] = value
                else:
                    late[waiting, 0] = 3 * (count + corner) + column
                    late[waiting, 1] = i
                    late[waiting, 2] = stop
                    waiting += 1
                    if state == 2:
                        return count, waiting, solids, NUMBER, i
        for step in range(2):
            i = _skip(data, stop)
            stop = _end(data, i)
            if i >= n:
                return count, waiting, solids, ENDED, n
            if not _is_word(data, i, stop, words, 6 + step):
                reason = CORNERS if _is_word(data, i, stop, words, np.int64(5)) else UNEXPECTED
                return count, waiting, solids, reason, i
        count += 3
        i = stop

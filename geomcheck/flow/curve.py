"""The area curve: where it dips."""

from __future__ import annotations

import numpy as np

from geomcheck.flow.section import FloatArray

#: Areas that differ by less than this share are the same: of equal shoulders the nearest counts.
_SAME = 1e-9


def dips(area: FloatArray) -> list[tuple[int, int]]:
    """Local minima with a shoulder on both sides: (row of the dip, row of its lower shoulder).

    A shoulder is the highest place up to the next place lower than the dip, or to the end of the
    stretch; NaN ends a stretch. Of equal minima beside each other the first counts.

    Examples
    --------
    >>> dips(np.array([9.0, 3.0, 5.0, 2.0, 8.0]))
    [(1, 2), (3, 4)]
    >>> dips(np.array([9.0, 7.0, 5.0]))
    []
    """
    found = []
    measured = np.isfinite(area)
    falls = np.zeros(len(area), bool)
    falls[1:-1] = (area[1:-1] < area[:-2]) & (area[1:-1] <= area[2:])
    for i in np.flatnonzero(falls & measured):
        sides = []
        for step in (-1, 1):
            best, k = int(i), int(i) + step
            while 0 <= k < len(area) and measured[k]:
                if area[k] < area[i] or (step < 0 and area[k] == area[i]):
                    break
                if area[k] > area[best] * (1.0 + _SAME):
                    best = k
                k += step
            sides.append(best)
        shoulder = min(sides, key=lambda k: float(area[k]))
        if area[shoulder] > area[i]:
            found.append((int(i), shoulder))
    return found

"""Continuous maximal flow on cells: the primal-dual iteration of total variation.

Cells are numbered 0..n-1; ``near`` (n, 6) int32 holds the neighbours in x-, x+, y-, y+, z-, z+, or
-1 where a wall stands between. ``u`` (n,) is 1 at the inlet and 0 at the outlet; ``weight`` (n,)
the cell's volume over that of a whole cell. The gradient is taken on four corners of every cell,
(+ + +), (+ - -), (- + -), (- - +), so that no diagonal is favoured; where a wall stands on that
side, the difference to the other side is taken. ``side`` (n, 4, 3) int8 says which: 0 minus, 1
plus, -1 walls on both. ``flow`` (n, 4, 3) is the dual variable, |flow| <= weight / 4.
"""

import numba
import numpy as np

#: Side (0: minus, 1: plus) of each corner along each axis.
CORNERS = np.array([[1, 1, 1], [1, 0, 0], [0, 1, 0], [0, 0, 1]], np.int64)


@numba.njit(cache=True, nogil=True)
def sides(near, corners, side):
    """Fill ``side``: along which link each corner of each cell takes its differences."""
    for c in range(near.shape[0]):
        for g in range(4):
            for a in range(3):
                s = corners[g, a]
                if near[c, 2 * a + s] < 0:
                    s = 1 - s
                side[c, g, a] = s if near[c, 2 * a + s] >= 0 else -1


@numba.njit(cache=True, nogil=True)
def ascend(near, side, weight, ahead, flow, sigma, begin, end):
    """Dual step of some cells: along the gradient of ``ahead``, back to |flow| <= weight / 4."""
    for c in range(begin, end):
        limit = 0.25 * weight[c]
        here = ahead[c]
        for g in range(4):
            size = 0.0
            for a in range(3):
                s = side[c, g, a]
                if s < 0:
                    continue
                step = ahead[near[c, 2 * a + s]] - here
                if s == 0:
                    step = -step
                q = flow[c, g, a] + sigma * step
                flow[c, g, a] = q
                size += q * q
            if size > limit * limit:
                scale = limit / np.sqrt(size)
                for a in range(3):
                    flow[c, g, a] *= scale


@numba.njit(cache=True, nogil=True)
def _surplus(near, side, flow, c):
    """What flows out of a cell against the gradient: the adjoint of the gradient at ``c``."""
    out = 0.0
    for a in range(3):
        for s in range(2):
            other = near[c, 2 * a + s]
            if other < 0:
                continue
            through = 0.0
            for g in range(4):
                if side[c, g, a] == s:
                    through += flow[c, g, a]
                if side[other, g, a] == 1 - s:
                    through += flow[other, g, a]
            out += through if s == 0 else -through
    return out


@numba.njit(cache=True, nogil=True)
def descend(near, side, fixed, u, ahead, flow, tau, begin, end):
    """Primal step of some cells, kept within 0..1, and the point to look ahead to."""
    for c in range(begin, end):
        if fixed[c]:
            continue
        old = u[c]
        new = old - tau * _surplus(near, side, flow, c)
        new = min(1.0, max(0.0, new))
        u[c] = new
        ahead[c] = 2.0 * new - old


@numba.njit(cache=True, nogil=True)
def bounds(near, side, weight, fixed, u, flow, begin, end):
    """Upper and lower bound of the discrete minimum, from ``u`` and from ``flow``; sums of cells.

    The total variation of ``u``; and the least of the Lagrangian over all 0 <= u <= 1, which no
    flow that obeys the limit can exceed.
    """
    upper = 0.0
    lower = 0.0
    for c in range(begin, end):
        for g in range(4):
            size = 0.0
            for a in range(3):
                s = side[c, g, a]
                if s >= 0:
                    size += (u[near[c, 2 * a + s]] - u[c]) ** 2
            upper += 0.25 * weight[c] * np.sqrt(size)
        surplus = _surplus(near, side, flow, c)
        if fixed[c]:
            lower += u[c] * surplus
        elif surplus < 0.0:
            lower += surplus
    return upper, lower

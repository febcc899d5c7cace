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
def sides(near, corners, side, plain, degree):
    """Fill ``side``: along which link each corner of each cell takes its differences.

    ``plain`` (n,) bool: whether all corners of a cell, and those of its neighbours towards it, are
    the usual ones. ``degree`` (n,): how many differences a cell takes part in.
    """
    degree[:] = 0.0
    for c in range(near.shape[0]):
        for g in range(4):
            for a in range(3):
                s = corners[g, a]
                if near[c, 2 * a + s] < 0:
                    s = 1 - s
                side[c, g, a] = s if near[c, 2 * a + s] >= 0 else -1
                if side[c, g, a] >= 0:
                    degree[c] += 1.0
                    degree[near[c, 2 * a + side[c, g, a]]] += 1.0
    for c in range(near.shape[0]):
        usual = True
        for link in range(6):
            usual = usual and near[c, link] >= 0 and near[near[c, link], link] >= 0
        plain[c] = usual


@numba.njit(cache=True, nogil=True)
def ascend(near, side, weight, ahead, flow, sigma, relax, begin, end):
    """Dual step of some cells: along the gradient of ``ahead``, back to |flow| <= weight / 4.

    ``relax``: how far to go on to there, 1 to below 2 (over-relaxation).
    """
    for c in range(begin, end):
        limit = 0.25 * weight[c]
        here = ahead[c]
        for g in range(4):
            x, y, z = 0.0, 0.0, 0.0
            s = side[c, g, 0]
            if s >= 0:
                step = ahead[near[c, s]] - here
                x = flow[c, g, 0] + sigma * (step if s else -step)
            s = side[c, g, 1]
            if s >= 0:
                step = ahead[near[c, 2 + s]] - here
                y = flow[c, g, 1] + sigma * (step if s else -step)
            s = side[c, g, 2]
            if s >= 0:
                step = ahead[near[c, 4 + s]] - here
                z = flow[c, g, 2] + sigma * (step if s else -step)
            size = x * x + y * y + z * z
            scale = limit / np.sqrt(size) if size > limit * limit else 1.0
            flow[c, g, 0] += relax * (scale * x - flow[c, g, 0])
            flow[c, g, 1] += relax * (scale * y - flow[c, g, 1])
            flow[c, g, 2] += relax * (scale * z - flow[c, g, 2])


@numba.njit(cache=True, nogil=True)
def limited(weight, flow, out, begin, end):
    """The flow of some cells brought back to |flow| <= weight / 4, into ``out``."""
    for c in range(begin, end):
        limit = 0.25 * weight[c]
        for g in range(4):
            size = 0.0
            for a in range(3):
                size += flow[c, g, a] ** 2
            scale = limit / np.sqrt(size) if size > limit * limit else 1.0
            for a in range(3):
                out[c, g, a] = scale * flow[c, g, a]


@numba.njit(cache=True, nogil=True)
def _usual(near, flow, c):
    """:func:`_surplus` of a plain cell."""
    b0, a0, b1, a1, b2, a2 = near[c, 0], near[c, 1], near[c, 2], near[c, 3], near[c, 4], near[c, 5]
    out = flow[c, 2, 0] + flow[c, 3, 0] + flow[b0, 0, 0] + flow[b0, 1, 0]
    out -= flow[c, 0, 0] + flow[c, 1, 0] + flow[a0, 2, 0] + flow[a0, 3, 0]
    out += flow[c, 1, 1] + flow[c, 3, 1] + flow[b1, 0, 1] + flow[b1, 2, 1]
    out -= flow[c, 0, 1] + flow[c, 2, 1] + flow[a1, 1, 1] + flow[a1, 3, 1]
    out += flow[c, 1, 2] + flow[c, 2, 2] + flow[b2, 0, 2] + flow[b2, 3, 2]
    out -= flow[c, 0, 2] + flow[c, 3, 2] + flow[a2, 1, 2] + flow[a2, 2, 2]
    return out


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
def descend(near, side, plain, fixed, degree, u, ahead, flow, balance, relax, begin, end):
    """Primal step of some cells, kept within 0..1, and the point to look ahead to.

    Each cell's step is ``1 / (balance * degree)``, that of the dual ``balance / 2``: the steps of
    T. Pock and A. Chambolle (2011, "Diagonal preconditioning for first order primal-dual
    algorithms in convex optimization", ICCV), which need no norm of the gradient.
    """
    for c in range(begin, end):
        if fixed[c]:
            continue
        old = u[c]
        surplus = _usual(near, flow, c) if plain[c] else _surplus(near, side, flow, c)
        new = old - surplus / (balance * max(degree[c], 1.0))
        new = min(1.0, max(0.0, new))
        ahead[c] = 2.0 * new - old
        u[c] = old + relax * (new - old)


@numba.njit(cache=True, nogil=True)
def bounds(near, side, weight, fixed, u, flow, begin, end):
    """Upper and lower bound of the discrete minimum, from ``u`` and from ``flow``; sums of cells.

    The total variation of ``u``, cut off at 0 and 1; and the least of the Lagrangian over all
    0 <= u <= 1, which no flow that obeys the limit can exceed.
    """
    upper = 0.0
    lower = 0.0
    for c in range(begin, end):
        for g in range(4):
            size = 0.0
            for a in range(3):
                s = side[c, g, a]
                if s >= 0:
                    there = min(1.0, max(0.0, u[near[c, 2 * a + s]]))
                    size += (there - min(1.0, max(0.0, u[c]))) ** 2
            upper += 0.25 * weight[c] * np.sqrt(size)
        surplus = _surplus(near, side, flow, c)
        if fixed[c]:
            lower += u[c] * surplus
        elif surplus < 0.0:
            lower += surplus
    return upper, lower

"""The smallest surface that parts the inlet of a void from its outlets, without a path.

By the duality of G. Strang (1983, "Maximal flow through a domain", Mathematical Programming 26)
the greatest flux of a flow without sources, nowhere stronger than 1, equals the area of the
smallest separating surface. On cells both sides are solved at once by the primal-dual iteration
of A. Chambolle and T. Pock (2011, "A first-order primal-dual algorithm for convex problems",
J. Math. Imaging and Vision 40), with the capacity-weighted scheme of B. Appleton and H. Talbot
(2006, "Globally minimal surfaces by continuous maximal flows", IEEE PAMI 28(1)) as the model: the
bounds from both sides say how far the iteration got. What the cells do to the area is an
estimate, calibrated on closed forms.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Quantity, Term
from geomcheck.flow.cells import CutPatch, Problem, cut_patches, setup, volumes
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.flow.void import Void
from geomcheck.kernels import maxflow as kernel
from geomcheck.mesh import threads

#: Dual against primal steps, and the over-relaxation of both.
_BALANCE, _RELAX = 0.3, 1.9
#: The iteration ends when its two bounds differ by less than this share, or after so many rounds.
CONVERGED = 2e-3
_EVERY, _MOST = 25, 4000
#: Work allowed: steps times cells; about ten seconds of one processor.
_WORK = 1.2e8
#: The surface may be off by this share of a cell all along its rim. The worst seen on closed forms,
#: square to the cells and turned: pipes and staggered cylinders 0.08, the edges of a thin plate
#: 0.18.
_RIM = 0.2
#: Cells of the first round against the void's default; those of the second, at least and at most.
_COARSER, _FINEST, _LEAST_FINER = 1.6, 0.4, 0.75
#: The finer surface is looked for within this many of the rougher cells of the rougher one first.
_BAND = 4.0
#: Cells handed to a thread at once.
_CHUNK = 1 << 14


@dataclass(frozen=True, eq=False)
class MinCut:
    """The smallest separating surface found.

    Parameters
    ----------
    area : Quantity
        mm2, with the terms of the cells and of the iteration.
    lower, upper : float
        Bounds of the problem on cells, mm2.
    spacing : float
        Side of a cell, mm.
    converged : bool
        Whether the bounds met within ``CONVERGED``.
    patches : tuple of CutPatch
        Its separate pieces, the largest first.
    upstream : (n,) bool
        Per inside cell (``void.cells``), whether it lies on the inlet's side.
    void : Void
    at_edge : bool
        Whether it runs along cells that were held because they lie beyond where it was looked for.
    """

    area: Quantity
    lower: float
    upper: float
    spacing: float
    converged: bool
    patches: tuple[CutPatch, ...]
    upstream: BoolArray
    void: Void
    at_edge: bool = False

    @property
    def label(self) -> str:
        """What the surface may be called."""
        if self.converged:
            return "smallest separating surface on cells"
        return "smallest separating surface found"


def min_cut(
    void: Void,
    *,
    inlet: int = 0,
    outlets: Sequence[int] | None = None,
    around: FloatArray | None = None,
    reach: float = 0.0,
) -> MinCut:
    """The smallest surface on the cells of a void.

    Parameters
    ----------
    void : Void
    inlet : int
        Number of the port the air comes in by.
    outlets : sequence of int, optional
        Ports it leaves by; all others when not given.
    around : (k, 3) float, optional
        Points (mm) the surface is looked for near, within ``reach`` mm.

    Raises
    ------
    InputError
        No outlet, or a port that is not one of the void's.
    CannotDecide
        A port opens into no cell, or the inlet and an outlet open into the same cells.
    """
    return _min_cut(void, inlet, outlets, around, reach, None)[0]


def _min_cut(
    void: Void,
    inlet: int,
    outlets: Sequence[int] | None,
    around: FloatArray | None,
    reach: float,
    begun: _Solution | None,
) -> tuple[MinCut, _Solution]:
    """As :func:`min_cut`, begun from the solution on other cells."""
    ends = [k for k in range(len(void.ports)) if k != inlet] if outlets is None else list(outlets)
    if not ends or inlet in ends or not all(0 <= k < len(void.ports) for k in (inlet, *ends)):
        raise InputError("a smallest surface needs an inlet and other ports as outlets")
    problem = setup(void, inlet, ends, around, reach)
    done = _solve(problem, begun)
    face = void.spacing**2
    upper, lower = done.upper * face, max(0.0, done.lower * face)
    upstream = done.level > 0.5
    patches, rim, at_edge = cut_patches(problem, upstream)
    value = 0.5 * (upper + lower)
    half = 0.5 * (upper - lower)
    cells = _RIM * void.spacing * rim
    terms = (
        Term("cells", min(cells, value - half), cells, "estimate: a fifth of a cell along the rim"),
        Term("iteration", half, half, "bounds from both sides"),
    )
    found = MinCut(
        area=Quantity.from_terms("smallest separating surface", value, "mm2", terms),
        lower=lower,
        upper=upper,
        spacing=void.spacing,
        converged=upper - lower <= CONVERGED * upper,
        patches=patches,
        upstream=upstream,
        void=void,
        at_edge=at_edge,
    )
    return found, done


def smallest_surface(
    make: Callable[[float | None], Void],
    *,
    inlet: int = 0,
    outlets: Sequence[int] | None = None,
    budget: int = 200_000,
) -> MinCut:
    """The smallest surface on cells, and once more on finer cells near the one found.

    All of the void is solved for on coarse cells. Then on finer cells first in a narrow band about
    what was found; where the finer surface runs beside the band's edge, in a band as wide as the
    surface is, about; and where the band does not part the ports (a gap that coarse cells are too
    large for), in all of the void.

    Parameters
    ----------
    make : callable
        The void at a given spacing (mm), or at its default (None).
    budget : int
        Cells to solve for in the second round, about.

    Raises
    ------
    InputError, CannotDecide
        As :func:`min_cut`; whatever ``make`` raises at its default.

    Returns
    -------
    MinCut
        Of the finer cells; the difference of the two rounds widens its term where it is greater.
    """
    first = make(None)
    try:
        rough, done = _min_cut(
            make(_COARSER * first.spacing), inlet, outlets, None, 0.0, None
        )  # fmt: skip
    except CannotDecide:
        rough, done = _min_cut(first, inlet, outlets, None, 0.0, None)
    points = np.concatenate([patch.middles for patch in rough.patches])
    reach = 0.4 * float(np.sqrt(rough.area.value)) + 3.0 * first.spacing
    near = cKDTree(points).query(first.centres(), distance_upper_bound=reach)[0]
    count = max(1, int(np.isfinite(near).sum()))
    wanted = first.spacing * (count / budget) ** (1.0 / 3.0)
    finer = max(_FINEST * first.spacing, min(_LEAST_FINER * first.spacing, wanted))
    void = make(finer)
    for band in (min(reach, _BAND * rough.spacing), reach):
        fine, done = _min_cut(void, inlet, outlets, points, band, done)
        if not fine.at_edge:
            break
    off = abs(fine.area.value - rough.area.value)
    cells, iteration = fine.area.terms
    if off > cells.plus:
        cells = Term(
            "cells", min(off, fine.area.value - iteration.minus), off,
            f"estimate: difference to cells of {rough.spacing:.2f} mm",
        )  # fmt: skip
    area = Quantity.from_terms(fine.area.name, fine.area.value, "mm2", (cells, iteration))
    return replace(fine, area=area)


@dataclass(frozen=True, eq=False)
class _Solution:
    """What the iteration ended with.

    ``level`` (n,) of every inside cell; ``cells`` (k,) that took part, their ``middles`` (k, 3) and
    ``flow`` (k, 4, 3); bounds of the minimum in faces of a cell.
    """

    level: FloatArray
    cells: IntArray
    middles: FloatArray
    flow: FloatArray
    upper: float
    lower: float


def _solve(problem: Problem, begun: _Solution | None = None) -> _Solution:
    """Iterate until the bounds meet; ``begun``: on other cells, taken over from the nearest."""
    level = problem.u.copy()
    # Only cells that are free, and those beside them, take part.
    free = ~problem.fixed
    part = free | (free[problem.near] & (problem.near >= 0)).any(axis=1)
    cells = np.flatnonzero(part)
    number = np.full(len(part) + 1, -1, np.int32)  # the last row stands for "no neighbour"
    number[cells] = np.arange(len(cells))
    near = np.ascontiguousarray(number[problem.near[cells]])
    weight, fixed = volumes(problem.void, problem.near, cells), problem.fixed[cells]
    u = level[cells]
    n = len(cells)
    side, plain, degree = np.empty((n, 4, 3), np.int8), np.empty(n, np.bool_), np.empty(n)
    kernel.sides(near, kernel.CORNERS, side, plain, degree)
    middles = problem.void.centres(problem.void.cells[cells])
    flow, held = np.zeros((n, 4, 3)), np.empty((n, 4, 3))
    if begun is not None:
        row = cKDTree(begun.middles).query(middles)[1]
        u = np.where(fixed, u, begun.level[begun.cells][row])
        kernel.limited(weight, begun.flow[row], flow, 0, n)
    ahead = u.copy()
    ranges = threads.chunks(n, _CHUNK)
    upper, lower = np.inf, 0.0
    most = int(min(_MOST, max(10 * _EVERY, _WORK / max(n, 1))))

    def primal(a: int, b: int) -> None:
        kernel.descend(
            near, side, plain, fixed, degree, u, ahead, flow, _BALANCE, _RELAX, a, b
        )  # fmt: skip

    def dual(a: int, b: int) -> None:
        kernel.ascend(near, side, weight, ahead, flow, 0.5 * _BALANCE, _RELAX, a, b)

    with ThreadPoolExecutor(threads.THREADS) as pool:

        def each(task: Callable[[int, int], Any]) -> list[Any]:
            return list(pool.map(lambda pair: task(*pair), ranges))

        for step in range(1, most + 1):
            each(primal)
            each(dual)
            if step % _EVERY == 0:
                # Relaxed, the flow may be too strong: the bound is that of a flow that is not.
                each(lambda a, b: kernel.limited(weight, flow, held, a, b))
                sums = each(lambda a, b: kernel.bounds(near, side, weight, fixed, u, held, a, b))
                above, below = (float(x) for x in np.sum(sums, axis=0))
                upper, lower = min(upper, above), max(lower, below)
                if upper - lower <= 0.9 * CONVERGED * upper:
                    break
    level[cells] = u
    return _Solution(level, cells, middles, flow, upper, lower)

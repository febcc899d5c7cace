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
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.errors import InputError
from geomcheck.finding import Quantity, Term
from geomcheck.flow.cells import Problem, graph, setup, volumes
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray
from geomcheck.flow.void import Void
from geomcheck.kernels import maxflow as kernel
from geomcheck.mesh import threads

#: Steps of the iteration: ``_DUAL * _PRIMAL`` times the square of the gradient's norm is 1.
_BALANCE = 0.3
_DUAL, _PRIMAL = 0.5 * _BALANCE, 1.0 / (24.0 * _BALANCE)
#: The iteration ends when its two bounds differ by less than this share, or after so many rounds.
CONVERGED = 2e-3
_EVERY, _MOST = 50, 4000
#: Work allowed: steps times cells; about ten seconds of one processor.
_WORK = 1.2e8
#: The surface may be off by this share of a cell all along its rim. The worst seen on closed forms,
#: square to the cells and turned: pipes and staggered cylinders 0.08, the edges of a thin plate
#: 0.18.
_RIM = 0.2
#: Cells handed to a thread at once.
_CHUNK = 1 << 14


@dataclass(frozen=True, eq=False)
class CutPatch:
    """One connected piece of the surface.

    ``point``: its middle, mm. ``normal``: unit vector, downstream. ``vector_area``: mm2, the size
    of the sum of its faces as vectors. ``middles`` (k, 3): middles of the cut links, mm.
    """

    point: FloatArray
    normal: FloatArray
    vector_area: float
    middles: FloatArray


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
    """

    area: Quantity
    lower: float
    upper: float
    spacing: float
    converged: bool
    patches: tuple[CutPatch, ...]
    upstream: BoolArray
    void: Void

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
    ends = [k for k in range(len(void.ports)) if k != inlet] if outlets is None else list(outlets)
    if not ends or inlet in ends or not all(0 <= k < len(void.ports) for k in (inlet, *ends)):
        raise InputError("a smallest surface needs an inlet and other ports as outlets")
    problem = setup(void, inlet, ends, around, reach)
    u, upper, lower = _solve(problem)
    face = void.spacing**2
    upper, lower = upper * face, max(0.0, lower * face)
    upstream = u > 0.5
    patches, rim = _patches(problem, upstream)
    value = 0.5 * (upper + lower)
    half = 0.5 * (upper - lower)
    cells = _RIM * void.spacing * rim
    terms = (
        Term("cells", min(cells, value - half), cells, "estimate: a fifth of a cell along the rim"),
        Term("iteration", half, half, "bounds from both sides"),
    )
    return MinCut(
        area=Quantity.from_terms("smallest separating surface", value, "mm2", terms),
        lower=lower,
        upper=upper,
        spacing=void.spacing,
        converged=upper - lower <= CONVERGED * upper,
        patches=patches,
        upstream=upstream,
        void=void,
    )


def smallest_surface(
    make: Callable[[float | None], Void],
    *,
    inlet: int = 0,
    outlets: Sequence[int] | None = None,
    budget: int = 200_000,
) -> MinCut:
    """The smallest surface on cells, and once more on finer cells near the one found.

    Parameters
    ----------
    make : callable
        The void at a given spacing (mm), or at its default (None).
    budget : int
        Cells to solve for in the second round, about.

    Returns
    -------
    MinCut
        Of the finer cells; the difference of the two rounds widens its term where it is greater.
    """
    rough = min_cut(make(None), inlet=inlet, outlets=outlets)
    points = np.concatenate([patch.middles for patch in rough.patches])
    reach = 0.4 * float(np.sqrt(rough.area.value)) + 3.0 * rough.spacing
    near = cKDTree(points).query(rough.void.centres(), distance_upper_bound=reach)[0]
    count = max(1, int(np.isfinite(near).sum()))
    finer = rough.spacing * max(0.4, min(0.75, (count / budget) ** (1.0 / 3.0)))
    fine = min_cut(make(finer), inlet=inlet, outlets=outlets, around=points, reach=reach)
    off = abs(fine.area.value - rough.area.value)
    cells, iteration = fine.area.terms
    if off > cells.plus:
        cells = Term(
            "cells", min(off, fine.area.value - iteration.minus), off,
            f"estimate: difference to cells of {rough.spacing:.2f} mm",
        )  # fmt: skip
    area = Quantity.from_terms(fine.area.name, fine.area.value, "mm2", (cells, iteration))
    return MinCut(
        area, fine.lower, fine.upper, fine.spacing, fine.converged, fine.patches, fine.upstream,
        fine.void,
    )  # fmt: skip


def _solve(problem: Problem) -> tuple[FloatArray, float, float]:
    """Level of every cell, and the bounds of the minimum in faces of a cell."""
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
    side = np.empty((n, 4, 3), np.int8)
    kernel.sides(near, kernel.CORNERS, side)
    flow = np.zeros((n, 4, 3))
    ahead = u.copy()
    ranges = threads.chunks(n, _CHUNK)
    upper, lower = np.inf, 0.0
    most = int(min(_MOST, max(10 * _EVERY, _WORK / max(n, 1))))
    with ThreadPoolExecutor(threads.THREADS) as pool:

        def each(task: Callable[[int, int], Any]) -> list[Any]:
            return list(pool.map(lambda pair: task(*pair), ranges))

        for step in range(1, most + 1):
            each(lambda a, b: kernel.ascend(near, side, weight, ahead, flow, _DUAL, a, b))
            each(lambda a, b: kernel.descend(near, side, fixed, u, ahead, flow, _PRIMAL, a, b))
            if step % _EVERY == 0:
                sums = each(lambda a, b: kernel.bounds(near, side, weight, fixed, u, flow, a, b))
                above, below = (float(x) for x in np.sum(sums, axis=0))
                upper, lower = min(upper, above), max(lower, below)
                if upper - lower <= 0.9 * CONVERGED * upper:
                    break
    level[cells] = u
    return level, upper, lower


def _patches(problem: Problem, upstream: BoolArray) -> tuple[tuple[CutPatch, ...], float]:
    """The connected pieces of the surface between the two sides, and the length of its rim."""
    near, void = problem.near, problem.void
    ahead = near[:, 1::2]
    rows, axis = np.nonzero((ahead >= 0) & (upstream[:, None] != upstream[ahead]))
    beyond = ahead[rows, axis]
    if not len(rows):
        return (), 0.0
    band = np.zeros(len(near), np.bool_)
    band[rows] = band[beyond] = True
    label = connected_components(graph(near, band[:, None] & band[near]), directed=False)[1]
    where = void.centres()
    middles = 0.5 * (where[rows] + where[beyond])
    faces = np.zeros((len(rows), 3))
    faces[np.arange(len(rows)), axis] = np.where(upstream[rows], 1.0, -1.0) * void.spacing**2
    patches = []
    for name in np.unique(label[rows]):
        own = label[rows] == name
        total = faces[own].sum(axis=0)
        size = float(np.linalg.norm(total))
        if size > 0.0:
            normal = total / size
            patches.append(CutPatch(middles[own].mean(axis=0), normal, size, middles[own]))
    patches.sort(key=lambda patch: (-patch.vector_area, *patch.point.tolist()))
    # Every side of a cut face that stands on a wall is a piece of the rim.
    wall = np.add.reduce(0.5 * ((near[rows] < 0).astype(float) + (near[beyond] < 0)), axis=1)
    wall -= 0.5 * (near[rows, 2 * axis] < 0) + 0.5 * (near[beyond, 2 * axis + 1] < 0)
    return tuple(patches), float(wall.sum() * void.spacing)

"""Laplace's equation in the void of a duct: potential 1 at the inlet, 0 at the outlet.

The walls, side branches and ports that are neither are insulated. Finite volumes on the cells of
the void with the open share of each face from distances to the walls (cut cells: so the walls lie
within cells); ports are flat and lie where they are (F. Gibou, R. Fedkiw, L.-T. Cheng, M. Kang,
2002, "A second-order-accurate symmetric discretization of the Poisson equation on irregular
domains"). Solved by conjugate gradients with two levels: damped Jacobi on the cells, and a direct
solution on blocks of cells that are joined to each other (R. Nicolaides, 1987, "Deflation of
conjugate gradients with applications to boundary value problems"; from memory). About twenty
steps, however long the duct is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeAlias

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.cutcells import CutCells, cut_cells
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.flow.void import Void

#: Residual, as a share of the right-hand side, at which the solution is taken.
_RESIDUAL = 1e-8
_MOST_STEPS = 400
#: Unknowns of the coarse level, about.
_COARSE = 4000
_DAMPING = 0.8

Matrix: TypeAlias = Any


@dataclass(frozen=True, eq=False)
class Potential:
    """The potential in a void.

    Parameters
    ----------
    void : Void
    cut : CutCells
    rows : (n,) int64
        Rows of ``cut.cells`` that are joined to the inlet and outlet.
    u : (len(cut.cells),) float64
        1 at the inlet, 0 at the outlet; NaN in cells that are joined to neither.
    inlets, outlets : tuple of int
        Numbers of the ports.
    conductance : float
        Flux for a difference of 1, mm: area over length for a straight pipe.
    steps : int
        Steps of conjugate gradients.
    """

    void: Void
    cut: CutCells
    rows: IntArray
    u: FloatArray
    inlets: tuple[int, ...]
    outlets: tuple[int, ...]
    conductance: float
    steps: int

    @cached_property
    def gradient(self) -> FloatArray:
        """(n, 3) gradient of ``u`` in each cell, 1/mm; mean over the open share of its faces."""
        count = len(self.cut.cells)
        h = self.void.spacing
        out = np.zeros((count, 3))
        u = np.nan_to_num(self.u)
        i, j = self.cut.pairs.T
        rise = (u[j] - u[i]) * self.cut.open
        for axis in range(3):
            mine = self.cut.axis == axis
            a, b, w = i[mine], j[mine], self.cut.open[mine]
            total = np.bincount(a, rise[mine], count) + np.bincount(b, rise[mine], count)
            share = np.bincount(a, w, count) + np.bincount(b, w, count)
            for k, door in enumerate(self.cut.doors):
                if k not in (*self.inlets, *self.outlets):
                    continue
                d = door.axis == axis
                rows = door.rows[d]
                slope = ((k in self.inlets) - u[rows]) * door.way[d] / door.at[d]
                total += np.bincount(rows, slope * door.open[d], count)
                share += np.bincount(rows, door.open[d], count)
            out[:, axis] = total / np.maximum(share, 1e-300) / h
        out[np.isnan(self.u)] = 0.0
        return out


def solve(
    void: Void,
    inlets: int | Sequence[int] = 0,
    outlets: int | Sequence[int] = 1,
    *,
    cut: CutCells | None = None,
) -> Potential:
    """Potential between ports of a void, given by their numbers.

    ``cut``: the void's cut cells, if they were made already.

    Raises
    ------
    InputError
        A port that the void does not have, or one that is both inlet and outlet.
    CannotDecide
        The cells do not join the inlet to the outlet, or the solution does not settle.
    """
    begin, end = _numbers(void, inlets, "inlet"), _numbers(void, outlets, "outlet")
    if set(begin) & set(end):
        raise InputError("a port cannot be both inlet and outlet")
    cut = cut_cells(void) if cut is None else cut
    count = len(cut.cells)
    i, j = cut.pairs.T
    w = cut.open
    source = np.zeros(count)
    for k in begin:
        source += np.bincount(cut.doors[k].rows, cut.doors[k].weight, count)
    sink = np.zeros(count)
    for k in end:
        sink += np.bincount(cut.doors[k].rows, cut.doors[k].weight, count)
    diagonal = np.bincount(i, w, count) + np.bincount(j, w, count) + source + sink
    every = np.arange(count)
    matrix = sparse.csr_matrix(
        (np.r_[-w, -w, diagonal], (np.r_[i, j, every], np.r_[j, i, every])), shape=(count, count)
    )
    rows = _joined(matrix, source, sink)
    if not len(rows):
        raise CannotDecide(
            "the cells of the void do not join the inlet to the outlet",
            remedy="give a smaller spacing of cells",
        )
    if len(rows) < count:
        matrix = matrix[rows][:, rows]
    found, steps = _conjugate(matrix, source[rows], cut.cells[rows], void.inside.shape)
    u = np.full(count, np.nan)
    u[rows] = found
    into = float((source[rows] * (1.0 - found)).sum()) * void.spacing
    return Potential(void, cut, rows, u, begin, end, into, steps)


def _numbers(void: Void, given: int | Sequence[int], what: str) -> tuple[int, ...]:
    listed = (given,) if isinstance(given, int) else tuple(int(k) for k in given)
    if not listed or any(not 0 <= k < len(void.ports) for k in listed):
        raise InputError(f"the {what} must be the number of one of {len(void.ports)} ports")
    return listed


def _joined(matrix: Matrix, source: FloatArray, sink: FloatArray) -> IntArray:
    """Rows of the parts that touch both the inlet and the outlet."""
    number, label = connected_components(matrix, directed=False)
    both = (np.bincount(label, source, number) > 0) & (np.bincount(label, sink, number) > 0)
    return np.flatnonzero(both[label])


def _blocks(matrix: Matrix, cells: IntArray, shape: tuple[int, ...]) -> tuple[NDArray[Any], int]:
    """Blocks of cells that are joined to each other within a cube of cells."""
    side = max(2, int(np.ceil((len(cells) / _COARSE) ** (1 / 3))))
    places = np.stack(np.unravel_index(cells, shape), axis=1) // side
    counts = np.array(shape) // side + 1
    cube = (places[:, 0] * counts[1] + places[:, 1]) * counts[2] + places[:, 2]
    entries = matrix.tocoo()
    same = cube[entries.row] == cube[entries.col]
    graph = sparse.csr_matrix(
        (np.ones(int(same.sum())), (entries.row[same], entries.col[same])), shape=matrix.shape
    )
    number, label = connected_components(graph, directed=False)
    return label, int(number)


def _conjugate(
    matrix: Matrix, b: FloatArray, cells: IntArray, shape: tuple[int, ...]
) -> tuple[FloatArray, int]:
    label, number = _blocks(matrix, cells, shape)
    size = len(b)
    into = sparse.csr_matrix((np.ones(size), label, np.arange(size + 1)), shape=(size, number))
    coarse = splu((into.T @ matrix @ into).tocsc())
    weight = _DAMPING / matrix.diagonal()

    def improve(r: FloatArray) -> FloatArray:
        z = weight * r
        rest = r - matrix @ z
        z += coarse.solve(np.bincount(label, rest, number))[label]
        z += weight * (r - matrix @ z)
        return np.asarray(z)

    x = np.zeros(size)
    r = b.copy()
    z = improve(r)
    p = z.copy()
    rz = float(r @ z)
    goal = _RESIDUAL * float(np.linalg.norm(b))
    for step in range(_MOST_STEPS):
        if float(np.linalg.norm(r)) <= goal:
            return x, step
        ap = matrix @ p
        along = rz / float(p @ ap)
        x += along * p
        r -= along * ap
        z = improve(r)
        rz, before = float(r @ z), rz
        p *= rz / before
        p += z
    raise CannotDecide(
        f"the potential in the void did not settle in {_MOST_STEPS} steps",
        remedy="give another spacing of cells",
    )

"""The cells a minimum cut is looked for on: their links and volumes, which are held, its pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.errors import CannotDecide
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.flow.void import Void
from geomcheck.mesh.probe import first_hit

#: A surface that is kept from going further ends so many cells from those that are held, or less.
_BESIDE = 2


@dataclass(frozen=True, eq=False)
class Problem:
    """The inside cells of a void, and which of them are held.

    ``near`` (n, 6): see :func:`neighbours`. ``fixed`` (n,): held at ``u`` (n,), which is 1 at the
    inlet, 0 at the outlets and anything elsewhere. ``beyond`` (n,): held for lying too far from
    where the cut is looked for, and no port.
    """

    void: Void
    near: NDArray[np.int32]
    fixed: BoolArray
    u: FloatArray
    beyond: BoolArray


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


def setup(
    void: Void, inlet: int, outlets: Sequence[int], around: FloatArray | None, reach: float
) -> Problem:
    """The problem between some ports; with ``around`` only near those points.

    Raises
    ------
    CannotDecide
        A port opens into no cell, or the inlet and an outlet open into the same cells.
    """
    cells, near = void.cells, neighbours(void)
    number = np.full(void.inside.size, -1, np.int64)
    number[cells] = np.arange(len(cells))
    fixed = np.zeros(len(cells), np.bool_)
    u = np.full(len(cells), 0.5)
    begin = number[void.port_cells(inlet)]
    end = np.unique(np.concatenate([number[void.port_cells(k)] for k in outlets]))
    for k in (inlet, *outlets):
        if not len(void.port_cells(k)):
            raise CannotDecide(
                f'port "{void.ports[k].name}" opens into no cell of {void.spacing:.2f} mm',
                remedy="give a smaller spacing, or check the port",
            )
    if len(np.intersect1d(begin, end)):
        raise CannotDecide(
            f"the inlet and an outlet open into the same cells of {void.spacing:.2f} mm",
            remedy="give a smaller spacing",
        )
    if around is not None:
        far = np.isinf(cKDTree(around).query(void.centres(), distance_upper_bound=reach)[0])
        sides = [reached(near, far, ends) for ends in (begin, end)]
        # Where the neighbourhood of the points does not part the ports, all cells are solved for.
        if not (sides[0] & sides[1]).any():
            fixed = sides[0] | sides[1]
            u[sides[0]], u[sides[1]] = 1.0, 0.0
    beyond = fixed.copy()
    beyond[begin] = beyond[end] = False
    fixed[begin] = fixed[end] = True
    u[begin], u[end] = 1.0, 0.0
    return Problem(void, near, fixed, u, beyond)


def neighbours(void: Void) -> NDArray[np.int32]:
    """(n, 6) numbers of the cells linked to each inside cell in x-, x+, y-, y+, z-, z+; or -1."""
    cells = void.cells
    number = np.full(void.inside.size, -1, np.int32)
    number[cells] = np.arange(len(cells))
    near = np.full((len(cells), 6), -1, np.int32)
    for axis, step in enumerate(void.grid.steps.tolist()):
        low = np.flatnonzero(void.links[axis].ravel()[cells])
        high = number[cells[low] + step]
        near[low, 2 * axis + 1] = high
        near[high, 2 * axis] = low
    return near


def reached(near: NDArray[np.int32], through: BoolArray, seeds: IntArray) -> BoolArray:
    """Cells that a flood from ``seeds`` reaches through some cells, with those beside them."""
    walk = through.copy()
    walk[seeds] = True
    joined = graph(near, walk[:, None] & walk[near])
    label = connected_components(joined, directed=False)[1]
    return np.asarray(walk & np.isin(label, label[seeds]))


def graph(near: NDArray[np.int32], keep: BoolArray) -> Any:
    """Links in the positive directions that are kept, as a sparse matrix."""
    columns = near[:, 1::2]
    rows, axis = np.nonzero((columns >= 0) & keep[:, 1::2])
    n = len(near)
    return coo_matrix((np.ones(len(rows), np.int8), (rows, columns[rows, axis])), shape=(n, n))


def volumes(void: Void, near: NDArray[np.int32], cells: IntArray) -> FloatArray:
    """(n,) volume of the void that some inside cells stand for, in whole cells.

    Along each axis a cell reaches half way to its neighbour, or all the way to the wall if that
    faces this axis more than the others: so every column of cells is measured to the wall.
    """
    where, h = void.centres(void.cells[cells]), void.spacing
    reach = np.full((len(cells), 6), 0.5)
    for side in range(6):
        rows = np.flatnonzero(near[cells, side] < 0)
        ahead = np.zeros((len(rows), 3))
        ahead[:, side // 2] = 1.0 if side % 2 else -1.0
        t, triangle = first_hit(void.tree, where[rows], ahead, h)
        hit = np.flatnonzero(triangle >= 0)
        p = void.triangles[triangle[hit]]
        facing = np.abs(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])).argmax(axis=1)
        own = hit[facing == side // 2]
        reach[rows[own], side] = t[own] / h
    return np.asarray((reach[:, 0::2] + reach[:, 1::2]).prod(axis=1))


def cut_patches(problem: Problem, upstream: BoolArray) -> tuple[tuple[CutPatch, ...], float, bool]:
    """The connected pieces of the surface between the two sides, and the length of its rim.

    And whether it runs beside cells that are held for lying too far off.
    """
    near, void = problem.near, problem.void
    ahead = near[:, 1::2]
    rows, axis = np.nonzero((ahead >= 0) & (upstream[:, None] != upstream[ahead]))
    beyond = ahead[rows, axis]
    if not len(rows):
        return (), 0.0, False
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
    edge = problem.beyond
    for _ in range(_BESIDE):
        edge = edge | (edge[near] & (near >= 0)).any(axis=1)
    at_edge = bool(edge[rows].any() or edge[beyond].any())
    return tuple(patches), float(wall.sum() * void.spacing), at_edge

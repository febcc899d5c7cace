"""The void of a duct on a grid of cells: everything the ports lead to, and nothing else.

Two neighbouring cells are linked when no triangle and no port's cap lies between their centres.
Crossings along the grid lines are exact, so a wall thinner than a cell still parts its two sides,
and a flood from the ports over the links never gets through a wall that closes, whatever the
spacing. A flood that leaves the walls' box, or that sees the back of a wall, has leaked: then the
place is found and named (``geomcheck.flow.leaks``), and nothing is measured. A gap between two
bodies that is too narrow for a grid line to pass is looked for by itself (``seams``); any other
opening that no grid line passes through, such as a pinhole, is not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow import leaks
from geomcheck.flow.floods import Flood, Scene, spread
from geomcheck.flow.lattice import Grid, PortLinks
from geomcheck.flow.ports import Port, as_surfaces
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.kernels import grid as kernel
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree

#: Cells across the narrowest port in the first, coarse search; it is halved this often, at most.
_COARSE = 8.0
_HALVINGS = 3
#: Least and most cells across the narrowest port (its hydraulic diameter).
_FEWEST, _FINEST = 16.0, 100.0
#: Distances to walls are exact within this many spacings.
BAND = 2.0
#: Most cells of a whole grid, void or not.
_MOST = 6_000_000


@dataclass(frozen=True, eq=False)
class Seal:
    """An opening that was sealed on request: a point in it (mm) and its width (mm)."""

    point: FloatArray
    width: float


@dataclass(frozen=True, eq=False)
class Void:
    """The void between ports, on cells.

    Parameters
    ----------
    origin : (3,) float64
        Centre of cell (0, 0, 0), mm.
    spacing : float
        Side of a cell, mm.
    inside : (nx, ny, nz) bool
        Cells whose centre lies in the void and is linked to the ports.
    links : (3, nx, ny, nz) bool
        ``links[a, i, j, k]``: cell (i, j, k) and its neighbour in the positive direction of axis
        ``a`` are both inside, with no wall and no port between their centres.
    ports : tuple of Port
    doors : tuple of PortLinks
        Per port, the links from inside cells out through it; cell numbers are those of
        ``inside.ravel()``.
    sealed : tuple of Seal
    triangles : (n, 3, 3) float64
        All walls, obstacles and closed caps.
    """

    origin: FloatArray
    spacing: float
    inside: BoolArray
    links: BoolArray
    ports: tuple[Port, ...]
    doors: tuple[PortLinks, ...]
    sealed: tuple[Seal, ...]
    triangles: FloatArray = field(repr=False)
    _given: TriangleTree | None = field(default=None, repr=False)

    @property
    def grid(self) -> Grid:
        """The grid of cells."""
        nx, ny, nz = self.inside.shape
        return Grid(self.origin, self.spacing, (nx, ny, nz))

    @cached_property
    def cells(self) -> IntArray:
        """(n,) numbers of the inside cells in ``inside.ravel()``, ascending."""
        return np.flatnonzero(self.inside)

    @property
    def volume(self) -> float:
        """Volume of the inside cells, mm3; walls are taken cell by cell."""
        return float(len(self.cells) * self.spacing**3)

    def centres(self, cells: IntArray | None = None) -> FloatArray:
        """(n, 3) centres of cells (all inside cells when not given), mm."""
        return self.grid.centres(self.cells if cells is None else cells)

    def port_cells(self, k: int) -> IntArray:
        """(n,) numbers (in ``inside.ravel()``) of the cells next to port ``k``, ascending."""
        return np.unique(self.doors[k].cell)

    @cached_property
    def tree(self) -> TriangleTree:
        """Tree over all walls, obstacles and closed caps."""
        return self._given if self._given is not None else TriangleTree(self.triangles)

    @cached_property
    def feet(self) -> FloatArray:
        """(n, 3) nearest wall point of each inside cell, mm.

        Exact for centres within ``BAND`` spacings of a wall; further in, the nearest of the points
        found there, handed on from cell to cell.
        """
        at = self.centres()
        near = point_distance(self.tree, at, BAND * self.spacing)
        foot = np.ascontiguousarray(near.point)
        gap = np.ascontiguousarray(near.distance**2)
        grid = self.grid
        number = np.full(grid.size, -1, np.int32)
        number[self.cells] = np.arange(len(self.cells), dtype=np.int32)
        shape = np.array(grid.shape, dtype=np.int64)
        kernel.carry_feet(self.cells, number, grid.low, grid.h, shape, foot, gap)
        return foot

    @cached_property
    def distance(self) -> FloatArray:
        """(nx, ny, nz) distance from the centre to the nearest wall, mm; NaN outside the void.

        Exact within ``BAND`` spacings of a wall; further in it is never too small, but may be too
        great by a quarter of a spacing, because the nearest wall points are handed on from cell
        to cell. Ports are openings and do not count as walls; closed caps do.
        """
        out = np.full(self.inside.size, np.nan)
        out[self.cells] = np.linalg.norm(self.centres() - self.feet, axis=1)
        return out.reshape(self.inside.shape)


def find_void(
    walls: Any,
    ports: Sequence[Port],
    *,
    obstacles: Any = (),
    closed: Sequence[Port] = (),
    spacing: float | None = None,
    budget: int = 200_000,
    solid: bool = False,
    seal: float = 0.0,
) -> Void:
    """The void that some ports lead to.

    Parameters
    ----------
    walls, obstacles : mesh or sequence of meshes
        ``trimesh.Trimesh``, ``Surface`` or (n, 3, 3) triangles, mm, in one frame: castings with
        the duct in them, or open scans of its walls; they may overlap.
    ports : sequence of Port
        Where the void ends; one or more.
    closed : sequence of Port
        Openings that are shut, such as a valve's: their caps count as walls.
    spacing : float, optional
        Side of a cell, mm. When not given: so that the void has about ``budget`` cells.
    solid : bool
        The walls are the void itself, as closed solids; overlapping ones are united.
    seal : float
        Openings narrower than this (mm), such as the gap between two flanges, are sealed and
        named in the result. 0: none.

    Raises
    ------
    InputError
        No port, a port whose normal points the wrong way, or settings out of range.
    CannotDecide
        The void leaks, or does not reach from one port to another.
    """
    listed = _checked(walls, ports, spacing, budget, seal)
    stand = as_surfaces(obstacles, "obstacle")
    if solid and not all(surface.closed for surface in listed):
        raise CannotDecide(
            "a void given as a solid must be a closed mesh",
            remedy="close the mesh, or give the walls instead",
        )
    scene = Scene([*listed, *stand], len(listed), tuple(ports), tuple(closed), solid, seal)
    found = _search(scene, spacing, budget)
    names = " and ".join(f'"{scene.ports[k].name}"' for k in found.apart)
    if found.apart:
        raise CannotDecide(
            f'the void does not reach from "{ports[0].name}" to {names} on cells of '
            f"{found.grid.h:.2f} mm: a wall stands between them, or a passage too narrow for cells",
            remedy="check the ports and the walls between them, or give a smaller spacing",
        )
    return _void(scene, found)


def _checked(
    walls: Any, ports: Sequence[Port], spacing: float | None, budget: int, seal: float
) -> list[Any]:
    listed = as_surfaces(walls)
    if not listed:
        raise InputError("a duct needs at least one wall")
    if not len(ports):
        raise InputError("a void needs at least one port")
    if spacing is not None and not (np.isfinite(spacing) and spacing > 0):
        raise InputError("the spacing of cells must be greater than zero")
    if budget < 1000:
        raise InputError("a void needs a budget of at least 1000 cells")
    if not (np.isfinite(seal) and seal >= 0):
        raise InputError("the width to be sealed must not be negative")
    return listed


def _search(scene: Scene, spacing: float | None, budget: int) -> Flood:
    """A coarse flood to see how far the void reaches, then the one that is asked for."""
    low, high = scene.bounds
    across = min(port.hydraulic_diameter for port in scene.ports)
    h = max(across / _COARSE, float(((high - low).prod() / _MOST) ** (1 / 3)))
    rough = _sound(scene, spread(scene, Grid.over(low, high, h)))
    for _ in range(_HALVINGS):
        if not rough.apart or rough.grid.size > _MOST / 8:
            break
        rough = _sound(scene, spread(scene, Grid.over(low, high, rough.grid.h / 2.0)))
    h = spacing or float((len(rough.cells) * rough.grid.h**3 / budget) ** (1 / 3))
    if spacing is None:
        h = min(max(h, across / _FINEST), across / _FEWEST)
    where = rough.grid.centres(rough.cells)
    spare = 1.5 * rough.grid.h
    begin = np.maximum(where.min(axis=0) - spare, low)
    end = np.minimum(where.max(axis=0) + spare, high)
    for _ in range(7):
        grid = Grid.over(begin, end, h)
        if grid.size > 10 * _MOST:
            raise InputError(
                f"cells of {h:g} mm make a grid of {grid.size / 1e6:.0f} million",
                remedy="give a larger spacing",
            )
        found = spread(scene, grid)
        # Where the flood reaches the edge of the grid short of the walls' box: look further there.
        short_low, short_high = found.touched[0] & (begin > low), found.touched[1] & (end < high)
        if not (short_low.any() or short_high.any()):
            break
        begin, end = np.where(short_low, low, begin), np.where(short_high, high, end)
    return _sound(scene, found)


def _sound(scene: Scene, found: Flood) -> Flood:
    """The flood, if it has not leaked."""
    if found.escaped or found.behind:
        leaks.refuse(scene, found)
    return found


def _void(scene: Scene, found: Flood) -> Void:
    grid = found.grid
    inside = found.mark == 1
    links = found.links & inside
    for axis, step in enumerate(grid.steps):
        links[axis, : grid.size - step] &= inside[step:]
    doors = tuple(door.rows(inside[door.cell]) for door in found.doors)
    seals = tuple(Seal(*opening) for opening in leaks.sealed(scene, found))
    return Void(
        grid.low, grid.h, inside.reshape(grid.shape), links.reshape(3, *grid.shape), scene.ports,
        doors, seals, scene.triangles, scene.tree_made,
    )  # fmt: skip

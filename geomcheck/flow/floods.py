"""A flood of a duct from its ports over the links of a grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.flow.lattice import Crossings, Grid, PortLinks, cross, port_links
from geomcheck.flow.ports import Port
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray, Surface
from geomcheck.kernels import grid as kernel
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree

Marks: TypeAlias = NDArray[np.int32]


@dataclass(eq=False)
class Scene:
    """What a void is looked for in: walls, then obstacles, ports, closed caps.

    ``walls``: how many of the surfaces are walls. ``solid``: they are the void itself.
    ``seal``: width (mm) below which openings are sealed.
    """

    surfaces: Sequence[Surface]
    walls: int
    ports: tuple[Port, ...]
    closed: tuple[Port, ...]
    solid: bool
    seal: float
    tree_made: TriangleTree | None = field(default=None, init=False)

    @cached_property
    def caps(self) -> list[FloatArray]:
        """Triangles of the closed caps, facing into the void."""
        return [np.ascontiguousarray(port.cap()) for port in self.closed]

    @cached_property
    def triangles(self) -> FloatArray:
        """(n, 3, 3) all of them."""
        return np.concatenate([*(s.tree.triangles for s in self.surfaces), *self.caps])

    @property
    def tree(self) -> TriangleTree:
        """Tree over all of them."""
        if self.tree_made is None:
            if len(self.surfaces) == 1 and not self.caps:
                self.tree_made = self.surfaces[0].tree
            else:
                self.tree_made = TriangleTree(self.triangles)
        return self.tree_made

    @cached_property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Box round the walls and the ports, mm."""
        boxes = [surface.tree.bounds for surface in self.surfaces[: self.walls]]
        for port in (*self.ports, *self.closed):
            boxes.append(np.stack([port.outline[0].min(axis=0), port.outline[0].max(axis=0)]))
        return np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)


@dataclass(eq=False)
class Flood:
    """Where a flood from the first port got to.

    Parameters
    ----------
    grid : Grid
    crossings : Crossings
    links : (3, n) bool
    doors : list of PortLinks
        Per port; only those that no wall cuts off.
    mark : (n,) int32
        1 where the flood is, -1 on a wall, 0 elsewhere.
    apart : tuple of int
        Ports the flood did not reach.
    touched : (2, 3) bool
        Sides of the grid (least, greatest) that the flood reached.
    escaped : bool
        It got out of the box round the walls and ports.
    behind : tuple of int
        Surfaces whose back (and front, for an open one) the flood sees.
    dry : (n,) bool or None
        Cells too near to a wall for the flood when small openings are sealed.
    """

    grid: Grid
    crossings: Crossings
    links: BoolArray
    doors: list[PortLinks]
    mark: Marks
    apart: tuple[int, ...]
    touched: BoolArray
    escaped: bool
    behind: tuple[int, ...]
    dry: BoolArray | None = None

    @cached_property
    def cells(self) -> IntArray:
        """(n,) numbers of the flooded cells, ascending."""
        return np.flatnonzero(self.mark == 1)


def spread(scene: Scene, grid: Grid) -> Flood:
    """Flood the void from the first port."""
    crossings = cross(grid, scene.surfaces, scene.caps, scene.solid)
    links: BoolArray = np.ones((3, grid.size), np.bool_)
    flat = links.reshape(-1)
    flat[crossings.link] = False
    doors = []
    for port in scene.ports:
        every = port_links(grid, port)
        flat[every.links(grid)] = False
        doors.append(every.rows(in_reach(grid, crossings, every)))
    for axis in range(3):
        np.moveaxis(links[axis].reshape(grid.shape), axis, 0)[-1] = False
    mark: Marks = np.zeros(grid.size, np.int32)
    mark[crossings.on] = -1
    first = doors[0].cell if doors[0].cell.size else np.zeros(0, np.int64)
    dry = None
    if scene.seal > 0.0:
        dry = _fill(scene, grid, links, mark, first)
    else:
        kernel.flood(links, grid.steps, first, mark, 1)
    found = Flood(
        grid, crossings, links, doors, mark, (), np.zeros((2, 3), np.bool_), False, (), dry
    )
    found.apart = tuple(k for k, door in enumerate(doors) if not (mark[door.cell] == 1).any())
    _look(scene, found)
    return found


def in_reach(grid: Grid, crossings: Crossings, doors: PortLinks) -> BoolArray:
    """(n,) whether no surface lies between the cell and the port."""
    links = doors.links(grid)
    ahead, _ = crossings.first(links)
    back, _ = crossings.last(links)
    return np.asarray(np.where(doors.way > 0, doors.at <= ahead, 1.0 - doors.at >= back))


def _fill(scene: Scene, grid: Grid, links: BoolArray, mark: Marks, first: IntArray) -> BoolArray:
    """Flood by a ball of the sealed width, then the cells beside it; returns where it is too big.

    The ball's centres are flooded first; the cells it covers follow over the links, no further
    than the ball reaches.
    """
    trial = mark.copy()
    kernel.flood(links, grid.steps, first, trial, 1)
    wet = np.flatnonzero(trial == 1)
    near = point_distance(scene.tree, grid.centres(wet), 0.5 * scene.seal).distance
    dry = np.zeros(grid.size, np.bool_)
    dry[wet[near <= 0.5 * scene.seal]] = True
    mark[dry & (mark == 0)] = -2
    # From everything beside the ports that has room, or, failing that, the roomiest cell.
    seeds = first[mark[first] == 0]
    kernel.flood(links, grid.steps, seeds, mark, 1)
    mark[mark == -2] = 0
    for _ in range(int(np.ceil(0.5 * scene.seal / grid.h)) + 1):
        wet = np.flatnonzero(mark == 1)
        for axis, step in enumerate(grid.steps):
            ahead = wet[links[axis, wet]] + step
            behind = wet[wet >= step] - step
            behind = behind[links[axis, behind]]
            for cells in (ahead, behind):
                mark[cells[mark[cells] == 0]] = 1
    return dry


def _look(scene: Scene, found: Flood) -> None:
    """See where the flood got to that it should not."""
    grid = found.grid
    wet = (found.mark == 1).reshape(grid.shape)
    if found.dry is not None:
        wet = wet & ~found.dry.reshape(grid.shape)
    for axis in range(3):
        layers = np.moveaxis(wet, axis, 0)
        found.touched[0, axis], found.touched[1, axis] = layers[0].any(), layers[-1].any()
    low, high = scene.bounds
    spare = 1e-6 * float((high - low).max())
    for axis in range(3):
        at = grid.low[axis] + grid.h * np.arange(grid.shape[axis])
        layers = np.moveaxis(wet, axis, 0)
        out = (at < low[axis] - spare) | (at > high[axis] + spare)
        found.escaped |= bool(layers[out].any())
    front, back = facings(scene, found, wet.ravel())
    behind = []
    for owner in range(len(front)):
        surface = scene.surfaces[owner] if owner < len(scene.surfaces) else None
        if scene.solid and owner < scene.walls:
            wrong = front[owner] > 0
        elif surface is None or surface.closed:
            wrong = back[owner] > 0
        else:  # an open obstacle is a sheet, with the void on both sides of it
            wrong = owner < scene.walls and back[owner] > 0 and front[owner] > 0
        if wrong:
            behind.append(owner)
    found.behind = tuple(behind)


def seen(found: Flood, wet: BoolArray) -> tuple[IntArray, IntArray, BoolArray]:
    """What flooded cells see along their links: cell, surface, and whether it faces them."""
    crossings, grid = found.crossings, found.grid
    if not len(crossings.link):
        none = np.zeros(0, np.int64)
        return none, none, np.zeros(0, np.bool_)
    begin = np.flatnonzero(np.r_[True, crossings.link[1:] != crossings.link[:-1]])
    end = np.r_[begin[1:], len(crossings.link)] - 1
    axis, low = np.divmod(crossings.link[begin], grid.size)
    high = low + grid.steps[axis]
    ports = np.zeros(3 * grid.size, np.bool_)
    for door in found.doors:
        ports[door.links(grid)] = True
    free = ~ports[crossings.link[begin]]
    ahead, behind = free & wet[low], free & wet[high]
    cell = np.concatenate([low[ahead], high[behind]])
    owner = np.concatenate([crossings.owner[begin[ahead]], crossings.owner[end[behind]]])
    faces = np.concatenate([crossings.sign[begin[ahead]] < 0, crossings.sign[end[behind]] > 0])
    return cell, owner, faces


def facings(scene: Scene, found: Flood, wet: BoolArray) -> tuple[IntArray, IntArray]:
    """Per surface and cap, how many links see its front and its back."""
    _, owner, faces = seen(found, wet)
    count = len(scene.surfaces) + len(scene.caps)
    front = np.bincount(owner[faces], minlength=count)
    return front, np.bincount(owner[~faces], minlength=count)

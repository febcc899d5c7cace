"""The grid of cells on which a duct's void is found, and its links through walls and ports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.flow.ports import Port
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray, Surface
from geomcheck.kernels import grid as kernel
from geomcheck.mesh import threads

#: A cell whose centre is this near to a wall, as a share of the spacing, is taken for wall.
_ON_WALL = 1e-7


@dataclass(frozen=True, eq=False)
class Grid:
    """Cells of a cube each; ``low``: centre of cell (0, 0, 0), mm."""

    low: FloatArray
    h: float
    shape: tuple[int, int, int]

    @classmethod
    def over(cls, low: FloatArray, high: FloatArray, h: float) -> Grid:
        """Cells over a box, with two to spare on every side.

        The first centre stands off the box by an odd share of the spacing, so that walls at round
        numbers do not run through centres.
        """
        shape = np.ceil((high - low) / h).astype(int) + 5
        return cls(low - 2.381966011250105 * h, h, (int(shape[0]), int(shape[1]), int(shape[2])))

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.shape[0] * self.shape[1] * self.shape[2]

    @property
    def steps(self) -> IntArray:
        """(3,) from a cell's number to its next neighbours'."""
        return np.array([self.shape[1] * self.shape[2], self.shape[2], 1], dtype=np.int64)

    def centres(self, cells: IntArray) -> FloatArray:
        """(n, 3) centres of cells, mm."""
        return np.asarray(self.low + self.h * np.stack(np.unravel_index(cells, self.shape), axis=1))

    def box(self, low: FloatArray, high: FloatArray, spare: float) -> IntArray:
        """(n,) numbers of the cells whose centres lie in a box widened by ``spare``."""
        a = np.maximum(np.ceil((low - spare - self.low) / self.h), 0).astype(int)
        b = np.minimum(np.floor((high + spare - self.low) / self.h) + 1, self.shape).astype(int)
        ranges = [np.arange(a[k], max(b[k], a[k])) for k in range(3)]
        i, j, k = np.meshgrid(*ranges, indexing="ij")
        return np.asarray(((i * self.shape[1] + j) * self.shape[2] + k).ravel(), dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where the links cross surfaces, by link and then by place along it.

    ``link`` (k,): axis * cells + cell. ``at`` (k,): 0 at the cell's centre, 1 at its neighbour's.
    ``sign`` (k,): +1 where the surface faces along the axis. ``owner`` (k,): number of the
    surface. ``on`` : cells whose centre lies on a surface.
    """

    link: IntArray
    at: FloatArray
    sign: IntArray
    owner: IntArray
    on: IntArray

    def first(self, links: IntArray) -> tuple[FloatArray, IntArray]:
        """Place of the first crossing on links (inf where there is none), and its row."""
        if not len(self.link):
            return np.full(len(links), np.inf), np.zeros(len(links), np.int64)
        row = np.minimum(np.searchsorted(self.link, links, side="left"), len(self.link) - 1)
        return np.where(self.link[row] == links, self.at[row], np.inf), row

    def last(self, links: IntArray) -> tuple[FloatArray, IntArray]:
        """Place of the last crossing on links (-inf where there is none), and its row."""
        if not len(self.link):
            return np.full(len(links), -np.inf), np.zeros(len(links), np.int64)
        row = np.maximum(np.searchsorted(self.link, links, side="right") - 1, 0)
        return np.where(self.link[row] == links, self.at[row], -np.inf), row


def cross(
    grid: Grid, surfaces: Sequence[Surface], caps: Sequence[FloatArray], solid: bool
) -> Crossings:
    """Crossings of all links with surfaces and closed caps.

    ``solid``: the surfaces are the void itself; where bodies overlap only the outside of their
    union counts.
    """
    found: list[tuple[IntArray, FloatArray, IntArray, IntArray]] = []
    on: list[IntArray] = []
    triangles = [*(s.tree.triangles for s in surfaces), *caps]
    jobs = [(number, axis) for number in range(len(triangles)) for axis in range(3)]
    raw: dict[tuple[int, int], tuple[IntArray, FloatArray, IntArray]] = {}

    def work(begin: int, end: int) -> None:
        for number, axis in jobs[begin:end]:
            raw[number, axis] = _lines(grid, triangles[number], axis, solid)

    threads.each(work, threads.chunks(len(jobs), 1))
    walls = len(surfaces)
    for axis in range(3):
        parts = [raw[number, axis] for number in range(len(triangles))]
        base = np.concatenate([part[0] for part in parts])
        place = np.concatenate([part[1] for part in parts])
        sign = np.concatenate([part[2] for part in parts])
        owner = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
        order = np.lexsort((place, base))
        base, place, sign, owner = base[order], place[order], sign[order], owner[order]
        if solid:
            keep = _outside(base, sign, owner < walls)
            base, place, sign, owner = base[keep], place[keep], sign[keep], owner[keep]
        cell = np.floor(place).astype(np.int64)
        at = place - cell
        near = np.minimum(at, 1.0 - at) < _ON_WALL
        step = grid.steps[axis]
        touched = np.round(place[near]).astype(np.int64)
        ok = (touched >= 0) & (touched < grid.shape[axis])
        on.append(base[near][ok] + touched[ok] * step)
        inner = (cell >= 0) & (cell < grid.shape[axis] - 1)
        link = axis * grid.size + base + cell * step
        found.append((link[inner], at[inner], sign[inner], owner[inner]))
    link, at, sign, owner = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((at, link))
    return Crossings(
        link[order], at[order], sign[order], owner[order], np.unique(np.concatenate(on))
    )


def _lines(
    grid: Grid, triangles: FloatArray, axis: int, whole: bool
) -> tuple[IntArray, FloatArray, IntArray]:
    """Number of the line's first cell, place along it in cells, and sign of each crossing.

    ``whole``: along the whole line, not only where there are cells.
    """
    shape = np.array(grid.shape, dtype=np.int64)
    room = 4 * int(shape[(axis + 1) % 3] * shape[(axis + 2) % 3]) + 1024
    while True:
        lines = np.empty((room, 2), np.int64)
        height = np.empty(room)
        sign = np.empty(room, np.int8)
        owner = np.empty(room, np.int64)
        count = kernel.crossings(
            triangles, grid.low, grid.h, shape, axis, whole, lines, height, sign, owner
        )
        if count <= room:
            break
        room = int(count)
    steps = grid.steps
    base = lines[:count, 0] * steps[(axis + 1) % 3] + lines[:count, 1] * steps[(axis + 2) % 3]
    place = (height[:count] - grid.low[axis]) / grid.h
    return base, place, sign[:count].astype(np.int64)


def _outside(base: IntArray, sign: IntArray, body: BoolArray) -> BoolArray:
    """Of crossings in order along their lines, those between a winding number of 0 and others."""
    before = np.zeros(len(base), np.int64)
    turns = np.where(body, -sign, 0)
    total = np.cumsum(turns)
    start = np.flatnonzero(np.r_[True, base[1:] != base[:-1]]) if len(base) else np.zeros(0, int)
    offset = np.zeros(len(base), np.int64)
    lengths = np.diff(np.r_[start, len(base)])
    offset = np.repeat(np.r_[0, total[start[1:] - 1]] if len(start) else np.zeros(0, int), lengths)
    after = total - offset
    before = after - turns
    return np.asarray(~body | ((before >= 1) != (after >= 1)))


@dataclass(frozen=True, eq=False)
class PortLinks:
    """The links that run from the void through a port, from the cell inside it.

    ``cell`` (n,), ``axis`` (n,), ``way`` (n,) +1 or -1 along the axis, ``at`` (n,) share of the
    spacing from the cell's centre to the port.
    """

    cell: IntArray
    axis: IntArray
    way: IntArray
    at: FloatArray

    def links(self, grid: Grid) -> IntArray:
        """(n,) numbers of the links."""
        low = self.cell + np.where(self.way < 0, -grid.steps[self.axis], 0)
        return np.asarray(self.axis * grid.size + low)

    def rows(self, keep: Any) -> PortLinks:
        """Some of them."""
        return PortLinks(self.cell[keep], self.axis[keep], self.way[keep], self.at[keep])


def port_links(grid: Grid, port: Port, lap: float | None = None) -> PortLinks:
    """Links that cross the opening of a port, whatever else they cross.

    ``lap``: mm by which the opening is carried into the wall.
    """
    rim = port.outline[0]
    spare = 2.0 * grid.h + (lap or 0.0)
    cells = grid.box(rim.min(axis=0), rim.max(axis=0), spare)
    where = grid.centres(cells)
    d = port.beyond(where)
    parts = []
    for axis in range(3):
        e = grid.h * port.normal[axis]
        index = np.round((where[:, axis] - grid.low[axis]) / grid.h).astype(int)
        for way in (1, -1):
            stays = (index + way >= 0) & (index + way < grid.shape[axis])
            rows = np.flatnonzero((d < 0.0) & (d + way * e >= 0.0) & stays)
            if not len(rows):
                continue
            at = -d[rows] / (way * e)
            points = where[rows].copy()
            points[:, axis] += way * at * grid.h
            inside = port.covers(points, lap)
            rows, at = rows[inside], at[inside]
            full = np.full(len(rows), axis), np.full(len(rows), way)
            parts.append((cells[rows], *full, at))
    if not parts:
        none = np.zeros(0, np.int64)
        return PortLinks(none, none, none, np.zeros(0))
    return PortLinks(*(np.concatenate(column) for column in zip(*parts, strict=True)))

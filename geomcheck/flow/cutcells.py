"""The cut cells of a void: walls within cells, from distances, and the open part of each face."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.flow.lattice import port_links
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.flow.void import BAND, Void
from geomcheck.kernels import cutcell as kernel
from geomcheck.mesh.probe import point_distance

#: A cell's own wall distance is believed when the walls next to it say the same within this share
#: of the spacing; else it is another wall's (the far side of a thin one).
_AGREE = 0.3
#: Smallest open share of a face that counts.
_LEAST = 1e-6
#: Nearest a port may lie to a centre, as a share of the spacing.
_NEAR = 0.02

Numbers: TypeAlias = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class CutCells:
    """The cells of a void with what its walls leave open of them.

    Parameters
    ----------
    cells : (n,) int64
        Numbers of the cells on the void's grid: first those inside, then those whose centre lies
        in the metal.
    level : (n,) float64
        Height of the centre over the nearest wall, mm; inf far from walls.
    normal : (n, 3) float64
        From the wall into the void; zero far from walls.
    pairs : (f, 2) int64
        Rows of the two cells of each face.
    axis : (f,) int64
    open : (f,) float64
        Open share of each face.
    doors : tuple of Doors
        Per port.
    """

    cells: IntArray
    level: FloatArray
    normal: FloatArray
    pairs: IntArray
    axis: IntArray
    open: FloatArray
    doors: tuple[Doors, ...]

    def volumes(self, h: float) -> FloatArray:
        """(n,) open share of each cell, with its wall taken as a plane; ``h`` spacing, mm."""
        out = np.ones(len(self.cells))
        near = np.flatnonzero(np.abs(self.level) < 0.9 * h)
        n = self.normal[near]
        k = np.arange(len(near))
        # Slices across the steepest axis, by Gauss points.
        axis = np.argmax(np.abs(n), axis=1)
        total = np.zeros(len(near))
        for x, w in zip(*np.polynomial.legendre.leggauss(6), strict=True):
            height = self.level[near] / h + 0.5 * x * n[k, (axis + 1) % 3]
            total += 0.5 * w * square_share(height, n[k, axis], n[k, (axis + 2) % 3])
        out[near] = total
        out[self.level <= -0.9 * h] = 0.0
        return out


@dataclass(frozen=True, eq=False)
class Doors:
    """The ways from cells to a port.

    ``rows`` (d,): cells. ``axis`` (d,); ``way`` (d,): +1 or -1 along it. ``at`` (d,): distance to
    the port in spacings. ``open`` (d,): open share.
    """

    rows: IntArray
    axis: IntArray
    way: IntArray
    at: FloatArray
    open: FloatArray

    @property
    def weight(self) -> FloatArray:
        """(d,) open share over the distance."""
        return self.open / self.at


def square_share(height: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Share of a unit square above a straight line.

    ``height``: of the square's centre over the line; ``a``, ``b``: slopes of the height along the
    sides. Exact: the clipped corner is a triangle, or a triangle less the part beyond a side.

    Examples
    --------
    >>> square_share(np.array([0.0, 0.5, -0.5]), np.array([1.0, 0.0, 1.0]), np.zeros(3))
    array([0.5, 1. , 0. ])
    """
    a, b = np.abs(a), np.abs(b)
    big, small = np.maximum(a, b), np.minimum(a, b)
    t = 0.5 * (big + small) - np.abs(height)  # depth of the corner that is cut off
    t = np.clip(t, 0.0, None)
    triangle = t * t / np.maximum(2.0 * big * small, 1e-300)
    corner = np.where(t > small, (t - 0.5 * small) / np.maximum(big, 1e-300), triangle)
    corner = np.where(big < 1e-12, 0.0, np.clip(corner, 0.0, 0.5))
    return np.asarray(np.where(height >= 0.0, 1.0 - corner, corner))


def cut_cells(void: Void) -> CutCells:
    """Cut cells of a void. Order and values depend on the void alone."""
    grid, h = void.grid, void.spacing
    inside = void.inside.ravel()
    links = np.ascontiguousarray(void.links.reshape(3, -1))
    own = void.cells
    at = grid.centres(own)
    gap = np.linalg.norm(at - void.feet, axis=1)
    band = BAND * h
    close = gap < band
    level = np.where(close, gap, np.inf)
    normal = np.zeros((len(own), 3))
    normal[close] = (at - void.feet)[close] / np.maximum(gap[close], 1e-300)[:, None]
    number = np.full(grid.size, -1, np.int32)
    number[own] = np.arange(len(own), dtype=np.int32)
    cut, masks, low_level, low_normal = _in_metal(void, inside, number, links, gap)
    cells = np.concatenate([own, cut])
    level = np.concatenate([level, low_level])
    normal = np.vstack([normal, low_normal])
    number[cut] = np.arange(len(own), len(cells), dtype=np.int32)
    mask = np.concatenate([np.zeros(len(own), np.int64), masks])
    pairs, axes, shares = _faces(void, links, number, cells, len(own), mask, level, normal)
    doors = _doors(void, number, len(own), mask, level, normal)
    return CutCells(cells, level, normal, pairs, axes, shares, doors)


def _in_metal(
    void: Void, inside: BoolArray, number: Numbers, links: BoolArray, gap: FloatArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Cells with their centre in the metal and some void in them: cell, side, level, normal."""
    grid, h = void.grid, void.spacing
    block = inside.reshape(grid.shape)
    grown = block.copy()
    for axis in range(3):  # a block of 27, one axis after the other
        before = grown.copy()
        grown_view, before_view = np.moveaxis(grown, axis, 0), np.moveaxis(before, axis, 0)
        grown_view[1:] |= before_view[:-1]
        grown_view[:-1] |= before_view[1:]
    cut = np.flatnonzero(grown.ravel() & ~inside)
    where = grid.centres(cut)
    keep = np.ones(len(cut), np.bool_)
    for port in void.ports:
        beyond = port.beyond(where)
        near = np.flatnonzero((beyond >= 0.0) & (beyond < 3.0 * h))
        keep[near[port.covers(where[near], 3.0 * h)]] = False
    cut, where = cut[keep], where[keep]
    mask = np.zeros(len(cut), np.int32)
    level = np.zeros(len(cut))
    spread = np.zeros((len(cut), 2))
    normal = np.zeros((len(cut), 3))
    shape = np.array(grid.shape, dtype=np.int64)
    kernel.sides(
        cut, number, links, grid.low, h, shape, void.feet, gap, BAND * h, mask, level, spread,
        normal,
    )  # fmt: skip
    keep = spread[:, 1] > -0.9 * h
    spread = spread[keep]
    cut, where, level, normal = cut[keep], where[keep], level[keep], normal[keep]
    side = mask[keep].astype(np.int64)
    exact = point_distance(void.tree, where, h)
    away = exact.point - where
    d = exact.distance
    with np.errstate(invalid="ignore"):
        agree = (-d > spread[:, 0] - _AGREE * h) & (-d < spread[:, 1] + _AGREE * h)
        agree &= (d > 1e-9 * h) & ((away * normal).sum(axis=1) > 0.25 * d)
    # The far side of a thin wall faces the other way.
    order = void.tree.order
    row = np.empty(len(order), np.int64)
    row[order] = np.arange(len(order))
    corners = void.tree.triangles[row[np.maximum(exact.triangle, 0)]]
    facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    faces = np.sign((facing * normal).sum(axis=1))
    agree &= faces == (1.0 if faces[agree & (np.abs(-d - level) < 0.1 * h)].sum() >= 0 else -1.0)
    level = np.where(agree, -d, level)
    normal[agree] = away[agree] / d[agree, None]
    return cut, side, level, normal


def _bits(axis: int, first: int) -> int:
    """The bits of a block whose place along an axis is ``first`` or the next."""
    step = (9, 3, 1)[axis]
    return sum(1 << k for k in range(27) if k // step % 3 in (first, first + 1))


def _faces(
    void: Void,
    links: BoolArray,
    number: Numbers,
    cells: IntArray,
    own: int,
    mask: IntArray,
    level: FloatArray,
    normal: FloatArray,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs of cells, axis and open share of the faces between them."""
    grid, h = void.grid, void.spacing
    pairs, axes, shares = [], [], []
    for axis, step in enumerate(grid.steps):
        rows = np.flatnonzero(cells + step < grid.size)
        other = number[cells[rows] + step].astype(np.int64)
        rows, other = rows[other >= 0], other[other >= 0]
        a_in, b_in = rows < own, other < own
        bit = (9, 3, 1)[axis]
        joined = np.where(a_in & b_in, links[axis, cells[rows]], False)
        # A cut cell and an inside one: the inside one is of its side.
        joined |= a_in & ~b_in & ((mask[other] >> (13 - bit)) & 1 == 1)
        joined |= ~a_in & b_in & ((mask[rows] >> (13 + bit)) & 1 == 1)
        # Two cut cells: they have an inside cell in common.
        common = ((mask[rows] & _bits(axis, 1)) >> bit) & mask[other] & _bits(axis, 0)
        joined |= ~a_in & ~b_in & (common != 0)
        rows, other = rows[joined], other[joined]
        share = np.ones(len(rows))
        near = np.isfinite(level[rows]) & np.isfinite(level[other])
        i, j = rows[near], other[near]
        height = 0.5 * (level[i] + level[j]) / h
        slope = normal[i] + normal[j]
        slope /= np.maximum(np.linalg.norm(slope, axis=1), 1e-300)[:, None]
        share[near] = square_share(height, slope[:, (axis + 1) % 3], slope[:, (axis + 2) % 3])
        keep = share > _LEAST
        pairs.append(np.stack([rows[keep], other[keep]], axis=1))
        axes.append(np.full(int(keep.sum()), axis))
        shares.append(share[keep])
    return np.concatenate(pairs), np.concatenate(axes), np.concatenate(shares)


def _doors(
    void: Void,
    number: Numbers,
    own: int,
    mask: IntArray,
    level: FloatArray,
    normal: FloatArray,
) -> tuple[Doors, ...]:
    """Per port, the cells beside it and their way to it."""
    grid, h = void.grid, void.spacing
    out = []
    for port, inner in zip(void.ports, void.doors, strict=True):
        lapped = port_links(grid, port, 1.5 * h)
        lapped = lapped.rows(number[lapped.cell] >= own)
        lapped = lapped.rows(_beside(void, inner.cell, lapped.cell, mask[number[lapped.cell]]))
        rows = number[np.concatenate([inner.cell, lapped.cell])].astype(np.int64)
        axis = np.concatenate([inner.axis, lapped.axis])
        way = np.concatenate([inner.way, lapped.way])
        at = np.concatenate([inner.at, lapped.at])
        n = normal[rows]
        k = np.arange(len(rows))
        finite = np.isfinite(level[rows])
        height = np.where(finite, level[rows] / h + way * at * n[k, axis], np.inf)
        share = np.ones(len(rows))
        share[finite] = square_share(
            height[finite], n[k, (axis + 1) % 3][finite], n[k, (axis + 2) % 3][finite]
        )
        keep = share > _LEAST
        at = np.maximum(at, _NEAR)
        out.append(Doors(rows[keep], axis[keep], way[keep], at[keep], share[keep]))
    return tuple(out)


def _beside(void: Void, inner: IntArray, cut: IntArray, mask: IntArray) -> BoolArray:
    """(n,) whether cut cells belong to the side of a port's own cells."""
    flag = np.zeros(void.inside.size, np.bool_)
    flag[inner] = True
    steps = void.grid.steps
    out = np.zeros(len(cut), np.bool_)
    for k in range(27):
        other = cut + (k // 9 - 1) * steps[0] + (k // 3 % 3 - 1) * steps[1] + k % 3 - 1
        out |= ((mask >> k) & 1 == 1) & flag[np.clip(other, 0, len(flag) - 1)]
    return out

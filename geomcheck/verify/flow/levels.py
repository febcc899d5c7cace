"""Areas of levels of the potential anew: plain cubes, Laplace's equation, sums over slices.

The void between the first and the last section of the line is filled with cubes, each in or out by
its middle. The potential falls from 1 to 0 between the two planes; no flow crosses the walls. The
area of a level is the sum of the gradient's size over the volume of a slice, over the difference of
the potential across it (coarea formula). Cubes make the wall a staircase: this is good to some per
cent, enough to tell a wrong area, not to measure one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import cg

from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.section import metal
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray, IntArray
from geomcheck.verify.scene import NotRechecked

#: Cubes across the narrowest of the duct.
ACROSS = 24
#: Cubes in all, at most.
MOST = 120_000
#: A slice is so many cubes long.
LONG = 3.0


@dataclass(frozen=True)
class Field:
    """Middles (n, 3) of the cubes, their side, potential (n,) and size of its gradient (n,)."""

    middle: FloatArray
    side: float
    potential: FloatArray
    steep: FloatArray


def _inside(duct: Duct, x: FloatArray, y: FloatArray, z: FloatArray) -> NDArray[np.bool_]:
    """Whether middles of cubes are void, layer by layer."""
    out = np.zeros((len(x), len(y), len(z)), bool)
    flat = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    frame, normal = np.eye(3)[:2], np.eye(3)[2]
    for k, height in enumerate(z):
        point = np.array([0.0, 0.0, height])
        walls = shapely.union_all([metal(mesh, point, normal, frame).filled for mesh in duct.walls])
        shapely.prepare(walls)
        here = shapely.contains_xy(walls, flat[:, 0], flat[:, 1])
        out[:, :, k] = (here if duct.entry.void else ~here).reshape(len(x), len(y))
    return out


def field(duct: Duct, rows: tuple[Station, ...]) -> Field | None:
    """The potential between two ends of a duct; None where they are not joined by cubes.

    Parameters
    ----------
    duct : Duct
    rows : tuple of Station
        Along its line, the ends first and last.
    """
    rims = np.concatenate(
        [row.space(shapely.get_coordinates(row.cut.bores[k])) for row in rows for k in row.bores]
    )
    side = float(np.sqrt(4.0 * min(row.bore for row in rows) / np.pi)) / ACROSS
    low, high = rims.min(axis=0) - 2.0 * side, rims.max(axis=0) + 2.0 * side
    side = max(side, float(np.prod(high - low) / MOST) ** (1.0 / 3.0))
    x, y, z = (np.arange(low[k] + 0.5 * side, high[k], side) for k in range(3))
    void = _inside(duct, x, y, z)
    middle = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1)
    # Beyond an end of the line, near it, nothing belongs to the duct.
    ends = (rows[0], rows[-1])
    behind = []
    for row, sense in zip(ends, (-1.0, 1.0), strict=True):
        off = middle - row.point
        wide = 2.0 * float(np.sqrt(row.bore / np.pi))
        behind.append((sense * (off @ row.normal) > 0.0) & (np.linalg.norm(off, axis=-1) < wide))
    void &= ~(behind[0] | behind[1])
    number = np.full(void.shape, -1)
    number[void] = np.arange(int(void.sum()))
    links = [(number[tuple(a)], number[tuple(b)]) for a, b in (_beside(axis) for axis in range(3))]
    pairs = np.concatenate(
        [np.stack([a, b], axis=-1)[(a >= 0) & (b >= 0)] for a, b in links]
    ).astype(np.int64)
    cubes = middle[void]
    size = len(cubes)
    if not size:
        return None
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    seed = int(np.argmin(np.linalg.norm(cubes - rows[len(rows) // 2].point, axis=1)))
    kept = label == label[seed]
    fixed = [np.zeros(size), np.zeros(size)]
    # A cube next to an end's plane is held at the way to that plane.
    for n, (row, gone) in enumerate(zip(ends, behind, strict=True)):
        for axis in range(3):
            for one, other in (_beside(axis), _beside(axis)[::-1]):
                a, b = number[tuple(one)], gone[tuple(other)]
                touching = (a >= 0) & b
                at = a[touching]
                along = abs(float(row.normal[axis]))
                if not len(at) or along < 1e-9:
                    continue
                way = np.abs((cubes[at] - row.point) @ row.normal) / along
                np.add.at(fixed[n], at, side / np.clip(way, 0.25 * side, 2.0 * side))
    if not (fixed[0][kept].any() and fixed[1][kept].any()):
        return None
    value = _solved(pairs, fixed, kept)
    return Field(cubes[kept], side, value, _steep(number, void, value, kept, side))


def _beside(axis: int) -> tuple[list[slice], list[slice]]:
    """Slices of a grid and of its next neighbours along an axis."""
    one, other = [slice(None)] * 3, [slice(None)] * 3
    one[axis], other[axis] = slice(None, -1), slice(1, None)
    return one, other


def _solved(pairs: IntArray, fixed: list[FloatArray], kept: NDArray[np.bool_]) -> FloatArray:
    """Potential of the kept cubes: 1 at the first end, 0 at the last."""
    row = np.cumsum(kept) - 1
    inner = pairs[kept[pairs[:, 0]]]
    a, b = row[inner[:, 0]], row[inner[:, 1]]
    size = int(kept.sum())
    ones = np.ones(len(a))
    own = np.bincount(a, minlength=size) + np.bincount(b, minlength=size)
    diagonal = own + fixed[0][kept] + fixed[1][kept]
    at = np.arange(size)
    matrix = csr_array(
        (
            np.concatenate([diagonal, -ones, -ones]),
            (np.concatenate([at, a, b]), np.concatenate([at, b, a])),
        ),
        shape=(size, size),
    )
    found, left = cg(matrix, fixed[0][kept], rtol=1e-8, maxiter=5000, M=diags_array(1.0 / diagonal))
    if left:
        raise NotRechecked("the potential on cubes does not settle")
    solved: FloatArray = np.asarray(found)
    return solved


def _steep(
    number: IntArray,
    void: NDArray[np.bool_],
    value: FloatArray,
    kept: NDArray[np.bool_],
    side: float,
) -> FloatArray:
    """Size of the gradient: the mean to both neighbours, or to one where the other is wall."""
    grid = np.full(void.shape, np.nan)
    full = np.full(len(kept), np.nan)
    full[kept] = value
    grid[void] = full
    square = np.zeros(int(void.sum()))
    for axis in range(3):
        one, other = _beside(axis)
        step = (grid[tuple(other)] - grid[tuple(one)]) / side
        total, count = np.zeros(void.shape), np.zeros(void.shape)
        known = np.isfinite(step)
        for part in (one, other):
            total[tuple(part)] += np.where(known, step, 0.0)
            count[tuple(part)] += known
        square += (total / np.maximum(count, 1.0))[void] ** 2
    found: FloatArray = np.sqrt(square)[kept]
    return found


def areas(found: Field, rows: tuple[Station, ...]) -> FloatArray:
    """(n,) area of the level through each station's middle, mm2; NaN next to the ends."""
    out = np.full(len(rows), np.nan)
    half = 0.5 * LONG * found.side
    for k, row in enumerate(rows):
        if min(abs(row.s - rows[0].s), abs(row.s - rows[-1].s)) < 3.0 * half:
            continue
        near = [_at(found, row.point + sense * half * row.normal) for sense in (-1.0, 1.0)]
        high, low = near
        if not high > low:
            continue
        # A cube's potential is spread evenly over what it falls by across the cube.
        spread = np.maximum(0.5 * found.steep * found.side, 1e-12)
        top = np.minimum(found.potential + spread, high)
        bottom = np.maximum(found.potential - spread, low)
        share = np.clip(top - bottom, 0.0, None) / (2.0 * spread)
        out[k] = float((share * found.steep).sum()) * found.side**3 / (high - low)
    return out


def _at(found: Field, point: FloatArray) -> float:
    """Potential at a point: the plane through the cubes next to it."""
    off = found.middle - point
    near = np.linalg.norm(off, axis=1) <= 2.0 * found.side
    if near.sum() < 4:
        return float("nan")
    matrix = np.c_[np.ones(int(near.sum())), off[near]]
    return float(np.linalg.lstsq(matrix, found.potential[near], rcond=None)[0][0])

"""Does something that moves straight meet metal: lines along its travel, close to each other.

Along a line in the direction of travel, what moves ends up against what stands ahead of it. The
lines stand on a square lattice across the travel, so close that every disc as wide as the overlap
that is allowed holds one of them: where no line meets anything, nothing wider is in the way. Only
places where a box of the one may lie behind a box of the other are looked at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.verify.fasten.lines import TOUCH, Run, blocked
from geomcheck.verify.plain.simple import FloatArray, IntArray

#: Lines along one side of a cell.
CELL = 32
#: Triangles told to cells, and heights worked out, at most.
TOLD, HEIGHTS = 30_000_000, 1_500_000_000
#: Lines that meet something narrow, looked at more closely, at most.
MOST_SLIM = 4000
#: So many lines in a square, all met, hold a disc as wide as is allowed.
SQUARE = 4


@dataclass(frozen=True)
class Met:
    """What lines along a travel meet.

    Parameters
    ----------
    lines : int
        Lines that meet metal; 0 where all that is met is too narrow to stop anything.
    wide : bool
        They stand so close together that what they meet is wider than is allowed.
    point : (3,) float or None
        A place on what is met, mm; None where nothing is.
    complete : bool
        Everything was looked at, as closely as it takes.
    """

    lines: int
    wide: bool
    point: FloatArray | None
    complete: bool


def meets(
    run: Run,
    mover: FloatArray,
    other: FloatArray,
    *,
    sheet: bool = False,
    about: Any = None,
    reach: float = math.inf,
) -> Met:
    """What some triangles meet of others on a travel.

    Parameters
    ----------
    run : Run
    mover, other : (m, 3, 3) float
        In the housing frame, the mover where its travel starts.
    sheet : bool
        One of them is no solid: any overlap counts.
    about : (3,) float, optional
        Only lines within ``reach`` of this point are looked at.
    reach : float
        mm.
    """
    a, b = run.local(mover), run.local(other)
    if about is not None:
        middle = (run.frame @ np.asarray(about, dtype=np.float64))[:2]
        a, b = (_inside(tri, middle - reach, middle + reach) for tri in (a, b))
    for _ in range(2):
        if not len(a) or not len(b):
            return Met(0, False, None, run.close)
        a, b = _ahead(run, a, b), _ahead(run, b, a, back=True)
    if not len(a) or not len(b):
        return Met(0, False, None, run.close)
    least = TOUCH if sheet else max(run.allow, TOUCH)
    lines, point, spent = 0, None, 0
    rows: list[IntArray] = []
    cells = _cells(run, a, b)
    if cells is None:
        return Met(0, False, None, False)
    for corner, tri_a, tri_b in cells:
        spent += CELL * CELL * (len(tri_a) + len(tri_b))
        if spent > HEIGHTS:
            return Met(lines, False, point, False)
        x, y = _lattice(np.asarray(corner * run.step, dtype=np.float64), run.step, CELL)
        met, height = blocked(run, (x, y), a[tri_a], b[tri_b], least, solid=not sheet)
        if about is not None:
            met &= np.hypot(x - middle[0], y - middle[1]) <= reach
        if not met.any():
            continue
        lines += int(met.sum())
        first = int(np.argmax(met))
        point = np.array([x[first], y[first], height[first]]) @ run.frame
        square = met.reshape(CELL, CELL)
        if _square(square):
            return Met(lines, True, point, True)
        rows.append(np.argwhere(square) + corner)
    if not lines:
        return Met(0, False, None, run.close)
    places: IntArray = np.concatenate(rows)
    if _joined(places):
        return Met(lines, True, point, True)
    spots = np.asarray(places * run.step, dtype=np.float64)
    slim = about is None and run.close and _narrow(run, spots, a, b, least, not sheet)
    return Met(0 if slim else lines, False, None if slim else point, slim)


def _lattice(corner: FloatArray, step: float, count: int) -> tuple[FloatArray, FloatArray]:
    """Where the lines of a square stand, across the travel."""
    side = np.arange(count) * step
    return np.repeat(corner[0] + side, count), np.tile(corner[1] + side, count)


def _narrow(
    run: Run, places: FloatArray, a: FloatArray, b: FloatArray, least: float, solid: bool
) -> bool:
    """Whether about lines that meet metal no disc as wide as is allowed is met all over.

    Such a disc holds one of the lines, so it lies within its width of it. Of lines four times as
    close, those that are surely inside it would all have to meet.
    """
    if len(places) > MOST_SLIM:
        return False
    step = run.step / 4.0
    count = 2 * math.ceil(run.allow / step) + 3
    inner = (run.allow - step * math.sqrt(2.0)) / 2.0
    n = math.floor(inner / step)
    disc = [(i, k) for i in range(-n, n + 1) for k in range(-n, n + 1)]
    disc = [(i, k) for i, k in disc if math.hypot(i, k) * step <= inner]
    for place in places:
        corner = place - step * (count // 2)
        far = corner + step * count
        near_a, near_b = (_inside(tri, corner, far) for tri in (a, b))
        lines = _lattice(corner, step, count)
        met = blocked(run, lines, near_a, near_b, least, solid=solid)[0].reshape(count, count)
        held = np.ones((count - 2 * n, count - 2 * n), dtype=bool)
        for i, k in disc:
            held &= met[n + i : count - n + i, n + k : count - n + k]
        if held.any():
            return False
    return True


def _inside(tri: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    flat = tri[:, :, :2]
    found: FloatArray = tri[
        (flat.max(axis=1) >= low).all(axis=1) & (flat.min(axis=1) <= high).all(axis=1)
    ]
    return found


def _ahead(run: Run, tri: FloatArray, other: FloatArray, *, back: bool = False) -> FloatArray:
    """Triangles that may meet the box of others; ``back``: it is the others that move."""
    low, high = other.min(axis=(0, 1)), other.max(axis=(0, 1))
    near = _inside(tri, low[:2], high[:2])
    top, foot = near[:, :, 2].max(axis=1), near[:, :, 2].min(axis=1)
    if back:
        found: FloatArray = near[(top >= low[2]) & (foot <= high[2] + run.length)]
    else:
        found = near[(foot <= high[2]) & (top + run.length >= low[2])]
    return found


def _cells(
    run: Run, a: FloatArray, b: FloatArray
) -> Iterator[tuple[IntArray, IntArray, IntArray]] | None:
    """Cells in which the mover may meet the other: first line, and triangles of both."""
    size = run.step * CELL
    low = np.maximum(a.min(axis=(0, 1)), b.min(axis=(0, 1)))[:2]
    high = np.minimum(a.max(axis=(0, 1)), b.max(axis=(0, 1)))[:2]
    first = np.floor(low / size).astype(np.int64)
    count = np.floor(high / size).astype(np.int64) - first + 1
    told_a, told_b = (_told(tri, size, first, count) for tri in (a, b))
    if told_a is None or told_b is None:
        return None
    total = int(count[0] * count[1])
    foot, top = np.full(total, np.inf), np.full(total, -np.inf)
    np.minimum.at(foot, told_a[0], a[told_a[1], :, 2].min(axis=1))
    np.maximum.at(top, told_b[0], b[told_b[1], :, 2].max(axis=1))
    doubtful = np.flatnonzero(top - foot > TOUCH)
    return _each(doubtful, told_a, told_b, first, int(count[1]))


def _each(
    doubtful: IntArray,
    told_a: tuple[IntArray, IntArray],
    told_b: tuple[IntArray, IntArray],
    first: IntArray,
    width: int,
) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    spans = [
        (np.searchsorted(cells, doubtful), np.searchsorted(cells, doubtful, side="right"))
        for cells, _ in (told_a, told_b)
    ]
    for n, cell in enumerate(doubtful):
        corner = (first + np.array([cell // width, cell % width])) * CELL
        tri_a = told_a[1][spans[0][0][n] : spans[0][1][n]]
        tri_b = told_b[1][spans[1][0][n] : spans[1][1][n]]
        if len(tri_a) and len(tri_b):
            yield corner, tri_a, tri_b


def _told(
    tri: FloatArray, size: float, first: IntArray, count: IntArray
) -> tuple[IntArray, IntArray] | None:
    """Cells and triangles, pair by pair, sorted by cell: each triangle in the cells of its box."""
    low = np.floor(tri[:, :, :2].min(axis=1) / size).astype(np.int64) - first
    high = np.floor(tri[:, :, :2].max(axis=1) / size).astype(np.int64) - first
    low, high = np.maximum(low, 0), np.minimum(high, count - 1)
    wide = np.maximum(high - low + 1, 0)
    times = wide[:, 0] * wide[:, 1]
    if int(times.sum()) > TOLD:
        return None
    number = np.repeat(np.arange(len(tri)), times)
    place = np.arange(len(number)) - np.repeat(np.cumsum(times) - times, times)
    across = np.maximum(wide[number, 1], 1)
    cell = (low[number, 0] + place // across) * count[1] + low[number, 1] + place % across
    order = np.argsort(cell, kind="stable")
    return cell[order], number[order]


def _square(met: Any) -> bool:
    """Whether a square of lines is all met."""
    held = met
    for axis in (0, 1):
        size = held.shape[axis] - SQUARE + 1
        if size < 1:
            return False
        shifted = [np.take(held, range(k, k + size), axis=axis) for k in range(SQUARE)]
        held = np.logical_and.reduce(shifted)
    return bool(held.any())


def _joined(places: IntArray) -> bool:
    """Whether a square of lines is all met where cells meet."""
    known = {(int(i), int(k)) for i, k in places}
    span = [(i, k) for i in range(SQUARE) for k in range(SQUARE)]
    return any(all((i + di, k + dk) in known for di, dk in span) for i, k in known)

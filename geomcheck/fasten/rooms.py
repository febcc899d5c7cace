"""Room of stacks of cylinders in many poses at once, against several parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import KernelTree
from geomcheck.kernels import solids
from geomcheck.mesh import threads

IntArray: TypeAlias = NDArray[np.int64]

#: Poses handed to a thread at once.
_CHUNK = 128


@dataclass(frozen=True, eq=False)
class Rooms:
    """Least room of each pose, and where it is.

    Parameters
    ----------
    value : (q,) float
        mm; the cut-off where nothing is nearer.
    part : (q,) int
        Number of the tree; -1 where nothing is nearer than the cut-off.
    triangle : (q,) int
        The caller's number.
    point : (q, 3) float
        The place on it, mm.
    slack : (q,) float
        mm by which that triangle is moved towards the tool.
    """

    value: FloatArray
    part: IntArray
    triangle: IntArray
    point: FloatArray
    slack: FloatArray


def upright(origin: Sequence[float] | FloatArray, axis: Sequence[float] | FloatArray) -> FloatArray:
    """(4, 3) origin and unit axes u, v, w, as ``Fastener.frame`` lays them out."""
    w = np.asarray(axis, dtype=np.float64)
    w = w / math.sqrt(float(w @ w))
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(w)))] = 1.0
    u = np.cross(helper, w)
    u /= math.sqrt(float(u @ u))
    return np.stack([np.asarray(origin, dtype=np.float64), u, np.cross(w, u), w])


def leaning(base: FloatArray, plane: FloatArray) -> FloatArray:
    """(q, 4, 3) frames about the base's origin, tilted.

    ``plane`` (q, 2): tilt in radians along the base's u and v; its length is the angle, its
    direction the azimuth.
    """
    angle = np.hypot(plane[:, 0], plane[:, 1])
    safe = np.where(angle > 0.0, angle, 1.0)
    ca, sa = plane[:, 0] / safe, plane[:, 1] / safe
    level = angle == 0.0
    ca[level], sa[level] = 1.0, 0.0
    ct, st = np.cos(angle), np.sin(angle)
    # The axes that lie along the azimuth and square to it, then turned back by it.
    out = np.array([ca, sa, np.zeros_like(ca)]).T
    side = np.array([-sa, ca, np.zeros_like(ca)]).T
    lean = out * ct[:, None] - np.array([0.0, 0.0, 1.0]) * st[:, None]
    up = out * st[:, None] + np.array([0.0, 0.0, 1.0]) * ct[:, None]
    u = ca[:, None] * lean - sa[:, None] * side
    v = sa[:, None] * lean + ca[:, None] * side
    frames = np.empty((len(plane), 4, 3))
    frames[:, 0] = base[0]
    for k, local in enumerate((u, v, up)):
        frames[:, k + 1] = local @ base[1:]
    return frames


def rooms(
    trees: Sequence[KernelTree],
    frames: FloatArray,
    tables: Sequence[FloatArray],
    cutoff: float,
    enough: float = -math.inf,
) -> Rooms:
    """Room of ``tables[q]``, rows (z0, z1, radius), in ``frames[q]``.

    A query may end at the first room under ``enough``: the value then only proves that there is
    no more.
    """
    count = len(frames)
    rows = np.concatenate(tables) if count else np.empty((0, 3))
    starts = np.concatenate([[0], np.cumsum([len(table) for table in tables])]).astype(np.int64)
    best = np.full(count, float(cutoff))
    part = np.full(count, -1)
    triangle = np.full(count, -1)
    point = np.zeros((count, 3))
    value, row = np.empty(count), np.empty(count, dtype=np.int64)
    found = np.empty(count, dtype=np.int64)
    place = np.empty((count, 3))
    slack = np.zeros(count)
    for number, tree in enumerate(trees):
        limit = best

        def task(begin: int, end: int, tree: KernelTree = tree, limit: FloatArray = limit) -> None:
            solids.rooms(
                tree, frames, rows, starts, limit, enough, begin, end, value, found, row, place
            )

        threads.each(task, threads.chunks(count, _CHUNK))
        nearer = (found >= 0) & (value < best)
        best = np.where(nearer, value, best)
        part[nearer] = number
        triangle[nearer] = found[nearer]
        point[nearer] = place[nearer]
        slack[nearer] = _slack(tree, found[nearer])
    return Rooms(best, part, triangle, point, slack)


def _slack(tree: KernelTree, numbers: IntArray) -> FloatArray:
    """How far triangles, by the caller's numbers, are moved."""
    if len(tree[5]) == 0 or len(numbers) == 0:
        return np.zeros(len(numbers))
    place = np.empty(len(tree[1]), dtype=np.int64)
    place[tree[1]] = np.arange(len(place))
    moved: FloatArray = tree[5][place[numbers]]
    return moved

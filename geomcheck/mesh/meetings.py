"""Pairs of triangles that meet on a straight way, and how wide what is met is, seen along it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from geomcheck.kernels import travel as kernel

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Met:
    """Where a travel ends.

    Parameters
    ----------
    travel : float
        mm; 0 where the way is shut from the start.
    triangle_a, triangle_b : int
        Callers' numbers of the triangles that meet.
    point : (float, float, float)
        The place on b, mm, where b stands.
    overlap : bool
        The parts share room there from the start; the travel is 0 then.
    """

    travel: float
    triangle_a: int
    triangle_b: int
    point: tuple[float, float, float]
    overlap: bool = False


@dataclass(frozen=True, eq=False)
class Meetings:
    """Meetings as arrays, one row each; see ``geomcheck.kernels.travel.gather``."""

    travel: FloatArray
    number_a: IntArray
    number_b: IntArray
    runs: NDArray[np.bool_]
    point: FloatArray
    corners: FloatArray
    count: IntArray

    @classmethod
    def room(cls, size: int) -> Meetings:
        """Arrays for so many."""
        return cls(
            np.empty(size),
            np.empty(size, dtype=np.int64),
            np.empty(size, dtype=np.int64),
            np.empty(size, dtype=np.bool_),
            np.empty((size, 3)),
            np.zeros((size, kernel.CORNERS, 2)),
            np.zeros(size, dtype=np.int64),
        )

    def met(self, rows: IntArray) -> Met:
        """The last of some; where none is a running into, the parts share room from the start."""
        k = int(rows[-1])
        x, y, z = (float(value) for value in self.point[k])
        overlap = not bool(self.runs[rows].any())
        travel = 0.0 if overlap else max(float(self.travel[k]), 0.0)
        return Met(travel, int(self.number_a[k]), int(self.number_b[k]), (x, y, z), overlap)

    def wide(self, reach: float) -> NDArray[np.bool_]:
        """(k,) whether a polygon alone holds a disc of radius ``reach``: area over perimeter."""
        used = np.arange(self.corners.shape[1]) < self.count[:, None]
        at = np.where(used[..., None], self.corners, self.corners[:, :1])
        step = np.roll(at, -1, axis=1) - at
        area = 0.5 * np.abs((at[..., 0] * step[..., 1] - at[..., 1] * step[..., 0]).sum(axis=1))
        found: NDArray[np.bool_] = area > reach * np.hypot(step[..., 0], step[..., 1]).sum(axis=1)
        return found

    def shape(self, k: int) -> Any:
        """One of them as a polygon."""
        return shapely.convex_hull(shapely.MultiPoint(self.corners[k, : self.count[k]]))


def first_wide(shapes: list[Any], region: Any, reach: float, grid: float) -> int | None:
    """Number of the shape with which all before it and ``region`` hold a disc of ``reach``."""

    def wide(end: int) -> bool:
        joined = shapely.union_all([*shapes[:end], region], grid_size=grid)
        return not joined.buffer(-reach, join_style="mitre").is_empty

    if not shapes or not wide(len(shapes)):
        return None
    low, high = 0, len(shapes)
    while high - low > 1:
        middle = (low + high) // 2
        if wide(middle):
            high = middle
        else:
            low = middle
    return high - 1

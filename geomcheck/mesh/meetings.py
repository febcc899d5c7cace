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

    def first_wide(self, rows: IntArray, reach: float) -> int | None:
        """Number in ``rows`` of the meeting with which all up to it hold a disc of ``reach``.

        What is less than a thousandth of ``reach`` apart, or too narrow, counts as joined and wide.
        """
        alone = np.flatnonzero(self._wide(reach)[rows])
        # The first that is wide alone is the last that has to be looked at.
        high = int(alone[0]) + 1 if len(alone) else len(rows)
        shapes = [self._shape(k) for k in rows[:high]]
        grid = 1e-3 * reach

        def wide(end: int) -> bool:
            joined = shapely.union_all(shapes[:end], grid_size=grid)
            closed = joined.buffer(grid, join_style="mitre")
            return not closed.buffer(-reach, join_style="mitre").is_empty

        if len(alone) == 0 and (high == 0 or not wide(high)):
            return None
        low = 0
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if wide(middle) else (middle, high)
        return high - 1

    def _wide(self, reach: float) -> NDArray[np.bool_]:
        """(k,) whether a polygon alone holds a disc of radius ``reach``: area over perimeter.

        A hair more is found wide than by the kernel, which ends its search at what it finds so.
        """
        used = np.arange(self.corners.shape[1]) < self.count[:, None]
        at = np.where(used[..., None], self.corners, self.corners[:, :1])
        step = np.roll(at, -1, axis=1) - at
        area = 0.5 * np.abs((at[..., 0] * step[..., 1] - at[..., 1] * step[..., 0]).sum(axis=1))
        around = np.hypot(step[..., 0], step[..., 1]).sum(axis=1)
        found: NDArray[np.bool_] = area > (1.0 - 1e-6) * reach * around
        return found

    def _shape(self, k: int) -> Any:
        """One of them as a polygon."""
        return shapely.convex_hull(shapely.MultiPoint(self.corners[k, : self.count[k]]))

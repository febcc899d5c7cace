"""How far one shape travels straight until another stops it.

Exact on the triangles: every pair that can meet is looked at, at corners, faces and edges (see
``geomcheck.kernels.travel``). Parts that touch may slide along each other or leave each other.

What is no obstacle: an overlap along the travel of up to ``allow`` at the start that the travel
undoes, and, seen along the travel, metal in the way that is nowhere wider than ``allow``. So a
dowel comes out of its hole although the facets of both do not agree, and a part that stands
0.05 mm inside its neighbour slides past it where ``allow`` is more than that.

The interval: ``doubt`` is how far the true surface may stand off each facet of both. For the lower
bound facets are widened by it, for the upper as much more overlap is allowed as both have at most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import travel as kernel
from geomcheck.mesh.given import check_length
from geomcheck.mesh.meetings import Meetings, Met
from geomcheck.mesh.tree import TriangleTree, as_tree, rounding

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Meetings kept at first, and how many times as many then.
_SOME, _MORE = 256, 4
_NONE: FloatArray = np.empty(0)


@dataclass(frozen=True, slots=True)
class Travel:
    """Free travel of one shape along a direction.

    Parameters
    ----------
    read, low, high : Met or None
        As read from the meshes, the least and the greatest the true parts may have; None where
        nothing is met up to the limit.
    """

    read: Met | None
    low: Met | None
    high: Met | None


def free_travel(
    a: Any,
    b: Any,
    direction: ArrayLike,
    *,
    limit: float = math.inf,
    allow: float = 0.0,
    doubt: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
    start: ArrayLike = (0.0, 0.0, 0.0),
    sheets: tuple[bool, bool] = (False, False),
) -> Travel:
    """Free travel of ``a`` along a direction until it meets ``b``.

    Parameters
    ----------
    a, b : TriangleTree, Trimesh or (n, 3, 3) float
        In one frame, mm; triangles of a solid look out of it.
    direction : (3,) float
        Need not have unit length.
    limit : float
        Travel beyond which nothing is looked at, mm; inf: until a has left.
    allow : float
        mm; see the module.
    doubt : pair of float or (n,) float
        Of a and of b, mm; for all triangles or each, by the caller's numbers.
    start : (3,) float
        Shift of a before it travels, mm.
    sheets : (bool, bool)
        Whether a, b are no solids: their triangles then look both ways.

    Raises
    ------
    InputError
        No triangles, a direction that is zero or not finite, a negative length.
    """
    tree_a, tree_b = as_tree(a), as_tree(b)
    check_length("limit", limit)
    check_length("allow", allow)
    frame = _frame(direction)
    shift = np.ascontiguousarray(start, dtype=np.float64)
    if shift.shape != (3,) or not np.isfinite(shift).all():
        raise InputError("start must be three finite numbers")
    slack = _slack(doubt[0], tree_a), _slack(doubt[1], tree_b)
    search = _Search(tree_a, tree_b, frame, shift, sheets, limit)
    read = search.first(allow, 0.5 * allow)
    most = float(slack[0].max() + slack[1].max())
    if most == 0.0:
        return Travel(read, read, read)
    low = search.first(allow, 0.5 * allow, slack)
    if read is not None and (low is None or low.travel > read.travel):
        low = read
    high = read and search.first(allow + most, 0.5 * allow + most)
    if high is not None and read is not None and high.travel < read.travel:
        high = read
    return Travel(read, low, high)


def _slack(doubt: ArrayLike, tree: TriangleTree) -> FloatArray:
    """(n,) doubt of each triangle, as the tree sorts them."""
    given = np.asarray(doubt, dtype=np.float64)
    if given.shape not in ((), (len(tree),)) or not np.isfinite(given).all() or (given < 0.0).any():
        raise InputError("doubt must be a length, or one for each triangle, not negative")
    return np.ascontiguousarray(np.broadcast_to(given, (len(tree),))[tree.order])


def _frame(direction: ArrayLike) -> FloatArray:
    w = np.array(direction, dtype=np.float64)
    if w.shape != (3,) or not np.isfinite(w).all() or float(np.abs(w).max()) < 1e-12:
        raise InputError("a direction must be three finite numbers, not all zero")
    w /= np.linalg.norm(w)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(w)))] = 1.0
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    return np.ascontiguousarray(np.stack([u, np.cross(w, u), w]))


class _Search:
    """Meetings of two shapes in one direction."""

    def __init__(
        self,
        a: TriangleTree,
        b: TriangleTree,
        frame: FloatArray,
        shift: FloatArray,
        sheets: tuple[bool, bool],
        limit: float,
    ) -> None:
        self.a, self.b = a, b
        self.frame, self.shift, self.sheets, self.limit = frame, shift, sheets, limit
        eps = float(np.finfo(np.float64).eps)
        self.noise = 4.0 * rounding(a, b) + 8.0 * eps * float(np.abs(shift).max())

    def first(
        self, allow: float, reach: float, slack: tuple[FloatArray, FloatArray] = (_NONE, _NONE)
    ) -> Met | None:
        """The first travel at which metal in the way holds a disc of radius ``reach``."""
        reach = max(reach, 8.0 * self.noise)
        size = 1 if allow == 0.0 and slack[0] is _NONE else _SOME
        while True:
            # Each round asks for all the nearest anew: nothing of the last one has to be kept.
            met, rows, full = self._gather(allow, reach, slack, size)
            if size == 1:
                # Any width counts.
                return met.met(rows) if len(rows) else None
            end = met.first_wide(rows, reach)
            if end is not None:
                return met.met(rows[: end + 1])
            if not full:
                return None
            size *= _MORE

    def _gather(
        self, allow: float, reach: float, slack: tuple[FloatArray, FloatArray], size: int
    ) -> tuple[Meetings, IntArray, bool]:
        """The nearest meetings, at most ``size``, their rows in order; whether there may be more.

        None nearer than the last of them is missing.
        """
        room = Meetings.room(size)
        found = kernel.gather(
            self.a.boxes,
            self.a.triangles,
            self.a.order,
            slack[0],
            self.sheets[0],
            self.b.boxes,
            self.b.triangles,
            self.b.order,
            slack[1],
            self.sheets[1],
            self.a.leaf,
            self.frame,
            self.shift,
            float(allow),
            float(slack[0].max(initial=0.0) + slack[1].max(initial=0.0)),
            self.noise,
            float(reach),
            np.array([self.limit]),
            np.empty((kernel.STACK, 2), dtype=np.int64),
            np.empty((self.a.leaf, 5, 3)),
            np.empty((5, 3)),
            np.empty((kernel.CORNERS, 2)),
            np.empty((kernel.CORNERS, 2)),
            room.travel,
            room.number_a,
            room.number_b,
            room.runs,
            room.point,
            room.corners,
            room.count,
        )
        rows = np.lexsort((room.number_b[:found], room.number_a[:found], room.travel[:found]))
        return room, rows, found == size

"""How far one surface lies off another, with bounds: not at its corners alone, but all over it.

The directed deviation of A from B is the greatest distance of a point of A from B (the directed
Hausdorff distance). Sampling gives a lower bound. Upper bounds of every facet come from laying it
over the surface it runs alongside (``geomcheck.kernels.overlay``), from convexity
(``geomcheck.kernels.deviation``) and, since a distance changes by no more than one moves, from the
distance at its middle plus the farthest corner's way to it. Where a bound says that a point may be
farther than any found yet, that point is asked, too. Facets whose bound matters are halved across
their longest side until greatest value and bound agree within a tolerance, or the number of points
is spent: then the interval stays as wide as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.mesh.deviation_pieces import Pieces, Target, first_pieces, split
from geomcheck.mesh.given import check_length
from geomcheck.mesh.tree import TriangleTree, as_triangles

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Points asked beyond the corners and middles of the facets.
BUDGET = 400_000
#: Share of the greatest deviation to which it is pinned down.
CLOSE = 0.005
#: Times a facet is halved at most.
_DEEPEST = 60
#: Pieces halved in a round, and rounds, that only narrow the mean.
_MEAN = 5_000
_ROUNDS = 16
#: Points asked in a round where a bound says that they may be farther.
_GUESSES = 1000
#: Share of the mean to which it is narrowed, as far as these rounds go.
_NARROW = 0.02
#: Share of the budget after which they end.
_SHARE = 0.3


@dataclass(frozen=True, eq=False)
class Directed:
    """Deviation of surface A from surface B.

    Parameters
    ----------
    low, high : float
        Bounds of the greatest deviation, mm.
    at, to : (3,) float64
        The point of A with the deviation ``low``, and the point of B nearest to it.
    mean_low, mean, mean_high : float
        Mean over the area of A, mm: by quadrature, with bounds.
    area : float
        Of A, mm2.
    middle : (m,) float64
        Distance at the middle of each facet, mm.
    facing : (m,) int64
        Facet of B nearest to it.
    sampled : (m,) float64
        Greatest distance found on each facet: a lower bound of what is there.
    bound : (m,) float64
        No point of the facet is farther.
    """

    low: float
    high: float
    at: FloatArray
    to: FloatArray
    mean_low: float
    mean: float
    mean_high: float
    area: float
    middle: FloatArray
    facing: IntArray
    sampled: FloatArray
    bound: FloatArray


def directed_deviation(
    shape: Any,
    other: TriangleTree,
    *,
    band: Any = None,
    tolerance: float = 1e-3,
    budget: int = BUDGET,
    faces: Any = None,
) -> Directed:
    """Greatest and mean distance of one surface from another.

    Parameters
    ----------
    shape : Trimesh, object with ``triangles``, or (m, 3, 3) float
        The surface whose points are asked, mm.
    other : TriangleTree
        The surface they are measured to.
    band : (m,) float, optional
        For each facet: which of its points are farther than this matters, so that its bound is
        brought below wherever it is not above.
    tolerance : float
        The greatest deviation is pinned down to this (mm), or to 0.5 % of it.
    budget : int
        Points asked beyond the corners and middles of the facets.
    faces : (m, 3) int, optional
        Corner numbers of the other surface, in the caller's order: which of its facets share a
        side. Without them, sides with the same two ends are one.

    Raises
    ------
    InputError
        No triangles, a corner that is not finite, or another number of bands than facets.
    """
    triangles = as_triangles(getattr(shape, "triangles", shape))
    check_length("tolerance", tolerance)
    if not np.isfinite(triangles).all():
        raise InputError("a triangle has a corner that is not finite")
    limit = np.full(len(triangles), np.inf) if band is None else np.asarray(band, dtype=np.float64)
    if limit.shape != (len(triangles),):
        raise InputError(f"there are {len(triangles)} facets but {limit.shape} bands")
    target = Target(other, faces)
    pieces = first_pieces(triangles, target, shape, tolerance)
    middle, facing = pieces.d[:, 3].copy(), pieces.feet[:, 3].copy()
    sampled = pieces.d.max(axis=1)
    best = _Best(pieces)
    spent = target.asked
    done = pieces.take(slice(0, 0))
    for depth in range(_DEEPEST):
        _look_there(pieces, target, best, sampled, tolerance)
        close = best.value + max(tolerance, CLOSE * best.value)
        wide = (sampled <= limit)[pieces.parent] & (pieces.bound > limit[pieces.parent])
        wanted = (pieces.bound > close) | wide
        if depth < _ROUNDS and target.asked - spent < _SHARE * budget:
            wanted |= _most_doubtful(pieces, tolerance)
        rows = np.flatnonzero(wanted)
        left = budget - (target.asked - spent)
        if 4 * len(rows) > left:
            order = np.argsort(-pieces.bound[rows], kind="stable")[: max(left // 4, 0)]
            rows = np.sort(rows[order])
        if len(rows) == 0:
            break
        keep = np.ones(len(pieces.bound), dtype=np.bool_)
        keep[rows] = False
        done = done.joined(pieces.take(keep))
        pieces = split(pieces.take(rows), target, tolerance)
        np.maximum.at(sampled, pieces.parent, pieces.d.max(axis=1))
        best.look(pieces)
    pieces = done.joined(pieces)
    bound = np.zeros(len(triangles))
    np.maximum.at(bound, pieces.parent, pieces.bound)
    area = pieces.areas
    whole = max(float(area.sum()), 1e-300)
    low, high = pieces.means
    inside = np.clip((pieces.d[:, :3].sum(axis=1) / 12.0 + 0.75 * pieces.d[:, 3]), low, high)
    foot = target.ask(best.point[None, :])[2][0]
    return Directed(
        low=best.value,
        high=max(float(bound.max()), best.value),
        at=best.point,
        to=foot,
        mean_low=float((area * low).sum()) / whole,
        mean=float((area * inside).sum()) / whole,
        mean_high=float((area * high).sum()) / whole,
        area=whole,
        middle=middle,
        facing=facing,
        sampled=sampled,
        bound=np.maximum(bound, sampled),
    )


class _Best:
    """The farthest point found so far; the first one of equals."""

    def __init__(self, pieces: Pieces) -> None:
        self.value = -1.0
        self.point: FloatArray = np.zeros(3)
        self.look(pieces)

    def look(self, pieces: Pieces) -> None:
        """Take the corners and middles of pieces into account."""
        row, corner = divmod(int(pieces.d.argmax()), 4)
        if pieces.d[row, corner] > self.value:
            self.value = float(pieces.d[row, corner])
            corners = pieces.corners[row]
            self.point = corners[corner].copy() if corner < 3 else corners.mean(axis=0)

    def hear(self, points: FloatArray, distance: FloatArray) -> None:
        """Take other points into account."""
        row = int(distance.argmax())
        if distance[row] > self.value:
            self.value, self.point = float(distance[row]), points[row].copy()


def _look_there(
    pieces: Pieces, target: Target, best: _Best, sampled: FloatArray, tolerance: float
) -> None:
    """Ask the distance where the greatest bounds say that it may be as much."""
    close = best.value + max(tolerance, CLOSE * best.value)
    rows = np.flatnonzero((pieces.bound > close) & np.isfinite(pieces.far[:, 0]))
    rows = rows[np.argsort(-pieces.bound[rows], kind="stable")[:_GUESSES]]
    if len(rows):
        points = np.ascontiguousarray(pieces.far[rows])
        distance = target.ask(points)[0]
        np.maximum.at(sampled, pieces.parent[rows], distance)
        best.hear(points, distance)


def _most_doubtful(pieces: Pieces, tolerance: float) -> NDArray[np.bool_]:
    """Which pieces are halved for the sake of the mean."""
    low, high = pieces.means
    area = pieces.areas
    doubt = area * (high - low)
    out = np.zeros(len(doubt), dtype=np.bool_)
    enough = max(_NARROW * float((area * high).sum()), 0.5 * tolerance * float(area.sum()))
    if float(doubt.sum()) > enough:
        rows = np.argsort(-doubt, kind="stable")[:_MEAN]
        out[rows[doubt[rows] > 0.0]] = True
    return out

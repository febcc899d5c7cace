"""Points whose distance to a surface is known, and what it says of points near them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.fit.body import BoolArray, FloatArray, IntArray

#: Neighbours of a point looked at for a ball in common.
NEIGHBOURS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Points whose distance to the solid's surface is known.

    ``side`` is 1 inside, -1 outside, 0 where it was not worth finding out. No surface lies nearer
    than ``distance``, so every point of the ball about a spot is on the same side.
    """

    point: FloatArray
    distance: FloatArray
    side: IntArray

    @property
    def greatest(self) -> FloatArray:
        """The signed depth, or the distance where the side is not known: a bound from above."""
        return np.where(self.side < 0, -self.distance, self.distance)

    def take(self, rows: IntArray | BoolArray) -> Spots:
        """The spots of some rows."""
        return Spots(self.point[rows], self.distance[rows], self.side[rows])

    def twice(self) -> Spots:
        """The spots two times over, for two halves of each piece."""
        return self.take(np.concatenate([np.arange(len(self.side))] * 2))


def groups(points: FloatArray, distance: FloatArray) -> IntArray:
    """Number the groups of points that balls free of surface connect; their side is the same."""
    count = len(points)
    if count < 2:
        return np.zeros(count, dtype=np.int64)
    away, other = cKDTree(points).query(points, k=min(count, NEIGHBOURS))
    own = np.repeat(np.arange(count), other.shape[1]).reshape(other.shape)
    joined = away < distance[own] + distance[other]
    graph = coo_array(
        (np.ones(int(joined.sum()), dtype=np.int8), (own[joined], other[joined])),
        shape=(count, count),
    )
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)

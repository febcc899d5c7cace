"""Which triangles share an edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import edges as kernel

IntArray: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """The edges of a mesh, each with the half-edges that lie on it.

    Half-edge ``3 f + k`` of triangle ``f`` runs from its corner ``k`` to its corner
    ``(k + 1) % 3``. Triangles that use a vertex twice belong to no edge.

    Parameters
    ----------
    order : (h,) int64
        Half-edges, edge by edge.
    start : (e + 1,) int64
        Edge ``i`` holds ``order[start[i]:start[i + 1]]``.
    ends : (e, 2) int64
        Vertex numbers of each edge, the lesser first.
    faces : (e,) int64
        How many triangles lie on each edge.
    balance : (e,) int64
        How many run from the lesser vertex to the greater, minus how many run back.
    """

    order: IntArray
    start: IntArray
    ends: IntArray
    faces: IntArray
    balance: IntArray

    @classmethod
    def of(cls, faces: Any, vertex_count: int) -> EdgeTable:
        """Edges of the triangles ``faces`` ((m, 3) vertex numbers)."""
        f = np.ascontiguousarray(faces, dtype=np.int64)
        order, start = kernel.group_edges(f, vertex_count)
        begin = f.reshape(-1)[order]
        end = f.reshape(-1)[order - order % 3 + (order + 1) % 3]
        head = start[:-1]
        ends = np.stack([np.minimum(begin, end)[head], np.maximum(begin, end)[head]], axis=1)
        rising = np.zeros(len(order) + 1, dtype=np.int64)
        np.cumsum(begin < end, out=rising[1:])
        count = np.diff(start)
        balance = 2 * (rising[start[1:]] - rising[head]) - count
        return cls(order, start, ends, count, balance)

    def __len__(self) -> int:
        return len(self.faces)

    def triangles(self, edge: int) -> IntArray:
        """Numbers of the triangles on one edge."""
        found: IntArray = self.order[self.start[edge] : self.start[edge + 1]] // 3
        return found

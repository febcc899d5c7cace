"""Pieces of facets, halved again and again, and how their sides hang together.

Each side of a piece is a stretch of a line: a side of the mesh, or the cut between two halves. A
stretch runs between places that are counted in whole parts of the line, always halves of halves,
so that what lies beside what is known without comparing coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from geomcheck.fit.body import BoolArray, FloatArray, IntArray

#: Places along a side of a facet are counted in this many parts of it.
WHOLE = 1 << 40


@dataclass(frozen=True, slots=True, eq=False)
class Front:
    """Cells, and how their sides hang together.

    Parameters
    ----------
    corners : (k, 3, 3) float64
        mm.
    parent : (k,) int64
        The body's triangle each lies in.
    block : (k,) int64
        The block of the pairing it belongs to.
    line : (k, 3) int64
        Number of the line that the side from corner i to corner i + 1 lies on: a side of the
        mesh, or a cut between two halves.
    begin, end : (k, 3) int64
        Where on that line, 0 to ``WHOLE``.
    """

    corners: FloatArray
    parent: IntArray
    block: IntArray
    line: IntArray
    begin: IntArray
    end: IntArray

    def __len__(self) -> int:
        return len(self.parent)

    def take(self, rows: IntArray | BoolArray) -> Front:
        """Some of the cells."""
        return Front(*(getattr(self, field.name)[rows] for field in fields(self)))

    @staticmethod
    def of(corners: FloatArray, parent: IntArray, block: IntArray) -> Front:
        """Whole triangles; equal corners are one vertex."""
        # Adding zero turns -0.0 into 0.0, which np.unique would keep apart.
        _, vertex = np.unique(corners.reshape(-1, 3) + 0.0, axis=0, return_inverse=True)
        vertex = vertex.reshape(-1, 3)
        following = np.roll(vertex, -1, axis=1)
        pairs = np.sort(np.stack([vertex, following], axis=2), axis=2).reshape(-1, 2)
        _, line = np.unique(pairs, axis=0, return_inverse=True)
        rising = vertex <= following
        return Front(
            np.ascontiguousarray(corners),
            parent,
            block,
            np.asarray(line, dtype=np.int64).reshape(-1, 3),
            np.where(rising, 0, WHOLE),
            np.where(rising, WHOLE, 0),
        )

    @staticmethod
    def join(fronts: list[Front]) -> Front:
        """All cells of several fronts."""
        return Front(
            *(np.concatenate([getattr(f, field.name) for f in fronts]) for field in fields(Front))
        )

    def halves(self, first_line: int) -> Front:
        """Each cell cut across its longest side, on lines numbered from ``first_line``."""
        sides = np.linalg.norm(self.corners - np.roll(self.corners, -1, axis=1), axis=2)
        turn = (sides.argmax(axis=1)[:, None] + np.arange(3)) % 3
        p, q, apex = np.moveaxis(np.take_along_axis(self.corners, turn[:, :, None], axis=1), 1, 0)
        line, begin, end = (
            np.take_along_axis(x, turn, axis=1) for x in (self.line, self.begin, self.end)
        )
        middle = 0.5 * (p + q)
        half = (begin[:, 0] + end[:, 0]) // 2
        new = first_line + np.arange(len(self), dtype=np.int64)
        zero, whole = np.zeros_like(new), np.full_like(new, WHOLE)
        left = Front(
            np.stack([p, middle, apex], axis=1),
            self.parent,
            self.block,
            np.stack([line[:, 0], new, line[:, 2]], axis=1),
            np.stack([begin[:, 0], zero, begin[:, 2]], axis=1),
            np.stack([half, whole, end[:, 2]], axis=1),
        )
        right = Front(
            np.stack([middle, q, apex], axis=1),
            self.parent,
            self.block,
            np.stack([line[:, 0], line[:, 1], new], axis=1),
            np.stack([half, begin[:, 1], whole], axis=1),
            np.stack([end[:, 0], end[:, 1], zero], axis=1),
        )
        return Front.join([left, right])

"""What is worked out once of each part in place: its bundles, its connected pieces, its edges."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geomcheck.verify.plain.near import Bundles
from geomcheck.verify.plain.simple import FloatArray, IntArray, winding

#: Three axes square to each other that no part is drawn along.
ODD: FloatArray = np.linalg.qr(
    np.array([[0.83, 0.41, 0.37], [0.29, 0.91, 0.13], [0.53, 0.07, 0.71]])
)[0]


class Body:
    """A part in place, in plain arrays.

    Parameters
    ----------
    triangles : (m, 3, 3) float64
        mm, in the file's order.
    """

    def __init__(self, triangles: FloatArray) -> None:
        self.triangles = triangles

    @cached_property
    def bounds(self) -> FloatArray:
        """(2, 3) least and greatest corner."""
        corners = self.triangles.reshape(-1, 3)
        return np.stack([corners.min(axis=0), corners.max(axis=0)])

    @cached_property
    def bundles(self) -> Bundles:
        """The triangles, bundled with their neighbours."""
        return Bundles(self.triangles)

    @cached_property
    def balls(self) -> tuple[FloatArray, FloatArray]:
        """(m, 3) and (m,) middle and radius of a ball that holds each triangle, mm."""
        middle = self.triangles.mean(axis=1)
        radius = np.linalg.norm(self.triangles - middle[:, None], axis=2).max(axis=1, initial=0.0)
        return middle, radius

    def near_line(
        self, at: FloatArray, frame: FloatArray, reach: float
    ) -> tuple[IntArray, FloatArray]:
        """Triangles that may come within ``reach`` of a line, and how near each may be at most.

        ``frame`` is (3, 3): two directions square to the line, and its own.
        """
        middle, radius = self.balls
        across = (middle - at) @ frame[:2].T
        off = np.hypot(across[:, 0], across[:, 1]) - radius
        rows = np.flatnonzero(off <= reach)
        return rows, np.maximum(off[rows], 0.0)

    @cached_property
    def edges(self) -> Edges:
        """Corners by number, and the edges between them."""
        return Edges(self.triangles)

    @cached_property
    def closed(self) -> bool:
        """Whether each edge is passed as often one way as the other, round a volume above 0."""
        a, b, c = (self.triangles[:, k] - self.triangles[0, 0] for k in range(3))
        volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
        return self.edges.closed and volume > 0.0

    @cached_property
    def pieces(self) -> FloatArray:
        """(k, 3) one corner of each piece joined by edges."""
        first = np.unique(self.edges.piece, return_index=True)[1]
        found: FloatArray = self.triangles[first, 0]
        return found

    @cached_property
    def normals(self) -> FloatArray:
        """(m, 3) unit normals; zero without area."""
        across = np.cross(
            self.triangles[:, 1] - self.triangles[:, 0], self.triangles[:, 2] - self.triangles[:, 0]
        )
        length = np.linalg.norm(across, axis=1)
        unit: FloatArray = across / np.where(length > 0.0, length, 1.0)[:, None]
        return unit

    def holds(self, point: FloatArray) -> bool:
        """Whether a point lies in the material; only of a closed part.

        Facets over the point are counted, up and down, along an odd direction. Where one's side
        passes through the point, all solid angles are summed instead.
        """
        low, high = self.bounds
        if bool((point < low).any() or (point > high).any()):
            return False
        corners, least, most = self._leaning
        x, y, z = ODD @ point
        over = (least[:, 0] <= x) & (most[:, 0] >= x) & (least[:, 1] <= y) & (most[:, 1] >= y)
        tri = corners[over] - np.array([x, y, z])
        a, b, c = (tri[:, k] for k in range(3))
        sides = [p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0] for p, q in ((b, c), (c, a), (a, b))]
        total = sides[0] + sides[1] + sides[2]
        within = np.all([side * np.sign(total) > 0.0 for side in sides], axis=0)
        odd = np.any([np.abs(side) <= 1e-12 * np.abs(total) for side in sides], axis=0)
        if bool(odd.any()):
            return winding(point, self.triangles) > 0.5
        heights = sum(side * p[:, 2] for side, p in zip(sides, (a, b, c), strict=True))
        above = within & (heights * np.sign(total) > 0.0)
        return float(np.sign(total[above]).sum()) > 0.5

    @cached_property
    def _leaning(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Corners along the odd direction, and the boxes of the facets across it."""
        corners = self.triangles @ ODD.T
        return corners, corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)


class Edges:
    """Edges of a mesh whose equal corners count as one.

    Triangles that use a corner twice have no area and no outline, and are passed over.

    Parameters
    ----------
    triangles : (m, 3, 3) float64
    """

    def __init__(self, triangles: FloatArray) -> None:
        corners = np.ascontiguousarray(triangles.reshape(-1, 3) + 0.0)
        number = np.unique(corners, axis=0, return_inverse=True)[1].reshape(-1, 3)
        #: (m, 3) number of each corner.
        self.corner: IntArray = number
        self.proper = (
            (number[:, 0] != number[:, 1])
            & (number[:, 1] != number[:, 2])
            & (number[:, 2] != number[:, 0])
        )
        sound = number[self.proper]
        begin, end = sound.ravel(), sound[:, [1, 2, 0]].ravel()
        count = int(number.max()) + 1
        code = np.minimum(begin, end) * count + np.maximum(begin, end)
        known, way = np.unique(code, return_inverse=True)
        #: (e, 2) ends of each edge, by corner.
        self.ends: IntArray = np.stack([known // count, known % count], axis=1)
        #: (e,) triangles at each edge.
        self.faces: IntArray = np.bincount(way, minlength=len(known))
        #: (e,) how many more run one way along it than the other.
        self.net: IntArray = np.bincount(way[begin < end], minlength=len(known)) * 2 - self.faces
        self._way = way.reshape(-1, 3)

    @property
    def closed(self) -> bool:
        """Every edge is passed as often one way as the other."""
        return bool((self.net == 0).all())

    @cached_property
    def piece(self) -> IntArray:
        """(m,) number of the piece each triangle belongs to; -1 for those passed over."""
        rows = np.repeat(np.arange(len(self._way)), 3)
        size = len(self._way) + len(self.faces)
        graph = coo_array(
            (np.ones(len(rows)), (rows, len(self._way) + self._way.ravel())), shape=(size, size)
        )
        label = connected_components(graph, directed=False)[1][: len(self._way)]
        found = np.full(len(self.proper), -1, dtype=np.int64)
        found[self.proper] = np.unique(label, return_inverse=True)[1]
        return found

    @cached_property
    def without_partner(self) -> IntArray:
        """(m,) edges of each triangle that no other triangle has; 0 for those passed over."""
        alone = np.zeros(len(self.proper), dtype=np.int64)
        alone[self.proper] = (self.faces[self._way] == 1).sum(axis=1)
        return alone

    @property
    def outlines(self) -> int:
        """Connected runs of edges with one triangle."""
        ends = self.ends[self.faces == 1]
        if not len(ends):
            return 0
        used, local = np.unique(ends, return_inverse=True)
        local = local.reshape(-1, 2)
        graph = coo_array(
            (np.ones(len(local)), (local[:, 0], local[:, 1])), shape=(len(used), len(used))
        )
        return int(connected_components(graph, directed=False)[0])

    @property
    def repeated(self) -> int:
        """Triangles with the same three corners as an earlier one."""
        kept = np.sort(self.corner[self.proper], axis=1)
        return len(kept) - len(np.unique(kept, axis=0)) if len(kept) else 0

"""How much open area can be lost between two stations, whatever the mesh does between them.

Follow the points of the open area at a station along the path, square to its planes. Each stays
open until it runs into a facet that faces it, so the area lost on the way is at most the area of
those facets projected along the path: the identity A(s2) - A(s1) = -integral of n.t dS over the
wall between the planes, with one sign only. The same holds backwards from the next station.
Facets are taken between the planes and over the box round the open area, with the greater of
their slopes against the two planes. On a curved path a point's line is square to every plane in
between (the frames do not rotate about it), so the projected area is the change of area in the
path's own coordinates; the tangents in between are as near to the two ends as the turning allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from geomcheck.flow.region import Region
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.kernels import sweep as kernel

#: Planes that stand at more than this to each other (radians) bound nothing.
_WIDEST = 1.0


@dataclass(frozen=True, eq=False)
class Slab:
    """The room between two neighbouring stations.

    Parameters
    ----------
    surfaces : sequence of Surface
    regions, pieces
        Of the near and the far station; which pieces of each belong to the bore.
    step, turning : float
        Arc length (mm) and total turning of the path (radians) from one to the other.
    """

    surfaces: Sequence[Surface]
    regions: tuple[Region, Region]
    pieces: tuple[Sequence[int], Sequence[int]]
    step: float
    turning: float

    @cached_property
    def angle(self) -> float:
        """Between the two planes, radians."""
        near, far = (region.section.frame[9:12] for region in self.regions)
        return float(np.arctan2(np.linalg.norm(np.cross(near, far)), near @ far))

    @property
    def turn(self) -> float:
        """Turning of the path, never less than the angle of its ends."""
        return max(self.turning, self.angle)

    def box(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Least and greatest corner of the open area at the near (0) or far (1) station."""
        box = self.regions[k].box[list(self.pieces[k])]
        return box[:, :2].min(axis=0), box[:, 2:].max(axis=0)

    def margin(self, k: int) -> float:
        """How far, mm, a point's line may stray sideways within the slab."""
        reach = float(np.abs(self.box(k)).max())
        return self.step * self.turn + reach * self.turn**2 + 1e-9 * reach

    @property
    def planes_meet(self) -> bool:
        """Whether the planes meet within the box round the open area of either station."""
        if self.angle > _WIDEST:
            return True
        for k in (0, 1):
            low, high = self.box(k)
            corners = np.array([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
            other = self.regions[1 - k].section.frame
            ahead = self.regions[k].section.to_space(corners) - other[:3]
            if ((ahead @ other[9:12]) * (1 if k else -1) <= 0).any():
                return True
        return False

    def row(self, k: int) -> FloatArray:
        """(22,) the slab over the open area at station k, as the kernel takes it."""
        near, far = (region.section.frame for region in self.regions)
        middle = near[9:12] + far[9:12]
        middle = middle / np.linalg.norm(middle)
        u = near[3:6] - (near[3:6] @ middle) * middle
        u = u / np.linalg.norm(u)
        low, high = self.box(k)
        margin = self.margin(k)
        return np.concatenate(
            [near[:3], near[9:12], far[:3], far[9:12], u, np.cross(middle, u),
             low - margin, high + margin]
        )  # fmt: skip


def loss(slabs: Sequence[Slab]) -> FloatArray:
    """Area that may be lost from the near and from the far station of each slab.

    Returns
    -------
    (m, 2) float64
        mm2; infinite where the planes meet within the bore.
    """
    out = np.zeros((len(slabs), 2))
    if not slabs:
        return out
    met = np.array([slab.planes_meet for slab in slabs])
    good = [slab for slab in slabs if not slab.planes_meet]
    for k, sense in enumerate((1.0, -1.0)):
        rows = np.array([slab.row(k) for slab in good]).reshape(-1, 22)
        slope = np.array([1.0 / np.cos(0.5 * slab.angle) for slab in good])
        stray = np.array([slab.turn - slab.angle for slab in good])
        for surface in slabs[0].surfaces:
            tree = surface.tree
            area = kernel.swept(tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, rows, sense)
            out[~met, k] += area[:, 0] * slope + area[:, 1] * stray
    out[met] = np.inf
    return out


def close_loss(slab: Slab) -> tuple[float, float]:
    """The same for one slab, with the facets laid over the open area itself and not its box.

    Worth its time where the box holds a flange face or a neighbouring passage in its corners.
    """
    out = []
    for k, sense in enumerate((1.0, -1.0)):
        row = slab.row(k)
        region, pieces = slab.regions[k], slab.pieces[k]
        shift = (region.section.frame[:3] - row[:3]) @ row[12:18].reshape(2, 3).T
        bore = shapely.union_all([region.polygon(piece) for piece in pieces])
        bore = shapely.buffer(shapely.transform(bore, lambda xy, d=shift: xy + d), slab.margin(k))
        shapely.prepare(bore)
        lost = 0.0
        for surface in slab.surfaces:
            facets = _shadows(surface, row, sense)
            if len(facets):
                lost += float(shapely.area(shapely.intersection(facets, bore)).sum())
        # Outlines are laid on the plane half way: the slope against either end differs by this.
        out.append(lost / np.cos(0.5 * slab.angle) + float(bore.area) * (slab.turn - slab.angle))
    return out[0], out[1]


def _shadows(surface: Surface, row: FloatArray, sense: float) -> Any:
    tree = surface.tree
    room = 256
    while True:
        corners = np.empty((room, 12, 2))
        counts = np.empty(room, np.int64)
        found = kernel.shadows(
            tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, row, sense, corners, counts
        )
        if found <= room:
            break
        room = int(found)
    rings = [corners[i, : counts[i]] for i in range(found)]
    if not rings:
        return np.zeros(0, object)
    index = np.repeat(np.arange(found), counts[:found] + 1)
    closed = np.concatenate([np.vstack([ring, ring[:1]]) for ring in rings])
    return shapely.make_valid(shapely.polygons(shapely.linearrings(closed, indices=index)))

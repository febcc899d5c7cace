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

from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.kernels import sweep as kernel

#: Planes that stand at more than this to each other (radians) bound nothing.
_WIDEST = 1.0


@dataclass(frozen=True, eq=False)
class Slabs:
    """The rooms between neighbouring stations, one row each.

    Parameters
    ----------
    near, far : (m, 12) float64
        Frames of the two stations.
    low, high : (2, m, 2) float64
        Corners of the box round the open area at the near (0) and the far (1) station.
    step, turning : (m,) float64
        Arc length (mm) and total turning of the path (radians) from one to the other.
    rims : sequence of (k, 2) float64
        Points whose convex hull holds the open area of a near or far station, in its plane's
        (x, y): two a slab, near and far, in the order of the slabs; or two for all.
    """

    near: FloatArray
    far: FloatArray
    low: FloatArray
    high: FloatArray
    step: FloatArray
    turning: FloatArray
    rims: Sequence[FloatArray]

    def row(self, k: int) -> Slabs:
        """One of the slabs."""
        one = slice(k, k + 1)
        return Slabs(
            self.near[one], self.far[one], self.low[:, one], self.high[:, one], self.step[one],
            self.turning[one], self._rims(k),
        )  # fmt: skip

    def _rims(self, k: int) -> Sequence[FloatArray]:
        return self.rims if len(self.rims) == 2 else self.rims[2 * k : 2 * k + 2]

    @cached_property
    def angle(self) -> FloatArray:
        """(m,) angle between the two planes, radians."""
        across = np.linalg.norm(_cross(self.near[:, 9:12], self.far[:, 9:12]), axis=1)
        return np.asarray(np.arctan2(across, (self.near[:, 9:12] * self.far[:, 9:12]).sum(axis=1)))

    @property
    def stray(self) -> FloatArray:
        """(m,) turning of the path beyond the angle of its ends, radians."""
        return np.maximum(self.turning - self.angle, 0.0)

    def margin(self, k: int) -> FloatArray:
        """(m,) how far, mm, a point's line may stray sideways within the slab."""
        reach = np.maximum(np.abs(self.low[k]), np.abs(self.high[k])).max(axis=1)
        turn = self.angle + self.stray
        return np.asarray(self.step * turn + reach * turn**2 + 1e-9 * reach)

    @cached_property
    def planes_meet(self) -> BoolArray:
        """(m,) whether the planes meet within either open area (its convex hull)."""
        met = self.angle > _WIDEST
        beside = np.zeros(len(met), np.bool_)
        for k, (frame, other) in enumerate(((self.near, self.far), (self.far, self.near))):
            for x in (self.low[k, :, 0], self.high[k, :, 0]):
                for y in (self.low[k, :, 1], self.high[k, :, 1]):
                    corner = frame[:, :3] + x[:, None] * frame[:, 3:6] + y[:, None] * frame[:, 6:9]
                    ahead = ((corner - other[:, :3]) * other[:, 9:12]).sum(axis=1)
                    beside |= (ahead >= 0.0) if k == 0 else (ahead <= 0.0)
        # Few planes meet within the box: only there the outline itself is looked at.
        for row in np.flatnonzero(beside & ~met):
            met[row] = self._meet(int(row))
        return np.asarray(met)

    def _meet(self, row: int) -> bool:
        for rim, frame, other, sense in zip(
            self._rims(row),
            (self.near[row], self.far[row]),
            (self.far[row], self.near[row]),
            (1.0, -1.0),
            strict=True,
        ):
            points = frame[:3] + rim @ frame[3:9].reshape(2, 3)
            if (sense * ((points - other[:3]) @ other[9:12]) >= 0.0).any():
                return True
        return False

    def rows(self, k: int) -> FloatArray:
        """(m, 22) the slabs over the open area at station k, as the kernels take them."""
        middle = self.near[:, 9:12] + self.far[:, 9:12]
        middle /= np.linalg.norm(middle, axis=1)[:, None]
        u = self.near[:, 3:6] - (self.near[:, 3:6] * middle).sum(axis=1)[:, None] * middle
        u /= np.linalg.norm(u, axis=1)[:, None]
        margin = self.margin(k)[:, None]
        ends = [f[:, c] for f in (self.near, self.far) for c in (slice(0, 3), slice(9, 12))]
        window = [self.low[k] - margin, self.high[k] + margin]
        return np.ascontiguousarray(np.hstack([*ends, u, _cross(middle, u), *window]))


def loss(surfaces: Sequence[Surface], slabs: Slabs) -> FloatArray:
    """Area that may be lost from the near and from the far station of each slab.

    Returns
    -------
    (m, 2) float64
        mm2; infinite where the planes meet within the bore.
    """
    out = np.zeros((len(slabs.near), 2))
    good = ~slabs.planes_meet
    for k, sense in enumerate((1.0, -1.0)):
        rows = slabs.rows(k)[good]
        for surface in surfaces:
            tree = surface.tree
            area = kernel.swept(tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, rows, sense)
            slope = 1.0 / np.cos(0.5 * slabs.angle[good])
            out[good, k] += area[:, 0] * slope + area[:, 1] * slabs.stray[good]
    out[~good] = np.inf
    return out


def close_loss(
    surfaces: Sequence[Surface], slab: Slabs, bores: tuple[Any, Any]
) -> tuple[FloatArray, int]:
    """The same for a single slab, with the facets laid over the open area itself, not its box.

    Worth its time where the box holds a flange face or a neighbouring passage in its corners.
    ``bores``: open area at the near and the far station as shapely geometries.

    Returns
    -------
    loss : (2,) float64
        mm2.
    facets : int
        How many were laid over the open area: the work it took.
    """
    out, count = np.zeros(2), 0
    for k, sense in enumerate((1.0, -1.0)):
        bore = shapely.buffer(bores[k], float(slab.margin(k)[0]))
        shapely.prepare(bore)
        for surface in surfaces:
            facets = shadows(surface, slab, sense, bore, end=k)
            count += len(facets)
            if len(facets):
                whole = shapely.contains_properly(bore, facets)
                out[k] += shapely.area(facets[whole]).sum()
                out[k] += shapely.area(shapely.intersection(facets[~whole], bore)).sum()
        # The facets are laid on the plane half way; in between the tangent strays by this much.
        out[k] /= np.cos(0.5 * slab.angle[0])
        out[k] += bore.area * slab.stray[0]
    return out, count


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Row by row; numpy's own spends most of its time on the axes."""
    i, j = [1, 2, 0], [2, 0, 1]
    return np.asarray(a[:, i] * b[:, j] - a[:, j] * b[:, i])


def shadows(surface: Surface, slab: Slabs, sense: float, bore: Any, *, end: int = 0) -> Any:
    """Facets of a surface in a slab that face along it, as shapely polygons across it.

    Parameters
    ----------
    slab : Slabs
        A single one.
    sense : float
        +1: those that face who comes from the near plane; -1: from the far one.
    bore : geometry
        Only facets whose boxes meet its box are returned.
    end : int
        The station whose path point is the origin of (x, y), and whose open area's box with its
        margin is looked over: 0 near, 1 far.
    """
    row, tree = slab.rows(end)[0], surface.tree
    room = 256
    while True:
        # Not empty: what lies beyond a facet's corners takes part in the arithmetic below.
        corners = np.zeros((room, 12, 2))
        counts = np.empty(room, np.int64)
        found = kernel.shadows(
            tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, row, sense, corners, counts
        )
        if found <= room:
            break
        room = int(found)
    origin = slab.far[0] if end else slab.near[0]
    corners = corners[:found] - row[12:18].reshape(2, 3) @ (origin[:3] - row[:3])
    counts = counts[:found]
    held = np.arange(corners.shape[1]) < counts[:, None]
    low = np.where(held[:, :, None], corners, np.inf).min(axis=1)
    high = np.where(held[:, :, None], corners, -np.inf).max(axis=1)
    box = np.reshape(bore.bounds, (2, 2))
    near = (low <= box[1]).all(axis=1) & (high >= box[0]).all(axis=1)
    corners, counts, held = corners[near], counts[near], held[near]
    if not len(counts):
        return np.zeros(0, object)
    rings = np.concatenate([corners, np.zeros((len(counts), 1, 2))], axis=1)
    rings[np.arange(len(counts)), counts] = corners[:, 0]
    kept = np.concatenate([held, np.zeros((len(counts), 1), np.bool_)], axis=1)
    kept[np.arange(len(counts)), counts] = True
    index = np.repeat(np.arange(len(counts)), counts + 1)
    facets = shapely.polygons(shapely.linearrings(rings[kept], indices=index))
    wrong = ~shapely.is_valid(facets)
    facets[wrong] = shapely.make_valid(facets[wrong])
    return facets

"""Zones: connected patches of a surface that are nearer to another body than required.

Each zone has its area, the least gap in it (exact, between the meshes), and how far and in which
direction its wall has to move. The depth to take off is the required gap less the least gap: what
the worst point of the zone lacks. The direction is the mean of the directions away from the other
body, weighted by area. A point moved by its own lack straight away from a flat or round neighbour
is clear; where the single directions spread over a wide angle the zone has no one direction, and
the wall is set back along its own normal. Where the bodies overlap, the zone at the deepest point
takes depth and direction from there: it is that point the wall has to go past.

Areas are those of the meshes' facets. The interval of a zone's area holds what the cells leave
open (see :mod:`geomcheck.fit.cells`) and what the facets and the allowances of both bodies leave
open: its low end is the area that is nearer than required for certain, its high end the area that
may be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.fit.areas import area_under, at_least
from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray, as_point
from geomcheck.fit.budget import Allowance, Combine
from geomcheck.fit.cells import Cells, divide
from geomcheck.fit.depth import deepest
from geomcheck.fit.interval import unit_normal
from geomcheck.fit.joined import components
from geomcheck.fit.margin import Margin
from geomcheck.fit.pieces import Pairing, Piece
from geomcheck.fit.state import Gap
from geomcheck.fit.zone import Zone, Zones
from geomcheck.mesh.query import least_distance, point_distance
from geomcheck.mesh.tree import TriangleTree

#: Size of the cells at a zone's rim, mm.
RESOLUTION = 0.25
#: mm from a surface at which a point is asked whether it lies in the material.
STEP = 1e-3


def find_zones(
    a: Body,
    b: Body,
    required: float,
    gap: Gap,
    *,
    pairing: Pairing | None = None,
    on_a: Sequence[Allowance] = (),
    on_b: Sequence[Allowance] = (),
    combine: Combine = "worst case",
    resolution: float = RESOLUTION,
) -> Zones:
    """Patches of a body's surface that are nearer to another than required.

    Parameters
    ----------
    a, b : Body
        In place. The zones are a's.
    required : float
        mm.
    gap : Gap
        As measured between the two (see :func:`geomcheck.fit.gap.measure_gap`).
    pairing : Pairing, optional
        What is measured; everything if not given.
    on_a, on_b : sequence of Allowance
        See :mod:`geomcheck.fit.budget`.
    combine : {"worst case", "root sum of squares"}
    resolution : float
        Size of the cells at the rim of a zone, mm: zones nearer to each other than this may come
        out as one. A zone is found however small it is.

    Raises
    ------
    InputError
        The required gap or the resolution makes no sense.
    """
    if not (0.0 <= required < np.inf):
        raise InputError(f"a required gap of {required} mm makes no sense", remedy="State it in mm")
    if not (0.0 < resolution < np.inf):
        raise InputError(
            f"a resolution of {resolution} mm makes no sense", remedy="Give a size in mm above 0"
        )
    pairs = Pairing.whole(a, b) if pairing is None else pairing
    overlap = gap.state not in ("apart", "touching")
    margin = Margin(a, b, pairs, required, on_a, on_b, combine)
    cells = divide(a, b, pairs, required, margin, resolution=resolution, overlap=overlap)
    return _Survey(a, b, required, gap, pairs, margin, cells, overlap).zones()


class _Survey:
    """The cells of one surface, put together to zones."""

    def __init__(
        self,
        a: Body,
        b: Body,
        required: float,
        gap: Gap,
        pairing: Pairing,
        margin: Margin,
        cells: Cells,
        overlap: bool,
    ) -> None:
        self.a, self.b, self.required, self.gap = a, b, required, gap
        self.pairing, self.margin, self.cells, self.overlap = pairing, margin, cells, overlap

    def zones(self) -> Zones:
        cells = self.cells
        notes = []
        if self.overlap and not self.b.solid:
            notes.append(
                "the other mesh is not closed, so no point is known to be inside it and areas "
                "count by the distance to its surface alone"
            )
        everything = np.arange(len(cells))
        total = area_under(cells, everything, everything)
        if not self.overlap:
            total = at_least(total, cells, self.gap, self.required, self.margin)
        if len(cells) == 0:
            return Zones(total, (), tuple(notes))
        # Joined by whatever may be too near; of that, what is too near between the meshes.
        wide = components(cells.front, cells.mesh_edges, self._tolerance)
        found: list[Zone] = []
        rows = np.flatnonzero(cells.touched)
        if len(rows):
            label = components(cells.front.take(rows), cells.mesh_edges, self._tolerance)
            for number in range(int(label.max()) + 1):
                mine = rows[label == number]
                around = np.flatnonzero((wide == wide[mine[0]]) & ~cells.touched)
                found.append(self._zone(mine, np.concatenate([mine, around]), True))
        else:
            for number in range(int(wide.max()) + 1):
                mine = np.flatnonzero(wide == number)
                found.append(self._zone(mine, mine, False))
        found = self._reached_into(found)
        found.sort(key=lambda zone: (-zone.lack, zone.place))
        return Zones(total, tuple(found), tuple(notes))

    @property
    def _tolerance(self) -> float:
        return max(1e-6, self.a.resolution)

    def _zone(self, mine: IntArray, possible: IntArray, certain: bool) -> Zone:
        cells = self.cells
        corners = np.ascontiguousarray(cells.front.corners[mine])
        gap, pa, pb, ta, tb = self._least(mine)
        weight = cells.area[mine]
        middle = corners.mean(axis=1)
        total = float(weight.sum())
        centre = (weight[:, None] * middle).sum(axis=0) / total if total > 0.0 else middle[0]
        at = point_distance(corners, centre[None]).point[0]
        mean, spread = self._direction(mine, middle)
        low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
        return Zone(
            area=area_under(cells, mine, possible),
            gap=gap,
            lack=self.required - gap,
            certain=certain,
            point_a=pa,
            point_b=pb,
            triangle_a=ta,
            triangle_b=tb,
            place=as_point(at),
            direction=mean,
            spread=spread,
            far_side=self._through(gap, pa, pb),
            size=as_point(high - low),
            corners=corners,
        )

    def _through(self, gap: float, pa: Point, pb: Point) -> bool:
        """Whether the way from a zone to the other body begins in the zone's own material."""
        if not (self.a.solid and gap > 0.0):
            return False
        step = min(0.5 * gap, max(STEP, 4.0 * self.a.resolution)) / gap
        inwards = np.asarray(pa) + step * np.subtract(pb, pa)
        return bool(self.a.contains(inwards[None])[0])

    def _least(self, mine: IntArray) -> tuple[float, Point, Point, int, int]:
        """Least signed gap of cells, with the points and triangles of both bodies."""
        cells, best = self.cells, None
        front = cells.front.take(mine)
        if cells.within[mine].any():
            piece = Piece(np.ascontiguousarray(front.corners), front.parent)
            deep = deepest(piece, self.b, 0.0)
            if deep.point is not None and deep.nearest is not None:
                return -deep.found, deep.point, deep.nearest, deep.triangle, deep.nearest_triangle
        for number, (_, piece_b) in enumerate(self.pairing.blocks):
            rows = np.flatnonzero(front.block == number)
            if len(rows) == 0:
                continue
            near = least_distance(TriangleTree(front.corners[rows]), piece_b.tree)
            if near is not None and (best is None or near.distance < best[0]):
                best = (
                    float(near.distance),
                    as_point(near.point_a),
                    as_point(near.point_b),
                    int(front.parent[rows[near.triangle_a]]),
                    int(piece_b.parent[near.triangle_b]),
                )
        assert best is not None
        return best

    def _direction(self, mine: IntArray, middle: FloatArray) -> tuple[Point | None, float]:
        """Mean direction away from the other body, and how far the cells' directions spread."""
        cells = self.cells
        step = middle - cells.foot[mine]
        length = np.linalg.norm(step, axis=1)
        flat: BoolArray = length <= 1e-6
        step = step / np.where(flat, 1.0, length)[:, None]
        step[cells.within[mine]] *= -1.0
        # In contact: into the wall, against its own normal.
        for row in np.flatnonzero(flat):
            step[row] = -unit_normal(self.a, int(cells.front.parent[mine[row]]))
        share = (cells.area * cells.share)[mine]
        if share.sum() == 0.0:
            share = cells.area[mine]
        mean = (share[:, None] * step).sum(axis=0)
        size = float(np.linalg.norm(mean))
        if size <= 1e-6 * float(share.sum()):
            return None, 180.0
        mean = mean / size
        angle = np.degrees(np.arccos(np.clip(step @ mean, -1.0, 1.0)))
        return as_point(mean), float(np.sqrt((share * angle**2).sum() / share.sum()))

    def _reached_into(self, found: list[Zone]) -> list[Zone]:
        """In an overlap the zone at its deepest point gives way to that, whichever body's it is."""
        if not (self.overlap and found):
            return found
        at = np.asarray(self.gap.point_a)[None]
        away = [float(point_distance(zone.corners, at).distance[0]) for zone in found]
        first = int(np.argmin(away))
        zone = found[first]
        if self.gap.direction is not None:
            zone = replace(zone, direction=self.gap.direction, spread=0.0)
        if zone.lack < self.required - self.gap.quantity.value:
            zone = replace(
                zone,
                gap=self.gap.quantity.value,
                lack=self.required - self.gap.quantity.value,
                point_a=self.gap.point_a,
                point_b=self.gap.point_b,
                triangle_a=self.gap.triangle_a,
                triangle_b=self.gap.triangle_b,
            )
        return [*found[:first], zone, *found[first + 1 :]]

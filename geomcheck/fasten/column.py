"""The triangles of one part near a fastener's axis, and what rays and planes meet there.

Coordinates here are x, y across the axis and the depth below the seat (mm, growing into the
metal), so that a bolt of length L under its head ends at depth L.

Rays run along the axis, so that a layer between flat faces square to it is measured exactly
wherever a ray meets it. Sections square to the axis give a hole's outline at one depth: exact for
the facets, whose corners lie on the true circle of a drilled hole.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.circle import IntArray, around, circle, distance
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.mesh.tree import TriangleTree

#: Directions in which a section is looked at from the axis.
LOOKS = 72
#: A look in a direction no mesh is likely to be built on, radians.
PHASE = 0.1234567
#: Surfaces that a ray meets nearer to each other than this, facing alike, are one, mm.
SAME = 1e-7


def depth_frame(fastener: Fastener, height: float = 0.0) -> FloatArray:
    """(4, 3) origin and unit axes, the third into the metal; the origin ``height`` up the axis."""
    origin, u, v, w = fastener.frame(height)
    return np.stack([origin, v, u, -w])


@dataclass(frozen=True, eq=False)
class Section:
    """Outline of a hole at one depth, as seen from the axis.

    Parameters
    ----------
    share : float
        Part of the directions in which a wall faces the axis, 0 to 1.
    nearest : float
        Least distance of that wall from the axis, mm; inf where there is none.
    radius, offset : float
        Of the circle through the wall's corners: radius, and distance of its centre from the
        axis, mm; nan where fewer than half of the directions meet a wall.
    filled : bool
        The axis itself runs through metal here, as the facing of the nearest surface tells.
    """

    share: float
    nearest: float
    radius: float
    offset: float
    filled: bool


@dataclass(frozen=True, eq=False)
class Column:
    """Triangles of a part that come within ``radius`` of the axis.

    Parameters
    ----------
    part : Obstacle
    radius : float
    corners : (n, 3, 3) float64
        x, y, depth.
    facing : (n, 3) float64
        Unit normals in the same axes; zero for triangles without area.
    slack : (n,) float64
        How far the true surface may stand off the triangle on either side, mm.
    """

    part: Obstacle
    radius: float
    corners: FloatArray
    facing: FloatArray
    slack: FloatArray

    @classmethod
    def of(
        cls, part: Obstacle, frame: FloatArray, radius: float, low: float, high: float
    ) -> Column:
        """Gather the triangles between two depths.

        Parameters
        ----------
        frame : (4, 3) float64
            As :func:`depth_frame` gives it.
        radius : float
            mm about the axis.
        low, high : float
            Depths, mm.
        """
        places = _gather(part.tree, frame, radius, low, high)
        corners = (part.tree.triangles[places] - frame[0]) @ frame[1:].T
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        size = np.linalg.norm(normal, axis=1)
        facing = normal / np.where(size > 0.0, size, 1.0)[:, None]
        numbers = part.tree.order[places]
        slack = np.maximum(part.sagitta.outward[numbers], part.sagitta.inward[numbers])
        return cls(part, radius, corners, facing, slack)

    def __len__(self) -> int:
        return len(self.corners)

    @cached_property
    def _ends(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest depth of each triangle."""
        return self.corners[:, :, 2].min(axis=1), self.corners[:, :, 2].max(axis=1)

    def inside(self, radius: float) -> Column:
        """The triangles whose rectangle across the axis comes within ``radius`` of it, mm."""
        flat = self.corners[:, :, :2]
        gap = np.maximum(np.maximum(flat.min(axis=1), -flat.max(axis=1)), 0.0)
        near = (gap**2).sum(axis=1) <= radius**2
        return Column(self.part, radius, self.corners[near], self.facing[near], self.slack[near])

    def crossings(self, places: FloatArray) -> tuple[IntArray, FloatArray, IntArray, FloatArray]:
        """All surfaces that rays along the axis meet.

        Parameters
        ----------
        places : (k, 2) float
            x, y of the rays.

        Returns
        -------
        ray : (n,) int64
            Number of the ray, ascending; depths ascend within a ray.
        depth : (n,) float64
        sign : (n,) int64
            +1 where the ray enters metal, -1 where it leaves it.
        slack : (n,) float64
            How far the true surface may lie off along the axis, mm.
        """
        flat = self.corners[:, :, :2]
        ray, near = _over(flat, places)
        corner = flat[near] - places[ray][:, None]
        after = np.roll(corner, -1, axis=1)
        turn = corner[..., 0] * after[..., 1] - corner[..., 1] * after[..., 0]
        total = turn.sum(axis=1)
        tilt = self.facing[near, 2]
        met = ((turn >= 0.0).all(axis=1) | (turn <= 0.0).all(axis=1)) & (total != 0.0)
        met &= tilt != 0.0
        ray, near, tilt = ray[met], near[met], tilt[met]
        # The weight of a corner is the area of the side across from it.
        weight = np.roll(turn[met], -1, axis=1) / total[met, None]
        depth = (weight * self.corners[near, :, 2]).sum(axis=1)
        order = np.lexsort((depth, ray))
        ray, near, tilt, depth = ray[order], near[order], tilt[order], depth[order]
        sign = np.where(tilt < 0.0, 1, -1)
        # A ray through a shared edge meets both of its triangles.
        once = np.ones(len(ray), dtype=bool)
        once[1:] = (np.diff(depth) > SAME) | (np.diff(sign) != 0) | (np.diff(ray) != 0)
        slack = self.slack[near] / np.maximum(np.abs(tilt), 0.1)
        return ray[once], depth[once], sign[once], slack[once]

    def section(self, depth: float, reach: float) -> Section:
        """The outline about the axis at one depth, looked for up to ``reach`` mm from it."""
        begin, end, facing = self._cut(depth)
        if len(begin) == 0:
            return Section(0.0, np.inf, np.nan, np.nan, False)
        angle = PHASE + np.arange(LOOKS) * (2.0 * np.pi / LOOKS)
        way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        side = np.stack([-way[:, 1], way[:, 0]], axis=1)
        a, b = begin @ side.T, end @ side.T
        rise = a - b
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where((a * b <= 0.0) & (rise != 0.0), a / rise, np.nan)
            out = (begin @ way.T) * (1.0 - t) + (end @ way.T) * t
        out[~(out >= 0.0)] = np.inf
        first = out.argmin(axis=0)
        at = out[first, np.arange(LOOKS)]
        # Air on the axis's side of the surface: its normal points towards the axis.
        towards = (facing[first] * way).sum(axis=1) < 0.0
        met = at <= reach
        wall = met & towards
        share = float(wall.mean())
        filled = bool(met.any() and (met & ~towards).sum() > wall.sum())
        if not wall.any():
            return Section(0.0, np.inf, np.nan, np.nan, filled)
        rows = around(begin, end, facing, np.unique(first[wall]))
        nearest = float(distance(begin[rows], end[rows]).min())
        if share < 0.5:
            return Section(share, nearest, np.nan, np.nan, filled)
        radius, offset = circle(begin[rows], end[rows])
        return Section(share, nearest, radius, offset, filled)

    def _cut(self, depth: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Ends (n, 2) of the segments of a plane section, and the normals across the axis."""
        top, bottom = self._ends
        cut = np.flatnonzero((top < depth) & (bottom > depth))
        corner, height = self.corners[cut][:, :, :2], self.corners[cut][:, :, 2] - depth
        after, next_height = np.roll(corner, -1, axis=1), np.roll(height, -1, axis=1)
        crosses = (height > 0.0) != (next_height > 0.0)
        rows = np.arange(len(cut))
        one = crosses.argmax(axis=1)
        two = 2 - crosses[:, ::-1].argmax(axis=1)

        def at(side: IntArray) -> FloatArray:
            h, k = height[rows, side], next_height[rows, side]
            t = (h / (h - k))[:, None]
            place: FloatArray = corner[rows, side] * (1.0 - t) + after[rows, side] * t
            return place

        return at(one), at(two), self.facing[cut][:, :2]


def _over(flat: FloatArray, places: FloatArray) -> tuple[IntArray, IntArray]:
    """Numbers of rays and of triangles (n, 3, 2) whose rectangle holds the ray's place."""
    low, high = flat.min(axis=1), flat.max(axis=1)
    order = np.argsort(places[:, 0], kind="stable")
    at = places[order, 0]
    begin = np.searchsorted(at, low[:, 0], "left")
    count = np.searchsorted(at, high[:, 0], "right") - begin
    triangle = np.repeat(np.arange(len(flat)), count)
    # Positions begin, begin + 1 ... for each triangle in turn.
    step = np.arange(len(triangle)) - np.repeat(np.cumsum(count) - count, count)
    ray = order[np.repeat(begin, count) + step]
    y = places[ray, 1]
    held = (low[triangle, 1] <= y) & (high[triangle, 1] >= y)
    return ray[held], triangle[held]


def _gather(
    tree: TriangleTree, frame: FloatArray, radius: float, low: float, high: float
) -> IntArray:
    """Places (in the tree's order) of triangles that may come into a cylinder about the axis."""
    nodes = np.zeros(1, dtype=np.int64)
    leaves: list[IntArray] = []
    while len(nodes):
        nodes = nodes[_touch(tree.boxes[nodes].reshape(-1, 2, 3), frame, radius, low, high)]
        is_leaf = nodes >= tree.first_leaf
        leaves.append(nodes[is_leaf] - tree.first_leaf)
        inner = nodes[~is_leaf]
        nodes = np.concatenate([2 * inner + 1, 2 * inner + 2])
    found = np.sort(np.concatenate(leaves))
    places = (found[:, None] * tree.leaf + np.arange(tree.leaf)).ravel()
    places = places[places < len(tree)]
    corners = tree.triangles[places]
    boxes = np.stack([corners.min(axis=1), corners.max(axis=1)], axis=1)
    kept: IntArray = places[_touch(boxes, frame, radius, low, high)]
    return kept


def _touch(
    boxes: FloatArray, frame: FloatArray, radius: float, low: float, high: float
) -> NDArray[np.bool_]:
    """Which boxes (n, 2, 3) may come into the cylinder; empty boxes (low over high) do not."""
    full = boxes[:, 0, 0] <= boxes[:, 1, 0]
    with np.errstate(invalid="ignore"):
        middle = 0.5 * (boxes[:, 0] + boxes[:, 1]) - frame[0]
        half = 0.5 * (boxes[:, 1] - boxes[:, 0])
    middle, half = np.where(full[:, None], middle, 0.0), np.where(full[:, None], half, 0.0)
    pad = 1e-9 + 1e-12 * np.abs(middle).sum(axis=1)
    depth, deep = middle @ frame[3], half @ np.abs(frame[3]) + pad
    across = middle - depth[:, None] * frame[3]
    size = np.linalg.norm(across, axis=1)
    # The box's own half width along the way from the axis to its middle.
    reach = (np.abs(across) * half).sum(axis=1) / np.where(size > 0.0, size, 1.0) + pad
    reach = np.where(size > 0.0, reach, np.inf)
    near: NDArray[np.bool_] = (
        full & (depth - deep <= high) & (depth + deep >= low) & (size - reach <= radius)
    )
    return near

"""How deep one body reaches into another.

The depth of a point inside a solid is its distance to the solid's surface. The depth of an overlap
is the greatest depth of any point of either surface inside the other body. A body moved clear of
the other must carry each of its inside points out, so no shift shorter than the depth can part
the two; the shift needed may be longer.

The depth changes by no more than the distance between two points, so the depth at the middle of a
box or triangle bounds it everywhere inside. Boxes of the surface's own tree, then triangles, are
bounded, dropped or halved until nothing deeper can be left, or until the budget is spent: the
result is a depth that was found and one that cannot be exceeded (branch and bound on a Lipschitz
function, as in R. Horst and H. Tuy, Global Optimization, 1990; from memory of the book).

A flat piece lying in a facet of the other body would need to be halved without end by that bound
alone. So a second one is used: no point of a piece is deeper than its distance to the facet
nearest its middle, and as that distance is convex its greatest value is at a corner of the piece.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.finding import Point
from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray, as_point
from geomcheck.fit.foot import point_triangle
from geomcheck.fit.pieces import Piece
from geomcheck.mesh.query import point_distance
from geomcheck.mesh.tree import TriangleTree

#: Depths evaluated before the search stops and reports what it has.
BUDGET = 60_000
#: The same where surfaces are already shown to stay out of each other: a cross-check.
GLANCE = 4_000
#: The search also stops when nothing can be deeper by more than this share of what was found.
SHARE = 0.005
#: Triangles whose corners are looked at, too: the deepest point of a convex body is a corner.
CORNERS = 4096
#: Triangles looked at before the search begins.
SAMPLED = 512


@dataclass(frozen=True, slots=True)
class Depth:
    """Greatest depth of one surface inside a solid.

    Parameters
    ----------
    found : float
        Depth of ``point``, mm; 0 when no inside point was found.
    bound : float
        No point of the surface is deeper than this, mm; ``bound >= found``.
    point : Point or None
        The deepest point found, on the surface that reaches in.
    triangle : int
        The triangle of the reaching body it lies on; -1 without a point.
    nearest : Point or None
        The point of the solid's surface nearest to it.
    nearest_triangle : int
        The triangle of the solid ``nearest`` lies on.
    """

    found: float
    bound: float
    point: Point | None = None
    triangle: int = -1
    nearest: Point | None = None
    nearest_triangle: int = -1


def deepest(surface: Piece, solid: Body, floor: float, budget: int = BUDGET) -> Depth:
    """Greatest depth of a surface's points inside a solid.

    Parameters
    ----------
    surface : Piece
        May be empty.
    solid : Body
        Must be solid.
    floor : float
        Depths (mm) below this are of no interest: the search drops what cannot be deeper.
    budget : int
        Depths to evaluate before stopping.
    """
    if len(surface) == 0:
        return Depth(0.0, 0.0)
    search = _Search(solid, floor)
    pieces, rows = search.descend(surface.tree)
    left = search.halve(pieces, rows, budget)
    if search.best_row < 0:
        return Depth(0.0, max(floor, left))
    return Depth(
        search.found,
        max(search.target, left),
        as_point(search.best_point),
        int(surface.parent[search.best_row]),
        as_point(search.best_nearest),
        search.best_triangle,
    )


class _Search:
    """State of one branch and bound."""

    def __init__(self, solid: Body, floor: float) -> None:
        self.solid = solid
        self.floor = floor
        self.low, self.high = solid.bounds
        self.found = 0.0
        self.best_row = -1
        self.best_point: FloatArray = np.zeros(3)
        self.best_nearest: FloatArray = np.zeros(3)
        self.best_triangle = -1

    @property
    def target(self) -> float:
        """What cannot be deeper than this is dropped, mm."""
        return max(self.floor, self.found * (1.0 + SHARE))

    def look(self, points: FloatArray, rows: IntArray | None) -> tuple[FloatArray, IntArray]:
        """Signed depth of (k, 3) points, less than zero outside, and the facets nearest to them.

        With ``rows`` the points lie on the surface, on these of its triangles, and the deepest is
        remembered.
        """
        points = np.ascontiguousarray(points)
        hit = point_distance(self.solid.tree, points, np.inf)
        depth = np.where(self.solid.contains(points), hit.distance, -hit.distance)
        if rows is not None and len(points):
            best = int(np.argmax(depth))
            if depth[best] > max(self.found, self.floor):
                self.found = float(depth[best])
                self.best_row = int(rows[best])
                self.best_point = points[best].copy()
                self.best_nearest = hit.point[best].copy()
                self.best_triangle = int(hit.triangle[best])
        return depth, hit.triangle

    def descend(self, tree: TriangleTree) -> tuple[FloatArray, IntArray]:
        """Triangles of the surface left when boxes that hold nothing deep are dropped."""
        # A first depth, from triangles here and there, lets most boxes be dropped at once.
        some = np.unique(np.linspace(0, len(tree) - 1, SAMPLED).astype(np.int64))
        some = some[self._boxed(tree.triangles[some].min(axis=1), tree.triangles[some].max(axis=1))]
        self.look(tree.triangles[some].mean(axis=1), tree.order[some].astype(np.int64))
        nodes = np.array([0], dtype=np.int64)
        while len(nodes) and nodes[0] < tree.first_leaf:
            nodes = np.concatenate([2 * nodes + 1, 2 * nodes + 2])
            nodes = nodes[self._boxed(tree.boxes[nodes, :3], tree.boxes[nodes, 3:])]
            if len(nodes) < 16:
                continue
            middle = 0.5 * (tree.boxes[nodes, :3] + tree.boxes[nodes, 3:])
            radius = 0.5 * np.linalg.norm(tree.boxes[nodes, 3:] - tree.boxes[nodes, :3], axis=1)
            depth, _ = self.look(middle, None)
            nodes = nodes[depth + radius > self.target]
        leaves = nodes - tree.first_leaf
        place = (leaves[:, None] * tree.leaf + np.arange(tree.leaf)).ravel()
        place = place[place < len(tree)]
        corners = tree.triangles[place]
        meets = self._boxed(corners.min(axis=1), corners.max(axis=1))
        return np.ascontiguousarray(corners[meets]), tree.order[place[meets]].astype(np.int64)

    def _boxed(self, low: FloatArray, high: FloatArray) -> BoolArray:
        """Which boxes meet the solid's box."""
        # Empty slots of a tree have boxes turned inside out and fail the first comparison.
        meets: BoolArray = ((low <= high) & (low <= self.high) & (high >= self.low)).all(axis=1)
        return meets

    def halve(self, pieces: FloatArray, rows: IntArray, budget: int) -> float:
        """Bound pieces and halve those that may hold something deeper; the bound left over.

        Within a round the most promising pieces come first, so that a spent budget leaves the
        least bound it can.
        """
        # No inside point is deeper than half the solid's least size.
        upper = np.full(len(pieces), 0.5 * float((self.high - self.low).min()))
        left = 0.0
        first = True
        while len(pieces):
            if len(pieces) > budget:
                order = np.argsort(-upper, kind="stable")
                left = max(left, float(upper[order[budget:]].max(initial=0.0)))
                order = order[:budget]
                pieces, rows, upper = pieces[order], rows[order], upper[order]
            if len(pieces) == 0:
                break
            budget -= len(pieces)
            depth, nearest = self.look(pieces.mean(axis=1), rows)
            if first:
                first = False
                best = np.argsort(-depth, kind="stable")[:CORNERS]
                self.look(pieces[best].reshape(-1, 3), np.repeat(rows[best], 3))
            upper = np.minimum(self._upper(pieces, depth, nearest), upper)
            keep = upper > self.target
            pieces, rows, upper = _halves(pieces[keep], rows[keep], upper[keep])
        return left

    def _upper(self, pieces: FloatArray, depth: FloatArray, nearest: IntArray) -> FloatArray:
        radius = np.linalg.norm(pieces - pieces.mean(axis=1)[:, None], axis=2).max(axis=1)
        facets = self.solid.triangles[nearest]
        facing = np.stack(
            [point_triangle(pieces[:, corner], facets) for corner in range(3)], axis=1
        ).max(axis=1)
        return np.asarray(np.minimum(depth + radius, facing))


def _halves(
    pieces: FloatArray, rows: IntArray, upper: FloatArray
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Cut each (k, 3, 3) piece across its longest side."""
    sides = np.linalg.norm(pieces - np.roll(pieces, -1, axis=1), axis=2)
    first = np.argmax(sides, axis=1)
    number = np.arange(len(pieces))
    a = pieces[number, first]
    b = pieces[number, (first + 1) % 3]
    c = pieces[number, (first + 2) % 3]
    half = 0.5 * (a + b)
    cut = np.concatenate([np.stack([a, half, c], axis=1), np.stack([half, b, c], axis=1)])
    return cut, np.concatenate([rows, rows]), np.concatenate([upper, upper])

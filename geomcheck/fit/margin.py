"""How far the true gap at a place may be from the one between the meshes there.

The bounds are those of :mod:`geomcheck.fit.interval` and :mod:`geomcheck.fit.budget`, place by
place: nearer by the reach of the facet, the greatest reach of the other body's facets that are
near enough to matter, and the allowances of both; farther by no more than the farthest of the
two true points that lie over a point and over the facet nearest to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from geomcheck.fit.body import Body, FloatArray, IntArray
from geomcheck.fit.budget import Allowance, Combine
from geomcheck.fit.foot import point_triangle
from geomcheck.fit.interval import ROUNDS
from geomcheck.fit.pieces import Pairing

#: Cells up to this size (mm, middle to farthest corner) take the allowances of the other body at
#: the place, not the greatest on the facet there.
NEAR = 0.5


class Margin:
    """What the facets and the allowances of two bodies leave open about their gap.

    Parameters
    ----------
    a, b : Body
    pairing : Pairing
        What is measured.
    required : float
        Gap of interest, mm: the margins hold for places whose gap between the meshes is no more.
    on_a, on_b : sequence of Allowance
        One that both have (the same object) moves them together and is left out.
    combine : {"worst case", "root sum of squares"}
    """

    def __init__(
        self,
        a: Body,
        b: Body,
        pairing: Pairing,
        required: float,
        on_a: Sequence[Allowance] = (),
        on_b: Sequence[Allowance] = (),
        combine: Combine = "worst case",
    ) -> None:
        self.a, self.b = a, b
        self._adds = combine == "worst case"
        self._on_a = [x for x in on_a if not any(x is y for y in on_b)]
        self._on_b = [x for x in on_b if not any(x is y for y in on_a)]
        self._amount_a = self._by_triangle(self._on_a, a)
        self._amount_b = self._by_triangle(self._on_b, b)
        total_a = a.reach + self._amount_a
        total_b = b.reach + self._amount_b
        far_a, far_b = float(total_a.max()), float(total_b.max())
        near_b = np.ones(len(b.faces), dtype=bool)
        for _ in range(ROUNDS):
            if far_a + far_b == 0.0:
                break
            limit = (required + far_a + far_b) * (1.0 + 1e-9) + 1e-9
            near_a, near_b = pairing.near(a, b, limit)
            less_a = float(total_a[near_a].max(initial=0.0))
            less_b = float(total_b[near_b].max(initial=0.0))
            done = less_a + less_b > 0.99 * (far_a + far_b)
            far_a, far_b = less_a, less_b
            if done:
                break
        self._reach_b = float(b.reach[near_b].max(initial=0.0))
        self._greatest_b = float(self._amount_b[near_b].max(initial=0.0))
        #: Greatest of ``nearer`` over all of the first body, mm.
        self.greatest = float(self.nearer(np.arange(len(a.faces))).max())

    @property
    def none(self) -> bool:
        """The meshes are taken to be exact."""
        stand_off = max(self.a.sagitta.largest, self.b.sagitta.largest)
        return stand_off == 0.0 and not (self._on_a or self._on_b)

    def nearer(self, triangle: IntArray) -> FloatArray:
        """(k,) mm by which the true gap at these triangles of the first body may be smaller."""
        joined = self._join(self._amount_a[triangle], np.full(len(triangle), self._greatest_b))
        out: FloatArray = self.a.reach[triangle] + self._reach_b + joined
        return out

    def most(self, triangle: IntArray) -> FloatArray:
        """(k,) mm: no true point stands farther from where the meshes of both have it."""
        sagitta = self.a.sagitta
        own = np.maximum(sagitta.outward, sagitta.inward)[triangle]
        other = np.full(len(triangle), float(self._amount_b.max()))
        joined = self._join(self._amount_a[triangle], other)
        return np.asarray(own + self.b.sagitta.largest + joined)

    def farthest(
        self,
        corners: FloatArray,
        triangle: IntArray,
        opposite: IntArray,
        facet: FloatArray,
        foot: FloatArray,
        radius: FloatArray,
    ) -> FloatArray:
        """Upper bounds of the true gap of cells and of the points in their middles.

        Parameters
        ----------
        corners : (k, 3, 3) float
            Cells of the first body's facets, mm.
        triangle, opposite : (k,) int
            The triangle of the first body they lie in; one of the second near to them.
        facet : (k, 3, 3) float
            What is measured of ``opposite``: all of it, or a fragment.
        foot : (k, 3) float
            Points of ``facet`` nearest to the middles.
        radius : (k,) float
            No point of a cell is farther from its middle, mm.

        Returns
        -------
        (k, 2) float64
            For all points of the cell; for its middle.
        """
        normal_a = _normals(self.a.triangles[triangle])
        normal_b = _normals(self.b.triangles[opposite])
        points = np.concatenate([corners, corners.mean(axis=1)[:, None]], axis=1)
        shifts = []
        for body, rows in ((self.a, triangle), (self.b, opposite)):
            own = body.sagitta
            ends = (-own.inward[rows], own.outward[rows])
            shifts.append(ends if any(end.any() for end in ends) else ends[:1])
        worst = np.zeros((len(corners), 4))
        # The distance to a facet is convex, so it is greatest at a corner, and for extreme shifts.
        for shift_a, shift_b in product(*shifts):
            step = shift_a[:, None] * normal_a - shift_b[:, None] * normal_b
            for k in range(4):
                away = point_triangle(points[:, k] + step, facet)
                np.maximum(worst[:, k], away, out=worst[:, k])
        if self._on_a or self._on_b:
            worst[:, :3] += self._amounts(corners, foot, radius, opposite)[:, None]
            middles = points[:, 3:]
            worst[:, 3] += self._amounts(middles, foot, np.zeros(len(foot)), opposite)
        return np.stack([worst[:, :3].max(axis=1), worst[:, 3]], axis=1)

    def _amounts(
        self, points: FloatArray, foot: FloatArray, radius: FloatArray, opposite: IntArray
    ) -> FloatArray:
        """(n,) allowances of both bodies at (n, k, 3) points and near the feet of their middles."""
        count = len(foot)
        flat = points.reshape(-1, 3)
        mine = [x.amount(flat).reshape(count, -1).max(axis=1) for x in self._on_a]
        # The feet of a cell are no farther apart than its points; a large one takes all its facet.
        near = [x.amount(foot, NEAR) for x in self._on_b]
        theirs = np.where(
            radius <= NEAR, self._fold(near, count), self._amount_b[opposite] if near else 0.0
        )
        return self._join(self._fold(mine, count), theirs)

    def _by_triangle(self, allowances: list[Allowance], body: Body) -> FloatArray:
        """(m,) no less than the amount at any point of each triangle."""
        found = [x.amount(body.vertices)[body.faces].max(axis=1) for x in allowances]
        return self._fold(found, len(body.faces))

    def _fold(self, amounts: list[FloatArray], count: int) -> FloatArray:
        """The amounts of one body together, for so many places; zeros without any."""
        if not amounts:
            return np.zeros(count)
        stack = np.stack(amounts)
        return np.asarray(stack.sum(axis=0) if self._adds else np.sqrt((stack**2).sum(axis=0)))

    def _join(self, mine: FloatArray, theirs: FloatArray) -> FloatArray:
        """The amounts of both bodies together."""
        return np.asarray(mine + theirs if self._adds else np.hypot(mine, theirs))


def _normals(triangles: FloatArray) -> FloatArray:
    """(k, 3) unit normals; zero for a triangle without area."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1)
    return np.asarray(normal / np.where(length > 0.0, length, 1.0)[:, None])

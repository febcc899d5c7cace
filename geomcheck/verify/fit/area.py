"""How much of a surface is nearer to another part than required, by pieces small enough to tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.verify.fit.mated import cut, whole_flags
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import Bundles, candidates, nearest
from geomcheck.verify.plain.simple import FloatArray, IntArray, halves, to_triangles
from geomcheck.verify.scene import NotRechecked
from geomcheck.verify.witness import NEAR

#: mm from middle to corner below which a piece on the rim is not halved again.
SIZE = 0.3
#: Pieces, at most.
MANY = 400_000


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Pieces of a surface nearer than required, or on the rim of what is.

    Parameters
    ----------
    pieces : (k, 3, 3) float64
        mm.
    area : (k,) float64
        mm2.
    sure : (k,) bool
        All of it is nearer; else it lies across the rim.
    """

    pieces: FloatArray
    area: FloatArray
    sure: np.ndarray

    @property
    def least(self) -> float:
        """Area that is nearer for certain, mm2."""
        return float(self.area[self.sure].sum())

    @property
    def most(self) -> float:
        """The same with all of the rim, mm2."""
        return float(self.area.sum())

    def joined(self, slack: float) -> IntArray:
        """Number of the patch each piece belongs to; what is nearer than ``slack`` (mm) is one."""
        middle = self.pieces.mean(axis=1)
        radius = np.linalg.norm(self.pieces - middle[:, None], axis=2).max(axis=1)
        rows, cols = [], []
        size = float(radius.max(initial=0.0))
        # Class by class of size, each against all that are no larger.
        while size > 0.0:
            no_larger = np.flatnonzero(radius <= size)
            mine = no_larger[radius[no_larger] > 0.5 * size]
            if len(mine):
                near = cKDTree(middle[no_larger]).query_ball_point(
                    middle[mine], radius[mine] + size + slack
                )
                i = np.repeat(mine, [len(one) for one in near])
                j = no_larger[np.concatenate([np.asarray(one, dtype=np.int64) for one in near])]
                gap = np.linalg.norm(middle[i] - middle[j], axis=1)
                keep = gap <= radius[i] + radius[j] + slack
                rows.append(i[keep])
                cols.append(j[keep])
            size = size * 0.5 if (radius <= 0.5 * size).any() else 0.0
        none = np.zeros(0, dtype=np.int64)
        i, j = np.concatenate([*rows, none]), np.concatenate([*cols, none])
        graph = coo_array((np.ones(len(i)), (i, j)), shape=(len(middle), len(middle)))
        return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def patches(
    a: Body,
    b: Body,
    limit: float,
    regions: Sequence[tuple[FloatArray, FloatArray]],
    *,
    inside: bool,
) -> Patches:
    """Pieces of the first part that are nearer to the second than ``limit`` (mm).

    Parameters
    ----------
    a, b : Body
    limit : float
    regions : sequence of ((h, 4), (h, 4)) float
        What mates explain: left out.
    inside : bool
        The parts overlap: what lies in the second, if it is closed, is nearer.
    """
    kept = [_nothing()]
    for mine, other in _parts(a, b, limit, regions, inside):
        kept += _divided(mine, other, limit, b if inside and b.closed else None)
    pieces = np.concatenate([piece for piece, _ in kept])
    sure = np.concatenate([flag for _, flag in kept])
    across = np.cross(pieces[:, 1] - pieces[:, 0], pieces[:, 2] - pieces[:, 0])
    return Patches(pieces, 0.5 * np.linalg.norm(across, axis=1), sure)


def _nothing() -> tuple[FloatArray, np.ndarray]:
    return np.zeros((0, 3, 3)), np.zeros(0, dtype=bool)


def _parts(
    a: Body,
    b: Body,
    limit: float,
    regions: Sequence[tuple[FloatArray, FloatArray]],
    inside: bool,
) -> list[tuple[FloatArray, Bundles]]:
    """Triangles of the first that may count, with what of the second they count against."""
    rows: set[int] = set()
    cols: set[int] = set()
    for _, i, j in candidates(a.bundles, b.bundles, limit):
        rows.update(a.bundles.number[i].tolist())
        cols.update(b.bundles.number[j].tolist())
    if inside:
        low, high = b.bounds
        corners = a.triangles
        meets = (corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)
        rows.update(np.flatnonzero(meets.all(axis=1)).tolist())
    mine = np.array(sorted(rows), dtype=np.int64)
    if not len(mine):
        return []
    if not regions:
        return [(a.triangles[mine], b.bundles)]
    piece_a, flag_a = _cut_near(a, mine, [pair[0] for pair in regions])
    theirs = np.array(sorted(cols), dtype=np.int64)
    piece_b, flag_b = _cut_near(b, theirs, [pair[1] for pair in regions])
    found = []
    for flag in np.unique(flag_a):
        other = piece_b[(flag_b & flag) == 0]
        if len(other):
            found.append((piece_a[flag_a == flag], Bundles(other)))
    return found


def _cut_near(
    body: Body, rows: IntArray, regions: Sequence[FloatArray]
) -> tuple[FloatArray, IntArray]:
    """Triangles of a body, cut at regions where they lie across their planes."""
    triangles = body.triangles[rows]
    flags, across = whole_flags(triangles, regions)
    pieces, more = cut(triangles[across], regions)
    whole = ~across
    return np.concatenate([triangles[whole], pieces]), np.concatenate([flags[whole], more])


def _divided(
    pieces: FloatArray, other: Bundles, limit: float, solid: Body | None
) -> list[tuple[FloatArray, np.ndarray]]:
    """Pieces that are nearer and pieces across the rim, by halving."""
    found, count = [], 0
    place = _places(other)
    while len(pieces):
        count += len(pieces)
        if count > MANY:
            raise NotRechecked("its area would take too many pieces")
        middle = pieces.mean(axis=1)
        radius = np.linalg.norm(pieces - middle[:, None], axis=2).max(axis=1)
        away, facet, _ = nearest(middle, other)
        facets = other.triangles[place[facet]]
        farthest = np.max([to_triangles(pieces[:, k], facets) for k in range(3)], axis=0)
        # What lies at the limit itself, to rounding, is on the rim: it may count or not.
        sure = (farthest <= limit - NEAR) | (away + radius <= limit - NEAR)
        within = np.zeros(len(pieces), dtype=bool)
        if solid is not None:
            for row in np.flatnonzero(~sure):
                within[row] = solid.holds(middle[row])
            sure |= within & (away >= radius)
        out = ~sure & ~within & (away - radius > limit)
        found.append((pieces[sure], np.ones(int(sure.sum()), dtype=bool)))
        left = ~sure & ~out
        small = left & (radius <= SIZE)
        found.append((pieces[small], np.zeros(int(small.sum()), dtype=bool)))
        pieces = halves(pieces[left & ~small])
    return found


def _places(mesh: Bundles) -> IntArray:
    """Where each triangle, by its number, stands in the sorted order."""
    place = np.empty(len(mesh.number), dtype=np.int64)
    place[mesh.number] = np.arange(len(mesh.number))
    return place

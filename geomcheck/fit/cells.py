"""The part of a surface that is nearer to another body than required, cut into cells.

A cell is a piece of a facet. With the distance d of its middle to the other body and the radius r
about its middle that holds it, every point of it is at ``d - r`` to ``d + r``; and no point is
farther than the farthest corner from the facet nearest to its middle, since the distance to a
facet is convex. A cell that lies on both sides of the required gap by these bounds is halved
across its longest side until it does not, or until it is smaller than the resolution. So a zone in
the middle of a large facet is found, and a facet that is near all over is not cut at all.

What is not decided by the bounds when the cells are small is decided exactly: a cell counts as
touched by the zone if its least distance to the other body is less than required. No zone is
missed, then, however small; only how much of a touched cell is in it is left open, and the
interval of the area says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray
from geomcheck.fit.bounds import Look, look_at
from geomcheck.fit.front import Front
from geomcheck.fit.margin import Margin
from geomcheck.fit.pieces import Pairing, Piece
from geomcheck.mesh.query import near_masks, point_distance
from geomcheck.mesh.tree import TriangleTree, rounding

#: Cells are not halved any further once there are so many.
MANY = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells that are, or may be, nearer than required.

    Parameters
    ----------
    front : Front
    area : (k,) float64
        mm2.
    distance : (k,) float64
        Of the middle, mm; less than zero inside.
    foot : (k, 3) float64
        Nearest point of the other body.
    share : (k,) float64
        How much of the cell is under the required gap, 0 to 1, by the distances at its corners.
    touched : (k,) bool
        Some point of it is, between the meshes.
    sure : (k,) bool
        All of it is, whatever the facets and the allowances leave open.
    within : (k,) bool
        It lies inside the other body.
    mesh_edges : int
        Lines below this number are sides of the mesh's (or the pairing's) triangles.
    """

    front: Front
    area: FloatArray
    distance: FloatArray
    foot: FloatArray
    share: FloatArray
    touched: BoolArray
    sure: BoolArray
    within: BoolArray
    mesh_edges: int

    def __len__(self) -> int:
        return len(self.area)


def divide(
    a: Body,
    b: Body,
    pairing: Pairing,
    required: float,
    margin: Margin,
    *,
    resolution: float,
    overlap: bool,
) -> Cells:
    """Cells of the first body's surface that may be nearer to the second than required.

    Parameters
    ----------
    a, b : Body
    pairing : Pairing
        What is measured.
    required : float
        mm.
    margin : Margin
        Of the same bodies and the same gap.
    resolution : float
        Size (mm, middle to farthest corner) below which cells are not halved.
    overlap : bool
        The bodies overlap: points inside the second, if it is a solid, count as nearer than 0.
    """
    return _Division(a, b, pairing, required, margin, resolution, overlap and b.solid).cells()


class _Division:
    """One surface against one body."""

    def __init__(
        self,
        a: Body,
        b: Body,
        pairing: Pairing,
        required: float,
        margin: Margin,
        resolution: float,
        overlap: bool,
    ) -> None:
        self.a, self.b, self.pairing = a, b, pairing
        self.required, self.margin, self.resolution = required, margin, resolution
        self.overlap = overlap
        self.hair = max(1e-9, 4.0 * rounding(a.tree, b.tree))
        self.limit = required + margin.greatest

    def cells(self) -> Cells:
        """Halve until every cell is decided or small."""
        waiting = self._begin()
        lines = mesh_edges = int(waiting.line.max(initial=-1)) + 1
        done: list[tuple[Front, Look]] = []
        count = 0
        while len(waiting):
            look = look_at(waiting, self.pairing, self.required, self.margin)
            keep = look.low <= self.required + self.margin.nearer(waiting.parent)
            if self.overlap:
                keep |= self._free(waiting)
            waiting, look = waiting.take(keep), look.take(keep)
            split = self._open(waiting, look)
            if count + 2 * len(waiting) > MANY:
                split[:] = False
            done.append((waiting.take(~split), look.take(~split)))
            count += int((~split).sum())
            waiting = waiting.take(split).halves(lines)
            lines += len(waiting) // 2
        front = Front.join([f for f, _ in done] or [waiting])
        return self._judge(front, Look.join([x for _, x in done]), mesh_edges)

    # --- what to look at ----------------------------------------------------------------------

    def _begin(self) -> Front:
        """Triangles near the other body, or perhaps inside it."""
        corners: list[FloatArray] = [np.empty((0, 3, 3))]
        parent: list[IntArray] = [np.empty(0, dtype=np.int64)]
        block: list[IntArray] = [np.empty(0, dtype=np.int64)]
        low, high = self.b.bounds
        for number, (piece_a, piece_b) in enumerate(self.pairing.blocks):
            wanted = near_masks(piece_a.tree, piece_b.tree, self.limit + self.hair)[0]
            if self.overlap and self._whole(piece_a):
                boxed = (piece_a.triangles.min(axis=1) >= low) & (
                    piece_a.triangles.max(axis=1) <= high
                )
                wanted |= boxed.all(axis=1)
            corners.append(piece_a.triangles[wanted])
            parent.append(piece_a.parent[wanted])
            block.append(np.full(int(wanted.sum()), number, dtype=np.int64))
        return Front.of(np.concatenate(corners), np.concatenate(parent), np.concatenate(block))

    def _whole(self, piece: Piece) -> bool:
        """Whether nothing is left out for a piece: only then can it be inside the other body."""
        free = self.pairing.free_a.triangles
        return piece.triangles.shape == free.shape and bool((piece.triangles == free).all())

    def _free(self, front: Front) -> BoolArray:
        """Cells that may count as inside the other body."""
        number = [k for k, (piece, _) in enumerate(self.pairing.blocks) if self._whole(piece)]
        return np.isin(front.block, number)

    def _open(self, front: Front, look: Look) -> BoolArray:
        """Cells worth halving."""
        need = self.required
        farther = need + self.margin.nearer(front.parent)
        mesh = (look.high >= need) & (look.low < need)
        maybe = (look.high > farther) & (look.low <= farther)
        sure = (look.high < need) & (look.sure >= need)
        sure &= look.sure_middle - look.radius < need
        split = mesh | maybe | sure
        if self.overlap:
            split |= (look.low <= 0.0) & (look.high > self.hair) & (look.high >= need)
        small = look.radius <= self.resolution
        spent = (np.abs(front.end - front.begin) <= 1).any(axis=1)
        return np.asarray(split & ~small & ~spent)

    # --- what it says -------------------------------------------------------------------------

    def _judge(self, front: Front, look: Look, mesh_edges: int) -> Cells:
        need = self.required
        side = np.cross(
            front.corners[:, 1] - front.corners[:, 0], front.corners[:, 2] - front.corners[:, 0]
        )
        under = look.high < need
        sure = look.sure < need
        edge = np.flatnonzero(~under & (look.low < need))
        touched = under.copy()
        touched[edge] = self._reaches(front, edge, need)
        share = np.where(under, 1.0, 0.0)
        half = edge[touched[edge]]
        share[half] = self._share(front, half)
        within = np.zeros(len(front), dtype=bool)
        if self.overlap:
            rows = np.flatnonzero(self._free(front))
            middle = np.ascontiguousarray(front.corners[rows].mean(axis=1))
            # On the surface itself either answer would be rounding.
            off = look.distance[rows] > max(self.a.resolution, self.b.resolution)
            within[rows] = off & self.b.contains(middle)
            clear = within & (look.low > 0.0)
            touched |= within
            if need <= self.hair:
                touched[rows] |= self._enters(front.corners[rows])
            share = np.where(within, 1.0, share)
            sure |= clear & (look.low + need > self.margin.most(front.parent))
        farther = need + self.margin.nearer(front.parent)
        maybe = (look.low < farther) & ~(touched | within)
        some = np.flatnonzero(maybe & (look.high >= farther))
        maybe[some] = self._reaches(front, some, float(farther.max(initial=0.0)))
        keep = touched | within | maybe
        rows = np.flatnonzero(keep)
        return Cells(
            front.take(rows),
            0.5 * np.linalg.norm(side, axis=1)[rows],
            np.where(within, -look.distance, look.distance)[rows],
            look.foot[rows],
            share[rows],
            touched[rows],
            sure[rows],
            within[rows],
            mesh_edges,
        )

    def _reaches(self, front: Front, rows: IntArray, distance: float) -> BoolArray:
        """Whether the least distance of cells is less than ``distance``, exactly."""
        out = np.zeros(len(rows), dtype=bool)
        limit = distance - self.hair
        if limit <= 0.0:
            return out
        for number, (_, piece_b) in enumerate(self.pairing.blocks):
            here = np.flatnonzero(front.block[rows] == number)
            if len(here):
                tree = TriangleTree(front.corners[rows[here]])
                out[here] = near_masks(tree, piece_b.tree, limit)[0]
        return out

    def _enters(self, corners: FloatArray) -> BoolArray:
        """Whether a corner or the middle of a cell lies inside the other body."""
        points = np.concatenate([corners, corners.mean(axis=1)[:, None]], axis=1).reshape(-1, 3)
        away = point_distance(self.b.tree, points).distance
        found = self.b.contains(points) & (away > max(self.a.resolution, self.b.resolution))
        return np.asarray(found.reshape(-1, 4).any(axis=1))

    def _share(self, front: Front, rows: IntArray) -> FloatArray:
        """Part of each cell under the required gap, its distance taken as linear."""
        corners = np.ascontiguousarray(front.corners[rows].reshape(-1, 3))
        away = np.empty(len(corners))
        block = np.repeat(front.block[rows], 3)
        for number, (_, piece_b) in enumerate(self.pairing.blocks):
            here = block == number
            if here.any():
                away[here] = point_distance(piece_b.tree, corners[here]).distance
        return _below(away.reshape(-1, 3) - self.required)


def _below(values: FloatArray) -> FloatArray:
    """(k,) part of a triangle where a linear function with (k, 3) corner values is negative."""
    low, mid, high = np.sort(values, axis=1).T
    one = low**2 / np.where(low < 0.0, (mid - low) * (high - low), 1.0).clip(1e-300)
    two = 1.0 - high**2 / np.where(high > 0.0, (high - low) * (high - mid), 1.0).clip(1e-300)
    part = np.where(mid < 0.0, two, one)
    part = np.where(high <= 0.0, 1.0, np.where(low >= 0.0, 0.0, part))
    return np.asarray(np.clip(part, 0.0, 1.0))

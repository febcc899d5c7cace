"""Bounds of the distance of cells to the other body."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from geomcheck.fit.body import BoolArray, FloatArray, IntArray
from geomcheck.fit.foot import point_triangle
from geomcheck.fit.front import Front
from geomcheck.fit.margin import Margin
from geomcheck.fit.pieces import Pairing
from geomcheck.mesh.query import point_distance


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What is known of the distance of cells to the other body.

    Parameters
    ----------
    radius : (k,) float64
        No point of the cell is farther from its middle, mm.
    distance : (k,) float64
        Of the middle, mm, without a sign.
    low, high : (k,) float64
        No point of the cell is nearer, or farther, mm.
    sure, sure_middle : (k,) float64
        No true point over the cell, or over its middle, is farther, mm; see
        :meth:`geomcheck.fit.margin.Margin.farthest`.
    foot : (k, 3) float64
        Point of the other body nearest to the middle.
    facet : (k, 3, 3) float64
        The triangle, or fragment, that it lies on.
    opposite : (k,) int64
        The other body's triangle that this is of.
    """

    radius: FloatArray
    distance: FloatArray
    low: FloatArray
    high: FloatArray
    sure: FloatArray
    sure_middle: FloatArray
    foot: FloatArray
    facet: FloatArray
    opposite: IntArray

    @classmethod
    def empty(cls, count: int) -> Look:
        """Room for so many cells."""
        zero = np.zeros((6, count))
        return cls(
            zero[0],
            zero[1],
            zero[2],
            zero[3],
            zero[4],
            zero[5],
            np.zeros((count, 3)),
            np.zeros((count, 3, 3)),
            np.zeros(count, dtype=np.int64),
        )

    def take(self, rows: BoolArray) -> Look:
        """Some of the cells."""
        return Look(*(getattr(self, field.name)[rows] for field in fields(self)))

    @classmethod
    def join(cls, looks: list[Look]) -> Look:
        """All cells of several."""
        if not looks:
            return cls.empty(0)
        return cls(
            *(np.concatenate([getattr(x, field.name) for x in looks]) for field in fields(cls))
        )


def look_at(front: Front, pairing: Pairing, required: float, margin: Margin) -> Look:
    """Bounds of the distance of cells to what they are measured against.

    Parameters
    ----------
    front : Front
    pairing : Pairing
        Its blocks are those that ``front.block`` names.
    required : float
        mm; bounds with the margins are only exact where they are about as large.
    margin : Margin
    """
    middle = front.corners.mean(axis=1)
    radius = np.linalg.norm(front.corners - middle[:, None], axis=2).max(axis=1)
    look = Look.empty(len(front))
    look.radius[:] = radius
    for number, (_, piece_b) in enumerate(pairing.blocks):
        rows = np.flatnonzero(front.block == number)
        if len(rows) == 0:
            continue
        near = point_distance(piece_b.tree, middle[rows])
        look.distance[rows], look.foot[rows] = near.distance, near.point
        look.opposite[rows] = piece_b.parent[near.triangle]
        look.facet[rows] = piece_b.triangles[near.triangle]
    look.low[:] = np.maximum(0.0, look.distance - radius)
    look.high[:] = look.distance + radius
    look.sure_middle[:] = look.distance
    most = margin.most(front.parent)
    # Where the plain bounds and the greatest stand-off decide, no closer ones are needed.
    ask = np.flatnonzero(look.high + most >= required)
    high = np.zeros(len(ask))
    for corner in range(3):
        away = point_triangle(front.corners[ask, corner], look.facet[ask])
        np.maximum(high, away, out=high)
    look.high[ask] = np.minimum(look.high[ask], high)
    look.sure[:] = look.high + most
    ask = np.flatnonzero(look.sure >= required)
    look.sure[ask] = look.high[ask]
    ask = ask[look.high[ask] < required]
    if not margin.none:
        bounds = margin.farthest(
            front.corners[ask],
            front.parent[ask],
            look.opposite[ask],
            look.facet[ask],
            look.foot[ask],
            radius[ask],
        )
        look.sure[ask], look.sure_middle[ask] = bounds.T
    return look

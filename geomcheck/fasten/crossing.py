"""Holes where they cross a plane: that of a joint, or of a bolt's seat."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from geomcheck.fasten.holes import Bore, Hole
from geomcheck.finding import Point

#: A hole is meant where it stands square to the plane within this, degrees.
MEANT = 10.0


@dataclass(frozen=True)
class Placed:
    """A hole where it crosses a plane.

    Parameters
    ----------
    hole : Hole
    bore : Bore
        The one at the plane, or next to it; of two that meet there the narrower.
    point : Point
        Where its axis crosses the plane, mm.
    """

    hole: Hole
    bore: Bore
    point: Point

    @property
    def wall(self) -> tuple[Point, Point]:
        """The axis of the bore from end to end."""
        return self.hole.point(self.bore.top), self.hole.point(self.bore.bottom)


def holes_crossing(
    holes: Iterable[Hole], at: Point, normal: Point, *, within: float, reach: float
) -> list[Placed]:
    """Holes that cross a plane, or end near it.

    Parameters
    ----------
    holes : iterable of Hole
    at, normal : Point
        Of the plane, mm; unit normal.
    within : float
        Greatest distance from ``at`` to where a hole's axis crosses the plane, mm.
    reach : float
        How far from the plane its mouth or end may lie, mm.
    """
    origin, square = np.asarray(at), np.asarray(normal)
    found = []
    for hole in holes:
        axis = np.asarray(hole.axis)
        slope = float(axis @ square)
        if abs(slope) < math.cos(math.radians(MEANT)):
            continue
        # Depth below the mouth at which the axis crosses the plane.
        depth = float((np.asarray(hole.at) - origin) @ square) / slope
        if not -reach <= depth <= hole.depth + reach:
            continue
        point = np.asarray(hole.at) - depth * axis
        if float(np.linalg.norm(point - origin)) > within:
            continue
        bore = min(
            hole.bores,
            key=lambda b: (round(max(b.top - depth, depth - b.bottom, 0.0), 3), b.radius),
        )
        found.append(Placed(hole, bore, (float(point[0]), float(point[1]), float(point[2]))))
    return found

"""A screw in its place, and the frame its questions are asked in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.standards import Screw, clearance_hole, screw

FloatArray: TypeAlias = NDArray[np.float64]

#: Clearance hole over thread diameter for sizes ISO 273 does not have (common practice, no
#: source; the medium holes of ISO 273 run from 1.10 to 1.13).
HOLE_RATIO = 1.12
#: Least bearing diameter over head diameter where the table has none (the rows of ISO 4762 run
#: from 0.90 to 0.95), and over across flats for hexagon heads (ISO 4014: 0.84 to 0.92).
BEARING_RATIO = 0.9
BEARING_RATIO_HEXAGON = 0.84


@dataclass(frozen=True)
class Fastener:
    """A screw in its place.

    Parameters
    ----------
    name : str
    at : Point
        Centre of the seat under the head (under the washer, where there is one), mm.
    axis : Point
        Unit vector out of the seat, towards the tool.
    screw : Screw
        Row of the table.
    length : float
        Nominal length, mm.
    washer : float
        Thickness under the head, mm.
    """

    name: str
    at: Point
    axis: Point
    screw: Screw
    length: float
    washer: float = 0.0

    @classmethod
    def of(
        cls,
        head: str,
        size: str,
        at: Sequence[float],
        axis: Sequence[float],
        *,
        length: float,
        washer: float = 0.0,
        name: str = "",
    ) -> Fastener:
        """A fastener from the table of screws.

        Parameters
        ----------
        head, size : str
            As in the table: ``ISO 4762``, ``M8``.
        at, axis : (3,) float
            See the class; the axis need not have unit length.
        length, washer : float
            mm.

        Raises
        ------
        InputError
            The head or size is not in the table, or the axis is zero or not finite.
        """
        place = [float(x) for x in at]
        way = [float(x) for x in axis]
        if len(place) != 3 or len(way) != 3 or not all(map(math.isfinite, place + way)):
            raise InputError("a fastener needs a seat point and an axis of three finite numbers")
        size_of = math.sqrt(math.fsum(x * x for x in way))
        if size_of < 1e-9:
            raise InputError("a fastener's axis must not be zero")
        unit = (way[0] / size_of, way[1] / size_of, way[2] / size_of)
        row = screw(head, size)
        return cls(
            name or f"{size} {head}", (place[0], place[1], place[2]), unit, row, length, washer
        )

    @property
    def head_radius(self) -> float:
        """Greatest radius of the head, mm."""
        return self.screw.head_diameter / 2.0

    @property
    def bearing_radius(self) -> float:
        """Radius within which the head surely bears on its seat, mm."""
        row = self.screw
        if row.bearing_diameter is not None:
            return row.bearing_diameter / 2.0
        if row.drive == "hexagon" and row.flange_edge is None:
            return BEARING_RATIO_HEXAGON * row.across_flats / 2.0
        return BEARING_RATIO * row.head_diameter / 2.0

    @property
    def hole_radius(self) -> float:
        """Radius of the clearance hole, medium fit, mm."""
        row = self.screw
        try:
            return clearance_hole(row.size).diameter / 2.0
        except InputError:
            return HOLE_RATIO * row.thread_diameter / 2.0

    @property
    def head_top(self) -> float:
        """Top of the head above the seat, mm."""
        return self.washer + self.screw.head_height

    @property
    def rest(self) -> float:
        """Where a tool rests above the seat, mm.

        A socket for a hexagon head goes over it, down to the washer or the seat, or to the edge
        of the flange. A key or bit for a hexagon socket counts from the top of the head.
        """
        if self.screw.drive == "hexagon":
            return self.washer + (self.screw.flange_edge or 0.0)
        return self.head_top

    def frame(self, height: float = 0.0) -> FloatArray:
        """(4, 3) origin and unit axes u, v, w; the origin ``height`` mm up the axis."""
        w = np.array(self.axis)
        helper = np.zeros(3)
        helper[int(np.argmin(np.abs(w)))] = 1.0
        u = np.cross(helper, w)
        u /= math.sqrt(float(u @ u))
        return np.stack([np.array(self.at) + height * w, u, np.cross(w, u), w])

    def point(self, height: float) -> Point:
        """The point of the axis ``height`` mm above the seat."""
        x, y, z = (p + height * a for p, a in zip(self.at, self.axis, strict=True))
        return (x, y, z)

    def height_of(self, point: Point) -> float:
        """Height of a point above the seat, along the axis, mm."""
        return math.fsum((p - a) * w for p, a, w in zip(point, self.at, self.axis, strict=True))

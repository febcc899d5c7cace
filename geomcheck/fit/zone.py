"""A patch of surface under its required gap; see :mod:`geomcheck.fit.zones`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geomcheck.finding import Point, Quantity
from geomcheck.fit import words
from geomcheck.fit.body import FloatArray

#: Directions that spread by more than this (degrees) are no one direction.
WIDE = 45.0
#: Zones named in a sentence.
NAMED = 4


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """A connected patch under the required gap.

    Parameters
    ----------
    area : Quantity
        mm2.
    gap : float
        Least gap in it, mm; less than zero inside the other body.
    lack : float
        Required gap less the least: the depth to take off, mm.
    certain : bool
        Between the meshes some of it is nearer than required. Else it only may be, by what the
        facets and the allowances leave open; ``gap`` is then no less than required.
    point_a, point_b : Point
        Witness points of ``gap``, on the zone and on the other body, mm.
    triangle_a, triangle_b : int
        The triangles they lie on.
    place : Point
        Point of the zone nearest to its centroid, mm.
    direction : Point or None
        Unit vector along which to move the wall; None where directions cancel out.
    spread : float
        Root mean square angle between ``direction`` and that of the cells, by area, degrees;
        0 where it is that of the deepest point of an overlap.
    far_side : bool
        The other body is near through the wall itself: the zone lies on the back of a wall that
        is thin against the gap.
    size : (float, float, float)
        Of the zone's bounding box, mm.
    corners : (k, 3, 3) float64
        Its cells, mm.
    """

    area: Quantity
    gap: float
    lack: float
    certain: bool
    point_a: Point
    point_b: Point
    triangle_a: int
    triangle_b: int
    place: Point
    direction: Point | None
    spread: float
    far_side: bool
    size: Point
    corners: FloatArray

    def row(self, nearest: str, required: float) -> dict[str, Any]:
        """Its numbers as plain values, for a table.

        Parameters
        ----------
        nearest : str
            Name of the part it is too near to.
        required : float
            mm.
        """
        return {
            "place": list(self.place),
            "least_gap": self.gap,
            "depth": max(0.0, self.lack),
            "direction": None if self.direction is None else list(self.direction),
            "spread": self.spread,
            "far_side": self.far_side,
            "area": self.area.value,
            "area_low": self.area.low,
            "area_high": self.area.high,
            "size": list(self.size),
            "certain": self.certain,
            "nearest": nearest,
            "required": required,
        }

    def said_area(self) -> str:
        """``310 mm2``; ``up to 310 mm2`` where it only may be too near."""
        size = self.area.value if self.certain else self.area.high
        text = f"{size:.0f} mm2" if size >= 10.0 else f"{size:.2f} mm2"
        return text if self.certain else f"up to {text}"

    def said_direction(self) -> str:
        """``along -z``, or ``along its own normal`` where the zone has no one direction."""
        if self.direction is None or self.spread > WIDE:
            return "along its own normal"
        return f"along {words.direction(self.direction)}"


@dataclass(frozen=True, slots=True, eq=False)
class Zones:
    """All zones of one surface against one body.

    Parameters
    ----------
    area : Quantity
        Of all that is under the required gap, mm2.
    zones : tuple of Zone
        Least gap first.
    notes : tuple of str
        What a reader should know.
    """

    area: Quantity
    zones: tuple[Zone, ...]
    notes: tuple[str, ...] = ()

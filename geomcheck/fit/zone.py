"""A patch of surface under its required gap; see :mod:`geomcheck.fit.zones`."""

from __future__ import annotations

from dataclasses import dataclass

from geomcheck.finding import Point, Quantity
from geomcheck.fit.body import FloatArray


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
        Greatest angle between ``direction`` and that of any cell, degrees.
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
    size: Point
    corners: FloatArray


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

"""What stands where a part changed: the screw, joint, duct or connector of the project nearest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.mesh.deviation_regions import Region
from geomcheck.mesh.part import Part
from geomcheck.mesh.query import first_hit, point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import screw

FloatArray: TypeAlias = NDArray[np.float64]
What: TypeAlias = Literal["screw", "joint", "duct", "connector", "service point"]

#: How far a thing of the project may be from a region's box to give it its name, mm.
_NEAR = 4.0
#: The same of a joint, whose point is any one of its face.
_JOINT = 12.0
#: How far a duct's path may be from a region that is seen from it, mm.
_SEEN = 90.0
#: Share of a region that must be seen from it.
_SHARE = 0.4
#: What a region's box is widened by before a point is looked for in it, mm.
_EDGE = 0.1
#: Points of a path are no farther apart, mm.
_STEP = 2.0
#: A face looks along a screw's axis if it is this near to it (cosine).
_ALONG = 0.99


@dataclass(frozen=True)
class Place:
    """A thing of the project near a region.

    Parameters
    ----------
    what : str
        ``screw``, ``joint``, ``duct``, ``connector``, ``service point``.
    name : str
    seat : bool
        Whether it is the seat of a screw that moved: the region holds it and looks along its axis.
    along : float or None
        Of a duct: mm along its path.
    """

    what: What
    name: str
    seat: bool = False
    along: float | None = None

    @property
    def words(self) -> str:
        """Such as ``boss at screw "M5"``."""
        if self.what == "duct":
            return f'wall of duct "{self.name}", {self.along:.1f} mm along its path'
        if self.seat:
            return f'boss at screw "{self.name}"'
        return f'{self.what} "{self.name}"'


def place_of(region: Region, part: Part, assemblies: tuple[Assembly, ...]) -> Place | None:
    """What gives a region its name; None where nothing of the project is near.

    Parameters
    ----------
    region : Region
    part : Part
        As it is now.
    assemblies : tuple of Assembly
        Of the earlier and the later revision: what was there counts as well as what is.
    """
    found: list[tuple[float, int, Place]] = []
    for assembly in assemblies:
        things = _things(region, part, assemblies[0].parts.get(part.name), assembly)
        for order, (gap, place) in enumerate(things):
            found.append((round(gap, 6) - (100.0 if place.seat else 0.0), order, place))
    if not found:
        return None
    return min(found, key=lambda entry: entry[:2])[2]


def _things(
    region: Region, part: Part, before: Part | None, assembly: Assembly
) -> Iterator[tuple[float, Place]]:
    for _, entry in assembly.fasteners:
        if part.name not in (entry.part, entry.into):
            continue
        gap = _from_box(region, np.array(entry.at))
        shaft = (
            np.array(entry.at) - np.array(entry.axis) * np.linspace(0.0, entry.length, 9)[:, None]
        )
        # The hole below counts, too, but the seat before it.
        below = min(_from_box(region, point) for point in shaft) + 1.0
        if min(gap, below) <= _NEAR + _head(entry):
            seat = gap <= 1.0 and _looks_along(region, np.array(entry.axis))
            yield min(gap, below), Place("screw", entry.name, seat)
    for _, mate in assembly.mates:
        gap = _from_box(region, np.array(mate.at))
        if part.name in mate.parts and gap <= _JOINT:
            yield gap + 1.0, Place("joint", mate.name)
    for what, entries in (("connector", assembly.connectors), ("service point", assembly.services)):
        for _, thing in entries:
            at = getattr(thing, "at", None)
            if at is not None and (gap := _from_box(region, np.array(at))) <= _NEAR:
                yield gap + 2.0, Place(what, thing.name)  # type: ignore[arg-type]
    for _, duct in assembly.ducts:
        if part.name in duct.walls and len(duct.path) > 1:
            along = _seen_from(region, part, before, np.array(duct.path))
            if along is not None:
                # What is seen from the path is the duct's wall, whatever else passes by.
                yield -1.0, Place("duct", duct.name, along=along)


def _head(entry: FastenerEntry) -> float:
    """Half the width of a screw's head, mm; 0 where the table does not have it."""
    try:
        return 0.5 * screw(entry.head, entry.size).head_diameter
    except InputError:
        return 0.0


def _looks_along(region: Region, axis: FloatArray) -> bool:
    if region.shift is None:
        return False
    length = float(np.linalg.norm(region.shift))
    return length > 0.0 and abs(float(region.shift @ axis)) >= _ALONG * length


def _from_box(region: Region, point: FloatArray) -> float:
    """Distance of a point from a region's box, mm."""
    return float(np.linalg.norm(np.maximum(np.maximum(region.low - point, point - region.high), 0)))


def _seen_from(region: Region, part: Part, before: Part | None, path: FloatArray) -> float | None:
    """Where along a path the region is seen from, mm; None where the part's own wall is before.

    What stands before it may be the region itself: surface that is off the earlier revision.
    """
    spots = region.spots[1] if len(region.spots[1]) else region.spots[0]
    if not len(spots) or before is None:
        return None
    lengths, path = _dense(path)
    far = np.linalg.norm(spots[:, None, :] - path[None], axis=2)
    near = far.argmin(axis=1)
    reach = far[np.arange(len(spots)), near]
    asked = (reach > 1e-6) & (reach <= _SEEN)
    if not asked.any():
        return None
    origins, reach = path[near[asked]], reach[asked]
    way = (spots[asked] - origins) / reach[:, None]
    hit, _ = first_hit(part.tree, origins, way)
    seen = hit >= reach
    met = np.flatnonzero(~seen)
    if len(met):
        there = origins[met] + hit[met][:, None] * way[met]
        mine = ((there >= region.low - _EDGE) & (there <= region.high + _EDGE)).all(axis=1)
        seen[met] = mine & (point_distance(before.tree, there, region.band).triangle < 0)
    if seen.sum() < _SHARE * len(spots):
        return None
    return float(np.median(lengths[near[asked][seen]]))


def _dense(path: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lengths along a path and points on it, no farther apart than ``_STEP`` mm."""
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0.0, lengths[-1], 2 + int(lengths[-1] / _STEP))
    points = np.stack([np.interp(at, lengths, path[:, k]) for k in range(3)], axis=1)
    return at, points

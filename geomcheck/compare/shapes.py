"""How the parts themselves changed: which places moved, what was added and removed, the mass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from geomcheck.compare.changes import Change, Comparison, Kind
from geomcheck.compare.places import Place, place_of
from geomcheck.finding import Quantity, Term
from geomcheck.mesh.deviation_change import ShapeChange, same_shape, shape_change
from geomcheck.mesh.deviation_regions import Region, volume_quantity
from geomcheck.mesh.deviation_volume import volume_of
from geomcheck.mesh.part import Part
from geomcheck.mesh.placement import apply
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PartEntry
from geomcheck.standards.densities import density

How: TypeAlias = Literal["changed", "new", "gone"]

#: A witness this near to a region's box was measured there, mm.
_THERE = 0.5


@dataclass(frozen=True, eq=False)
class Moved:
    """A region with its name, and what was measured there.

    Parameters
    ----------
    region : Region
    place : Place or None
    changes : tuple of Change
        Findings that changed and have a witness on this part in the region, worst first.
    """

    region: Region
    place: Place | None
    changes: tuple[Change, ...]


@dataclass(frozen=True, eq=False)
class PartChange:
    """How one part changed.

    Parameters
    ----------
    name : str
    vehicles : tuple of str
        In which it changed so.
    how : {"changed", "new", "gone"}
    old, new : Part or None
    shape : ShapeChange or None
        Where it is in both.
    moved : tuple of Moved
        Its regions.
    material : str
        What the mass rests on; empty where neither material nor density is given.
    masses : (Quantity or None, Quantity or None, Quantity or None)
        Then, now, and the change of it, g.
    """

    name: str
    vehicles: tuple[str, ...]
    how: How
    old: Part | None
    new: Part | None
    shape: ShapeChange | None
    moved: tuple[Moved, ...]
    material: str
    masses: tuple[Quantity | None, Quantity | None, Quantity | None]


def part_changes(
    comparison: Comparison, old: Mapping[str, Assembly], new: Mapping[str, Assembly]
) -> tuple[PartChange, ...]:
    """Parts of the vehicles both revisions have that are not the same to the last bit.

    Parameters
    ----------
    comparison : Comparison
    old, new : mapping of str to Assembly
        By vehicle.
    """
    found: list[PartChange] = []
    for vehicle in new:
        if vehicle not in old:
            continue
        before, after = old[vehicle], new[vehicle]
        for name in dict.fromkeys([*after.parts, *before.parts]):
            was, now = before.parts.get(name), after.parts.get(name)
            if was is not None and now is not None and (was is now or same_shape(was, now)):
                continue
            known = next((k for k, c in enumerate(found) if _alike(c, name, was, now)), None)
            if known is not None:
                # One part of several vehicles: what was measured there is told of all of them.
                found[known] = _also(found[known], vehicle, comparison)
                continue
            found.append(_part_change(comparison, vehicle, name, before, after))
    found.sort(key=lambda c: (c.how != "changed", c.new is not None and c.new.role != "housing"))
    return tuple(found)


def _alike(known: PartChange, name: str, was: Part | None, now: Part | None) -> bool:
    if known.name != name:
        return False
    pairs = ((known.old, was), (known.new, now))
    return all(a is b or (a is not None and b is not None and same_shape(a, b)) for a, b in pairs)


def _also(known: PartChange, vehicle: str, comparison: Comparison) -> PartChange:
    moved = tuple(
        Moved(
            m.region,
            m.place,
            (*m.changes, *_measured_there(comparison, vehicle, known.name, m.region)),
        )
        for m in known.moved
    )
    return PartChange(
        known.name,
        (*known.vehicles, vehicle),
        known.how,
        known.old,
        known.new,
        known.shape,
        moved,
        known.material,
        known.masses,
    )


def _part_change(
    comparison: Comparison, vehicle: str, name: str, before: Assembly, after: Assembly
) -> PartChange:
    was, now = before.parts.get(name), after.parts.get(name)
    if was is None or now is None:
        how: How = "new" if was is None else "gone"
        return PartChange(name, (vehicle,), how, was, now, None, (), "", (None, None, None))
    shape = shape_change(was, now)
    moved = tuple(
        Moved(
            region,
            place_of(region, now, (before, after)),
            _measured_there(comparison, vehicle, name, region),
        )
        for region in shape.regions
    )
    entry = after.part_entries[name]
    material, masses = _masses(entry, was, now, shape)
    return PartChange(name, (vehicle,), "changed", was, now, shape, moved, material, masses)


def _measured_there(
    comparison: Comparison, vehicle: str, part: str, region: Region
) -> tuple[Change, ...]:
    """Findings that changed and were measured on the part in the region, then or now."""
    found = []
    for change in comparison.changes:
        if change.kind in (Kind.SAME, Kind.UNCLEAR) or change.finding.vehicle != vehicle:
            continue
        points = [
            witness.point
            for finding in (change.old, change.new)
            if finding is not None
            for witness in finding.witnesses
            if witness.part == part
        ]
        at = np.array(points).reshape(-1, 3)
        near = (at >= region.low - _THERE) & (at <= region.high + _THERE)
        if near.all(axis=1).any():
            found.append(change)
    return tuple(found)


def _masses(
    entry: PartEntry, old: Part, new: Part, shape: ShapeChange
) -> tuple[str, tuple[Quantity | None, Quantity | None, Quantity | None]]:
    """Mass then, now and its change (g), and what they rest on."""
    none = (None, None, None)
    if entry.density is not None:
        low = high = entry.density
        source = f"{entry.density:g} g/cm3 as given"
    elif entry.material is not None:
        row = density(entry.material)
        low, high = row.low, row.high
        band = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        source = f"{entry.material}, {band} g/cm3 ({row.source})"
    else:
        return "", none
    if shape.volume is None:
        return f"{source}; no mass, since a mesh does not close", none
    volumes = [volume_quantity("volume", volume_of(part), _skin(part)) for part in (old, new)]
    was, now = (_mass("mass", volume, low, high) for volume in volumes)
    return source, (was, now, _mass("change of mass", shape.volume, low, high))


def _skin(part: Part) -> float:
    """What the facets may hide or add, mm3: area times the stand-off on the worse side."""
    corners = part.triangles
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * np.linalg.norm(normal, axis=1)
    return float((area * np.maximum(part.sagitta.outward, part.sagitta.inward)).sum())


def _mass(name: str, volume: Quantity, low: float, high: float) -> Quantity:
    """Grams from mm3 and g/cm3."""
    value = volume.value * 0.5 * (low + high) * 1e-3
    ends = [1e-3 * v * d for v in (volume.low, volume.high) for d in (low, high)]
    least, most = min(value, *ends), max(value, *ends)
    term = Term("density and chord error", value - least, most - value, "ranges of both")
    return Quantity.from_terms(name, value, "g", (term,))


def turned_by(shape: ShapeChange) -> tuple[float, float]:
    """How far a part that moved as a whole went at its middle (mm), and how far it turned (deg)."""
    assert shape.motion is not None
    cosine = 0.5 * (float(np.trace(shape.motion[:3, :3])) - 1.0)
    middle = 0.5 * (shape.forward.at + shape.back.at)
    went = float(np.linalg.norm(apply(shape.motion, middle[None, :])[0] - middle))
    return went, float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))

"""Faults of joints: a mating face sunk, a port moved in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from geomcheck.errors import CannotDecide
from geomcheck.fit.body import Body
from geomcheck.fit.mate import Mate, check_mate
from geomcheck.fit.ports import measure_ports
from geomcheck.mesh.part import Part
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MateEntry
from geomcheck.prove import shift
from geomcheck.prove.faults import Fault, Kind, altering
from geomcheck.prove.field import Field, place
from geomcheck.prove.walls import HEIGHT, REGION, grow

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: How far a port is moved, mm, and to which depth its wall goes with it.
MOVE, DEPTH = 1.0, 10.0
#: A hole in a face narrower than this is none for the flow, mm across.
PORT = 15.0


def _mates(field: Field) -> Iterator[tuple[MateEntry, tuple[str, ...], Part, Mate]]:
    """The mates that are found in the meshes, each once, with the vehicles they are in."""
    seen: dict[str, tuple[str, ...]] = {}
    for name, assembly in field.assemblies.items():
        for _, entry in assembly.mates:
            seen[entry.name] = (*seen.get(entry.name, ()), name)
    for name, where in seen.items():
        assembly = field.assemblies[where[0]]
        entry = next(one for _, one in assembly.mates if one.name == name)
        if not all(part in assembly.parts for part in entry.parts):
            continue
        first, second = (assembly.parts[part] for part in entry.parts)
        # A part that all vehicles have carries its fault into all of them.
        here = where if first.role == "neighbour" else tuple(field.assemblies)
        try:
            found = check_mate(
                Body.of(first),
                Body.of(second),
                entry.at,
                entry.normal,
                gasket=entry.gasket,
                tolerance=entry.tolerance,
            )
        except CannotDecide:
            continue
        if found.holds:
            yield entry, here, first, found


def sunk(field: Field) -> Iterator[Fault]:
    """At a place of the joint, on the first part's face."""
    for entry, where, part, mate in _mates(field):
        corners = part.triangles[mate.face_a.triangles]
        area = np.linalg.norm(
            np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
        )
        for _ in range(20):
            which = int(field.chance.choice(len(corners), p=area / area.sum()))
            at = corners[which].mean(axis=0)
            flat = (at - mate.frame.origin) @ mate.frame.axes.T
            if shapely.contains_xy(mate.footprint, *flat):
                words = f', in the face of mate "{entry.name}"'
                fault = grow(Kind.SUNK, part, where, at, -HEIGHT, REGION, words)
                yield replace(fault, facts=fault.facts | {"mate": entry.name})
                break


def ports(field: Field) -> Iterator[Fault]:
    """Sideways, with the wall behind its edge."""
    for entry, where, part, mate in _mates(field):
        asked = [
            np.array(port.at)
            for name in where
            for _, port in field.assemblies[name].port_joints
            if port.mate == entry.name
        ]
        ring = port_edge(part, mate, asked[0] if asked else None)
        if ring is None:
            continue
        inner = _inner(part, ring, mate)
        if not asked and not _goes_on(field, entry, where, mate, inner):
            continue
        normal = np.asarray(mate.face_a.normal)
        across = np.cross(normal, field.chance.normal(size=3))
        move = MOVE * across / np.linalg.norm(across)
        middle = part.vertices[ring].mean(axis=0)
        yield Fault(
            Kind.PORT,
            part.name,
            f'{part.name} with its port at {place(middle)}, in mate "{entry.name}", {MOVE:.2f} mm '
            f"off towards {place(move / MOVE)}",
            where,
            _moving(part.name, ring, normal, move),
            part.name,
            {
                "at": tuple(map(float, middle)),
                "mate": entry.name,
                "asked": bool(asked),
                "middle": inner,
                "vehicle": entry.vehicle,
            },
        )


def _goes_on(
    field: Field, entry: MateEntry, where: tuple[str, ...], mate: Mate, at: tuple[float, ...]
) -> bool:
    """Whether an opening of the first part's face goes on in the second part."""
    parts = next(
        assembly.parts
        for name, assembly in field.assemblies.items()
        if name in where and all(part in assembly.parts for part in entry.parts)
    )
    first, second = (Body.of(parts[name]) for name in entry.parts)
    try:
        measure_ports(first, second, mate, (at[0], at[1], at[2]))
    except CannotDecide:
        return False
    return True


def _inner(part: Part, ring: IntArray, mate: Mate) -> tuple[float, ...]:
    """A point well inside a port, in the plane of its face."""
    flat = (part.vertices[ring] - mate.frame.origin) @ mate.frame.axes.T
    at = shapely.get_coordinates(shapely.Polygon(flat).representative_point())
    return tuple(map(float, mate.frame.point(at, np.zeros(1))[0]))


def _moving(
    name: str, ring: IntArray, normal: FloatArray, move: FloatArray
) -> Callable[[Assembly], Assembly]:
    def alter(part: Part) -> Part:
        wall, down = shift.mouth(part, ring, normal, DEPTH)
        share = np.where(wall, np.clip(1.0 - down / DEPTH, 0.0, 1.0), 0.0)
        return shift.moved(part, share, move)

    return altering(name, alter)


def port_edge(part: Part, mate: Mate, at: FloatArray | None) -> IntArray | None:
    """(k,) corners of the edge of a port in a mating face, in a row; None where there is none.

    Parameters
    ----------
    part : Part
        The mate's first.
    mate : Mate
    at : (3,) float, optional
        A point in the port; else the widest hole of the face is taken.
    """
    faces = part.faces[mate.face_a.triangles]
    sides = faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    count = len(part.vertices)
    both = set((sides[:, 0] * count + sides[:, 1]).tolist())
    after = {int(a): int(b) for a, b in sides if int(b) * count + int(a) not in both}
    found: list[tuple[float, IntArray]] = []
    while after:
        first, corner = after.popitem()
        ring = [first]
        while corner in after:
            ring.append(corner)
            corner = after.pop(corner)
        rows = np.array(ring, dtype=np.int64)
        flat = (part.vertices[rows] - mate.frame.origin) @ mate.frame.axes.T
        if corner != first or len(ring) < 3:
            continue
        outline = shapely.Polygon(flat)
        # Seen from outside the material lies to the left: a hole runs the other way round.
        if outline.exterior.is_ccw or outline.area < 0.25 * np.pi * PORT * PORT:
            continue
        if at is not None:
            inside = (at - mate.frame.origin) @ mate.frame.axes.T
            if not shapely.contains_xy(outline, *inside):
                continue
        found.append((float(outline.area), rows))
    return max(found, key=lambda row: row[0])[1] if found else None

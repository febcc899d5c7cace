"""Faults of bolts: moved, tilted, of another length, their hole closed or moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.prove import shift
from geomcheck.prove.faults import Fault, Kind, altering, replacing
from geomcheck.prove.field import Field, place
from geomcheck.standards import screw
from geomcheck.standards.lengths import bolt_lengths

FloatArray: TypeAlias = NDArray[np.float64]

#: How far bolts are moved, mm, and tilted, degrees.
MOVE, TILT = 1.0, 3.0
#: Holes are followed as deep as this, mm.
DEEP = 200.0


def bolts(field: Field) -> Iterator[Fault]:
    """Moved sideways, away from where the model has them."""
    for entry, where in field.bolts():
        across = _across(field, entry)
        at = np.array(entry.at) + MOVE * across
        yield _bolt(
            Kind.BOLT_MOVED,
            entry,
            where,
            f'bolt "{entry.name}" {MOVE:.2f} mm off sideways, towards {place(across)}',
            {"at": tuple(float(x) for x in at)},
        )


def tilted(field: Field) -> Iterator[Fault]:
    """Tilted about the middle of their seat."""
    for entry, where in field.bolts():
        across = _across(field, entry)
        angle = np.radians(TILT)
        axis = np.cos(angle) * np.array(entry.axis) + np.sin(angle) * across
        yield _bolt(
            Kind.BOLT_TILTED,
            entry,
            where,
            f'bolt "{entry.name}" tilted {TILT:.1f} degrees towards {place(across)}',
            {"axis": tuple(float(x) for x in axis)},
        )


def lengths(field: Field) -> Iterator[Fault]:
    """The next longer or shorter of the series, by chance."""
    series = [row.length for row in bolt_lengths()]
    for entry, where in field.bolts():
        longer = [length for length in series if length > entry.length]
        shorter = [length for length in series if length < entry.length]
        turn = longer[:1] + shorter[-1:]
        if not turn:
            continue
        length = turn[int(field.chance.integers(len(turn)))]
        yield _bolt(
            Kind.BOLT_LENGTH,
            entry,
            where,
            f'bolt "{entry.name}" {length:g} mm long, not {entry.length:g}',
            {"length": length},
        )


def _across(field: Field, entry: FastenerEntry) -> FloatArray:
    """A unit vector square to a bolt's axis, by chance."""
    way = field.chance.normal(size=3)
    axis = np.array(entry.axis)
    way -= (way @ axis) * axis
    across: FloatArray = way / np.linalg.norm(way)
    return across


def _bolt(
    kind: Kind, entry: FastenerEntry, where: tuple[str, ...], words: str, change: dict[str, object]
) -> Fault:
    other = entry.model_copy(update=change)

    def alter(one: Assembly) -> Assembly:
        bolts = tuple((key, other if it.name == entry.name else it) for key, it in one.fasteners)
        return replace(one, fasteners=bolts, kept={}, shared={})

    return Fault(kind, entry.name, words, where, alter, entry.part)


def holes(field: Field) -> Iterator[Fault]:
    """Round holes under bolts, gone: a feature of the model that was lost."""
    for entry, where in field.bolts():
        found = _hole(field, entry)
        if found is None:
            continue
        part, radius, _ = found
        wall = shift.hole(part, np.array(entry.at), np.array(entry.axis), radius, DEEP)
        closed = shift.closed_over(part, wall)
        if closed is None:
            continue
        yield Fault(
            Kind.HOLE,
            entry.name,
            f'hole of bolt "{entry.name}" in {part.name} closed, {2 * radius:.2f} mm wide',
            where,
            replacing(part.name, closed),
            part.name,
            {"at": entry.at},
        )


def holes_moved(field: Field) -> Iterator[Fault]:
    """Round holes under bolts, moved sideways in the mesh; the bolts stay."""
    for entry, where in field.bolts():
        found = _hole(field, entry)
        if found is None:
            continue
        part, radius, _ = found
        across = _across(field, entry)
        at, axis = np.array(entry.at), np.array(entry.axis)
        yield Fault(
            Kind.HOLE_MOVED,
            entry.name,
            f'hole of bolt "{entry.name}" in {part.name} {MOVE:.2f} mm off sideways, towards '
            f"{place(across)}",
            where,
            _shifting(part.name, at, axis, radius, MOVE * across),
            part.name,
            {"at": entry.at},
        )


def _hole(field: Field, entry: FastenerEntry) -> tuple[Part, float, float] | None:
    """The part under a head, the radius of the round hole in it, and the thread's diameter, mm."""
    found = field.part(entry.part)
    if found is None:
        return None
    part, _ = found
    at, axis = np.array(entry.at), np.array(entry.axis)
    size = float(screw(entry.head, entry.size).thread_diameter)
    depths = np.linspace(0.25, 1.0, 4) * size
    radius = float(point_distance(part.tree, at - depths[:, None] * axis).distance.min())
    # Else there is no round hole about the axis there.
    return (part, radius, size) if 0.3 * size <= radius <= 0.8 * size else None


def _shifting(
    name: str, at: FloatArray, axis: FloatArray, radius: float, move: FloatArray
) -> Callable[[Assembly], Assembly]:
    def alter(part: Part) -> Part:
        wall = shift.hole(part, at, axis, radius, DEEP)
        return shift.moved(part, wall.astype(np.float64), move)

    return altering(name, alter)

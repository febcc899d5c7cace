"""Faults of bolts: moved, tilted, their hole closed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.prove import shape
from geomcheck.prove.faults import Fault, Kind, altering
from geomcheck.prove.field import Field, place
from geomcheck.standards import screw

FloatArray: TypeAlias = NDArray[np.float64]

#: How far bolts are moved, mm, and tilted, degrees.
MOVE, TILT = 1.0, 3.0


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
    """Round holes under bolts, filled."""
    for entry, where in field.bolts():
        found = field.part(entry.part)
        if found is None:
            continue
        part, _ = found
        at, axis = np.array(entry.at), np.array(entry.axis)
        size = screw(entry.head, entry.size).thread_diameter
        depths = np.linspace(0.25, 1.0, 4) * size
        wall = point_distance(part.tree, at - depths[:, None] * axis).distance
        radius = float(wall.min())
        if not 0.3 * size <= radius <= 0.8 * size:
            # No round hole about the axis there.
            continue
        yield Fault(
            Kind.HOLE,
            entry.name,
            f'hole of bolt "{entry.name}" in {part.name} closed, {2 * radius:.2f} mm wide',
            where,
            _plugging(part.name, at, axis, 0.99 * radius, float(size)),
            part.name,
        )


def _plugging(
    name: str,
    at: FloatArray,
    axis: FloatArray,
    radius: float,
    depth: float,
) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda it: shape.plugged(it, at, axis, radius, depth))

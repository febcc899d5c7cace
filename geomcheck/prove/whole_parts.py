"""Faults of whole parts and their files: shifted, mirrored, another unit, a triangle lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.part import Part
from geomcheck.project.assembly import Assembly
from geomcheck.prove import shape
from geomcheck.prove.faults import Fault, Kind, altering
from geomcheck.prove.field import Field, place

FloatArray: TypeAlias = NDArray[np.float64]

#: How far parts are moved, mm.
MOVE = 1.0
#: Units a file may be in by mistake, by the millimetres in one.
UNITS = {25.4: "inches", 10.0: "centimetres", 1000.0: "metres"}


def shifted(field: Field) -> Iterator[Fault]:
    """Along one axis of the housing."""
    for part, where in field.parts():
        if part.role == "housing" or any(one.laid is not None for one in part.alignments):
            # The housing is where all is measured from; a part laid on another goes back there.
            continue
        axis = int(field.chance.integers(3))
        move = np.zeros(3)
        move[axis] = MOVE * (1.0 if field.chance.random() < 0.5 else -1.0)
        yield Fault(
            Kind.SHIFTED,
            part.name,
            f"{part.name} {MOVE:.2f} mm off along {'+' if move[axis] > 0 else '-'}{'xyz'[axis]}",
            where,
            _moving(part.name, move),
            part.name,
        )


def _moving(name: str, move: FloatArray) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda it: shape.shifted(it, move))


def mirrored(field: Field) -> Iterator[Fault]:
    """Parts that differ from their mirror image."""
    for part, where in field.parts():
        image = shape.mirrored(part)
        if image is None:
            continue
        other, axis = image
        yield Fault(
            Kind.MIRRORED,
            part.name,
            f"{part.name} mirrored along {'xyz'[axis]} of its file",
            where,
            _replacing(part.name, other),
            part.name,
            {"axis": axis},
        )


def _replacing(name: str, other: Part) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda _: other)


def units(field: Field) -> Iterator[Fault]:
    """Too small and too large."""
    for number, (part, where) in enumerate(field.parts()):
        factor, words = list(UNITS.items())[number % len(UNITS)]
        yield Fault(
            Kind.UNIT,
            part.name,
            f"{part.name} {factor:g} times too small: written in {words}",
            where,
            _scaling(part.name, 1.0 / factor),
            part.name,
        )
        yield Fault(
            Kind.UNIT,
            part.name,
            f"{part.name} {factor:g} times too large: taken for {words}",
            where,
            _scaling(part.name, factor),
            part.name,
        )


def _scaling(name: str, factor: float) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda it: shape.scaled(it, factor))


def triangles(field: Field) -> Iterator[Fault]:
    """One triangle of a closed mesh."""
    for part, where in field.parts():
        if part.soundness.kind != "closed":
            continue
        which = int(field.chance.integers(len(part.faces)))
        yield Fault(
            Kind.TRIANGLE,
            part.name,
            f"{part.name} without triangle {which}, at {place(part.triangles[which].mean(axis=0))}",
            where,
            _losing(part.name, which),
            part.name,
        )


def _losing(name: str, which: int) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda it: shape.without(it, which))

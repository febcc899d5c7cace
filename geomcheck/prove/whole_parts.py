"""Faults of whole parts and their files.

Shifted, mirrored, the file of another part, shrinkage allowed for twice, another unit, a triangle
lost, left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.part import Part, PartSet
from geomcheck.project.assembly import Assembly
from geomcheck.prove import shape
from geomcheck.prove.faults import Fault, Kind, altering, replacing
from geomcheck.prove.field import Field, place

FloatArray: TypeAlias = NDArray[np.float64]

#: How far parts are moved, mm.
MOVE = 1.0
#: Units a file may be in by mistake, by the millimetres in one.
UNITS = {25.4: "inches", 10.0: "centimetres", 1000.0: "metres"}
#: Linear shrinkage of an aluminium casting (common practice, no source).
SHRINKAGE = 0.013
#: Parts of which no side differs by more than this share may be taken for one another.
ALIKE = 0.3


def shifted(field: Field) -> Iterator[Fault]:
    """Along one axis of the housing, in its file: its place in the project file is as it was."""
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
            f"{field.called(part, where)} {MOVE:.2f} mm off along "
            f"{'+' if move[axis] > 0 else '-'}{'xyz'[axis]}",
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
            f"{field.called(part, where)} mirrored along {'xyz'[axis]} of its file",
            where,
            replacing(part.name, other),
            part.name,
            {"axis": axis},
        )


def swapped(field: Field) -> Iterator[Fault]:
    """The file of the part of the same vehicle that is most like it in size."""
    rows = field.parts()
    for part, where in rows:
        others = [
            other
            for other, there in rows
            if other.name != part.name
            and other.role == part.role
            and set(where) <= set(there)
            and _unlike(part, other) <= ALIKE
            and shape.differs(part, shape.swapped(part, other))
        ]
        if not others:
            continue
        other = min(others, key=lambda one: (_unlike(part, one), one.name))
        yield Fault(
            Kind.SWAPPED,
            part.name,
            f"{field.called(part, where)} given as {other.file.name}, the file of {other.name}",
            where,
            replacing(part.name, shape.swapped(part, other)),
            part.name,
        )


def _unlike(one: Part, other: Part) -> float:
    """Greatest difference of the sides of two parts, each read in its file, as a share."""
    first, second = (np.ptp(part.file_bounds, axis=0) for part in (one, other))
    return float((np.abs(first - second) / np.maximum(np.maximum(first, second), 1e-9)).max())


def left_out(field: Field) -> Iterator[Fault]:
    """Its table lost when two versions of the project file were merged."""
    for part, where in field.parts():
        if part.role != "housing":
            yield Fault(
                Kind.LEFT_OUT,
                part.name,
                f"{field.called(part, where)} left out of the project file",
                where,
                _dropping(part.name),
                part.name,
            )


def _dropping(name: str) -> Callable[[Assembly], Assembly]:
    def alter(assembly: Assembly) -> Assembly:
        def kept(table: Mapping[str, Any]) -> dict[str, Any]:
            return {one: row for one, row in table.items() if one != name}

        return replace(
            assembly,
            parts=PartSet(kept(assembly.parts).values()),
            part_entries=kept(assembly.part_entries),
            part_keys=kept(assembly.part_keys),
            kept={},
            shared={},
        )

    return alter


def shrunk(field: Field) -> Iterator[Fault]:
    """The casting and what is carried with it: scaled for the pattern, and given as the part."""
    for part, where in field.parts():
        if part.role == "neighbour":
            continue
        yield Fault(
            Kind.SHRUNK,
            part.name,
            f"{part.name} {100.0 * SHRINKAGE:g} % too large: shrinkage allowed for twice",
            where,
            _scaling(part.name, 1.0 + SHRINKAGE),
            part.name,
        )


def units(field: Field) -> Iterator[Fault]:
    """Too small and too large."""
    for number, (part, where) in enumerate(field.parts()):
        factor, words = list(UNITS.items())[number % len(UNITS)]
        yield Fault(
            Kind.UNIT,
            part.name,
            f"{field.called(part, where)} {factor:g} times too small: written in {words}",
            where,
            _scaling(part.name, 1.0 / factor),
            part.name,
        )
        yield Fault(
            Kind.UNIT,
            part.name,
            f"{field.called(part, where)} {factor:g} times too large: taken for {words}",
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
            f"{field.called(part, where)} without triangle {which}, at "
            f"{place(part.triangles[which].mean(axis=0))}",
            where,
            _losing(part.name, which),
            part.name,
        )


def _losing(name: str, which: int) -> Callable[[Assembly], Assembly]:
    return altering(name, lambda it: shape.without(it, which))

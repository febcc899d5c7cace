"""A fault to plant: what it is, where, and the assembly that has it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from geomcheck.mesh.part import Part, PartSet
from geomcheck.project.assembly import Assembly


class Kind(StrEnum):
    """Kinds of faults, in the order in which they are told."""

    GROWN_NEAR = "grown-near"
    GROWN = "grown"
    SUNK = "sunk"
    PORT = "port"
    DUCT = "duct"
    SHIFTED = "shifted"
    MIRRORED = "mirrored"
    SWAPPED = "swapped"
    LEFT_OUT = "left-out"
    STALE = "stale"
    SHRUNK = "shrunk"
    UNIT = "unit"
    TRIANGLE = "triangle"
    BOLT_MOVED = "bolt-moved"
    BOLT_TILTED = "bolt-tilted"
    BOLT_LENGTH = "bolt-length"
    HOLE = "hole"
    HOLE_MOVED = "hole-moved"
    PLUG = "plug"


TITLES = {
    Kind.GROWN_NEAR: "surface grown where it is near a neighbour",
    Kind.GROWN: "surface grown elsewhere",
    Kind.SUNK: "mating face sunk",
    Kind.PORT: "port moved in its joint",
    Kind.DUCT: "duct wall grown inwards",
    Kind.SHIFTED: "part shifted in its file",
    Kind.MIRRORED: "part mirrored",
    Kind.SWAPPED: "file of another part",
    Kind.LEFT_OUT: "part left out of the project file",
    Kind.STALE: "file of an earlier revision",
    Kind.SHRUNK: "shrinkage allowed for twice",
    Kind.UNIT: "file in a wrong unit",
    Kind.TRIANGLE: "triangle lost",
    Kind.BOLT_MOVED: "bolt moved",
    Kind.BOLT_TILTED: "bolt tilted",
    Kind.BOLT_LENGTH: "bolt of another length",
    Kind.HOLE: "hole closed",
    Kind.HOLE_MOVED: "hole moved",
    Kind.PLUG: "plug tilted",
}
#: Kinds that alter an entry of the project file, and no mesh.
_ENTRIES = (Kind.BOLT_MOVED, Kind.BOLT_TILTED, Kind.BOLT_LENGTH, Kind.PLUG)
#: Kinds that a hole under each bolt, where it is asked for, must show.
HOLES = (Kind.BOLT_MOVED, Kind.BOLT_TILTED, Kind.HOLE, Kind.HOLE_MOVED)
#: Kinds whose target is a bolt.
_BOLTS = (*HOLES, Kind.BOLT_LENGTH)


@dataclass(frozen=True, eq=False)
class Fault:
    """One fault.

    Parameters
    ----------
    kind : Kind
    target : str
        Name of the part, bolt or plug that a finding must name.
    words : str
        What is wrong, as it would be told: ``housing grown by 0.50 mm at (1.00, 2.00, 3.00)``.
    vehicles : tuple of str
        Where it is planted.
    alter : callable
        From an assembly as it is to one with the fault.
    facts : mapping
        What the advice needs: see :mod:`geomcheck.prove.advice`.
    part : str
        The part whose mesh or entry is meant; where it sits for a bolt.
    """

    kind: Kind
    target: str
    words: str
    vehicles: tuple[str, ...]
    alter: Callable[[Assembly], Assembly]
    part: str
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def entry(self) -> bool:
        """Whether an entry is altered, and no mesh."""
        return self.kind in _ENTRIES

    @property
    def bolt(self) -> bool:
        """Whether the target is a bolt."""
        return self.kind in _BOLTS


def altering(name: str, change: Callable[[Part], Part]) -> Callable[[Assembly], Assembly]:
    """What alters one part of any assembly; a part that vehicles share is altered once."""
    known: dict[int, tuple[Part, Part]] = {}

    def altered(part: Part) -> Part:
        if part.name != name:
            return part
        if id(part) not in known:
            known[id(part)] = (part, change(part))
        return known[id(part)][1]

    def alter(assembly: Assembly) -> Assembly:
        # Nothing that was worked out before holds any more.
        parts = PartSet(altered(part) for part in assembly.parts.values())
        return replace(assembly, parts=parts, kept={}, shared={})

    return alter


def replacing(name: str, other: Part) -> Callable[[Assembly], Assembly]:
    """What puts another part in the place of one."""
    return altering(name, lambda _: other)

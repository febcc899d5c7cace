"""One vehicle's parts in place, with everything the project file asks of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from geomcheck.errors import ProjectError
from geomcheck.finding import EntryRef
from geomcheck.mesh.part import Part, PartSet
from geomcheck.project.entries import (
    DuctEntry,
    FastenerEntry,
    MateEntry,
    MovementEntry,
    PartEntry,
    ToolEntry,
)
from geomcheck.project.lines import Key, LineMap


@dataclass(frozen=True, eq=False)
class Assembly:
    """What a check works on.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle; ``bench`` when the project has none.
    parts : PartSet
        Housing, carried parts and this vehicle's neighbours, placed.
    mates, ducts, fasteners, tools, movements
        The entries that apply to this vehicle, each with its key in the project file.
    part_entries, part_keys
        Each part's entry and its key, by part name.
    lines : LineMap
        Finds the line of an entry.
    vehicles : tuple of str
        Names of all vehicles of the project, so that a check's settings may name one of them.
    """

    vehicle: str
    parts: PartSet
    mates: tuple[tuple[Key, MateEntry], ...]
    ducts: tuple[tuple[Key, DuctEntry], ...]
    fasteners: tuple[tuple[Key, FastenerEntry], ...]
    tools: tuple[tuple[Key, ToolEntry], ...]
    part_entries: Mapping[str, PartEntry]
    part_keys: Mapping[str, Key]
    lines: LineMap
    vehicles: tuple[str, ...] = ()
    movements: tuple[tuple[Key, MovementEntry], ...] = ()

    @property
    def housing(self) -> Part:
        """The casting under development."""
        return next(part for part in self.parts.values() if part.role == "housing")

    @property
    def ours(self) -> list[Part]:
        """The housing and the parts carried with it."""
        return [part for part in self.parts.values() if part.role != "neighbour"]

    @property
    def neighbours(self) -> list[Part]:
        """The vehicle's parts."""
        return [part for part in self.parts.values() if part.role == "neighbour"]

    @property
    def open_for_tools(self) -> frozenset[str]:
        """Names of the parts that are out of the way while bolts are done up."""
        return frozenset(n for n, entry in self.part_entries.items() if entry.open_for_tools)

    def entry(self, key: Key) -> EntryRef:
        """Where in the project file ``key`` stands."""
        return self.lines.entry(key)

    def refuse(self, key: Key, what: str, remedy: str = "") -> NoReturn:
        """Raise the ProjectError for the entry ``key``."""
        ref = self.lines.entry(key)
        raise ProjectError(
            what, remedy=remedy, file=self.lines.file, line=ref.line, entry=ref.entry
        )

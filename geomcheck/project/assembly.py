"""One vehicle's parts in place, with everything the project file asks of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any, NoReturn, cast

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import ProjectError
from geomcheck.finding import EntryRef
from geomcheck.mesh.part import Part, PartSet, SomeParts
from geomcheck.mesh.placement import apply
from geomcheck.project.entries import (
    ConnectorEntry,
    DuctEntry,
    FastenerEntry,
    MateEntry,
    MovementEntry,
    PartEntry,
    PatternEntry,
    PortJointEntry,
    ServiceEntry,
    StateEntry,
    ToolEntry,
)
from geomcheck.project.lines import Key, LineMap
from geomcheck.project.order import OrderEntry
from geomcheck.project.placing import stand


@dataclass(frozen=True, eq=False)
class Assembly:
    """What a check works on.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle; ``bench`` when the project has none.
    parts : PartSet
        Housing, carried parts and this vehicle's neighbours, placed.
    mates, ducts, fasteners, tools, movements, states, connectors, services, patterns, port_joints
        The entries that apply to this vehicle, each with its key in the project file.
    order : OrderEntry or None
        The order of work, as far as it concerns this vehicle; None where none is asked for.
    part_entries, part_keys
        Each part's entry and its key, by part name.
    lines : LineMap
        Finds the line of an entry.
    vehicles : tuple of str
        Names of all vehicles of the project, so that a check's settings may name one of them.
    state : str
        Name of the state the parts stand in; empty for as they are placed.
    moved : mapping of str to (4, 4) float64
        How the state moves parts from where they are placed, housing frame.
    left_out : tuple of str
        Parts that are not there in the state.
    kept : dict
        What was worked out for this vehicle and is asked for again.
    shared : dict
        The same for questions that rest on parts all vehicles have; one for all vehicles of a run.
    recall : Recall or None
        Answers of earlier runs; None where none are kept.
    seen : (2, 3) float64 or None
        Bounds of the housing, mm, where only some of a vehicle's parts are in ``parts``.
    whole : Assembly or None
        The vehicle with all its parts, where only some are here.
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
    states: tuple[tuple[Key, StateEntry], ...] = ()
    order: OrderEntry | None = None
    patterns: tuple[tuple[Key, PatternEntry], ...] = ()
    port_joints: tuple[tuple[Key, PortJointEntry], ...] = ()
    connectors: tuple[tuple[Key, ConnectorEntry], ...] = ()
    services: tuple[tuple[Key, ServiceEntry], ...] = ()
    state: str = ""
    moved: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    kept: dict[Any, Any] = field(default_factory=dict, repr=False)
    shared: dict[Any, Any] = field(default_factory=dict, repr=False)
    recall: Any = field(default=None, repr=False)
    seen: NDArray[np.float64] | None = None
    whole: Assembly | None = field(default=None, repr=False)

    @property
    def housing(self) -> Part:
        """The casting under development; its bounds alone where it is not among the parts."""
        for part in self.parts.values():
            if part.role == "housing":
                return part
        return cast(Part, SimpleNamespace(bounds=self.seen))

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

    @property
    def pose(self) -> dict[str, Any]:
        """What a finding's details tell of the state, for its picture: ``maps``, ``left_out``."""
        found: dict[str, Any] = {}
        if self.moved:
            found["maps"] = {name: matrix.tolist() for name, matrix in self.moved.items()}
        if self.left_out:
            found["left_out"] = list(self.left_out)
        return found

    def only(self, names: Iterable[str]) -> Assembly:
        """The vehicle with some of its parts and no others; the same object for the same names.

        To ask for one of the others is a fault of the caller, and raises RuntimeError.
        """
        chosen = frozenset(names)
        if chosen == set(self.parts):
            return self
        if self.whole is not None:
            # One object for the same names, so that what was worked out for it is found again.
            for name in chosen:
                _ = self.parts[name]
            return self.whole.only(chosen)
        known = self.kept.setdefault("only", {})
        if chosen not in known:
            others = set(self.parts) - chosen
            some = (part for name, part in self.parts.items() if name in chosen)
            entries = {n: e for n, e in self.part_entries.items() if n not in others}
            known[chosen] = replace(
                self,
                parts=SomeParts(some, others),
                part_entries=entries,
                part_keys={name: self.part_keys[name] for name in entries},
                seen=self.housing.bounds,
                whole=self,
                kept={},
            )
        found: Assembly = known[chosen]
        return found

    def in_state(self, name: str) -> Assembly:
        """The vehicle with its parts in a state; parts the state leaves alone are shared.

        Raises
        ------
        ProjectError
            A part that this vehicle does not have, or a matrix that is not rigid.
        KeyError
            No such state in this vehicle.
        """
        known = self.kept.setdefault("states", {})
        if name not in known:
            known[name] = self._moved(name)
        moved: Assembly = known[name]
        return moved

    def _moved(self, name: str) -> Assembly:
        key, state = {entry.name: (key, entry) for key, entry in self.states}[name]
        parts = dict(self.parts)
        maps, left_out = {}, []
        for number, moved in enumerate(state.parts):
            here = (*key, "part", number)
            part = self.parts.get(moved.name)
            if part is None:
                self.refuse(
                    (*here, "name"),
                    f'there is no part "{moved.name}" in vehicle "{self.vehicle}"',
                    "where the state belongs to one vehicle only, give its vehicle",
                )
            if moved.left_out:
                del parts[moved.name]
                left_out.append(moved.name)
                continue
            matrix = stand(moved.place, self.lines, (*here, "place"), moved.name).matrix
            maps[moved.name] = matrix
            parts[moved.name] = replace(
                part,
                vertices=apply(matrix, part.vertices),
                place=matrix if part.place is None else matrix @ part.place,
                alignments=tuple(alignment.moved(matrix) for alignment in part.alignments),
            )
        return replace(
            self,
            parts=PartSet(parts.values()),
            state=name,
            moved=maps,
            left_out=tuple(left_out),
            kept={},
        )

    def entry(self, key: Key) -> EntryRef:
        """Where in the project file ``key`` stands."""
        return self.lines.entry(key)

    def refuse(self, key: Key, what: str, remedy: str = "") -> NoReturn:
        """Raise the ProjectError for the entry ``key``."""
        ref = self.lines.entry(key)
        raise ProjectError(
            what, remedy=remedy, file=self.lines.file, line=ref.line, entry=ref.entry
        )

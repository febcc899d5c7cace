"""The gaps a project file asks for: every part of ours against every neighbour, and own pairs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geomcheck.project.entries import PartEntry
from geomcheck.project.load import Project
from geomcheck.project.movements import MovementEntry


@dataclass(frozen=True, slots=True)
class Asked:
    """A gap that is asked for: two parts, mm."""

    ours: str
    other: str
    limit: float | None


def parts_of(project: Project, vehicle: str) -> list[PartEntry]:
    """All parts of a vehicle: the housing and what it carries, then the vehicle's own."""
    document = project.document
    theirs = [part for one in document.vehicles if one.name == vehicle for part in one.parts]
    return [*document.parts, *theirs]


def gaps(project: Project, vehicle: str) -> list[Asked]:
    """The gaps asked for in a vehicle; None where no figure is given."""
    table: Mapping[str, Any] = project.document.check.get("fit-gap", {})
    required: Mapping[str, Any] = table.get("required", {})
    parts = parts_of(project, vehicle)
    own = [
        (row["parts"], float(row["required"]))
        for row in table.get("pair") or ()
        if row.get("vehicle") in (None, vehicle)
    ]
    known = [frozenset(names) for names, _ in own]
    found = [
        Asked(a.name, b.name, float(required[b.kind]) if b.kind in required else None)
        for a in parts
        for b in parts
        if a.role != "neighbour"
        and b.role == "neighbour"
        and a.gap
        and b.gap
        and frozenset((a.name, b.name)) not in known
    ]
    role = {part.name: part.role for part in parts}
    for (first, second), limit in own:
        if role.get(first) == "neighbour" and role.get(second) != "neighbour":
            found.append(Asked(second, first, limit))
        else:
            found.append(Asked(first, second, limit))
    return found


def moving_pairs(
    project: Project, vehicle: str, entry: MovementEntry
) -> list[tuple[str, str, tuple[str, ...]]]:
    """Pairs of a movement: the part that moves, the one that stays, and the mates between them."""
    parts = {part.name: part for part in parts_of(project, vehicle)}
    if entry.parts:
        moves = list(entry.parts)
    elif entry.group == "housing":
        moves = [name for name, part in parts.items() if part.role != "neighbour"]
    else:
        moves = [name for name, part in parts.items() if _on_engine(part)]
    stays = [name for name in parts if name not in moves]
    against = list(entry.against) or [name for name in stays if parts[name].gap]
    movers = [name for name in moves if name in entry.parts or parts[name].gap]
    rigid = any(kind is not None for kind in (entry.rock, entry.hinge, entry.sweep))
    found = []
    for mover in movers:
        for other in against:
            both = {parts[mover].role, parts[other].role}
            if both == {"neighbour"} and not entry.against:
                continue
            grows = any(not g.parts or mover in g.parts or other in g.parts for g in entry.growths)
            if not (rigid or grows):
                continue
            mates = tuple(
                one.name
                for one in project.document.mates
                if set(one.parts) == {mover, other} and one.vehicle in (None, vehicle)
            )
            found.append((mover, other, mates))
    return found


def _on_engine(part: PartEntry) -> bool:
    if part.role != "neighbour":
        return True
    return part.on == "engine" or (part.on is None and part.kind == "engine-mounted part")

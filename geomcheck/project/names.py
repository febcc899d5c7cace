"""Names in the project file: each given once, each reference known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from geomcheck.errors import ProjectError
from geomcheck.project.entries import (
    ConnectorEntry,
    Document,
    DuctEntry,
    ServiceEntry,
    StateEntry,
)
from geomcheck.project.lines import Key, LineMap
from geomcheck.project.order import check_order


def check_names(document: Document, lines: LineMap) -> None:
    """Refuse repeated names, unknown references and a project without exactly one housing.

    Raises
    ------
    ProjectError
        Names the line of the offending entry.
    """
    _once(lines, "vehicle", [vehicle.name for vehicle in document.vehicles])
    _once(lines, "duct", [duct.name for duct in document.ducts])
    _once(lines, "mate", [mate.name for mate in document.mates])
    _once(lines, "fastener", [fastener.name for fastener in document.fasteners])
    _once(lines, "tool", [tool.name for tool in document.tools])
    _once(lines, "movement", [movement.name for movement in document.movements])
    _once(lines, "state", [state.name for state in document.states])
    _once(lines, "pattern", [pattern.name for pattern in document.patterns])
    _once(lines, "port_joint", [joint.name for joint in document.port_joints])
    _once(lines, "connector", [connector.name for connector in document.connectors])
    _once(lines, "service", [service.name for service in document.services])
    _check_roles(document, lines)
    _check_sides(document, lines)
    check_order(document, lines)
    common = [part.name for part in document.parts]
    _once(lines, "part", common)
    by_vehicle = {
        vehicle.name: common + [part.name for part in vehicle.parts]
        for vehicle in document.vehicles
    }
    for number, vehicle in enumerate(document.vehicles):
        seen = set(common)
        for position, part in enumerate(vehicle.parts):
            if part.name in seen:
                key = ("vehicle", number, "part", position, "name")
                _refuse(
                    lines,
                    key,
                    f"a second part is named {part.name!r} in this vehicle",
                    "give every part of a vehicle a name of its own",
                )
            seen.add(part.name)
    names = list(by_vehicle)
    place: Key

    def known(vehicle: str | None) -> list[str]:
        # An entry for all vehicles may only name parts that every vehicle has: otherwise the
        # question would silently not be asked in some of them.
        if vehicle is not None:
            return by_vehicle.get(vehicle, common)
        return [
            n
            for n in (by_vehicle[names[0]] if names else common)
            if all(n in parts for parts in by_vehicle.values())
        ]

    vehicles_named: dict[str, list[str | None]] = {
        "mate": [mate.vehicle for mate in document.mates],
        "duct": [duct.vehicle for duct in document.ducts],
        "fastener": [fastener.vehicle for fastener in document.fasteners],
        "movement": [movement.vehicle for movement in document.movements],
        "state": [state.vehicle for state in document.states],
        "pattern": [pattern.vehicle for pattern in document.patterns],
        "port_joint": [joint.vehicle for joint in document.port_joints],
        "connector": [connector.vehicle for connector in document.connectors],
        "service": [service.vehicle for service in document.services],
        "waiver": [waiver.vehicle for waiver in document.waivers if names],
    }
    for list_name, given in vehicles_named.items():
        for number, name in enumerate(given):
            if name is not None:
                _known(lines, (list_name, number, "vehicle"), "vehicle", name, names)
    for number, mate in enumerate(document.mates):
        for position, name in enumerate(mate.parts):
            _known(lines, ("mate", number, "parts", position), "part", name, known(mate.vehicle))
    for number, pattern in enumerate(document.patterns):
        for position, name in enumerate(pattern.parts):
            place = ("pattern", number, "parts", position)
            _known(lines, place, "part", name, known(pattern.vehicle))
    for number, joint in enumerate(document.port_joints):
        # Its mate must be there wherever the joint is asked about.
        mates = [m.name for m in document.mates if m.vehicle in (None, joint.vehicle)]
        _known(lines, ("port_joint", number, "mate"), "mate", joint.mate, mates)
    for number, duct in enumerate(document.ducts):
        for field in ("walls", "obstacles"):
            for position, name in enumerate(getattr(duct, field)):
                _known(lines, ("duct", number, field, position), "part", name, known(duct.vehicle))
        _check_flow(duct, number, lines)
        _check_states(document, duct, number, lines)
    for number, state in enumerate(document.states):
        for position, moved in enumerate(state.parts):
            place = ("state", number, "part", position, "name")
            _known(lines, place, "part", moved.name, known(state.vehicle))
            _check_moved(document, state, number, position, lines)
    for number, fastener in enumerate(document.fasteners):
        _known(lines, ("fastener", number, "part"), "part", fastener.part, known(fastener.vehicle))
    points: list[tuple[str, int, ConnectorEntry | ServiceEntry]]
    points = [("connector", n, entry) for n, entry in enumerate(document.connectors)]
    points += [("service", n, entry) for n, entry in enumerate(document.services)]
    for list_name, number, entry in points:
        place = (list_name, number)
        _known(lines, (*place, "part"), "part", entry.part, known(entry.vehicle))
        for position, name in enumerate(entry.itself):
            _known(lines, (*place, "itself", position), "part", name, known(entry.vehicle))
    for number, movement in enumerate(document.movements):
        lists: list[tuple[Key, tuple[str, ...]]] = [
            (("parts",), movement.parts),
            (("against",), movement.against),
        ]
        lists += [(("growth", n, "parts"), g.parts) for n, g in enumerate(movement.growths)]
        for under, given_names in lists:
            for position, name in enumerate(given_names):
                place = ("movement", number, *under, position)
                _known(lines, place, "part", name, known(movement.vehicle))


def _check_roles(document: Document, lines: LineMap) -> None:
    housings = [n for n, part in enumerate(document.parts) if part.role == "housing"]
    if len(housings) != 1:
        key: Key = ("part", housings[1]) if len(housings) > 1 else ("part", 0)
        _refuse(
            lines,
            key,
            f"{len(housings)} parts have the role 'housing'; there must be one",
            'set role = "housing" on the casting, role = "carried" on what goes with it',
        )
    housing = document.parts[housings[0]]
    for field, silent in (("gap", not housing.gap), ("open_for_tools", housing.open_for_tools)):
        if silent:
            _refuse(
                lines,
                ("part", housings[0], field),
                "the housing cannot be left out of the questions asked about it",
                f"take out {field}",
            )
    for number, vehicle in enumerate(document.vehicles):
        if not vehicle.parts:
            _refuse(
                lines,
                ("vehicle", number),
                f"the vehicle {vehicle.name!r} has no parts, so nothing could be asked of it",
                "list its parts as [[vehicle.part]], or take the vehicle out",
            )
        for position, part in enumerate(vehicle.parts):
            if part.role == "housing":
                key = ("vehicle", number, "part", position, "role")
                _refuse(
                    lines,
                    key,
                    "a vehicle's part cannot be the housing",
                    "list the housing once, in a [[part]] table outside the vehicles",
                )


def _check_flow(duct: DuctEntry, number: int, lines: LineMap) -> None:
    """A blade is a part of its duct, named once."""
    if duct.flow is None:
        return
    seen: set[str] = set()
    for position, blade in enumerate(duct.flow.blades):
        key = ("duct", number, "flow", "blade", position, "part")
        _known(lines, key, "part of this duct", blade.part, [*duct.walls, *duct.obstacles])
        if blade.part in seen:
            _refuse(lines, key, f"the blade {blade.part!r} is given twice", "give it once")
        seen.add(blade.part)
        key = (*key[:-1], "angle")
        if isinstance(blade.angle, dict):
            for state in blade.angle:
                _known(lines, (*key, state), "state of this duct", state, list(duct.states))
        given = list(blade.angle) if isinstance(blade.angle, dict) else []
        missing = [state for state in duct.states if state not in given]
        if len(duct.states) > 1 and missing:
            _refuse(
                lines,
                key,
                f"the blade {blade.part!r} has no angle for the state {missing[0]!r}",
                'give one for each state: angle = { "part-open" = 40, "wide open" = 0 }',
            )


def _check_states(document: Document, duct: DuctEntry, number: int, lines: LineMap) -> None:
    """A duct names states of its vehicle that do something to it."""
    states = {
        state.name: state for state in document.states if state.vehicle in (None, duct.vehicle)
    }
    for position, name in enumerate(duct.states):
        key = ("duct", number, "states", position)
        _known(lines, key, "state", name, list(states))
        moved = {part.name for part in states[name].parts}
        if not moved.intersection((*duct.walls, *duct.obstacles)):
            _refuse(
                lines,
                key,
                f"the state {name!r} moves none of the walls and obstacles of duct {duct.name!r}",
                "name the moving part in obstacles, or take the state out of this duct",
            )
        if name in duct.states[:position]:
            _refuse(lines, key, f"the state {name!r} is named twice", "name it once")


def _check_moved(
    document: Document, state: StateEntry, number: int, position: int, lines: LineMap
) -> None:
    """A state says one thing of a part, and keeps the housing."""
    moved = state.parts[position]
    key = ("state", number, "part", position, "name")
    if moved.name in [other.name for other in state.parts[:position]]:
        _refuse(lines, key, f"the part {moved.name!r} is in this state twice", "name it once")
    if any(part.name == moved.name and part.role == "housing" for part in document.parts):
        _refuse(
            lines,
            key,
            "the housing is where everything is measured from: no state moves it or leaves it out",
            "move the other parts",
        )


def _check_sides(document: Document, lines: LineMap) -> None:
    """The housing and what it carries are on the engine."""
    for number, part in enumerate(document.parts):
        if part.on == "body" and part.role != "neighbour":
            _refuse(
                lines,
                ("part", number, "on"),
                f"{part.name!r} goes with the engine: it is the housing or carried by it",
                "take out on, or make it a neighbour",
            )


def _once(lines: LineMap, list_name: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for number, name in enumerate(names):
        if name in seen:
            _refuse(
                lines,
                (list_name, number, "name"),
                f"a second {list_name} is named {name!r}",
                "names must differ",
            )
        seen.add(name)


def _known(lines: LineMap, key: Key, what: str, name: str, names: list[str]) -> None:
    if name not in names:
        close = difflib.get_close_matches(name, names, 1)
        hint = f"did you mean {close[0]!r}?" if close else f"known: {', '.join(names) or 'none'}"
        if what == "part":
            hint += '; for a part that only one vehicle has, add vehicle = "..." to this entry'
        _refuse(lines, key, f"there is no {what} named {name!r}", hint)


def _refuse(lines: LineMap, key: Key, what: str, remedy: str) -> None:
    ref = lines.entry(key)
    raise ProjectError(what, remedy=remedy, file=lines.file, line=ref.line, entry=ref.entry)

"""Flow paths that are found by themselves, from the ports a duct's entry names."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import TypeVar, cast

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.centreline import Route, find_path
from geomcheck.flow.path import FlowPath
from geomcheck.flow.ports import Port
from geomcheck.flow.result import Survey
from geomcheck.flow.section import Surface
from geomcheck.flow.void import Void, find_void
from geomcheck.project.assembly import Assembly
from geomcheck.project.ducts import DuctEntry, PortEntry
from geomcheck.project.lines import Key

Found = TypeVar("Found")

#: How far inside its ports a path found by itself begins and ends, in their diameters.
_HAIR = 1e-3


@dataclass(frozen=True)
class Ports:
    """The ports of a duct's entry, picked on its walls."""

    inlet: Port
    outlets: tuple[Port, ...]
    closed: tuple[Port, ...]


def ports_of(assembly: Assembly, key: Key, duct: DuctEntry, walls: Sequence[str]) -> Ports:
    """The ports of a duct that has an inlet and outlets.

    Parameters
    ----------
    assembly : Assembly
    key : Key
        Of the duct's entry.
    duct : DuctEntry
    walls : sequence of str
        Names of the parts that make its walls.

    Raises
    ------
    ProjectError
        A port is no opening of the walls.
    CannotDecide
        A port's rim does not close.
    """
    assert duct.inlet is not None
    surfaces = [Surface.of(assembly.parts[name]) for name in walls]

    def port(entry: PortEntry, name: str, *under: str | int) -> Port:
        name = entry.name or name
        try:
            if entry.normal is None:
                return Port.pick(surfaces, entry.at, name=name, solid=duct.void)
            return Port.at(surfaces, entry.at, entry.normal, name=name, solid=duct.void)
        except InputError as why:
            assembly.refuse((*key, *under), why.what, why.remedy)

    return Ports(
        port(duct.inlet, "inlet", "inlet"),
        tuple(port(entry, f"outlet {n + 1}", "outlet", n) for n, entry in enumerate(duct.outlets)),
        tuple(
            port(entry, f"closed opening {n + 1}", "closed", n)
            for n, entry in enumerate(duct.closed)
        ),
    )


def find_route(assembly: Assembly, key: Key, duct: DuctEntry, walls: Sequence[str]) -> Route:
    """The path of a duct that has an inlet and outlets; arguments as for :func:`ports_of`.

    Raises
    ------
    ProjectError
        A port is no opening of the walls, or no way leads from one to the other.
    CannotDecide
        The duct leaks, or a port's rim does not close.
    """
    ports = ports_of(assembly, key, duct, walls)
    surfaces = [Surface.of(assembly.parts[name]) for name in walls]
    try:
        return find_path(
            surfaces, ports.inlet, ports.outlets, closed=ports.closed, solid=duct.void,
            seal=duct.seal,
        )  # fmt: skip
    except InputError as why:
        assembly.refuse((*key, "inlet"), why.what, why.remedy)


def between_ports(route: Route, outlet: int) -> FlowPath:
    """A route's path, its ends a hair inside the ports.

    The spline's own end planes lean by some 1e-5: in the port itself a part of them lies outside.
    """
    points = route.paths[outlet].points.copy()
    for row, port in ((0, route.void.ports[0]), (-1, route.void.ports[1 + outlet])):
        points[row] -= _HAIR * port.hydraulic_diameter * port.normal
    return FlowPath(points)


def ports_along(survey: Survey, walls: Sequence[Surface], solid: bool) -> tuple[Port, Port]:
    """The openings at the first and the last measured station of a path, walls alone.

    Raises
    ------
    CannotDecide
        No opening closes there.
    """
    rows = [row for row in survey.cuts if row.state == "measured"]
    ends = []
    for row, sense, name in ((rows[0], -1.0, "inlet"), (rows[-1], 1.0, "outlet")):
        frame = row.frame
        try:
            ends.append(Port.at(walls, frame[:3], sense * frame[9:12], name=name, solid=solid))
        except InputError as why:
            raise CannotDecide(why.what, remedy=why.remedy) from why
    return ends[0], ends[1]


def void_between(
    assembly: Assembly,
    key: Key,
    duct: DuctEntry,
    walls: Sequence[str],
    obstacles: Sequence[Surface],
    outlet: int,
    survey: Survey | None,
    spacing: float | None,
) -> Void:
    """The void of a duct from its inlet to one of its outlets, or along its path; the rest shut.

    ``survey``: of a duct whose path is given.

    Raises
    ------
    ProjectError
        A port is no opening of the walls.
    CannotDecide
        The void leaks, or does not reach from end to end, or a port's rim does not close.
    """
    surfaces = [Surface.of(assembly.parts[name]) for name in walls]
    shut: tuple[Port, ...] = ()
    if survey is None:
        ports = ports_of(assembly, key, duct, walls)
        ends = (ports.inlet, ports.outlets[outlet])
        others = (port for k, port in enumerate(ports.outlets) if k != outlet)
        shut = (*others, *ports.closed)
    else:
        ends = ports_along(survey, surfaces, duct.void)
    try:
        return find_void(
            surfaces, ends, obstacles=obstacles, closed=shut, spacing=spacing, solid=duct.void,
            seal=duct.seal,
        )  # fmt: skip
    except InputError as why:
        raise CannotDecide(why.what, remedy=why.remedy) from why


def found_once(
    assembly: Assembly, names: Sequence[str], what: Hashable, work: Callable[[], Found]
) -> Found:
    """What ``work`` finds, or that it cannot be decided; worked out once for the same parts.

    Parameters
    ----------
    assembly : Assembly
    names : sequence of str
        The parts it rests on, and nothing else of the vehicle: a vehicle with the very same ones
        shares the answer.
    what : hashable
        What is asked.
    work : callable
        Answers it.
    """
    parts = tuple(assembly.parts[name] for name in names)
    key = (what, assembly.state, tuple(id(part) for part in parts))
    if key not in assembly.shared:
        found: Found | CannotDecide
        try:
            found = work()
        except CannotDecide as why:
            found = why
        # The parts are kept with it, so that none of their numbers is given to another.
        assembly.shared[key] = parts, found
    answer = assembly.shared[key][1]
    if isinstance(answer, CannotDecide):
        raise answer
    return cast(Found, answer)

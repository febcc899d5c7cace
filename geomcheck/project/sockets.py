"""Connector entries as the check of connectors needs them."""

from __future__ import annotations

from geomcheck.errors import InputError
from geomcheck.fasten.connector import Connector
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.plugging import rim_sagitta
from geomcheck.fasten.words import at, millimetres
from geomcheck.finding import Verdict
from geomcheck.mesh.query import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import ConnectorEntry
from geomcheck.project.lines import Key


def connector_of(assembly: Assembly, key: Key, entry: ConnectorEntry) -> Connector:
    """The connector an entry describes.

    Raises
    ------
    ProjectError
        The part with its socket is not known or is the plug itself, or its sizes make no sense;
        names the line.
    """
    if entry.part not in assembly.parts:
        assembly.refuse(
            (*key, "part"),
            f'there is no part "{entry.part}"',
            f"Known parts: {', '.join(assembly.parts)}",
        )
    if entry.part in entry.itself:
        assembly.refuse(
            (*key, "itself"),
            f'"{entry.part}" carries the socket and cannot be the plug itself',
            "name the parts that are the plug and its cable",
        )
    width, height = entry.box or (entry.diameter or 0.0, entry.diameter or 0.0)
    cable = entry.cable or min(width, height)
    if entry.bore is not None and entry.bore >= min(width, height):
        assembly.refuse(
            (*key, "bore"),
            f"a bore of {entry.bore:g} mm leaves nothing of a body of {min(width, height):g} mm",
            "the bore is what stands inside the body: make it smaller",
        )
    try:
        return Connector(
            entry.name,
            entry.at,
            entry.axis,
            entry.stroke,
            entry.length,
            width,
            height,
            round=entry.box is None,
            up=entry.up or (0.0, 0.0, 0.0),
            straight=entry.straight,
            cable=cable,
            finger=entry.finger,
            grip=entry.grip,
            bore=entry.bore or 0.0,
        )
    except InputError as error:
        assembly.refuse(key, error.what, error.remedy)


def rim_trouble(
    connector: Connector, carrier: Obstacle, tolerance: float, lift: float
) -> tuple[Verdict, str, str] | None:
    """Verdict, message and remedy where a socket is not as declared; None where it is.

    The rim must lie on its part: metal within ``tolerance`` (mm) of the body's radius about the
    stated point. The point ``lift`` above it must not be inside the part's material.
    """
    place = f"the socket of {connector.name} at {at(connector.at)}"
    distance = float(point_distance(carrier.tree, [connector.at]).distance[0])
    if distance > connector.radius + tolerance:
        return (
            Verdict.ERROR,
            f"There is no metal of {carrier.name} near {place}: the nearest is "
            f"{millimetres(distance)} mm away.",
            "Correct the place or the part it names: it is the centre of the socket's rim.",
        )
    slack = rim_sagitta(connector, carrier)
    if slack > tolerance:
        return (
            Verdict.UNDECIDED,
            f"The true rim of {place} may lie {millimetres(slack)} mm off the facets of "
            f"{carrier.name}: too far to measure from.",
            f"Export {carrier.name} with a finer chord error, or declare its sagitta.",
        )
    if connector.bore > 0.0:
        return None
    up = lift + slack
    back = (-connector.axis[0], -connector.axis[1], -connector.axis[2])
    if carrier.holds(connector.point(up), connector.axis):
        a, b, c = (0.0 - value for value in connector.axis)
        remedy = "Correct the place: it is the centre of the socket's rim."
        if not carrier.holds(connector.point(-up), back):
            remedy = f"Reverse it: axis = [{a:.6g}, {b:.6g}, {c:.6g}]. It points out of the socket."
        return (
            Verdict.ERROR,
            f"The axis at {place} points into the material of {carrier.name}.",
            remedy,
        )
    return None

"""Connector entries as the check of connectors needs them."""

from __future__ import annotations

from geomcheck.errors import InputError
from geomcheck.fasten.connector import Connector
from geomcheck.fasten.foot import foot_trouble
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.finding import Verdict
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

    As :func:`geomcheck.fasten.foot.foot_trouble`, about the rim of the socket.
    """
    return foot_trouble(
        f"the socket of {connector.name}",
        connector.at,
        connector.axis,
        connector.radius,
        carrier,
        tolerance=tolerance,
        lift=lift,
        aside=connector.skin,
    )

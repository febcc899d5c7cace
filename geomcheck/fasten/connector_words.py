"""Plugs, hoses and service points in a modeller's words."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from geomcheck.fasten.connector import Connector
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.room import Room
from geomcheck.fasten.words import at, at_least, millimetres
from geomcheck.finding import Point, Verdict

#: What to mind beside a neighbour of these classes, and with these kinds of connector or point.
NEAR_CLASS = {
    "fuel line": "The way to it is beside a fuel line: relieve its pressure before work; local "
    "codes and the maker's figures come first.",
    "hot part": "The way to it is beside a hot part: let it cool; local codes and the maker's "
    "figures come first.",
    "moving part": "The way to it is beside a moving part: battery off and key out before work; "
    "the maker's figures come first.",
}
OWN_KIND = {
    "connector": "Switch the power off before a plug is pulled or pushed home; the maker's figures "
    "come first.",
    "hose": "A hose may hold pressure, fuel or hot fluid: relieve and cool it first; local codes "
    "and the maker's figures come first.",
}

#: What a room is about: in its way, and where it stands.
ABOUT = {"body": "its body", "cable": "its boot or cable", "fingers": "two fingers on it"}


def where(room: Room) -> str:
    """The part and the place that come nearest."""
    if room.blocker is None:
        return ""
    return room.blocker if room.point is None else f"{room.blocker} at {at(room.point)}"


def span(connector: Connector, what: str) -> str:
    """Over which way something is asked for."""
    if what == "home":
        return "where it sits"
    return f"over its stroke of {connector.stroke:g} mm"


def connector_message(
    connector: Connector, label: str, what: str, room: Room, verdict: Verdict, wanted: float
) -> str:
    """What was found of one way of a connector, in the light of its tightest place."""
    about = ABOUT.get(what, "it")
    over = span(connector, what)
    place = where(room)
    if verdict is Verdict.PASS:
        free = f"{millimetres(room.room)} mm of room about {about} to {place}"
        if room.clear:
            free = f"at least {millimetres(room.room)} mm of room about {about}"
        return f"{label} goes on and off: {free}, {over}."
    if verdict is Verdict.UNDECIDED:
        return (
            f"It cannot be told whether {label} goes on and off: {millimetres(room.room)} mm of "
            f"room about {about}{f' to {place}' if place else ''}, {over}, but the truth lies "
            f"between {millimetres(room.low)} and {millimetres(room.high)} mm, "
            f"{millimetres(wanted)} mm wanted."
        )
    if room.inside:
        return f"{label} would stand inside the material of {place}."
    if room.room < 0.0:
        found = f"{place} stands {millimetres(-room.room)} mm in the way of {about}, {over}"
    else:
        found = (
            f"{millimetres(room.room)} mm of room about {about} to {place}, {over}, "
            f"{millimetres(wanted)} mm wanted"
        )
    if what == "home":
        return f"{label} has no room where it sits: {found}."
    if what == "fingers":
        return f"{label} cannot be held from any side: {found}."
    return f"{label} does not go on or off: {found}."


def connector_remedy(
    connector: Connector, carrier: str, room: Room, verdict: Verdict, wanted: float
) -> str:
    """How to make room for a connector."""
    if verdict is Verdict.PASS:
        return ""
    blame = room.doubt or room.blocker or carrier
    amount = f"{at_least(wanted - room.low)} mm"
    if verdict is Verdict.UNDECIDED:
        return (
            f"Export {blame} with a finer chord error or declare its sagitta, or make {amount} "
            "more room."
        )
    if room.inside or room.point is None:
        return f"Check the place and the axis of {connector.name}."
    verb = "Relieve" if room.blocker == carrier else "Move"
    way = outward(connector.frame(), room.point)
    side = "" if way is None else f" in the direction {at(way)}"
    return f"{verb} {room.blocker} there by {amount} or more{side}; or turn the socket."


def pull_note(connector: Connector, pull: float) -> str:
    """How far a plug that does not come off can be pulled."""
    if pull >= connector.stroke:
        return ""
    if pull < 0.0:
        return " Its axis is not free even where it sits."
    return f" It can be pulled by {millimetres(pull)} of {connector.stroke:g} mm."


def pull_remedy(connector: Connector, pull: float) -> str:
    """What would do along the axis."""
    if pull >= connector.stroke:
        return ""
    return f" Along its axis {at_least(connector.stroke - pull)} mm are missing."


def outward(frame: FloatArray, point: Point) -> Point | None:
    """Unit vector from the axis to a point; None for a point on the axis."""
    out = np.array(point) - frame[0]
    out -= (out @ frame[3]) * frame[3]
    size = float(np.linalg.norm(out))
    if size < 1e-6:
        return None
    return (float(out[0] / size), float(out[1] / size), float(out[2] / size))


def across_view(frame: FloatArray, point: Point | None) -> Point:
    """A direction to look in, in which the way from the axis to ``point`` shows in true size.

    Unit vector from the camera to the place, 25 degrees down from square to the axis.
    """
    side = frame[1]
    way = None if point is None else outward(frame, point)
    if way is not None:
        side = np.cross(frame[3], np.array(way))
    tilt = math.radians(25.0)
    seen = -(math.cos(tilt) * side + math.sin(tilt) * frame[3])
    return (float(seen[0]), float(seen[1]), float(seen[2]))


def cautions(kind: str, classes: Iterable[str]) -> str:
    """What to mind with this kind of connector, then beside neighbours of these classes."""
    first = OWN_KIND.get(kind, "")
    more = [NEAR_CLASS[name] for name in dict.fromkeys(classes) if name in NEAR_CLASS]
    return " ".join([first, *more]).strip()


#: Said of a plug that goes on first; by whether its socket is on our side.
PLUGGED_FIRST = {
    True: "Plugged in on the bench before the housing goes down",
    False: "Plugged in before the housing goes down",
}

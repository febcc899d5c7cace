"""Re-check of plugs and hoses: body, cable and fingers over the stroke, against all triangles."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.connectors import ConnectorEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.plug import Plug
from geomcheck.verify.fasten.room import (
    About,
    Column,
    chord,
    limit,
    told_room,
    verdict_of,
    way_out,
)
from geomcheck.verify.plain.near import distances
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import NEAR

#: What the project file does not say: how far metal may miss the rim, and where looking begins, mm.
RIM, LIFT = 1.0, 0.5
#: Metal beyond this is not looked for, mm.
WITHIN = 25.0
#: Directions in which fingers are tried again.
TURNS = 720


def connector(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A plug on its socket: all rooms that are told, how far it is pulled, and the verdict."""
    entry = _entry(scene, finding)
    table: Any = scene.project.document.check.get(finding.code, {})
    yield from limit(finding, entry.room)
    told = finding.details
    if "in_place" not in told:
        yield from place(scene, finding, entry.part, entry.at, table, _radius(entry), RIM)
        return
    own = scene.body(finding.vehicle, entry.part).bundles
    off = float(distances(np.array([entry.at]), own)[0])
    most = _radius(entry) + float(table.get("rim_tolerance", RIM))
    yield confirm("metal at the rim", off <= most + NEAR, f"{off:.3f} mm from it")
    plug = Plug(entry, float(told["start"]) + 1e-6)
    yield _begins(scene, finding, entry, table, float(told["start"]))
    near, mine = _names(scene, finding.vehicle, entry)
    within = entry.room + float(table.get("within", WITHIN))
    reach = plug.radius + entry.finger + within + 1.0
    without = {entry.part: plug.spigot} if entry.bore else None
    about = About(scene, finding.vehicle, near, plug.frame, reach, without)
    for key, names, pinch in (("in_place", near, "pinch"), ("first", mine, "first_pinch")):
        for what, row in told[key].items():
            label = f"{what} {'in place' if key == 'in_place' else 'before'}"
            yield from chord(scene, finding, label, row)
            if what == "home":
                yield _home(plug, about, row, names)
                continue
            columns = _columns(plug, what, told[pinch])
            feet = [about.world(u, v, plug.start) for u, v in plug.foot()] if what == "body" else []
            if what == "fingers":
                half = 0.5 * (columns[0].low + columns[0].high)
                feet = [about.world(one.u, one.v, half) for one in columns]
            yield from told_room(scene, finding, about, label, row, columns, names, feet)
    yield from _verdict(plug, about, finding, near, mine)
    yield _pull(plug, about, float(told["pull"]), near)
    if finding.verdict is Verdict.PASS:
        top = about.world(0.0, 0.0, plug.pulled + 1.0)
        names = mine if entry.when == "first" else near
        way = told["way_in"]
        enough = way["comes"] == "hand" or (way["comes"] == "finger" and _held(entry))
        yield confirm("a hand comes to it", enough, str(way["comes"]))
        if way["comes"] != "nothing":
            yield way_out(scene, finding.vehicle, names, top, plug.frame[3], way)


def _entry(scene: Scene, finding: Finding) -> ConnectorEntry:
    for one in scene.project.document.connectors:
        here = one.vehicle in (None, finding.vehicle)
        if here and finding.subject == f'{one.kind} "{one.name}"':
            return one
    raise NotRechecked("the connector is not in the project file")


def _radius(entry: ConnectorEntry) -> float:
    return Plug(entry, 0.0).radius


def _held(entry: ConnectorEntry) -> bool:
    return entry.grip > 0.0 and entry.finger > 0.0


def _names(scene: Scene, vehicle: str, entry: ConnectorEntry) -> tuple[list[str], list[str]]:
    """What stands about it in place, and that of it which is on its own side."""
    near = []
    for name in scene.names(vehicle):
        away = scene.entry(vehicle, name)[0].open_for_tools and name != entry.part
        if not away and name not in entry.itself:
            near.append(name)
    side = scene.entry(vehicle, entry.part)[0].role == "neighbour"
    return near, [n for n in near if (scene.entry(vehicle, n)[0].role == "neighbour") == side]


def _columns(plug: Plug, what: str, pinch: Any) -> list[Column]:
    if what == "body":
        return plug.body(plug.pulled)
    if what == "cable":
        return plug.boot(plug.entry.stroke)
    return plug.fingers(float(pinch))


def _begins(
    scene: Scene, finding: Finding, entry: ConnectorEntry, table: Mapping[str, Any], start: float
) -> Claim:
    """Looking begins no higher above the rim than lift and chord error ask for."""
    lift = float(table.get("lift", LIFT))
    declared = scene.entry(finding.vehicle, entry.part)[0].sagitta
    words = f"{start:g} mm above the rim"
    if declared is not None:
        holds = min(abs(start - lift), abs(start - lift - declared)) <= NEAR
        return confirm("where looking begins", holds, f"{words}; {lift:g} + {declared:g} mm asked")
    most = lift + float(table.get("rim_tolerance", RIM))
    return confirm("where looking begins", lift - NEAR <= start <= most + NEAR, words)


def _home(plug: Plug, about: About, row: Mapping[str, Any], names: list[str]) -> Claim:
    """Body and cable at rest: the one whose lower end is less is told."""
    room = float(row["room"])
    found = [about.least(plug.body(plug.entry.length), room + 1.0, names)[0]]
    if plug.entry.straight > 0.0:
        found.append(about.least(plug.boot(0.0), room + 1.0, names)[0])
    if row.get("inside"):
        held = about.holder(np.array(row["point"], dtype=np.float64), names)
        return confirm("home", held is not None and room <= 0.0, f"inside {held}")
    if row["at_least"]:
        holds = min(found) >= room - NEAR
    else:
        holds = min(abs(one - room) for one in found) <= NEAR and min(found) >= row["low"] - NEAR
    return confirm("room at rest", holds, f"{min(found):.6f} mm against {room:.6f} mm")


def _verdict(
    plug: Plug, about: About, finding: Finding, near: list[str], mine: list[str]
) -> Iterator[Claim]:
    """That the verdict and the way follow from the rooms, and a fail from the body itself."""
    told = finding.details
    entry = plug.entry
    here = {what: row for what, row in told["in_place"].items() if what != "home"}
    before = {**told["first"], "home": told["in_place"]["home"]}
    wanted = {"body"} | ({"cable"} if entry.straight > 0.0 else set())
    wanted |= {"fingers"} if _held(entry) else set()
    whole = set(here) == wanted and set(told["first"]) == wanted
    yield confirm("all that moves is asked", whole, ", ".join(sorted(wanted)))
    in_place, first = (verdict_of(rows.values(), entry.room) for rows in (here, before))
    chosen, rows = (first, before) if entry.when == "first" else (in_place, here)
    unsure = finding.verdict is Verdict.UNDECIDED and chosen is Verdict.PASS
    holds = chosen is finding.verdict or unsure
    yield confirm("verdict from the rooms", holds, f"{chosen}, told is {finding.verdict}")
    if unsure:
        yield left_open("a way in", "none was found; that is not tried again")
    way = {Verdict.PASS: "plug in first", Verdict.FAIL: "no way"}.get(first, "undecided")
    way = "in place" if in_place is Verdict.PASS else way
    yield confirm("way", told["way"] == way, f"{way}, told is {told['way']}")
    quantity = finding.quantity
    if quantity is not None:
        ends = [(row["room"], row["low"], row["high"]) for row in rows.values()]
        mine_too = (quantity.value, quantity.low, quantity.high)
        holds = any(np.abs(np.subtract(one, mine_too)).max() <= 4e-6 for one in ends)
        # The verdict must rest on what has least of it.
        holds &= quantity.low <= min(row["low"] for row in rows.values()) + 4e-6 or chosen is not (
            Verdict.PASS
        )
        yield confirm("value from the rooms", holds, f"{quantity.value:.6f} mm")
    if finding.verdict is not Verdict.FAIL:
        return
    failed = [what for what, row in rows.items() if float(row["high"]) < entry.room]
    if all(what == "fingers" for what in failed):
        yield _no_fingers(plug, about, mine if entry.when == "first" else near)
    elif entry.box is not None and not {"cable", "fingers"} & set(failed):
        yield _body_itself(plug, about, [rows[what] for what in failed])


def _body_itself(plug: Plug, about: About, rows: list[Mapping[str, Any]]) -> Claim:
    """That a witness is nearer to the square body than asked, not only to circles about it."""
    found = np.inf
    for row in rows:
        if row["point"] is None:
            continue
        u, v, _ = about.local(row["point"])
        out = np.array([abs(u) - plug.width / 2.0, abs(v) - plug.height / 2.0])
        inside = float(out.max())
        found = min(found, inside if inside < 0.0 else float(np.linalg.norm(np.maximum(out, 0.0))))
    what, words = "the square body itself", f"{found:.6f} mm from it"
    if found < plug.entry.room:
        return confirm(what, True, words)
    return left_open(what, "only circles about its edge are met by the witness")


def _no_fingers(plug: Plug, about: About, names: list[str]) -> Claim:
    """That in no direction two fingers have room: many directions, and what lies between them."""
    lever = plug.width / 2.0 + plug.entry.finger / 2.0
    if plug.entry.box is not None:
        lever = math.hypot(plug.width, plug.height) + plug.entry.finger / 2.0
    step = 180.0 / TURNS
    best = -np.inf
    for k in range(TURNS):
        columns = plug.fingers(k * step)
        half = 0.5 * (columns[0].low + columns[0].high)
        room = about.least(columns, plug.entry.room + 1.0, names)[0]
        if room + lever * math.radians(0.5 * step) >= plug.entry.room:
            feet = [about.world(one.u, one.v, half) for one in columns]
            if not any(about.holder(foot, names) for foot in feet):
                best = max(best, room)
    what, words = "no other direction of the fingers", f"{TURNS} directions"
    if best == -np.inf:
        return confirm(what, True, words)
    if best >= plug.entry.room:
        return confirm(what, False, f"{best:.3f} mm of room in one of {words}")
    return left_open(what, f"between {words} there may be one")


def _pull(plug: Plug, about: About, told: float, names: list[str]) -> Claim:
    """How far body and cable are pulled until metal stops them."""
    found = plug.entry.stroke
    for columns, top in (
        (plug.body(np.inf), plug.entry.length),
        (plug.boot(0.0), plug.entry.length + plug.entry.straight),
    ):
        found = min(found, about.lowest(columns, names) - top)
    words = f"{found:.6f} mm against {told:.6f} mm"
    return confirm("how far it is pulled", abs(found - told) <= 5e-4, words)


def place(
    scene: Scene,
    finding: Finding,
    part: str,
    at: Any,
    table: Mapping[str, Any],
    radius: float,
    tolerance: float,
) -> Iterator[Claim]:
    """A place that is said not to be on its part."""
    key = "rim_tolerance" if "rim_tolerance" in table else "tolerance"
    most = radius + float(table.get(key, tolerance))
    off = float(distances(np.array([at]), scene.body(finding.vehicle, part).bundles)[0])
    words = f"{off:.3f} mm to the nearest metal of {part}"
    if finding.verdict is Verdict.ERROR and off > most:
        yield confirm("no metal at the place", True, words)
        return
    yield left_open("place", f"{words}; what else is wrong there is not worked out again")

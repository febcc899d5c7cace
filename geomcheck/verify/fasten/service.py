"""Re-check of service points: what reaches them with the vehicle's parts alone, and with all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.connectors import ServiceEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.connector import place
from geomcheck.verify.fasten.room import (
    About,
    Column,
    chord,
    frame_of,
    limit,
    told_room,
    verdict_of,
    way_out,
)
from geomcheck.verify.fasten.turned import turned
from geomcheck.verify.plain.near import distances
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import NEAR

#: What the project file does not say: how far metal may miss the place, and where looking begins.
TOLERANCE, LIFT = 1.0, 0.5
#: Metal beyond this is not looked for, mm.
WITHIN = 25.0
_GOES = {Verdict.PASS: "yes", Verdict.FAIL: "no", Verdict.UNDECIDED: "undecided"}
_WORSE = ("no", "undecided", "yes")
_VERDICTS = {
    "kept": Verdict.PASS,
    "lost": Verdict.FAIL,
    "never": Verdict.NOT_APPLICABLE,
    "undecided": Verdict.UNDECIDED,
}


def service(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A service point: the rooms before and after, what became of it, and a hand's way there."""
    entry, drawn = _entry(scene, finding)
    table: Any = scene.project.document.check.get(finding.code, {})
    told = finding.details
    radius = (entry.diameter or 0.0) / 2.0
    if "served" not in told:
        yield from place(scene, finding, entry.part, entry.at, table, radius, TOLERANCE)
        return
    seats = [w.point for w in finding.witnesses if w.label == "service point"]
    off = float(np.linalg.norm(np.subtract(seats[-1], entry.at))) if seats else np.inf
    yield confirm("service point", off <= NEAR, f"{off:.6f} mm from the entry's point")
    if not drawn:
        yield _begins(scene, finding, entry, table)
        names = sides(scene, finding.vehicle, entry)
        yield from turned(scene, finding, entry, names, table)
        if finding.verdict is Verdict.PASS:
            yield reached(scene, finding, names[1], _held(finding))
        return
    yield from limit(finding, entry.room)
    own = scene.body(finding.vehicle, entry.part).bundles
    off = float(distances(np.array([entry.at]), own)[0])
    most = radius + float(table.get("tolerance", TOLERANCE))
    if off > most and (entry.head or entry.drive):
        yield left_open("metal at the place", "it is looked for within a head's radius")
    else:
        yield confirm("metal at the place", off <= most + NEAR, f"{off:.3f} mm from it")
    yield _begins(scene, finding, entry, table)
    yield from _clear_way(scene, finding, entry, table)


def _entry(scene: Scene, finding: Finding) -> tuple[ServiceEntry, bool]:
    """The entry, and whether the finding is about its clear way rather than its tools."""
    for one in scene.project.document.services:
        subject = f'service "{one.name}"'
        turned = one.head is not None or one.drive is not None
        if one.vehicle not in (None, finding.vehicle):
            continue
        if finding.subject == f"{subject}, way out" and turned:
            return one, True
        if finding.subject == subject:
            return one, not turned
    raise NotRechecked("the service point is not in the project file")


def _begins(scene: Scene, finding: Finding, entry: ServiceEntry, table: Mapping[str, Any]) -> Claim:
    """Looking begins no higher above the place than lift and chord error ask for."""
    lift, start = float(table.get("lift", LIFT)), float(finding.details["start"])
    declared = scene.entry(finding.vehicle, entry.part)[0].sagitta
    words = f"{start:g} mm above the place"
    if declared is not None:
        holds = min(abs(start - lift), abs(start - lift - declared)) <= NEAR
        return confirm("where looking begins", holds, f"{words}; {lift:g} + {declared:g} mm asked")
    most = lift + float(table.get("tolerance", TOLERANCE))
    return confirm("where looking begins", lift - NEAR <= start <= most + NEAR, words)


def sides(scene: Scene, vehicle: str, entry: ServiceEntry) -> tuple[list[str], list[str]]:
    """The vehicle's parts about a point, and those with the housing and what it carries."""
    everything = []
    for name in scene.names(vehicle):
        away = scene.entry(vehicle, name)[0].open_for_tools and name != entry.part
        if not away and name not in entry.itself:
            everything.append(name)
    theirs = [n for n in everything if scene.entry(vehicle, n)[0].role == "neighbour"]
    return theirs, everything


def _clear_way(
    scene: Scene, finding: Finding, entry: ServiceEntry, table: Mapping[str, Any]
) -> Iterator[Claim]:
    if entry.diameter is None or entry.length is None:
        raise NotRechecked("the project file asks for no clear way here")
    rows: Any = finding.details["served"]
    name = f"a clear way of {entry.diameter:g} x {entry.length:g} mm"
    same = len(rows) == 1 and rows[0]["name"] == name
    yield confirm("what is asked", same, name)
    if not same:
        return
    row = rows[0]
    theirs, everything = sides(scene, finding.vehicle, entry)
    within = entry.room + float(table.get("within", WITHIN))
    start = float(finding.details["start"]) + 1e-6
    column = Column(0.0, 0.0, start, entry.length, entry.diameter / 2.0)
    frame = frame_of(entry.at, entry.axis)
    about = About(scene, finding.vehicle, everything, frame, column.radius + within + 1.0)
    foot = about.world(0.0, 0.0, start)
    for when, names in (("before", theirs), ("after", everything)):
        yield from chord(scene, finding, when, row[when])
        yield from told_room(scene, finding, about, when, row[when], [column], names, [foot])
    yield from _became(finding, entry, [row])
    if finding.verdict is Verdict.PASS:
        ends = (entry.length + 1.0, 0.5 * entry.length)
        places = [about.world(0.0, 0.0, end) for end in ends]
        yield reached(scene, finding, everything, [(p, frame[3]) for p in places])


def _held(finding: Finding) -> list[tuple[Any, Any]]:
    """Places a hand may hold the tool told of, each with its way on: its top, its handle's end."""
    told: Any = finding.details["tool"]
    at, up = np.array(told["at"]), np.array(told["axis"])
    bars = told.get("bars", [])
    high = max([row[1] for row in told["profile"]] + [bar[1] for bar in bars])
    places = [(at + (high + 1.0) * up, up)]
    if bars and "toward" in told:
        low, top, _, _, outer = max(bars, key=lambda bar: bar[4])
        toward = np.array(told["toward"])
        places.append((at + 0.5 * (low + top) * up + (outer + 1.0) * toward, toward))
    return places


def reached(
    scene: Scene,
    finding: Finding,
    names: Sequence[str],
    held: Sequence[tuple[Any, Any]],
) -> Claim:
    """That a hand, or a finger, comes to one of some places, each with the way on from there."""
    told: Any = finding.details.get("way_in")
    if told is None:
        return left_open("a way in", "none was found before either; that is not tried again")
    if told["comes"] == "nothing":
        return confirm("a way in", False, "it passes, though nothing comes there")
    found = [way_out(scene, finding.vehicle, names, at, axis, told) for at, axis in held]
    return min(found, key=lambda claim: claim.status != "confirmed")


def _became(
    finding: Finding, entry: ServiceEntry, rows: Sequence[Mapping[str, Any]]
) -> Iterator[Claim]:
    """That state and verdict follow from the rooms before and after."""
    row = rows[0]
    now = _GOES[verdict_of([row["after"]], entry.room)]
    was = max(_GOES[verdict_of([row["before"]], entry.room)], now, key=_WORSE.index)
    state = "undecided"
    if now == "yes":
        state = "kept"
    elif was == "no":
        state = "never"
    elif (was, now) == ("yes", "no"):
        state = "lost"
    same = (row["was"], row["now"], row["state"]) == (was, now, state)
    same &= finding.details["state"] == state
    yield confirm("what became of it", same, f"{state}: {was} before, {now} now")
    verdict = _VERDICTS[state]
    unsure = finding.verdict is Verdict.UNDECIDED and verdict is Verdict.PASS
    holds = finding.verdict is verdict or unsure
    yield confirm("verdict from the rooms", holds, f"{verdict}, told is {finding.verdict}")
    if unsure:
        yield left_open("a way in", "none was found; that is not tried again")
    after = row["after"]
    lost = float(row["before"]["room"]) - float(after["room"])
    holds = abs(lost - float(row["lost_mm"])) <= 4e-6
    yield confirm("room that is lost", holds, f"{lost:.6f} mm")
    quantity = finding.quantity
    if quantity is not None:
        told = (quantity.value, quantity.low, quantity.high)
        ends = (after["room"], after["low"], after["high"])
        same = bool(np.abs(np.subtract(told, ends)).max() <= 4e-6)
        yield confirm("value from the rooms", same, f"{quantity.value:.6f} mm")

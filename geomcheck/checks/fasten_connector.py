"""Plugs and hoses: can they be pushed home and pulled off, and does a hand get at them.

What: Each ``[[connector]]`` is a body, round or square, that stands out of its socket, with a boot
or cable of a straight length behind it. Body and cable are moved along the axis by the mating
stroke, and two fingers pinch the body from opposite sides over its last ``grip`` millimetres, in
the best of all directions. The room left to the nearest metal of any part is measured exactly;
parts marked ``open_for_tools``, and those that are the plug ``itself``, are left out, and so is
what lies within ``bore`` of its own socket. With ``when = "first"`` it is plugged in before the
housing goes down: then it is asked with the parts of its own side alone (housing and carried parts,
or the vehicle), and once more with all of them where it sits. From the end of the pulled plug a
straight way as thick as a hand must lead out (as a finger, with ``grip = 0``), or it is undecided.
Not looked at: bends of the cable behind its straight length, a latch.

Why: A plug that sits under the housing is found when the housing is bolted down and the harness
hangs beside it.

Remedy: Move or relieve the part that blocks by the amount stated; turn the socket; use a plug with
a shorter stroke or an angled boot; or plug it in first, and say so with ``when = "first"``.

Details of a finding: ``way`` (``in place``, ``plug in first``, ``no way``, ``undecided``),
``in_place`` and ``first`` (room in mm about ``body``, ``cable``, ``fingers``, ``home``), ``pinch``
and ``first_pinch`` (direction of the fingers, degrees), ``start`` (mm above the rim where looking
begins), ``pull`` (how far it can be pulled, mm, at most its stroke), ``tool`` (the plug as drawn,
pulled off).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from pydantic import Field

from geomcheck.errors import CannotDecide
from geomcheck.fasten import connector_words as words
from geomcheck.fasten.connector import Connector
from geomcheck.fasten.foot import foot_sagitta
from geomcheck.fasten.plugging import Plugging, free_pull, plugging
from geomcheck.fasten.room import Room
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.way_in import way_in
from geomcheck.fasten.way_words import with_way
from geomcheck.fasten.words import facet_terms
from geomcheck.finding import SEVERITY, Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import ConnectorEntry, NotNegative, Positive, Table
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled_watched
from geomcheck.project.sockets import connector_of, rim_trouble
from geomcheck.wording import capital

CODE = "fasten-connector"
TITLE = "plugs and hoses"


class Settings(Table):
    """Settings of the check."""

    rim_tolerance: Positive = Field(
        default=1.0, description="how far metal may miss the stated rim of a socket, mm"
    )
    lift: NotNegative = Field(
        default=0.5, description="nothing is looked at nearer to the rim than this, mm"
    )
    within: Positive = Field(
        default=25.0, description="metal farther from the plug than this is not looked for, mm"
    )


@dataclass(frozen=True)
class _Way:
    """One way of a connector: its verdict and the room it rests on."""

    verdict: Verdict
    what: str
    room: Room


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each connector of the vehicle."""
    asked = [(*pair, connector_of(assembly, *pair)) for pair in assembly.connectors]
    for key, entry, connector in asked:
        ask = partial(_ask, settings=settings, key=key, entry=entry, connector=connector)
        yield from recalled_watched(assembly, CODE, key, ask)


def _ask(
    assembly: Assembly,
    settings: Settings,
    key: Key,
    entry: ConnectorEntry,
    connector: Connector,
) -> Finding:
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    trouble = rim_trouble(connector, about[entry.part], settings.rim_tolerance, settings.lift)
    if trouble is not None:
        verdict, message, remedy = trouble
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=assembly.vehicle,
            subject=f'{entry.kind} "{entry.name}"',
            parts=(entry.part,),
            message=message,
            remedy=remedy,
            witnesses=(Witness("socket", entry.part, entry.at),),
            entry=assembly.entry(key),
        )
    within = entry.room + settings.within
    ends = (connector.at, connector.point(connector.reach))
    radius = connector.radius + connector.finger + within
    near = [p for p in about.beside(ends, radius, entry.part) if p.name not in entry.itself]
    side = assembly.parts[entry.part].role == "neighbour"
    own = [p for p in near if (assembly.parts[p.name].role == "neighbour") == side]

    def ask(parts: Any) -> Plugging:
        return plugging(
            connector,
            parts,
            carrier=entry.part,
            lift=settings.lift,
            within=within,
            wanted=entry.room,
        )

    try:
        here, first = ask(near), ask(own)
    except CannotDecide as error:
        raise CannotDecide(error.what, remedy=error.remedy, where=entry.name) from error
    pull = free_pull(connector, near, carrier=entry.part, lift=settings.lift)
    start = settings.lift + foot_sagitta(connector.at, connector.radius, about[entry.part])
    finding = _finding(assembly, key, entry, connector, here, first, pull, start)
    place = connector.point(connector.length + connector.stroke + 1.0)
    roles = assembly.parts.roles

    def there(name: str) -> bool:
        mine = entry.when != "first" or (roles[name] == "neighbour") == side
        return mine and name not in entry.itself

    held = connector.grip > 0.0 and connector.finger > 0.0
    way = way_in(place, connector.axis, about.around(entry.part, there))
    return with_way(finding, "the pulled plug", place, way, finger=not held)


def _finding(
    assembly: Assembly,
    key: Key,
    entry: ConnectorEntry,
    connector: Connector,
    here: Plugging,
    first: Plugging,
    pull: float,
    start: float,
) -> Finding:
    need = Requirement("at least", entry.room, "mm", f'{entry.kind} "{entry.name}"')
    in_place = _way(here.rooms, need)
    before = _worst([_way(first.rooms, need), _way((("home", here.home),), need)])
    chosen = before if entry.when == "first" else in_place
    room = chosen.room
    label = f'{entry.kind} "{entry.name}"'
    message = words.connector_message(
        connector, label, chosen.what, room, chosen.verdict, need.limit
    )
    remedy = words.connector_remedy(connector, entry.part, room, chosen.verdict, need.limit)
    if chosen is in_place and chosen.verdict is Verdict.FAIL and chosen.what != "fingers":
        message += words.pull_note(connector, pull)
        remedy += words.pull_remedy(connector, pull)
    if entry.when == "first":
        message = f"{words.PLUGGED_FIRST[entry.part in _ours(assembly)]}, {message}"
        if in_place.verdict is Verdict.PASS:
            message += ' It also goes on with all parts in place: when = "first" is needless.'
    elif chosen.verdict is not Verdict.PASS and before.verdict is Verdict.PASS:
        message += " Before the housing goes down it goes on: plug it in first."
        remedy = f'Plug it in first and say so with when = "first". Or: {remedy}'
    elif chosen.verdict is Verdict.FAIL and before.verdict is Verdict.FAIL:
        message += " Plugging it in before the housing goes down does not help."
    way = "in place"
    if in_place.verdict is not Verdict.PASS:
        way = {Verdict.PASS: "plug in first", Verdict.FAIL: "no way"}.get(
            before.verdict, "undecided"
        )
    witness = Witness("socket", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (witness,)
    if room.blocker is not None and room.point is not None:
        met = "blocked here" if room.room <= 0.0 else "nearest metal"
        witnesses = (Witness(met, room.blocker, room.point), witness)
    rooms = [*here.rooms, *first.rooms, ("home", here.home)]
    near = [assembly.parts[r.blocker].kind for _, r in rooms if r.blocker is not None]
    return Finding(
        code=CODE,
        verdict=chosen.verdict,
        vehicle=assembly.vehicle,
        subject=label,
        parts=tuple(dict.fromkeys(filter(None, (entry.part, room.blocker)))),
        message=capital(message),
        remedy=remedy,
        quantity=None
        if room.clear and chosen.verdict is Verdict.PASS
        else _quantity(assembly, entry, chosen.what, room),
        requirement=need,
        witnesses=witnesses,
        view=words.across_view(connector.frame(), room.point),
        entry=assembly.entry(key),
        caution=words.cautions(entry.kind, [assembly.parts[entry.part].kind, *near]),
        details={
            "way": way,
            "in_place": {n: _row(r) for n, r in (*here.rooms, ("home", here.home))},
            "first": {n: _row(r) for n, r in first.rooms},
            "pull": pull,
            "pinch": here.pinch,
            "first_pinch": first.pinch,
            "start": start,
            "tool": {
                "name": entry.name,
                "at": list(connector.at),
                "axis": list(connector.axis),
                "profile": [list(row) for row in connector.profile(connector.stroke)],
            },
        },
    )


def _ours(assembly: Assembly) -> set[str]:
    return {name for name, role in assembly.parts.roles.items() if role != "neighbour"}


def _way(rooms: tuple[tuple[str, Room], ...], need: Requirement) -> _Way:
    """The worst of several rooms; of equals the tightest."""
    ways = [
        _Way(need.decide(Quantity("room", room.room, "mm", room.low, room.high)), what, room)
        for what, room in rooms
    ]
    return _worst(ways)


def _worst(ways: list[_Way]) -> _Way:
    return min(ways, key=lambda way: (SEVERITY.index(way.verdict), way.room.low))


def _quantity(assembly: Assembly, entry: ConnectorEntry, what: str, room: Room) -> Quantity:
    name = room.doubt or room.blocker or ""
    source: str = assembly.parts[name].sagitta.source if name else ""
    if entry.box is not None:
        source += "; the box by cylinders about and within it"
    if what == "fingers":
        source += "; direction of the fingers"
    terms = facet_terms(room.room, room.low, room.high, name, source)
    title = {"body": "room about the body", "cable": "room about the cable"}.get(what, "room")
    if what == "fingers":
        title = "room about the fingers"
    return Quantity(title, room.room, "mm", room.low, room.high, terms)


def _row(room: Room) -> dict[str, Any]:
    return {
        "room": room.room,
        "low": room.low,
        "high": room.high,
        "at_least": room.clear,
        "nearest": room.blocker,
        "point": list(room.point) if room.point is not None else None,
        "inside": room.inside,
    }

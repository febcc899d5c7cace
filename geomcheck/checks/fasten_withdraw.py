"""Drawing a fastener: is there room along its axis to take it out and put it in.

What: For every fastener, the head (a cylinder of its greatest diameter, standing on its seat) and
the washer under it are moved out along the axis until they meet metal of any part; parts marked
``open_for_tools`` are left out. The free travel must be at least the screw's nominal length plus
``margin``. A screw of the housing or of a carried part is asked a second time on the bench, with
those parts alone: where it goes in there only, the finding says "load it first". With
``load = "first"`` in its entry that is no fault: asked is then whether it goes in on the bench and
lets the housing down, raised until its tip stands clear of the vehicle's metal (the mouth of its
thread), with that much free travel over it. Where ``into`` or ``load`` is given, the shank must
stand free in every hole but the one with its thread. From the drawn screw's head a straight way as
thick as a finger must lead out, or it is undecided; a pass tells where none is as wide as a hand.
Not looked at: tilting the screw, whether all of it goes that way, the housing's way down.

Why: A bolt that a wheel arch or a bulkhead keeps in its hole means that the bracket, or the
engine, comes out first. One that can only be put in on the bench is found when the housing is down
and the bolt still on the bench.

Remedy: Use a shorter screw, or a stud; move or relieve the part that blocks; turn the axis; or let
the screw travel with the housing, put in before the housing goes on, and say ``load = "first"``.

Details of a finding: ``travel`` and ``needed`` (mm), ``head_diameter`` (mm), ``washer_diameter``,
``seat``, ``way`` (``in place``, ``load first``, ``no way``, ``undecided``), ``bench`` (travel
there), ``shank`` and ``raised`` (room in mm; raised by how much, on which part).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

from pydantic import Field

from geomcheck.fasten import loading_words, words
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.loading import WITHIN, Loading, loading
from geomcheck.fasten.room import Room
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.way_in import way_to
from geomcheck.fasten.way_words import with_way
from geomcheck.fasten.withdraw import Withdrawal, washer_radius
from geomcheck.finding import SEVERITY, Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, NotNegative
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled_watched
from geomcheck.project.screws import SeatTable, resolve, seat_finding, title

CODE = "fasten-withdraw"
TITLE = "room to draw fasteners"


class Settings(SeatTable):
    """Settings of the check."""

    margin: NotNegative = Field(
        default=0.0, description="travel wanted beyond the screw's length, mm"
    )
    lift: NotNegative = Field(
        default=0.3, description="nothing is looked at nearer to the seat than this, mm"
    )


@dataclass(frozen=True)
class _Answer:
    """What the verdict rests on, in numbers and words."""

    verdict: Verdict
    quantity: Quantity | None
    need: Requirement
    message: str
    remedy: str
    met: Withdrawal | Room
    label: str


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each fastener of the vehicle."""
    # Every entry is read before any is measured: a wrong one should not cost the work first.
    asked = [(*pair, resolve(assembly, *pair)) for pair in assembly.fasteners]
    for key, entry, _ in asked:
        _check_first(assembly, key, entry)
    for key, entry, fastener in asked:
        ask = partial(_ask, settings=settings, key=key, entry=entry, fastener=fastener)
        yield from recalled_watched(assembly, CODE, key, ask)


def _check_first(assembly: Assembly, key: Key, entry: FastenerEntry) -> None:
    if entry.load == "first" and assembly.parts[entry.part].role == "neighbour":
        assembly.refuse(
            (*key, "load"),
            f'"{entry.name}" sits on "{entry.part}", a part of the vehicle: it does not go down '
            "with the housing",
            "load a bolt of the housing or of a carried part first, or take out load",
        )


def _ask(
    assembly: Assembly,
    settings: Settings,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
) -> Finding:
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    carrier = about[entry.part]
    seat = examine_seat(
        fastener, carrier, tolerance=settings.seat_tolerance, share=settings.seat_share
    )
    trouble = words.seat_trouble(fastener, title(entry), carrier, seat, settings.seat_tolerance)
    if trouble is not None:
        return seat_finding(CODE, assembly, key, entry, trouble, seat)
    beyond = fastener.head_top + fastener.length + settings.margin
    wide = max(fastener.head_radius, washer_radius(fastener), fastener.hole_radius)
    up = about.above(fastener, beyond, wide, entry.part)
    down = about.along(fastener, -fastener.length, fastener.hole_radius + WITHIN, entry.part)
    near = {part.name: part for part in (*up, *down)}
    roles = assembly.parts.roles
    ours = {name for name in roles if roles[name] != "neighbour"}
    bench = [part for name, part in near.items() if name in ours]
    into = "" if entry.nut is not None else entry.into
    result = loading(
        fastener,
        list(near.values()),
        bench if entry.part in ours else list(near.values()),
        carrier=entry.part if entry.load == "first" else "",
        into=into,
        seat=seat,
        lift=settings.lift,
        margin=settings.margin,
    )
    if entry.load == "first":
        answer = _loaded_first(assembly, entry, fastener, result)
    else:
        answer = _in_place(assembly, entry, fastener, result, entry.part in ours)
    finding = _finding(assembly, key, entry, fastener, seat, result, answer)
    if finding.verdict is not Verdict.PASS:
        return finding
    # A finger comes to it from above, or from the side.
    top = fastener.head_top + fastener.length
    places = [fastener.point(top + 1.0), fastener.point(0.5 * top)]
    there = about.around(entry.part, lambda name: entry.load != "first" or name in ours)
    way = way_to([(place, fastener.axis) for place in places], there)
    return with_way(finding, "the drawn bolt", places[0], way, finger=True)


def _in_place(
    assembly: Assembly, entry: FastenerEntry, fastener: Fastener, result: Loading, ours: bool
) -> _Answer:
    shank = _shank(assembly, entry, fastener, result.shank)
    answer = _travel(assembly, entry, fastener, result.in_place, result if ours else None)
    return _worse(answer, shank)


def _loaded_first(
    assembly: Assembly, entry: FastenerEntry, fastener: Fastener, result: Loading
) -> _Answer:
    bench = _travel(assembly, entry, fastener, result.on_bench, None)
    if bench.verdict is not Verdict.PASS:
        text = f"{loading_words.BENCH} too: {bench.message}"
        bench = replace(bench, message=text)
    answer = _worse(bench, _shank(assembly, entry, fastener, result.shank))
    if answer.verdict is not Verdict.PASS:
        return answer
    raised = result.raised
    need = Requirement("at least", 0.0, "mm", f'load = "first" of "{entry.name}"')
    terms = _terms(assembly, result.in_place, raised.room, raised.room_low, raised.room_high)
    quantity = Quantity(
        "room over the raised head", raised.room, "mm", raised.room_low, raised.room_high, terms
    )
    verdict = need.decide(quantity)
    clear = result.in_place.clear and verdict is Verdict.PASS
    return _Answer(
        verdict,
        None if clear else quantity,
        need,
        loading_words.first_message(title(entry), result, verdict),
        loading_words.first_remedy(fastener, result, verdict),
        result.in_place,
        f"{result.in_place.stops} stops here",
    )


def _travel(
    assembly: Assembly,
    entry: FastenerEntry,
    fastener: Fastener,
    travel: Withdrawal,
    both: Loading | None,
) -> _Answer:
    need = Requirement("at least", travel.needed, "mm", f'length of "{entry.name}"')
    terms = _terms(assembly, travel, travel.travel, travel.low, travel.high)
    quantity = Quantity("free travel", travel.travel, "mm", travel.low, travel.high, terms)
    verdict = need.decide(quantity)
    bolt = title(entry)
    message = loading_words.travel_message(fastener, bolt, travel, verdict)
    if both is not None and verdict is not Verdict.PASS:
        message += loading_words.bench_note(both)
    first = both is not None and both.way == "load first"
    remedy = loading_words.travel_remedy(fastener, entry.part, travel, verdict, first=first)
    # Nothing in the way is not a travel of so many mm: the message and details say how far was
    # looked.
    shown = None if travel.clear and verdict is Verdict.PASS else quantity
    return _Answer(verdict, shown, need, message, remedy, travel, f"{travel.stops} stops here")


def _shank(assembly: Assembly, entry: FastenerEntry, fastener: Fastener, room: Room) -> _Answer:
    need = Requirement("at least", 0.0, "mm", f'shank of "{entry.name}"')
    terms = _terms(assembly, room, room.room, room.low, room.high)
    quantity = Quantity("room about the shank", room.room, "mm", room.low, room.high, terms)
    verdict = need.decide(quantity)
    return _Answer(
        verdict,
        quantity,
        need,
        loading_words.shank_message(fastener, title(entry), room, verdict),
        loading_words.shank_remedy(room, verdict),
        room,
        "shank stops here",
    )


def _worse(first: _Answer, second: _Answer) -> _Answer:
    """The answer with the worse verdict; the first where they are as bad."""
    return min(first, second, key=lambda answer: SEVERITY.index(answer.verdict))


def _terms(
    assembly: Assembly, met: Withdrawal | Room, value: float, low: float, high: float
) -> Any:
    name = met.doubt or met.blocker or ""
    source = assembly.parts[name].sagitta.source if name else ""
    return words.facet_terms(value, low, high, name, source)


def _finding(
    assembly: Assembly,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    seat: Seat,
    result: Loading,
    answer: _Answer,
) -> Finding:
    met = answer.met
    witness = Witness("seat", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (witness,)
    if met.blocker is not None and met.point is not None:
        witnesses = (Witness(answer.label, met.blocker, met.point), witness)
    blockers = (met.blocker, result.in_place.blocker)
    kinds = [assembly.parts[name].kind for name in blockers if name is not None]
    travel = result.in_place
    return Finding(
        code=CODE,
        verdict=answer.verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=tuple(dict.fromkeys(filter(None, (entry.part, met.blocker)))),
        message=answer.message,
        remedy=answer.remedy,
        quantity=answer.quantity,
        requirement=answer.need,
        witnesses=witnesses,
        view=words.side_view(fastener, met.point),
        entry=assembly.entry(key),
        caution=words.cautions("", kinds),
        details={
            "travel": {"read": travel.travel, "at_least": travel.clear},
            "needed": travel.needed,
            "head_diameter": fastener.screw.head_diameter,
            "washer_diameter": 2.0 * washer_radius(fastener),
            "triangle": travel.triangle,
            "seat": asdict(seat),
            "basis": {"screw": fastener.screw.status},
            "way": result.way,
            "bench": {
                "read": result.on_bench.travel,
                "low": result.on_bench.low,
                "high": result.on_bench.high,
                "at_least": result.on_bench.clear,
                "nearest": result.on_bench.blocker,
            },
            "shank": {
                "room": result.shank.room,
                "low": result.shank.low,
                "high": result.shank.high,
                "at_least": result.shank.clear,
                "nearest": result.shank.blocker,
            },
            "raised": asdict(result.raised),
        },
    )

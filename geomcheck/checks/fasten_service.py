"""What the housing takes away: do tools and hands still reach the vehicle's service points.

What: Each ``[[service]]`` is a point of the vehicle that someone must get at later: a spark plug,
a filler, a filter, a sensor, a drain. What reaches it, a tool of the table that stands, turns and
comes off, or a clear cylinder to draw something out or pour in, is asked twice: with the vehicle's
parts alone, and with the housing and what it carries. What served before and does not now is lost.
A point that nothing reached before is not applicable: nothing was taken away. Parts marked
``open_for_tools`` are left out both times. Where a straight way as thick as a finger led out before
and none is found now, it is undecided. Not looked at: bent ways, what else is taken off first.

Why: A blower that must come off to change a spark plug is found at the first service, by the
customer.

Remedy: Move or relieve the part that blocks by the amount stated; or declare the tool that does it
as a ``[[tool]]``; or tell in the manual what comes off first.

Details of a finding: ``state`` (``kept``, ``lost``, ``never``, ``undecided``), ``served`` (a row
for each tool or way: room before and after in mm, what it lost, who blocks), ``start`` (mm above
the place where looking begins), ``tool`` (as drawn).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from pydantic import Field

from geomcheck.fasten import connector_words, service_words, words
from geomcheck.fasten.access import Access
from geomcheck.fasten.access_rows import drawn_tool
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.foot import foot_sagitta, foot_trouble
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.service import (
    Served,
    State,
    decisive,
    stand_of,
    state_of,
    tools_served,
    way_served,
)
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.tools import Tool
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import NotNegative, Positive, ServiceEntry, Table
from geomcheck.project.lines import Key
from geomcheck.project.points import point_of, still_reached, tools_of
from geomcheck.project.recall import recalled_watched
from geomcheck.wording import capital

CODE = "fasten-service"
TITLE = "service points of the vehicle"

VERDICTS: dict[State, Verdict] = {
    "kept": Verdict.PASS,
    "lost": Verdict.FAIL,
    "never": Verdict.NOT_APPLICABLE,
    "undecided": Verdict.UNDECIDED,
}


class Settings(Table):
    """Settings of the check."""

    tolerance: Positive = Field(
        default=1.0, description="how far metal may miss the stated place, mm"
    )
    lift: NotNegative = Field(
        default=0.5, description="nothing is looked at nearer to the place than this, mm"
    )
    within: Positive = Field(
        default=25.0, description="metal farther than this is not looked for, mm"
    )
    turn: bool = Field(
        default=True, description="whether a tool's handle must swing as far as it needs"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each service point and each way that reaches it."""
    asked = []
    for key, entry in assembly.services:
        point = point_of(assembly, key, entry)
        asked.append((key, entry, point, tools_of(assembly, key, entry, point)))
    for key, entry, point, tools in asked:
        ask = partial(_ask, settings=settings, key=key, entry=entry, point=point, tools=tools)
        yield from recalled_watched(assembly, CODE, key, ask)


def _ask(
    assembly: Assembly,
    settings: Settings,
    key: Key,
    entry: ServiceEntry,
    point: Fastener,
    tools: Sequence[Tool],
) -> Iterator[Finding]:
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    carrier = about[entry.part]
    radius = max(point.head_radius if tools else 0.0, (entry.diameter or 0.0) / 2.0)
    trouble = foot_trouble(
        f"the service point {entry.name}",
        point.at,
        point.axis,
        radius,
        carrier,
        tolerance=settings.tolerance,
        lift=settings.lift,
    )
    if trouble is not None:
        yield _trouble(assembly, key, entry, trouble)
        return
    slack = foot_sagitta(point.at, radius, carrier)
    start = settings.lift + slack
    within = entry.room + settings.within
    if tools:
        span = max(tool.span for tool in tools) + point.head_top + point.screw.head_height
        theirs, everything = _sides(assembly, about, point, span, span + within, entry)
        served = tools_served(
            point,
            tools,
            theirs,
            everything,
            seat=Seat("seated", 1.0, 0.0, slack),
            room=entry.room,
            turn=settings.turn,
            lift=settings.lift,
            within=within,
        )
        finding = _finding(assembly, key, entry, point, served, "", start)
        after = decisive(served).after
        held = after.held() if isinstance(after, Access) else []
        yield still_reached(assembly, about, entry, finding, "the tool", held)
    if entry.diameter is not None and entry.length is not None:
        wide = entry.diameter / 2.0 + within
        theirs, everything = _sides(assembly, about, point, entry.length, wide, entry)
        way = way_served(
            point,
            entry.diameter,
            entry.length,
            theirs,
            everything,
            room=entry.room,
            start=start,
            within=within,
        )
        suffix = ", way out" if tools else ""
        finding = _finding(assembly, key, entry, point, (way,), suffix, start)
        ends = (entry.length + 1.0, 0.5 * entry.length)
        held = [(point.point(end), point.axis) for end in ends]
        yield still_reached(assembly, about, entry, finding, "the clear way", held)


def _sides(
    assembly: Assembly,
    about: Surroundings,
    point: Fastener,
    height: float,
    radius: float,
    entry: ServiceEntry,
) -> tuple[list[Obstacle], list[Obstacle]]:
    """The vehicle's parts about a point, and those with the housing and what it carries."""
    near = about.along(point, height, radius, entry.part)
    everything = [part for part in near if part.name not in entry.itself]
    theirs = [part for part in everything if assembly.parts[part.name].role == "neighbour"]
    return theirs, everything


def _trouble(
    assembly: Assembly, key: Key, entry: ServiceEntry, trouble: tuple[Verdict, str, str]
) -> Finding:
    verdict, message, remedy = trouble
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'service "{entry.name}"',
        parts=(entry.part,),
        message=message,
        remedy=remedy,
        witnesses=(Witness("service point", entry.part, entry.at),),
        entry=assembly.entry(key),
    )


def _finding(
    assembly: Assembly,
    key: Key,
    entry: ServiceEntry,
    point: Fastener,
    served: Sequence[Served],
    suffix: str,
    start: float,
) -> Finding:
    state = state_of(served)
    best = decisive(served)
    verdict = VERDICTS[state]
    after = stand_of(best.after)
    turn = service_words.short_turn(best.after, entry.room) if state != "kept" else None
    need = Requirement("at least", entry.room, "mm", f'service "{entry.name}"')
    quantity: Quantity | None = _quantity(
        assembly, "room", "mm", (after.room, after.low, after.high), after.doubt or after.blocker
    )
    place = after.point
    blocker = after.blocker
    if turn is not None:
        need = Requirement("at least", turn.needed, "deg", f'turn of "{best.name}"')
        figures = (turn.free, turn.low, turn.high)
        quantity = _quantity(assembly, "free arc", "deg", figures, turn.doubt or turn.blocker)
        if turn.ends:
            blocker, place = turn.ends[0]
    if verdict is Verdict.NOT_APPLICABLE or (after.clear and verdict is Verdict.PASS):
        quantity = None
    seat = Witness("service point", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (seat,)
    if blocker is not None and place is not None:
        label = "blocked here" if verdict is Verdict.FAIL else "nearest metal"
        witnesses = (Witness(label, blocker, place), seat)
    label = f'{entry.kind or "service point"} "{entry.name}"'
    ours = [name for name, role in assembly.parts.roles.items() if role != "neighbour"]
    nearest = {stand_of(one.after).blocker for one in served}
    kinds = [assembly.parts[name].kind for name in assembly.parts if name in nearest]
    caution = connector_words.cautions("", [assembly.parts[entry.part].kind, *kinds])
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'service "{entry.name}"{suffix}',
        parts=tuple(dict.fromkeys(filter(None, (entry.part, blocker)))),
        message=capital(service_words.service_message(label, served, best, state, entry.room)),
        remedy=service_words.service_remedy(point.frame(), ours, best, state, entry.room),
        quantity=quantity,
        requirement=None if verdict is Verdict.NOT_APPLICABLE else need,
        witnesses=witnesses,
        view=words.side_view(point, place),
        entry=assembly.entry(key),
        caution=f"{service_words.caution_of(entry.kind)} {caution}".strip(),
        details={
            "state": state,
            "served": [_row(one) for one in served],
            "start": start,
            "tool": _drawn(best, entry, point),
        },
    )


def _quantity(
    assembly: Assembly,
    name: str,
    unit: str,
    figures: tuple[float, float, float],
    part: str | None,
) -> Quantity:
    value, low, high = figures
    source = assembly.parts[part].sagitta.source if part else ""
    return Quantity(
        name, value, unit, low, high, words.facet_terms(value, low, high, part or "", source)
    )


def _row(one: Served) -> dict[str, Any]:
    row: dict[str, Any] = {
        "name": one.name,
        "state": one.state,
        "was": one.was,
        "now": one.now,
        "lost_mm": one.taken,
    }
    for when, found in (("before", one.before), ("after", one.after)):
        stand = stand_of(found)
        row[when] = {
            "room": stand.room,
            "low": stand.low,
            "high": stand.high,
            "at_least": stand.clear,
            "nearest": stand.blocker,
            "point": list(stand.point) if stand.point is not None else None,
            "inside": stand.inside,
        }
        if isinstance(found, Access) and found.turns is not None:
            row[when]["arc"] = [found.turns.low, found.turns.high, found.turns.needed]
    return row


def _drawn(best: Served, entry: ServiceEntry, point: Fastener) -> dict[str, Any]:
    if isinstance(best.after, Access):
        return drawn_tool(best.after)
    return {
        "name": best.name,
        "at": list(point.at),
        "axis": list(point.axis),
        "profile": [[0.0, entry.length, entry.diameter]],
    }

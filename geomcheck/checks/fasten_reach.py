"""Tool access: can a tool stand on each fastener, turn it and come off again.

What: For every fastener, each tool that may be used is stood on the head as a stack of cylinders
about the fastener's axis and lifted off by the height of the head; the room left to the nearest
metal of any part is measured exactly. Its arms and handles (hexagon key, ratchet, spanner) then
swing about the axis: the largest free arc is found exactly, not by trying angles, and held against
the turn the tool needs at one go: 60 degrees for a key, 30 for a spanner that is turned over or has
twelve points, one tooth and the slack for a ratchet. Open spanners come off sideways. Where no
rigid tool serves, ball-end keys and universal joints are leaned over, in every direction, up to
their limit: with a yes comes the pose, a no is proved, or it stays undecided. Parts marked
``open_for_tools`` are left out, and so is what lies lower than ``lift`` above the seat, where the
head meets its seat; the wall of a counterbore above that counts. The head must have a seat: metal
within ``seat_tolerance`` of the stated plane, facing the head, under ``seat_share`` of its ring.
Also told: whether a hand has room to start the thread, and whether a torque wrench serves. From
the tool's top or its handle's end a straight way as thick as a finger must lead out, or it is
undecided; a pass tells where none is as wide as a hand. Not looked at: the heads of other
fasteners, whether a tool wider than a finger goes that way, the order of assembly.

Why: A bolt that no tool reaches is found when the first casting is fitted to the first vehicle,
which is the dearest moment to find it.

Remedy: Move or relieve the part that blocks by the amount stated, in the direction stated; turn
the fastener's axis; use a head that a slimmer tool drives; or declare the tool you have as a
``[[tool]]``, with its own diameters, handle, turn and lean. ``turn = false`` leaves turning out;
``torque`` and ``hand`` make the torque wrench and the hand a requirement.

Details of a finding: ``tools`` (a row for each tool: room in mm, ``swing`` as the free arc found
in degrees, at least that much where it is more than needed, ``lean_angle``, what stopped it),
``tool`` (the one the verdict rests on, with its profile and bars in mm up ``axis`` from ``at``,
and the arc its handle has), ``hand``, ``torque_wrench``, ``seat``, ``note``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from functools import partial
from typing import Annotated, Any, NamedTuple

from pydantic import Field

from geomcheck.fasten import access_words, words
from geomcheck.fasten.access import access_each, measured
from geomcheck.fasten.access_rows import drawn_tool, room_row, skipped_row, tool_row
from geomcheck.fasten.access_verdict import Judged, Sources, judge
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.hand import hand_room, hand_span
from geomcheck.fasten.lean_each import lean_each
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import Reach, free_from
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.tools import Tool
from geomcheck.fasten.way_words import best_in_hand, with_way
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, NotNegative, Positive
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled_watched
from geomcheck.project.screws import SeatTable, resolve, seat_finding, title
from geomcheck.project.tools import check_families, own_tools, tools_for

CODE = "fasten-reach"
TITLE = "tool access"

CAUTION = "Tighten to the maker's torque and sequence; replace one-time fasteners."
WRENCH = "torque wrench"


class Settings(SeatTable):
    """Settings of the check."""

    lift: NotNegative = Field(
        default=0.3, description="nothing is looked at nearer to the seat than this, mm"
    )
    within: Positive = Field(
        default=25.0, description="metal farther from the tool than this is not looked for, mm"
    )
    turn: bool = Field(
        default=True, description="whether the handle must swing as far as the tool needs"
    )
    torque: bool = Field(default=False, description="whether a torque wrench must serve")
    hand: bool = Field(
        default=False, description="whether a hand must have room to start the thread"
    )
    lean: dict[str, Annotated[float, Field(ge=0, lt=90)]] = Field(
        default_factory=dict,
        description="how far tools of a family may lean, degrees: { 'ball-end key' = 30 }",
    )
    arc: dict[str, Annotated[float, Field(gt=0, le=360)]] = Field(
        default_factory=dict,
        description="turn that tools of a family need at one go, degrees: { socket = 8 }",
    )


class _Ask(NamedTuple):
    """One fastener and what may be used on it."""

    key: Key
    entry: FastenerEntry
    fastener: Fastener
    tools: tuple[Tool, ...]


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each fastener of the vehicle."""
    own = own_tools(assembly)
    check_families(assembly, CODE, {"lean": settings.lean, "arc": settings.arc}, own)
    asked = []
    for key, entry in assembly.fasteners:
        fastener = resolve(assembly, key, entry)
        tools = tools_for(assembly, key, entry, fastener, own)
        asked.append(_Ask(key, entry, fastener, _tuned(assembly, settings, key, entry, tools)))
    for ask in asked:
        yield from recalled_watched(
            assembly, CODE, ask.key, partial(_ask, settings=settings, ask=ask)
        )


def _tuned(
    assembly: Assembly, settings: Settings, key: Key, entry: FastenerEntry, tools: Sequence[Tool]
) -> tuple[Tool, ...]:
    """The tools with the settings' lean and turn; only torque wrenches where one must serve."""
    tuned = [tool.tuned(settings.lean, settings.arc) for tool in tools]
    if settings.torque:
        tuned = [tool for tool in tuned if tool.family == WRENCH]
        if not tuned:
            assembly.refuse(
                key,
                f"no torque wrench among the tools drives {title(entry)}",
                f'Declare one as a [[tool]] with kind = "{WRENCH}", or leave out torque',
            )
    return tuple(tuned)


def _ask(assembly: Assembly, settings: Settings, ask: _Ask) -> Finding:
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    entry, fastener = ask.entry, ask.fastener
    carrier = about[entry.part]
    seat = examine_seat(
        fastener, carrier, tolerance=settings.seat_tolerance, share=settings.seat_share
    )
    trouble = words.seat_trouble(fastener, title(entry), carrier, seat, settings.seat_tolerance)
    if trouble is not None:
        return seat_finding(CODE, assembly, ask.key, entry, trouble, seat)
    within = entry.room + settings.within
    room = Requirement("at least", entry.room, "mm", f'fastener "{entry.name}"')
    sources = partial(_source, assembly)
    stroke = fastener.head_top + fastener.screw.head_height

    def near(tools: Sequence[Tool]) -> list[Obstacle]:
        """Parts within reach of tools; everything a leaning one may sweep."""
        top = max(tool.length for tool in tools) + stroke
        if any(tool.tilt > 0.0 for tool in tools):
            span = max(tool.span for tool in tools)
            return about.along(fastener, top, span + within, entry.part)
        # They stand, swing and come off above where looking begins.
        wide = max(tool.widest for tool in tools) + within
        low, high = seat.height - within, seat.height + top + within
        return about.across(fastener, low, high, wide, entry.part)

    asked: dict[str, Any] = {
        "seat": seat,
        "room": entry.room,
        "turn": settings.turn,
        "lift": settings.lift,
        "within": within,
    }
    rigid = [tool for tool in ask.tools if tool.tilt == 0.0]
    leaning = [tool for tool in ask.tools if tool.tilt > 0.0]
    served = access_each(fastener, rigid, near(rigid), **asked) if rigid else []
    found = [judge(one, room, sources) for one in served]
    skipped: list[Tool] = []
    if any(row.verdict is Verdict.PASS for row in found):
        skipped, leaning = leaning, []
    for one in lean_each(fastener, leaning, near(leaning), **asked) if leaning else []:
        found.append(judge(one, room, sources))
    best, way = best_in_hand(found, about.around(entry.part))
    start = free_from(seat, settings.lift)[1]
    full = measured(best.access, near([best.access.tool]), entry.room, start)
    found[[one is best for one in found].index(True)] = best = judge(full, room, sources)
    top, wide = hand_span(fastener)
    low, high = seat.height - within, seat.height + top + within
    everything = about.across(fastener, low, high, wide + within, entry.part)
    hand = hand_room(fastener, everything, seat=seat, lift=settings.lift, within=within)
    finding = _finding(assembly, ask, seat, best, found, skipped, hand)
    if way is not None:
        place = best.access.held()[0][0]
        finding = with_way(finding, "the tool", place, way, finger=True)
    return _with_hand(finding, ask, hand, sources) if settings.hand else finding


def _with_hand(finding: Finding, ask: _Ask, hand: Reach, sources: Sources) -> Finding:
    """The finding where a hand is wanted, too: the hand's answer if it is the worse one."""
    need = Requirement("at least", 0.0, "mm", f"hand in [check.{CODE}]")
    name = hand.doubt or hand.blocker or ""
    source = sources(name) if name else ""
    terms = words.facet_terms(hand.room, hand.low, hand.high, name, source)
    room = Quantity("room for a hand", hand.room, "mm", hand.low, hand.high, terms)
    verdict = need.decide(room)
    if verdict is Verdict.PASS or finding.verdict is Verdict.FAIL or hand.blocker is None:
        return finding
    short = words.at_least(-hand.low)
    seat = finding.witnesses[-1]
    met = Witness("hand stopped here", hand.blocker, hand.point or ask.fastener.at)
    return replace(
        finding,
        verdict=verdict,
        parts=tuple(dict.fromkeys((ask.entry.part, hand.blocker))),
        message=access_words.hand_message(title(ask.entry), hand, verdict) + f" {finding.message}",
        remedy=f"Move or relieve {hand.blocker} there, by {short} mm or more; or start the thread "
        "another way, and say hand = false.",
        quantity=room,
        requirement=need,
        witnesses=(met, seat),
    )


def _source(assembly: Assembly, name: str) -> str:
    return assembly.parts[name].sagitta.source


def _wrench(found: Sequence[Judged]) -> str | None:
    """The torque wrench that serves with the most room; None if none does."""
    served = [one for one in found if one.verdict is Verdict.PASS]
    wrenches = [one.access for one in served if one.access.tool.family == WRENCH]
    best = max(wrenches, key=lambda one: one.stands.low, default=None)
    return None if best is None else best.tool.name


def _finding(
    assembly: Assembly,
    ask: _Ask,
    seat: Seat,
    best: Judged,
    found: Sequence[Judged],
    skipped: Sequence[Tool],
    hand: Reach,
) -> Finding:
    entry, fastener = ask.entry, ask.fastener
    one, verdict = best.access, best.verdict
    stands, turns = one.stands, one.turns
    seat_witness = Witness("seat", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (seat_witness,)
    if best.by_turn and turns is not None:
        ends = [Witness("handle stopped here", part, point) for part, point in turns.ends]
        witnesses = (*ends, seat_witness)
    elif stands.blocker is not None and stands.point is not None:
        label = "blocked here" if stands.room <= 0.0 else "nearest metal"
        witnesses = (Witness(label, stands.blocker, stands.point), seat_witness)
    blocked = [witness.part for witness in witnesses[:-1]][::-1]
    nearest = {row.access.stands.blocker for row in found}
    kinds = [assembly.parts[name].kind for name in assembly.parts if name in nearest]
    done = sum(row.verdict is Verdict.PASS for row in found)
    limit = entry.room
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=tuple(dict.fromkeys((entry.part, *blocked))),
        message=access_words.access_message(
            title(entry), one, verdict, limit, done, len(found), by_turn=best.by_turn
        ),
        remedy=access_words.access_remedy(
            fastener, entry.part, one, verdict, limit, by_turn=best.by_turn
        ),
        # "Nothing nearer than" is no measured room: the message and details say how far was looked.
        quantity=None if stands.clear and verdict is Verdict.PASS else best.quantity,
        requirement=best.requirement,
        witnesses=witnesses,
        view=words.side_view(fastener, witnesses[0].point if len(witnesses) > 1 else None),
        entry=assembly.entry(ask.key),
        caution=words.cautions(CAUTION, kinds),
        details={
            "tools": [
                *(tool_row(row.access, row.verdict) for row in found),
                *(skipped_row(tool) for tool in skipped),
            ],
            "tool": drawn_tool(one),
            "hand": room_row(hand),
            "torque_wrench": _wrench(found),
            "seat": asdict(seat),
            "note": one.tool.note,
            "basis": {"tool": one.tool.status, "screw": fastener.screw.status},
        },
    )

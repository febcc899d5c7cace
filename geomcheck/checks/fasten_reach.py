"""Tool access: can a tool stand on each fastener.

What: For every fastener, each tool that may be used is stood on the head as a stack of cylinders
about the fastener's axis (socket, extension and ratchet head; bit socket; the straight arm of a
hexagon key; tools of your own) and lifted off by the height of the head. The room left between
the tool and the nearest metal of any part is measured exactly. Parts marked ``open_for_tools`` are
left out. The head must have a seat: metal within ``seat_tolerance`` of the stated plane, facing
the head, under ``seat_share`` of its ring. Not looked at: how a tool is brought in from the side,
the swing of keys and ratchet handles, the order of assembly.

Why: A bolt that no tool reaches is found when the first casting is fitted to the first vehicle,
which is the dearest moment to find it.

Remedy: Move or relieve the part that blocks by the amount stated, in the direction stated; turn
the fastener's axis; use a head that a slimmer tool drives; or declare the tool you have as a
``[[tool]]``, with its own diameters.

Details of a finding: ``tools`` (a row for each tool), ``tool`` (the one the verdict rests on, with
its profile in mm up the axis from ``at``), ``seat``, ``note``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Annotated, Any

from pydantic import Field

from geomcheck.errors import InputError
from geomcheck.fasten import words
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.reach import Reach, reach_each
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.tools import Tool, choose_tools
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry, NotNegative, Positive, Table
from geomcheck.project.lines import Key
from geomcheck.project.screws import resolve, seat_finding, title

CODE = "fasten-reach"
TITLE = "tool access"

CAUTION = "Tighten to the maker's torque and sequence; replace one-time fasteners."


class Settings(Table):
    """Settings of the check."""

    seat_tolerance: Positive = Field(
        default=0.5, description="how far metal may miss the stated seat plane, mm"
    )
    seat_share: Annotated[float, Field(gt=0, le=1)] = Field(
        default=0.6, description="least part of the head's ring that must bear, 0 to 1"
    )
    lift: NotNegative = Field(
        default=0.3, description="nothing is looked at nearer to the seat than this, mm"
    )
    within: Positive = Field(
        default=25.0, description="metal farther from the tool than this is not looked for, mm"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each fastener of the vehicle."""
    own = tuple(
        Tool(entry.name, "own", entry.drive, entry.across_flats, entry.profile, "as declared")
        for _, entry in assembly.tools
    )
    found = [(*pair, resolve(assembly, *pair)) for pair in assembly.fasteners]
    asked = [(*row, _tools(assembly, *row, own)) for row in found]
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    for key, entry, fastener, tools in asked:
        yield _ask(assembly, settings, about, key, entry, fastener, tools)


def _tools(
    assembly: Assembly, key: Key, entry: FastenerEntry, fastener: Fastener, own: tuple[Tool, ...]
) -> tuple[Tool, ...]:
    """The tools that may be used, or a refusal of what the entry names."""
    try:
        return choose_tools(fastener.screw, entry.tools, own)
    except InputError as error:
        field = "tools" if entry.tools else "head"
        assembly.refuse((*key, field), error.what, error.remedy)


def _ask(
    assembly: Assembly,
    settings: Settings,
    about: Surroundings,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    tools: tuple[Tool, ...],
) -> Finding:
    seat = examine_seat(
        fastener, about[entry.part], tolerance=settings.seat_tolerance, share=settings.seat_share
    )
    trouble = words.seat_trouble(
        fastener, title(entry), about[entry.part], seat, settings.seat_tolerance
    )
    if trouble is not None:
        return seat_finding(CODE, assembly, key, entry, trouble, seat)
    within = entry.room + settings.within
    top = fastener.head_top + fastener.screw.head_height + max(tool.length for tool in tools)
    widest = max(row[2] for tool in tools for row in tool.profile) / 2.0
    results = reach_each(
        fastener,
        tools,
        about.along(fastener, top, widest + within, entry.part),
        seat=seat,
        lift=settings.lift,
        within=within,
    )
    need = Requirement("at least", entry.room, "mm", f'fastener "{entry.name}"')
    verdicts = [need.decide(_quantity(assembly, result)) for result in results]
    for verdict in (Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL):
        found = [r for r, v in zip(results, verdicts, strict=True) if v is verdict]
        if found:
            break
    # max keeps the first of equals, which is the simplest tool.
    best = max(found, key=lambda r: r.room if verdict is Verdict.FAIL else r.low)
    return _finding(assembly, key, entry, fastener, seat, results, verdicts, best, need, verdict)


def _quantity(assembly: Assembly, result: Reach) -> Quantity:
    name = result.doubt or result.blocker or ""
    source = assembly.parts[name].sagitta.source if name else ""
    terms = words.facet_terms(result.room, result.low, result.high, name, source)
    return Quantity("room", result.room, "mm", result.low, result.high, terms)


def _finding(
    assembly: Assembly,
    key: Key,
    entry: FastenerEntry,
    fastener: Fastener,
    seat: Seat,
    results: list[Reach],
    verdicts: list[Verdict],
    best: Reach,
    need: Requirement,
    verdict: Verdict,
) -> Finding:
    if verdict is Verdict.PASS:
        remedy = ""
    elif verdict is Verdict.FAIL:
        remedy = words.reach_remedy(fastener, entry.part, best, need.limit)
    else:
        blame = best.doubt or best.blocker or entry.part
        remedy = (
            f"Export {blame} with a finer chord error or declare its sagitta, or make "
            f"{words.at_least(need.limit - best.low)} mm more room."
        )
    seat_witness = Witness("seat", entry.part, entry.at)
    witnesses: tuple[Witness, ...] = (seat_witness,)
    if best.blocker is not None and best.point is not None:
        label = "blocked here" if best.room <= 0.0 else "nearest metal"
        witnesses = (Witness(label, best.blocker, best.point), seat_witness)
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'bolt "{entry.name}"',
        parts=tuple(dict.fromkeys(filter(None, (entry.part, best.blocker)))),
        message=words.reach_message(
            title(entry),
            best,
            verdict,
            need.limit,
            sum(v is Verdict.PASS for v in verdicts),
            len(results),
        ),
        remedy=remedy,
        # "Nothing nearer than" is no measured room: the message and details say how far was looked.
        quantity=None if best.clear and verdict is Verdict.PASS else _quantity(assembly, best),
        requirement=need,
        witnesses=witnesses,
        view=words.side_view(fastener, best.point),
        entry=assembly.entry(key),
        caution=words.cautions(
            CAUTION, [assembly.parts[r.blocker].kind for r in results if r.blocker is not None]
        ),
        details={
            "tools": [_row(r, v) for r, v in zip(results, verdicts, strict=True)],
            "tool": {
                "name": best.tool.name,
                "at": list(fastener.at),
                "axis": list(fastener.axis),
                "profile": [list(row) for row in best.rows],
            },
            "seat": asdict(seat),
            "note": best.tool.note,
            "basis": {"tool": best.tool.status, "screw": fastener.screw.status},
        },
    )


def _row(result: Reach, verdict: Verdict) -> dict[str, Any]:
    return {
        "tool": result.tool.name,
        "verdict": verdict.value,
        "room": result.room,
        "low": result.low,
        "high": result.high,
        "at_least": result.clear,
        "nearest": result.blocker,
        "triangle": result.triangle,
        "point": list(result.point) if result.point is not None else None,
        "height": result.height,
        "inside": result.inside,
    }

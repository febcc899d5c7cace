"""Gap between the casting and what surrounds it in the vehicle.

What: Measures the least distance between the housing, with the parts carried on it, and every
neighbour of each vehicle, and compares it with the gap that the neighbour's class or the pair
needs. Parts that overlap, touch or lie inside one another are told apart. Faces declared as mates
are left out only where they mate: what reaches beyond the mating face, or lies outside its
outline, is measured in full. Only what is in the meshes is measured, standing still.

Why: What touches, chafes; what is too near a hot part, a belt or a fuel line fails or burns. Found
before the pattern is cut, a wall is moved in an hour.

Remedy: Set the wall back at the place named, by the amount and in the direction given, or move the
neighbour. Where the interval of the gap leaves it open, export finer and declare the chord error,
or give truer figures for the casting, the print, the scan and its placement; each is a term of it.
Parts that are meant to touch are declared as a mate. The class's gap is set under
[check.fit-gap.required], a pair's own with pair = [{ parts = [...], required = ... }]; 0 allows
contact, but no overlap.

Details of a finding: ``state``, ``distance`` (mm), ``depth`` (mm), ``overlap_volume`` (mm3),
``crossings`` (pairs of triangles that meet), ``extent`` (box of the lines along which they meet),
``direction`` (to move the first part), ``triangles`` (of the two witness points, numbered as in
the files), ``mates`` (left out), ``undecided`` and ``notes``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from pydantic import Field

from geomcheck.errors import CannotDecide
from geomcheck.finding import EntryRef, Finding, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import Body, as_point
from geomcheck.fit.budget import Combine
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.mate import Mate, check_mate, leave_out
from geomcheck.fit.state import Gap
from geomcheck.mesh.part import Part
from geomcheck.project.allowances import qualify
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import Name, NotNegative, Table
from geomcheck.standards import starting_gaps

CODE = "fit-gap"
TITLE = "gap to the neighbours"


class PairEntry(Table):
    """Two parts with a required gap of their own."""

    parts: tuple[Name, Name] = Field(description="names of the two parts")
    required: NotNegative = Field(description="mm; 0 allows contact")
    vehicle: Name | None = Field(default=None, description="only in this vehicle")


class Settings(Table):
    """The ``[check.fit-gap]`` table."""

    required: dict[str, NotNegative] = Field(
        default={}, description="gap by class of neighbour, mm; 0 allows contact"
    )
    pairs: tuple[PairEntry, ...] = Field(
        default=(), alias="pair", description="pairs with a gap of their own, mm"
    )
    combine: Combine = Field(default="worst case", description="the terms of a gap's interval")
    shells: tuple[Name, ...] = Field(
        default=(), description="open meshes known to enclose no material: a bay scan, a sheet"
    )


@dataclass(frozen=True, slots=True)
class _Question:
    """One pair and what it needs."""

    a: Part
    b: Part
    need: Requirement
    entry: EntryRef


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each pair of the vehicle."""
    questions = list(_questions(assembly, settings))
    bodies = {name: Body.of(part) for name, part in assembly.parts.items()}
    for question in questions:
        yield _answer(assembly, settings, question, bodies)


def _questions(assembly: Assembly, settings: Settings) -> Iterator[_Question]:
    own = _own_pairs(assembly, settings)
    for ours in assembly.ours:
        for neighbour in assembly.neighbours:
            if frozenset((ours.name, neighbour.name)) in own:
                continue
            if all(assembly.part_entries[part.name].gap for part in (ours, neighbour)):
                limit = _by_class(assembly, settings, neighbour)
                need = Requirement("at least", limit, "mm", f'class "{neighbour.kind}"')
                key = assembly.part_keys[neighbour.name]
                yield _Question(ours, neighbour, need, assembly.entry(key))
    yield from own.values()


def _own_pairs(assembly: Assembly, settings: Settings) -> dict[frozenset[str], _Question]:
    """The pairs with a gap of their own that this vehicle has."""
    found: dict[frozenset[str], _Question] = {}
    for number, pair in enumerate(settings.pairs):
        key = ("check", CODE, "pair", number)
        if pair.vehicle is not None and pair.vehicle not in assembly.vehicles:
            assembly.refuse(
                (*key, "vehicle"),
                f"there is no vehicle named {pair.vehicle!r}",
                f"known: {', '.join(assembly.vehicles)}",
            )
        if pair.vehicle not in (None, assembly.vehicle):
            continue
        for name in pair.parts:
            if name not in assembly.parts:
                assembly.refuse(
                    (*key, "parts"),
                    f"vehicle {assembly.vehicle!r} has no part named {name!r}",
                    f"known: {', '.join(assembly.parts)}; for a part that only one vehicle has, "
                    'add vehicle = "..." to this entry',
                )
        names = frozenset(pair.parts)
        if len(names) == 1:
            assembly.refuse((*key, "parts"), "a part has no gap to itself", "name two parts")
        if names in found:
            assembly.refuse((*key, "parts"), "this pair is listed twice", "keep one of them")
        first, second = (assembly.parts[name] for name in pair.parts)
        if first.role == "neighbour" and second.role != "neighbour":
            first, second = second, first
        if second.role == "housing":
            first, second = second, first
        need = Requirement("at least", pair.required, "mm", f"pair {first.name} / {second.name}")
        found[names] = _Question(first, second, need, assembly.entry(key))
    return found


def _by_class(assembly: Assembly, settings: Settings, neighbour: Part) -> float:
    if neighbour.kind in settings.required:
        return settings.required[neighbour.kind]
    missing = {part.kind for part in assembly.neighbours} - set(settings.required)
    rows = [row for row in starting_gaps() if row.kind in missing] or starting_gaps()
    start = "; ".join(f'"{row.kind}" = {row.gap:g} ({row.status}: {row.source})' for row in rows)
    what = (
        f"no gap is required of the class {neighbour.kind!r}"
        if neighbour.kind
        else f"{neighbour.name!r} has no class"
    )
    key = assembly.part_keys[neighbour.name]
    return assembly.refuse(
        (*key, "class") if neighbour.kind else key,
        f"{what}, so nobody has said how far {neighbour.name!r} must stay clear",
        f"State it in mm under [check.{CODE}.required] or as a pair, or set gap = false on the "
        f"part. Starting values, to be replaced by your own: {start}",
    )


def _answer(
    assembly: Assembly, settings: Settings, question: _Question, bodies: dict[str, Body]
) -> Finding:
    a, b, need = question.a, question.b, question.need
    body_a, body_b = bodies[a.name], bodies[b.name]
    mates, notes = _mates(assembly, a, b, body_a, body_b)
    pairing = leave_out(body_a, body_b, [mate for _, mate in mates], need.limit)
    kept = [name for name, _ in mates]
    caution = next((words.CAUTIONS[p.kind] for p in (b, a) if p.kind in words.CAUTIONS), "")

    def finding(verdict: Verdict, message: str, remedy: str, **more: Any) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=assembly.vehicle,
            subject=f"{a.name} / {b.name}",
            parts=(a.name, b.name),
            message=message,
            remedy=remedy,
            entry=question.entry,
            caution=caution,
            **more,
        )

    if not pairing.blocks:
        return finding(
            Verdict.PASS,
            f"All of {a.name} and {b.name} lies behind the mating faces of {_list(kept)}; there "
            "is no other gap between them.",
            "",
            details={"state": "mated", "mates": kept, "notes": notes},
        )
    try:
        gap = measure_gap(
            body_a,
            body_b,
            pairing=pairing,
            shell_a=a.name in settings.shells,
            shell_b=b.name in settings.shells,
        )
        gap = qualify(assembly, gap, pairing, (a.name, b.name), (body_a, body_b), settings.combine)
    except CannotDecide as error:
        return finding(
            Verdict.UNDECIDED, error.text, error.remedy, details={"mates": kept, "notes": notes}
        )
    verdict = need.decide(gap.quantity)
    if verdict is Verdict.PASS and gap.undecided:
        verdict = Verdict.UNDECIDED
    return finding(
        verdict,
        _message(a.name, b.name, gap, need, verdict, kept, notes),
        _remedy(a.name, b.name, gap, need, verdict),
        quantity=gap.quantity,
        requirement=need,
        witnesses=(Witness(a.name, a.name, gap.point_a), Witness(b.name, b.name, gap.point_b)),
        view=words.view_across(
            gap.direction, gap.point_a, as_point(assembly.housing.bounds.mean(axis=0))
        ),
        details=_details(a.name, b.name, gap, kept, notes),
    )


def _mates(
    assembly: Assembly, a: Part, b: Part, body_a: Body, body_b: Body
) -> tuple[list[tuple[str, Mate]], list[str]]:
    """The mates of a pair that hold, first face on ``a``; and a note on each that does not."""
    held: list[tuple[str, Mate]] = []
    notes: list[str] = []
    for _, entry in assembly.mates:
        if frozenset(entry.parts) != frozenset((a.name, b.name)):
            continue
        turned = entry.parts[0] != a.name
        first, second = (body_b, body_a) if turned else (body_a, body_b)
        try:
            mate = check_mate(
                first,
                second,
                entry.at,
                entry.normal,
                gasket=entry.gasket,
                tolerance=entry.tolerance,
            )
        except CannotDecide:
            notes.append(f"mate {entry.name!r} was not found, so nothing was left out for it")
            continue
        if not mate.holds:
            notes.append(f"mate {entry.name!r} does not hold, so nothing was left out for it")
            continue
        if turned:
            mate = replace(mate, face_a=mate.face_b, face_b=mate.face_a)
        held.append((entry.name, mate))
    return held, notes


def _message(
    a: str,
    b: str,
    gap: Gap,
    need: Requirement,
    verdict: Verdict,
    kept: list[str],
    notes: list[str],
) -> str:
    text = words.gap_message(a, b, gap, need)
    if kept:
        text += f" Measured beyond the mate {_list(kept)}."
    reasons = gap.undecided if verdict is Verdict.UNDECIDED else ()
    for note in (*reasons, *notes, *gap.notes):
        text += f" {note[0].upper()}{note[1:]}."
    return text.replace("the first part", a).replace("the second part", b)


def _remedy(a: str, b: str, gap: Gap, need: Requirement, verdict: Verdict) -> str:
    if verdict is Verdict.FAIL:
        return words.gap_remedy(a, b, gap, need)
    return words.undecided_remedy(a, b, gap, need) if verdict is Verdict.UNDECIDED else ""


def _list(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _details(a: str, b: str, gap: Gap, kept: list[str], notes: list[str]) -> dict[str, Any]:
    return {
        "state": gap.state.replace("a inside b", f"{a} inside {b}").replace(
            "b inside a", f"{b} inside {a}"
        ),
        "distance": gap.distance,
        "depth": gap.depth,
        "overlap_volume": gap.volume,
        "crossings": gap.crossings,
        "extent": None if gap.extent is None else [list(corner) for corner in gap.extent],
        "direction": None if gap.direction is None else list(gap.direction),
        "triangles": {a: gap.triangle_a, b: gap.triangle_b},
        "mates": kept,
        "undecided": list(gap.undecided),
        "notes": [*notes, *gap.notes],
    }

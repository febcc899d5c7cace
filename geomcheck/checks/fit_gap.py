"""Gap between the casting and what surrounds it in the vehicle.

What: Measures the least distance between the housing, with the parts carried on it, and every
neighbour of each vehicle, and compares it with the gap that the neighbour's class or the pair
needs. Parts that overlap, touch or lie inside one another are told apart. Faces declared as mates
are left out only where they mate: what reaches beyond the mating face, or lies outside its
outline, is measured in full. (Where a plate goes on beyond its joint, the gap given runs from the
joint's rim to the plate outside the outline: it is no smaller than required, and no dimension of
the parts.) Only what is in the meshes is measured, standing still. Where a scan has a hole or a bay
in its rim, ends, or shows its back, and something nearer may be missing there, the gap is
undecided.

Why: What touches, chafes; what is too near a hot part, a belt or a fuel line fails or burns. Found
before the pattern is cut, a wall is moved in an hour.

Remedy: Set the wall back at the place named, by the amount and in the direction given, or move the
neighbour. Where the interval of the gap leaves it open, export finer and declare the chord error,
or give truer figures for the casting, the print, the scan and its placement; each is a term of it.
Parts that are meant to touch are declared as a mate. The class's gap is set under
[check.fit-gap.required], a pair's own with pair = [{ parts = [...], required = ... }]; 0 allows
contact, but no overlap: flat faces that touch pass where both are exact (sagitta = 0, or flat), and
an overlap smaller than float32 corners can tell counts as contact.

Details of a finding: ``state``, ``distance`` (mm), ``depth`` (mm), ``overlap_volume`` (mm3),
``crossings`` (pairs of triangles that meet), ``extent`` (box of the lines along which they meet),
``direction`` (to move the first part), ``triangles`` (of the two witness points, numbered as in
the files), ``mates`` (left out), ``undecided`` and ``notes``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

from geomcheck.finding import Finding, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import as_point
from geomcheck.fit.nearest import nearest_points
from geomcheck.fit.state import Gap
from geomcheck.project.assembly import Assembly
from geomcheck.project.clearances import Clearances, Question, answer, questions
from geomcheck.project.pair_recall import recalled_pair
from geomcheck.wording import capital

CODE = "fit-gap"
TITLE = "gap to the neighbours"
TOGETHER = "gaps"


class Settings(Clearances):
    """The ``[check.fit-gap]`` table."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each pair of the vehicle."""
    for question in questions(assembly, settings):
        ask = partial(_answer, settings=settings, question=question)
        yield from recalled_pair(assembly, CODE, question, ask)


def _answer(assembly: Assembly, settings: Settings, question: Question) -> Finding:
    a, b, need = question.a, question.b, question.need
    measured = answer(assembly, settings, question)
    kept, notes = list(measured.mates), list(measured.notes)
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

    verdict = measured.verdict(need)
    if measured.trouble is not None:
        error = measured.trouble
        places = zip((a.name, b.name), nearest_points(*measured.bodies), strict=True)
        return finding(
            verdict,
            error.text,
            error.remedy,
            witnesses=tuple(Witness(name, name, point) for name, point in places),
            details={"mates": kept, "notes": notes},
        )
    gap = measured.gap
    if gap is None:
        return finding(
            verdict,
            f"All of {a.name} and {b.name} lies behind the mating faces of {_list(kept)}; there "
            "is no other gap between them.",
            "",
            details={"state": "mated", "mates": kept, "notes": notes},
        )
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
        text += f" {capital(note)}."
    return text.replace("the first part", a).replace("the second part", b)


def _remedy(a: str, b: str, gap: Gap, need: Requirement, verdict: Verdict) -> str:
    if verdict is Verdict.FAIL:
        meant = " If they are meant to touch there, declare a [[mate]]."
        return words.gap_remedy(a, b, gap, need) + (meant if gap.state == "touching" else "")
    return words.undecided_remedy(a, b, gap, need) if verdict is Verdict.UNDECIDED else ""


def _list(names: Sequence[str]) -> str:
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

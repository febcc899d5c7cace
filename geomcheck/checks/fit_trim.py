"""What would have to be cut off the vehicle.

What: For every neighbour that may be trimmed (trim = "free", or a depth in mm, in its entry) and
does not surely keep its gaps, says how deep it would have to be cut back, where, and over which
area, and whether that is within the depth allowed. And for each vehicle, in one finding: whether
it needs no modification, fits once some neighbours are trimmed, or does not fit by trimming. Where
none of its parts may be trimmed, that is a remark: fit-gap decides.

Why: A kit that needs a bracket filed is sold with a drawing of the cut; one that needs a strut
tower cut is not sold. Whoever fits it must know before the bonnet is off.

Remedy: Where the cut is deeper than allowed, set the housing back (fit-zones says where) or allow a
deeper cut. Once a trim is agreed, give the neighbour's mesh as trimmed: fit-gap judges the parts as
they stand, and an allowed trim never turns its fail into a pass. The depth is how far the
neighbour's surface must retreat. That it goes right through is said where the back of a closed
part comes too near as well; how much wall is left, and whether the part may be weakened, is not
measured.

Details of a neighbour's finding: ``zones`` as in fit-zones, but on the neighbour and with the
``depth`` to cut, the deepest first (``far_side``: the cut comes out there); ``allowed`` (mm, "free"
or "never"); ``inside_one_another`` (no cut helps). Of the vehicle's:
``trimmed`` (an allowed cut makes them fit), ``in_the_way`` (too near, and no such cut helps) and
``open`` (not decided), each with ``part``, ``depth``, ``depth_low``, ``depth_high`` (mm), ``area``
(mm2) and ``allowed``; ``kept`` (how many gaps are).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain

from pydantic import Field

from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import as_point
from geomcheck.fit.nearest import nearest_points
from geomcheck.fit.state import Gap
from geomcheck.fit.trim import (
    CAUTION,
    depth_of_cut,
    doubts,
    one_each,
    row_of,
    said_cuts,
    stuck_in_words,
    swallowed,
    turned,
)
from geomcheck.fit.zone import Zone
from geomcheck.fit.zones import RESOLUTION, find_zones
from geomcheck.project.allowances import allowances
from geomcheck.project.assembly import Assembly
from geomcheck.project.clearances import (
    Answer,
    Clearances,
    Question,
    answer,
    clearances,
    questions,
)
from geomcheck.project.entries import Positive, Table
from geomcheck.project.pair_recall import recalled_verdict
from geomcheck.project.recall import recalled

CODE = "fit-trim"
TITLE = "what the vehicle needs trimmed"
TOGETHER = "gaps"


class Settings(Table):
    """The ``[check.fit-trim]`` table."""

    resolution: Positive = Field(
        default=RESOLUTION, description="size of the pieces at the rim of a patch, mm"
    )


@dataclass(frozen=True, slots=True)
class _Case:
    """A pair whose gap is not surely kept."""

    question: Question
    measured: Answer

    @property
    def verdict(self) -> Verdict:
        return self.measured.verdict(self.question.need)

    @property
    def gap(self) -> Gap | None:
        return self.measured.gap

    @property
    def need(self) -> float:
        return self.question.need.limit

    @property
    def lack(self) -> float:
        return -1.0 if self.gap is None else self.need - self.gap.quantity.value


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each neighbour that may be trimmed and is too near, and one for all."""
    for part in assembly.ours:
        if assembly.part_entries[part.name].trim != "never":
            assembly.refuse(
                (*assembly.part_keys[part.name], "trim"),
                f"{part.name!r} is not a neighbour: it is changed to fit, not trimmed",
                "leave trim out here; it belongs to the parts of a vehicle",
            )
    table = clearances(assembly)
    near: dict[str, list[Question]] = {}
    kept = 0
    for question in questions(assembly, table):
        if question.b.role != "neighbour" or question.a.role == "neighbour":
            continue
        if recalled_verdict(assembly, table, question) is Verdict.PASS:
            kept += 1
        else:
            near.setdefault(question.b.name, []).append(question)
    if not (near or kept):
        return
    judged = {}
    for name, mine in near.items():
        ask = partial(_judge, settings=settings, table=table, name=name, near=mine)
        names = (name, *(question.a.name for question in mine))
        (judged[name],) = recalled(assembly, CODE, names, (name,), ask)
    yield from (finding for finding in judged.values() if finding.details["allowed"] != "never")
    yield _summary(assembly, judged, kept)


def _judge(
    assembly: Assembly, settings: Settings, table: Clearances, name: str, near: list[Question]
) -> Finding:
    """What one neighbour needs; of one that is never trimmed only the summary tells."""
    cases = [_Case(question, answer(assembly, table, question)) for question in near]
    allowed = assembly.part_entries[name].trim
    found: list[tuple[_Case, Zone]] = []
    for case in cases if allowed != "never" else ():
        found += [(case, zone) for zone in _zones(assembly, settings, table, case)]
    found.sort(key=lambda pair: (-pair[1].lack, pair[1].place))
    depth = depth_of_cut([(case.need, case.gap) for case in cases if case.gap is not None])
    deep = isinstance(allowed, float)
    need = Requirement("at most", float(allowed), "mm", f"trim of {name}") if deep else None
    verdict = _verdict(cases, depth, allowed, need)
    worst = max(cases, key=lambda case: case.lack)
    other, gap = worst.question.a.name, worst.gap
    ends = (gap.point_a, gap.point_b) if gap else nearest_points(*worst.measured.bodies)
    middle = as_point(assembly.housing.bounds.mean(axis=0))
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f"trim of {name}",
        parts=(other, name),
        message=_message(name, cases, depth, found, allowed),
        remedy=_remedy(name, other, verdict, cases),
        quantity=depth,
        requirement=need,
        witnesses=(Witness(name, name, ends[1]), Witness(other, other, ends[0])),
        view=words.view_across(gap.direction, gap.point_b, middle) if gap else None,
        entry=assembly.entry((*assembly.part_keys[name], "trim")),
        caution=f"{words.CAUTIONS.get(worst.question.b.kind, '')} {CAUTION}".strip(),
        details={
            "zones": [zone.row(case.question.a.name, case.need) for case, zone in found],
            "allowed": allowed,
            "inside_one_another": any(c.gap is not None and swallowed(c.gap) for c in cases),
        },
    )


def _zones(
    assembly: Assembly, settings: Settings, table: Clearances, case: _Case
) -> tuple[Zone, ...]:
    """Zones on the neighbour."""
    if case.gap is None:
        return ()
    return find_zones(
        *case.measured.bodies[::-1],
        case.need,
        turned(case.gap),
        pairing=case.measured.turned(case.need),
        on_a=allowances(assembly, case.question.b.name),
        on_b=allowances(assembly, case.question.a.name),
        combine=table.combine,
        resolution=settings.resolution,
    ).zones


def _verdict(
    cases: list[_Case], depth: Quantity | None, allowed: float | str, need: Requirement | None
) -> Verdict:
    if any(case.gap is not None and swallowed(case.gap) for case in cases):
        return Verdict.FAIL
    if allowed == "never":
        certain = any(case.verdict is Verdict.FAIL for case in cases)
        return Verdict.FAIL if certain else Verdict.UNDECIDED
    if depth is None:
        return Verdict.UNDECIDED
    verdict = Verdict.PASS if need is None else need.decide(depth)
    doubtful = any(case.gap is None or case.gap.undecided for case in cases)
    return Verdict.UNDECIDED if verdict is Verdict.PASS and doubtful else verdict


def _message(
    name: str,
    cases: list[_Case],
    depth: Quantity | None,
    found: list[tuple[_Case, Zone]],
    allowed: float | str,
) -> str:
    inside = [c.question.a.name for c in cases if c.gap is not None and swallowed(c.gap)]
    if inside:
        return f"No trim makes {name} fit: it and {one_each(inside)} lie inside one another."
    told = [doubts(case.gap, case.measured.trouble, case.question.a.name, name) for case in cases]
    said = "".join(f" {reason}." for reason in dict.fromkeys(chain(*told)))
    if depth is None or depth.high <= 0.0:
        return f"Whether {name} needs a cut, and how deep, cannot be told.{said}"
    limit = allowed if isinstance(allowed, float) else None
    cut = words.interval(depth, Requirement("at most", 0.0 if limit is None else limit, "mm"))
    clear = [f"{words.length(case.need)} mm clear of {case.question.a.name}" for case in cases]
    text = f"{name} needs a cut of {cut} to stand {one_each(clear)}"
    text += said_cuts(name, [zone for _, zone in found])
    text += "; any depth may be cut." if limit is None else f"; {words.length(limit)} mm allowed."
    return text + said


def _remedy(name: str, other: str, verdict: Verdict, cases: list[_Case]) -> str:
    if any(case.gap is not None and swallowed(case.gap) for case in cases):
        return f"Check the placement and the unit of {name} and {other}."
    if verdict is Verdict.PASS:
        return f"Trim {name} there, and give its mesh as trimmed: fit-gap judges it as it stands."
    if verdict is Verdict.FAIL:
        return f"Set {other} back, or allow a deeper cut in {name}."
    return (
        f"Settle the gap first (fit-gap says what it needs), or allow a deeper cut in {name}; a "
        "finer mesh with its sagitta declared, or truer tolerances, narrow the interval."
    )


def _summary(assembly: Assembly, judged: dict[str, Finding], kept: int) -> Finding:
    """Whether the vehicle needs no modification, fits once trimmed, or does not."""
    by = {verdict: [n for n, f in judged.items() if f.verdict is verdict] for verdict in Verdict}
    trimmed, stuck, left = by[Verdict.PASS], by[Verdict.FAIL], by[Verdict.UNDECIDED]
    lines = [row_of(judged[name], name) for name in trimmed]
    cuts = one_each(
        [f"{x['part']} by {words.length(x['depth'])} mm over {x['area']:.0f} mm2" for x in lines]
    )
    asked = any(assembly.part_entries[part.name].trim != "never" for part in assembly.neighbours)
    remedy = ""
    if not judged:
        verdict = Verdict.PASS
        gaps = "its one required gap is" if kept == 1 else f"all {kept} required gaps are"
        text = f"needs no modification: {gaps} kept, standing still."
    elif stuck:
        verdict = Verdict.FAIL if asked else Verdict.NOT_APPLICABLE
        text = (
            f"does not fit by trimming: {one_each([stuck_in_words(judged[n], n) for n in stuck])}."
        )
        remedy = "Set the housing back where fit-zones says, or allow deeper cuts."
    elif left:
        verdict = Verdict.UNDECIDED if asked else Verdict.NOT_APPLICABLE
        text = f"may need modification: it cannot be decided for {one_each(left)}."
        remedy = "Settle their gaps first; fit-gap says what each one needs."
    else:
        verdict = Verdict.NOT_APPLICABLE
        text = f"fits once {len(trimmed)} of its parts {'are' if len(trimmed) > 1 else 'is'} "
        text += f"trimmed: {cuts}."
        remedy = "State the cuts in this vehicle's fitting instructions."
    if trimmed and (stuck or left):
        text += f" To be trimmed in any case: {cuts}."
    if stuck and left:
        text += f" Not decided: {one_each(left)}."
    silent = [x.name for x in assembly.neighbours if not assembly.part_entries[x.name].gap]
    if silent:
        text += f" Not asked about (gap = false): {one_each(silent)}."
    shown = [judged[name].witnesses[:1] for name in (*stuck, *left, *trimmed)]
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject="modification of the vehicle",
        parts=(),
        message=f"{assembly.vehicle} {text}",
        remedy=remedy,
        caution=CAUTION if trimmed else "",
        witnesses=next((first for first in shown if first), ()),
        details={
            "trimmed": lines,
            "in_the_way": [row_of(judged[name], name) for name in stuck],
            "open": [row_of(judged[name], name) for name in left],
            "kept": kept,
        },
    )

"""Where parts are too near each other, and how much of them.

What: For every pair whose gap is not surely kept, finds the places where the first part, the
housing or one carried with it, is nearer to the other than required: each connected patch of its
surface with its area, its least gap, and how far and in which direction the wall has to go there.
A place in the middle of one large facet is found as well. Pairs that keep their gap are not
mentioned again; how near they are is said by fit-gap.

Why: The least gap is one point. Whoever moves a wall there and prints again finds the second place
next: the panel also touches the other boss. How large the patch is says whether a file or a new
pattern is needed.

Remedy: Set the wall back in each place listed, by the depth and in the direction given; where the
directions of one patch spread widely, along the wall's own normal. The amount holds what the worst
point of the patch lacks between the meshes and what the interval of the gap leaves open. Where a
patch only may be too near, give truer figures or a finer mesh, or take off the little that is
lacking. Requirements and mates are those of [check.fit-gap].

Details of a finding: ``zones``, the worst first: ``place`` (mm, on the first part), ``least_gap``
(mm between the meshes; less than 0 is inside the other part), ``depth`` (mm between the meshes,
how far the wall has to go), ``direction`` (unit vector along which it goes), ``spread`` (degrees,
root mean square, between that and the directions in the patch), ``far_side`` (true: the patch is
on the back of a thin wall, near through it, and goes with its face), ``area``, ``area_low``,
``area_high`` (mm2), ``size`` (mm, of its bounding box), ``certain`` (some of it is too near between
the meshes), ``nearest`` (the other part), ``required`` (mm); ``smaller`` (patches under the least
area, not listed), ``resolution`` (mm) and ``notes``.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from pydantic import Field

from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import as_point
from geomcheck.fit.state import Gap, State
from geomcheck.fit.zone import NAMED, Zone, Zones
from geomcheck.fit.zones import RESOLUTION, find_zones
from geomcheck.project.allowances import allowances
from geomcheck.project.assembly import Assembly
from geomcheck.project.clearances import Answer, Clearances, Question, answer, clearances, questions
from geomcheck.project.entries import NotNegative, Positive, Table
from geomcheck.project.pair_recall import recalled_pair
from geomcheck.wording import capital

CODE = "fit-zones"
TITLE = "places that are too near"
TOGETHER = "gaps"


class Settings(Table):
    """The ``[check.fit-zones]`` table."""

    resolution: Positive = Field(
        default=RESOLUTION, description="size of the pieces at the rim of a patch, mm"
    )
    least_area: NotNegative = Field(
        default=1.0, description="mm2; smaller patches are counted, not listed, but for the worst"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each pair whose gap is not surely kept and that has a place to show."""
    table = clearances(assembly)
    for question in questions(assembly, table):
        ask = partial(_answer, settings=settings, table=table, question=question)
        yield from recalled_pair(assembly, CODE, question, ask)


def _answer(
    assembly: Assembly, settings: Settings, table: Clearances, question: Question
) -> Iterator[Finding]:
    measured = answer(assembly, table, question)
    gap = measured.gap
    if gap is None or measured.verdict(question.need) is Verdict.PASS:
        return
    zones = find_zones(
        *measured.bodies,
        question.need.limit,
        gap,
        pairing=measured.pairing,
        on_a=allowances(assembly, question.a.name),
        on_b=allowances(assembly, question.b.name),
        combine=table.combine,
        resolution=settings.resolution,
    )
    verdict = _verdict(measured, question, zones.area)
    if zones.zones or verdict is Verdict.FAIL:
        yield _finding(assembly, settings, question, gap, zones, verdict)


def _need(question: Question) -> Requirement:
    limit = words.length(question.need.limit)
    return Requirement("at most", 0.0, "mm2", f"{limit} mm required, {question.need.source}")


def _verdict(measured: Answer, question: Question, area: Quantity) -> Verdict:
    """As the gap says; an area that is too near for certain is a fail, too."""
    verdict = measured.verdict(question.need)
    return Verdict.FAIL if _need(question).decide(area) is Verdict.FAIL else verdict


def _finding(
    assembly: Assembly,
    settings: Settings,
    question: Question,
    gap: Gap,
    zones: Zones,
    verdict: Verdict,
) -> Finding:
    a, b, need = question.a, question.b, _need(question)
    listed = [
        zone
        for number, zone in enumerate(zones.zones)
        if number == 0 or zone.area.high >= settings.least_area
    ]
    smaller = len(zones.zones) - len(listed)
    worst = listed[0] if listed else None
    decided = need.decide(zones.area) is verdict
    # Where one lies deep in the other no wall is near: its deepest point is shown.
    ends = (gap.point_a, gap.point_b) if worst is None else (worst.point_a, worst.point_b)
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f"{a.name} / {b.name}",
        parts=(a.name, b.name),
        message=_message(a.name, b.name, question.need, zones, listed, smaller, gap.state),
        remedy=_remedy(a.name, b.name, listed, verdict, gap.quantity.value - gap.quantity.low),
        quantity=zones.area if listed else None,
        requirement=need if listed and decided else None,
        witnesses=(Witness(a.name, a.name, ends[0]), Witness(b.name, b.name, ends[1])),
        view=None
        if worst is None
        else words.view_across(
            worst.direction, worst.point_a, as_point(assembly.housing.bounds.mean(axis=0))
        ),
        entry=question.entry,
        caution=next((words.CAUTIONS[p.kind] for p in (b, a) if p.kind in words.CAUTIONS), ""),
        details={
            "zones": [zone.row(b.name, question.need.limit) for zone in listed],
            "smaller": smaller,
            "resolution": settings.resolution,
            "notes": list(zones.notes),
        },
    )


def _message(
    a: str,
    b: str,
    need: Requirement,
    zones: Zones,
    listed: list[Zone],
    smaller: int,
    state: State,
) -> str:
    limit = words.length(need.limit)
    if not listed:
        inner, outer = (a, b) if state == "a inside b" else (b, a)
        return (
            f"{inner} lies deep inside the material of {outer}: no wall of {a} is within {limit} "
            f"mm of the surface of {b}."
        )
    nearer = f"nearer than {limit} mm to {b}" if need.limit > 0.0 else f"inside {b}"
    places = f"in {len(listed)} place{'s' if len(listed) > 1 else ''}"
    if listed[0].certain:
        text = f"{a} is {nearer} {places}: "
    else:
        text = (
            f"Between the meshes {a} is nowhere {nearer}, but by what facets and tolerances leave "
            f"open it may be {places}: "
        )
    text += ", ".join(_place(zone, need.limit) for zone in listed[:NAMED])
    if len(listed) > NAMED:
        text += f", and {len(listed) - NAMED} more"
    text += "."
    if smaller:
        text += f" {smaller} smaller patch{'es are' if smaller > 1 else ' is'} not listed."
    for note in zones.notes:
        text += f" {capital(note)}."
    return text.replace("the other mesh", f"the mesh of {b}")


def _place(zone: Zone, limit: float) -> str:
    if zone.gap < 0.0:
        gap = f"{words.length(-zone.gap)} mm inside"
    else:
        gap = f"{words.length(zone.gap, limit)} mm"
    back = " (back of the wall)" if zone.far_side else ""
    return f"{gap} over {zone.said_area()} at {words.place(zone.place)}{back}"


def _remedy(a: str, b: str, listed: list[Zone], verdict: Verdict, more: float) -> str:
    if not listed:
        return f"Check the placement and the unit of {a} and {b}."
    if verdict is not Verdict.FAIL:
        return (
            f"Take a little more off {a} there, or export both parts with a finer chord error and "
            "declare it as their sagitta, or give truer tolerances."
        )
    # The back of a wall goes with its face.
    walls = [zone for zone in listed if not zone.far_side] or listed
    steps = [
        f"at {words.place(zone.place)} by {words.length(zone.lack + more)} mm "
        f"{zone.said_direction()}"
        for zone in walls[:NAMED]
    ]
    rest = "; and so on in the other places" if len(walls) > NAMED else ""
    said = words.length(more)
    each = f" ({said} mm of it for facets and tolerances)" if float(said) > 0.0 else ""
    return f"Set the wall of {a} back {'; '.join(steps)}{each}{rest}; or move {b} away."

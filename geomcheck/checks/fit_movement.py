"""Gap to the neighbours while parts move.

What: Measures the least gap over a whole movement: an engine rocking on its mounts (every mixture
of up to three angles and three shifts), a hinged panel through its arc, a belt or a linkage from
pose to pose, parts growing by heat, alone or on top of a movement. Each part that moves is
measured against each part that does not; the pose of the least gap is told, and a lower bound over
all poses is proved, not sampled. Allowances of the parts (facets, casting, print, scan) are added
at their worst.

Why: What clears by 15 mm on a stand hits the strut tower on the first hard launch. A gap looked at
in a few poses says nothing of those between.

Remedy: Set the wall back at the place named, by the amount and in the direction given (as the part
stands), stiffen the mounts, or move the neighbour. Where the budget ran out, raise the movement's
budget, widen its tolerance, or split its ranges. A mated part that goes along is named in parts,
or set on = "engine"; a mate between a part that moves and one that stays is refused, since its
faces would slide, and where only growth moves them apart the joined part is carried along and the
pair is not asked about.

Details of a finding: ``movement``, ``state``, ``pose`` (numbers by name, and ``pose_words``),
``maps`` (4 x 4 by part, from where it stands into that pose, housing frame),
``first_contact`` (the pose, from rest on; None without contact), ``found`` and ``proved`` (mm,
facets only), ``boxes`` (of poses looked at), ``complete`` (whether the proof came within the
tolerance), ``tolerance``, ``at_rest`` (the place on the moving part as it stands),
``direction`` (to set its wall back, as it stands), ``triangles``, ``depth`` and ``undecided``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Requirement, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import Body, as_point
from geomcheck.fit.motion_gap import least_gap
from geomcheck.fit.motion_state import MovingGap, Stand
from geomcheck.fit.nearest import nearest_points
from geomcheck.mesh.part import Part
from geomcheck.project.allowances import allowances
from geomcheck.project.assembly import Assembly
from geomcheck.project.clearances import clearances
from geomcheck.project.entries import MovementEntry, Table
from geomcheck.project.lines import Key
from geomcheck.project.moving import MovingPair, doubts, moving_pairs
from geomcheck.project.recall import recalled
from geomcheck.wording import capital

CODE = "fit-movement"
TITLE = "gap while parts move"

CAUTION = (
    "Moving parts: the ranges are the project's own. Worn mounts, run-out and a slack belt come on "
    "top; guards and running gaps follow local codes and the maker's figures, and licensed "
    "practice."
)


class Settings(Table):
    """The ``[check.fit-movement]`` table: empty; movements are ``[[movement]]`` entries."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each pair of each movement."""
    shells = clearances(assembly).shells if assembly.movements else ()
    for key, entry in assembly.movements:
        pairs = list(moving_pairs(assembly, key, entry))
        if not pairs:
            yield _nothing(assembly, key, entry)
        for pair in pairs:
            names, ask = (pair.moving.name, pair.still.name), _carried if pair.mates else _answer
            asked = partial(ask, key=key, entry=entry, pair=pair, shells=shells)
            yield from recalled(assembly, CODE, names, (*key, *names), asked)


def _nothing(assembly: Assembly, key: Key, entry: MovementEntry) -> Finding:
    return Finding(
        code=CODE,
        verdict=Verdict.NOT_APPLICABLE,
        vehicle=assembly.vehicle,
        subject=f'movement "{entry.name}"',
        parts=(),
        message=f'No part of {assembly.vehicle} stays where it is in movement "{entry.name}", so '
        "there is nothing to keep clear of.",
        entry=assembly.entry(key),
    )


def _carried(
    assembly: Assembly, key: Key, entry: MovementEntry, pair: MovingPair, **_shells: Any
) -> Finding:
    a, b = pair.moving.name, pair.still.name
    mates = ", ".join(f'mate "{name}"' for name in pair.mates)
    return Finding(
        code=CODE,
        verdict=Verdict.NOT_APPLICABLE,
        vehicle=assembly.vehicle,
        subject=f"{entry.name}: {a} / {b}",
        parts=(a, b),
        message=f"{b} is joined to {a} by {mates} and is carried along as {a} grows; "
        "no gap between them is asked about.",
        entry=assembly.entry(key),
        details={"movement": entry.name, "mates": list(pair.mates)},
    )


def _answer(
    assembly: Assembly,
    key: Key,
    entry: MovementEntry,
    pair: MovingPair,
    shells: tuple[str, ...],
) -> Finding:
    a, b = pair.moving, pair.still
    need = Requirement("at least", entry.required, "mm", f'movement "{entry.name}"')
    cautions = [CAUTION]
    cautions += [words.CAUTIONS[p.kind] for p in (b, a) if p.kind in ("hot part", "fuel line")]

    def finding(verdict: Verdict, message: str, remedy: str, **more: Any) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=assembly.vehicle,
            subject=f"{entry.name}: {a.name} / {b.name}",
            parts=(a.name, b.name),
            message=message,
            remedy=remedy,
            entry=assembly.entry(key),
            caution=" ".join(dict.fromkeys(cautions)),
            **more,
        )

    moving, still = Body.of(a), Body.of(b)
    try:
        gap = least_gap(
            moving,
            still,
            pair.motion,
            tolerance=entry.tolerance,
            budget=entry.budget,
            stand_moving=_stand(assembly, a.name, moving),
            stand_still=_stand(assembly, b.name, still),
            shell_moving=a.name in shells,
            shell_still=b.name in shells,
        )
        for name, point in ((a.name, gap.at_rest), (b.name, gap.still_at_rest)):
            for allowance in allowances(assembly, name):
                allowance.check(np.array([point]))
    except CannotDecide as error:
        ends = map(Witness, (a.name, b.name), (a.name, b.name), nearest_points(moving, still))
        more = {"witnesses": tuple(ends), "details": {"movement": entry.name}}
        return finding(Verdict.UNDECIDED, error.text, error.remedy, **more)
    reasons, remedies = doubts(assembly, pair, gap, need.limit, shells)
    gap = replace(gap, undecided=(*gap.undecided, *reasons))
    verdict = need.decide(gap.quantity)
    if verdict is Verdict.PASS and gap.undecided:
        verdict = Verdict.UNDECIDED
    return finding(
        verdict,
        _message(a.name, b.name, entry, gap, need, verdict),
        _remedy(a.name, b.name, entry, gap, need, verdict, remedies, _ours_stands(a, b)),
        quantity=gap.quantity,
        requirement=need,
        witnesses=(
            Witness(f"{a.name}, as it stands", a.name, gap.at_rest),
            Witness(f"{a.name}, in that pose", a.name, gap.point_moving),
            Witness(b.name, b.name, gap.point_still),
        ),
        view=words.view_across(
            gap.direction, gap.at_rest, as_point(assembly.housing.bounds.mean(axis=0))
        ),
        details=_details(a.name, b.name, entry, gap),
    )


def _stand(assembly: Assembly, name: str, body: Body) -> Stand | None:
    """Everything but the facets that lets a part's surface stand off its mesh."""
    found = allowances(assembly, name)
    if not found:
        return None
    amount = sum(each.amount(body.vertices)[body.faces].max(axis=1) for each in found)
    return Stand(np.asarray(amount, dtype=np.float64), tuple(each.name for each in found))


def _message(
    a: str, b: str, entry: MovementEntry, gap: MovingGap, need: Requirement, verdict: Verdict
) -> str:
    wanted = "contact is allowed, overlap is not"
    if need.limit > 0.0:
        wanted = f"{words.length(need.limit)} mm required"
    where, way = words.place(gap.point_moving), f'in movement "{entry.name}"'
    if gap.state == "apart":
        text = (
            f"Least gap of {words.interval(gap.quantity, need)} between {a} and {b} {way}, "
            f"{gap.pose.words}, at {where}; {wanted}."
        )
        if not gap.complete:
            text += (
                f" The budget of {entry.budget} boxes of poses ran out: proved over all poses is "
                f"no more than a gap of {words.length(gap.proved)} mm between the meshes."
            )
    else:
        first = "" if gap.first is None else f" On the way there they first meet {gap.first.words}."
        if gap.state == "touching":
            deep = "touch"
        elif gap.depth is None:
            deep = "overlap"
        else:
            deep = f"overlap by {words.length(gap.depth)} mm or more"
        text = f"{a} and {b} {deep} {way}, {gap.pose.words}, at {where}; {wanted}.{first}"
    for note in (*(gap.undecided if verdict is Verdict.UNDECIDED else ()), *gap.notes):
        text += f" {capital(note)}."
    return (
        text.replace("the moving part", a)
        .replace("the still part", b)
        .replace("the first part", a)
        .replace("the second part", b)
    )


def _remedy(
    a: str,
    b: str,
    entry: MovementEntry,
    gap: MovingGap,
    need: Requirement,
    verdict: Verdict,
    remedies: tuple[str, ...],
    ours: bool,
) -> str:
    if verdict is Verdict.PASS:
        return ""
    if verdict is Verdict.UNDECIDED and gap.quantity.low >= need.limit:
        if remedies:
            return " ".join(dict.fromkeys(remedies))
        return (
            "Give a closed mesh; or, if the open one is known to enclose no material (a scan of "
            "the bay, a sheet), name it in shells of [check.fit-gap]."
        )
    if verdict is Verdict.UNDECIDED and not gap.complete:
        return (
            f'Raise budget of movement "{entry.name}" above {entry.budget}, widen its tolerance '
            "above "
            f"{entry.tolerance:g} mm, or split its ranges into several movements."
        )
    apart = gap.state == "apart"
    more = need.limit - (gap.quantity.low if apart else gap.quantity.value)
    amount = f"{'' if apart else 'at least '}{words.length(more, 0.0)} mm"
    if verdict is Verdict.UNDECIDED:
        return (
            f"Give {amount} more room between {a} and {b}, or export both with a finer chord "
            "error and declare it as their sagitta."
        )
    if gap.direction is None:
        return f"Set {a} back from {b} by {amount}, move {b}, or limit the movement."
    at, way, wall, other = gap.at_rest, gap.direction, f"{a}, as it stands,", b
    if ours:
        # What is developed here comes first: the casting, not the vehicle's panel.
        turned = gap.pose.moving[:3, :3] @ np.asarray(way)
        at, way = gap.still_at_rest, as_point(-turned / np.linalg.norm(turned))
        wall, other = b, a
    return (
        f"At {words.place(at)} set the wall of {wall} back by {amount} along "
        f"{words.direction(way)}, away from {other}; or move {other}, or limit the movement."
    )


def _ours_stands(moving: Part, still: Part) -> bool:
    """Whether a part of the vehicle moves past one of the casting's."""
    return moving.role == "neighbour" and still.role != "neighbour"


def _details(a: str, b: str, entry: MovementEntry, gap: MovingGap) -> dict[str, Any]:
    return {
        "movement": entry.name,
        "state": gap.state.replace("a inside b", f"{a} inside {b}").replace(
            "b inside a", f"{b} inside {a}"
        ),
        "pose": gap.pose.numbers,
        "pose_words": gap.pose.words.replace("the moving part", a),
        "maps": {a: gap.pose.moving.tolist(), b: gap.pose.still.tolist()},
        "first_contact": None if gap.first is None else gap.first.numbers,
        "found": gap.quantity.value,
        "proved": gap.proved,
        "boxes": gap.boxes,
        "complete": gap.complete,
        "tolerance": entry.tolerance,
        "at_rest": list(gap.at_rest),
        "direction": None if gap.direction is None else list(gap.direction),
        "triangles": {a: gap.triangle_moving, b: gap.triangle_still},
        "depth": gap.depth,
        "undecided": list(gap.undecided),
    }

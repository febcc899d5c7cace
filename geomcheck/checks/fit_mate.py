"""Faces that are meant to touch.

What: Looks for the two faces of each declared mate where the entry says they are, and measures
whether they are parallel, lie over each other, and keep the gasket's thickness within the
tolerance all over their common footprint. What is not flat within the tolerance is no face: where
``area`` is given, a sunk or raised spot shows by the area the faces no longer have in common.

Why: The gap check leaves out what lies behind mating faces. If a face has moved, is turned, or is
not there, the joint leaks or cannot be bolted up, and nothing may be left out for it.

Remedy: Move the face along its normal by the amount given, or mend the placement of the part, or
correct the mate's point, normal or gasket. Each pad that lies apart from the others is a mate of
its own; the point must lie on the face, not in its bore.

Details of a finding: ``distance`` (mm, first face to second), ``gasket`` (mm), ``angle``
(degrees), ``footprint`` (mm2, area the faces have in common), ``unevenness`` (mm, of each face),
``triangles`` (how many make each face).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Quantity, Requirement, Term, Verdict, Witness
from geomcheck.fit import words
from geomcheck.fit.body import Body
from geomcheck.fit.face import Face
from geomcheck.fit.mate import PARALLEL, Mate, check_mate
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MateEntry, Table
from geomcheck.project.lines import Key
from geomcheck.wording import capital

CODE = "fit-mate"
TITLE = "mating faces"

UNEVEN = (
    "The faces in the meshes are too uneven to decide: give a better scan or the model's own mesh, "
    "or allow a larger tolerance if the joint does."
)


class Settings(Table):
    """The ``[check.fit-mate]`` table: the mates themselves say all there is to set."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each mate of the vehicle, and one more where its area is asked for."""
    bodies: dict[str, Body] = {}
    for key, entry in assembly.mates:
        for name in entry.parts:
            if name not in assembly.parts:
                assembly.refuse(
                    (*key, "parts"),
                    f"vehicle {assembly.vehicle!r} has no part named {name!r}",
                    f"known: {', '.join(assembly.parts)}",
                )
            bodies.setdefault(name, Body.of(assembly.parts[name]))
        if entry.parts[0] == entry.parts[1]:
            assembly.refuse((*key, "parts"), "a part does not mate with itself", "name two parts")
        answer, mate = _answer(assembly, key, entry, bodies)
        yield answer
        if mate is not None and entry.area is not None:
            yield _area(assembly, key, entry, bodies, mate, entry.area)


def _answer(
    assembly: Assembly, key: Key, entry: MateEntry, bodies: dict[str, Body]
) -> tuple[Finding, Mate | None]:
    a, b = entry.parts
    need = Requirement("at most", entry.tolerance, "mm", f'mate "{entry.name}"')
    try:
        mate = check_mate(
            bodies[a],
            bodies[b],
            entry.at,
            entry.normal,
            gasket=entry.gasket,
            tolerance=entry.tolerance,
        )
    except CannotDecide as error:
        name = b if error.where == "second part" else a
        solid = bodies[name].solid
        text = error.text.removeprefix(f"{error.where}: ").removesuffix(f" {error.remedy}.")
        text = text.replace("the first part", a).replace("the second part", b)
        if not solid:
            text += f" {name} is not closed: the face may be missing from its mesh."
        missing = Finding(
            code=CODE,
            verdict=Verdict.FAIL if solid else Verdict.UNDECIDED,
            vehicle=assembly.vehicle,
            subject=f'mate "{entry.name}"',
            parts=(a, b),
            message=text,
            remedy=capital(error.remedy) + ".",
            witnesses=(Witness("declared point", a, entry.at),),
            entry=assembly.entry(key),
        )
        return missing, None
    verdict, message, remedy = _judge(a, b, entry, mate, need)
    found = Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'mate "{entry.name}"',
        parts=(a, b),
        message=message,
        remedy=remedy,
        quantity=mate.departure,
        requirement=need,
        witnesses=(Witness(a, a, mate.point_a), Witness(b, b, mate.point_b)),
        view=None,
        entry=assembly.entry(key),
        details={
            "distance": mate.distance,
            "gasket": entry.gasket,
            "angle": mate.angle.value,
            "footprint": mate.area,
            "unevenness": {a: mate.face_a.unevenness, b: mate.face_b.unevenness},
            "triangles": {a: len(mate.face_a.triangles), b: len(mate.face_b.triangles)},
        },
    )
    return found, mate


def _area(
    assembly: Assembly,
    key: Key,
    entry: MateEntry,
    bodies: dict[str, Body],
    mate: Mate,
    least: float,
) -> Finding:
    """Whether the faces have the area in common that the entry asks for."""
    a, b = entry.parts
    off = sum(_slack(bodies[n], face) for n, face in ((a, mate.face_a), (b, mate.face_b)))
    doubt = float(mate.footprint.length) * off
    term = Term("facets", min(mate.area, doubt), doubt, "sagitta along the outline")
    area = Quantity.from_terms("common area", mate.area, "mm2", (term,))
    need = Requirement("at least", least, "mm2", f'area of mate "{entry.name}"')
    verdict = need.decide(area)
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'mate "{entry.name}", area',
        parts=(a, b),
        message=f"The faces of {a} and {b} at {words.place(mate.point_a)} have {mate.area:.2f} mm2 "
        f"in common ({area.low:.2f} to {area.high:.2f}), at least {least:g} wanted.",
        remedy=""
        if verdict is Verdict.PASS
        else f"Look for a sunk or raised spot, a chamfer or a hole that takes from the face of {a} "
        f"or {b}, or for parts that stand off each other sideways; or correct area.",
        quantity=area,
        requirement=need,
        witnesses=(Witness(a, a, mate.point_a), Witness(b, b, mate.point_b)),
        entry=assembly.entry(key),
    )


def _slack(body: Body, face: Face) -> float:
    """How far the part's true edge may stand off a face's outline: the walls' sagitta, mm."""
    about = np.isin(body.faces, np.unique(body.faces[face.triangles])).any(axis=1)
    return float(np.maximum(body.sagitta.outward, body.sagitta.inward)[about].max())


def _judge(
    a: str, b: str, entry: MateEntry, mate: Mate, need: Requirement
) -> tuple[Verdict, str, str]:
    where = words.place(mate.point_a)
    if mate.area <= 0.0:
        return (
            Verdict.FAIL,
            f"The faces of {a} and {b} at {where} are there, {words.length(mate.distance)} mm "
            "apart, but do not lie over each other at the declared point.",
            "Check the placement of both parts, and that the point lies on both faces.",
        )
    wanted = f"{words.length(entry.gasket)} mm +-{words.length(entry.tolerance)} wanted"
    if mate.angle.high > PARALLEL:
        certain = mate.angle.low > PARALLEL
        return (
            Verdict.FAIL if certain else Verdict.UNDECIDED,
            f"The faces of {a} and {b} at {where} are {mate.angle.value:.2f} degrees "
            f"({mate.angle.low:.2f} to {mate.angle.high:.2f}) out of parallel, at most "
            f"{PARALLEL:g} allowed; {words.length(mate.distance)} mm apart in the middle, "
            f"{wanted}.",
            f"Turn the face of {a} or {b} by {mate.angle.value:.2f} degrees."
            if certain
            else UNEVEN,
        )
    verdict = need.decide(mate.departure)
    departure = words.interval(mate.departure, need)
    message = (
        f"The faces of {a} and {b} at {where} are {words.length(mate.distance)} mm apart, "
        f"{wanted}; greatest departure {departure} over {mate.area:.0f} mm2."
    )
    if verdict is Verdict.PASS:
        return verdict, message, ""
    if verdict is Verdict.UNDECIDED:
        return (
            verdict,
            message,
            UNEVEN,
        )
    step = entry.gasket - mate.distance
    way = "back from" if step > 0 else "towards"
    if abs(step) <= entry.tolerance:
        remedy = (
            f"The middle is right, but the faces are {mate.angle.value:.2f} degrees out of "
            "parallel: turn one of them."
        )
    else:
        remedy = (
            f"Move the face of {a} by {words.length(abs(step))} mm {way} {b} along its normal "
            f"{words.direction(entry.normal)}, or check the placement and the gasket's thickness."
        )
    return verdict, message, remedy

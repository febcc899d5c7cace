"""Is each mesh the part it should be, sound, and of the right size.

What: Every part's mesh is looked at before anything is measured on it. Its class (closed, open
or soup) must be what the project file expects: the housing and what is carried with it must be
closed and face outwards unless ``expect`` says otherwise; neighbours may be scans. Where the
project file declares a bounding size, or points that lie on the part, the file must agree. A part
without a declared size may not be longer than ``most_size``, and none stand farther from the
housing than ``most_distance``.

Why: An STL carries no unit and no name. A part exported in inches, in metres, mirrored, inside
out or in an old state looks right on the screen and gives wrong gaps without a word. What is
closed decides which questions can be answered at all: inside, volume and overlap exist for closed
parts only.

Remedy: Export the part again in the right unit and state, from the CAD model, with its openings
closed and its normals outwards; or correct ``unit``, ``size``, ``on_surface`` or ``expect`` in the
project file. Nothing is rescaled, turned round or repaired by guess.

Details of a finding: ``class``, ``triangles``, ``bodies``, ``size`` (mm, file axes), ``counts`` (of
each kind of fault), ``defects``, ``notes``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from pydantic import Field

from geomcheck.finding import Finding, Point, Quantity, Requirement, Verdict, Witness
from geomcheck.mesh.faults import coarse_place, fault_counts, fault_place, thinnest_place
from geomcheck.mesh.fits import (
    boxes_apart,
    furthest_off,
    longest_side,
    mirrors_that_fit,
    size_difference,
    size_ends,
    suspect_axes,
    suspect_unit,
    wrong_class,
)
from geomcheck.mesh.part import Part
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PartEntry, Positive, Table

CODE = "part-sound"
#: Estimated sagitta (mm) worth a remark. Common practice, no source.
COARSE = 0.5
TITLE = "soundness of the meshes"


class Settings(Table):
    """The table ``[check.part-sound]``."""

    allow_zero_area: bool = Field(
        default=True, description="false: triangles without area are a fail, not a remark"
    )
    allow_doubled_bodies: bool = Field(
        default=False,
        description="true: bodies that lie in one another's material are only remarked on",
    )
    # Longer than a car, and farther than its other end. Common practice, no source.
    most_size: Positive = Field(
        default=10_000.0, description="mm; longest side of a part that declares no size"
    )
    most_distance: Positive = Field(default=10_000.0, description="mm; from the housing, boxes")


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings for every part: its faults, or one pass."""
    for part in assembly.parts.values():
        entry = assembly.part_entries[part.name]
        answers = [
            *_class(assembly, part, entry, settings),
            *_size(assembly, part, entry),
            *_points(assembly, part, entry),
            *_likely(assembly, part, entry, settings),
        ]
        faults = [answer for answer in answers if answer.verdict != Verdict.PASS]
        yield from faults or [_pass(assembly, part, answers)]


def _class(
    assembly: Assembly, part: Part, entry: PartEntry, settings: Settings
) -> Iterator[Finding]:
    wrong = wrong_class(part, entry.expect, doubled=settings.allow_doubled_bodies)
    if wrong is not None:
        yield _finding(assembly, part, Verdict.ERROR, *wrong)
    if part.soundness.zero_area and not settings.allow_zero_area:
        yield _finding(
            assembly,
            part,
            Verdict.FAIL,
            f"{part.name} has {part.soundness.zero_area} triangles without area",
            "Export it again with a finer resolution, or set allow_zero_area = true",
            witnesses=(Witness("no area", part.name, _point(thinnest_place(part))),),
        )


def _likely(
    assembly: Assembly, part: Part, entry: PartEntry, settings: Settings
) -> Iterator[Finding]:
    """Nothing of a vehicle is that long, or that far off: a wrong unit or place is likelier."""
    quantity = longest_side(part)
    if entry.size is None and quantity.value > settings.most_size:
        yield _finding(
            assembly, part, Verdict.ERROR,
            f"{part.name} is {quantity.value / 1000.0:.1f} m long: is its unit right?",
            "Set the unit it was exported in; or declare its size if it is as long as that",
            quantity=quantity, requirement=Requirement("at most", settings.most_size, "mm",
                                                       "most_size"),
        )  # fmt: skip
    for housing in (one for one in assembly.parts.values() if one.role == "housing"):
        quantity = boxes_apart(part, housing)
        if quantity.value <= settings.most_distance:
            continue
        yield _finding(
            assembly, part, Verdict.ERROR,
            f"{part.name} stands {quantity.value / 1000.0:.1f} m from the housing: is its place "
            "right?",
            "Correct its place, or the unit that it or the vehicle was given in",
            quantity=quantity, requirement=Requirement("at most", settings.most_distance, "mm",
                                                       "most_distance"),
        )  # fmt: skip


def _size(assembly: Assembly, part: Part, entry: PartEntry) -> Iterator[Finding]:
    if entry.size is None:
        return
    found = np.ptp(part.file_bounds, axis=0)
    axis, quantity = size_difference(part, entry.size, entry.size_tolerance)
    need = Requirement("at most", entry.size_tolerance, "mm", "size_tolerance")
    verdict = need.decide(quantity)
    figures: dict[str, Any] = {"quantity": quantity, "requirement": need}
    sizes = f"{_triple(found)} mm, declared {_triple(entry.size)} mm"
    if verdict == Verdict.PASS:
        yield _finding(assembly, part, verdict, f"size {sizes}", "", **figures)
        return
    suspicion = suspect_unit(found, entry.size)
    if not suspicion and suspect_axes(found, entry.size, entry.size_tolerance):
        suspicion = "the sizes agree once the axes are exchanged: turned on export?"
    if verdict == Verdict.UNDECIDED:
        message = (
            f"whether {part.name} has its declared size cannot be decided: the file measures "
            f"{sizes}, and the facets leave {quantity.low:.2f} to {quantity.high:.2f} mm in "
            f"{'xyz'[axis]} against {entry.size_tolerance:.2f} mm allowed"
        )
        remedy = "Export with a finer chord tolerance, declare its sagitta, or widen size_tolerance"
    else:
        verdict = Verdict.ERROR
        message = f"{part.name} has the wrong size: the file measures {sizes}"
        message += f"; {suspicion}" if suspicion else f" ({quantity.value:.2f} mm in {'xyz'[axis]})"
        remedy = (
            "Set the part's unit to the one it was exported in, or export it in mm; "
            "nothing is rescaled by guess"
            if "times too" in suspicion
            else "Check that this is the right file and revision, or correct size"
        )
    ends = zip(("least", "greatest"), map(_point, size_ends(part, axis)), strict=True)
    figures["witnesses"] = tuple(Witness(f"{n} {'xyz'[axis]}", part.name, p) for n, p in ends)
    yield _finding(assembly, part, verdict, message, remedy, key="size", **figures)


def _points(assembly: Assembly, part: Part, entry: PartEntry) -> Iterator[Finding]:
    if not entry.on_surface:
        return
    off = furthest_off(part, entry.on_surface, entry.on_surface_tolerance)
    quantity = off.quantity
    need = Requirement("at most", entry.on_surface_tolerance, "mm", "on_surface_tolerance")
    verdict = need.decide(quantity)
    count = len(entry.on_surface)
    if verdict == Verdict.PASS:
        message = f"{count} points on the surface within {quantity.value:.2f} mm"
        yield _finding(assembly, part, verdict, message, "", quantity=quantity, requirement=need)
        return
    given = _triple(entry.on_surface[off.row])
    witnesses = (
        Witness("on_surface point", part.name, _point(off.point)),
        Witness("nearest on the part", part.name, _point(off.foot)),
    )
    if verdict == Verdict.UNDECIDED:
        message = (
            f"whether on_surface point {given} lies on {part.name} cannot be decided: it is "
            f"{quantity.value:.2f} mm off the facets, {quantity.low:.2f} to {quantity.high:.2f} mm "
            f"off the surface, {entry.on_surface_tolerance:.2f} mm allowed"
        )
        remedy = "Take a point at a corner of the mesh or on a flat, or export with finer facets"
    else:
        verdict = Verdict.ERROR
        message = (
            f"{part.name} is not where its on_surface points are: point {off.row + 1} of {count} "
            f"at {given} is {quantity.value:.2f} mm off it"
        )
        mirrors = mirrors_that_fit(part, entry.on_surface, entry.on_surface_tolerance)
        remedy = "Check that this is the right file, revision and unit, or correct on_surface"
        if mirrors:
            message += f"; all points fit when mirrored {mirrors[0]}: is the part mirrored?"
            remedy = "Use the file of the other hand, or export the part unmirrored"
    yield _finding(
        assembly,
        part,
        verdict,
        message,
        remedy,
        quantity=quantity,
        requirement=need,
        witnesses=witnesses,
        key="on_surface",
    )


def _pass(assembly: Assembly, part: Part, answers: list[Finding]) -> Finding:
    """One finding for all that is in order, with the remarks."""
    sound = part.soundness
    parts = [f"{part.name} is {sound.kind}, {sound.triangles} triangles"]
    if sound.volume is not None:
        parts[0] += f", {sound.volume / 1000.0:.2f} cm3"
    parts += [answer.message for answer in answers]
    parts += [f"remark: {text}" for text in (*sound.defects, *part.notes)]
    parts += _coarse(part)
    if sound.kind != "closed" and assembly.part_entries[part.name].scan is None:
        parts.append("remark: no scan noise is stated for it, so none is taken")
    with_number = [answer for answer in answers if answer.quantity is not None]
    return _finding(
        assembly,
        part,
        Verdict.PASS,
        "; ".join(parts),
        "",
        quantity=with_number[-1].quantity if with_number else None,
        requirement=with_number[-1].requirement if with_number else None,
    )


def _coarse(part: Part) -> list[str]:
    """A remark where the estimated sagitta will leave little to decide."""
    found = coarse_place(part, COARSE)
    if found is None:
        return []
    x, y, z = part.triangles[found[1]].mean(axis=0)
    return [
        f"remark: judged by its facets the true surface may stand off by up to {found[0]:.2f} mm, "
        f"most at ({x:.2f}, {y:.2f}, {z:.2f}), triangle {found[1]}; state sagitta if the part was "
        "exported finer than that"
    ]


def _finding(
    assembly: Assembly,
    part: Part,
    verdict: Verdict,
    message: str,
    remedy: str,
    *,
    quantity: Quantity | None = None,
    requirement: Requirement | None = None,
    witnesses: tuple[Witness, ...] = (),
    key: str = "",
) -> Finding:
    sound = part.soundness
    details: dict[str, Any] = {
        "class": sound.kind,
        "triangles": sound.triangles,
        "bodies": sound.bodies,
        "size": [float(x) for x in np.ptp(part.file_bounds, axis=0)],
        "counts": fault_counts(sound),
        "defects": list(sound.defects),
        "notes": list(part.notes),
    }
    where = assembly.part_keys[part.name]
    if verdict is not Verdict.PASS and not witnesses:
        witnesses = (Witness("seen here", part.name, _point(fault_place(part))),)
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=part.name,
        parts=(part.name,),
        message=message,
        remedy=remedy,
        quantity=quantity,
        requirement=requirement,
        witnesses=witnesses,
        entry=assembly.entry((*where, key) if key else where),
        about_input=True,
        details=details,
    )


def _triple(values: Any) -> str:
    return " x ".join(f"{float(x):.2f}" for x in values)


def _point(values: Any) -> Point:
    x, y, z = (float(v) for v in values)
    return (x, y, z)

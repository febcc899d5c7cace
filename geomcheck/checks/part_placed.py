"""How well parts stand that were placed by datum points or laid on others by patches.

What: Every part (and every vehicle) placed by datum pairs is reported with the residual of each
pair after the rigid best fit, the scale that would have fitted best (it is never applied), and how
far the part may still be off at its middle and at its farthest corner. The worst residual must
keep within ``residual``. A part laid on another by patches is reported with the distance that is
left on them and how far the patches were moved.

Why: A scan has no place of its own. One datum point picked at the wrong hole, two exchanged, or a
scan in another scale turns every gap into fiction, and the least residuals look best with three
points. What is left of the residuals grows with the distance from the datum points; it enters the
interval of every gap to the part, at the place of the gap.

Remedy: Look at the pair with the largest residual first: is it the same point on both sides? Take
four or more points, spread wider than the place that matters, one well out of the plane of the
others. A scale away from 1 is a wrong unit, a shrinkage allowance or a scanner out of calibration.

Details of a finding: ``residuals`` (mm, pair by pair), ``rms`` (mm), ``scale`` and
``scale_amount``, ``mirrored_rms`` (mm), ``in_one_plane``, ``amount_middle`` and ``amount_greatest``
(mm, 95 %); of a part laid on patches ``patch_rms`` (mm), ``patch_points``, ``patch_points_kept``,
``rounds`` and ``moved`` (mm).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from pydantic import Field

from geomcheck.finding import Finding, Point, Quantity, Requirement, Verdict, Witness
from geomcheck.mesh.part import Part
from geomcheck.mesh.registration import Alignment, DatumFit
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import Positive, Table
from geomcheck.project.lines import Key

CODE = "part-placed"
TITLE = "placement by datum points"


class Settings(Table):
    """The table ``[check.part-placed]``."""

    residual: Positive = Field(
        default=1.0,
        description="mm; greatest residual of a datum pair, and RMS distance left on patches",
    )
    scale: Positive = Field(
        default=0.5, description="per cent; a best-fit scale farther from 1 is remarked on"
    )
    scale_limit: Positive = Field(
        default=1.0, description="per cent; one that is surely farther from 1 is an error"
    )


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings for every placement that was fitted."""
    vehicles: list[Alignment] = []
    for name, part in assembly.parts.items():
        entry = assembly.part_entries[name]
        key = assembly.part_keys[name]
        own = bool(entry.place.datums)
        if own or entry.refine is not None:
            alignment = part.alignments[0]
            if own and alignment.fit is not None:
                points = part.placed([pair.part for pair in entry.place.datums])
                where = (*key, "place", "datums")
                yield from _datums(assembly, settings, name, [part], alignment, points, where)
            if alignment.laid is not None:
                yield _patches(assembly, settings, part, alignment, (*key, "refine"))
        if entry.refine is None:
            for alignment in part.alignments[int(own) :]:
                if alignment.fit is None or any(alignment is seen for seen in vehicles):
                    continue
                vehicles.append(alignment)
                parts = [p for p in assembly.parts.values() if _holds(p, alignment)]
                where = (*key[:2], "place", "datums")
                yield from _datums(
                    assembly,
                    settings,
                    f"vehicle {assembly.vehicle}",
                    parts,
                    alignment,
                    alignment.fit.at,
                    where,
                )


def _holds(part: Part, alignment: Alignment) -> bool:
    return any(one is alignment for one in part.alignments)


def _datums(
    assembly: Assembly,
    settings: Settings,
    subject: str,
    parts: list[Part],
    alignment: Alignment,
    points: Any,
    key: Key,
) -> Iterator[Finding]:
    fit = alignment.fit
    assert fit is not None
    worst = int(np.argmax(fit.residuals))
    value = float(fit.residuals[worst])
    quantity = Quantity("residual", value, "mm", value, value)
    need = Requirement("at most", settings.residual, "mm", "residual")
    good = need.decide(quantity) is Verdict.PASS
    middle, greatest = _amounts(parts, alignment)
    spot = _point(points[worst])
    text = (
        f"{subject} stands on {len(fit.residuals)} datum points: worst residual {value:.2f} mm at "
        f"pair {worst + 1}, {_place(spot)}, RMS {fit.rms:.2f} mm; residuals "
        f"{', '.join(f'{r:.2f}' for r in fit.residuals)} mm"
    )
    details = _details(fit) | {"amount_middle": middle, "amount_greatest": greatest}
    remarks = _remarks(settings, fit)
    if alignment.laid is None:
        remarks.insert(
            0, f"it may be off by {middle:.2f} mm in its middle, {greatest:.2f} mm at most (95 %)"
        )
    more: dict[str, Any] = {
        "subject": subject,
        "parts": tuple(part.name for part in parts),
        "witnesses": (Witness(f"datum pair {worst + 1}", parts[0].name, spot),),
        "details": details,
        "key": key,
    }
    yield _finding(
        assembly,
        Verdict.PASS if good else Verdict.ERROR,
        "; ".join([text, *remarks]) + ".",
        ""
        if good
        else f"Check that pair {worst + 1} is the same point on both sides and that no two pairs "
        f"are exchanged; {settings.residual:.2f} mm are allowed.",
        quantity=quantity,
        requirement=need,
        **more,
    )
    departure = 100.0 * abs(fit.scale - 1.0)
    if departure - 100.0 * fit.scale_amount > settings.scale_limit:
        yield _finding(
            assembly,
            Verdict.ERROR,
            f"The datum points of {subject} would fit best at {fit.scale:.4f} of its size, "
            f"+-{fit.scale_amount:.4f}: {departure:.2f} % off, {settings.scale_limit:.2f} % "
            "allowed.",
            "Check unit and calibration of the scan, and whether it is of a pattern with its "
            "shrinkage allowance; nothing is rescaled to fit.",
            **more,
        )


def _remarks(settings: Settings, fit: DatumFit) -> list[str]:
    remarks = []
    if 100.0 * abs(fit.scale - 1.0) > settings.scale:
        remarks.append(
            f"remark: the scale that would fit best is {fit.scale:.4f} +-{fit.scale_amount:.4f}; "
            "it is not applied"
        )
    if fit.flat:
        remarks.append(
            "remark: the datum points lie in one plane, which does not show a mirrored part"
        )
    return remarks


def _patches(
    assembly: Assembly, settings: Settings, part: Part, alignment: Alignment, key: Key
) -> Finding:
    laid = alignment.laid
    assert laid is not None
    quantity = Quantity("distance left on patches", laid.rms, "mm", laid.rms, laid.rms)
    need = Requirement("at most", settings.residual, "mm", "residual")
    good = need.decide(quantity) is Verdict.PASS
    middle, greatest = _amounts([part], alignment)
    to = assembly.part_entries[part.name].refine
    assert to is not None
    text = (
        f"{part.name} is laid on {to.to} by {laid.kept} of {laid.points} points of its patches, "
        f"RMS {laid.rms:.2f} mm, moved there by up to {laid.moved:.2f} mm; it may be off by "
        f"{middle:.2f} mm in its middle, {greatest:.2f} mm at most (95 %)"
    )
    if alignment.fit is not None:
        before = float(alignment.fit.alignment.amount(alignment.fit.at).max())
        if laid.moved > before:
            text += (
                f"; remark: that is farther than the {before:.2f} mm the datum points leave open "
                "at their own places"
            )
    return _finding(
        assembly,
        Verdict.PASS if good else Verdict.ERROR,
        text + ".",
        ""
        if good
        else "Choose patches that both parts have in the same shape, or check the datum points; "
        f"{settings.residual:.2f} mm are allowed.",
        subject=part.name,
        parts=(part.name,),
        key=key,
        witnesses=(Witness("middle of the patches", part.name, _point(alignment.centre)),),
        quantity=quantity,
        requirement=need,
        details={
            "patch_rms": laid.rms,
            "patch_points": laid.points,
            "patch_points_kept": laid.kept,
            "rounds": laid.rounds,
            "moved": laid.moved,
            "amount_middle": middle,
            "amount_greatest": greatest,
        },
    )


def _amounts(parts: list[Part], alignment: Alignment) -> tuple[float, float]:
    """How far the parts may be off (mm): in the middle of their box, and at the worst corner."""
    corners = np.concatenate([part.vertices for part in parts])
    middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
    return float(alignment.amount(middle[None])[0]), float(alignment.amount(corners).max())


def _details(fit: DatumFit) -> dict[str, Any]:
    return {
        "residuals": [float(x) for x in fit.residuals],
        "rms": fit.rms,
        "scale": fit.scale,
        "scale_amount": fit.scale_amount,
        "mirrored_rms": fit.mirrored_rms,
        "in_one_plane": fit.flat,
    }


def _finding(
    assembly: Assembly, verdict: Verdict, message: str, remedy: str, *, key: Key, **more: Any
) -> Finding:
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        message=message,
        remedy=remedy,
        entry=assembly.entry(key),
        about_input=True,
        **more,
    )


def _place(point: Point) -> str:
    return "({:.2f}, {:.2f}, {:.2f})".format(*point)


def _point(values: Any) -> Point:
    x, y, z = (float(value) + 0.0 for value in values)
    return (x, y, z)

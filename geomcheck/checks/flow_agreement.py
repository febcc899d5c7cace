"""Area of a duct two ways: plane sections against levels of the flow's potential.

What: For a duct whose path is found by itself, the area at stations along the path by plane
sections, which are exact on the facets, and by levels of the potential between inlet and outlet,
which need no plane. They ought to agree within their stated errors. Where they do not, the place
and the one to trust are named: the plane, unless neighbouring planes cross in the bore. A level
bows where a bend begins and in a cone, and is larger there, rightly. This is a remark and decides
nothing, but a duct that leaks is undecided. Obstacles are left out.

Why: One method can be wrong without a sign: a plane in a tight turn counts some of the void twice,
and a side opening in its plane adds area that passes no air. Two that agree are worth more.

Remedy: Where planes cross, or cut along a side opening, shut it (``closed``) or ask for a least cut
(``throat = "planes and cut"``).

Details: ``s``, ``plane``, ``level``, ``plane_error``, ``level_error`` (mm2; null where there is
none), ``trusted``, ``stagnant`` (share of the plane section in which the air all but stands still,
0 to 1), one row a station.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.flow.account import numbers, place, point, stretches
from geomcheck.flow.agreement import Agreement
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_recall import mouth, recalled_duct
from geomcheck.project.entries import Table
from geomcheck.project.surveys import MeasuredDuct, measured_ducts
from geomcheck.project.two_ways import agreement
from geomcheck.wording import capital

CODE = "flow-agreement"
TITLE = "area of a duct two ways"
TOGETHER, ALL_VEHICLES_TOGETHER = "ducts", True


class Settings(Table):
    """The table ``[check.flow-agreement]``; it has no settings yet."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for every duct whose path is found by itself, and each of its outlets."""
    del settings
    for measured in measured_ducts(assembly):
        if measured.duct.inlet is not None:
            yield from recalled_duct(measured, CODE, _ask)


def _ask(measured: MeasuredDuct) -> Finding:
    try:
        found = agreement(measured)
    except CannotDecide as why:
        text = f"{capital(why.what)}."
        return _finding(measured, Verdict.UNDECIDED, text, f"{why.remedy}.", None, 0)
    both = np.isfinite(found.plane) & np.isfinite(found.level)
    if not both.any():
        return _finding(
            measured,
            Verdict.UNDECIDED,
            "No station has an area both ways.",
            "Close the holes in the walls' meshes along the path.",
            found,
            0,
        )
    apart = np.where(both, np.abs(found.plane / found.level - 1.0), -1.0)
    worst = int(apart.argmax())
    where = place(measured.path.frames([found.s[worst]])[0, :3])
    differ = found.differ & both
    text = (
        f"Plane sections and levels of the potential agree at {int((both & ~differ).sum())} of "
        f"{int(both.sum())} stations; they are farthest apart at {found.s[worst]:.2f} mm along the "
        f"path, {where}: {found.plane[worst]:.1f} and {found.level[worst]:.1f} mm2 "
        f"({100.0 * apart[worst]:.2f} %), and the {found.trusted[worst]} is trusted there"
    )
    crossing = np.array([which != "plane" for which in found.trusted])
    if crossing.any():
        text += f". Neighbouring planes cross in the bore at {stretches(found.s[crossing], 10.0)}"
    return _finding(measured, Verdict.NOT_APPLICABLE, f"{text}.", "", found, worst)


def _finding(
    measured: MeasuredDuct,
    verdict: Verdict,
    message: str,
    remedy: str,
    found: Agreement | None,
    row: int,
) -> Finding:
    witnesses = (mouth(measured),)
    details: dict[str, object] = dict(measured.assembly.pose)
    if found is not None:
        at = point(measured.path.frames([found.s[row]])[0, :3])
        witnesses = (Witness("station", measured.names[0], at),)
        for name in ("s", "plane", "level", "plane_error", "level_error", "stagnant"):
            details[name] = numbers(getattr(found, name))
        details["trusted"] = list(found.trusted)
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=measured.assembly.vehicle,
        subject=f"{measured.subject}, two ways",
        parts=measured.names,
        message=message,
        remedy=remedy,
        witnesses=witnesses,
        entry=measured.assembly.entry(measured.key),
        details=details,
    )

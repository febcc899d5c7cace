"""True throat of each duct: the least section at any tilt, and the largest ball that gets through.

What: Stations square to the path miss a throat that lies askew, between obstacles that stand
opposite each other but not at the same place. From the narrowest stations of ``flow-area`` the
section is tilted and moved until its area is least; that area must be at least the duct's
``least_area``. It is a search: how many starts ended there is told. With
``throat = "planes and cut"`` the smallest surface that parts the inlet from the outlet is looked
for on the cells of the void as well, which needs no path and knows of several gaps at once, and of
an opening that hides a boss opposite; the two are compared, and the low end is that which neither
rules out. Without the cut the low end is what the obstacles leave open as seen along the path. Of
what is cast into the walls the planes alone tell, and a side opening may mask it here:
``flow-area`` bounds what is open past the openings it sees. ``least_ball`` asks for the largest
ball that gets through, by exact distances to the triangles.

Why: Air does not mind which way the narrowest section leans. Two bosses on opposite walls, or a
blade part-open, leave less than any section square to the path shows.

Remedy: Move what takes the area: the message names each part, and each boss or the like that is
cast into a wall (an estimate), with what it takes of the least plane section, and how far to move
or cut back the one or the other until the required area is open. Where it cannot be decided, ask
for ``throat = "planes and cut"``, or close the leak that the finding names.

Details: ``plane`` (``area``, ``square_area``, ``s``, ``tilt_degrees``, ``point``, ``normal``),
``starts``, ``ended_here``, ``trusted``, ``taken`` (``part``, ``cast_in``, ``area_lost``,
``percent``, ``point``, and ``move`` or ``cut_back`` where it must go), ``cut`` (``label``,
``area``, ``low``, ``high``, ``cell``, ``converged``, ``agree``, ``why``), ``path``, ``outlines``
(``throat``: closed lines). Lengths mm, areas mm2.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Requirement, Verdict, Witness
from geomcheck.flow.account import place
from geomcheck.flow.narrowest import Narrowest
from geomcheck.flow.passage import largest_ball
from geomcheck.flow.taker_words import details as taker_details
from geomcheck.flow.taker_words import taken_in_words, ways_in_words
from geomcheck.flow.takers import Takers
from geomcheck.flow.throat_words import (
    ASK_CUT,
    askew_in_words,
    ball_in_words,
    bounded,
    details,
    in_words,
    path_of,
)
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_recall import mouth, recalled_duct
from geomcheck.project.entries import Table
from geomcheck.project.surveys import MeasuredDuct, measured_ducts
from geomcheck.project.taking import at_throat
from geomcheck.wording import capital

CODE = "flow-throat"
TITLE = "true throat"
TOGETHER, ALL_VEHICLES_TOGETHER = "ducts", True


class Settings(Table):
    """The table ``[check.flow-throat]``: it has no settings yet."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings of every duct that has a ``least_area``, a ``least_ball`` or asks for a cut."""
    for measured in measured_ducts(assembly):
        duct = measured.duct
        if duct.least_area is not None or duct.throat == "planes and cut":
            yield from recalled_duct(measured, CODE, _least)
        if duct.least_ball is not None:
            ball = partial(_ball, limit=duct.least_ball)
            yield from recalled_duct(measured, f"{CODE} ball", ball)


def _least(measured: MeasuredDuct) -> Finding:
    try:
        survey, found = measured.survey(), measured.narrowest()
    except CannotDecide as why:
        return _finding(
            measured,
            Verdict.UNDECIDED,
            capital(why.what) + ".",
            why.remedy,
            witnesses=(mouth(measured),),
        )
    names, takers = measured.names, at_throat(measured)
    text, area, group = in_words(found, taken_in_words(takers, names)), found.area, None
    if found.cut is None:
        area, group = bounded(area, measured.behind())
    verdict, need, remedy = Verdict.NOT_APPLICABLE, None, ""
    if measured.duct.least_area is None:
        text += ". No least area is required"
    else:
        need = Requirement(
            "at least", measured.duct.least_area, "mm2", f"least_area of {measured.subject}"
        )
        verdict = need.decide(area)
        text += f"; required at least {need.limit:.2f} mm2"
        if found.area.value < need.limit and found.trusted == "plane":
            takers = at_throat(measured, need.limit + found.plane.area.value - found.plane.area.low)
        remedy = _remedy(found, need.limit, area.low, takers, names)
    if group is not None and need is not None and area.low < need.limit <= area.value:
        text += f". {askew_in_words(group, names)}"
        remedy = f"{ASK_CUT}, or turn or thin what stands askew."
    if found.no_cut is not None:
        text += ". The smallest separating surface that was asked for cannot be made: "
        text += found.no_cut.what
        if verdict != Verdict.FAIL:
            verdict, remedy = Verdict.UNDECIDED, found.no_cut.remedy
    elif verdict == Verdict.PASS and found.cut is None and not survey.complete:
        verdict = Verdict.UNDECIDED
        text += ", but not every station could be measured"
        remedy = "Make the stations measurable that flow-area has no number for."
    blame = names[takers.found[0].surface if takers.found else _round(found)]
    return _finding(
        measured,
        verdict,
        text + ".",
        remedy,
        parts=tuple(sorted(names, key=lambda name: name == blame)),
        quantity=area,
        requirement=need,
        witnesses=(
            Witness("throat", blame, found.point),
            *(Witness("takes area", names[one.surface], one.point) for one in takers.found),
        ),
        view=found.plane.normal,
        details=details(found, survey.path) | taker_details(takers, names) | measured.assembly.pose,
    )


def _round(found: Narrowest) -> int:
    """The surface that makes most of the plane throat's outline."""
    outline = found.plane.cut.region.outline(found.plane.cut.pieces)
    return int(np.argmax(np.bincount(outline.part, outline.lengths)))


def _remedy(
    found: Narrowest, limit: float, low: float, takers: Takers, names: Sequence[str]
) -> str:
    if found.area.value >= limit:
        text = f"Make the section {limit - low:.2f} mm2 larger, or export the parts finer"
        if found.cut is None:
            return f"{text}, so that it is beyond doubt."
        return f"{text}: beyond what the cells of {found.cut.spacing:.2f} mm leave open."
    short = limit - found.area.value
    wanting = f"at {place(found.point)}: {short:.2f} mm2 are wanting."
    ways = ways_in_words(takers, names)
    if ways:
        return f"{ways} Or trim it, or widen the duct, {wanting}"
    if takers.found:
        who = list(dict.fromkeys(f'"{names[one.surface]}"' for one in takers.found))
        return f"Move {' and '.join(who)} along the duct or trim it {wanting}"
    return f"Widen the duct, across the section drawn, {wanting}"


def _ball(measured: MeasuredDuct, limit: float) -> Finding:
    subject = f"{measured.subject}, passage"
    need = Requirement("at least", limit, "mm", f"least_ball of {measured.subject}")
    try:
        path = measured.path
        found = largest_ball(measured.void(), surfaces=measured.surfaces)
    except CannotDecide as why:
        return _finding(
            measured, Verdict.UNDECIDED,
            f"The largest ball that gets through is not known: {why.what}.", why.remedy,
            subject=subject, requirement=need, witnesses=(mouth(measured),),
        )  # fmt: skip
    short = limit - found.diameter.low
    return _finding(
        measured,
        need.decide(found.diameter),
        f"{ball_in_words(found, measured.names)}; required at least {limit:.2f} mm.",
        f"Give {short:.2f} mm more room at {place(found.point)}, between the places it touches.",
        subject=subject,
        quantity=found.diameter,
        requirement=need,
        witnesses=(
            Witness("sticks", measured.names[0], found.point),
            *(
                Witness("touches", measured.names[k], (float(p[0]), float(p[1]), float(p[2])))
                for k, p in zip(found.parts, found.contacts, strict=False)
            ),
        ),
        details={"path": path_of(path), **measured.assembly.pose},
    )


def _finding(
    measured: MeasuredDuct, verdict: Verdict, message: str, remedy: str = "", **more: Any
) -> Finding:
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=measured.assembly.vehicle,
        subject=more.pop("subject", measured.subject),
        parts=more.pop("parts", measured.names),
        message=message,
        remedy="" if verdict == Verdict.PASS else remedy,
        entry=measured.assembly.entry(measured.key),
        **more,
    )

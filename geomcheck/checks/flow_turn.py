"""How a duct turns and widens, and how much of its inlet sees its end.

What: For a duct with a ``turn`` table: each bend of the path with its angle and the radius of its
inner wall, at least ``least_inner_radius``; where the duct widens fastest, as the equivalent cone
angle 2 atan(dD / 2 ds) of the diameter of equal area, at most ``most_cone``; and the share of
straight lines between inlet and end that meet no wall, at least ``least_sight``, with the view
factor beside it. What is not asked for is reported as a remark. All three are geometry: they say
nothing of the loss by themselves.

Why: Air that turns round a tight inner wall, or is asked to spread in a steep cone, leaves the
wall there; what the rotors then get is less than the area promises. What the inlet sees straight,
the air reaches with little turning.

Remedy: Give the bend a larger inner radius, or begin it earlier; let the duct widen over a longer
way; move what stands in the line of sight.

Details: ``path``; of a bend ``begin``, ``end``, ``s``, ``turn_degrees``, ``path_radius``,
``inner_radius_over_diameter``; of a widening ``s``, ``rate`` (mm2 per mm); of the sight
``view_factor`` (per cent, with ``view_factor_low`` and ``view_factor_high``). Lengths mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.flow.account import numbers, place, point
from geomcheck.flow.ports import Port
from geomcheck.flow.result import Survey
from geomcheck.flow.sight import line_of_sight
from geomcheck.flow.throat import stations_of
from geomcheck.flow.turn import Bend, Change, Turn, turning
from geomcheck.mesh.tree import TriangleTree
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_recall import mouth, recalled_duct
from geomcheck.project.ducts import TurnEntry
from geomcheck.project.entries import Table
from geomcheck.project.routes import ports_along
from geomcheck.project.surveys import MeasuredDuct, measured_ducts
from geomcheck.wording import capital

CODE = "flow-turn"
TITLE = "turn and sight of a duct"
TOGETHER, ALL_VEHICLES_TOGETHER = "ducts", True

#: Points of the path that are handed on.
_POINTS = 200


class Settings(Table):
    """The table ``[check.flow-turn]``; it has no settings yet."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings of every duct that has a ``turn`` table."""
    del settings
    for measured in measured_ducts(assembly):
        turn = measured.duct.turn
        if turn is not None:
            yield from recalled_duct(measured, CODE, partial(_answers, asked=turn))


def _answers(measured: MeasuredDuct, asked: TurnEntry) -> Iterator[Finding]:
    return _Duct(measured, asked).findings()


class _Duct:
    """One duct of one vehicle in one state, and what is asked of its turns."""

    def __init__(self, measured: MeasuredDuct, asked: TurnEntry) -> None:
        self.measured, self.asked = measured, asked
        self.key = (*measured.key, "turn")

    def findings(self) -> Iterator[Finding]:
        try:
            survey = self.measured.survey()
            turn = turning(stations_of(self.measured.surfaces, survey))
        except CannotDecide as why:
            yield self._undecided("", why)
            return
        yield from self._bends(turn, survey.complete)
        yield self._widening(turn.widest, survey.complete)
        yield self._sight(survey)

    def _finding(self, about: str, verdict: Verdict, message: str, **more: Any) -> Finding:
        measured = self.measured
        if verdict is Verdict.PASS:
            more["remedy"] = ""
        line = measured.path.frames(np.linspace(0.0, measured.path.length, _POINTS))[:, :3]
        details = {"path": [numbers(p) for p in line], **measured.assembly.pose}
        details |= more.pop("details", {})
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=measured.assembly.vehicle,
            subject=f"{measured.subject}, {about}" if about else measured.subject,
            parts=measured.names,
            message=message,
            entry=measured.assembly.entry(self.key),
            details=details,
            **more,
        )

    def _undecided(self, about: str, why: CannotDecide | InputError) -> Finding:
        message = f"{capital(why.what)}."
        shown = (mouth(self.measured),)
        return self._finding(
            about, Verdict.UNDECIDED, message, remedy=f"{why.remedy}.", witnesses=shown
        )

    def _judged(
        self, quantity: Quantity, need: Requirement | None, complete: bool = True
    ) -> Verdict:
        if need is None:
            return Verdict.NOT_APPLICABLE
        verdict = need.decide(quantity)
        return Verdict.UNDECIDED if verdict is Verdict.PASS and not complete else verdict

    def _bends(self, turn: Turn, complete: bool) -> Iterator[Finding]:
        limit = self.asked.least_inner_radius
        need = (
            None
            if limit is None
            else Requirement("at least", limit, "mm", f"least_inner_radius of {self._name}")
        )
        for number, bend in enumerate(turn.bends, 1):
            yield self._bend(f"bend {number}", bend, need, complete)
        if not turn.bends:
            verdict = Verdict.NOT_APPLICABLE if need is None else Verdict.PASS
            if need is not None and not complete:
                verdict = Verdict.UNDECIDED
            text = "The path has no bend of 5 degrees or more."
            if not complete:
                text += " Not every station could be measured."
            yield self._finding(
                "bends", verdict, text, remedy="Make every station of the duct measurable."
            )

    def _bend(self, about: str, bend: Bend, need: Requirement | None, complete: bool) -> Finding:
        radius = bend.inner_radius
        return self._finding(
            about,
            self._judged(radius, need, complete),
            f"The path turns by {bend.turn:.1f} degrees from {bend.begin:.2f} to {bend.end:.2f} mm "
            f"along it. The inner wall is tightest at {place(bend.point)}: radius "
            f"{radius.value:.2f} mm (between {radius.low:.2f} and {radius.high:.2f}), "
            f"{bend.ratio:.2f} of the diameter there.",
            remedy="Give the inner wall a larger radius there, or begin the bend earlier.",
            quantity=radius,
            requirement=need,
            witnesses=(Witness("inner wall", self.measured.names[0], bend.point),),
            details={
                "begin": round(bend.begin, 4),
                "end": round(bend.end, 4),
                "s": round(bend.s, 4),
                "turn_degrees": round(bend.turn, 4),
                "path_radius": round(bend.radius, 4),
                "inner_radius_over_diameter": round(bend.ratio, 4),
            },
        )

    @property
    def _name(self) -> str:
        return self.measured.subject

    def _widening(self, widest: Change | None, complete: bool) -> Finding:
        limit = self.asked.most_cone
        need = (
            None
            if limit is None
            else Requirement("at most", limit, "deg", f"most_cone of {self._name}")
        )
        if widest is None:
            quantity = Quantity("equivalent cone angle", 0.0, "deg", 0.0, 0.0)
            return self._finding(
                "widening",
                self._judged(quantity, need, complete),
                "The duct widens nowhere between the stations measured.",
                remedy="Make every station of the duct measurable.",
                quantity=quantity,
                requirement=need,
            )
        where = point(self.measured.path.frames([widest.s])[0, :3])
        cone = widest.cone
        return self._finding(
            "widening",
            self._judged(cone, need, complete),
            f"The duct widens fastest at {widest.s:.2f} mm along the path, {place(where)}: by "
            f"{widest.rate:.1f} mm2 a mm, as a cone of {cone.value:.1f} degrees does (between "
            f"{cone.low:.1f} and {cone.high:.1f}; the whole angle).",
            remedy="Let the duct widen over a longer way there.",
            quantity=cone,
            requirement=need,
            witnesses=(Witness("widest cone", self.measured.names[0], where),),
            details={"s": round(widest.s, 4), "rate": round(widest.rate, 4)},
        )

    def _sight(self, survey: Survey) -> Finding:
        limit = self.asked.least_sight
        need = (
            None
            if limit is None
            else Requirement("at least", limit, "%", f"least_sight of {self._name}")
        )
        measured = self.measured
        try:
            inlet, end = self._ports(survey)
            walls = np.concatenate([s.vertices[s.faces] for s in measured.surfaces])
            sight = line_of_sight(TriangleTree(walls), inlet, end)
        except (CannotDecide, InputError) as why:
            return self._undecided("sight", why)
        seen, factor = sight.visible, sight.view_factor
        return self._finding(
            "sight",
            self._judged(seen, need),
            f"Of the straight lines from the inlet to the end {seen.value:.1f} % meet no wall "
            f"(between {seen.low:.1f} and {seen.high:.1f}); the view factor is "
            f"{factor.value:.2f} %.",
            remedy="Move what stands in the line of sight, or turn the inlet towards the end.",
            quantity=seen,
            requirement=need,
            witnesses=(Witness("inlet", measured.names[0], point(inlet.centroid)),),
            details={
                "view_factor": round(factor.value, 4),
                "view_factor_low": round(factor.low, 4),
                "view_factor_high": round(factor.high, 4),
            },
        )

    def _ports(self, survey: Survey) -> tuple[Port, Port]:
        """Where the path begins and ends: the ports given, or the openings round its ends."""
        measured = self.measured
        if measured.duct.inlet is not None:
            ports = measured.route.void.ports
            return ports[0], ports[1 + measured.outlet]
        # A void given as a solid has walls round it by now.
        return ports_along(survey, measured.surfaces[: len(measured.duct.walls)], solid=False)

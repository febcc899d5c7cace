"""Flow estimate of each duct: Mach number, margin to choking, loss of total pressure.

What: For a duct with a ``flow`` table the air is followed from the inlet to the end of the path at
the mass flow it must pass: given in kg/s, or from the blower's displacement, speed and volumetric
efficiency at the density before the inlet. From the measured areas come the Mach number at each
station and the margin to choking; from handbook coefficients for entry, bends, narrowings,
widenings, blades and wall friction comes the loss of total pressure, with the spread between
handbooks as its interval, and the share of each. ``most_mach``, ``least_margin`` and ``most_loss``
are held against them. A blade's gap is its open share of the bore as seen along it; with the
diameter of its shaft given, that is also held against the closed form, to catch a blade turned to
the wrong angle.

Why: Air that nears Mach 1 anywhere chokes the engine, whatever the blower could draw; and the loss
before the rotors costs boost and heats the charge. The shares show where widening pays. It is an
estimate and does not replace a flow bench: handbook figures are for single features in long
straight pipes, features close together act on each other, and pulsation is left out.

Remedy: Widen the place of the greatest Mach number, or ease the feature with the largest share: a
wider bend, a rounded edge, a cone of less than 10 degrees, a thinner shaft. Then put the part on a
flow bench. The maker's figures for boosted engines and local emission rules come first.

Details of the first finding: ``mass_flow`` (kg/s, low and high), ``mass_flow_from``, ``state``,
``mach`` (``s``, ``low``, ``value``, ``high``), ``shares`` (``name``, ``kind``, ``from``, ``to``,
``low``, ``value``, ``high`` in kPa, ``source``; and what it is reckoned from: the stations ``at``
and ``after``, coefficients ``plain`` and ``widen``, ``sharp``, the share ``vena`` and the area
``opening`` of the stream), ``facets`` (shares of the areas), ``least`` (place and low end of the
least area), ``air``, ``bands`` (what ``compare`` needs to let common terms cancel: values at the
corners of the bands of coefficients and flow), ``blades`` (``part``, ``angle``, ``open_share``,
``closed_form``). Of each finding with a place, for its picture: ``path``, ``outlines``
(``throat``), and in a state ``maps`` (4 x 4 by part, from where it stands) and ``left_out``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Finding, Quantity, Requirement, Verdict, Witness
from geomcheck.flow import account, gas, throttle
from geomcheck.flow.account import point
from geomcheck.flow.asked import Blade, MassFlow
from geomcheck.flow.estimate import Estimate, estimate
from geomcheck.flow.estimate_words import details, in_words, remedy, rests_on
from geomcheck.flow.profile import Profile
from geomcheck.flow.result import Survey
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_recall import mouth, recalled_duct
from geomcheck.project.entries import BladeEntry, FlowEntry, Table
from geomcheck.project.surveys import MeasuredDuct, measured_ducts

CODE = "flow-estimate"
TITLE = "flow estimate"
TOGETHER, ALL_VEHICLES_TOGETHER = "ducts", True

CAUTION = (
    "An estimate only: it does not replace a flow bench. For boosted parts the maker's figures and "
    "local emission rules come first."
)
#: Share of the bore by which a blade's open share may differ from the closed form.
OPEN_SHARE_TOLERANCE = 0.02
#: Degrees off wide open up to which handbooks have a coefficient for a blade.
_MOST_BLADE = 70.0


class Settings(Table):
    """The table ``[check.flow-estimate]``: it has no settings yet."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings of every duct that has a ``flow`` table."""
    for measured in measured_ducts(assembly):
        flow = measured.duct.flow
        if flow is not None:
            parts = measured.assembly.parts
            blades = [blade.part for blade in flow.blades if blade.part in parts]
            yield from recalled_duct(measured, CODE, partial(_answers, flow=flow), blades)


def _answers(measured: MeasuredDuct, flow: FlowEntry) -> Iterator[Finding]:
    return _Asked(measured, flow).findings()


@dataclass(frozen=True)
class _Opening:
    """A blade as it stands in the mesh."""

    entry: BladeEntry
    blade: Blade
    share: float
    closed_form: float | None


class _Asked:
    """One duct of one vehicle in one state, and what it must pass."""

    def __init__(self, measured: MeasuredDuct, flow: FlowEntry) -> None:
        self.measured, self.flow = measured, flow
        self.key = (*measured.key, "flow")
        self.state = measured.assembly.state
        self.air = gas.Air(1e3 * flow.inlet_pressure, 273.15 + flow.inlet_temperature)

    def _asked(self) -> MassFlow:
        flow = self.flow
        if flow.mass_flow is not None:
            return MassFlow(flow.mass_flow, flow.mass_flow, f"{flow.mass_flow:g} kg/s as given")
        assert flow.displacement is not None
        assert flow.speed is not None
        assert flow.volumetric_efficiency is not None
        return MassFlow.of_blower(
            flow.displacement, flow.speed, flow.volumetric_efficiency, self.air
        )

    def findings(self) -> Iterator[Finding]:
        try:
            blades = list(self._blades())
            survey = self.measured.survey()
            openings = [self._opening(survey, blade) for blade in blades]
            found = estimate(
                survey,
                self._asked(),
                self.air,
                edge=self.flow.inlet_edge,
                roughness=self.flow.roughness,
                blades=[opening.blade for opening in openings],
            )
        except CannotDecide as why:
            text = f"No flow could be estimated: {why.what}."
            shown = (mouth(self.measured),)
            yield self._finding(Verdict.UNDECIDED, text, why.remedy, witnesses=shown)
            return
        told = _details(found, openings, survey)
        for finding in self._judged(survey, found):
            yield replace(finding, details={**told, **finding.details})
            told = {}
        for opening in openings:
            yield from self._misplaced(opening)

    def _blades(self) -> Iterator[BladeEntry]:
        """The blades that are there in this state and have a coefficient."""
        for number, blade in enumerate(self.flow.blades):
            if blade.part not in self.measured.assembly.parts:
                continue
            angle = blade.angle_in(self.state)
            if angle > _MOST_BLADE:
                raise CannotDecide(
                    f'no handbook has a figure for the blade "{blade.part}" at {angle:g} '
                    f"degrees off wide open (they end at {_MOST_BLADE:g})",
                    remedy="ask at a wider opening",
                    where=self.measured.assembly.entry((*self.key, "blade", number)).entry,
                )
            yield blade

    def _opening(self, survey: Survey, entry: BladeEntry) -> _Opening:
        """Where a blade stands along the path, and what it leaves open."""
        parts, path = self.measured.assembly.parts, survey.path
        begin, end = throttle.stretch(path, parts[entry.part].vertices)
        things = [parts[entry.part]]
        for name in self.measured.duct.obstacles:
            low, high = throttle.stretch(path, parts[name].vertices)
            if name != entry.part and low <= end and high >= begin:
                things.append(parts[name])
        bore, axis = throttle.bore_before(survey, begin)
        share = throttle.projected_fraction(bore, axis, things)
        angle = entry.angle_in(self.state)
        expected = None
        if entry.shaft is not None:
            across = bore - bore.mean(axis=0)
            wide = 2.0 * float(np.linalg.norm(across, axis=1).mean())
            try:
                expected = throttle.open_fraction(
                    90.0 - angle, entry.closed_angle, entry.shaft / wide
                )
            except InputError as why:
                number = self.flow.blades.index(entry)
                self.measured.assembly.refuse((*self.key, "blade", number), why.what)
        blade = Blade(begin, end, angle, f'"{entry.part}"', share)
        return _Opening(entry, blade, share, expected)

    def _judged(self, survey: Survey, found: Estimate) -> Iterator[Finding]:
        """A finding for each limit, or one with the figures where none is asked."""
        asked: list[tuple[str, Quantity | None, Requirement]] = []
        flow, source = self.flow, f"flow of {self.measured.subject}"
        if flow.most_mach is not None:
            need = Requirement("at most", flow.most_mach, "Mach", source)
            asked.append(("Mach number", found.greatest, need))
        if flow.least_margin is not None:
            need = Requirement("at least", flow.least_margin, "%", source)
            asked.append(("margin to choking", found.margin, need))
        if flow.most_loss is not None:
            need = Requirement("at most", flow.most_loss, "kPa", source)
            asked.append(("loss of total pressure", found.loss, need))
        for name, quantity, need in asked:
            verdict = Verdict.UNDECIDED if quantity is None else need.decide(quantity)
            unit = "" if need.unit == "Mach" else f" {need.unit}"
            text = in_words(found, survey.path, need.unit)
            text += f" Required: {need.sense} {need.limit:g}{unit}."
            if found.state == "chokes":
                verdict = Verdict.FAIL
            elif verdict == Verdict.PASS and found.state == "may choke":
                verdict = Verdict.UNDECIDED  # Mach 1 is never exceeded: it tells nothing there
            elif verdict == Verdict.PASS and not survey.complete:
                verdict = Verdict.UNDECIDED
                text += " The path bends so tightly somewhere that the area there is not bounded."
            yield self._finding(
                verdict, text, remedy(found, survey.path, need), quantity=quantity,
                requirement=need, subject=f"{self.measured.subject}, {name}", survey=survey,
                s=found.greatest_at,
            )  # fmt: skip
        if not asked:
            verdict = {"passes": Verdict.NOT_APPLICABLE, "chokes": Verdict.FAIL}.get(
                found.state, Verdict.UNDECIDED
            )
            yield self._finding(
                verdict, f"{in_words(found, survey.path)} No limit is asked.",
                remedy(found, survey.path, None), quantity=found.loss or found.greatest,
                survey=survey, s=found.greatest_at,
            )  # fmt: skip

    def _misplaced(self, opening: _Opening) -> Iterator[Finding]:
        """A blade that does not stand as its angle says."""
        if opening.closed_form is None:
            return
        if abs(opening.share - opening.closed_form) <= OPEN_SHARE_TOLERANCE:
            return
        entry = opening.entry
        yield self._finding(
            Verdict.UNDECIDED,
            f'"{entry.part}" leaves {100 * opening.share:.1f} % of the bore open as it stands, but '
            f"a blade {opening.blade.angle:g} degrees off wide open would leave "
            f"{100 * opening.closed_form:.1f} %: the estimate is for another opening.",
            "Give the blade's angle, closed_angle and shaft as in the mesh, or turn the part in "
            "the state by the right angle about the right axis.",
            subject=f'{self.measured.subject}, blade "{entry.part}"',
            parts=(entry.part,),
        )

    def _finding(self, verdict: Verdict, message: str, remedy: str = "", **more: Any) -> Finding:
        names = self.measured.names
        survey: Survey | None = more.pop("survey", None)
        if survey is not None:
            frame = survey.path.frames([more.pop("s")])[0]
            more["witnesses"] = (Witness("fastest", names[0], point(frame[:3])),)
            more["view"] = point(frame[9:12])
            drawn = account.details(survey, names)
            more["details"] = {
                "path": drawn["path"],
                "outlines": {"throat": drawn["outlines"]["throat"]},
                **self.measured.assembly.pose,
            }
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=self.measured.assembly.vehicle,
            subject=more.pop("subject", self.measured.subject),
            parts=more.pop("parts", names),
            message=message,
            remedy="" if verdict == Verdict.PASS else remedy,
            entry=self.measured.assembly.entry(self.key),
            caution=CAUTION,
            **more,
        )


def _details(found: Estimate, openings: list[_Opening], survey: Survey) -> dict[str, Any]:
    profile, told = Profile.of(survey), details(found)
    for row, share in zip(told["shares"], found.shares, strict=True):
        row |= rests_on(share, profile)
    return told | {
        "facets": [round(profile.minus, 9), round(profile.plus, 9)],
        "least": [round(survey.throat.s, 4), round(survey.throat.area.low, 4)],
        "blades": [
            {
                "part": opening.entry.part,
                "angle": opening.blade.angle,
                "open_share": round(opening.share, 6),
                "closed_form": None
                if opening.closed_form is None
                else round(opening.closed_form, 6),
            }
            for opening in openings
        ],
    }

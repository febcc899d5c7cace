"""Open area of each duct along its path: throat, losses, restrictions.

What: Along each duct's path the open area is cut out of the walls and the obstacles together, at
stations no further apart than ``spacing`` and closer wherever something could hide between them.
The least area (the throat) must be at least ``least_area``; the loss of area from one station to
another, (A(from) - A(to)) / A(from), at most ``percent``; and a restriction, a dip below the duct
on both sides of it by ``restriction`` per cent or more, is remarked on, or is a fail where
``allow_restrictions`` is false. Pieces of the same bore are added (a shaft splits it in two);
other legs and dead-end branches are left out. Areas are taken square to the path: draw it along
the middle of the duct. A duct with ``states`` is measured in each of them. A plane across a tilted
blade shows more than the blade leaves open, and a side opening that the plane cuts, such as a
valve's port, a slot or a pocket, is part of the section and can make up for a boss opposite. The
low end of the interval allows for both: it goes down to what is open as seen along the path, past
the blade or from before to behind the opening, which no surface across can undercut; or to what the
cut of ``flow-throat`` rules out, where it was asked for. A duct that only widens keeps its number.
Openings are bounded where they lie between the ends of the path and where an end of it cuts them,
but not every one is seen: one shallower than 0.2 % of the bore's diameter, into a notch, longer
than two diameters (one, at an end of the path), without a steep edge, or between stations far apart
may still hide a boss, and so may a shallow one a boss much longer than it is. Where such openings
lie, ask for ``throat = "planes and cut"``; likewise for what is cast into the walls askew.

Why: The throat decides what the duct can pass. A boss, a shaft or a bolt that stands in the bore
is easily overlooked, and one missing triangle in a wall turns a section into several times its
true area without a word. So an outline that does not close, or a bore that is not closed all round
(a gap between two flanges), is reported with its place and never as a number.

Remedy: Widen the bore at the throat, or trim or move the part that stands in it, by the area the
message names; at a restriction, move or cut back what the remedy names by the distance it gives,
which is what gives back all that it takes. Where stations could not be measured: close the holes in
the wall's mesh, name the missing wall (or gasket) in ``walls``, or move the path's points into the
bore.

Details of the main finding: ``curve`` (``s``, ``area``, ``bore_area``, ``hydraulic_diameter``,
``state``; null where not measured), ``throat`` (``s``, ``area``, ``point``, ``askew_degrees``,
``equivalent_diameter``, ``percent_of_inlet``), ``inlet_area``, ``restrictions`` (``s``, ``part``,
``area_lost``, ``percent``, ``point``, ``estimate``), ``path``, ``outlines`` (``throat``, ``inlet``:
closed lines). Of a restriction ``s``, ``shoulder``, ``area_lost``, ``taken`` (``part``,
``cast_in``, ``area_lost``, ``low``, ``high``, ``percent``, ``point``, and ``move`` or
``cut_back``), ``not_told``. Lengths mm, areas mm2.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Requirement, Verdict, Witness
from geomcheck.flow.account import (
    ROWS,
    UNMEASURED,
    details,
    numbers,
    place,
    point,
    remedy_for_throat,
    stretches,
    throat_cause,
    throat_in_words,
)
from geomcheck.flow.beside_words import opening_in_words, opening_remedy, past
from geomcheck.flow.result import Survey
from geomcheck.flow.taker_words import details as taker_details
from geomcheck.flow.taker_words import taken_in_words, ways_in_words
from geomcheck.flow.takers import Takers
from geomcheck.flow.throat_words import ASK_CUT, askew_in_words, bounded, lowered, sealed_in_words
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_recall import mouth, recalled_duct
from geomcheck.project.surveys import CHECK, MeasuredDuct, SurveySettings, measured_ducts
from geomcheck.project.taking import at_station
from geomcheck.wording import capital

CODE = CHECK
TITLE = "duct area"
TOGETHER, ALL_VEHICLES_TOGETHER = "ducts", True


class Settings(SurveySettings):
    """The table ``[check.flow-area]``."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """Findings of every duct: least area, losses, restrictions, stations without a number."""
    for measured in measured_ducts(assembly, settings):
        yield from recalled_duct(measured, CODE, lambda alone: _Duct(alone).findings())


class _Duct:
    """One duct of one vehicle in one state while it is looked at."""

    def __init__(self, measured: MeasuredDuct) -> None:
        self.measured = measured
        self.assembly, self.key, self.duct = measured.assembly, measured.key, measured.duct
        self.subject, self.names = measured.subject, measured.names

    def findings(self) -> Iterator[Finding]:
        try:
            survey = self.measured.survey()
        except CannotDecide as why:
            yield self._finding(
                Verdict.UNDECIDED,
                capital(why.what),
                why.remedy,
                witnesses=(mouth(self.measured),),
            )
            return
        main = self._least(survey)
        yield main
        if main.verdict != Verdict.FAIL:
            yield from self._unmeasured(survey)
        yield from self._losses(survey)
        yield from self._restrictions(survey)

    def _finding(self, verdict: Verdict, message: str, remedy: str = "", **more: Any) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=self.assembly.vehicle,
            subject=more.pop("subject", self.subject),
            parts=more.pop("parts", self.names),
            message=message,
            remedy="" if verdict == Verdict.PASS else remedy,
            entry=self.assembly.entry(more.pop("entry", self.key)),
            **more,
        )

    def _blaming(self, part: str | None) -> tuple[str, ...]:
        """The duct's parts with the one to blame last."""
        return tuple(sorted(self.names, key=lambda name: name == part))

    def _least(self, survey: Survey) -> Finding:
        area, there, group, opening = survey.throat.area, throat_cause(survey), None, None
        if self.measured.proven is None:
            area, opening = past(area, survey.beside)
            area, group = bounded(area, self.measured.behind())
        else:
            area = lowered(area, self.measured.proven)
        blame = self.names[there.surface] if there else None
        text = throat_in_words(survey, self.names)
        verdict, need, remedy = Verdict.NOT_APPLICABLE, None, ""
        if self.duct.least_area is None:
            text += ". No least area is required"
        else:
            need = Requirement(
                "at least", self.duct.least_area, "mm2", f"least_area of {self.subject}"
            )
            verdict = need.decide(area)
            text += f"; required at least {need.limit:.2f} mm2"
            if verdict == Verdict.PASS and not survey.complete:
                verdict = Verdict.UNDECIDED
                text += ", but not every station could be measured"
            remedy = remedy_for_throat(survey, need.limit, self.names)
            if group is not None and area.low < need.limit <= area.value:
                text += f". {askew_in_words(group, self.names)}"
                remedy = f"{ASK_CUT}, or turn or thin what stands askew."
            elif opening is not None and area.low < need.limit <= survey.throat.area.low:
                text += f". {opening_in_words(opening)}"
                remedy = opening_remedy(opening, need.limit, ASK_CUT)
            elif area.low < need.limit <= survey.throat.area.low:
                text += f", but {area.low:.2f} mm2 is all that flow-throat is sure of"
                remedy = "See the finding of flow-throat on this duct."
        witnesses = [Witness("throat", blame or self.names[0], survey.throat.point)]
        if there is not None:
            witnesses.append(Witness("in the bore", self.names[there.surface], there.point))
        if opening is not None:
            witnesses.append(Witness("side opening", self.names[0], opening.opening))
        text += sealed_in_words(self.measured.sealed)
        return self._finding(
            verdict,
            text + ".",
            remedy,
            parts=self._blaming(blame),
            quantity=area,
            requirement=need,
            witnesses=tuple(witnesses),
            view=survey.throat.tangent,
            details=details(survey, self.names) | self.assembly.pose,
        )

    def _unmeasured(self, survey: Survey) -> Iterator[Finding]:
        for state, (reason, remedy) in UNMEASURED.items():
            rows = np.flatnonzero(np.array(survey.fine_state) == state)
            if not len(rows):
                continue
            where = survey.path.frames(survey.fine_s[rows])[:, :3]
            spans = stretches(survey.fine_s[rows], 1.5 * self.duct.spacing)
            yield self._finding(
                Verdict.UNDECIDED,
                f"The area could not be measured at {spans} along the path, from "
                f"{place(where[0])}: {reason}.",
                f"{capital(remedy)}.",
                subject=f"{self.subject}, {state}",
                witnesses=(Witness(state, self.names[0], point(where[0])),),
                details={"state": state, "s": numbers(survey.fine_s[rows][:ROWS])},
            )
        for s, _ in survey.unbounded[:1]:
            where = survey.path.frames([s])[0, :3]
            yield self._finding(
                Verdict.UNDECIDED,
                f"The path bends more tightly than the bore is wide at {s:.2f} mm along it, "
                f"{place(where)}: neighbouring sections meet within the bore, and what lies "
                "between them is not known.",
                "Draw the path with a wider bend, along the middle of the duct, with more points.",
                subject=f"{self.subject}, tight bend",
                witnesses=(Witness("tight bend", self.names[0], point(where)),),
            )

    def _losses(self, survey: Survey) -> Iterator[Finding]:
        for number, loss in enumerate(self.duct.losses):
            entry = (*self.key, "loss", number)
            subject = f"{self.subject}, {loss.begin:g} to {loss.end:g} mm"
            need = Requirement("at most", loss.percent, "%", f"loss of {self.subject}")
            points = survey.path.frames([loss.begin, loss.end])[:, :3]
            witnesses = (
                Witness("to", self.names[0], point(points[1])),
                Witness("from", self.names[0], point(points[0])),
            )
            quantity = survey.loss(loss.begin, loss.end)
            if quantity is None:
                yield self._finding(
                    Verdict.UNDECIDED,
                    f"The loss of area from {loss.begin:g} to {loss.end:g} mm along the path is "
                    "not known: one of the two stations could not be measured.",
                    "Make both stations measurable, or ask between others.",
                    subject=subject, entry=entry, witnesses=witnesses, requirement=need,
                )  # fmt: skip
                continue
            yield self._finding(
                need.decide(quantity),
                f"From {loss.begin:g} to {loss.end:g} mm along the path the open area falls by "
                f"{quantity.value:.2f} % (between {quantity.low:.2f} and {quantity.high:.2f}); "
                f"allowed {need.limit:g} %.",
                f"Widen the duct at {place(points[1])}, or keep it narrower up to "
                f"{place(points[0])}.",
                subject=subject, entry=entry, witnesses=witnesses, requirement=need,
                quantity=quantity,
            )  # fmt: skip

    def _takers(self, s: float, *, ways: bool) -> Takers:
        """What takes area at a restriction; ``ways``: and how to win it back, which takes long."""
        try:
            return at_station(self.measured, s, ways=ways)
        except CannotDecide as why:
            return Takers((), why)

    def _restrictions(self, survey: Survey) -> Iterator[Finding]:
        need = Requirement("at most", self.duct.restriction, "%", f"restriction of {self.subject}")
        strict = not self.duct.allow_restrictions
        subject = f"{self.subject}, restriction"
        for dip in survey.restrictions:
            name, about = self.names[dip.surface], " (estimate)" if dip.estimate else ""
            verdict = need.decide(dip.depth) if strict else Verdict.NOT_APPLICABLE
            takers = self._takers(dip.s, ways=verdict in (Verdict.FAIL, Verdict.UNDECIDED))
            # What is told already is not told twice.
            alone = [(one.surface, one.patch) for one in takers.found] == [(dip.surface, None)]
            others = "" if alone else taken_in_words(takers, self.names)
            ways = ways_in_words(takers, self.names)
            yield self._finding(
                verdict,
                f"A restriction of {dip.depth.value:.2f} % at {dip.s:.2f} mm along the path: "
                f'"{name}" takes {dip.area_lost:.2f} mm2{about} at {place(dip.point)}, against '
                f"the duct at {dip.shoulder:.2f} mm{others}.",
                (f"{ways} Or widen" if ways else f'Trim or move "{name}" there, or widen')
                + f" the duct round it by {dip.area_lost:.2f} mm2.",
                subject=subject,
                parts=self._blaming(name),
                quantity=dip.depth,
                requirement=need if strict else None,
                witnesses=(
                    Witness("restriction", name, dip.point),
                    *(Witness("takes area", self.names[one.surface], one.point)
                      for one in takers.found),
                ),
                view=point(survey.path.frames([dip.s])[0, 9:12]),
                details={"s": dip.s, "shoulder": dip.shoulder, "area_lost": dip.area_lost}
                | taker_details(takers, self.names),
            )  # fmt: skip
        if strict and not survey.restrictions:
            verdict = need.decide(survey.deepest)
            if verdict == Verdict.PASS and not survey.complete:
                verdict = Verdict.UNDECIDED
            yield self._finding(
                verdict,
                f"No restriction of {need.limit:g} % or more was found; none deeper than "
                f"{survey.deepest.high:.2f} % can be there at the stations measured.",
                "Export the parts with a finer tolerance, and make every station measurable.",
                subject=subject,
                quantity=survey.deepest,
                requirement=need,
            )

"""Ducts as they are measured: in each state that a duct names, each surveyed once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from pydantic import Field

from geomcheck.errors import InputError
from geomcheck.flow.behind import Behind, open_behind
from geomcheck.flow.cast_around import cast_around
from geomcheck.flow.centreline import Route
from geomcheck.flow.narrowest import Narrowest, narrowest
from geomcheck.flow.path import FlowPath
from geomcheck.flow.result import Survey
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area
from geomcheck.flow.throat import stations_of
from geomcheck.flow.void import Seal, Void
from geomcheck.project.assembly import Assembly
from geomcheck.project.duct_states import in_state
from geomcheck.project.entries import DuctEntry, NotNegative, Positive, Table
from geomcheck.project.lines import Key
from geomcheck.project.routes import between_ports, find_route, found_once, void_between
from geomcheck.project.validate import validate

#: The check whose table says how ducts are surveyed.
CHECK = "flow-area"


class SurveySettings(Table):
    """How ducts are surveyed: the table ``[check.flow-area]``."""

    port_allowance: NotNegative = Field(
        default=1.0, description="mm by which a path may begin or end outside its port"
    )
    certainty: Positive = Field(
        default=0.05,
        le=5.0,
        description="per cent of the least area that may still hide between two stations",
    )


@dataclass(frozen=True, eq=False)
class MeasuredDuct:
    """One duct of one vehicle in one state.

    Parameters
    ----------
    assembly : Assembly
        In the state; its parts are what is measured.
    key : Key
        Of the duct's entry.
    duct : DuctEntry
        Without the parts that the state leaves out.
    settings : SurveySettings
    outlet : int
        To which of the duct's outlets, where the path is found by itself.
    """

    assembly: Assembly
    key: Key
    duct: DuctEntry
    settings: SurveySettings
    outlet: int = 0

    @property
    def subject(self) -> str:
        """What findings call it: ``duct "inlet"``, ``duct "inlet", state "part-open"``."""
        state, ends = self.assembly.state, self.duct.outlets
        text = f'duct "{self.duct.name}"'
        if len(ends) > 1:
            text += f' to "{ends[self.outlet].name}"'
        return text + (f', state "{state}"' if state else "")

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of its parts, walls first, as the surfaces of its survey are numbered.

        Raises
        ------
        ProjectError
            A part that this vehicle does not have, or that is named twice.
        """
        found = (*self._named("walls", self.duct.walls), *self._named("obstacles"))
        for number, name in enumerate(found):
            if name in found[:number]:
                self.assembly.refuse(
                    self.key,
                    f'part "{name}" is named twice in {self.subject}',
                    "name each part once, as a wall or as an obstacle",
                )
        return found

    def _named(self, table: str, names: Sequence[str] | None = None) -> Sequence[str]:
        names = self.duct.obstacles if names is None else names
        for number, name in enumerate(names):
            if name not in self.assembly.parts:
                known = ", ".join(f'"{part}"' for part in self.assembly.parts)
                self.assembly.refuse(
                    (*self.key, table, number),
                    f'there is no part "{name}" in vehicle "{self.assembly.vehicle}"',
                    f"the parts are {known}; where the duct belongs to one vehicle only, "
                    "give its vehicle",
                )
        return names

    @cached_property
    def path(self) -> FlowPath:
        """The flow path.

        Raises
        ------
        ProjectError
            It cannot be used, or a place along it that the entry names lies beyond its end.
        CannotDecide
            It is to be found by itself, and the duct leaks or its ports do not close.
        """
        duct, refuse = self.duct, self.assembly.refuse
        if duct.inlet is not None:
            path = between_ports(self.route, self.outlet)
        else:
            try:
                path = FlowPath(duct.path)
            except InputError as why:
                refuse((*self.key, "path"), why.what, why.remedy)
        for number, loss in enumerate(duct.losses):
            if not loss.begin < loss.end <= path.length:
                refuse(
                    (*self.key, "loss", number),
                    f"a loss is asked from {loss.begin:g} to {loss.end:g} mm on a path of "
                    f"{path.length:.2f} mm",
                    "give two places along the path, mm from the inlet, in the order of the flow",
                )
        for number, place in enumerate(duct.draw):
            if place > path.length:
                refuse(
                    (*self.key, "draw", number),
                    f"a section is to be drawn at {place:g} mm on a path of {path.length:.2f} mm",
                    "give a place along the path, mm from the inlet",
                )
        return path

    @property
    def route(self) -> Route:
        """The path found by itself, with the void it was found in; worked out once a state.

        Only for a duct with an inlet and outlets.

        Raises
        ------
        ProjectError
            A port is no opening of the walls, or no way leads from one to the other.
        CannotDecide
            The duct leaks, or a port's rim does not close.
        """
        names = self.names[: len(self.duct.walls)]
        return found_once(
            self.assembly,
            self.names,
            ("routes", self.key),
            lambda: find_route(self.assembly, self.key, self.duct, names),
        )

    @cached_property
    def surfaces(self) -> list[Surface]:
        """Its parts as surfaces, in the order of ``names``; a void given as a solid as walls."""
        found = [Surface.of(self.assembly.parts[name]) for name in self.names]
        if self.duct.void:
            walls = len(self.duct.walls)
            found[:walls] = [cast_around(surface) for surface in found[:walls]]
        return found

    def behind(self) -> tuple[Behind, ...]:
        """What its obstacles leave open, seen along the path; raises as :meth:`survey` does."""
        walls = len(self.duct.walls)
        return found_once(
            self.assembly,
            self.names,
            ("behind", self.key, self.settings, self.outlet),
            lambda: open_behind(self.survey(), self.surfaces, walls),
        )

    def narrowest(self) -> Narrowest:
        """Its least section at any tilt, and by a cut if asked; raises as :meth:`survey` does."""
        return found_once(
            self.assembly,
            self.names,
            ("narrowest", self.key, self.settings, self.outlet),
            lambda: narrowest(
                stations_of(self.surfaces, self.survey(), shut=self.duct.void), self._make()
            ),
        )

    @property
    def sealed(self) -> tuple[Seal, ...]:
        """Gaps that were sealed on request when its path was found."""
        return self.route.sealed if self.duct.inlet is not None else ()

    @property
    def proven(self) -> float | None:
        """Low end of the least section by planes and cut, mm2; None where there is no cut."""
        if self._make() is None:
            return None
        found = self.narrowest()
        return found.area.low if found.cut is not None else None

    def _make(self) -> Callable[[float | None], Void] | None:
        """Makes the void a cut is asked of; none where none is asked for."""
        return self.void if self.duct.throat == "planes and cut" else None

    def void(self, spacing: float | None = None) -> Void:
        """The void between the path's ends, its obstacles in it, on cells (mm); made once.

        Raises
        ------
        CannotDecide
            It leaks, or does not reach from end to end, or a port's rim does not close.
        ProjectError
            A port is no opening of the walls.
        """
        return found_once(
            self.assembly,
            self.names,
            ("void", self.key, self.settings, self.outlet, spacing),
            lambda: self._void(spacing),
        )

    def _void(self, spacing: float | None) -> Void:
        survey = self.survey() if self.duct.inlet is None else None
        walls = self.names[: len(self.duct.walls)]
        stand = self.surfaces[len(walls) :]
        ends = (self.outlet, survey)
        return void_between(self.assembly, self.key, self.duct, walls, stand, *ends, spacing)

    def survey(self) -> Survey:
        """Its survey, worked out once.

        Raises
        ------
        ProjectError
            The path cannot be used or lies outside the duct.
        CannotDecide
            No station could be measured.
        """
        asked = ("surveys", self.key, self.settings, self.outlet)
        return found_once(self.assembly, self.names, asked, self._survey)

    def _survey(self) -> Survey:
        duct, path = self.duct, self.path
        count = int(np.ceil(path.length / duct.spacing)) + 1
        asked = [0.0, path.length, *duct.draw]
        for loss in duct.losses:
            asked += [loss.begin, loss.end]
        stations = np.unique(np.concatenate([np.linspace(0.0, path.length, count), asked]))
        walls = len(duct.walls)
        try:
            return duct_area(
                self.surfaces[:walls],
                path,
                obstacles=self.surfaces[walls:],
                stations=stations,
                spacing=duct.spacing,
                restriction=duct.restriction,
                port=self.settings.port_allowance,
                tolerance=self.settings.certainty / 100.0,
            )
        except InputError as why:
            self.assembly.refuse((*self.key, "path"), why.what, why.remedy)


def measured_ducts(
    assembly: Assembly, settings: SurveySettings | None = None
) -> Iterator[MeasuredDuct]:
    """Every duct of a vehicle in every state it is measured in.

    ``settings``: none for those of the project file, so that all who ask share one survey.

    Raises
    ------
    ProjectError
        A state that leaves out all walls of a duct, or names a part this vehicle does not have.
    """
    if settings is None:
        table: Key = ("check", CHECK)
        given = assembly.lines.value(table) or {}
        settings = validate(SurveySettings, given, assembly.lines, table)
    plain = SurveySettings.model_validate(settings.model_dump())
    for key, duct in assembly.ducts:
        cases = [(assembly, duct)]
        if duct.states:
            cases = [in_state(assembly, key, duct, *state) for state in enumerate(duct.states)]
        for here, kept in cases:
            for outlet in range(max(1, len(duct.outlets))):
                yield MeasuredDuct(here, key, kept, plain, outlet)

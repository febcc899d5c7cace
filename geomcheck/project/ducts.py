"""Tables of the project file that ask about a duct."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from geomcheck.project.values import Name, NotNegative, Positive, Table, Triple


class LossEntry(Table):
    """The largest loss of area allowed between two places of a duct."""

    begin: NotNegative = Field(alias="from", description="mm along the path")
    end: NotNegative = Field(alias="to", description="mm along the path")
    percent: Annotated[float, Field(ge=0, le=100)]


def _rising(values: tuple[float, float]) -> tuple[float, float]:
    if values[0] > values[1]:
        raise ValueError("give the lower bound first")
    return values


class BladeEntry(Table):
    """A round blade on a shaft across the bore, such as a throttle's."""

    part: Name = Field(description="a part of this duct")
    angle: Annotated[float, Field(ge=0, le=90)] = Field(
        description="degrees off wide open; 0 is edge-on to the flow"
    )
    closed_angle: Annotated[float, Field(ge=0, lt=90)] = Field(
        default=0.0, description="degrees off square to the bore when it is shut; 0: a round blade"
    )
    shaft: NotNegative | None = Field(
        default=None,
        description="diameter of its shaft, mm; given, the open share of the mesh is held against "
        "the closed form",
    )


class FlowEntry(Table):
    """How much air a duct is asked to pass, and what it may cost: an estimate, no flow bench."""

    mass_flow: Positive | None = Field(default=None, description="kg/s")
    displacement: Positive | None = Field(
        default=None, description="of the blower, litres per revolution"
    )
    speed: Positive | None = Field(default=None, description="of the blower, rev/min")
    volumetric_efficiency: tuple[Positive, Positive] | None = Field(
        default=None, description="of the blower at that speed, least and greatest, 0 to 1"
    )
    inlet_pressure: Positive = Field(
        default=101.325, description="total pressure before the inlet, kPa absolute; else ISO 2533"
    )
    inlet_temperature: Annotated[float, Field(gt=-100, lt=300)] = Field(
        default=15.0, description="total temperature before the inlet, C; else ISO 2533"
    )
    inlet_edge: NotNegative | None = Field(
        default=None,
        description="radius of the inlet's edge, mm, where the duct draws from still air (0 is a "
        "sharp edge); none: it is fed by a pipe of its own size, and no entry is counted",
    )
    roughness: tuple[NotNegative, NotNegative] = Field(
        default=(0.0, 0.26), description="of the wall, least and greatest, mm; else smooth to cast"
    )
    blades: tuple[BladeEntry, ...] = Field(default=(), alias="blade")
    most_mach: Positive | None = Field(default=None, description="greatest Mach number allowed")
    most_loss: Positive | None = Field(
        default=None, description="greatest loss of total pressure along the path allowed, kPa"
    )
    least_margin: NotNegative | None = Field(
        default=None, lt=100, description="least margin to choking, per cent of the choked flow"
    )

    @model_validator(mode="after")
    def _one_way(self) -> FlowEntry:
        blower = (self.displacement, self.speed, self.volumetric_efficiency)
        given = sum(value is not None for value in blower)
        if (self.mass_flow is not None) == (given > 0) or given not in (0, 3):
            raise ValueError(
                "give mass_flow (kg/s), or all of displacement (litres per revolution), speed "
                "(rev/min) and volumetric_efficiency ([least, greatest])"
            )
        if self.volumetric_efficiency is not None:
            _rising(self.volumetric_efficiency)
            if self.volumetric_efficiency[1] > 1.5:
                raise ValueError("volumetric_efficiency is a share such as [0.85, 0.95]")
        _rising(self.roughness)
        return self


class DuctEntry(Table):
    """A flow path through walls and past obstacles."""

    name: Name
    walls: tuple[Name, ...] = Field(min_length=1, description="parts that make the wall")
    obstacles: tuple[Name, ...] = Field(default=(), description="parts that stand in the flow")
    path: tuple[Triple, ...] = Field(min_length=2, description="points, inlet first")
    spacing: Positive = Field(default=2.0, description="greatest distance of stations, mm")
    least_area: Positive | None = Field(default=None, description="mm2")
    losses: tuple[LossEntry, ...] = Field(default=(), alias="loss")
    restriction: Annotated[float, Field(gt=0, le=100)] = Field(
        default=3.0, description="a dip of at least this many per cent is reported"
    )
    allow_restrictions: bool = Field(
        default=True, description="false: a restriction is a fail, not a remark"
    )
    states: tuple[Name, ...] = Field(
        default=(), description="measured in each of these states; none: as the parts are placed"
    )
    draw: tuple[NotNegative, ...] = Field(
        default=(), description="mm along the path: section outlines for --drawings"
    )
    flow: FlowEntry | None = Field(
        default=None, description="what it must pass: Mach number, choking and loss are estimated"
    )
    vehicle: str | None = None

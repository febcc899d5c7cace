"""Tables of the project file that ask about a duct."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple


class LossEntry(Table):
    """The largest loss of area allowed between two places of a duct."""

    begin: NotNegative = Field(alias="from", description="mm along the path")
    end: NotNegative = Field(alias="to", description="mm along the path")
    percent: Annotated[float, Field(ge=0, le=100)]


def _rising(values: tuple[float, float]) -> tuple[float, float]:
    if values[0] > values[1]:
        raise ValueError("give the lower bound first")
    return values


def _opening(value: object) -> object:
    """An angle, or one for each state; said in one sentence if it is neither."""
    given: list[Any] = list(value.values()) if isinstance(value, dict) else [value]
    for angle in given:
        number = isinstance(angle, int | float) and not isinstance(angle, bool)
        if not (number and 0.0 <= angle <= 90.0):
            raise ValueError(
                "the angle is 0 to 90 degrees off wide open, or such an angle for each state: "
                '{ "part-open" = 40, "wide open" = 0 }'
            )
    return value


class BladeEntry(Table):
    """A round blade on a shaft across the bore, such as a throttle's."""

    part: Name = Field(description="a part of this duct")
    angle: Annotated[float | dict[str, float], BeforeValidator(_opening)] = Field(
        description="degrees off wide open, 0 is edge-on to the flow; or one for each state of the "
        'duct: { "part-open" = 40, "wide open" = 0 }'
    )
    closed_angle: Annotated[float, Field(ge=0, lt=90)] = Field(
        default=0.0, description="degrees off square to the bore when it is shut; 0: a round blade"
    )
    shaft: NotNegative | None = Field(
        default=None,
        description="diameter of its shaft, mm; given, the open share of the mesh is held against "
        "the closed form",
    )

    def angle_in(self, state: str) -> float:
        """Degrees off wide open in a state of the duct; ``""`` for as the parts are placed."""
        return self.angle[state] if isinstance(self.angle, dict) else self.angle


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
    most_mach: Positive | None = Field(
        default=None, le=1, description="greatest Mach number allowed"
    )
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


class PortEntry(Table):
    """A flat opening of a duct."""

    at: Triple = Field(
        description="a point in the opening; with no normal, the flat ring round the opening "
        "nearest to it is taken"
    )
    normal: Direction | None = Field(default=None, description="out of the duct")
    name: str = Field(default="", description="what findings call it, such as 'left rotor'")


class TurnEntry(Table):
    """How well a duct turns: its bends, how fast it widens, what its inlet sees of its end."""

    least_inner_radius: Positive | None = Field(
        default=None, description="of every bend, from the centre of the turn to the inner wall, mm"
    )
    most_cone: Annotated[float, Field(gt=0, lt=180)] | None = Field(
        default=None, description="greatest equivalent cone angle where it widens, degrees"
    )
    least_sight: Annotated[float, Field(ge=0, le=100)] | None = Field(
        default=None,
        description="least share of straight lines from the inlet to the end that meet no wall, %",
    )


class DuctEntry(Table):
    """A flow path through walls and past obstacles."""

    name: Name
    walls: tuple[Name, ...] = Field(min_length=1, description="parts that make the wall")
    obstacles: tuple[Name, ...] = Field(default=(), description="parts that stand in the flow")
    path: tuple[Triple, ...] = Field(
        default=(), description="points, inlet first; or give inlet and outlets"
    )
    inlet: PortEntry | None = Field(
        default=None, description="where the air comes in; the path from here is found by itself"
    )
    outlets: tuple[PortEntry, ...] = Field(
        default=(), alias="outlet", description="where it goes; each gets a path of its own"
    )
    closed: tuple[PortEntry, ...] = Field(
        default=(), description="side openings that are shut, such as a bypass port"
    )
    void: bool = Field(
        default=False, description="true: the walls are the void itself, as closed solids"
    )
    seal: NotNegative = Field(
        default=0.0,
        description="gaps between walls up to this width are taken as sealed, mm; each is named",
    )
    throat: Literal["planes", "planes and cut"] = Field(
        default="planes",
        description="how the least section is looked for: planes tilted every way; and a least "
        "cut of the void, which needs no path and takes some seconds",
    )
    least_ball: Positive | None = Field(
        default=None, description="diameter of a ball that must get through, mm"
    )
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
    turn: TurnEntry | None = Field(
        default=None, description="what is asked of its bends; an empty table reports them"
    )
    flow: FlowEntry | None = Field(
        default=None, description="what it must pass: Mach number, choking and loss are estimated"
    )
    vehicle: str | None = None

    @field_validator("path")
    @classmethod
    def _two_points(cls, value: tuple[Triple, ...]) -> tuple[Triple, ...]:
        if len(value) == 1:
            raise ValueError("a path needs at least 2 points")
        return value

    @model_validator(mode="after")
    def _one_path(self) -> DuctEntry:
        ports = self.inlet is not None or self.outlets or self.closed
        if bool(self.path) == bool(ports):
            raise ValueError(
                "give a path (points, inlet first), or an inlet and an outlet; one of the two"
            )
        if ports and (self.inlet is None or not self.outlets):
            raise ValueError("a path that is found by itself needs an inlet and an outlet")
        names = [port.name for port in self.outlets]
        if len(names) > 1 and (len(set(names)) < len(names) or not all(names)):
            raise ValueError("give each outlet a name of its own")
        if len(names) > 1 and self.losses:
            raise ValueError("losses along the path need a duct with one outlet: make two ducts")
        return self

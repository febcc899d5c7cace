"""Tables of the project file that say how parts move."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from geomcheck.errors import InputError
from geomcheck.project.places import Turn
from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple
from geomcheck.standards import expansion

#: Degrees Celsius up to which the table's coefficients stand for the mean from cold to hot. They
#: are of 20 to 100 degrees, and metal grows faster the hotter it is: stainless steel 304 by
#: 17.3e-6 per kelvin up to 100 degrees, 17.8e-6 up to 315, 18.7e-6 up to 650 (ASM data sheet, in
#: copies).
WARM = 150.0
#: Linear expansions of materials lie within these, 1e-6 per kelvin (glass ceramic, soft rubber;
#: from memory): a figure in 1/K, 0.0000236, is none.
LEAST_ALPHA, MOST_ALPHA = 0.01, 1000.0
#: Degrees Celsius.
COLDEST = -273.15

#: What the key ``far`` says.
FAR = "the point or axis does lie farther from what it moves than that is large"

#: Boxes of poses looked at for one pair, unless said otherwise.
BUDGET = 5_000_000


def _rising(ends: tuple[float, float]) -> tuple[float, float]:
    if not all(math.isfinite(x) for x in ends):
        raise ValueError("both ends of a range must be finite numbers")
    if ends[0] > ends[1]:
        raise ValueError(
            f"the range is reversed: write [{ends[1]:g}, {ends[0]:g}], the lower end first"
        )
    return ends


def _two(ends: Any) -> Any:
    if not isinstance(ends, list | tuple) or len(ends) != 2:
        raise ValueError("a range is two numbers: [from, to]")
    return ends


Range = Annotated[tuple[float, float], BeforeValidator(_two), AfterValidator(_rising)]


def _moves(*ranges: tuple[float, float] | None) -> bool:
    return any(ends is not None and ends != (0.0, 0.0) for ends in ranges)


class TurnRange(Table):
    """A range of angles about an axis."""

    axis: Direction
    about: Triple = Field(description="a point on the axis, in the housing's axes, mm")
    angle: Range = Field(description="from, to; degrees, right-handed, 0 as the part stands")
    name: Name | None = Field(default=None, description="what to call it in findings")


class RockEntry(Table):
    """Engine rock on its mounts: every mixture of the angles and the shifts."""

    turns: tuple[TurnRange, ...] = Field(
        default=(), alias="turn", description="the torque axis first; up to three"
    )
    x: Range = Field(default=(0.0, 0.0), description="shift along x: from, to; mm")
    y: Range = Field(default=(0.0, 0.0), description="mm")
    z: Range = Field(default=(0.0, 0.0), description="mm")

    @model_validator(mode="after")
    def _some(self) -> RockEntry:
        if not _moves(self.x, self.y, self.z, *(turn.angle for turn in self.turns)):
            raise ValueError("a rock with no range moves nothing: give a turn, x, y or z")
        if len(self.turns) > 3:
            raise ValueError(f"a rock has up to three turns, not {len(self.turns)}")
        names = [*self.names, "x", "y", "z"]
        again = sorted({name for name in names if names.count(name) > 1})
        if again:
            raise ValueError(f"two ranges are named {again[0]!r}: give the turns other names")
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """What each turn is called: its own name, else ``roll`` for the first."""
        return tuple(
            turn.name or ("roll" if number == 0 else f"turn {number + 1}")
            for number, turn in enumerate(self.turns)
        )


class HingeEntry(Table):
    """A panel on its hinge."""

    axis: Direction
    about: Triple = Field(description="a point on the axis, in the housing's axes, mm")
    angle: Range = Field(description="from, to; degrees, right-handed, 0 as the panel stands")
    far: bool = Field(default=False, description=FAR)

    @model_validator(mode="after")
    def _some(self) -> HingeEntry:
        if self.angle[0] == self.angle[1]:
            raise ValueError("a hinge with no range moves nothing: give two different angles")
        return self


class WayPose(Table):
    """A pose a part passes: turns in the order given, then the move; or a rigid matrix."""

    turns: tuple[Turn, ...] = Field(default=(), alias="turn")
    move: Triple = (0.0, 0.0, 0.0)
    matrix: tuple[tuple[float, float, float, float], ...] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> WayPose:
        if self.matrix is not None and len(self.matrix) != 4:
            raise ValueError("a matrix has four rows of four numbers")
        if self.matrix is not None and (self.turns or self.move != (0.0, 0.0, 0.0)):
            raise ValueError("give either a matrix, or turns and a move, not both")
        return self


class SweepEntry(Table):
    """The way of a belt or a linkage: from pose to pose, each counted from where it stands."""

    poses: tuple[WayPose, ...] = Field(alias="pose", description="two or more")
    about: Triple = Field(
        description="the point of the part, as it stands in the housing's axes, that goes straight "
        "from pose to pose while the part turns evenly about it"
    )
    far: bool = Field(default=False, description=FAR)

    @model_validator(mode="after")
    def _way(self) -> SweepEntry:
        if len(self.poses) < 2:
            raise ValueError(
                f"a sweep of {len(self.poses)} pose moves nothing: list two or more that the part "
                "passes, with {} for where it stands"
            )
        return self


class GrowthEntry(Table):
    """Growth by heat about a point that stays."""

    parts: tuple[Name, ...] = Field(default=(), description="none given: all parts that move")
    material: Name | None = Field(default=None, description="as in geomcheck's table")
    alpha: Positive | None = Field(
        default=None, description="linear expansion of one's own, 1e-6 per kelvin"
    )
    about: Triple = Field(
        description="the point that stays (a datum, a dowel), in the housing's axes, mm"
    )
    far: bool = Field(default=False, description=FAR)
    temperature: Range = Field(description="from, to; degrees Celsius")
    drawn_at: float = Field(
        default=20.0, description="degrees Celsius at which the mesh is true", allow_inf_nan=False
    )

    @model_validator(mode="after")
    def _grows(self) -> GrowthEntry:
        if (self.material is None) == (self.alpha is None):
            raise ValueError("give either a material, or alpha")
        if self.temperature == (self.drawn_at, self.drawn_at):
            raise ValueError("a growth with no range of temperature grows nothing")
        if min(self.drawn_at, *self.temperature) < COLDEST:
            raise ValueError("temperatures are in degrees Celsius: none is below -273.15")
        if self.alpha is not None and not LEAST_ALPHA <= self.alpha <= MOST_ALPHA:
            raise ValueError(
                f"alpha is counted in 1e-6 per kelvin, so {self.alpha:g} is no material's: "
                "aluminium has 23.6"
            )
        if self.material is not None:
            try:
                row = expansion(self.material)
            except InputError as error:
                raise ValueError(f"{error.what}. {error.remedy}") from error
            if row.uniform != "yes":
                raise ValueError(
                    f"{self.material} grows differently along and across its layers "
                    f"({row.low:g} to {row.high:g} 1e-6 per kelvin): growth about a point does "
                    "not tell its shape. Give alpha if yours grows evenly"
                )
            if max(self.temperature) > WARM:
                raise ValueError(
                    f"the table's figure for {self.material} holds up to {WARM:g} degrees, and "
                    f"metal grows faster the hotter it is: for {max(self.temperature):g} degrees "
                    "give alpha, the mean from cold to hot, from the maker's data"
                )
        if max(self.strain) >= 1.0 or min(self.strain) <= -0.5:
            raise ValueError("a growth to twice the size or half of it is none by heat")
        return self

    @property
    def strain(self) -> tuple[float, float]:
        """Least and greatest change of length per length, whatever the material's figure is."""
        low, high = self.alphas
        ends = [
            1e-6 * alpha * (t - self.drawn_at) for alpha in (low, high) for t in self.temperature
        ]
        return min(ends), max(ends)

    @property
    def alphas(self) -> tuple[float, float]:
        """Least and greatest linear expansion, 1e-6 per kelvin."""
        if self.alpha is not None:
            return self.alpha, self.alpha
        assert self.material is not None  # the validator saw to it
        row = expansion(self.material)
        return row.low, row.high

    @property
    def source(self) -> str:
        """Where the coefficient comes from."""
        if self.material is None:
            return "declared"
        row = expansion(self.material)
        return f"{row.material}: {row.source} ({row.status})"


class MovementEntry(Table):
    """Parts that move, how, and the gap they must keep on their way."""

    name: Name
    parts: tuple[Name, ...] = Field(default=(), description="the parts that move")
    group: Literal["housing", "engine"] | None = Field(
        default=None,
        description="instead of parts: the housing and what it carries, or all on the engine; "
        "a rock moves all on the engine unless said otherwise",
    )
    rock: RockEntry | None = None
    hinge: HingeEntry | None = None
    sweep: SweepEntry | None = None
    growths: tuple[GrowthEntry, ...] = Field(
        default=(),
        alias="growth",
        description="alone, or on top of the movement; each part by "
        "itself, every mixture of temperatures",
    )
    against: tuple[Name, ...] = Field(
        default=(),
        description="the parts to keep clear of; none given: all that do not move (a neighbour "
        "that moves is then only asked about the housing and what it carries)",
    )
    required: NotNegative = Field(description="least gap in any pose, mm; 0 allows contact")
    tolerance: Positive = Field(default=0.01, description="of the least gap, mm")
    budget: Annotated[int, Field(ge=1)] = Field(
        default=BUDGET, description="boxes of poses to look at for one pair, at most"
    )
    vehicle: str | None = Field(default=None, description="only in this vehicle")

    @model_validator(mode="after")
    def _one_kind(self) -> MovementEntry:
        kinds = sum(kind is not None for kind in (self.rock, self.hinge, self.sweep))
        if kinds == 0 and not self.growths:
            raise ValueError(
                "a movement with no range moves nothing: add rock, hinge, sweep or growth"
            )
        if kinds > 1:
            raise ValueError("give one of rock, hinge and sweep; movements are checked one by one")
        if self.parts and self.group is not None:
            raise ValueError("give either parts or group, not both")
        if self.rock is None and not self.parts and self.group is None:
            raise ValueError('say what moves: parts = [...] or group = "housing"')
        named = [name for growing in self.growths for name in growing.parts]
        if len(set(named)) < len(named) or sum(not g.parts for g in self.growths) > 1:
            raise ValueError("a part cannot grow twice: join the two growths into one range")
        again = sorted(set(self.parts) & set(self.against))
        if again:
            raise ValueError(f"{again[0]!r} cannot move against itself: take it out of against")
        for names, what in ((self.parts, "parts"), (self.against, "against")):
            if len(set(names)) != len(names):
                raise ValueError(f"a part is named twice in {what}")
        return self

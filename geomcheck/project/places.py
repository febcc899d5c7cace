"""Tables of the project file that say where a part stands and how true it is."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from geomcheck.errors import InputError
from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple
from geomcheck.standards import casting_tolerances


class Turn(Table):
    """A rotation about an axis through a point."""

    axis: Direction
    angle: float = Field(description="degrees, right-handed about the axis", allow_inf_nan=False)
    about: Triple = (0.0, 0.0, 0.0)


class DatumEntry(Table):
    """A point known on the part and in its place."""

    part: Triple = Field(description="in the part's own axes (a vehicle: in its axes), mm")
    at: Triple = Field(description="where it belongs, mm")


class Place(Table):
    """Where a part stands: turns in the order given, then the move; a matrix; or datum pairs."""

    turns: tuple[Turn, ...] = Field(default=(), alias="turn")
    move: Triple = (0.0, 0.0, 0.0)
    matrix: tuple[tuple[float, float, float, float], ...] | None = Field(
        default=None, description="four rows of four, rigid: no scale, no mirror"
    )
    datums: tuple[DatumEntry, ...] = Field(
        default=(),
        description="three or more point pairs { part = [x, y, z], at = [x, y, z] }, not in one "
        "line; the part is placed by the rigid best fit",
    )
    accuracy: NotNegative = Field(
        default=0.0, description="how well each datum point is known, +- mm; else from residuals"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Place:
        if self.matrix is not None and len(self.matrix) != 4:
            raise ValueError("a matrix has four rows of four numbers")
        moved = bool(self.turns) or self.move != (0.0, 0.0, 0.0)
        if (self.matrix is not None) + moved + bool(self.datums) > 1:
            raise ValueError("give one of: a matrix, turns and a move, datums")
        if self.datums and len(self.datums) < 3:
            raise ValueError(
                f"{len(self.datums)} datum pairs cannot place a part: give three or more, not in "
                "one line"
            )
        if self.accuracy and not self.datums:
            raise ValueError("accuracy is that of datums, and there are none")
        return self


class PatchEntry(Table):
    """A region of a part's surface: a ball or a box in the housing frame, as first placed."""

    at: Triple | None = None
    radius: Positive | None = Field(default=None, description="mm about at")
    low: Triple | None = Field(default=None, description="least corner of a box")
    high: Triple | None = Field(default=None, description="greatest corner of a box")

    @model_validator(mode="after")
    def _one_shape(self) -> PatchEntry:
        ball = self.at is not None and self.radius is not None
        box = self.low is not None and self.high is not None
        given = sum(x is not None for x in (self.at, self.radius, self.low, self.high))
        if ball == box or given != 2:
            raise ValueError("a patch has either at and radius, or low and high")
        return self


class RefineEntry(Table):
    """Lay a part, once placed, on another by patches that both have."""

    to: Name = Field(description="a part placed before it: the housing, or one listed earlier")
    patches: tuple[PatchEntry, ...] = Field(min_length=1, description="regions to lay on it")
    within: Positive = Field(default=5.0, description="mm; pairs farther apart do not count")
    trim: Annotated[float, Field(ge=0, le=0.5)] = Field(
        default=0.2, description="share of the pairs left out as the worst"
    )
    rounds: Annotated[int, Field(ge=1, le=1000)] = Field(default=60, description="at most")


def _grade(grade: str) -> str:
    try:
        casting_tolerances(grade)
    except InputError as error:
        raise ValueError(f"{error.what}. {error.remedy}") from error
    return grade


class CastingEntry(Table):
    """The casting tolerance a part is ordered to, ISO 8062-3."""

    grade: Annotated[str, AfterValidator(_grade)] = Field(
        description="'DCTG 1' ... 'DCTG 16'; whoever orders the casting must choose it"
    )
    datum: Triple = Field(
        description="point (file axes, mm) that dimensions run from: the nominal dimension of a "
        "place is its distance from here"
    )


class ScanEntry(Table):
    """How true a scanned part is, as its maker states it."""

    noise: NotNegative = Field(default=0.0, description="+- mm at any point of the surface")
    alignment: NotNegative = Field(
        default=0.0,
        description="+- mm at any place of the part, beyond what the residuals of datum points "
        "show: between the scan's own views, or of the part that was scanned",
    )

"""Kinds of values in the project file, and the base of its tables."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Unit = Literal["mm", "cm", "m", "in"]
#: Millimetres in one of each unit an STL may be written in.
MILLIMETRES: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


def _finite(values: tuple[float, float, float]) -> tuple[float, float, float]:
    if not all(math.isfinite(x) for x in values):
        raise ValueError("every coordinate must be a finite number")
    return values


def _direction(values: tuple[float, float, float]) -> tuple[float, float, float]:
    length = math.sqrt(sum(x * x for x in values))
    if length < 1e-9:
        raise ValueError("a direction must not be zero")
    return (values[0] / length, values[1] / length, values[2] / length)


Triple = Annotated[tuple[float, float, float], AfterValidator(_finite)]
Direction = Annotated[Triple, AfterValidator(_direction)]
Name = Annotated[str, Field(min_length=1, max_length=120)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Table(BaseModel):
    """A table of the project file: frozen, and unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

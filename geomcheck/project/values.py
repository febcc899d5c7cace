"""Kinds of values in the project file, and the base of its tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
)

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


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("a name must be one line of signs that can be printed")
    return text


Triple = Annotated[tuple[float, float, float], AfterValidator(_finite)]
Direction = Annotated[Triple, AfterValidator(_direction)]
Name = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(_printable)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Table(BaseModel):
    """A table of the project file: frozen; unknown keys and numbers without a value are refused.

    ``true`` is no number: taken for 1, a requirement would be asked that nobody set.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False
    )

    @field_validator("*", mode="before")
    @classmethod
    def _no_truth_for_a_number(cls, value: Any, info: ValidationInfo) -> Any:
        kinds = tuple(_kinds(cls.model_fields[info.field_name or ""].annotation))
        if bool in kinds or object in kinds:
            return value
        deep = not any(issubclass(kind, BaseModel) for kind in kinds)
        if isinstance(value, bool) or (deep and _holds_truth(value)):
            raise ValueError("true and false are no numbers and no text")
        return value


def _kinds(annotation: Any) -> Iterator[type]:
    """The classes an annotation is made of."""
    if isinstance(annotation, type):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from _kinds(inner)


def _holds_truth(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_holds_truth, value.values()))
    if isinstance(value, list):
        return any(map(_holds_truth, value))
    return isinstance(value, bool)

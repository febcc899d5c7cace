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


#: No coordinate of a vehicle is further from its origin, mm; squares of more run over.
FARTHEST = 1e9


def _finite(values: tuple[float, float, float]) -> tuple[float, float, float]:
    if not all(math.isfinite(x) for x in values):
        raise ValueError("every coordinate must be a finite number")
    if any(abs(x) > FARTHEST for x in values):
        raise ValueError(f"no coordinate here is more than {FARTHEST:g} mm: is it in mm?")
    return values


def _direction(values: tuple[float, float, float]) -> tuple[float, float, float]:
    length = math.hypot(*values)
    if length < 1e-9:
        raise ValueError("a direction must not be zero")
    if length > 1e9:
        raise ValueError("a direction this long is damage")
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

    A number is written as one: ``true``, taken for 1, would be a requirement nobody set.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False
    )

    @field_validator("*", mode="before")
    @classmethod
    def _only_numbers_for_numbers(cls, value: Any, info: ValidationInfo) -> Any:
        kinds = frozenset(_kinds(cls.model_fields[info.field_name or ""].annotation))
        if bool in kinds and not kinds & {float, int, object} and isinstance(value, int | str):
            if not isinstance(value, bool):
                raise ValueError("this is true or false")
        elif kinds & {float, int} and object not in kinds:
            for given in _leaves(value, inside_tables=not any(map(_is_table, kinds))):
                if isinstance(given, bool) and bool not in kinds:
                    raise ValueError("true and false are no numbers")
                if isinstance(given, str) and _is_number(given):
                    raise ValueError("a number is written without quotation marks")
        return value


def _is_table(kind: type) -> bool:
    return issubclass(kind, BaseModel)


def _kinds(annotation: Any) -> Iterator[type]:
    """The classes an annotation allows for values; of a dict, those of its values."""
    if isinstance(annotation, type):
        yield annotation
    elif isinstance(annotation, str | int):  # of a Literal
        yield type(annotation)
    inner = getattr(annotation, "__args__", ())
    for one in inner[1:] if getattr(annotation, "__origin__", None) is dict else inner:
        yield from _kinds(one)


def _leaves(value: Any, *, inside_tables: bool) -> Iterator[Any]:
    """What stands in lists (and tables, unless those have fields of their own)."""
    if isinstance(value, dict):
        for one in value.values() if inside_tables else ():
            yield from _leaves(one, inside_tables=inside_tables)
    elif isinstance(value, list):
        for one in value:
            yield from _leaves(one, inside_tables=inside_tables)
    else:
        yield value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

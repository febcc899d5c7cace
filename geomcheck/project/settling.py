"""Tables of the project file about what is settled beside the checks: waivers and a baseline."""

from __future__ import annotations

import datetime
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from geomcheck.project.values import Name, NotNegative, Positive, Table, Triple

Text = Annotated[str, Field(min_length=1, max_length=2000)]


def _day(value: object) -> object:
    # A bare number would be taken for seconds since 1970.
    if isinstance(value, int | float) or (isinstance(value, str) and value.count("-") != 2):
        raise ValueError("a day is written 2026-12-31")
    return value


class WaiverEntry(Table):
    """A finding that is accepted for a while; ``geomcheck waive`` writes one."""

    code: Name = Field(description="the check: 'fit-gap' ...")
    vehicle: Name = Field(description="the finding's vehicle")
    subject: Name = Field(description="what was asked about, as the finding says it")
    at: Triple = Field(description="the finding's place, in the housing's axes, mm")
    radius: Positive = Field(default=10.0, description="how far the place may be from there, mm")
    at_least: float | None = Field(default=None, description="the worst value that is accepted")
    at_most: float | None = Field(default=None, description="the worst value that is accepted")
    undecided: bool = Field(
        default=False, description="true: holds also where the question could not be decided"
    )
    reason: Text
    owner: Text = Field(description="who answers for it")
    expires: Annotated[datetime.date, BeforeValidator(_day)] = Field(
        description="the last day on which it holds"
    )
    shape: dict[Name, Text] = Field(
        min_length=1, description="marks of the parts' surfaces about the place, by part"
    )

    @model_validator(mode="after")
    def _one_bound(self) -> WaiverEntry:
        if self.at_least is not None and self.at_most is not None:
            raise ValueError("give at_least or at_most, as the requirement has it, not both")
        return self


class BaselineEntry(Table):
    """Measured values, accepted once, that must not get worse."""

    file: Text = Field(description="JSON beside the project file; geomcheck accept writes it")
    checks: tuple[Name, ...] = Field(min_length=1, description="codes of the checks it holds for")
    noise: dict[Name, NotNegative] = Field(
        default={},
        description="change that counts as none, by unit: { mm = 0.02, mm2 = 2.0 }; others 0",
    )

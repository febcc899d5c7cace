"""The tables of the project file about fasteners and the tools that drive them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple


class FastenerEntry(Table):
    """A screw with its seat, axis, head and length."""

    name: Name
    part: Name = Field(description="the part its head sits on")
    at: Triple = Field(description="centre of the seat under the head")
    axis: Direction = Field(description="out of the seat, towards the tool")
    size: Annotated[str, Field(min_length=2)] = Field(description="M4 ... M12")
    head: str = Field(description="standard of the head, as in geomcheck's table: 'ISO 4762' ...")
    length: Positive = Field(description="nominal length, mm")
    washer: NotNegative = Field(default=0.0, description="thickness under the head, mm")
    tools: tuple[Name, ...] = Field(
        default=(), description="tools that may be used; none given: all that drive this head"
    )
    room: NotNegative = Field(default=0.0, description="room wanted round the tool, mm")
    vehicle: str | None = None
    into: Name | None = Field(
        default=None, description="the part whose thread it goes into; with a nut: that it bears on"
    )
    nut: str | None = Field(default=None, description="standard of its nut: 'ISO 4032'")
    thread_depth: Positive | None = Field(
        default=None, description="full thread in a blind hole, mm from the mouth of the hole"
    )
    material: str | None = Field(
        default=None, description="of the part with the thread, for the rule of engagement"
    )
    strength_class: str | None = Field(default=None, description="of the bolt: '8.8', '10.9' ...")
    engagement: Positive | Annotated[str, Field(pattern=r"^\d+(\.\d+)? ?d$")] | None = Field(
        default=None, description="least engaged thread, mm, or in diameters: '1.5d'"
    )
    load: Literal["first"] | None = Field(
        default=None, description="'first': put in on the bench, it goes down with the housing"
    )


class ToolEntry(Table):
    """A tool of the user's own, as a stack of cylinders along the fastener's axis."""

    name: Name
    drive: Literal["hexagon", "hexagon socket"] = Field(description="what it drives")
    across_flats: Positive = Field(description="mm")
    profile: tuple[tuple[float, float, float], ...] = Field(
        min_length=1,
        description="rows of from, to, diameter; mm up the axis from where the tool rests",
    )

    @model_validator(mode="after")
    def _rising(self) -> ToolEntry:
        last = 0.0
        for begin, end, diameter in self.profile:
            if not (begin >= last - 1e-9 and end > begin and diameter > 0):
                raise ValueError("profile rows must rise along the axis with positive diameters")
            last = end
        return self

"""The tables of the project file about fasteners and the tools that drive them."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple, Unit

#: Rows of from, to, diameter along the axis.
Rows: TypeAlias = tuple[tuple[float, float, float], ...]


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
        default=(),
        min_length=1,
        description="tools that may be used; none given: all that drive this head",
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
    """A tool of the user's own: cylinders along the fastener's axis, a handle, and how it moves."""

    name: Name
    drive: Literal["hexagon", "hexagon socket"] = Field(description="what it drives")
    across_flats: Positive = Field(description="in the tool's unit")
    profile: Rows = Field(
        min_length=1,
        description="rows of from, to, diameter; up the axis from where the tool rests",
    )
    unit: Unit = Field(default="mm", description="of all the tool's lengths: mm, cm, m or in")
    kind: Name = Field(
        default="own", description="family, to be named in a fastener's tools: 'torque wrench' ..."
    )
    handle: tuple[tuple[float, float, float, float, float], ...] = Field(
        default=(),
        description="rows of from, to (up the axis), width, inner and outer radius; all swing as "
        "one; none: turned without a handle",
    )
    arc: Annotated[float, Field(gt=0, le=360)] = Field(
        default=60.0, description="turn its handle needs at one go, degrees"
    )
    tilt: Annotated[float, Field(ge=0, lt=90)] = Field(
        default=0.0, description="how far it may lean off the axis (ball end, joint), degrees"
    )
    pivot: Annotated[float, Field(allow_inf_nan=False)] = Field(
        default=0.0, description="height it leans about, up the axis from where the tool rests"
    )
    base: Rows = Field(
        default=(), description="rows that stay on the axis when it leans, as in profile"
    )
    aside: NotNegative = Field(
        default=0.0,
        description="drawn off sideways along its handle by this much; 0: lifted off",
    )

    @model_validator(mode="after")
    def _possible(self) -> ToolEntry:
        for rows in (self.profile, self.base):
            last = 0.0
            for begin, end, diameter in rows:
                if not (begin >= last - 1e-9 and end > begin and diameter > 0):
                    raise ValueError(
                        "profile rows must rise along the axis with positive diameters"
                    )
                last = end
        for low, high, width, inner, outer in self.handle:
            if not (low < high and width > 0 and 0 <= inner < outer):
                raise ValueError(
                    "handle rows are from, to, width, inner radius, outer radius: to above from, "
                    "outer beyond inner"
                )
        if self.tilt > 0 and self.aside > 0:
            raise ValueError("a tool that leans comes off along its axis: leave out tilt or aside")
        if self.tilt > 0 and self.pivot > self.profile[0][0]:
            raise ValueError("what leans must begin at the pivot or above it; the rest is its base")
        if self.aside > 0 and not self.handle:
            raise ValueError("a tool that is drawn off sideways needs a handle")
        return self

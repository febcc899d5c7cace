"""The tables of the project file about plugs and hoses, and about the vehicle's service points."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple

#: A length above this, mm, is a slip of units.
LONGEST = 5000.0


def _in_reach(value: float) -> float:
    if value > LONGEST:
        raise ValueError(f"no length here is more than {LONGEST:g} mm: is it in mm?")
    return value


Length = Annotated[Positive, AfterValidator(_in_reach)]
LengthOrNone = Annotated[NotNegative, AfterValidator(_in_reach)]


class ConnectorEntry(Table):
    """A plug or a hose end on its socket or spigot, as it is when home."""

    name: Name
    kind: Literal["connector", "hose"] = "connector"
    part: Name = Field(description="the part that carries its socket or spigot")
    at: Triple = Field(description="centre of the socket's rim: the plane the plug stands out of")
    axis: Direction = Field(description="out of the socket: the way it is pulled")
    stroke: Length = Field(description="mating stroke: pulled by this much it is free, mm")
    length: Length = Field(description="of its body outside the socket when home, mm")
    diameter: Length | None = Field(default=None, description="of a round body, mm")
    box: tuple[Length, Length] | None = Field(
        default=None, description="width and height of a square body, mm"
    )
    up: Direction | None = Field(default=None, description="direction of the box's height")
    straight: LengthOrNone = Field(
        default=0.0, description="of boot or cable behind the body that must stay straight, mm"
    )
    cable: Length | None = Field(
        default=None, description="diameter of boot or cable, mm; else the body's lesser size"
    )
    finger: LengthOrNone = Field(
        default=18.0, description="thickness of a finger, mm (common practice, no source)"
    )
    grip: LengthOrNone = Field(
        default=20.0,
        description="length of the body that two fingers pinch, mm (common practice, no source); "
        "0: no hand is asked for",
    )
    bore: Length | None = Field(
        default=None,
        description="diameter within which its own part stands inside it: spigot, socket, mm",
    )
    itself: tuple[Name, ...] = Field(
        default=(), description="parts that are this plug and its cable, where they are modelled"
    )
    room: LengthOrNone = Field(default=0.0, description="room wanted round it, mm")
    when: Literal["first"] | None = Field(
        default=None, description="'first': plugged in before the housing goes down"
    )
    vehicle: str | None = None

    @model_validator(mode="after")
    def _one_body(self) -> ConnectorEntry:
        if (self.diameter is None) == (self.box is None):
            raise ValueError("a connector has either a diameter, or a box = [width, height]")
        if (self.box is None) != (self.up is None):
            raise ValueError("a box needs up, the direction of its height; a round body has none")
        if self.up is not None:
            along = sum(a * b for a, b in zip(self.up, self.axis, strict=True))
            if abs(along) > 0.99:
                raise ValueError("up must point across the axis")
        return self


class ServiceEntry(Table):
    """A service point of the vehicle, and what reaches it."""

    name: Name
    kind: str = Field(default="", description="spark plug, filler, filter, sensor, drain ...")
    part: Name = Field(description="the vehicle's part it is on")
    at: Triple = Field(
        description="where the tool or what is drawn out starts: centre of the seat under the "
        "head, or of the mouth"
    )
    axis: Direction = Field(description="out of it, towards the hand")
    head: str | None = Field(
        default=None, description="standard of a screw's head, as for a fastener; with size"
    )
    size: Annotated[str, Field(min_length=2)] | None = None
    drive: Literal["hexagon", "hexagon socket"] | None = Field(
        default=None, description="of anything else that a tool turns; with across_flats"
    )
    across_flats: Length | None = Field(default=None, description="mm")
    height: Length | None = Field(
        default=None, description="of that hexagon above at, mm; else half of its across flats"
    )
    tools: tuple[Name, ...] = Field(
        default=(),
        min_length=1,
        description="tools that may be used; none given: all that drive it",
    )
    itself: tuple[Name, ...] = Field(
        default=(), description="parts that are what is turned or drawn, where they are modelled"
    )
    diameter: Length | None = Field(
        default=None, description="of a clear cylinder to draw it out or pour in, mm; with length"
    )
    length: Length | None = Field(default=None, description="of that cylinder, from at, mm")
    room: LengthOrNone = Field(default=0.0, description="room wanted round either, mm")
    vehicle: str | None = None

    @model_validator(mode="after")
    def _something_reaches(self) -> ServiceEntry:
        pairs = (
            ("head", self.head, "size", self.size),
            ("drive", self.drive, "across_flats", self.across_flats),
            ("diameter", self.diameter, "length", self.length),
        )
        for first, a, second, b in pairs:
            if (a is None) != (b is None):
                raise ValueError(f"{first} and {second} go together")
        if self.head is not None and self.drive is not None:
            raise ValueError("give head and size, or drive and across_flats, not both")
        turned = self.head is not None or self.drive is not None
        if not turned and self.diameter is None:
            raise ValueError(
                "say what reaches it: head and size, drive and across_flats, or a clear cylinder "
                "of diameter and length"
            )
        if self.tools and not turned:
            raise ValueError("tools turn something: give head and size, or drive and across_flats")
        if self.height is not None and self.drive is None:
            raise ValueError("height goes with drive and across_flats")
        return self

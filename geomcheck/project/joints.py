"""The tables of the project file about joints: bolt patterns and the ports that meet in them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from geomcheck.project.values import Direction, Name, NotNegative, Positive, Table, Triple


class PatternEntry(Table):
    """The bolt holes of one part against those of another, or against a reference."""

    name: Name
    parts: Annotated[tuple[Name, ...], Field(min_length=1, max_length=2)] = Field(
        description="two parts; one part where a reference is given"
    )
    at: Triple = Field(description="a point in the plane of the joint, amid the holes")
    normal: Direction = Field(description="square to the joint; the holes run along it")
    within: Positive = Field(description="holes whose axis passes farther from 'at' do not count")
    bolt: Positive = Field(description="greatest diameter of the bolts, mm")
    fixed: Name | None = Field(
        default=None, description="the part that holds the bolts: threads, studs, dowels"
    )
    reference: tuple[Triple, ...] = Field(
        default=(), description="places of the holes as they should be, mm"
    )
    reference_hole: Positive | None = Field(
        default=None, description="diameter of the reference's holes; none: it holds the bolts"
    )
    anywhere: bool = Field(
        default=False,
        description="the reference has axes of its own: x and y count, as seen with the normal "
        "pointing at you; every shift and turn is tried",
    )
    dowelled: bool = Field(
        default=False, description="dowels hold the parts: no shift or turn in the joint"
    )
    count: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="how many holes there must be"
    )
    diameters: tuple[Positive, Positive] | None = Field(
        default=None,
        description="least and greatest diameter of the holes that count; else 0.7 to 1.6 times "
        "the bolt's",
    )
    reach: Positive = Field(
        default=5.0, description="how far a mouth may lie from the plane of the joint, mm"
    )
    reserve: NotNegative = Field(
        default=0.0, description="clearance that must be left at the worst hole, mm"
    )
    vehicle: str | None = Field(default=None, description="only in this vehicle")

    @model_validator(mode="after")
    def _complete(self) -> PatternEntry:
        if (len(self.parts) == 1) != bool(self.reference):
            raise ValueError("a pattern has two parts, or one part and a reference")
        if len(set(self.parts)) < len(self.parts):
            raise ValueError("a part has no pattern against itself")
        if self.fixed is not None and (self.reference or self.fixed not in self.parts):
            raise ValueError("fixed names one of the pattern's two parts")
        if not self.reference and (self.anywhere or self.reference_hole is not None):
            raise ValueError("anywhere and reference_hole belong to a reference")
        if self.anywhere and self.dowelled:
            raise ValueError("dowels hold a part in one place: leave out anywhere or dowelled")
        if self.diameters is not None and self.diameters[0] >= self.diameters[1]:
            raise ValueError("diameters are the least, then the greatest")
        return self


class PortJointEntry(Table):
    """An opening that goes on from one part into another through a mating face."""

    name: Name
    mate: Name = Field(description="the [[mate]] whose faces the opening lies in")
    at: Triple = Field(description="a point in the opening, on or near the faces, mm")
    flow: Literal["first to second", "second to first", "both"] = Field(
        default="both", description="which way the flow goes through the mate's parts"
    )
    overhang: NotNegative = Field(
        default=0.5, description="how far an edge may stand into the flow, mm"
    )
    step: NotNegative | None = Field(
        default=None, description="how far the opening may widen downstream, mm; none: any"
    )
    land: Positive = Field(
        description="least width of face left for the gasket, from the opening to the next edge, mm"
    )
    vehicle: str | None = Field(default=None, description="only in this vehicle")

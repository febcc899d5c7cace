"""The tables of the project file, as validated settings.

Every class here is one table; the field's description is what ``geomcheck new`` and the reference
print. Unknown keys are refused. Lengths are mm, angles degrees, points in the housing frame
unless said otherwise.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from geomcheck.errors import InputError
from geomcheck.project.connectors import ConnectorEntry, ServiceEntry
from geomcheck.project.ducts import BladeEntry, DuctEntry, FlowEntry, LossEntry
from geomcheck.project.fasteners import FastenerEntry, ToolEntry
from geomcheck.project.joints import PatternEntry, PortJointEntry
from geomcheck.project.movements import MovementEntry
from geomcheck.project.order import OrderEntry
from geomcheck.project.places import (
    CastingEntry,
    PatchEntry,
    Place,
    RefineEntry,
    ScanEntry,
    Turn,
)
from geomcheck.project.settling import BaselineEntry, WaiverEntry
from geomcheck.project.states import MovedEntry, StateEntry
from geomcheck.project.values import (
    MILLIMETRES,
    Direction,
    Name,
    NotNegative,
    Positive,
    Table,
    Triple,
    Unit,
)
from geomcheck.standards.densities import density

__all__ = [
    "MILLIMETRES",
    "BladeEntry",
    "CastingEntry",
    "ConnectorEntry",
    "Direction",
    "Document",
    "DuctEntry",
    "FastenerEntry",
    "FlowEntry",
    "LossEntry",
    "MateEntry",
    "MovedEntry",
    "MovementEntry",
    "Name",
    "NotNegative",
    "OrderEntry",
    "PartEntry",
    "PatchEntry",
    "PatternEntry",
    "Place",
    "PortJointEntry",
    "Positive",
    "RefineEntry",
    "ScanEntry",
    "ServiceEntry",
    "StateEntry",
    "Table",
    "ToolEntry",
    "Triple",
    "Turn",
    "Unit",
    "VehicleEntry",
]


def _trim(value: object) -> object:
    if value in ("never", "free"):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool) and 0.0 < value < math.inf:
        return float(value)
    raise ValueError("trim is 'never', 'free' or a depth above 0 mm that may be cut away")


def _material(value: str) -> str:
    try:
        density(value)
    except InputError as error:
        raise ValueError(error.text.removesuffix(".")) from error
    return value


class PartEntry(Table):
    """A part: a mesh file and what is known of it."""

    name: Name
    file: Annotated[str, Field(min_length=1, max_length=1000)]
    role: Literal["housing", "carried", "neighbour"] = "neighbour"
    kind: str = Field(default="", alias="class", description="class of neighbour: 'body panel' ...")
    unit: Unit | None = Field(default=None, description="unit of the file; else the project's")
    place: Place = Place()
    refine: RefineEntry | None = Field(
        default=None, description="lay it on another part by chosen patches, after place"
    )
    size: Triple | None = Field(
        default=None, description="bounding size in the file's own axes, mm, to catch a wrong unit"
    )
    size_tolerance: Positive = Field(default=1.0, description="allowed difference in size, mm")
    on_surface: tuple[Triple, ...] = Field(
        default=(),
        description="points (file axes, mm) that must lie on the part; three or more catch a "
        "mirrored or wrong part",
    )
    on_surface_tolerance: Positive = Field(default=0.5, description="mm")
    expect: Literal["closed", "open", "soup"] | None = Field(
        default=None, description="what the mesh must be; the housing must be closed unless said"
    )
    sagitta: NotNegative | None = Field(
        default=None, description="chord error the mesh was exported with, mm; else estimated"
    )
    casting: CastingEntry | None = Field(
        default=None, description="casting tolerance: { grade = 'DCTG 9', datum = [x, y, z] }"
    )
    scan: ScanEntry | None = Field(
        default=None, description="what a scan is true to: { noise = 0.1, alignment = 0.3 }"
    )
    print_tolerance: NotNegative = Field(default=0.0, description="+- mm of a printed part")
    edge_is_real: bool = Field(
        default=False,
        description="true: the outer rim of this open mesh is the part's own edge, and nothing "
        "is missing beyond it",
    )
    holes_are_real: bool = Field(
        default=False,
        description="true: the holes in this open mesh are holes in the part, not missing data",
    )
    open_for_tools: bool = Field(
        default=False, description="out of the way while bolts are done up, as an open bonnet is"
    )
    gap: bool = Field(default=True, description="false: this part is not checked for gaps at all")
    material: Annotated[str, AfterValidator(_material)] | None = Field(
        default=None, description="what it is made of, for its mass: 'Al 356.0 (A356)' ..."
    )
    density: Positive | None = Field(
        default=None, description="g/cm3, for its mass; else that of the material"
    )
    on: Literal["engine", "body"] | None = Field(
        default=None,
        description="what it moves with; else the engine for the class 'engine-mounted part', "
        "for the housing and what it carries, and the body for all others",
    )
    trim: Annotated[float | Literal["never", "free"], BeforeValidator(_trim)] = Field(
        default="never",
        description="whether a neighbour may be cut back to make room: never, free, or as deep as "
        "this, mm",
    )


class VehicleEntry(Table):
    """One application of the housing: the vehicle's parts round it."""

    name: Name
    place: Place = Field(
        default=Place(), description="from the vehicle's axes to the housing's, for all its parts"
    )
    parts: tuple[PartEntry, ...] = Field(default=(), alias="part")


class MateEntry(Table):
    """Two faces that are meant to touch, with or without a gasket between them."""

    name: Name
    parts: tuple[Name, Name] = Field(description="first the part the normal points out of")
    at: Triple = Field(description="a point on the first part's mating face")
    normal: Direction = Field(description="out of the first part, towards the second")
    gasket: NotNegative = Field(default=0.0, description="thickness as clamped, mm")
    tolerance: Positive = Field(default=0.1, description="allowed departure of the faces, mm")
    area: Positive | None = Field(
        default=None,
        description="least area the faces have in common, mm2; a sunk spot takes from it, since "
        "only what is flat counts as face",
    )
    vehicle: str | None = Field(default=None, description="only in this vehicle")


class Document(Table):
    """The whole project file."""

    format: Literal[1] = Field(description="version of the file's layout")
    name: Name
    unit: Unit = Field(description="unit of the mesh files; STL carries none")
    parts: tuple[PartEntry, ...] = Field(alias="part", min_length=1)
    vehicles: tuple[VehicleEntry, ...] = Field(default=(), alias="vehicle")
    mates: tuple[MateEntry, ...] = Field(default=(), alias="mate")
    ducts: tuple[DuctEntry, ...] = Field(default=(), alias="duct")
    fasteners: tuple[FastenerEntry, ...] = Field(default=(), alias="fastener")
    tools: tuple[ToolEntry, ...] = Field(default=(), alias="tool")
    connectors: tuple[ConnectorEntry, ...] = Field(default=(), alias="connector")
    services: tuple[ServiceEntry, ...] = Field(default=(), alias="service")
    movements: tuple[MovementEntry, ...] = Field(default=(), alias="movement")
    states: tuple[StateEntry, ...] = Field(default=(), alias="state")
    order: OrderEntry | None = Field(default=None, description="the order of work")
    patterns: tuple[PatternEntry, ...] = Field(default=(), alias="pattern")
    port_joints: tuple[PortJointEntry, ...] = Field(default=(), alias="port_joint")
    waivers: tuple[WaiverEntry, ...] = Field(default=(), alias="waiver")
    baseline: BaselineEntry | None = None
    check: dict[str, dict[str, object]] = Field(
        default={}, description="[check.CODE] tables: the settings of each check"
    )

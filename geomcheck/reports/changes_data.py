"""Parts, tools and flow estimates of a comparison as JSON types."""

from __future__ import annotations

from typing import Any

import numpy as np

from geomcheck.compare.flows import FlowChange
from geomcheck.compare.shapes import Moved, PartChange
from geomcheck.compare.tools import ToolChange
from geomcheck.finding import Quantity


def bounds(quantity: Quantity | None) -> dict[str, Any] | None:
    """A quantity without its terms."""
    if quantity is None:
        return None
    return {key: getattr(quantity, key) for key in ("name", "value", "unit", "low", "high")}


def part_data(part: PartChange) -> dict[str, Any]:
    """One part: deviation, regions, volumes, mass."""
    data: dict[str, Any] = {"part": part.name, "vehicles": list(part.vehicles), "kind": part.how}
    shape = part.shape
    if shape is None:
        return data
    was, now, change = part.masses
    return data | {
        "greatest": bounds(shape.greatest),
        "at": _list(shape.at),
        "mean": bounds(shape.mean),
        "noise_band": shape.band,
        "moved_as_a_whole": None if shape.motion is None else shape.motion.tolist(),
        "volume": bounds(shape.volume),
        "added": bounds(shape.added),
        "removed": bounds(shape.removed),
        "mass_from": part.material,
        "mass_old": bounds(was),
        "mass_new": bounds(now),
        "mass_change": bounds(change),
        "note": shape.note,
        "regions": [_region(moved) for moved in part.moved],
    }


def _region(moved: Moved) -> dict[str, Any]:
    region, place = moved.region, moved.place
    shift = region.shift
    length = 0.0 if shift is None else float(np.linalg.norm(shift))
    return {
        "how": region.how,
        "place": None
        if place is None
        else {"what": place.what, "name": place.name, "seat": place.seat, "along": place.along},
        "middle": _list(region.middle),
        "low": _list(region.low),
        "high": _list(region.high),
        "area": region.area,
        "greatest": bounds(region.greatest),
        "at": _list(region.at),
        "shift": None if shift is None else _list(shift),
        "direction": None if shift is None or not length else _list(shift / length),
        "face": region.face,
        "offset": region.offset,
        "noise_band": region.band,
        "added": bounds(region.added),
        "removed": bounds(region.removed),
        "measured_there": [
            {
                "kind": change.kind.value,
                "code": change.finding.code,
                "vehicle": change.finding.vehicle,
                "subject": change.finding.subject,
            }
            for change in moved.changes
        ],
    }


def _list(values: Any) -> list[float]:
    return [float(x) + 0.0 for x in values]


def tool_data(change: ToolChange) -> dict[str, Any]:
    """One screw: tools lost and won."""
    return {
        "vehicle": change.vehicle,
        "subject": change.subject,
        "lost": [{"tool": name, "stopped": why} for name, why in change.lost],
        "won": [{"tool": name, "was_stopped": why} for name, why in change.won],
        "left": change.left,
    }


def flow_data(flow: FlowChange) -> dict[str, Any]:
    """One duct's estimate, common terms cancelled."""
    return {
        "vehicle": flow.vehicle,
        "subject": flow.subject,
        "loss": bounds(flow.loss),
        "mach": bounds(flow.mach),
        "margin": bounds(flow.margin),
        "same_flow": flow.same_flow,
        "why": flow.why,
        "shares": [
            {"name": change.name, "shared": change.shared, "loss": bounds(change.loss)}
            for change in flow.shares
        ],
    }

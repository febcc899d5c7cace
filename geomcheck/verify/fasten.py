"""Re-check of tool access and withdrawal: cylinders against all triangles."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import screw
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit import NEAR, on_part
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.simple import FloatArray, clip_slab, nearest_to_axis

#: Nothing nearer to the seat than this is looked at where the project file does not say, mm.
LIFT = 0.3
#: Points are written to a millionth.
LEVEL = 1e-5


def reach(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Room round the tool named: its cylinders, standing, against all parts."""
    entry = _fastener(scene, finding)
    yield _seat(finding, entry)
    tool: Any = finding.details.get("tool")
    quantity = finding.quantity
    if not tool or tool.get("base") or not np.allclose(tool["axis"], entry.axis, atol=1e-5):
        yield left_open("room", "no tool is named, or it leans")
        return
    rows = [tuple(map(float, one)) for one in tool["profile"]]
    if quantity is None and finding.verdict is Verdict.PASS:
        nearest = _nearest(scene, finding, entry, rows, _start(scene, finding))
        yield confirm("room", nearest >= entry.room, f"{nearest:.3f} mm over all parts")
        if tool.get("bars"):
            yield left_open("swing of the handle", "the free arc is not worked out again")
        return
    if quantity is None or quantity.name != "room" or len(finding.witnesses) < 2:
        yield left_open("room", "no room was measured about a standing tool")
        return
    met = finding.witnesses[0]
    yield on_part(met, scene.triangles(finding.vehicle, met.part))
    at, axis = np.array(entry.at), np.array(entry.axis)
    height = float((np.array(met.point) - at) @ axis)
    off = float(np.linalg.norm(np.array(met.point) - at - height * axis))
    row = screw(entry.head, entry.size)
    # The tool is lifted off the head by the head's height, so each row sweeps that much more.
    widest = max(
        (d for low, high, d in rows if low - LEVEL <= height <= high + row.head_height + LEVEL),
        default=None,
    )
    if widest is None:
        yield confirm("room at the witness", False, f"no row of the tool at {height:.3f} mm")
        return
    room = off - widest / 2.0
    yield confirm(
        "room at the witness",
        abs(room - quantity.value) <= NEAR,
        f"{room:.6f} mm against {quantity.value:.6f} mm",
    )
    start = _start(scene, finding)
    nearest = _nearest(scene, finding, entry, rows, start)
    yield confirm(
        "nothing nearer to the standing tool",
        nearest >= quantity.value - NEAR,
        f"{nearest:.6f} mm over all parts",
    )
    if finding.verdict is Verdict.PASS:
        if tool.get("bars"):
            yield left_open("swing of the handle", "the free arc is not worked out again")
    else:
        yield left_open("no other tool", "the tools that come less near are not tried again")


def _nearest(
    scene: Scene,
    finding: Finding,
    entry: FastenerEntry,
    rows: list[tuple[float, ...]],
    start: float,
) -> float:
    at, axis = np.array(entry.at), np.array(entry.axis)
    nearest = np.inf
    for name in scene.names(finding.vehicle):
        part, _ = scene.entry(finding.vehicle, name)
        if part.open_for_tools and name != entry.part:
            continue
        mesh = scene.triangles(finding.vehicle, name)
        heights = (mesh - at) @ axis
        for low, high, width in rows:
            if max(low, start) >= high:
                continue
            reach = _close(mesh, at, axis, width / 2.0 + 30.0)
            pieces = clip_slab(mesh[reach], heights[reach], max(low, start), high)
            nearest = min(nearest, nearest_to_axis(pieces, at, axis) - width / 2.0)
    return float(nearest)


def _close(mesh: FloatArray, at: FloatArray, axis: FloatArray, radius: float) -> Any:
    """Triangles whose ball about the middle comes within ``radius`` of the axis."""
    middle = mesh.mean(axis=1)
    ball = np.linalg.norm(mesh - middle[:, None], axis=2).max(axis=1)
    off = middle - at
    off = off - (off @ axis)[:, None] * axis
    return np.linalg.norm(off, axis=1) - ball <= radius


def withdraw(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Free travel of a screw's head: the lowest metal over it within its radius."""
    entry = _fastener(scene, finding)
    yield _seat(finding, entry)
    quantity = finding.quantity
    radius = float(finding.details["head_diameter"]) / 2.0
    if quantity is None and finding.verdict is Verdict.PASS:
        yield from _free(scene, finding, entry, radius)
        return
    if quantity is None or len(finding.witnesses) < 2:
        yield left_open("free travel", "nothing was met")
        return
    if entry.load is not None:
        # It travels from where it stands raised, on its tip.
        yield left_open("free travel", "the bolt is loaded first and stands raised")
        return
    met = finding.witnesses[0]
    if met.label != "head stops here" or entry.washer:
        yield left_open("free travel", "not the head, or a washer, stops it")
        return
    yield on_part(met, scene.triangles(finding.vehicle, met.part))
    at, axis = np.array(entry.at), np.array(entry.axis)
    height = float((np.array(met.point) - at) @ axis)
    off = float(np.linalg.norm(np.array(met.point) - at - height * axis))
    row = screw(entry.head, entry.size)
    travel = height - row.head_height
    holds = abs(travel - quantity.value) <= 5e-4 and off <= radius + 5e-4
    yield confirm("travel", holds, f"{travel:.6f} mm against {quantity.value:.6f} mm")
    lowest = _lowest(scene, finding, entry, radius - 1e-3, _start(scene, finding))
    yield confirm(
        "nothing lower",
        lowest >= height - 5e-4,
        f"least height of metal over the seat {lowest:.6f} mm against {height:.6f} mm",
    )
    if finding.details.get("way") not in ("in place", "no way"):
        yield left_open("another way", "loading on the bench is not tried again")


def _free(scene: Scene, finding: Finding, entry: FastenerEntry, radius: float) -> Iterator[Claim]:
    """That no metal stands over the head as far as the screw must go."""
    if finding.details.get("way") != "in place":
        yield left_open("another way", "loading on the bench is not tried again")
        return
    wanted = screw(entry.head, entry.size).head_height + float(finding.details["needed"])
    lowest = _lowest(scene, finding, entry, radius, _start(scene, finding))
    yield confirm(
        "free travel",
        lowest >= wanted - 5e-4,
        f"least height of metal over the seat {lowest:.3f} mm, {wanted:.3f} mm wanted",
    )


def _lowest(
    scene: Scene, finding: Finding, entry: FastenerEntry, radius: float, start: float
) -> float:
    """Least height above ``start`` of metal within a cylinder about the axis."""
    at, axis = np.array(entry.at), np.array(entry.axis)
    lowest = np.inf
    for name in scene.names(finding.vehicle):
        part, _ = scene.entry(finding.vehicle, name)
        if part.open_for_tools and name != entry.part:
            continue
        mesh = scene.triangles(finding.vehicle, name)
        close = mesh[_close(mesh, at, axis, radius)]
        heights = (close - at) @ axis
        for tri, low in zip(close, heights, strict=True):
            if low.max() < start or low.min() > lowest:
                continue
            lowest = min(lowest, _lowest_of(tri, low, at, axis, radius, start))
    return float(lowest)


def _lowest_of(
    tri: FloatArray,
    heights: FloatArray,
    at: FloatArray,
    axis: FloatArray,
    radius: float,
    start: float,
) -> float:
    """Least height of a triangle within a cylinder, found by halving."""
    low, high = max(start, float(heights.min())), float(heights.max())

    def met(level: float) -> bool:
        pieces = clip_slab(tri[None], heights[None], start, level)
        return nearest_to_axis(pieces, at, axis) <= radius

    if low > high or not met(high):
        return np.inf
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if met(middle) else (middle, high)
    return high


def _fastener(scene: Scene, finding: Finding) -> FastenerEntry:
    for one in scene.project.document.fasteners:
        if one.vehicle in (None, finding.vehicle) and finding.subject == f'bolt "{one.name}"':
            return one
    raise NotRechecked("the bolt is not in the project file")


def _seat(finding: Finding, entry: FastenerEntry) -> Claim:
    """The seat's witness is where the project file puts it."""
    seats = [witness.point for witness in finding.witnesses if witness.label == "seat"]
    if not seats:
        return left_open("seat", "the finding shows none")
    off = float(np.linalg.norm(np.subtract(seats[-1], entry.at)))
    return confirm("seat", off <= NEAR, f"{off:.6f} mm from the entry's point")


def _start(scene: Scene, finding: Finding) -> float:
    """Where looking begins above the seat, mm."""
    table: Any = scene.project.document.check.get(finding.code, {})
    seat: Any = finding.details.get("seat") or {}
    stated = float(table.get("lift", LIFT)) + float(seat.get("sagitta") or 0.0)
    return max(stated, stated + float(seat.get("height") or 0.0)) + 1e-6

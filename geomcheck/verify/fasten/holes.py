"""Re-check of the hole under a bolt: its wall's corners, against the bolt and the tables."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import clearance_hole, threads
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.bolts import Bolt, limit
from geomcheck.verify.fasten.walls import Wall, wall_at
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: What the project file does not say: the clearance holes that are allowed, the angle to the bolt,
#: degrees, the slack on a thread's diameter, and how near a hole must be, mm.
LEAST, MOST, ANGLE, THREAD, NEAREST = "fine", "coarse", 1.0, 0.2, 8.0
#: A hole of a list is looked for along its axis so far, mm.
ALONG = 60.0


def holes(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A bolt's hole: its place, diameter and angle; or a list of holes without a bolt."""
    if finding.subject.startswith("holes"):
        yield from _listed(scene, finding)
        return
    bolt = Bolt.of(scene, finding)
    seats = [witness.point for witness in finding.witnesses if witness.label == "seat"]
    if seats:
        off = float(np.linalg.norm(np.subtract(seats[-1], bolt.at)))
        yield confirm("seat", off <= NEAR, f"{off:.6f} mm from the entry's point")
    part = finding.parts[0]
    threaded = '" into "' in finding.subject
    meant = bolt.entry.into if threaded else bolt.entry.part
    yield confirm("part", part == meant, f"{part}, the entry says {meant}")
    details: Any = finding.details
    if "hole" not in details:
        yield from _none(scene, finding, bolt, part)
        return
    wall = _wall(scene, finding, part)
    if wall is None:
        yield confirm("hole", False, f"{part} has no round wall there")
        return
    yield from _figures(scene, finding, bolt, wall, threaded)


def _wall(scene: Scene, finding: Finding, part: str) -> Wall | None:
    """The wall a finding tells of, found anew."""
    details: Any = finding.details
    ends = np.array(details["wall"], dtype=np.float64)
    length = float(np.linalg.norm(ends[0] - ends[1]))
    if length < NEAR:
        return None
    axis = (ends[0] - ends[1]) / length
    radius = 0.5 * float(details["diameter"])
    return wall_at(scene.body(finding.vehicle, part), ends[1], axis, 0.0, length, radius)


def _crossing(wall: Wall, bolt: Bolt) -> FloatArray:
    """Where a hole's axis crosses the plane of the seat."""
    slope = float(wall.axis @ bolt.axis)
    found: FloatArray = wall.point + float((bolt.at - wall.point) @ bolt.axis) / slope * wall.axis
    return found


def _figures(
    scene: Scene, finding: Finding, bolt: Bolt, wall: Wall, threaded: bool
) -> Iterator[Claim]:
    details: Any = finding.details
    quantity, table = finding.quantity, bolt.table
    half = 0.5 * bolt.row.thread_diameter
    place = _crossing(wall, bolt)
    missed = float(np.linalg.norm(place - np.array(details["hole"])))
    far = float(np.linalg.norm(place - bolt.at))
    holds = missed <= 2.0 * wall.slack and far <= float(table.get("near", NEAREST)) + wall.slack
    yield confirm("hole", holds, f"{missed:.6f} mm from where it is said to be")
    clear = wall.nearest >= 0.9 * wall.radius
    yield confirm("free of metal", clear, f"{wall.nearest:.4f} mm about its axis")
    for witness in finding.witnesses:
        if witness.label == "hole":
            off = float(np.linalg.norm(np.subtract(witness.point, details["hole"])))
            yield confirm("witness in the hole", off <= NEAR, f"{off:.6f} mm from its axis")
    line, leaves = (bolt.at, bolt.axis), max(0.0, wall.radius - half)
    if threaded:
        line, leaves = _above(scene, finding, bolt)
    if table.get("offset") is not None:
        leaves = float(table["offset"])
    away = place - line[0]
    sine = float(np.linalg.norm(np.cross(bolt.axis, wall.axis)))
    found = {
        "hole diameter": 2.0 * wall.radius,
        "offset": float(np.linalg.norm(away - (away @ line[1]) * line[1])),
        "angle": math.degrees(math.atan2(sine, abs(float(bolt.axis @ wall.axis)))),
    }
    slack = {"hole diameter": 2.0 * wall.slack, "offset": 2.0 * wall.slack}
    slack["angle"] = math.degrees(2.0 * wall.slack / max(wall.high - wall.low, 0.1)) + 1e-3
    told = {"hole diameter": "diameter", "offset": "offset", "angle": "angle"}
    for name, key in told.items():
        words = f"{found[name]:.6f} against {float(details[key]):.6f}"
        holds = abs(found[name] - float(details[key])) <= slack[name]
        yield confirm(name, holds, words)
    low, high = _thread(bolt, found["hole diameter"]) if threaded else _clearance(bolt)
    asked = {
        "hole diameter": (low, high),
        "offset": (0.0, leaves),
        "angle": (0.0, float(table.get("angle", ANGLE))),
    }
    if quantity is not None and finding.requirement is not None:
        holds = abs(quantity.value - found[quantity.name]) <= slack[quantity.name]
        yield confirm("value", holds, f"{quantity.value:.6f} {quantity.unit}")
        at_least = finding.requirement.sense == "at least"
        wanted = asked[quantity.name][0 if at_least else 1]
        if abs(wanted - finding.requirement.limit) <= 2.0 * wall.slack:
            wanted = finding.requirement.limit
        yield from limit(finding, wanted, quantity.unit)
    if finding.verdict is Verdict.PASS:
        wrong = [
            name
            for name, (least, most) in asked.items()
            if not least - slack[name] <= found[name] <= most + slack[name]
        ]
        yield confirm("all figures", not wrong, ", ".join(wrong) or "within their limits")


def _clearance(bolt: Bolt) -> tuple[float, float]:
    table = bolt.table
    return (
        clearance_hole(bolt.entry.size, table.get("least", LEAST)).diameter,
        clearance_hole(bolt.entry.size, table.get("most", MOST)).diameter,
    )


def _thread(bolt: Bolt, found: float) -> tuple[float, float]:
    """Diameters a thread may be drawn with: tap drill or full size, whichever is nearer."""
    slack = float(bolt.table.get("thread", THREAD))
    rows = [row for row in threads() if row.size == bolt.entry.size]
    drilled = min(row.minor_internal for row in rows), max(row.tap_drill for row in rows)
    full = rows[0].diameter, rows[0].diameter
    ranges = [(low - slack, high + slack) for low, high in (drilled, full)]
    return min(ranges, key=lambda one: max(one[0] - found, found - one[1]))


def _above(
    scene: Scene, finding: Finding, bolt: Bolt
) -> tuple[tuple[FloatArray, FloatArray], float]:
    """The line that a threaded hole is held against, and what it may be off: the hole above it."""
    half = 0.5 * bolt.row.thread_diameter
    for other in scene.findings:
        same = (other.code, other.vehicle) == (finding.code, finding.vehicle)
        if same and other.subject == f'bolt "{bolt.entry.name}"' and "hole" in other.details:
            wall = _wall(scene, other, bolt.entry.part)
            if wall is not None:
                return (_crossing(wall, bolt), wall.axis), max(0.0, wall.radius - half)
    return (bolt.at, bolt.axis), max(0.0, bolt.hole_radius - half)


def _none(scene: Scene, finding: Finding, bolt: Bolt, part: str) -> Iterator[Claim]:
    """No round hole: for a fail the bolt's axis runs into metal."""
    if finding.verdict is not Verdict.FAIL:
        holds = finding.verdict is not Verdict.PASS
        yield confirm("no figure", holds, f"{finding.verdict} without a hole")
        if holds:
            yield left_open("no round hole", "round walls are not searched for again")
        return
    body = scene.body(finding.vehicle, part)
    deep = bolt.entry.length if '" into "' in finding.subject else bolt.row.thread_diameter
    steps = np.arange(0.25, max(deep, 0.5), 0.5)
    solid = body.closed and any(body.holds(bolt.point(-step)) for step in steps.tolist())
    yield confirm("metal on its axis", solid, "by the winding number")


def _listed(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Holes without a bolt: each has a wall there, of a size of the bolts, and no bolt near."""
    details: Any = finding.details
    rows = details.get("holes")
    holds = finding.verdict is not Verdict.PASS
    if not rows:
        yield confirm("list", holds, f"{finding.verdict} without a hole")
        if holds:
            yield left_open("holes", "the finding names none")
        return
    part = finding.parts[0]
    body = scene.body(finding.vehicle, part)
    bolts = [
        one for one in scene.project.document.fasteners if one.part == part or one.into == part
    ]
    wrong = []
    for row in rows:
        at, axis = np.array(row["at"]), np.array(row["axis"])
        radius = 0.5 * float(row["diameter"])
        wall = wall_at(body, at, axis, -ALONG, 0.1, radius)
        if wall is None or wall.off(at) > 2.0 * wall.slack:
            wrong.append(f"{row['at']}: no round wall")
        elif abs(wall.radius - radius) > wall.slack:
            wrong.append(f"{row['at']}: {2.0 * wall.radius:.4f} mm wide")
        elif any(_on_axis(one, at, axis) for one in bolts):
            wrong.append(f"{row['at']}: a bolt is declared there")
    words = "; ".join(wrong[:3]) or f"{len(rows)} with a wall, and no bolt on its axis"
    yield confirm("holes without a bolt", not wrong, words)


def _on_axis(entry: FastenerEntry, at: FloatArray, axis: FloatArray) -> bool:
    """Whether a bolt's seat lies on a hole's axis, at its mouth."""
    line = View({}, at, axis, 0.0)
    x, y, height = (np.array(entry.at) - at) @ line.frame.T
    return math.hypot(x, y) < 0.5 and abs(height) < 3.0

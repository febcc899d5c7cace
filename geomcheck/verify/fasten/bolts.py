"""A bolt in its place, and its seat found anew: what all questions about bolts begin with."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.project.entries import FastenerEntry
from geomcheck.standards import Screw, clearance_hole, screw, washers
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.axis import View, pierced, view
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

#: What the project file does not say: looking begins so far above the seat, mm; the seat's
#: tolerance, mm; the least share of its ring that bears.
LIFT, TOLERANCE, SHARE = 0.3, 0.5, 0.6
#: The ring that is looked at: places on each of three circles.
PLACES, RINGS = 24, (0.25, 0.5, 0.75)
#: Ratios where a table has no figure: see the tables' own remarks.
HOLE, WASHER, BEARING, BEARING_HEXAGON = 1.12, 2.25, 0.9, 0.84
#: A seat that is said to stand off its facets by more than this is not believed, mm.
MOST_SAGITTA = 0.5


@dataclass(frozen=True, eq=False)
class Bolt:
    """A bolt of the project file as a finding speaks of it.

    Parameters
    ----------
    entry : FastenerEntry
    row : Screw
    at, axis : (3,) float
    table : mapping
        The check's table in the project file.
    height, start : float
        Highest metal under the head, and where looking begins above that, mm.
    near : float
        How near two routes agree on a point of the vehicle's parts, mm.
    """

    entry: FastenerEntry
    row: Screw
    at: FloatArray
    axis: FloatArray
    table: Mapping[str, Any]
    height: float
    start: float
    near: float

    @classmethod
    def of(cls, scene: Scene, finding: Finding) -> Bolt:
        """The bolt a finding is about.

        Raises
        ------
        NotRechecked
            It is not in the project file.
        """
        subject = finding.subject.split('" into "')[0].rstrip('"') + '"'
        for one in scene.project.document.fasteners:
            if one.vehicle in (None, finding.vehicle) and subject == f'bolt "{one.name}"':
                break
        else:
            raise NotRechecked("the bolt is not in the project file")
        table: Any = scene.project.document.check.get(finding.code, {})
        seat: Any = finding.details.get("seat") or {}
        height = float(seat.get("height") or 0.0)
        start = height + float(table.get("lift", LIFT)) + float(seat.get("sagitta") or 0.0)
        axis = np.array(one.axis, dtype=np.float64)
        axis /= np.linalg.norm(axis)
        row, at = screw(one.head, one.size), np.array(one.at)
        near = closeness(scene, finding.vehicle, *scene.names(finding.vehicle))
        return cls(one, row, at, axis, table, height, start, near)

    @property
    def top(self) -> float:
        """Top of the head above the seat, mm."""
        return self.entry.washer + self.row.head_height

    @property
    def rest(self) -> float:
        """Where a tool rests above the stated seat point, mm."""
        over = self.row.flange_edge or 0.0 if self.row.drive == "hexagon" else self.row.head_height
        return self.height + self.entry.washer + over

    @property
    def hole_radius(self) -> float:
        """Of the clearance hole, medium fit, mm."""
        try:
            return clearance_hole(self.row.size).diameter / 2.0
        except InputError:
            return HOLE * self.row.thread_diameter / 2.0

    @property
    def bearing_radius(self) -> float:
        """Within which the head surely bears, mm."""
        row = self.row
        if row.bearing_diameter is not None:
            return row.bearing_diameter / 2.0
        if row.drive == "hexagon" and row.flange_edge is None:
            return BEARING_HEXAGON * row.across_flats / 2.0
        return BEARING * row.head_diameter / 2.0

    @property
    def washer_radius(self) -> float:
        """Of the washer, mm; 0 without one."""
        if self.entry.washer <= 0.0:
            return 0.0
        known = {row.size: row.outside_diameter / 2.0 for row in washers()}
        return known.get(self.row.size, WASHER * self.row.thread_diameter / 2.0)

    def point(self, height: float) -> FloatArray:
        """The point of the axis at a height above the stated seat point."""
        found: FloatArray = self.at + height * self.axis
        return found

    def off(self, point: Any) -> tuple[float, float]:
        """Height above the stated seat point of a place, and its distance from the axis, mm."""
        away = np.array(point) - self.at
        height = float(away @ self.axis)
        return height, float(np.linalg.norm(away - height * self.axis))

    def view(self, scene: Scene, finding: Finding, radius: float) -> View:
        """What stands about the bolt's axis, parts that are out of the way left out."""
        return view(scene, finding.vehicle, self.at, self.axis, radius, keep=self.entry.part)


def seated(scene: Scene, finding: Finding, bolt: Bolt) -> Iterator[Claim]:
    """The seat: where the project file puts it, and the metal found there as it is told."""
    entry = bolt.entry
    seats = [witness.point for witness in finding.witnesses if witness.label == "seat"]
    if not seats:
        yield left_open("seat", "the finding shows none")
    else:
        off = float(np.linalg.norm(np.subtract(seats[-1], entry.at)))
        yield confirm("seat", off <= NEAR, f"{off:.6f} mm from the entry's point")
    told: Any = finding.details.get("seat")
    if told is None:
        yield left_open("metal under the head", "the finding does not tell of it")
        return
    state, share, height = _under(scene, finding, bolt)
    holds = state == told["state"] and abs(share - float(told["share"])) <= 0.03
    holds &= abs(height - float(told["height"])) <= bolt.near
    words = f"{state}, {100.0 * share:.0f} % of the ring, {height:.6f} mm high"
    yield confirm("metal under the head", holds, words)
    known = scene.entry(finding.vehicle, entry.part)[0].sagitta
    loose = float(told["sagitta"])
    if known is None:
        what = f"{loose:.3f} mm, estimated from the facets"
        if loose > MOST_SAGITTA:
            yield left_open("sagitta of the seat", what)
        return
    holds = abs(loose - (known if state == "seated" else 0.0)) <= 2e-6
    yield confirm("sagitta of the seat", holds, f"{loose:g} mm; the project says {known:g} mm")


def _under(scene: Scene, finding: Finding, bolt: Bolt) -> tuple[str, float, float]:
    """State, share and height of the metal under the head, by rays at places on a ring."""
    within = float(bolt.table.get("seat_tolerance", TOLERANCE))
    name = bolt.entry.part
    about = view(
        scene, finding.vehicle, bolt.at, bolt.axis, 1.5 * bolt.bearing_radius, names=[name]
    )
    tri = about.parts[name]
    facing = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])[:, 2]
    whole = about.bodies[name].closed
    inner = bolt.hole_radius
    outer = max(bolt.bearing_radius, inner)
    good, turned, hits, highest = 0, 0, 0, -np.inf
    for part in RINGS:
        for k in range(PLACES):
            angle, radius = 2.0 * math.pi * k / PLACES, inner + part * (outer - inner)
            met, height = pierced(tri, radius * math.cos(angle), radius * math.sin(angle))
            # A ray from above meets the highest surface first.
            rows = np.flatnonzero(met & (np.abs(height) <= within))
            if not len(rows):
                continue
            first = rows[np.argmax(height[rows])]
            hits += 1
            if facing[first] > 0.0 or not whole:
                good += 1
                highest = max(highest, float(height[first]))
            else:
                turned += 1
    count = PLACES * len(RINGS)
    wanted = float(bolt.table.get("seat_share", SHARE))
    if good / count >= wanted:
        return "seated", good / count, highest
    wrong = whole and hits / count >= wanted and turned > good
    return ("reversed" if wrong else "in the air"), good / count, 0.0


def limit(finding: Finding, wanted: float, unit: str = "mm") -> Iterator[Claim]:
    """The requirement is what the project file or a table asks, and a fail is outside of it."""
    need = finding.requirement
    if need is None:
        return
    holds = abs(need.limit - wanted) <= 2e-6 and need.unit == unit
    yield confirm("limit", holds, f"{need.limit:g} {need.unit}; asked is {wanted:g} {unit}")
    quantity = finding.quantity
    if finding.verdict is Verdict.FAIL and quantity is not None:
        outside = quantity.high < wanted if need.sense == "at least" else quantity.low > wanted
        words = f"{quantity.low:.6g} to {quantity.high:.6g} {quantity.unit}"
        yield confirm("all of the interval fails", outside, words)


def within_sagitta(finding: Finding, bolt: Bolt, least: float) -> Claim:
    """The lower end is no higher than what the declared sagittas leave."""
    assert finding.quantity is not None
    low = finding.quantity.low
    words = f"{low:.6f} mm; with the sagittas declared {least:.6f} mm"
    return confirm("lower end", low <= least + bolt.near, words)


def met(scene: Scene, finding: Finding) -> Witness | None:
    """The first witness, if it is a place on a part and not the seat."""
    first = finding.witnesses[0] if finding.witnesses else None
    return None if first is None or first.label == "seat" else first


def witness_on(
    scene: Scene, finding: Finding, bolt: Bolt, witness: Witness, *, inside: bool
) -> Claim:
    """That a witness lies on its part, or in its material."""
    body = scene.body(finding.vehicle, witness.part)
    if not inside:
        return on_part(witness, body.triangles, near=bolt.near)
    held = body.closed and body.holds(np.array(witness.point))
    return confirm(f"witness in {witness.part}", held, "by the winding number")

"""Re-check of ports in joints: sections of both parts just behind the faces that meet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import MateEntry, PortJointEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.area import same_limit
from geomcheck.verify.flow.faces import CRACK, Sheet, sheets_of, sky
from geomcheck.verify.flow.section import flattened
from geomcheck.verify.plain.simple import FloatArray, axis_frame
from geomcheck.verify.scene import NotRechecked, Scene

#: Edges are looked at in steps of this, mm.
STEP = 0.02
#: A point on a step found by small steps may miss the greatest by this, mm.
CLOSE = 0.005


def ports(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``fit-ports`` says of a port."""
    entry = _entry(scene, finding)
    mate = _mate(scene, finding, entry)
    normal = np.array(mate.normal, dtype=np.float64)
    normal /= np.linalg.norm(normal)
    quantity = finding.quantity
    sheets = sheets_of(scene, finding, mate, normal, entry)
    if quantity is None:
        yield _no_opening(finding, mate, sheets)
        return
    told = [float(area) for area in finding.details["area"]]
    how = "cut just behind the faces"
    if not _alike(sheets, told):
        # What reaches beyond a face is metal in the cut and no part of the face.
        flat = sheets_of(scene, finding, mate, normal, entry, flat=True)
        if _alike(flat, told):
            sheets, how = flat, "of the facets in the faces"
    areas = [0.0 if one is None or one.opening is None else one.opening.area for one in sheets]
    words = f"{areas[0]:.3f} and {areas[1]:.3f} mm2 {how}, told {told[0]:.3f} and {told[1]:.3f}"
    yield confirm("areas of the openings", _alike(sheets, told), words)
    if not _alike(sheets, told):
        return
    there = [sheet for sheet in sheets if sheet is not None]
    frame = axis_frame(normal)
    if quantity.name == "land":
        yield from same_limit(finding, entry.land)
        yield from _land(finding, there, frame, np.array(mate.at), np.array(entry.at))
        return
    widens = finding.subject.endswith(": widening")
    yield from same_limit(finding, entry.step if widens else entry.overhang)
    yield from _step(finding, entry, mate, there, widens, frame)


def _entry(scene: Scene, finding: Finding) -> PortJointEntry:
    for one in scene.project.document.port_joints:
        here = one.vehicle in (None, finding.vehicle)
        if here and finding.subject.startswith(f'port "{one.name}"'):
            return one
    raise NotRechecked("the port is not in the project file")


def _mate(scene: Scene, finding: Finding, entry: PortJointEntry) -> MateEntry:
    for one in scene.project.document.mates:
        if one.vehicle in (None, finding.vehicle) and one.name == entry.mate:
            return one
    raise NotRechecked("the mate of the port is not in the project file")


def _alike(sheets: list[Sheet | None], told: list[float]) -> bool:
    """Whether both openings have the areas told."""
    for sheet, area in zip(sheets, told, strict=True):
        if sheet is None or sheet.opening is None:
            return False
        if abs(sheet.opening.area - area) > 2e-4 * area:
            return False
    return True


def _no_opening(finding: Finding, mate: MateEntry, sheets: list[Sheet | None]) -> Claim:
    """A port that has metal across it or is open to the side."""
    if finding.verdict is Verdict.FAIL:
        gone = [
            name
            for name, sheet in zip(mate.parts, sheets, strict=True)
            if sheet is not None and sheet.opening is None
        ]
        if not gone and all(sheet is not None for sheet in sheets):
            covered = [sheet.covered for sheet in sheets if sheet is not None]
            gone = ["the joint"] if covered[0].intersection(covered[1]).is_empty else gone
        words = f"none that closes in {' and '.join(gone)}" if gone else "both have one"
        return confirm("no opening", bool(gone), words)
    return left_open("port", "its faces were not found, so it has no number")


def _farthest(covered: BaseGeometry, other: BaseGeometry) -> tuple[float, FloatArray]:
    """Greatest distance of a point of one opening from the other, by small steps, and where."""
    outside = covered.difference(other)
    if outside.is_empty:
        return 0.0, np.zeros(2)
    best, where = 0.0, np.zeros(2)
    for part in shapely.get_parts(shapely.segmentize(outside, STEP)):
        points = shapely.get_coordinates(part)
        away = shapely.distance(shapely.points(points), other)
        k = int(np.argmax(away)) if len(points) else 0
        if len(points) and away[k] > best:
            best, where = float(away[k]), points[k]
    # Over a post of the other part the farthest place is within, not on an edge.
    for ring in shapely.get_rings(other):
        post = shapely.Polygon(ring).intersection(outside)
        if post.area > CRACK and not shapely.Polygon(ring).equals(shapely.Polygon(_shell(other))):
            circle = shapely.maximum_inscribed_circle(post, STEP)
            if circle.length > best:
                best, where = float(circle.length), shapely.get_coordinates(circle)[0]
    return best, where


def _shell(shape: BaseGeometry) -> BaseGeometry:
    rings: BaseGeometry = max(shapely.get_parts(shape), key=lambda part: part.area).exterior
    return rings


def _step(
    finding: Finding,
    entry: PortJointEntry,
    mate: MateEntry,
    sheets: list[Sheet],
    widens: bool,
    frame: FloatArray,
) -> Iterator[Claim]:
    """The greatest step of an edge: into the flow, or away from it where the port widens."""
    quantity = finding.quantity
    assert quantity is not None
    first, second = (sheet.opening for sheet in sheets)
    assert first is not None
    assert second is not None
    # By the way of the flow: the opening upstream, the opening downstream.
    ways = {
        "first to second": [(first, second)],
        "second to first": [(second, first)],
        "both": [(first, second), (second, first)],
    }[entry.flow]
    pairs = [(down, up) if widens else (up, down) for up, down in ways]
    found = [_farthest(*pair) for pair in pairs]
    k = max(range(len(found)), key=lambda n: found[n][0])
    size = found[k][0]
    holds = abs(size - quantity.value) <= CLOSE + STEP * STEP
    yield confirm(
        "step", holds, f"{size:.4f} mm in steps of {STEP:g} mm, told {quantity.value:.4f}"
    )
    covered = [float(a.difference(b).area) for a, b in pairs]
    told = float(finding.details["covered"])
    holds = any(abs(area - told) <= 2e-4 * first.area + 0.01 for area in covered)
    yield confirm("area covered", holds, f"{covered[k]:.3f} mm2, told {told:.3f} mm2")
    at = flattened(np.array(finding.witnesses[0].point), np.array(mate.at), frame)
    place = shapely.Point(at)
    beyond = min(abs(float(place.distance(b)) - quantity.value) for _, b in pairs)
    on_edge = min(float(place.distance(a.boundary)) for a, _ in pairs)
    inside = any(a.intersects(place) for a, _ in pairs)
    words = f"{on_edge:.4f} mm from the edge, {beyond:.4f} mm from the step told"
    yield confirm("place", beyond <= CLOSE and (on_edge <= CLOSE or inside), words)
    if size > CLOSE:
        way = np.array(finding.details["outward"], dtype=np.float64)
        foot = at - quantity.value * (frame @ way)
        off = min(float(shapely.Point(foot).distance(b.boundary)) for _, b in pairs)
        yield confirm("way back", off <= 2.0 * CLOSE, f"{off:.4f} mm from the other edge")


def _land(
    finding: Finding, sheets: list[Sheet], frame: FloatArray, at: FloatArray, port: FloatArray
) -> Iterator[Claim]:
    """The least width of what both faces have in common, round the opening."""
    quantity = finding.quantity
    assert quantity is not None
    common = sheets[0].covered.intersection(sheets[1].covered)
    place = flattened(port, at, frame)
    around, parts = sky(common, place)
    here = next((part for part in parts if part.intersects(shapely.Point(place))), None)
    if here is None or here.intersects(around.exterior):
        yield confirm("land", False, "no face that both have runs all round the port")
        return
    others = shapely.union_all([part for part in parts if part is not here])
    land = float(here.distance(others))
    holds = abs(land - quantity.value) <= CLOSE
    yield confirm("land", holds, f"{land:.4f} mm against {quantity.value:.4f} mm")
    ends = [flattened(np.array(one.point), at, frame) for one in finding.witnesses]
    off = (
        float(here.distance(shapely.Point(ends[0]))),
        float(others.distance(shapely.Point(ends[1]))),
    )
    apart = float(np.linalg.norm(ends[1] - ends[0]))
    words = f"{off[0]:.4f} and {off[1]:.4f} mm from the edges, {apart:.4f} mm apart"
    holds = max(off) <= CLOSE and abs(apart - quantity.value) <= CLOSE
    yield confirm("ends of the land", holds, words)

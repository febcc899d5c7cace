"""Re-check of faces that are meant to touch: found, fitted and laid over each other anew."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.project.entries import MateEntry
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.fit.face import Joint, find_joint
from geomcheck.verify.fit.mated import PARALLEL
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import closeness

#: Two fits of a plane to the same corners agree to this, mm, and to this, degrees.
LEVEL, TILT = 1e-4, 2e-3
#: Two footprints agree to this share, and this much, mm2.
SHARE, AREA = 2e-3, 0.5
#: How the subject of a finding on the area in common ends.
AREA_OF = ", area"


def mate(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Mating faces: where they lie, how far apart and how far out of parallel."""
    entry = _entry(scene, finding)
    if finding.subject.endswith(AREA_OF):
        yield from _area(scene, finding, entry)
        return
    need = finding.requirement
    if need is not None:
        holds = need.limit == entry.tolerance and need.sense == "at most"
        words = f"{need.limit:g} mm; the project says {entry.tolerance:g} mm"
        yield confirm("limit", holds, words)
    yield confirm("parts", finding.parts == entry.parts, " and ".join(finding.parts))
    bodies = [scene.body(finding.vehicle, name) for name in entry.parts]
    level = LEVEL + closeness(scene, finding.vehicle, *entry.parts)
    joint = find_joint(bodies[0], bodies[1], entry)
    if finding.quantity is None:
        missing = isinstance(joint, str)
        words = f"none of {joint} at its place" if missing else "both are there"
        yield confirm("a face is missing", missing, words)
        if isinstance(joint, str) and finding.verdict is Verdict.FAIL:
            sound = scene.body(finding.vehicle, joint).edges.closed
            yield confirm("its mesh is closed", sound, joint)
        return
    if isinstance(joint, str):
        yield confirm("faces", False, f"no flat face of {joint} at the declared point")
        return
    yield from _places(finding, joint, level)
    told = finding.details
    distance, departure = float(told["distance"]), finding.quantity.value
    yield confirm(
        "distance",
        abs(joint.distance - distance) <= level,
        f"{joint.distance:.6f} mm against {distance:.6f} mm",
    )
    yield confirm(
        "departure",
        abs(joint.departure - departure) <= level,
        f"{joint.departure:.6f} mm off the gasket's thickness against {departure:.6f} mm",
    )
    gasket = float(told["gasket"])
    yield confirm("gasket", gasket == entry.gasket, f"{gasket:g} mm, {entry.gasket:g} mm asked for")
    angle = float(told["angle"])
    off = abs(joint.angle - angle)
    yield confirm("angle", off <= TILT, f"{joint.angle:.4f} degrees against {angle:.4f}")
    area, size = float(joint.footprint.area), float(told["footprint"])
    yield confirm(
        "footprint",
        abs(area - size) <= SHARE * size + AREA,
        f"{area:.2f} mm2 against {size:.2f} mm2",
    )
    for name, face in zip(entry.parts, (joint.first, joint.second), strict=True):
        uneven = float(told["unevenness"][name])
        words = f"{face.uneven:.6f} mm against {uneven:.6f} mm"
        yield confirm(f"unevenness of {name}", abs(face.uneven - uneven) <= level, words)
    yield from _verdict(finding, joint, entry)


def _area(scene: Scene, finding: Finding, entry: MateEntry) -> Iterator[Claim]:
    """The area two faces have in common, and whether it is what the project asks for."""
    need, quantity = finding.requirement, finding.quantity
    asked = need is not None and need.limit == entry.area and need.sense == "at least"
    yield confirm("limit", asked, f"the project says {entry.area} mm2")
    yield confirm("parts", finding.parts == entry.parts, " and ".join(finding.parts))
    bodies = [scene.body(finding.vehicle, name) for name in entry.parts]
    joint = find_joint(bodies[0], bodies[1], entry)
    if isinstance(joint, str) or quantity is None or need is None:
        yield confirm("faces", False, "two faces and their area")
        return
    yield from _places(finding, joint, LEVEL + closeness(scene, finding.vehicle, *entry.parts))
    area, slack = float(joint.footprint.area), SHARE * quantity.value + AREA
    words = f"{area:.2f} mm2 against {quantity.value:.2f} mm2"
    yield confirm("area", abs(area - quantity.value) <= slack, words)
    if finding.verdict is Verdict.PASS:
        yield confirm("enough", area >= need.limit - slack, f"{need.limit:g} mm2 asked for")
    elif finding.verdict is Verdict.FAIL:
        yield confirm("wanting", area < need.limit + slack, f"{need.limit:g} mm2 asked for")


def _verdict(finding: Finding, joint: Joint, entry: MateEntry) -> Iterator[Claim]:
    """That the verdict is the one these figures come to, beyond the interval of the departure."""
    over, parallel = joint.footprint.area > 0.0, joint.angle <= PARALLEL + TILT
    if finding.verdict is Verdict.PASS:
        words = f"{joint.footprint.area:.1f} mm2 in common, {joint.angle:.3f} degrees"
        yield confirm("opposite and parallel", bool(over and parallel), words)
    elif finding.verdict is Verdict.FAIL:
        departs = joint.departure > entry.tolerance - LEVEL
        tilted = joint.angle > PARALLEL - TILT
        words = f"{joint.departure:.4f} mm off, {joint.angle:.3f} degrees"
        yield confirm("reason to fail", bool(departs or tilted or not over), words)


def _places(finding: Finding, joint: Joint, level: float) -> Iterator[Claim]:
    """That the witnesses lie in the two faces, in the middle of what they have in common."""
    for witness, face in zip(finding.witnesses, (joint.first, joint.second), strict=False):
        off = abs(float(np.array(witness.point) @ face.normal) - face.offset)
        words = f"{off:.6f} mm off its plane"
        yield confirm(f"witness in the face of {witness.part}", off <= level, words)
    place = joint.footprint if joint.footprint.area > 0.0 else shapely.Point(0.0, 0.0)
    middle = shapely.get_coordinates(shapely.centroid(place))[0]
    away = [
        float(np.linalg.norm((np.array(witness.point) - joint.origin) @ joint.frame.T - middle))
        for witness in finding.witnesses
    ]
    near = len(away) == 2 and max(away) <= 0.05 + level
    yield confirm("in the middle", near, ", ".join(f"{x:.4f} mm off it" for x in away))


def _entry(scene: Scene, finding: Finding) -> MateEntry:
    for one in scene.project.document.mates:
        subjects = (f'mate "{one.name}"', f'mate "{one.name}"{AREA_OF}')
        if one.vehicle in (None, finding.vehicle) and finding.subject in subjects:
            return one
    raise NotRechecked("the mate is not in the project file")

"""Re-check of gaps, overlaps, mates, movements and zones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.figures import limit_of_gap
from geomcheck.verify.gap import gap
from geomcheck.verify.gap import pair as _gap_pair
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.simple import FloatArray, distance_to, winding
from geomcheck.verify.witness import NEAR, on_part

__all__ = ["NEAR", "gap", "mate", "movement", "on_part", "trim", "zone"]


def zone(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """The worst place of a zone; its area is not worked out again."""
    zones: Any = finding.details.get("zones")
    if len(finding.witnesses) == 2 and zones:
        yield from _gap_pair(scene, finding, float(zones[0]["least_gap"]), "")
    if finding.quantity is not None and finding.verdict is Verdict.FAIL:
        # That any of the surface is too near makes it fail: the worst place shows it.
        yield left_open("area", f"{finding.quantity.value:.2f} {finding.quantity.unit}")
    else:
        yield left_open("zones", "no number to re-check")


def trim(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Depth of a cut: the required gap less the gap at the worst place."""
    if finding.quantity is None or len(finding.witnesses) != 2:
        yield left_open("trim", "it sums up other findings")
        return
    meshes = [scene.triangles(finding.vehicle, w.part) for w in finding.witnesses]
    points = [np.array(witness.point) for witness in finding.witnesses]
    for witness, mesh in zip(finding.witnesses, meshes, strict=True):
        yield on_part(witness, mesh)
    turned = Finding(
        "fit-gap",
        finding.verdict,
        finding.vehicle,
        "",
        tuple(w.part for w in finding.witnesses[::-1]),
        "",
    )
    limit = limit_of_gap(scene.project, turned)
    apart = float(np.linalg.norm(points[0] - points[1]))
    deep = max(abs(winding(points[0], meshes[1])), abs(winding(points[1], meshes[0]))) > 0.75
    if limit is None:
        yield left_open("depth of cut", "the required gap was not found")
        return
    cut = limit + apart if deep else limit - apart
    value = finding.quantity.value
    yield confirm("depth of cut", abs(cut - value) <= NEAR, f"{cut:.6f} mm against {value:.6f} mm")
    if finding.verdict is Verdict.PASS:
        yield left_open("nothing nearer", "see fit-gap of the pair")


def mate(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Mating faces: facets in the plane through each point, and the planes' distance."""
    entry = next(
        (one for one in scene.project.document.mates if f'mate "{one.name}"' == finding.subject),
        None,
    )
    if entry is None or finding.quantity is None or len(finding.witnesses) != 2:
        yield left_open("mate", "the finding has no value, or the entry is not there")
        return
    normal = np.array(entry.normal) / np.linalg.norm(entry.normal)
    heights = []
    for witness, sign in zip(finding.witnesses, (1.0, -1.0), strict=True):
        mesh = scene.triangles(finding.vehicle, witness.part)
        point = np.array(witness.point)
        facing = np.cross(mesh[:, 1] - mesh[:, 0], mesh[:, 2] - mesh[:, 0])
        size = np.linalg.norm(facing, axis=1)
        square = (facing @ normal) * sign > 0.999 * size
        off = np.abs((mesh - point) @ normal).max(axis=1)
        area = 0.5 * float(size[square & (off < 0.01)].sum())
        yield confirm(f"face of {witness.part}", area > 0.0, f"{area:.1f} mm2 in its plane")
        heights.append(float(point @ normal))
    apart = heights[1] - heights[0]
    told = float(finding.details["distance"])
    yield confirm(
        "distance", abs(apart - told) <= 2 * NEAR, f"{apart:.6f} mm against {told:.6f} mm"
    )
    departure = abs(apart - entry.gasket)
    value = finding.quantity.value
    if abs(departure - abs(value)) <= 2 * NEAR:
        yield confirm("departure", True, f"{departure:.6f} mm")
    else:
        # A tilted or uneven face departs by more than its middle does.
        holds = departure <= abs(value) + 2 * NEAR
        yield (
            left_open("departure", "more than at the middle: tilt or unevenness")
            if holds
            else confirm("departure", False, f"{departure:.6f} mm against {value:.6f} mm")
        )


def movement(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """The worst pose: its witnesses and value; that no other pose is worse is left open."""
    if finding.quantity is None or len(finding.witnesses) != 3:
        yield left_open("movement", "the finding has no value, or not three witnesses")
        return
    rest, moved, still = finding.witnesses
    maps: Any = finding.details.get("maps", {})
    matrix = {
        name: np.array(maps.get(name, np.eye(4)), dtype=np.float64)
        for name in (rest.part, still.part)
    }
    for name, one in matrix.items():
        if not _close_to_rigid(one):
            raise NotRechecked(f"{name} changes its size")
    meshes = []
    for name in (moved.part, still.part):
        mesh = scene.triangles(finding.vehicle, name)
        meshes.append(mesh @ matrix[name][:3, :3].T + matrix[name][:3, 3])
    yield on_part(rest, scene.triangles(finding.vehicle, rest.part))
    # A pose is written to a millionth as well: far from the origin that is more than for a point.
    reach = max(float(np.abs(mesh).max()) for mesh in meshes)
    slack = NEAR + 3e-6 * reach
    for witness, mesh in zip((moved, still), meshes, strict=True):
        off = distance_to(np.array(witness.point), mesh)
        yield confirm(f"witness on {witness.part}, in that pose", off <= slack, f"{off:.6f} mm off")
    apart = float(np.linalg.norm(np.subtract(moved.point, still.point)))
    value = finding.quantity.value
    yield confirm("value in that pose", abs(apart - abs(value)) <= NEAR, f"{apart:.6f} mm")
    if value < -NEAR:
        turns = [
            winding(np.array(moved.point), meshes[1]),
            winding(np.array(still.point), meshes[0]),
        ]
        yield confirm("inside", max(map(abs, turns)) > 0.75, f"winding numbers {turns}")
    if finding.verdict is Verdict.PASS:
        yield left_open("no worse pose", "poses are not searched again")


def _close_to_rigid(matrix: FloatArray) -> bool:
    turn = matrix[:3, :3]
    return bool(np.abs(turn @ turn.T - np.eye(3)).max() < 1e-5)

"""Re-check of gaps, overlaps, mates, movements and zones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.gap import gap
from geomcheck.verify.mate import mate
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.simple import FloatArray, distance_to, winding
from geomcheck.verify.trim import trim
from geomcheck.verify.witness import NEAR, on_part
from geomcheck.verify.zones import zone

__all__ = ["NEAR", "gap", "mate", "movement", "on_part", "trim", "zone"]


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

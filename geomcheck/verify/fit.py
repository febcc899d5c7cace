"""Re-check of gaps, overlaps, mates, movements and zones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.figures import limit_of_gap
from geomcheck.verify.near import nearest_below
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.simple import FloatArray, distance_to, winding

#: Points and values are written to a millionth of a mm; this is far above that and below any use.
NEAR = 2e-5
#: Pairs of triangles measured one by one for one finding, at most.
PAIRS = 400_000


def gap(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A gap between two parts: its witnesses, its value, and that nothing is nearer."""
    limit = limit_of_gap(scene.project, finding)
    need = finding.requirement
    if need is not None:
        asked = "nothing" if limit is None else f"{limit:g} mm"
        yield confirm("limit", limit == need.limit, f"{need.limit:g} mm; the project says {asked}")
    if finding.quantity is None or len(finding.witnesses) != 2:
        yield left_open("gap", "the finding has no value and no two witnesses")
        return
    meshes = [scene.triangles(finding.vehicle, witness.part) for witness in finding.witnesses]
    yield from _pair(finding, meshes, finding.quantity.value, str(finding.details.get("state", "")))
    if finding.quantity.value <= 0.0 or finding.verdict is not Verdict.PASS:
        # Two points that near are proof enough of a gap that is no larger.
        return
    if finding.details.get("mates"):
        yield left_open(
            "nothing nearer", "mating faces are left out; which, is not worked out here"
        )
        return
    yield _nothing_nearer(meshes, finding.quantity.value)


def _nothing_nearer(meshes: list[FloatArray], value: float) -> Claim:
    least, complete = nearest_below(meshes[0], meshes[1], value - NEAR, PAIRS)
    what = "nothing nearer"
    if least is not None:
        return confirm(what, False, f"found {least:.6f} mm, less than {value:.6f} mm")
    if not complete:
        return left_open(what, f"more than {PAIRS} pairs of triangles may be nearer")
    return confirm(what, True, "all pairs of triangles")


def _pair(finding: Finding, meshes: list[FloatArray], value: float, state: str) -> Iterator[Claim]:
    """Witnesses on their parts, and the value between them."""
    a, b = (np.array(witness.point) for witness in finding.witnesses[-2:])
    for point, witness, mesh in zip((a, b), finding.witnesses[-2:], meshes, strict=True):
        yield on_part(witness, mesh, point)
    apart = float(np.linalg.norm(a - b))
    if value > 0.0 or state in ("apart", "touching"):
        yield confirm(
            "distance of the witnesses",
            abs(apart - max(value, 0.0)) <= NEAR or (state == "touching" and apart < 1e-3),
            f"{apart:.6f} mm against {value:.6f} mm",
        )
        return
    yield confirm("depth", abs(apart + value) <= NEAR, f"{apart:.6f} mm against {-value:.6f} mm")
    # The deepest point of one lies inside the other; a point on a surface has no side.
    turns = (winding(a, meshes[1]), winding(b, meshes[0]))
    yield confirm(
        "inside",
        max(abs(turn) for turn in turns) > 0.75,
        f"winding numbers {turns[0]:.3f} and {turns[1]:.3f}",
    )


def on_part(witness: Witness, mesh: FloatArray, point: FloatArray | None = None) -> Claim:
    """The claim that a witness lies on its part."""
    off = distance_to(np.array(witness.point) if point is None else point, mesh)
    return confirm(f"witness on {witness.part}", off <= NEAR, f"{off:.6f} mm off it")


def zone(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """The worst place of a zone; its area is not worked out again."""
    zones: Any = finding.details.get("zones")
    if len(finding.witnesses) == 2 and zones:
        meshes = [scene.triangles(finding.vehicle, w.part) for w in finding.witnesses]
        yield from _pair(finding, meshes, float(zones[0]["least_gap"]), "")
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

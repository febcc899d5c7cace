"""Re-check of places that are too near: their area, their number, the worst of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit.area import SIZE, Patches, patches
from geomcheck.verify.fit.gap import PAIRS, no_deeper, pair
from geomcheck.verify.fit.mated import left_out, mates_of, nearest_beside
from geomcheck.verify.limits import limit_of_gap
from geomcheck.verify.plain.simple import FloatArray, distance_to, to_triangles
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

#: Areas of two routes may differ by this share beside the rims, and by this much, mm2.
SHARE, AREA = 1e-3, 0.02


def zone(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Places of the first part that are nearer to the second than required."""
    limit = limit_of_gap(scene.project, finding)
    zones: Sequence[Mapping[str, Any]] = finding.details.get("zones") or []
    if limit is None:
        yield confirm("limit", False, "the project asks for no gap between these parts")
        return
    asked = {float(row["required"]) for row in zones} or {limit}
    yield confirm("limit", asked == {limit}, f"the project says {limit:g} mm")
    need = finding.requirement
    if need is not None:
        yield confirm("area allowed", need.limit == 0.0, f"{need.limit:g} mm2, 0 allowed")
    first, second = finding.parts
    a, b = (scene.body(finding.vehicle, name) for name in (first, second))
    names = mates_of(scene, finding.vehicle, (first, second))
    regions, _ = left_out(scene, finding.vehicle, (first, second), names, limit)
    found = patches(a, b, limit, regions, inside=overlapping(scene, finding))
    if finding.quantity is not None:
        yield area_claim("area", found, finding.quantity.value)
    if not zones:
        near = closeness(scene, finding.vehicle, first, second)
        clear = found.most <= AREA
        if not clear and found.least <= AREA:
            # Faces at the gap itself are all rim; the least distance tells.
            nearer, complete = nearest_beside(a, b, regions, limit - near, PAIRS)
            clear = nearer is None and complete
        yield confirm("no place within the gap", clear, f"{found.least:.2f} mm2 by pieces")
        yield from _deep(scene, finding)
        return
    if len(finding.witnesses) != 2:
        yield confirm("witnesses", False, "two at the worst place are wanted")
        return
    least = float(zones[0]["least_gap"])
    # Parts that touch have no inside to be asked of; one that overlaps deeper is found below.
    yield from pair(scene, finding, least, "touching" if least == 0.0 else "")
    if least > 0.0:
        near = closeness(scene, finding.vehicle, first, second)
        nearer, complete = nearest_beside(a, b, regions, min(least, limit) - near, PAIRS)
        if nearer is not None or complete:
            words = "than the worst place" if nearer is None else f"found {nearer:.6f} mm"
            yield confirm("nothing nearer", nearer is None, words)
        else:
            yield left_open("nothing nearer", f"more than {PAIRS} pairs of triangles")
    elif not regions:
        yield from no_deeper([a, b], finding.parts, -least)
    yield from _one_by_one(finding, zones, found, a.triangles, limit)


def overlapping(scene: Scene, finding: Finding) -> bool:
    """Whether two parts overlap, as the finding on their gap says; that is re-checked there."""
    for other in scene.findings:
        same = other.vehicle == finding.vehicle and set(other.parts) == set(finding.parts)
        if other.code == "fit-gap" and same and other.quantity is not None:
            state = str(other.details.get("state", ""))
            return other.quantity.value < 0.0 or state not in ("apart", "touching")
    zones: Any = finding.details.get("zones") or []
    return any(float(row["least_gap"]) < 0.0 for row in zones)


def area_claim(what: str, found: Patches, value: float) -> Claim:
    """The claim that an area agrees with what was found, within what lies across the rims."""
    slack = SHARE * value + AREA
    words = f"{value:.2f} mm2; {found.least:.2f} to {found.most:.2f} mm2 by pieces"
    return confirm(what, found.least - slack <= value <= found.most + slack, words)


def _deep(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """That one part lies in the other with no wall of the first near its surface."""
    bodies = [scene.body(finding.vehicle, name) for name in finding.parts]
    held = 0
    for inner, outer in (bodies, bodies[::-1]):
        if outer.closed:
            held += sum(outer.holds(point) for point in inner.pieces)
    words = f"{held} pieces of one in the material of the other"
    yield confirm("one inside the other", (held > 0) == (finding.verdict is Verdict.FAIL), words)
    near = closeness(scene, finding.vehicle, *finding.parts)
    for witness in finding.witnesses:
        mesh = scene.triangles(finding.vehicle, witness.part)
        yield on_part(witness, mesh, near=near)
    if not finding.witnesses and finding.verdict is not Verdict.PASS:
        yield confirm("witnesses", False, "two are wanted")


def _one_by_one(
    finding: Finding,
    zones: Sequence[Mapping[str, Any]],
    found: Patches,
    mesh: FloatArray,
    limit: float,
) -> Iterator[Claim]:
    """Each place on the part, under its limit; the number of patches; the area of each."""
    places = np.array([row["place"] for row in zones], dtype=np.float64)
    off = max(distance_to(place, mesh) for place in places)
    yield confirm("places on the part", off <= 10 * NEAR, f"{off:.6f} mm off it, at most")
    depths = [abs(max(0.0, limit - row["least_gap"]) - row["depth"]) for row in zones]
    yield confirm("depths", max(depths) <= NEAR, f"{max(depths):.6f} mm off, at most")
    order = [float(row["least_gap"]) for row in zones]
    yield confirm("the worst first", order == sorted(order), ", ".join(f"{x:.3f}" for x in order))
    if not bool(zones[0]["certain"]):
        # Between the meshes none is too near; what facets and tolerances leave open is an
        # interval's matter.
        yield confirm("not between the meshes", found.least <= AREA, f"{found.least:.2f} mm2")
        return
    told = len(zones) + int(finding.details.get("smaller", 0))
    loose, tight = _counts(found)
    words = f"{told} told, {loose} to {tight} by pieces"
    yield confirm("number of places", loose <= told <= tight, words)
    label = found.joined(0.0)
    rows = [np.broadcast_to(place, (len(found.pieces), 3)) for place in places]
    away = np.array([to_triangles(row, found.pieces) for row in rows])
    off = float(away.min(axis=1).max())
    yield confirm("places in them", off <= 10 * NEAR, f"{off:.6f} mm from them, at most")
    owner = [int(number) for number in label[away.argmin(axis=1)]]
    if len(set(owner)) < len(owner) or loose != tight:
        return
    for row, number in zip(zones, owner, strict=True):
        mine = label == number
        part = Patches(found.pieces[mine], found.area[mine], found.sure[mine])
        place = ", ".join(f"{x:.2f}" for x in row["place"])
        yield area_claim(f"area at ({place})", part, float(row["area"]))


def _counts(found: Patches) -> tuple[int, int]:
    """Fewest and most patches: all within a piece's size joined; only what surely is, joined."""
    if not len(found.pieces):
        return 0, 0
    loose = found.joined(2.0 * SIZE)
    fewest = len(np.unique(loose[found.sure]))
    sure = Patches(found.pieces[found.sure], found.area[found.sure], found.sure[found.sure])
    tight = found.joined(0.0)
    lone = set(np.unique(tight).tolist()) - set(tight[found.sure].tolist())
    most = (int(sure.joined(0.0).max()) + 1 if len(sure.pieces) else 0) + len(lone)
    return fewest, max(most, fewest)

"""Re-check of how deep a neighbour has to be cut, and of what a vehicle needs as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.asked import Asked, gaps
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit.area import Patches, patches
from geomcheck.verify.fit.gap import PAIRS, no_deeper
from geomcheck.verify.fit.mated import left_out, mates_of, nearest_beside
from geomcheck.verify.fit.zones import area_claim, overlapping
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR, closeness, on_part

WHOLE = "modification of the vehicle"


def trim(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A neighbour's cut, or the sum of them all."""
    if finding.subject == WHOLE:
        yield from _summary(scene, finding)
        return
    name = finding.parts[-1]
    entry, _ = scene.entry(finding.vehicle, name)
    allowed, need = finding.details["allowed"], finding.requirement
    yield confirm("allowed", allowed == entry.trim, f"{allowed}; the project says {entry.trim}")
    if need is not None:
        yield confirm("limit", need.limit == entry.trim, f"{need.limit:g} mm")
    elif isinstance(entry.trim, float) and finding.quantity is not None:
        yield confirm("limit", False, f"a depth of {entry.trim:g} mm is allowed, and not held")
    asked = [one for one in gaps(scene.project, finding.vehicle) if one.other == name]
    if finding.quantity is None or len(finding.witnesses) != 2:
        sound = finding.verdict is not Verdict.PASS
        yield (
            left_open("depth of cut", "there is no value to re-check")
            if sound
            else confirm("depth of cut", False, "a pass without a value")
        )
        return
    yield from _worst(scene, finding, asked, finding.quantity.value)
    for one in asked:
        yield from _enough(scene, finding, one, finding.quantity.value)


def _worst(scene: Scene, finding: Finding, asked: Sequence[Asked], value: float) -> Iterator[Claim]:
    """The depth at the two witnesses: the required gap less the gap, or and the overlap."""
    points = [np.array(witness.point) for witness in finding.witnesses]
    bodies = [scene.body(finding.vehicle, witness.part) for witness in finding.witnesses]
    near = closeness(scene, finding.vehicle, *(w.part for w in finding.witnesses))
    for witness, body in zip(finding.witnesses, bodies, strict=True):
        yield on_part(witness, body.triangles, near=near)
    other = finding.witnesses[1].part
    limit = next((one.limit for one in asked if one.ours == other), None)
    if limit is None:
        yield confirm("depth of cut", False, f"no gap to {other} is asked for")
        return
    apart = float(np.linalg.norm(points[0] - points[1]))
    deep = any(
        solid.closed and solid.holds(point)
        for solid, point in zip(bodies[::-1], points, strict=True)
    )
    cut = limit + apart if deep and apart > NEAR else limit - apart
    words = f"{cut:.6f} mm against {value:.6f} mm"
    yield confirm("depth of cut", abs(cut - value) <= NEAR, words)


def _enough(scene: Scene, finding: Finding, one: Asked, value: float) -> Iterator[Claim]:
    """That no other place of this pair needs a deeper cut; and the area of it."""
    pair = (one.ours, one.other)
    bodies = [scene.body(finding.vehicle, name) for name in pair]
    limit = 0.0 if one.limit is None else one.limit
    names = mates_of(scene, finding.vehicle, pair)
    regions, _ = left_out(scene, finding.vehicle, pair, names, limit)
    left = limit - value - closeness(scene, finding.vehicle, *pair)
    what = f"no deeper cut for {one.ours}"
    if left > 0.0:
        least, complete = nearest_beside(bodies[0], bodies[1], regions, left, PAIRS)
        if least is None and not complete:
            yield left_open(what, f"more than {PAIRS} pairs of triangles may be nearer")
        else:
            words = f"no nearer than {left:.4f} mm" if least is None else f"{least:.6f} mm"
            yield confirm(what, least is None, words)
    elif value > limit and not regions:
        yield from no_deeper(bodies, pair, value - limit)
    rows: Any = [row for row in finding.details["zones"] if row["nearest"] == one.ours]
    if rows and one.limit is not None:
        turned = [(second, first) for first, second in regions]
        seen = Finding("fit-zones", finding.verdict, finding.vehicle, "", pair, "")
        inside = overlapping(scene, seen)
        found: Patches = patches(bodies[1], bodies[0], limit, turned, inside=inside)
        if any(row["certain"] for row in rows):
            total = float(sum(row["area"] for row in rows))
            yield area_claim(f"area near {one.ours}", found, total)


def _summary(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """That a vehicle's sum is the one its gaps and its trims come to."""
    told = finding.details
    kept, lists = _sorted_out(scene, finding.vehicle)
    yield confirm("gaps kept", told["kept"] == kept, f"{told['kept']} told, {kept} by fit-gap")
    for key, mine in lists.items():
        names = sorted(str(row["part"]) for row in told[key])
        words = f"{', '.join(names) or 'none'}; {', '.join(sorted(mine)) or 'none'} by the findings"
        yield confirm(key.replace("_", " "), names == sorted(mine), words)
        for row in told[key]:
            yield from _row(scene, finding, row)
    for witness in finding.witnesses:
        near = closeness(scene, finding.vehicle, witness.part)
        yield on_part(witness, scene.triangles(finding.vehicle, witness.part), near=near)
    if not finding.witnesses and finding.verdict in (Verdict.FAIL, Verdict.UNDECIDED):
        yield confirm("witness", False, "one is wanted")
    due = _verdict(scene, finding, lists)
    waived = finding.verdict is Verdict.WAIVED and due in (Verdict.FAIL, Verdict.UNDECIDED)
    yield confirm("verdict", waived or finding.verdict is due, f"{finding.verdict}; {due} is due")


def _sorted_out(scene: Scene, vehicle: str) -> tuple[int, dict[str, list[str]]]:
    """How many gaps are kept; the neighbours that an allowed cut frees, does not, or may."""
    pairs = {
        frozenset((one.ours, one.other)): one.other
        for one in gaps(scene.project, vehicle)
        if scene.entry(vehicle, one.other)[0].role == "neighbour"
        and scene.entry(vehicle, one.ours)[0].role != "neighbour"
    }
    kept, near = 0, dict[str, list[Finding]]()
    for one in scene.findings:
        name = pairs.get(frozenset(one.parts))
        if one.code != "fit-gap" or one.vehicle != vehicle or name is None:
            continue
        if one.verdict is Verdict.PASS:
            kept += 1
        else:
            near.setdefault(name, []).append(one)
    lists: dict[str, list[str]] = {"trimmed": [], "in_the_way": [], "open": []}
    for name, mine in near.items():
        if scene.entry(vehicle, name)[0].trim == "never":
            sure = any(_fails(one) for one in mine)
            lists["in_the_way" if sure else "open"].append(name)
            continue
        own = next((f for f in _trims(scene, vehicle) if f.parts[-1:] == (name,)), None)
        verdict = Verdict.UNDECIDED if own is None else _before_waiver(own)
        key = {Verdict.PASS: "trimmed", Verdict.FAIL: "in_the_way"}.get(verdict, "open")
        lists[key].append(name)
    return kept, lists


def _fails(finding: Finding) -> bool:
    """Whether a gap is surely too small, waived or not."""
    quantity, need = finding.quantity, finding.requirement
    inside = "inside" in str(finding.details.get("state", ""))
    if quantity is None or need is None:
        return finding.verdict is Verdict.FAIL
    return inside or quantity.high < need.limit


def _before_waiver(finding: Finding) -> Verdict:
    """What a trim's own verdict was before somebody took it on."""
    if finding.verdict is not Verdict.WAIVED:
        return finding.verdict
    quantity, need = finding.quantity, finding.requirement
    if finding.details["inside_one_another"] or (quantity and need and quantity.low > need.limit):
        return Verdict.FAIL
    return Verdict.UNDECIDED


def _trims(scene: Scene, vehicle: str) -> list[Finding]:
    return [
        one
        for one in scene.findings
        if one.code == "fit-trim" and one.vehicle == vehicle and one.subject != WHOLE
    ]


def _row(scene: Scene, finding: Finding, row: Mapping[str, Any]) -> Iterator[Claim]:
    """A neighbour's depth in the sum: what its gaps lack, at most."""
    name = str(row["part"])
    entry, _ = scene.entry(finding.vehicle, name)
    lacks = [0.0]
    for one in scene.findings:
        if one.code == "fit-gap" and one.vehicle == finding.vehicle and one.parts[-1:] == (name,):
            quantity, need = one.quantity, one.requirement
            if quantity is not None and need is not None and one.verdict is not Verdict.PASS:
                lacks.append(need.limit - quantity.value)
    same = row["allowed"] == entry.trim
    yield confirm(f"allowed of {name}", same, f"{row['allowed']}; the project says {entry.trim}")
    depth = row["depth"]
    holds = depth is None or abs(float(depth) - max(lacks)) <= NEAR
    yield confirm(f"depth of {name}", holds, f"{depth}; {max(lacks):.6f} mm by its gaps")
    own = next((f for f in _trims(scene, finding.vehicle) if f.parts[-1:] == (name,)), None)
    zones: Any = [] if own is None else own.details["zones"]
    area = float(sum(z["area"] for z in zones if not z["far_side"]))
    close = abs(area - float(row["area"])) <= 1e-3
    yield confirm(f"area of {name}", close, f"{row['area']} mm2; {area:.4f} mm2 by its own finding")


def _verdict(scene: Scene, finding: Finding, lists: Mapping[str, Sequence[str]]) -> Verdict:
    parts = [scene.entry(finding.vehicle, name)[0] for name in scene.names(finding.vehicle)]
    asked = any(part.trim != "never" for part in parts)
    if lists["in_the_way"]:
        return Verdict.FAIL if asked else Verdict.NOT_APPLICABLE
    if lists["open"]:
        return Verdict.UNDECIDED if asked else Verdict.NOT_APPLICABLE
    return Verdict.NOT_APPLICABLE if lists["trimmed"] else Verdict.PASS

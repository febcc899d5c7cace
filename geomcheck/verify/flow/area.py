"""Re-check of duct areas: the curve, the throat, restrictions, losses, what was not measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Finding, Requirement, Verdict
from geomcheck.project.ducts import DuctEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.duct import Duct, duct_of, main_of
from geomcheck.verify.flow.facets import allowance
from geomcheck.verify.flow.seen import seen_past
from geomcheck.verify.flow.station import Station
from geomcheck.verify.flow.unmeasured import nowhere_measured, unmeasured
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import Scene

#: Areas of one section of one mesh agree to this share and this much, mm2.
SHARE, LEAST = 2e-5, 2e-3
#: Lengths along the path are written to this, mm.
WRITTEN = 1e-4
#: Places between two stations nearer than this (mm) are not looked at.
NEAR = 0.2


def area(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``flow-area`` says of a duct."""
    duct = duct_of(scene, finding)
    name = finding.quantity.name if finding.quantity is not None else ""
    if name == "least area":
        yield from _least(finding, duct)
    elif name == "restriction":
        yield from _restriction(scene, finding, duct)
    elif name == "loss of area":
        yield from _loss(finding, duct)
    elif (
        finding.verdict is Verdict.UNDECIDED
        and finding.witnesses
        and finding.witnesses[0].label != "inlet"
    ):
        yield unmeasured(finding, duct)
    elif finding.verdict is Verdict.UNDECIDED:
        yield nowhere_measured(duct)
    else:
        yield left_open("area", "the finding has no number and shows no place")


def same_limit(finding: Finding, asked: float | None) -> Iterator[Claim]:
    """That the limit is what the project file asks."""
    need = finding.requirement
    if need is None:
        if finding.verdict is not Verdict.UNDECIDED:
            words = "none is asked" if asked is None else f"the project asks {asked:g}"
            yield confirm("limit", asked is None, words)
        return
    words = f"{need.limit:g} {need.unit}; the project says {'nothing' if asked is None else asked}"
    yield confirm("limit", asked is not None and abs(need.limit - asked) <= 1e-6, words)


def _sense(need: Requirement | None, sense: str) -> bool:
    return need is None or need.sense == sense


def _least(finding: Finding, duct: Duct) -> Iterator[Claim]:
    quantity = finding.quantity
    assert quantity is not None
    yield from same_limit(finding, duct.entry.least_area)
    yield confirm("sense", _sense(finding.requirement, "at least"), "at least")
    told = finding.details
    yield path_claim(duct, told)
    curve: Any = told["curve"]
    rows = duct.along(curve["s"])
    if all(row.state != "measured" for row in rows):
        duct.refuse_scans()
        yield confirm("areas along the path", False, "no section along it closes")
        return
    yield curve_claim(duct, rows, curve)
    throat = np.array(finding.witnesses[0].point)
    s, off = duct.line.nearest(throat)
    lean = 90.0 if finding.view is None else _between(finding.view, duct.line.ahead(s))
    words = f"{off:.5f} mm off the path, {lean:.4f} degrees off square"
    yield confirm("throat on the path", off <= 1e-3 and lean <= 0.01, words)
    found = duct.at(s).area
    yield confirm(
        "area at the throat",
        _same(found, quantity.value),
        f"{found:.3f} mm2 against {quantity.value:.3f} mm2",
    )
    if told.get("inlet_area") is not None:
        ends = [row.area for row in rows if row.state == "measured"]
        holds = bool(ends) and _same(ends[0], float(told["inlet_area"]))
        yield confirm("area at the inlet", holds, f"{ends[0] if ends else np.nan:.3f} mm2")
    yield _no_narrower(duct, rows, quantity.value, quantity.low)
    proven = duct.entry.throat == "planes and cut"
    yield from seen_past(duct, quantity.low, proven)
    yield allowance(duct.at(s), duct, quantity)


def _same(found: float, told: float, slack: float = 0.0) -> bool:
    return bool(abs(found - told) <= SHARE * abs(told) + LEAST + slack)


def _between(a: Any, b: FloatArray) -> float:
    """Degrees between two directions."""
    one = np.asarray(a, dtype=np.float64)
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, b)), one @ b)))


def path_claim(duct: Duct, told: Any) -> Claim:
    """That the path told is the one asked for."""
    points = np.array(told["path"], dtype=np.float64)
    entry: DuctEntry = duct.entry
    if entry.path:
        off = np.linalg.norm(points - duct.line.point(told["curve"]["s"]), axis=1).max()
        words = f"{off:.6f} mm off the curve through the project's points"
        return confirm("path", bool(off <= 3.0 * WRITTEN), words)
    assert entry.inlet is not None
    wide = float(np.sqrt(max(float(told["inlet_area"] or 0.0), 1.0)))
    begin = float(np.linalg.norm(points[0] - np.array(entry.inlet.at)))
    end = min(float(np.linalg.norm(points[-1] - np.array(port.at))) for port in entry.outlets)
    # The port's point is anywhere in the opening, or beside it on its ring.
    words = f"begins {begin:.2f} mm from the inlet's point, ends {end:.2f} mm from an outlet's"
    return confirm("path", max(begin, end) <= 0.8 * wide, words)


def curve_claim(duct: Duct, rows: Sequence[Station], curve: Any) -> Claim:
    """That the areas told along the path are those of sections cut anew."""
    for k, row in enumerate(rows):
        state = curve["state"][k]
        told = [curve[name][k] for name in ("area", "bore_area", "hydraulic_diameter")]
        if _row(row, state, told):
            continue
        # A face that lies in the plane is told from both sides; a length is rounded.
        beside = [duct.at(row.s + step) for step in (-2.0 * WRITTEN, 2.0 * WRITTEN)]
        if any(_row(one, state, told) for one in beside):
            continue
        areas = [one.area for one in (row, *beside)]
        if np.isfinite(areas).all() and _row(row, state, told, float(np.ptp(areas))):
            continue
        words = (
            f"{state}, {told[0]} mm2 at {row.s:.2f} mm; cut anew {row.state}, {row.area:.3f} mm2"
        )
        return confirm("areas along the path", False, words)
    return confirm("areas along the path", True, f"{len(rows)} sections")


def _row(row: Station, state: str, told: Sequence[float | None], slack: float = 0.0) -> bool:
    if state != "measured":
        return row.state == state
    if row.state != "measured" or any(value is None for value in told):
        return False
    area, bore, wide = (float(value) for value in told if value is not None)
    found = 4.0 * row.area / row.perimeter
    areas = _same(row.area, area, slack) and _same(row.bore, bore, slack)
    return areas and abs(found - wide) <= 1e-3 * wide


def between(rows: Sequence[Station]) -> FloatArray:
    """Places half way between stations that are not close to each other."""
    s = np.array([row.s for row in rows])
    wide = np.diff(s) > NEAR
    found: FloatArray = (0.5 * (s[1:] + s[:-1]))[wide]
    return found


def _no_narrower(duct: Duct, rows: Sequence[Station], value: float, low: float) -> Claim:
    """That no section told, and none half way between two of them, is narrower."""
    here = min((row for row in rows if row.state == "measured"), key=lambda row: row.area)
    extra = duct.along(between(rows))
    there = [row for row in extra if row.state == "measured"]
    other = min(there, key=lambda row: row.area, default=here)
    holds = here.area >= value - SHARE * value - LEAST and other.area >= low - LEAST
    least = min(here, other, key=lambda row: row.area)
    words = (
        f"sampled: {len(rows)} stations and {len(there)} between them, least {least.area:.3f} mm2 "
        f"at {least.s:.2f} mm"
    )
    return confirm("no narrower station", holds, words)


def _restriction(scene: Scene, finding: Finding, duct: Duct) -> Iterator[Claim]:
    quantity = finding.quantity
    assert quantity is not None
    strict = not duct.entry.allow_restrictions
    yield from same_limit(finding, duct.entry.restriction if strict else None)
    main = main_of(scene, finding)
    if main is None:
        yield left_open("restriction", "the finding on the duct's least area is not there")
        return
    rows = duct.along(main.details["curve"]["s"])
    if "s" not in finding.details:
        deepest = _deepest(rows)
        words = f"deepest dip of {len(rows)} sections {deepest:.3f} %"
        yield confirm("no deeper dip", deepest <= quantity.high + 1e-3, words)
        return
    s, shoulder = float(finding.details["s"]), float(finding.details["shoulder"])
    here, there = (_nearest(rows, at) for at in (s, shoulder))
    if max(abs(here.s - s), abs(there.s - shoulder)) > 2.0 * WRITTEN:
        yield confirm("restriction", False, "the areas along the path have no station there")
        return
    depth = 100.0 * (1.0 - here.area / there.area)
    yield confirm(
        "depth",
        abs(depth - quantity.value) <= 1e-3 + 0.01 * SHARE * 100.0,
        f"{depth:.4f} % against {quantity.value:.4f} %",
    )
    yield _stands_out(rows, here, there)
    yield _on_plane(finding, here)
    yield from _taken(finding, duct, here, there)


def _nearest(rows: Sequence[Station], s: float) -> Station:
    return min(rows, key=lambda row: abs(row.s - s))


def _deepest(rows: Sequence[Station]) -> float:
    """Per cent of the deepest dip: how far a place lies below the lower of its two sides."""
    area = np.array([row.area for row in rows])
    area = area[np.isfinite(area)]
    before, behind = np.maximum.accumulate(area), np.maximum.accumulate(area[::-1])[::-1]
    return float(100.0 * (1.0 - area / np.minimum(before, behind)).max(initial=0.0))


def _stands_out(rows: Sequence[Station], here: Station, there: Station) -> Claim:
    """That the shoulder is the lower of the two sides of the dip, and nothing lower lies before."""
    k = next(n for n, row in enumerate(rows) if row is here)
    heights = []
    for side in (rows[k - 1 :: -1] if k else (), rows[k + 1 :]):
        top = here.area
        for row in side:
            if not row.area >= here.area - SHARE * here.area:
                break
            top = max(top, row.area)
        heights.append(top)
    lower = min(heights)
    words = f"highest {heights[0]:.2f} mm2 before it and {heights[1]:.2f} mm2 behind"
    return confirm("a dip on both sides", abs(lower - there.area) <= 1e-4 * lower, words)


def _on_plane(finding: Finding, here: Station) -> Claim:
    at = np.array(finding.witnesses[0].point)
    off = abs(float((at - here.point) @ here.normal))
    return confirm("place", off <= 1e-3, f"{off:.5f} mm off the plane of the dip")


def _taken(finding: Finding, duct: Duct, here: Station, there: Station) -> Iterator[Claim]:
    """The area that the part named takes."""
    lost, part = float(finding.details["area_lost"]), finding.witnesses[0].part
    number = duct.names.index(part)
    if number >= len(duct.walls):
        without = float(here.cut.open(here.bores, left_out=(number,)).area)
        found, about = without - here.area, "with it left out"
        holds = abs(found - lost) <= 1e-4 * here.area
    else:
        shapes = [shapely.union_all([row.cut.bores[k] for k in row.bores]) for row in (there, here)]
        found, about = float(shapes[0].difference(shapes[1]).area), "of the shoulder's bore"
        holds = abs(found - lost) <= 1e-3 * here.area
    yield confirm(f"area that {part} takes", holds, f"{found:.2f} mm2 {about}, told {lost:.2f} mm2")


def _loss(finding: Finding, duct: Duct) -> Iterator[Claim]:
    quantity = finding.quantity
    assert quantity is not None
    ends = [one for one in duct.entry.losses if _titled(finding, one.begin, one.end)]
    if not ends:
        yield confirm("entry", False, "the project file asks for no such loss")
        return
    yield from same_limit(finding, ends[0].percent)
    yield confirm("sense", _sense(finding.requirement, "at most"), "at most")
    one, two = duct.at(ends[0].begin), duct.at(ends[0].end)
    off = [
        float(np.linalg.norm(np.array(witness.point) - row.point))
        for witness, row in zip(finding.witnesses, (two, one), strict=True)
    ]
    yield confirm("places", max(off) <= 1e-3, f"{max(off):.5f} mm off the path there")
    found = 100.0 * (1.0 - two.area / one.area)
    holds = abs(found - quantity.value) <= 0.01
    yield confirm("loss", holds, f"{found:.4f} % against {quantity.value:.4f} %")


def _titled(finding: Finding, begin: float, end: float) -> bool:
    return finding.subject.endswith(f", {begin:g} to {end:g} mm")

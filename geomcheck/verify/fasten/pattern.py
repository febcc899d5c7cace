"""Re-check of bolt patterns: each hole's wall, and how one pattern lies on the other."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.project.joints import PatternEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.bolts import limit
from geomcheck.verify.fasten.walls import Wall, wall_at
from geomcheck.verify.plain.simple import FloatArray, axis_frame
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import NEAR

#: Figures of several written to a millionth agree to this, mm.
AGREE = 1e-5
#: Tries for a better place, from each of which the steps are halved.
TRIES, HALVINGS = 60, 40
SEED = 20


def pattern(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """A bolt pattern: its holes in the meshes, what each is off by, and that no place is better."""
    entry = _entry(scene, finding)
    yield from limit(finding, entry.reserve)
    details: Any = finding.details
    if "holes" in details:
        yield from _laid(scene, finding, entry)
    elif "unmatched" in details:
        yield from _alone(scene, finding, entry)
    else:
        holds = finding.verdict is not Verdict.PASS
        yield confirm("pattern", holds, f"{finding.verdict} without a figure")
        if holds:
            yield left_open("holes", "the finding names none")


def _entry(scene: Scene, finding: Finding) -> PatternEntry:
    for one in scene.project.document.patterns:
        if one.vehicle in (None, finding.vehicle) and finding.subject == f'pattern "{one.name}"':
            return one
    raise NotRechecked("the pattern is not in the project file")


def _laid(scene: Scene, finding: Finding, entry: PatternEntry) -> Iterator[Claim]:
    details: Any = finding.details
    rows = details["holes"]
    yield from _holes(scene, finding, entry, rows)
    frame = axis_frame(np.array(entry.normal) / np.linalg.norm(entry.normal))
    p = (np.array([row["at"] for row in rows]) - np.array(entry.at)) @ frame.T
    q = (np.array([row["against"] for row in rows]) - np.array(entry.at)) @ frame.T
    if entry.anywhere:
        q = np.array([row["against"][:2] for row in rows])
    allowed = np.array([_allowed(row, entry) for row in rows])
    told = np.array([float(row["allowed"]) for row in rows])
    holds = bool(np.abs(allowed - told).max() <= AGREE)
    yield confirm("what each hole allows", holds, f"least {allowed.min():.6f} mm")
    shift, turn = np.array(details["shift"], dtype=np.float64), float(details["turn"])
    if entry.dowelled:
        still = not shift.any() and turn == 0.0
        yield confirm("held by dowels", still, "neither shift nor turn")
    off = _off(p, q, shift, math.radians(turn))
    # A turn is written to a millionth of a degree: at a hole's distance that is so much.
    slack = AGREE + 2e-8 * float(np.abs(p).max())
    errors = np.array([float(row["error"]) for row in rows])
    words = f"{off.max():.6f} mm at most"
    yield confirm("how far each is off", bool(np.abs(off - errors).max() <= slack), words)
    excess = float((off - allowed).max())
    quantity = finding.quantity
    if quantity is None:
        return
    words = f"{-excess:.6f} mm against {quantity.value:.6f} mm"
    yield confirm("clearance left", abs(excess + quantity.value) <= slack, words)
    worst = np.flatnonzero(off - allowed >= excess - 2.0 * slack)
    places = [np.linalg.norm(np.subtract(rows[k]["at"], w.point)) for k in worst
              for w in finding.witnesses]  # fmt: skip
    yield confirm("worst hole", bool(places) and float(min(places)) <= NEAR, f"{len(worst)} so bad")
    best = excess if entry.dowelled else _best(p, q, allowed, shift, math.radians(turn))
    words = f"{-best:.6f} mm is the most found; {quantity.high:.6f} mm is the upper end"
    yield confirm("no better place", -best <= quantity.high + slack, words)


def _holes(
    scene: Scene, finding: Finding, entry: PatternEntry, rows: list[dict[str, Any]]
) -> Iterator[Claim]:
    """Each hole told of: a round wall there, of the diameter told; each used once."""
    count = entry.count
    holds = count is None or count == len(rows) or finding.verdict is not Verdict.PASS
    yield confirm("count", holds, f"{len(rows)} holes, {count or 'no number'} wanted")
    alike = [min(_apart(row[key] for row in rows)) for key in ("at", "against")]
    yield confirm("each hole once", min(alike) > 0.1, f"{min(alike):.3f} mm apart at least")
    wrong = []
    for key, wide, part in (
        ("at", "diameter", entry.parts[0]),
        ("against", "against_diameter", entry.parts[-1]),
    ):
        if key == "against" and entry.reference:
            known = [row[key] for row in rows]
            strange = [one for one in known if one not in [list(r) for r in entry.reference]]
            if strange or len(known) != len(entry.reference):
                wrong.append("places that are not those of the reference")
            continue
        for row in rows:
            said = _missed(scene, finding, entry, part, row[key], row[wide], row.get(f"{key}_wall"))
            if said:
                wrong.append(f"{part} at {_at(row[key])}: {said}")
    words = "; ".join(wrong[:3]) or f"{len(rows)} in each"
    yield confirm("holes in the meshes", not wrong, words)


def _missed(
    scene: Scene,
    finding: Finding,
    entry: PatternEntry,
    part: str,
    point: Any,
    diameter: float | None,
    wall: Any,
) -> str:
    """What is wrong with a hole told of; empty if nothing."""
    found = _wall(scene, finding, entry, part, point, wall, diameter)
    if found is None:
        return "no round wall"
    off = found.off(point)
    held = entry.fixed == part
    if off > found.slack:
        return f"its axis is {off:.4f} mm off"
    if (diameter is None) != held:
        return "what holds the bolts is not as the project says"
    if diameter is not None and abs(2.0 * found.radius - diameter) > 2.0 * found.slack:
        return f"{2.0 * found.radius:.4f} mm wide, not {diameter:.4f}"
    low, high = entry.diameters or (0.7 * entry.bolt, 1.6 * entry.bolt)
    if not low - NEAR <= 2.0 * found.radius <= high + 2.0 * found.slack + NEAR:
        return f"{2.0 * found.radius:.3f} mm wide, {low:g} to {high:g} count"
    if found.nearest < 0.9 * found.radius:
        return f"metal stands in it, {found.nearest:.3f} mm off its axis"
    return ""


def _wall(
    scene: Scene,
    finding: Finding,
    entry: PatternEntry,
    part: str,
    point: Any,
    wall: Any,
    diameter: float | None,
) -> Wall | None:
    body = scene.body(finding.vehicle, part)
    radius = None if diameter is None else 0.5 * diameter
    if not wall:
        axis = np.array(entry.normal) / np.linalg.norm(entry.normal)
        return wall_at(body, point, axis, -entry.reach, entry.reach, radius)
    ends = np.array(wall, dtype=np.float64)
    axis = ends[1] - ends[0]
    length = float(np.linalg.norm(axis))
    heights = (ends - np.array(point)) @ (axis / length)
    return wall_at(body, point, axis / length, float(heights[0]), float(heights[1]), radius)


def _at(point: Any) -> str:
    return "(" + ", ".join(f"{float(x):.2f}" for x in point) + ")"


def _apart(points: Any) -> list[float]:
    """Distance of each point from the nearest of the others."""
    all_of = np.array(list(points), dtype=np.float64)
    away = np.linalg.norm(all_of[:, None] - all_of[None], axis=2) + np.diag([np.inf] * len(all_of))
    return [float(x) for x in away.min(axis=1)]


def _allowed(row: dict[str, Any], entry: PatternEntry) -> float:
    """Floating: (H1 + H2) / 2 - F; fixed: (H - F) / 2 (ASME Y14.5, appendix B)."""
    given = [row[key] for key in ("diameter", "against_diameter") if row[key] is not None]
    if entry.reference and row["against_diameter"] != entry.reference_hole:
        return math.nan
    if len(given) == 2:
        return 0.5 * (float(given[0]) + float(given[1])) - entry.bolt
    return 0.5 * (float(given[0]) - entry.bolt) if given else 0.0


def _off(p: FloatArray, q: FloatArray, shift: FloatArray, turn: float) -> FloatArray:
    c, s = math.cos(turn), math.sin(turn)
    found: FloatArray = np.linalg.norm(p @ np.array([[c, s], [-s, c]]) + shift - q, axis=1)
    return found


def _best(
    p: FloatArray, q: FloatArray, allowed: FloatArray, shift: FloatArray, turn: float
) -> float:
    """The least excess found about a place, in directions at random and ever smaller steps."""
    rng = np.random.default_rng(SEED)
    middle = p.mean(axis=0)
    span = max(float(np.linalg.norm(p - middle, axis=1).max()), 1e-3)

    def excess(x: FloatArray) -> float:
        angle = turn + float(x[2]) / span
        c, s = math.cos(angle), math.sin(angle)
        c0, s0 = math.cos(turn), math.sin(turn)
        # Turned about the middle of the holes where they lie now.
        here = middle @ np.array([[c0, s0], [-s0, c0]]) - middle @ np.array([[c, s], [-s, c]])
        return float((_off(p, q, shift + here + x[:2], angle) - allowed).max())

    place = np.zeros(3)
    best = excess(place)
    step = max(1.0, abs(best))
    for _ in range(HALVINGS):
        ways = rng.normal(size=(TRIES, 3))
        for way in ways / np.linalg.norm(ways, axis=1)[:, None]:
            found = excess(place + step * way)
            if found < best:
                place, best = place + step * way, found
        step *= 0.6
    return best


def _alone(scene: Scene, finding: Finding, entry: PatternEntry) -> Iterator[Claim]:
    """Holes without a partner: each is there, and for a fail there is metal where one should be."""
    details: Any = finding.details
    yield confirm("pattern", finding.verdict is not Verdict.PASS, f"{finding.verdict}")
    axis = np.array(entry.normal) / np.linalg.norm(entry.normal)
    wrong, solid = [], False
    for part, point in details["unmatched"]:
        if part in entry.parts:
            if said := _missing(scene, finding, entry, part, point):
                wrong.append(f"{part} at {_at(point)}: {said}")
        elif list(point) not in [list(one) for one in entry.reference]:
            wrong.append(f"{_at(point)} is none of the reference's places")
        others = [name for name in entry.parts if name != part]
        steps = np.arange(-entry.reach, entry.reach + 0.25, 0.5)
        for name in others:
            body = scene.body(finding.vehicle, name)
            solid |= body.closed and any(
                body.holds(np.array(point) + step * axis) for step in steps.tolist()
            )
    words = "; ".join(wrong[:3]) or f"{len(details['unmatched'])} without a partner"
    yield confirm("holes in the meshes", not wrong, words)
    if finding.verdict is Verdict.FAIL:
        yield confirm("metal where a hole should be", solid, "by the winding number")


def _missing(scene: Scene, finding: Finding, entry: PatternEntry, part: str, point: Any) -> str:
    found = _wall(scene, finding, entry, part, point, None, None)
    if found is None:
        return "no round wall"
    off = found.off(point)
    return "" if off <= found.slack else f"its axis is {off:.4f} mm off"

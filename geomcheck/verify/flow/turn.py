"""Re-check of how a duct turns and widens, and of what its inlet sees of its end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.area import same_limit
from geomcheck.verify.flow.duct import Duct, duct_of, head_of, main_of
from geomcheck.verify.flow.rays import between, free, spread
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import NotRechecked, Scene
from geomcheck.verify.witness import on_part

#: Turns and widenings are those over this share of the diameter on either side.
WINDOW = 0.25
#: A bend: a radius below so many diameters, over so many degrees at least.
STRAIGHT, LEAST_TURN = 10.0, 5.0
#: A place on the outline of a section, and how near it comes to the inside of a turn, mm.
ON_OUTLINE = 0.05
#: Lines drawn by chance.
LINES = 3000
#: Standard errors by which two samples may differ.
ERRORS = 4.5


def turn(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``flow-turn`` says of a duct."""
    duct = duct_of(scene, finding)
    asked = duct.entry.turn
    if asked is None:
        yield confirm("entry", False, "the project file asks for no turn of this duct")
        return
    about = finding.subject.removeprefix(head_of(finding)).removeprefix(", ")
    if finding.verdict is Verdict.UNDECIDED and finding.quantity is None:
        yield left_open(about or "turn", "the finding has no number")
        return
    if finding.verdict is not Verdict.PASS and "path" not in finding.details:
        yield left_open(about or "turn", "the finding tells of no path")
        return
    yield _path(finding, duct)
    rows = _rows(scene, finding, duct)
    if len(rows) < 3:
        duct.refuse_scans()
        yield confirm("stations", False, "no three sections of the duct close")
        return
    if about == "sight":
        yield from same_limit(finding, asked.least_sight)
        yield from _sight(finding, duct, rows)
    elif about == "widening":
        yield from same_limit(finding, asked.most_cone)
        yield from _widening(finding, duct, rows)
    elif about == "bends":
        yield _number(scene, finding, duct, rows)
    else:
        yield from same_limit(finding, asked.least_inner_radius)
        yield from _bend(finding, duct, rows)
        yield _number(scene, finding, duct, rows)


def _rows(scene: Scene, finding: Finding, duct: Duct) -> tuple[Station, ...]:
    main = main_of(scene, finding)
    if main is None:
        raise NotRechecked("the finding on the duct's least area is not there")
    rows = duct.along(np.unique(main.details["curve"]["s"]))
    return tuple(row for row in rows if row.state == "measured")


def _path(finding: Finding, duct: Duct) -> Claim:
    points = np.array(finding.details["path"], dtype=np.float64)
    s = np.linspace(0.0, duct.line.length, len(points))
    off = float(np.linalg.norm(points - duct.line.point(s), axis=1).max())
    # A path that was found by itself is known by its rounded points.
    slack = 5e-4 if duct.entry.path else 0.02
    return confirm("path", off <= slack, f"{off:.6f} mm off the curve")


def _wide(rows: Sequence[Station]) -> FloatArray:
    found: FloatArray = np.sqrt(4.0 / np.pi * np.array([row.area for row in rows]))
    return found


def _curved(duct: Duct, s: float, reach: float) -> float:
    """Angle between the directions before and behind a place over the length, 1/mm."""
    low, high = max(s - reach, 0.0), min(s + reach, duct.line.length)
    one, two = duct.line.ahead(low), duct.line.ahead(high)
    angle = np.arctan2(np.linalg.norm(np.cross(one, two)), one @ two)
    return float(angle / (high - low))


def _inner(duct: Duct, row: Station, reach: float) -> tuple[float, FloatArray]:
    """Radius about the centre of the turn to the nearest of the outline; the way to the centre."""
    low, high = max(row.s - reach, 0.0), min(row.s + reach, duct.line.length)
    inward = duct.line.ahead(high) - duct.line.ahead(low)
    inward = inward - (inward @ row.normal) * row.normal
    inward = inward / np.linalg.norm(inward)
    outline = row.space(shapely.get_coordinates(row.open))
    along = float(((outline - row.point) @ inward).max())
    return 1.0 / _curved(duct, row.s, reach) - along, inward


def _bends(duct: Duct, rows: Sequence[Station]) -> list[tuple[int, int]]:
    """First and last station of each bend."""
    wide = _wide(rows)
    kappa = [_curved(duct, row.s, WINDOW * d) for row, d in zip(rows, wide, strict=True)]
    bent = np.array(kappa) * wide > 1.0 / STRAIGHT
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bent.astype(np.int8), [0]])))
    s = np.array([row.s for row in rows])
    found = []
    for first, after in edges.reshape(-1, 2).tolist():
        run = slice(first, after)
        if float(np.degrees(np.trapezoid(np.array(kappa)[run], s[run]))) >= LEAST_TURN:
            found.append((first, after - 1))
    return found


def _number(scene: Scene, finding: Finding, duct: Duct, rows: Sequence[Station]) -> Claim:
    """That each bend has its finding."""
    head = f"{head_of(finding)}, bend "
    told = [
        one
        for one in scene.findings
        if one.code == finding.code
        and one.vehicle == finding.vehicle
        and one.subject.startswith(head)
    ]
    found = _bends(duct, rows)
    places = ", ".join(f"{rows[a].s:.0f} to {rows[b].s:.0f} mm" for a, b in found) or "none"
    return confirm("bends", len(told) == len(found), f"{len(told)} told; {places}")


def _bend(finding: Finding, duct: Duct, rows: Sequence[Station]) -> Iterator[Claim]:
    told, quantity = finding.details, finding.quantity
    assert quantity is not None
    inside = [row for row in rows if told["begin"] - 1e-3 <= row.s <= told["end"] + 1e-3]
    here = min(rows, key=lambda row: abs(row.s - told["s"]))
    if len(inside) < 2 or abs(here.s - told["s"]) > 1e-3:
        yield confirm("bend", False, "the duct has no stations where it is told")
        return
    wide = _wide(inside)
    s = np.array([row.s for row in inside])
    kappa = np.array([_curved(duct, r.s, WINDOW * d) for r, d in zip(inside, wide, strict=True)])
    angle = float(np.degrees(np.trapezoid(kappa, s)))
    holds = abs(angle - told["turn_degrees"]) <= 0.02
    whole = duct.line.turned(float(s[0]), float(s[-1]))
    words = f"{angle:.3f} degrees, told {told['turn_degrees']:.3f}; its directions {whole:.2f}"
    yield confirm("turn", holds and abs(whole - angle) <= 0.1 * angle + 1.0, words)
    tightest = float(1.0 / kappa.max())
    holds = abs(tightest - told["path_radius"]) <= 1e-3 * tightest
    yield confirm("radius of the path", holds, f"{tightest:.3f} mm")
    inner = [_inner(duct, row, WINDOW * d) for row, d in zip(inside, wide, strict=True)]
    k = next(n for n, row in enumerate(inside) if row is here)
    value, inward = inner[k]
    shown = np.array(finding.witnesses[0].point) - here.point
    holds = abs(max(value, 0.0) - quantity.value) <= 1e-3 * (quantity.value + 1.0 / kappa[k])
    yield confirm("inner radius", holds, f"{value:.3f} mm against {quantity.value:.3f} mm")
    # Of a side that lies straight across the turn, any place is as near to its centre.
    flat = shapely.Point(shown @ here.frame.T)
    off = float(np.hypot(shapely.distance(shapely.boundary(here.open), flat), shown @ here.normal))
    least = float(1.0 / kappa[k] - shown @ inward)
    words = f"{off:.4f} mm off the section's outline, at a radius of {least:.3f} mm"
    holds = off <= ON_OUTLINE and abs(least - value) <= ON_OUTLINE
    yield confirm("inner wall", holds, words)
    part = finding.witnesses[0].part
    meshes = dict(zip(duct.names, (*duct.walls, *duct.others), strict=True))
    claims = [on_part(finding.witnesses[0], mesh) for mesh in meshes.values()]
    best = next((one for one in claims if one.status.value == "confirmed"), claims[0])
    yield Claim(f"witness on a wall such as {part}", best.status, best.words)
    ratio = min(v / d for (v, _), d in zip(inner, wide, strict=True))
    holds = max(ratio, 0.0) >= told["inner_radius_over_diameter"] - 2e-3
    words = f"sampled: {len(inside)} stations, least {ratio:.4f} of the diameter"
    yield confirm("nowhere tighter", holds, words)


def _cone(s: FloatArray, wide: FloatArray, at: float, reach: float) -> float:
    """Equivalent cone angle over a window, degrees, from diameters known at places."""
    low, high = max(at - reach, float(s[0])), min(at + reach, float(s[-1]))
    ends = np.interp([low, high], s, wide)
    return float(np.degrees(2.0 * np.arctan(0.5 * (ends[1] - ends[0]) / (high - low))))


def _widening(finding: Finding, duct: Duct, rows: Sequence[Station]) -> Iterator[Claim]:
    quantity = finding.quantity
    assert quantity is not None
    s, wide = np.array([row.s for row in rows]), _wide(rows)
    cones = [_cone(s, wide, a, WINDOW * d) for a, d in zip(s, wide, strict=True)]
    k = int(np.argmax(cones))
    words = f"sampled: {len(rows)} stations, greatest {cones[k]:.3f} degrees at {s[k]:.2f} mm"
    yield confirm("nowhere faster", cones[k] <= quantity.value + 0.02, words)
    if "s" not in finding.details:
        yield confirm("widens nowhere", cones[k] <= 0.02, f"{cones[k]:.4f} degrees")
        return
    at = float(finding.details["s"])
    off = float(np.linalg.norm(np.array(finding.witnesses[0].point) - duct.line.point(at)))
    yield confirm("place", off <= 1e-3, f"{off:.5f} mm off the path there")
    d = float(np.interp(at, s, wide))
    reach = WINDOW * d
    places = np.clip([at - reach, at, at + reach], float(s[0]), float(s[-1]))
    areas = np.array([duct.at(float(x)).area for x in places])
    ends = np.sqrt(4.0 * areas / np.pi)
    slope = (ends[2] - ends[0]) / (places[2] - places[0])
    cone = float(np.degrees(2.0 * np.arctan(0.5 * slope)))
    # The ends of the window fall between stations: a kink there shows here.
    holds = abs(cone - quantity.value) <= 0.05 + 0.03 * abs(quantity.value)
    yield confirm("cone", holds, f"{cone:.3f} degrees against {quantity.value:.3f} degrees")
    rate = 0.5 * np.pi * d * slope
    told = float(finding.details["rate"])
    yield confirm("rate", abs(rate - told) <= 0.05 + 0.03 * abs(told), f"{rate:.3f} mm2 a mm")


def _sight(finding: Finding, duct: Duct, rows: Sequence[Station]) -> Iterator[Claim]:
    quantity = finding.quantity
    assert quantity is not None
    first, last = rows[0], rows[-1]
    off = float(np.linalg.norm(np.array(finding.witnesses[0].point) - first.point))
    wide = _wide(rows)
    yield confirm("inlet", off <= wide[0], f"{off:.3f} mm from the path's first station")
    share, factor = duct.once("sight", lambda: _lines(duct, first, last))
    error = np.sqrt(max(share * (1.0 - share), 1.0 / LINES) / LINES)
    slack = 100.0 * ERRORS * error
    holds = quantity.low - slack <= 100.0 * share <= quantity.high + slack
    words = f"sampled: {100.0 * share:.2f} % of {LINES} lines meet no wall"
    yield confirm("share in straight sight", holds, words)
    mean, spread_out = factor
    slack = 100.0 * (ERRORS * spread_out + 3.0 / LINES)
    low, high = (float(finding.details[f"view_factor_{end}"]) for end in ("low", "high"))
    told = float(finding.details["view_factor"])
    holds = low - slack <= 100.0 * mean <= high + slack and low <= told <= high
    yield confirm("view factor", holds, f"sampled: {100.0 * mean:.3f} %, told {told:.3f} %")


def _lines(duct: Duct, first: Station, last: Station) -> tuple[float, tuple[float, float]]:
    """Share of lines that are free, and the view factor with its standard error."""
    rng = np.random.default_rng(20_261_125)
    shapes = [row.cut.bores[max(row.cut.main, 0)] for row in (first, last)]
    begin, end = (
        spread(shape, row, LINES, rng) for shape, row in zip(shapes, (first, last), strict=True)
    )
    way = end - begin
    length = np.linalg.norm(way, axis=1)
    leave, arrive = way @ first.normal / length, way @ last.normal / length
    facing = (leave > 0.0) & (arrive > 0.0)
    corners = np.concatenate(
        [
            row.space(shapely.get_coordinates(shape))
            for shape, row in zip(shapes, (first, last), strict=True)
        ]
    )
    triangles = between(np.concatenate([*duct.walls, *duct.others]), corners)
    clear = facing.copy()
    clear[facing] = free(begin[facing], end[facing], triangles)
    area = float(shapes[1].area)
    kernel = np.clip(leave, 0.0, None) * np.clip(arrive, 0.0, None) / (np.pi * length**2)
    each = area * kernel * clear
    return float(clear.mean()), (float(each.mean()), float(each.std() / np.sqrt(LINES)))

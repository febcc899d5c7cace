"""Re-check of flow estimates: areas cut anew, coefficients looked up anew, the march done anew."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.project.ducts import BladeEntry, FlowEntry
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow import gas
from geomcheck.verify.flow.area import same_limit
from geomcheck.verify.flow.duct import Duct, duct_of, head_of, main_of
from geomcheck.verify.flow.facets import missed
from geomcheck.verify.flow.march import Air, Bore, March, Run, chain, interval
from geomcheck.verify.flow.shares import Shares
from geomcheck.verify.flow.station import Station
from geomcheck.verify.scene import Scene

#: What two reckonings of one figure may differ by, as a share and as an amount.
SHARE, LEAST = 1e-3, 2e-4
#: Shares of the bore by which a blade may stand off its closed form, and by which two ways differ.
MISPLACED, SEEN = 0.02, 2e-3
#: Of the chords' error that the outlines show, what the finding allows for at least.
FACETS = 0.5


def estimate(scene: Scene, finding: Finding) -> Iterator[Claim]:
    """Whatever ``flow-estimate`` says of a duct."""
    duct = duct_of(scene, finding)
    flow = duct.entry.flow
    if flow is None:
        yield confirm("entry", False, "the project file asks for no flow of this duct")
        return
    first, main = _first(scene, finding), main_of(scene, finding)
    if first is None or main is None:
        yield left_open("estimate", "the finding has no figures to reckon with")
        return
    told = first.details
    # Where the flow may choke no Mach numbers are told along the path.
    along = main.details["curve"] if told["mach"] is None else told["mach"]
    rows = duct.along(along["s"])
    if any(row.state != "measured" for row in rows):
        duct.refuse_scans()
        yield confirm("areas", False, "a section of the duct does not close")
        return
    if ', blade "' in finding.subject:
        yield from _misplaced(finding, duct, rows, told)
        return
    bore, air = _bore(rows, told), _air(flow)
    asked = _flow(flow)
    if finding is first:
        yield from _basis(scene, finding, flow, bore, air, asked)
        yield _facets(duct, rows, bore)
        yield from Shares(duct, rows, bore, told["shares"]).claims()
    key = ("march", repr(told["shares"]), repr(told["facets"]), repr(told["least"]))
    runs = duct.once(key, lambda: chain(March(bore, told["shares"], air), asked))
    if finding is first:
        yield from _along(runs, told)
    yield from _answer(finding, flow, runs)
    if finding.witnesses and max(run.choked for run in runs) <= 1.0:
        yield _place(finding, duct, runs[0], bore, told)


def _first(scene: Scene, finding: Finding) -> Finding | None:
    """The finding that carries the figures of all findings on this duct's flow."""
    head = head_of(finding)
    for one in scene.findings:
        same = one.code == finding.code and one.vehicle == finding.vehicle
        if same and head_of(one) == head and one.details.get("shares") is not None:
            return one
    return None


def _bore(rows: tuple[Station, ...], told: Any) -> Bore:
    area = np.array([row.area for row in rows])
    around = np.array([row.perimeter for row in rows])
    minus, plus = (float(x) for x in told["facets"])
    least = float(told["least"][0]), float(told["least"][1])
    s = np.array([row.s for row in rows])
    return Bore(s, area, 4.0 * area / around, minus, plus, least)


def _air(flow: FlowEntry) -> Air:
    return Air(1e3 * flow.inlet_pressure, 273.15 + flow.inlet_temperature, flow.roughness)


def _flow(flow: FlowEntry) -> tuple[float, float]:
    """Mass flow asked for, kg/s: as given, or what the blower sweeps at the density of the air."""
    if flow.mass_flow is not None:
        return flow.mass_flow, flow.mass_flow
    swept = 1e-3 * float(flow.displacement or 0.0) * float(flow.speed or 0.0) / 60.0
    density = 1e3 * flow.inlet_pressure / (gas.GAS * (273.15 + flow.inlet_temperature))
    low, high = flow.volumetric_efficiency or (0.0, 0.0)
    return swept * density * low, swept * density * high


def _basis(
    scene: Scene,
    finding: Finding,
    flow: FlowEntry,
    bore: Bore,
    air: Air,
    asked: tuple[float, float],
) -> Iterator[Claim]:
    told = finding.details
    off = max(abs(a - b) for a, b in zip(asked, told["mass_flow"], strict=True))
    words = f"{asked[0]:.4f} to {asked[1]:.4f} kg/s from the project file"
    yield confirm("mass flow", off <= 6e-5, words)
    state = told["air"]
    holds = abs(state["pressure"] - air.pressure) <= 0.01
    holds &= abs(state["temperature"] - air.temperature) <= 1e-6
    yield confirm("air", holds, f"{air.pressure:.0f} Pa, {air.temperature:.2f} K")
    main = main_of(scene, finding)
    quantity = None if main is None else main.quantity
    if main is None or quantity is None:
        yield left_open("least area", "the finding on the duct's least area has no number")
        return
    own = ("facets", "between stations", "tilt of the path")
    low = quantity.value - sum(term.minus for term in quantity.terms if term.name in own)
    at = float(main.details["throat"]["s"])
    holds = abs(bore.least[0] - at) <= 1e-3 and abs(bore.least[1] - low) <= 1e-3
    yield confirm("least area", holds, f"{low:.3f} mm2 at {at:.2f} mm, see flow-area")
    lowest = float(bore.area.min())
    holds = abs(lowest - quantity.value) <= 2e-5 * lowest + 0.05
    yield confirm("areas", holds, f"{len(bore.s)} sections, least {lowest:.2f} mm2")


def _facets(duct: Duct, rows: tuple[Station, ...], bore: Bore) -> Claim:
    """That the shares allowed for the facets are no less than the outlines show."""
    step = max(1, len(rows) // 12)
    shown = max(missed(row, duct) / row.area for row in rows[::step])
    given = bore.minus + bore.plus
    words = f"{100.0 * shown:.4f} % between chords and arcs, {100.0 * given:.4f} % allowed for"
    return confirm("facets", given >= FACETS * shown - 1e-9, words)


def _along(runs: list[Run], told: Any) -> Iterator[Claim]:
    """The Mach number along the path, and each share of the loss."""
    choked = max(run.choked for run in runs)
    state = "passes" if choked <= 1.0 else "chokes" if runs[3].choked > 1.0 else "may choke"
    words = f"{state}: {100.0 * choked:.1f} % of the choked flow at most"
    yield confirm("state", told["state"] == state, words)
    if choked > 1.0 or told["mach"] is None:
        return
    spread = np.sort(np.stack([runs[k].mach for k in (3, 0, 6)]), axis=0)
    given = np.array([told["mach"][name] for name in ("low", "value", "high")], dtype=np.float64)
    off = float(np.abs(spread - given).max())
    yield confirm("Mach numbers along the path", off <= 2e-4, f"{off:.6f} off at most")
    worst, where = 0.0, ""
    for n, share in enumerate(told["shares"]):
        own = interval([1e-3 * float(run.lost[n]) for run in runs])
        ends = [float(share[name]) for name in ("low", "value", "high")]
        apart = max(abs(a - b) - SHARE * abs(b) for a, b in zip(ends, own, strict=True))
        if apart > worst:
            worst, where = apart, str(share["name"])
    words = f"{len(told['shares'])} shares" + (f", {where} {worst:.5f} kPa off" if where else "")
    yield confirm("shares of the loss", worst <= LEAST, words)


def _answer(finding: Finding, flow: FlowEntry, runs: list[Run]) -> Iterator[Claim]:
    """The figure that the finding gives, with its interval."""
    quantity = finding.quantity
    if quantity is None:
        # Of a flow that does not pass there is no loss.
        holds = finding.verdict is not Verdict.PASS and any(run.choked > 1.0 for run in runs)
        yield confirm("no number", holds, "the flow may choke" if holds else "the flow passes")
        return
    limits = {"Mach": flow.most_mach, "%": flow.least_margin, "kPa": flow.most_loss}
    asked = finding.requirement is not None
    yield from same_limit(finding, limits[quantity.unit] if asked else None)
    if asked and finding.requirement is not None:
        sense = "at least" if quantity.unit == "%" else "at most"
        yield confirm("sense", finding.requirement.sense == sense, sense)
    if quantity.unit == "Mach":
        # A flow that chokes does so at Mach 1.
        own = interval([1.0 if run.choked > 1.0 else float(run.mach.max()) for run in runs])
    elif quantity.unit == "%":
        own = interval([100.0 - 100.0 * run.choked for run in runs], falls=True)
    else:
        own = interval([1e-3 * float(run.lost.sum()) for run in runs])
    given = (quantity.low, quantity.value, quantity.high)
    holds = all(abs(a - b) <= SHARE * abs(b) + LEAST for a, b in zip(given, own, strict=True))
    words = (
        f"{own[1]:.5f} ({own[0]:.5f} .. {own[2]:.5f}) against {given[1]:.5f} "
        f"({given[0]:.5f} .. {given[2]:.5f}) {quantity.unit}"
    )
    yield confirm(quantity.name, holds, words)


def _place(finding: Finding, duct: Duct, middle: Run, bore: Bore, told: Any) -> Claim:
    """Where the air is fastest."""
    k = int(np.argmax(middle.mach))
    s = float(bore.s[k])
    for share in told["shares"]:
        gap = share.get("opening")
        if gap is not None and abs(share["at"] - s) <= 1e-3 and gap < bore.area[k]:
            s = 0.5 * (share["from"] + share["to"])
            break
    point = np.array(finding.witnesses[0].point)
    near, off = duct.line.nearest(point)
    fast = float(middle.mach[int(np.argmin(np.abs(bore.s - near)))])
    # Stations of one even stretch are equally fast.
    holds = off <= 1e-2 and (abs(near - s) <= 0.05 or fast >= float(middle.mach[k]) * (1 - 1e-5))
    return confirm("fastest place", holds, f"{s:.2f} mm along the path; shown {near:.2f} mm")


def _misplaced(
    finding: Finding, duct: Duct, rows: tuple[Station, ...], told: Any
) -> Iterator[Claim]:
    """A blade that does not stand as its angle says."""
    flow = duct.entry.flow
    assert flow is not None
    name = finding.parts[0]
    entry = next((one for one in flow.blades if one.part == name), None)
    given = next((one for one in told["blades"] if one["part"] == name), None)
    if entry is None or given is None or entry.shaft is None:
        yield confirm("blade", False, "the project file knows no such blade with its shaft")
        return
    bore = _bore(rows, told)
    seen = Shares(duct, rows, bore, told["shares"]).open_share(name)
    holds = abs(seen - given["open_share"]) <= SEEN
    yield confirm("open share", holds, f"{100.0 * seen:.2f} % as seen along the bore")
    wide = 2.0 * float(np.sqrt(rows[0].bore / np.pi))
    ideal = closed_form(duct, entry, wide)
    holds = abs(ideal - given["closed_form"]) <= SEEN
    yield confirm("closed form", holds, f"{100.0 * ideal:.2f} % by an ellipse and a shaft")
    holds = abs(seen - ideal) >= MISPLACED - 2.0 * SEEN
    if finding.verdict is not Verdict.UNDECIDED:
        holds = False
    yield confirm("stands otherwise", holds, f"{100.0 * abs(seen - ideal):.2f} % of the bore apart")


def closed_form(duct: Duct, entry: BladeEntry, wide: float) -> float:
    """Open share of a round bore past an ellipse on a shaft, drawn and measured."""
    turn = np.linspace(0.0, 2.0 * np.pi, 4097)
    bore = shapely.Polygon(np.c_[np.cos(turn), np.sin(turn)])
    flat = np.cos(np.radians(90.0 - duct.angle_of(entry)))
    across = flat / np.cos(np.radians(entry.closed_angle))
    blade = shapely.Polygon(np.c_[np.cos(turn), across * np.sin(turn)])
    half = float(entry.shaft or 0.0) / wide
    shaft = shapely.box(-2.0, -half, 2.0, half)
    hidden = shapely.make_valid(blade).union(shaft).intersection(bore)
    return float(1.0 - hidden.area / bore.area)

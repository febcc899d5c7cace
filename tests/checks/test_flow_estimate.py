"""Findings of the flow estimate: what passes, fails, cannot be decided, or is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError

from geomcheck.checks import flow_estimate
from geomcheck.errors import ProjectError
from geomcheck.finding import Finding, Verdict, exit_code
from geomcheck.flow import gas
from geomcheck.project.entries import FlowEntry
from geomcheck.project.surveys import MeasuredDuct


def tube(gap: float = 0.0) -> trimesh.Trimesh:
    """A round tube, bore 80, 200 long; in two halves with a gap where there is one."""
    halves = [trimesh.creation.annulus(40, 46, 100 - gap, sections=128) for _ in range(2)]
    halves[0].apply_translation([0, 0, 50 - gap / 2])
    halves[1].apply_translation([0, 0, 150 + gap / 2])
    if gap:
        return trimesh.util.concatenate(halves)
    return trimesh.creation.annulus(40, 46, 200, sections=128).apply_translation([0, 0, 100])


def blade(off_wide_open: float) -> trimesh.Trimesh:
    """A thin round blade that shuts the bore, turned about the x axis at z = 100."""
    disc = trimesh.creation.cylinder(39.98, 0.8, sections=64)
    turn = trimesh.transformations.rotation_matrix(np.radians(90 - off_wide_open), [1, 0, 0])
    return disc.apply_transform(turn).apply_translation([0, 0, 100])


def shaft(radius: float = 5.0) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, segment=[(-60, 0, 100), (60, 0, 100)], sections=96)


def asked(
    part: Callable[..., Any],
    assembly: Callable[..., Any],
    flow: dict[str, Any],
    *,
    wall: trimesh.Trimesh | None = None,
    things: dict[str, trimesh.Trimesh] | None = None,
    states: Any = (),
    **duct: Any,
) -> list[Finding]:
    parts = [part("casting", tube() if wall is None else wall, role="housing")]
    entry: dict[str, Any] = {
        "name": "inlet", "walls": ["casting"], "path": [[0, 0, 0], [0, 0, 200]], "spacing": 5.0,
        "flow": flow,
    }  # fmt: skip
    for name, mesh in (things or {}).items():
        parts.append(part(name, mesh, role="carried"))
        entry.setdefault("obstacles", []).append(name)
    if states:
        entry["states"] = [state["name"] for state in states]
    made = assembly(*parts, ducts=[entry | duct], states=states)
    findings = list(flow_estimate.run(made, flow_estimate.Settings()))
    for finding in findings:
        assert finding.code == flow_estimate.CODE
        assert finding.entry is not None
        assert finding.entry.entry.startswith('duct "inlet" > flow')
        assert "does not replace a flow bench" in finding.caution
        assert json.loads(json.dumps(dict(finding.details))) == dict(finding.details)
        assert finding.verdict == Verdict.PASS or finding.remedy
    return findings


MACH = float(gas.subsonic_mach(0.25 / gas.choked_flow(np.pi * 1600)))


def test_within_all_limits_passes(part: Any, assembly: Any) -> None:
    findings = asked(
        part, assembly,
        {"mass_flow": 0.25, "most_mach": 0.2, "least_margin": 50.0, "most_loss": 1.0},
    )  # fmt: skip
    assert [f.verdict for f in findings] == [Verdict.PASS] * 3
    mach, margin, loss = findings
    assert mach.quantity is not None
    assert mach.quantity.low <= MACH * 1.001 <= mach.quantity.high * 1.001
    assert margin.quantity is not None
    assert margin.quantity.value == pytest.approx(79.4, abs=0.2)
    assert loss.quantity is not None
    assert 0.02 < loss.quantity.low < loss.quantity.high < 0.12
    assert "Mach number 0.120" in mach.message
    assert mach.details["state"] == "passes"
    assert mach.details["shares"][-1]["name"] == "wall friction"
    assert "shares" not in loss.details and len(loss.details["path"]) > 10
    assert exit_code(findings) == 0


def test_a_shaft_that_costs_too_much_fails_and_is_named(part: Any, assembly: Any) -> None:
    findings = asked(
        part, assembly, {"mass_flow": 0.5, "most_loss": 0.2, "most_mach": 0.15, "inlet_edge": 0},
        things={"shaft": shaft(9.0)},
    )  # fmt: skip
    assert [f.verdict for f in findings] == [Verdict.FAIL, Verdict.FAIL]
    mach, loss = findings
    assert "Widen the duct" in mach.remedy
    assert "%" in mach.remedy
    assert "restriction" in loss.message
    assert "entry, edge radius 0 mm" in loss.message
    assert "flow bench" in loss.remedy
    assert mach.witnesses[0].point[2] == pytest.approx(100.0, abs=1.0)
    assert exit_code(findings) == 1


def test_within_the_spread_is_undecided(part: Any, assembly: Any) -> None:
    (found,) = asked(
        part, assembly, {"mass_flow": 0.25, "most_loss": 0.25}, things={"shaft": shaft()}
    )
    assert found.verdict == Verdict.UNDECIDED
    assert found.quantity is not None
    assert found.quantity.low < 0.25 < found.quantity.high


def test_without_a_limit_it_is_a_remark(part: Any, assembly: Any) -> None:
    (found,) = asked(part, assembly, {"mass_flow": 0.25})
    assert found.verdict == Verdict.NOT_APPLICABLE
    assert "No limit is asked" in found.message
    assert exit_code([found]) == 3
    made = assembly(part("casting", tube(), role="housing"), ducts=[
        {"name": "inlet", "walls": ["casting"], "path": [[0, 0, 0], [0, 0, 200]]}
    ])  # fmt: skip
    assert list(flow_estimate.run(made, flow_estimate.Settings())) == []


def test_a_flow_that_chokes_fails_whatever_is_asked(part: Any, assembly: Any) -> None:
    for limits in ({}, {"most_loss": 50.0}, {"least_margin": 0.0}, {"most_mach": 1.0}):
        (found,) = asked(part, assembly, {"mass_flow": 1.5, **limits})
        assert found.verdict == Verdict.FAIL, limits
        assert "does not pass, it chokes" in found.message
    choked = gas.choked_flow(np.pi * 1600)
    (found,) = asked(part, assembly, {"mass_flow": 0.965 * choked, "most_loss": 500.0})
    assert (found.verdict, "may choke" in found.message) == (Verdict.UNDECIDED, True)
    for limits in ({}, {"most_mach": 1.0}, {"least_margin": 0.0}):
        (found,) = asked(part, assembly, {"mass_flow": 0.965 * choked, **limits})
        assert found.verdict == Verdict.UNDECIDED, limits


def test_a_station_without_a_number_is_undecided(part: Any, assembly: Any) -> None:
    (found,) = asked(part, assembly, {"mass_flow": 0.25, "most_loss": 5.0}, wall=tube(0.4))
    assert found.verdict == Verdict.UNDECIDED
    assert "leaking" in found.message
    assert "flow-area" in found.remedy


def test_a_stretch_without_a_bound_is_no_pass(
    part: Any, assembly: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = MeasuredDuct.survey
    monkeypatch.setattr(
        MeasuredDuct, "survey", lambda self: replace(whole(self), unbounded=((90.0, 95.0),))
    )
    (found,) = asked(part, assembly, {"mass_flow": 0.25, "most_mach": 0.3})
    assert found.verdict == Verdict.UNDECIDED
    assert "not bounded" in found.message
    (found,) = asked(part, assembly, {"mass_flow": 0.25, "most_mach": 0.1})
    assert found.verdict == Verdict.FAIL


def test_a_blower_is_an_interval_of_flow(part: Any, assembly: Any) -> None:
    flow = {"displacement": 1.6, "speed": 9000, "volumetric_efficiency": [0.8, 0.95]}
    (found,) = asked(part, assembly, flow | {"inlet_pressure": 95.0, "inlet_temperature": 30})
    rho = 95000.0 / (gas.R * 303.15)
    assert found.details["mass_flow"] == pytest.approx([0.24 * 0.8 * rho, 0.24 * 0.95 * rho], 1e-3)
    assert "rev/min" in found.details["mass_flow_from"]
    assert found.quantity is not None
    assert "mass flow" in {term.name for term in found.quantity.terms}


def test_a_blade_in_two_states(part: Any, assembly: Any) -> None:
    def state(name: str, angle: float) -> dict[str, Any]:
        turn = [{"axis": [1, 0, 0], "angle": angle, "about": [0, 0, 100]}]
        return {"name": name, "part": [{"name": "blade", "place": {"turn": turn}}]}

    flow = {
        "mass_flow": 0.15,
        "most_mach": 0.4,
        "blade": [{"part": "blade", "angle": {"part-open": 40, "shut": 40}, "shaft": 10.0}],
    }
    states = [state("part-open", 40), state("shut", 60)]
    things = {"blade": blade(0), "shaft": shaft()}
    findings = asked(part, assembly, flow, things=things, states=states)
    part_open = [f for f in findings if 'state "part-open"' in f.subject]
    shut = [f for f in findings if 'state "shut"' in f.subject]
    (right,) = part_open
    assert right.verdict == Verdict.PASS
    told = right.details["blades"][0]
    # Closed form with a shaft of 10 in 80, 50 degrees from shut.
    assert told["closed_form"] == pytest.approx(0.349, abs=0.01)
    assert told["open_share"] == pytest.approx(told["closed_form"], abs=0.01)
    assert right.witnesses[0].point == pytest.approx((0, 0, 100), abs=1.0)
    # In the other state the mesh stands at 60 degrees, but 40 are said.
    assert [f.verdict for f in shut][-1] == Verdict.UNDECIDED
    assert "of the bore open as it stands" in shut[-1].message


def test_a_blade_beyond_the_handbooks_is_undecided(part: Any, assembly: Any) -> None:
    flow = {"mass_flow": 0.1, "most_loss": 50.0, "blade": [{"part": "blade", "angle": 80}]}
    (found,) = asked(part, assembly, flow, things={"blade": blade(80)})
    assert found.verdict == Verdict.UNDECIDED
    assert "80 degrees" in found.message


def test_a_blade_that_cannot_shut_is_refused(part: Any, assembly: Any) -> None:
    flow = {
        "mass_flow": 0.1,
        "blade": [{"part": "blade", "angle": 60, "closed_angle": 40, "shaft": 8}],
    }
    with pytest.raises(ProjectError, match="no throttle blade at 30 degrees"):
        asked(part, assembly, flow, things={"blade": blade(60)})


@pytest.mark.parametrize(
    ("flow", "words"),
    [
        ({}, "mass_flow"),
        ({"mass_flow": 0.2, "speed": 9000}, "mass_flow"),
        ({"displacement": 1.6, "speed": 9000}, "volumetric_efficiency"),
        ({"displacement": 1.6, "speed": 9000, "volumetric_efficiency": [0.9, 0.8]}, "lower bound"),
        ({"displacement": 1.6, "speed": 9000, "volumetric_efficiency": [85, 95]}, "share"),
        ({"mass_flow": 0.2, "roughness": [0.3, 0.1]}, "lower bound"),
        ({"mass_flow": -0.2}, "greater than 0"),
        ({"mass_flow": 0.2, "most_mach": 1.5}, "less than or equal to 1"),
    ],
)
def test_settings_that_make_no_sense(flow: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        FlowEntry.model_validate(flow)


def test_docstring_has_its_three_paragraphs() -> None:
    assert flow_estimate.__doc__ is not None
    for heading in ("What:", "Why:", "Remedy:"):
        assert f"\n{heading} " in flow_estimate.__doc__
    assert "does not replace a flow bench" in flow_estimate.__doc__.replace("\n", " ")

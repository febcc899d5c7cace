"""Findings on ducts: what passes, fails, cannot be decided, or is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.checks import flow_area
from geomcheck.errors import ProjectError
from geomcheck.finding import Finding, Verdict, exit_code

#: pi a^2, and what a shaft of 10 mm across an 80 mm bore leaves of it (closed form).
ROUND, THROAT = 5026.548, 4228.636


def tube(z0: float = 0.0, z1: float = 200.0, torn: bool = False) -> trimesh.Trimesh:
    """A round tube, bore 80, wall 6."""
    made = trimesh.creation.annulus(40, 46, z1 - z0, sections=128)
    made.apply_translation([0, 0, 0.5 * (z0 + z1)])
    if torn:
        inner = np.linalg.norm(made.triangles_center[:, :2], axis=1) < 41
        made = trimesh.Trimesh(
            made.vertices, np.delete(made.faces, np.flatnonzero(inner)[3], axis=0), process=False
        )
    return made


def shaft(z: float = 100.0, radius: float = 5.0) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, segment=[(-60, 0, z), (60, 0, z)], sections=96)


def asked(
    part: Callable[..., Any],
    assembly: Callable[..., Any],
    *,
    wall: trimesh.Trimesh | None = None,
    thing: trimesh.Trimesh | None = None,
    check: dict[str, float] | None = None,
    **duct: Any,
) -> list[Finding]:
    parts = [part("casting", tube() if wall is None else wall, role="housing")]
    entry: dict[str, Any] = {
        "name": "inlet", "walls": ["casting"], "path": [[0, 0, 0], [0, 0, 200]], "spacing": 10.0,
    }  # fmt: skip
    if thing is not None:
        parts.append(part("shaft", thing))
        entry["obstacles"] = ["shaft"]
    made = assembly(*parts, ducts=[entry | duct])
    findings = list(flow_area.run(made, flow_area.Settings(**(check or {}))))
    for finding in findings:
        assert finding.code == flow_area.CODE
        assert finding.entry is not None
        assert finding.entry.entry.startswith('duct "inlet"')
        assert json.loads(json.dumps(dict(finding.details))) == dict(finding.details)
        assert finding.remedy == "" or finding.verdict != Verdict.PASS
    return findings


def test_wide_enough_passes(part: Any, assembly: Any) -> None:
    findings = asked(part, assembly, least_area=4900.0)
    assert [f.verdict for f in findings] == [Verdict.PASS]
    (found,) = findings
    assert found.quantity is not None
    assert found.quantity.low <= ROUND <= found.quantity.high
    assert "100.0 % of the inlet" in found.message
    assert exit_code(findings) == 0


def test_a_shaft_across_fails_and_is_named(part: Any, assembly: Any) -> None:
    findings = asked(part, assembly, thing=shaft(), least_area=4500.0)
    least, dip = findings
    assert least.verdict == Verdict.FAIL
    assert least.quantity is not None
    assert least.quantity.low <= THROAT <= least.quantity.high
    assert least.parts == ("casting", "shaft")
    assert '"shaft" takes 79' in least.message
    assert '"shaft"' in least.remedy
    assert least.witnesses[0].label == "throat"
    assert least.witnesses[0].point == pytest.approx((0, 0, 100), abs=0.05)
    assert least.view == pytest.approx((0, 0, 1))
    assert least.details["throat"]["area"] == pytest.approx(least.quantity.value, abs=1e-4)
    assert least.details["inlet_area"] == pytest.approx(ROUND, rel=1e-3)
    assert least.details["restrictions"][0]["part"] == "shaft"
    assert len(least.details["outlines"]["throat"]) == 2
    assert (dip.verdict, dip.quantity is not None) == (Verdict.NOT_APPLICABLE, True)
    assert exit_code(findings) == 1


def test_within_the_uncertainty_is_undecided(part: Any, assembly: Any) -> None:
    # The true area, to the facets' uncertainty.
    least, *_ = asked(part, assembly, thing=shaft(), least_area=THROAT)
    assert least.verdict == Verdict.UNDECIDED
    assert "finer tolerance" in least.remedy or "wanting" in least.remedy


def test_no_requirement_is_no_pass(part: Any, assembly: Any) -> None:
    findings = asked(part, assembly)
    assert [f.verdict for f in findings] == [Verdict.NOT_APPLICABLE]
    assert findings[0].quantity is not None
    assert exit_code(findings) == 3


def test_a_hole_in_the_wall_is_undecided_with_its_place(part: Any, assembly: Any) -> None:
    findings = asked(
        part, assembly, wall=tube(torn=True), least_area=4900.0, path=[[0, 0, 5], [0, 0, 195]]
    )
    assert {f.verdict for f in findings} == {Verdict.UNDECIDED}
    assert any("do not close" in f.message or "does not close" in f.message for f in findings)
    assert exit_code(findings) == 4


def test_a_hole_does_not_hide_a_fail(part: Any, assembly: Any) -> None:
    wall = trimesh.util.concatenate([tube(0, 100), tube(100.2, 200, torn=True)])
    findings = asked(part, assembly, wall=wall, thing=shaft(50), least_area=4500.0)
    assert findings[0].verdict == Verdict.FAIL
    assert not any("could not be measured" in f.message for f in findings[1:])


def test_a_flange_gap_is_undecided_and_a_gasket_mends_it(part: Any, assembly: Any) -> None:
    entry = {
        "name": "inlet", "walls": ["casting", "pipe"], "path": [[0, 0, 0], [0, 0, 200.2]],
        "spacing": 7.0, "least_area": 4900.0,
    }  # fmt: skip
    casting, pipe = part("casting", tube(0, 100), role="housing"), part("pipe", tube(100.2, 200.2))
    findings = list(flow_area.run(assembly(casting, pipe, ducts=[entry]), flow_area.Settings()))
    assert [f.verdict for f in findings] == [Verdict.UNDECIDED, Verdict.UNDECIDED]
    assert "not every station" in findings[0].message
    assert "leaking" in findings[1].subject
    assert "gap" in findings[1].message
    assert findings[1].witnesses[0].point[2] == pytest.approx(100.1, abs=0.11)
    gasket = part("gasket", tube(100, 100.2))
    mended = assembly(
        casting, pipe, gasket, ducts=[entry | {"walls": ["casting", "pipe", "gasket"]}]
    )
    assert [f.verdict for f in flow_area.run(mended, flow_area.Settings())] == [Verdict.PASS]


def test_a_path_through_metal_is_undecided(part: Any, assembly: Any) -> None:
    plug = trimesh.creation.cylinder(41, 1).apply_translation([0, 0, 90])
    findings = asked(part, assembly, thing=plug, least_area=4000.0)
    assert {f.verdict for f in findings} == {Verdict.UNDECIDED}
    assert "runs through metal" in findings[1].message


@pytest.mark.parametrize(
    ("percent", "verdict"), [(17.0, Verdict.PASS), (15.0, Verdict.FAIL), (15.87, Verdict.UNDECIDED)]
)
def test_losses(part: Any, assembly: Any, percent: float, verdict: Verdict) -> None:
    findings = asked(
        part, assembly, thing=shaft(), least_area=4000.0,
        loss=[{"from": 20.0, "to": 100.0, "percent": percent}],
    )  # fmt: skip
    loss = findings[1]
    assert loss.verdict == verdict
    assert loss.quantity is not None
    # 1 - throat / (pi a^2) = 15.874 %.
    assert loss.quantity.low <= 15.8740 <= loss.quantity.high
    assert loss.entry is not None
    assert "loss" in loss.entry.entry


def test_a_loss_at_an_unmeasured_station_is_undecided(part: Any, assembly: Any) -> None:
    plug = trimesh.creation.cylinder(41, 4).apply_translation([0, 0, 90])
    findings = asked(part, assembly, thing=plug, loss=[{"from": 20.0, "to": 90.0, "percent": 5.0}])
    assert findings[-1].verdict == Verdict.UNDECIDED
    assert "is not known" in findings[-1].message


def test_restrictions_that_are_not_allowed(part: Any, assembly: Any) -> None:
    def strict(**more: Any) -> Finding:
        return asked(part, assembly, least_area=1000.0, allow_restrictions=False, **more)[-1]

    found = strict(thing=shaft())
    assert found.verdict == Verdict.FAIL
    assert found.parts[-1] == "shaft"
    assert found.quantity is not None
    assert found.quantity.low <= 15.8740 <= found.quantity.high
    assert strict().verdict == Verdict.PASS
    assert strict(thing=shaft(), restriction=20.0).verdict == Verdict.PASS
    assert strict(thing=shaft(), restriction=15.87).verdict == Verdict.UNDECIDED
    plug = trimesh.creation.cylinder(41, 1).apply_translation([0, 0, 90])
    assert strict(thing=plug).verdict == Verdict.UNDECIDED


def test_a_small_part_may_hide_no_dip(part: Any, assembly: Any) -> None:
    # 0.8 mm rod between two stations 10 mm apart: 1.3 % of the bore.
    thing = shaft(103.3, 0.4)
    least, dip = asked(part, assembly, thing=thing, restriction=1.0, allow_restrictions=False)
    assert least.quantity is not None
    assert least.quantity.value == pytest.approx(ROUND - 0.8 * 80, rel=1e-3)
    assert (dip.verdict, dip.parts[-1]) == (Verdict.FAIL, "shaft")


@pytest.mark.parametrize(
    ("duct", "words"),
    [
        ({"walls": ["castign"]}, 'no part "castign"'),
        ({"obstacles": ["valve"]}, 'no part "valve"'),
        ({"obstacles": ["casting"]}, "named twice"),
        ({"path": [[0, 0, 0], [0, 0, 0]]}, "same point"),
        ({"path": [[0, 0, 0], [0, 0, 90], [0, 0, 10]]}, "turns back"),
        ({"path": [[90, 0, 0], [90, 0, 200]]}, "outside the duct"),
        ({"path": [[43, 0, 5], [43, 0, 195]]}, "outside the duct"),
        ({"loss": [{"from": 50.0, "to": 20.0, "percent": 5.0}]}, "from 50 to 20 mm"),
        ({"loss": [{"from": 50.0, "to": 220.0, "percent": 5.0}]}, "path of 200.00 mm"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_line(
    part: Any, assembly: Any, duct: dict[str, Any], words: str
) -> None:
    with pytest.raises(ProjectError, match=words) as caught:
        asked(part, assembly, **duct)
    assert caught.value.line is not None
    assert 'duct "inlet"' in caught.value.entry


def test_a_wall_that_closes_nowhere_is_undecided(part: Any, assembly: Any) -> None:
    wall = tube(torn=True)
    findings = asked(part, assembly, wall=wall, least_area=10.0, path=[[0, 0, 60], [0, 0, 140]])
    states = {f.verdict for f in findings}
    assert states == {Verdict.UNDECIDED}


def test_coarse_stations_change_nothing(part: Any, assembly: Any) -> None:
    areas = [
        asked(part, assembly, thing=shaft(91.7), spacing=step)[0].quantity for step in (40.0, 2.0)
    ]
    assert areas[0] is not None
    assert areas[1] is not None
    assert areas[0].value == pytest.approx(areas[1].value, rel=5e-4)


def test_docstring_has_its_three_paragraphs() -> None:
    assert flow_area.__doc__ is not None
    for heading in ("What:", "Why:", "Remedy:"):
        assert f"\n{heading} " in flow_area.__doc__

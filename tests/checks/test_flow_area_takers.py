"""What takes area at a restriction, how to win it back, and the state it belongs to."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import trimesh

from geomcheck.checks import flow_area
from geomcheck.finding import Finding, Verdict

PATH = [[0, 0, 0], [0, 0, 200]]
_TURN = np.arange(64) * np.pi / 32


def pipe() -> trimesh.Trimesh:
    made = trimesh.creation.annulus(40, 46, 200, sections=64)
    return made.apply_translation([0, 0, 100])


def asked(part: Any, assembly: Any, *parts: Any, states: Any = (), **duct: Any) -> list[Finding]:
    entry = {"name": "inlet", "walls": ["casting"], "path": PATH, "spacing": 5.0} | duct
    if states:
        entry["states"] = [state["name"] for state in states]
    made = assembly(*parts, ducts=[entry], states=states)
    found = list(flow_area.run(made, flow_area.Settings()))
    return [one for one in found if one.subject.endswith("restriction")]


def test_a_part_is_named_with_its_way_out(part: Any, assembly: Any) -> None:
    """A rod along y across the whole bore takes a strip; 80 x 10 less the strip's round ends."""
    rod = trimesh.creation.cylinder(5, segment=[(0, -45, 100), (0, 45, 100)], sections=64)
    parts = part("casting", pipe(), role="housing", sagitta=0.0), part("rod", rod, sagitta=0.0)
    (dip,) = asked(
        part, assembly, *parts, obstacles=["rod"], restriction=3.0, allow_restrictions=False
    )
    assert dip.verdict is Verdict.FAIL and dip.parts[-1] == "rod"
    bore = shapely.Polygon(40 * np.c_[np.cos(_TURN), np.sin(_TURN)])
    want = bore.intersection(shapely.box(-5, -50, 5, 50)).area
    (told,) = dip.details["taken"]
    assert (told["part"], told["cast_in"]) == ("rod", False)
    assert told["area_lost"] == pytest.approx(want, rel=1e-3)
    assert told["low"] <= told["area_lost"] <= told["high"]
    # All of the rod must leave the bore: sideways by its radius and the bore's.
    assert told["move"]["enough"] and 44.0 < told["move"]["distance"] < 45.1
    assert 'ove "rod"' in dip.remedy and "win back all it takes" in dip.remedy
    assert [w.label for w in dip.witnesses] == ["restriction", "takes area"]
    assert abs(dip.witnesses[1].point[0]) <= 5.0 + 1e-6


def test_what_is_cast_in_is_to_be_cut_back(part: Any, assembly: Any) -> None:
    """A ball of 16 whose middle lies in the wall takes a lens, standing in by its radius."""
    wall = trimesh.boolean.union(
        [pipe(), trimesh.creation.icosphere(3, 16).apply_translation([-40, 0, 100])],
        engine="manifold",
    )
    casting = part("casting", wall, role="housing", sagitta=0.0)
    (dip,) = asked(part, assembly, casting, restriction=3.0, allow_restrictions=False)
    bore = shapely.Polygon(40 * np.c_[np.cos(_TURN), np.sin(_TURN)])
    want = bore.intersection(shapely.Point(-40, 0).buffer(16, 64)).area
    (told,) = dip.details["taken"]
    assert (told["part"], told["cast_in"]) == ("casting", True)
    assert told["area_lost"] == pytest.approx(want, rel=0.05)
    assert told["stands_in"] == pytest.approx(16.0, abs=0.5)
    assert told["cut_back"]["direction"][0] == pytest.approx(-1.0, abs=0.02)
    assert "what is cast into" in dip.message and "ut back what is cast into" in dip.remedy


def test_a_remark_names_the_part_and_seeks_no_way(part: Any, assembly: Any) -> None:
    rod = trimesh.creation.cylinder(5, segment=[(0, -45, 100), (0, 45, 100)], sections=64)
    parts = part("casting", pipe(), role="housing", sagitta=0.0), part("rod", rod, sagitta=0.0)
    (dip,) = asked(part, assembly, *parts, obstacles=["rod"])
    assert dip.verdict is Verdict.NOT_APPLICABLE
    (told,) = dip.details["taken"]
    assert told["part"] == "rod" and "move" not in told
    # What is told already is not told twice.
    assert dip.message.count('"rod"') == 1


def test_a_restriction_is_named_for_its_state(part: Any, assembly: Any) -> None:
    """A blade of 60 x 4 lies along the bore when open and stands at 40 degrees part-open."""
    blade = trimesh.creation.box((60, 4, 60)).apply_translation([0, 0, 100])

    def state(name: str, angle: float) -> dict[str, Any]:
        turn = [{"axis": [1, 0, 0], "angle": angle, "about": [0, 0, 100]}]
        return {"name": name, "part": [{"name": "blade", "place": {"turn": turn}}]}

    parts = part("casting", pipe(), role="housing", sagitta=0.0), part("blade", blade, sagitta=0.0)
    states = [state("open", 0), state("part-open", 40)]
    found = asked(part, assembly, *parts, states=states, obstacles=["blade"], restriction=2.0)
    areas = {}
    for dip in found:
        (told,) = dip.details["taken"]
        assert told["part"] == "blade"
        areas[dip.subject] = told["area_lost"]
    opened, turned = (
        f'duct "inlet", state "{name}", restriction' for name in ("open", "part-open")
    )
    assert set(areas) == {opened, turned}
    # Closed form of a plane square to the path: 60 x 4, and 60 x 4 / sin(50 degrees) at 40.
    assert areas[opened] == pytest.approx(240.0, rel=1e-3)
    assert areas[turned] == pytest.approx(240.0 / np.sin(np.radians(50)), rel=1e-3)

"""Verdicts on ducts with side openings: against areas of a polygon less a circle or a rectangle.

Every duct is a straight pipe of 64 sides, so the true least section is that of the bore less what
stands in it: the air has no use for a dead opening, however much of it a plane shows.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import trimesh

from geomcheck.checks import flow_area
from geomcheck.finding import Finding, Verdict
from geomcheck.flow.beside_words import past
from geomcheck.flow.cast_around import cast_around
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area

_TURN = np.arange(64) * np.pi / 32
DOWN, UP = [0, 0, -1], [0, 0, 1]


def outline(radius: float) -> Any:
    return shapely.Polygon(radius * np.c_[np.cos(_TURN), np.sin(_TURN)])


FULL = outline(30).area
OPEN = outline(30).difference(shapely.Point(-30, 0).buffer(16, 64)).area


def rod(radius: float, a: Any, b: Any, sections: int = 64) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, segment=[a, b], sections=sections)


def ball(z: float, radius: float = 16.0, x: float = -30.0) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(3, radius).apply_translation([x, 0, z])


def union(*solids: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(solids), engine="manifold")


def less(solid: trimesh.Trimesh, *others: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.difference([solid, *others], engine="manifold")


PIPE = rod(30, (0, 0, 0), (0, 0, 200))
ROOM = trimesh.creation.box((400, 400, 200)).apply_translation([0, 0, 100])


def asked(part: Any, assembly: Any, void: trimesh.Trimesh, **duct: Any) -> Finding:
    duct = {"path": [[0, 0, 0], [0, 0, 200]]} | duct
    entry = {"name": "inlet", "walls": ["casting"], "void": True, "spacing": 4.0} | duct
    if entry["path"] is None:
        del entry["path"]
    made = assembly(part("casting", void, role="housing", sagitta=0.0), ducts=[entry])
    return next(flow_area.run(made, flow_area.Settings()))


OPENINGS = {
    "dead bore": (100, [rod(12, (0, 0, 100), (90, 0, 100))]),
    "two side by side": (
        100,
        [rod(9, (0, 0, 100), (70, 45, 100)), rod(9, (0, 0, 100), (70, -45, 100))],
    ),
    "one behind the other": (
        92,
        [rod(10, (0, 0, 92), (90, 0, 92)), rod(10, (0, 0, 114), (90, 0, 114))],
    ),
    "at the outlet": (190, [rod(18, (0, 0, 196), (90, 0, 196))]),
    "at the inlet": (8, [rod(18, (0, 0, 3), (90, 0, 3))]),
    "leaning past the outlet": (188, [rod(18, (0, 0, 200), (80, 0, 160))]),
}


@pytest.mark.parametrize("name", OPENINGS)
def test_an_opening_and_a_boss_are_no_pass(part: Any, assembly: Any, name: str) -> None:
    z, openings = OPENINGS[name]
    void = trimesh.boolean.intersection([union(PIPE, *openings), ROOM], engine="manifold")
    masked = less(void, ball(z))
    assert asked(part, assembly, void, least_area=FULL - 20.0).verdict is Verdict.PASS
    found = asked(part, assembly, masked, least_area=OPEN + 20.0)
    assert found.verdict is Verdict.UNDECIDED
    assert found.quantity is not None and found.quantity.low <= OPEN * 1.005
    assert "side opening" in found.message and "planes and cut" in found.remedy
    # What is surely open past it is enough.
    assert asked(part, assembly, masked, least_area=0.95 * OPEN).verdict is Verdict.PASS
    # More than the bore ever had is no longer a question.
    assert asked(part, assembly, masked, least_area=1.02 * FULL).verdict is Verdict.FAIL


def test_a_path_found_by_itself(part: Any, assembly: Any) -> None:
    """The path is drawn towards the opening; it leans there."""
    void = union(PIPE, rod(12, (0, 0, 100), (90, 0, 100)))
    ports = {
        "path": None,
        "inlet": {"at": [0, 0, 0], "normal": DOWN},
        "outlet": [{"at": [0, 0, 200], "normal": UP}],
    }
    found = asked(part, assembly, void, least_area=0.97 * FULL, **ports)
    assert found.verdict is Verdict.PASS
    found = asked(part, assembly, less(void, ball(100)), least_area=OPEN + 20.0, **ports)
    assert found.verdict is not Verdict.PASS


def test_an_opening_in_a_bend(part: Any, assembly: Any) -> None:
    """A quarter torus of 64 sides, R 90; the opening outward, the boss on the inner side."""
    r, big, steps = 30.0, 90.0, 96
    turn = np.linspace(0.0, 0.5 * np.pi, steps + 1)
    path = big * np.c_[1.0 - np.cos(turn), np.zeros(steps + 1), np.sin(turn)]
    bend = trimesh.creation.sweep_polygon(
        shapely.Polygon(r * np.c_[np.cos(_TURN), np.sin(_TURN)]), path
    )
    out = np.array([-np.cos(np.pi / 4), 0.0, np.sin(np.pi / 4)])
    middle = np.array([big, 0.0, 0.0]) + big * out
    void = union(bend, rod(11, middle, middle + 80.0 * out))
    boss = trimesh.creation.icosphere(3, 16.0).apply_translation(middle - 30.0 * out)
    fine = np.linspace(0.03, 0.5 * np.pi - 0.03, 33)  # clear of the end faces
    line = big * np.c_[1.0 - np.cos(fine), np.zeros(33), np.sin(fine)]
    duct = {"path": line.tolist(), "spacing": 5.0}
    assert asked(part, assembly, void, least_area=0.97 * FULL, **duct).verdict is Verdict.PASS
    found = asked(part, assembly, less(void, boss), least_area=1.01 * OPEN, **duct)
    assert found.verdict is not Verdict.PASS


@pytest.mark.parametrize("seed", range(20))
def test_no_more_is_proved_than_the_bore_has(seed: int) -> None:
    """Random pipes, openings, bosses and spacings; without the boss nothing is lost."""
    g = np.random.default_rng(9000 + seed)
    r = g.uniform(20, 45)
    long, end = 5.0 * r, seed % 2 == 0
    mid = long if end else long * g.uniform(0.35, 0.65)
    if seed % 4 < 3:
        half, lean = r * g.uniform(0.2, 0.8), np.radians(g.uniform(-30, 30))
        deep = r * g.uniform(1.1, 3.0)
        tip = (deep * np.cos(lean), 0, mid + deep * np.sin(lean))
        opening = rod(half, (0, 0, mid), tip, 48)
    else:
        half = 0.5 * r * g.uniform(0.3, 2.0)
        opening = trimesh.creation.box((r, r * g.uniform(0.3, 1.2), 2.0 * half))
        opening.apply_translation([r, 0, mid])
    pipe = rod(r, (0, 0, 0), (0, 0, long))
    room = trimesh.creation.box((500, 500, long)).apply_translation([0, 0, 0.5 * long])
    void = trimesh.boolean.intersection([union(pipe, opening), room], engine="manifold")
    size = r * g.uniform(0.3, 0.6)
    boss = ball(mid - half * g.uniform(0.0, 0.6), size, -r)
    spacing = r * g.uniform(0.05, 0.4)
    bore = outline(r)
    open_there = bore.difference(shapely.Point(-r, 0).buffer(size, 64)).area
    for shape, least, most in ((void, bore.area, bore.area), (less(void, boss), 0.0, open_there)):
        survey = duct_area(
            cast_around(Surface.of(shape)), [(0, 0, 0), (0, 0, long)], spacing=spacing
        )
        area, _ = past(survey.throat.area, survey.beside)
        assert least * (1.0 - 1e-4) <= area.low <= most * 1.005

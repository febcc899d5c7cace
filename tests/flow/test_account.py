"""A survey as plain words and plain data."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.flow.account import (
    ROWS,
    details,
    place,
    remedy_for_throat,
    stretches,
    throat_in_words,
)
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area

Tube = Callable[..., trimesh.Trimesh]
Z = np.linspace(0, 200, 11)


def test_details_are_json_and_moderate(tube: Tube, bar: Tube) -> None:
    rod = bar(3, (-60, 0, 100), (60, 0, 100))
    gap = [tube(40, 45, Z / 2, 16), tube(40, 45, 100.2 + Z / 2, 16)]
    path = [(0, 0, 0), (0, 0, 200)]
    found = duct_area(gap, path, obstacles=rod.copy().apply_translation([0, 0, 30]), stations=1800)
    data = json.loads(json.dumps(details(found, ["front", "rear", "rod"])))
    curve = data["curve"]
    rows = len(curve["s"])
    assert {len(curve[key]) for key in curve} == {rows}
    assert len(data["path"]) == rows <= ROWS + 10
    assert curve["s"] == sorted(curve["s"])
    leaking = curve["state"].index("leaking")
    assert curve["area"][leaking] is None
    assert data["throat"]["s"] in curve["s"]
    assert data["throat"]["area"] == pytest.approx(min(a for a in curve["area"] if a))
    assert data["restrictions"][0]["part"] == "rod"
    for outline in [*data["outlines"]["throat"], *data["outlines"]["inlet"]]:
        assert outline[0] == outline[-1]
        assert len(outline) in (17, 33)  # on corners, or across both triangles of a side
    fine = duct_area(tube(40, 45, Z, 4096), path, stations=2, spacing=50)
    (ring,) = details(fine, ["duct"])["outlines"]["throat"]
    assert ROWS / 2 < len(ring) <= ROWS + 1


def test_words(tube: Tube, bar: Tube) -> None:
    rod = bar(3, (-60, 0, 100), (60, 0, 100))
    thing = Surface(rod.vertices, rod.faces, outward=np.full(len(rod.faces), 0.02))
    found = duct_area(tube(40, 45, Z), [(0, 0, 0), (0, 0, 200)], obstacles=thing)
    text = throat_in_words(found, ["casting", "shaft"])
    assert "at 100.00 mm along the path, (0.00, 0.00, 100.00)" in text
    assert '"shaft" takes 479.' in text
    assert '"shaft"' in remedy_for_throat(found, 5000, ["casting", "shaft"])
    area = found.throat.area
    assert "finer" in remedy_for_throat(found, 0.5 * (area.low + area.value), ["a", "b"])
    assert "measurable" in remedy_for_throat(found, 100, ["a", "b"])
    plain = duct_area(tube(40, 45, Z), [(0, 0, 0), (0, 0, 200)])
    assert "equivalent diameter of 79.94 to 80.00 mm" in remedy_for_throat(plain, 5026.55, ["a"])


def test_places_and_stretches() -> None:
    assert place((1, 2.345678, -0.0001)) == "(1.00, 2.35, 0.00)"
    many = stretches(np.arange(0, 90, 10.0), 1.0)
    assert many.endswith("50.00 mm and 3 more places")

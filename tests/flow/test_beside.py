"""A side opening does not hide a boss opposite: against areas of a polygon less a circle."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from geomcheck.flow.beside_words import past
from geomcheck.flow.cast_around import cast_around
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area

TURN = np.arange(64) * np.pi / 32
BORE = shapely.Polygon(30 * np.c_[np.cos(TURN), np.sin(TURN)])
OPENINGS = {
    "dead bore": trimesh.creation.cylinder(12, segment=[(0, 0, 100), (90, 0, 100)], sections=64),
    "slot": trimesh.creation.box((30, 40, 10)).apply_translation([30, 0, 100]),
    "wide slot": trimesh.creation.box((8, 50, 60)).apply_translation([30, 0, 100]),
}


@pytest.mark.parametrize("name", OPENINGS)
@pytest.mark.parametrize("boss", [True, False])
def test_open_past_an_opening(name: str, boss: bool) -> None:
    pipe = trimesh.creation.cylinder(30, segment=[(0, 0, 0), (0, 0, 200)], sections=64)
    void = trimesh.boolean.union([pipe, OPENINGS[name]], engine="manifold")
    want = BORE.area
    if boss:
        ball = trimesh.creation.icosphere(3, 16.0).apply_translation([-30, 0, 100])
        void = trimesh.boolean.difference([void, ball], engine="manifold")
        want = BORE.difference(shapely.Point(-30, 0).buffer(16, 64)).area
    survey = duct_area(cast_around(Surface.of(void)), [(0, 0, 0), (0, 0, 200)], spacing=4)
    area, found = past(survey.throat.area, survey.beside)
    assert area.low == pytest.approx(want, rel=5e-3)
    assert (found is not None) == boss

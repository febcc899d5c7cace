"""A void given as a solid measures as the duct it is."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.flow.cast_around import cast_around
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area


def test_the_block_has_the_volume_of_the_box_less_the_voids():
    void = trimesh.creation.cylinder(radius=20.0, height=100.0, sections=64)
    walls = cast_around(Surface.of(void))
    block = trimesh.Trimesh(walls.vertices, walls.faces, process=False)
    assert block.is_watertight and block.is_winding_consistent
    assert block.volume == pytest.approx(90.0 * 90.0 * 150.0 - void.volume)


def test_a_round_void_has_the_area_of_its_polygon():
    """(N / 2) r^2 sin(2 pi / N), and the chord errors on the other side."""
    void = trimesh.creation.cylinder(radius=20.0, height=100.0, sections=64)
    given = Surface(void.vertices, void.faces, "void", outward=np.full(len(void.faces), 0.03))
    walls = cast_around(given)
    assert walls.inward[: len(void.faces)] == pytest.approx(0.03) and not walls.outward.any()
    survey = duct_area(walls, [(0, 0, -50), (0, 0, 50)])
    want = 32 * 400 * math.sin(2 * math.pi / 64)
    assert survey.complete
    assert survey.throat.area.value == pytest.approx(want, rel=1e-12)
    # Facets inside the true circle leave more area, never less.
    assert survey.throat.area.low == pytest.approx(want, rel=1e-9)
    assert survey.throat.area.high > math.pi * 400.0
    assert all(s == "measured" for s in survey.state)

"""What obstacles leave open along the path, against closed forms and projections."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.flow.behind import open_behind
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area
from geomcheck.flow.throttle import open_fraction

Tube = Callable[..., trimesh.Trimesh]
PATH = [(0, 0, 0), (0, 0, 200)]


def found(wall: trimesh.Trimesh, path: object, *things: trimesh.Trimesh) -> list:
    survey = duct_area(wall, path, obstacles=list(things), spacing=4)
    return list(open_behind(survey, [Surface.of(m) for m in (wall, *things)], 1))


@pytest.mark.parametrize("off", [20.0, 45.0, 70.0])
def test_a_thin_blade_by_the_closed_form(tube: Tube, off: float) -> None:
    disc = trimesh.creation.cylinder(39.9, 0.02, sections=128)
    turn = trimesh.transformations.rotation_matrix(np.radians(90 - off), (1, 0, 0))
    disc.apply_transform(turn).apply_translation([0, 0, 100])
    (one,) = found(tube(40, 45, [0, 200], 128), PATH, disc)
    # The blade is 0.1 mm short of the bore all round: at most its rim's gap is open beside it.
    want = open_fraction(90 - off) * np.pi * 1600
    assert want - 10 <= one.low <= want + 2 * np.pi * 40 * 0.1 + 10
    assert one.begin < 100 < one.end and one.obstacles == (1,)


def test_obstacles_near_each_other_act_together(tube: Tube) -> None:
    def stub(side: float, z: float) -> trimesh.Trimesh:
        return trimesh.creation.box((30, 90, 4)).apply_translation([side * 30, 0, z])

    wall = tube(40, 45, [0, 200], 64)
    near = found(wall, PATH, stub(1, 95), stub(-1, 115))
    far = found(wall, PATH, stub(1, 50), stub(-1, 150))
    assert [one.obstacles for one in near] == [(1, 2)]
    assert [one.obstacles for one in far] == [(1,), (2,)]
    # Between the planes x = -15 and x = 15 the polygon of the bore stays open.
    strip = trimesh.path.polygons.Polygon(
        40 * np.c_[np.cos(np.arange(64) * np.pi / 32), np.sin(np.arange(64) * np.pi / 32)]
    ).intersection(trimesh.path.polygons.Polygon([(-15, -50), (15, -50), (15, 50), (-15, 50)]))
    assert near[0].low == pytest.approx(strip.area, rel=1e-6)
    assert all(one.low > 1.3 * strip.area for one in far)


def test_the_bound_holds_in_a_bend(bent: Callable) -> None:
    duct, centres = bent(120, 40, 45, 60, sides=64, rings=31)
    ball = trimesh.creation.icosphere(2, 15).apply_translation(centres[15])
    survey = duct_area(duct, centres[::3], obstacles=ball, spacing=4)
    (one,) = open_behind(survey, [Surface.of(duct), Surface.of(ball)], 1)
    assert one.low <= survey.throat.area.value
    assert one.low > 0.8 * survey.throat.area.value


def test_nothing_in_the_bore_bounds_nothing(tube: Tube) -> None:
    beside = trimesh.creation.box((5, 5, 5)).apply_translation([80, 0, 100])
    assert found(tube(40, 45, [0, 200]), PATH, beside) == []

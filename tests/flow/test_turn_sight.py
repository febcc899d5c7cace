"""Turn, change of area and line of sight, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.path import FlowPath
from geomcheck.flow.ports import Port
from geomcheck.flow.section import Surface
from geomcheck.flow.sight import line_of_sight
from geomcheck.flow.stations import Stations
from geomcheck.flow.turn import turning
from geomcheck.mesh.tree import TriangleTree

Tube = Callable[..., trimesh.Trimesh]


def cut_rows(mesh: trimesh.Trimesh, path: object, step: float = 4.0) -> Stations:
    rows = Stations([Surface.of(mesh)], FlowPath(path))
    rows.add(np.arange(0.5, rows.path.length, step))
    return rows


@pytest.mark.parametrize("ratio", [0.8, 1.5])
def test_a_bend_of_a_torus(bent: Callable, ratio: float) -> None:
    radius = 80 * ratio
    duct, centres = bent(radius, 40, 45, 90, leg=100, sides=64, rings=61)
    found = turning(cut_rows(duct, centres[::5]))
    (bend,) = found.bends
    assert bend.turn == pytest.approx(90, rel=0.06)
    assert bend.radius == pytest.approx(radius, rel=0.05)
    assert bend.inner_radius.value == pytest.approx(radius - 40, abs=0.05 * radius)
    assert bend.ratio == pytest.approx((radius - 40) / 80, abs=0.06)
    # The inner wall's point lies on the torus, on the side of its axis.
    assert np.hypot(bend.point[0], bend.point[2]) == pytest.approx(radius - 40, abs=1.5)


def test_a_straight_cone(tube: Tube) -> None:
    z = np.linspace(0, 200, 21)
    found = turning(cut_rows(tube(20 + 0.1 * z, 60, z, 96), [(0, 0, 0), (0, 0, 200)]))
    assert found.bends == ()
    assert found.widest is not None
    # D grows by 0.2 mm a mm: 2 atan 0.1; the equal-area circle of a 96-gon is 0.04 % smaller.
    assert found.widest.cone.value == pytest.approx(2 * np.degrees(np.arctan(0.1)), rel=1e-3)
    assert found.narrowing is None
    k = len(found.s) // 2
    assert found.rate[k] == pytest.approx(2 * np.pi * 0.1 * (20 + 0.1 * found.s[k]), rel=2e-3)
    np.testing.assert_allclose(found.curvature, 0, atol=1e-9)


def test_too_few_stations(tube: Tube) -> None:
    rows = Stations([Surface.of(tube(40, 45, [0, 200]))], FlowPath([(0, 0, 0), (0, 0, 200)]))
    rows.add([50.0, 100.0])
    with pytest.raises(CannotDecide, match="fewer than three"):
        turning(rows)


def ports(mesh: trimesh.Trimesh, length: float) -> tuple[Port, Port]:
    return (
        Port.at([mesh], (0, 0, 0.0), (0, 0, -1), name="in"),
        Port.at([mesh], (0, 0, length), (0, 0, 1), name="out"),
    )


@pytest.mark.parametrize(("length", "factor"), [(80.0, 0.17157), (300.0, 0.01717)])
def test_coaxial_discs(tube: Tube, length: float, factor: float) -> None:
    # View factor of equal coaxial discs: (X - sqrt(X^2 - 4)) / 2, X = 2 + (L / a)^2
    # (Howell's catalogue C-41).
    wall = tube(40, 45, np.linspace(-20, length + 20, 3), 256)
    sight = line_of_sight(TriangleTree(wall.triangles), *ports(wall, length))
    assert sight.visible.value == pytest.approx(100.0, abs=0.2)
    assert sight.view_factor.value == pytest.approx(100 * factor, rel=5e-3)
    # Facets make the discs a 256-gon: 0.01 %.
    slack = 2e-4 * 100 * factor
    assert sight.view_factor.low - slack <= 100 * factor <= sight.view_factor.high + slack
    assert sight.view_factor.high - sight.view_factor.low < 0.02 * 100 * factor


def test_half_the_bore_shut_at_the_middle(tube: Tube) -> None:
    # A half-disc half way: a line is stopped when its middle lies in the half, which by symmetry
    # is every second one.
    wall = tube(40, 45, [-20, 120], 128)
    half = trimesh.creation.box((100, 100, 1)).apply_translation((50, 0, 50))
    both = TriangleTree(np.concatenate([wall.triangles, half.triangles]))
    sight = line_of_sight(both, *ports(wall, 100.0))
    assert sight.visible.low - 0.6 <= 50 <= sight.visible.high + 0.6  # 1 mm of plate
    assert len(sight.blocked_at)
    assert (np.abs(sight.blocked_at[:, 2] - 50) < 0.51).all()
    shut = trimesh.creation.box((100, 100, 1)).apply_translation((0, 0, 50))
    both = TriangleTree(np.concatenate([wall.triangles, shut.triangles]))
    none = line_of_sight(both, *ports(wall, 100.0))
    assert none.visible.value == none.view_factor.value == 0.0
    # A hole too small to be met by any of the lines drawn is not excluded by them. Its share of
    # lines by symmetry about the middle: the chance that a line's middle falls into it, with the
    # middles' density at the centre that of two discs' mean, 4 / (pi a^2) (they convolve).
    hole = 100.0 * 4.0 * 0.2**2 / 40.0**2
    assert 0.0 < hole < none.visible.high < 0.1
    # Of n draws none: the exact bound 1 - 0.005^(1/n) (Clopper and Pearson 1934).
    assert none.visible.high == pytest.approx(100 * -math.expm1(math.log(0.005) / 16384), rel=1e-9)
    assert 0.0 < none.view_factor.high < 0.1


def test_the_same_sight_twice_and_bad_settings(tube: Tube) -> None:
    wall = tube(40, 45, [-20, 120], 32)
    one, two = (line_of_sight(wall, *ports(wall, 100.0), points=256) for _ in range(2))
    assert one.visible == two.visible
    assert one.view_factor == two.view_factor
    with pytest.raises(InputError, match="two or more sets"):
        line_of_sight(wall, *ports(wall, 100.0), sets=1)

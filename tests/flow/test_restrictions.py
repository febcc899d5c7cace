"""Dips of the area curve, who causes them, and how much they take."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.finding import Quantity, Term
from geomcheck.flow.curve import dips
from geomcheck.flow.restrictions import share_lost
from geomcheck.flow.survey import duct_area

PATH = [(0, 0, 0), (0, 0, 200)]
Z = np.linspace(0, 200, 11)
Tube = Callable[..., trimesh.Trimesh]


@pytest.mark.parametrize(
    ("area", "expected"),
    [
        ([5, 5, 5, 5], []),
        ([9, 7, 5, 3], []),  # a contraction
        ([3, 5, 7], []),
        ([5, 3, 5], [(1, 0)]),
        ([9, 3, 5], [(1, 2)]),  # against the lower shoulder
        ([5, 3, 3, 3, 6], [(1, 0)]),  # a flat bottom counts once
        ([6, 3, 5, 2, 6], [(1, 2), (3, 0)]),  # the shallower against the saddle between
        ([6, 3, 5, 3, 6], [(1, 0), (3, 2)]),  # equal dips: the second against the saddle
        ([5, 3, np.nan, 3, 5], []),  # nothing is known beyond an unmeasured station
        ([5, 3, 5, np.nan, 9], [(1, 0)]),
    ],
)
def test_dips_by_hand(area: list[float], expected: list[tuple[int, int]]) -> None:
    assert dips(np.array(area, float)) == expected


def test_share_lost_takes_the_worst_of_both_intervals() -> None:
    before = Quantity.from_terms("a", 100.0, "mm2", (Term("facets", 2.0, 1.0, "x"),))
    after = Quantity.from_terms("a", 80.0, "mm2", (Term("facets", 3.0, 4.0, "x"),))
    lost = share_lost(before, after, "loss")
    assert lost.value == pytest.approx(20.0)
    assert lost.low == pytest.approx(100 * (1 - 84 / 98))
    assert lost.high == pytest.approx(100 * (1 - 77 / 101))


def test_each_obstacle_gets_its_own_dip(tube: Tube, bar: Tube) -> None:
    rods = [bar(r, (-60, 0, z), (60, 0, z)) for r, z in ((3, 50.3), (6, 120.7))]
    found = duct_area(tube(40, 45, Z, 256), PATH, obstacles=rods)
    assert [dip.surface for dip in found.restrictions] == [1, 2]
    for dip, r, z in zip(found.restrictions, (3, 6), (50.3, 120.7), strict=True):
        assert dip.s == pytest.approx(z, abs=0.1)
        blocked = 2 * (r * np.sqrt(1600 - r * r) + 1600 * np.arcsin(r / 40))
        assert dip.area_lost == pytest.approx(blocked, rel=3e-3)
        assert not dip.estimate
        assert abs(dip.point[2] - z) < 0.1
    assert found.deepest.value == pytest.approx(found.restrictions[1].depth.value)


def test_of_two_obstacles_in_one_place_the_larger_is_named(tube: Tube, bar: Tube) -> None:
    small = bar(2, (0, -60, 100), (0, 60, 100))
    large = bar(6, (-60, 0, 101), (60, 0, 101))
    (dip,) = duct_area(tube(40, 45, Z, 128), PATH, obstacles=[small, large]).restrictions
    assert dip.surface == 2


def test_a_rod_along_the_duct_is_not_blamed_for_a_waist(tube: Tube, bar: Tube) -> None:
    z = np.linspace(0, 200, 41)
    waist = 40 - 6 * np.exp(-(((z - 100) / 15) ** 2))
    rod = bar(10, (20, 0, -10), (20, 0, 210))
    (dip,) = duct_area(
        tube(waist, 50, z, 128), [(-5, 0, 0), (-5, 0, 200)], obstacles=rod
    ).restrictions
    assert (dip.surface, dip.estimate) == (0, True)
    assert dip.area_lost == pytest.approx(np.pi * (1600 - 34**2), rel=2e-3)


def test_a_boss_cast_into_the_wall_is_estimated(tube: Tube) -> None:
    # The same ball as a part of its own is measured exactly; cast in it is an estimate.
    ball = trimesh.creation.icosphere(4, 22).apply_translation([40, 0, 100.7])
    skin = trimesh.creation.cylinder(44.9, 300, sections=128)
    cast = trimesh.boolean.union([tube(40, 45, Z, 128), trimesh.boolean.intersection([ball, skin])])
    other = tube(40, 45, 200 + Z, 128)
    path = [(0, 0, 0), (0, 0, 400)]
    apart = duct_area([tube(40, 45, Z, 128), other], path, obstacles=ball)
    (dip,) = duct_area([other, cast], path).restrictions
    assert (dip.surface, dip.estimate) == (1, True)
    assert dip.s == pytest.approx(100.7, abs=0.3)
    assert dip.area_lost == pytest.approx(apart.restrictions[0].area_lost, rel=1e-3)
    # The point lies on the ball, within the bore.
    assert np.linalg.norm(np.array(dip.point) - [40, 0, 100.7]) == pytest.approx(20, abs=3)


def test_a_dip_hidden_between_stations_is_found_even_far_from_the_throat(
    tube: Tube, bar: Tube
) -> None:
    # The duct narrows to a quarter; a thin rod stands in its wide end.
    rod = bar(1.5, (-60, 0, 22.37), (60, 0, 22.37))
    found = duct_area(tube(np.linspace(40, 20, 11), 50, Z, 128), PATH, obstacles=rod, spacing=8)
    (dip,) = found.restrictions
    assert dip.surface == 1
    assert dip.s == pytest.approx(22.37, abs=1.0)


def test_a_threshold_above_the_dip_reports_none(tube: Tube, bar: Tube) -> None:
    rod = bar(3, (-60, 0, 100), (60, 0, 100))
    wall = tube(40, 45, Z, 128)
    depth = duct_area(wall, PATH, obstacles=rod).restrictions[0].depth.value
    assert len(duct_area(wall, PATH, obstacles=rod, restriction=depth - 0.01).restrictions) == 1
    none = duct_area(wall, PATH, obstacles=rod, restriction=depth + 0.01)
    assert none.restrictions == ()
    assert none.deepest.value == pytest.approx(depth, abs=1e-3)

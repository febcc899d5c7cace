"""Openings that meet in a mating face: closed forms of circles and rectangles, and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import euler_matrix

from geomcheck.errors import CannotDecide
from geomcheck.fit.body import Body
from geomcheck.fit.mate import check_mate
from geomcheck.fit.ports import measure_ports


def plate(bottom, top, *holes, size=50.0, segments=64):
    """A square plate with prisms (x, y, radius) cut through; a mesh as its tools are."""
    block = trimesh.creation.box(bounds=[[-size, -size, bottom], [size, size, top]])
    tools = [
        trimesh.creation.cylinder(r, top - bottom + 4, sections=segments).apply_translation(
            [x, y, 0.5 * (top + bottom)]
        )
        for x, y, r in holes
    ]
    return trimesh.boolean.difference([block, *tools], engine="manifold") if tools else block


def disc(bottom, top, radius, hole, segments=64):
    mesh = trimesh.creation.annulus(hole, radius, top - bottom, sections=segments)
    return mesh.apply_translation([0, 0, 0.5 * (top + bottom)])


def joint(upper, lower, at=(0, 0, 0), place=None, sagitta=0.0, gasket=1.5, on=(45, 45, 0)):
    place = np.eye(4) if place is None else place
    a, b = (Body.of(mesh.copy().apply_transform(place), sagitta) for mesh in (upper, lower))
    there = trimesh.transform_points([on, at], place)
    mate = check_mate(a, b, there[0], -place[:3, 2], gasket=gasket, tolerance=0.1)
    return measure_ports(a, b, mate, tuple(there[1]))


def chord(radius, segments=64):
    """How far the middle of a side lies inside the circle."""
    return radius * (1 - math.cos(math.pi / segments))


def test_equal_openings_over_each_other():
    found = joint(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0, 0, 20)))
    assert found.into_second.size.value == pytest.approx(0.0, abs=1e-6)
    assert found.into_first.size.value == pytest.approx(0.0, abs=1e-6)
    polygon = 0.5 * 64 * 20**2 * math.sin(2 * math.pi / 64)
    assert found.areas == (pytest.approx(polygon, rel=1e-6), pytest.approx(polygon, rel=1e-6))
    assert found.land.value == pytest.approx(30.0, abs=1e-4)


@pytest.mark.parametrize("shift", [0.2, 1.0, 4.0])
def test_shifted_circles_stand_out_by_the_shift(shift):
    found = joint(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (shift, 0, 20)))
    # Equal polygons shifted along a corner's direction: corner from corner's side.
    for step in (found.into_second, found.into_first):
        assert step.size.value == pytest.approx(shift, abs=chord(20) + 1e-4)
        # A lens is missing: 2 r2 asin(s / 2r) + s sqrt(r2 - s2 / 4), to the polygon's area.
        exact = 2 * 400 * math.asin(shift / 40) + shift * math.sqrt(400 - shift**2 / 4)
        assert step.area == pytest.approx(exact, rel=0.01)
    # The second part covers the first's opening on the left, and must go back that way.
    assert found.into_second.place[0] == pytest.approx(-20, abs=0.05)
    assert found.into_second.outward == pytest.approx((-1, 0, 0), abs=0.05)
    assert found.into_first.place[0] == pytest.approx(20 + shift, abs=0.05)
    assert found.land.value == pytest.approx(30.0 - shift, abs=1e-4)


def test_a_smaller_opening_stands_out_all_round():
    found = joint(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0.5, 0, 18)))
    # R - r + s one way; the smaller one lies within the larger.
    assert found.into_second.size.value == pytest.approx(2.5, abs=chord(18) + 1e-4)
    assert found.into_first.size.value == pytest.approx(0.0, abs=1e-9)
    assert found.into_first.area == pytest.approx(0.0, abs=1e-6)


def test_land_of_a_ring_is_the_difference_of_its_radii():
    found = joint(disc(0, 10, 30, 22), disc(-12, -1.5, 30, 22), on=(26, 0, 0))
    # Between a corner inside and the middle of a side outside.
    assert found.land.value == pytest.approx(8.0, abs=chord(30) + 1e-6)
    assert math.hypot(*found.land_ends[0][:2]) == pytest.approx(22, abs=chord(22) + 1e-4)
    # Only what both faces have counts: the smaller outer radius, the larger opening.
    narrow = joint(disc(0, 10, 30, 24), disc(-12, -1.5, 28, 22), on=(26, 0, 0))
    assert narrow.land.value == pytest.approx(4.0, abs=chord(30) + 1e-6)


def test_land_to_the_next_hole():
    holes = [(0, 0, 20), (31, 0, 4.5)]
    found = joint(plate(0, 10, *holes), plate(-12, -1.5, (0, 0, 20), (31, 0, 3.4)))
    assert found.land.value == pytest.approx(31 - 20 - 4.5, abs=1e-4)
    assert found.land_ends[0] == pytest.approx((20, 0, 0), abs=1e-4)
    assert found.land_ends[1] == pytest.approx((26.5, 0, 0), abs=1e-4)


def test_the_interval_holds_the_facets():
    exact = 1.0
    # Sixteen facets, shifted between corners: the polygons' step is not that of the circles.
    sag = chord(20, 16)
    upper = plate(0, 10, (0, 0, 20), segments=16)
    lower = plate(-12, -1.5, (0, 0, 20), segments=16)
    turn = euler_matrix(0, 0, math.pi / 16)
    turn[0, 3] = exact
    lower = lower.apply_transform(turn)
    found = joint(upper, lower, sagitta=sag, on=(40, 40, 0))
    size = found.into_second.size
    assert size.low <= exact <= size.high
    assert size.high - size.value == pytest.approx(2 * sag, abs=2.1e-3)
    estimated = joint(upper, lower, sagitta=None, on=(40, 40, 0)).into_second.size
    assert estimated.low <= exact <= estimated.high
    assert joint(upper, lower).into_second.size.terms[0].plus == 0.0


def test_a_rectangle_over_a_round_hole():
    window = trimesh.creation.box(bounds=[[-15, -15, -20], [15, 15, 20]])
    square = trimesh.boolean.difference([plate(-12, -1.5), window], engine="manifold")
    found = joint(plate(0, 10, (0, 0, 20)), square)
    # The circle reaches 5 past each side; the square's corners 15 sqrt 2 - 20 past the circle.
    assert found.into_second.size.value == pytest.approx(5.0, abs=1e-3)
    assert found.into_first.size.value == pytest.approx(15 * math.sqrt(2) - 20, abs=chord(20))


def test_a_tongue_from_the_side_is_told():
    # 6 wide and 10 long: its middle is 3 from the opening on either side of it.
    window = trimesh.creation.box(bounds=[[-15, -15, -20], [15, 15, 20]])
    tongue = trimesh.creation.box(bounds=[[-3, 5, -12], [3, 20, -1.5]])
    lower = trimesh.boolean.difference([plate(-12, -1.5), window], engine="manifold")
    lower = trimesh.boolean.union([lower, tongue], engine="manifold")
    upper = trimesh.boolean.difference([plate(0, 10), window], engine="manifold")
    found = joint(upper, lower)
    assert found.into_second.size.value == pytest.approx(3.0, abs=2e-3)
    assert found.into_second.size.high >= 3.0
    assert found.into_second.place[0] == pytest.approx(0.0, abs=0.01)
    assert found.into_second.area == pytest.approx(60.0, rel=1e-4)


def test_both_edges_of_the_land_may_be_off():
    found = joint(disc(0, 10, 30, 22), disc(-12, -1.5, 30, 22), on=(26, 0, 0), sagitta=0.05)
    assert found.land.high - found.land.value == pytest.approx(0.1)
    assert found.land.value - found.land.low == pytest.approx(0.1)


def test_a_post_in_the_opening_is_told():
    rods = trimesh.creation.cylinder(3, 10.5, sections=48).apply_translation([0, 0, -6.75])
    bar = trimesh.creation.box(bounds=[[-25, -1, -11], [25, 1, -8]])
    lower = trimesh.boolean.union([plate(-12, -1.5, (0, 0, 20)), rods, bar], engine="manifold")
    found = joint(plate(0, 10, (0, 0, 20)), lower, at=(10, 0, 0))
    assert found.into_second.area == pytest.approx(math.pi * 9, rel=0.01)
    assert found.into_second.size.value == pytest.approx(3.0, abs=0.05)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.floats(-4, 4), st.floats(-4, 4), st.floats(14, 22), st.tuples(*[st.floats(-3, 3)] * 3))
def test_moved_and_against_shapely(x, y, radius, angles):
    place = euler_matrix(*angles)
    place[:3, 3] = 100 * np.array(angles)
    upper, lower = plate(0, 10, (0, 0, 18)), plate(-12, -1.5, (x, y, radius))
    there = joint(upper, lower, place=place)
    angle = 2 * math.pi * np.arange(64) / 64
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    first, second = shapely.Polygon(18 * ring), shapely.Polygon(radius * ring + (x, y))
    for one, other, step in (
        (first, second, there.into_second),
        (second, first, there.into_first),
    ):
        fine = shapely.get_coordinates(shapely.segmentize(one.exterior, 0.02))
        most = shapely.distance(shapely.points(fine), other).max()
        assert step.size.value == pytest.approx(most, abs=2e-3)
        assert step.area == pytest.approx(one.difference(other).area, abs=0.02)
    back = np.linalg.inv(place)
    on = trimesh.transform_points([there.into_second.place], back)[0]
    assert abs(on[2]) < 1e-3
    assert shapely.distance(shapely.Point(on[:2]), first.exterior) < 1e-3


def test_no_opening_at_the_point():
    with pytest.raises(CannotDecide, match="metal of the second part") as caught:
        joint(plate(0, 10, (0, 0, 20)), plate(-12, -1.5))
    assert caught.value.where == "second part"
    with pytest.raises(CannotDecide, match="metal of the first part"):
        joint(plate(0, 10, (0, 0, 20)), plate(-12, -1.5, (0, 0, 20)), at=(40, 0, 0))


def test_an_opening_that_reaches_the_edge():
    with pytest.raises(CannotDecide, match="open to the side"):
        joint(plate(0, 10, (40, 0, 20)), plate(-12, -1.5, (40, 0, 9)), at=(40, 0, 0))
    # Each is closed, but between them they leave no land.
    with pytest.raises(CannotDecide, match="open to the side") as caught:
        big = plate(-12, -1.5, (0, 0, 20), size=30)
        joint(plate(0, 10, (25, 0, 20)), big, at=(10, 0, 0), on=(-28, -28, 0))
    assert caught.value.where in ("joint", "first part")

"""Holes found in meshes, against the solids they were made from (trimesh, manifold3d)."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import rotation_matrix

from geomcheck.errors import InputError
from geomcheck.fasten.holes import find_holes

BLOCK = trimesh.creation.box(bounds=[[-20, -20, -20], [20, 20, 0]])


def rod(radius, top, bottom, segments=32, at=(0.0, 0.0)):
    """A prism about z whose corners lie on the circle."""
    mesh = trimesh.creation.cylinder(radius=radius, height=top - bottom, sections=segments)
    return mesh.apply_translation([*at, 0.5 * (top + bottom)])


def frustum(low, high, bottom, top, segments=32):
    """A cone about z from radius ``low`` at ``bottom`` to ``high`` at ``top``."""
    ring = [[0.0, bottom], [low, bottom], [high, top], [0.0, top]]
    return trimesh.creation.revolve(np.array(ring), sections=segments)


def cut(*tools, block=BLOCK):
    return trimesh.boolean.difference([block, *tools], engine="manifold")


def only(mesh, **options):
    (hole,) = find_holes(mesh, **options)
    return hole


@pytest.mark.parametrize("segments", [10, 12, 16, 24, 32, 48, 64])
def test_radius_is_that_of_the_corners_circle(segments):
    hole = only(cut(rod(4.5, 5, -30, segments)))
    # Face centres would give the radius too small by R (1 - sqrt(5 + 4 cos(2 pi / N)) / 3).
    assert hole.radius == pytest.approx(4.5, abs=1e-6)
    assert np.allclose(hole.at, (0, 0, 0), atol=1e-9)
    assert np.allclose(hole.axis, (0, 0, 1), atol=1e-9)
    assert hole.through and hole.depth == pytest.approx(20.0)
    assert hole.shank.cover == pytest.approx(1.0)
    assert hole.shank.residual < 1e-6


def test_blind_hole_with_and_without_a_drill_point():
    flat = only(cut(rod(3.4, 5, -12)))
    assert flat.ends == ("open", "closed") and not flat.through
    assert flat.depth == pytest.approx(12.0) and flat.tip == pytest.approx(0.0, abs=1e-9)
    # A 118 degree point is r / tan(59 degrees) deep.
    deep = 3.4 / math.tan(math.radians(59))
    ring = [[0.0, -12 - deep], [3.4, -12.0], [3.4, 5.0], [0.0, 5.0]]
    drilled = only(cut(trimesh.creation.revolve(np.array(ring), sections=32)))
    assert drilled.ends == ("open", "closed")
    assert drilled.depth == pytest.approx(12.0, abs=1e-6)
    assert drilled.tip == pytest.approx(deep, abs=1e-3)


def test_counterbore_and_shank_are_one_hole():
    hole = only(cut(rod(7.5, 5, -8), rod(4.5, 5, -30, 24)))
    assert [round(bore.radius, 6) for bore in hole.bores] == [7.5, 4.5]
    assert [(bore.top, bore.bottom) for bore in hole.bores] == [
        (pytest.approx(0, abs=1e-9), pytest.approx(8)),
        (pytest.approx(8), pytest.approx(20)),
    ]
    assert hole.radius == pytest.approx(4.5) and hole.through
    assert np.allclose(hole.axis, (0, 0, 1))
    below = only(cut(rod(7.5, -12, -30), rod(4.5, 5, -30)))
    assert np.allclose(below.at, (0, 0, -20)) and np.allclose(below.axis, (0, 0, -1))


def test_three_steps_and_a_blind_end():
    hole = only(cut(rod(8, 5, -4), rod(5, 5, -9), rod(2.6, 5, -15)))
    assert [round(bore.radius, 4) for bore in hole.bores] == [8.0, 5.0, 2.6]
    assert hole.ends == ("open", "closed") and hole.depth == pytest.approx(15)


@pytest.mark.parametrize("whole", [60.0, 90.0, 120.0])
def test_countersink(whole):
    depth = 4.0 / math.tan(math.radians(whole / 2))
    hole = only(cut(rod(4.5, 5, -30), frustum(4.5, 8.5, -depth, 0.0)))
    assert len(hole.bores) == 1
    assert hole.countersink is not None
    # The facets of an N-sided cone lean by atan(tan(a) cos(pi / N)).
    assert hole.countersink.angle == pytest.approx(whole, abs=0.5)
    assert hole.countersink.radius == pytest.approx(8.5, abs=1e-5)
    assert hole.countersink.depth == pytest.approx(depth, abs=1e-5)
    assert np.allclose(hole.at, (0, 0, 0), atol=1e-5) and np.allclose(hole.axis, (0, 0, 1))
    assert hole.depth == pytest.approx(20.0, abs=1e-5)


def test_a_rounded_floor_is_not_in_the_way():
    # A ball-nosed cutter: the wall runs smoothly into half a ball.
    ring = [[4.0 * math.sin(a), -8.0 - 4.0 * math.cos(a)] for a in np.linspace(0, math.pi / 2, 9)]
    nose = trimesh.creation.revolve(np.array([*ring, [4.0, 5.0], [0.0, 5.0]]), sections=32)
    hole = only(cut(nose))
    assert hole.radius == pytest.approx(4.0, abs=1e-5)
    assert hole.depth == pytest.approx(8.0, abs=1e-5)
    assert hole.tip == pytest.approx(4.0, abs=1e-5)
    assert hole.ends == ("open", "closed")


def test_a_rounded_mouth_is_not_in_the_way():
    # A quarter turn of 2 mm between the wall and the top face.
    arc = [[6.5 - 2 * math.cos(a), -2 + 2 * math.sin(a)] for a in np.linspace(0, math.pi / 2, 9)]
    ring = [[0.0, -12.0], [4.5, -12.0], *arc, [6.5, 5.0], [0.0, 5.0]]
    hole = only(cut(trimesh.creation.revolve(np.array(ring), sections=48)))
    assert hole.radius == pytest.approx(4.5, abs=1e-5)
    assert np.allclose(hole.axis, (0, 0, 1), atol=1e-6)
    assert hole.countersink is None
    assert hole.bores[0].bottom - hole.bores[0].top == pytest.approx(10.0, abs=1e-5)


def test_a_dished_mouth_is_no_countersink():
    # A ball of 9 mm, centre 6 mm above the face, let into the mouth.
    arc = [[r, 6 - math.sqrt(81 - r * r)] for r in np.linspace(4.5, math.sqrt(45), 6)]
    ring = [[0.0, -30.0], [4.5, -30.0], *arc, [math.sqrt(45), 5.0], [0.0, 5.0]]
    hole = only(cut(trimesh.creation.revolve(np.array(ring), sections=48)))
    assert hole.countersink is None
    assert hole.radius == pytest.approx(4.5, abs=1e-5)


def test_a_keyway_leaves_it_one_hole():
    key = trimesh.creation.box(bounds=[[-1, -1, -25], [1, 7, 5]])
    hole = only(cut(rod(5, 5, -30, 64), key))
    # Two corners of the key lie inside the circle, its far edge outside.
    assert hole.radius == pytest.approx(5.0, abs=1e-5)
    assert hole.shank.cover == pytest.approx(1 - 2 * math.asin(1 / 5) / (2 * math.pi), abs=0.01)
    both = trimesh.creation.box(bounds=[[-0.4, -7, -25], [0.4, 7, 5]])
    assert only(cut(rod(5, 5, -30, 64), both)).radius == pytest.approx(5.0, abs=1e-5)


def test_a_crossing_hole_leaves_two_holes():
    cross = rod(2.5, 30, -30).apply_transform(rotation_matrix(math.pi / 2, (1, 0, 0)))
    cross.apply_translation([0, 0, -10])
    found = find_holes(cut(rod(5, 5, -30), cross))
    assert sorted(round(hole.radius, 4) for hole in found if abs(hole.axis[2]) > 0.9) == [5.0]
    assert {round(hole.radius, 4) for hole in found if abs(hole.axis[2]) < 0.1} == {2.5}


def test_an_oblique_mouth():
    wedge = trimesh.creation.box(bounds=[[-60, -60, 0], [60, 60, 60]])
    wedge.apply_transform(rotation_matrix(math.radians(25), (0, 1, 0), (0, 0, -6)))
    hole = only(cut(rod(4, 30, -40, 40), wedge))
    # The corners made by cuts across facets lie inside the circle and must not count.
    assert hole.radius == pytest.approx(4.0, abs=1e-5)
    assert hole.offset((0, 0, 0)) < 1e-5
    assert hole.through


def test_what_is_no_hole():
    pin = trimesh.boolean.union([BLOCK, rod(4, 20, -5)], engine="manifold")
    assert find_holes(pin) == ()
    groove = cut(rod(4, 5, -30, at=(20.0, 0.0)))  # half open to the side
    assert find_holes(groove) == ()
    assert len(find_holes(groove, cover=0.4)) == 1
    square = cut(trimesh.creation.box(bounds=[[-4, -4, -30], [4, 4, 5]]))
    assert find_holes(square) == ()
    hexagon = cut(rod(4, 5, -30, 6))
    assert find_holes(hexagon) == ()
    assert find_holes(trimesh.creation.icosphere(radius=5)) == ()
    hollow = cut(trimesh.creation.icosphere(radius=6).apply_translation([0, 0, -10]))
    assert find_holes(hollow) == ()


def test_only_the_radii_asked_for():
    mesh = cut(rod(2, 5, -30, at=(-8, 0)), rod(5, 5, -30, at=(8, 0)))
    assert [round(hole.radius, 3) for hole in find_holes(mesh)] == [2.0, 5.0]
    assert [round(hole.radius, 3) for hole in find_holes(mesh, radius=(1.0, 3.0))] == [2.0]
    with pytest.raises(InputError, match="make no sense"):
        find_holes(mesh, radius=(3.0, 1.0))
    with pytest.raises(InputError):
        find_holes(mesh, noise=-1.0)
    with pytest.raises(InputError):
        find_holes(np.zeros((0, 3, 3)))


@pytest.mark.parametrize(
    # Greatest offset of the axis at the mouth and of the radius, as measured and rounded up.
    ("noise", "place", "radius"),
    [(0.001, 0.0015, 0.001), (0.005, 0.008, 0.004), (0.01, 0.015, 0.008), (0.02, 0.03, 0.016)],
)
def test_all_are_found_on_noisy_corners(noise, place, radius):
    rng = np.random.default_rng(7)
    for segments in (12, 16, 24, 32, 48, 64):
        for size in (2.5, 4.5, 7.0):
            mesh = cut(rod(size, 5, -12, segments))
            turn = rotation_matrix(rng.uniform(0, 6), rng.normal(size=3))
            turn[:3, 3] = rng.uniform(-300, 300, 3)
            mesh.apply_transform(turn)
            points = mesh.vertices + rng.normal(0, noise, mesh.vertices.shape)
            hole = only(trimesh.Trimesh(points, mesh.faces, process=False), noise=noise)
            assert hole.offset(turn[:3, 3]) < min(place, 1.2 * hole.shank.error)
            assert abs(hole.radius - size) < radius
            assert hole.ends == ("open", "closed")


@settings(derandomize=True, deadline=None, max_examples=12)
@given(
    st.integers(10, 64),
    st.floats(1.5, 8.0),
    st.tuples(*[st.floats(-3, 3)] * 3),
    st.integers(0, 2**31),
)
def test_moved_and_reordered_it_is_the_same_hole(segments, radius, turn, seed):
    mesh = cut(rod(9.5, 5, -5, segments), rod(radius, 5, -15, segments))
    place = trimesh.transformations.euler_matrix(*turn)
    place[:3, 3] = 100 * np.array(turn)
    here = only(mesh)
    order = np.random.default_rng(seed).permutation(len(mesh.faces))
    moved = trimesh.Trimesh(mesh.vertices, mesh.faces[order], process=False)
    there = only(moved.apply_transform(place).triangles)
    assert there.radius == pytest.approx(here.radius, abs=1e-6)
    assert np.allclose(there.at, place[:3, 3], atol=2e-4)
    assert np.allclose(there.axis, place[:3, 2], atol=1e-5)
    assert there.depth == pytest.approx(15.0, abs=2e-4)
    assert len(there.bores) == 2


def test_finer_facets_of_flats_change_nothing():
    coarse = cut(rod(4.5, 5, -30, 24))
    fine = coarse.subdivide().subdivide()
    # Corners put in the middle of facets do not lie on the circle: only those on folds count.
    assert only(fine).radius == pytest.approx(4.5, abs=1e-5)

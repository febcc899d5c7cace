"""Missing data: holes, rims and layers of a scan, against surfaces whose whole shape is known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.fit.body import Body
from geomcheck.fit.facing import shows_back, wholly_behind
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.holes import missing
from geomcheck.fit.outline import outlines

#: A block whose top is at z = 20.
BLOCK = Body.of(trimesh.creation.box(bounds=[(-50, -30, -20), (50, 30, 20)]), 0.0)


def sheet(x, y, z, hole=None, step=5.0, height=None):
    """A grid of squares facing down, without those whose middle lies in the box ``hole``."""
    u, v = np.arange(x[0], x[1] + 1e-9, step), np.arange(y[0], y[1] + 1e-9, step)
    grid = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1)
    lift = np.full(grid.shape[:2], float(z)) if height is None else height(grid) + z
    points = np.concatenate([grid, lift[..., None]], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    quads = np.stack([a, d, c, b], axis=-2).reshape(-1, 4, 3)
    if hole is not None:
        (x0, x1), (y0, y1) = hole
        m = quads.mean(axis=1)
        quads = quads[~((m[:, 0] > x0) & (m[:, 0] < x1) & (m[:, 1] > y0) & (m[:, 1] < y1))]
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


def ask(scan, limit, other=BLOCK, **more):
    body = scan if isinstance(scan, Body) else Body.of(scan, 0.0)
    gap = measure_gap(other, body)
    return missing(gap, other, body, limit, point=gap.point_b, towards=gap.point_a, **more)


WIDE = ((-150, 150), (-150, 150), 30)


# --- holes ---------------------------------------------------------------------------------------


def test_a_whole_sheet_leaves_nothing_open():
    assert ask(sheet(*WIDE), 9.9) == []


def test_a_hole_over_the_part_leaves_it_open():
    (found,) = ask(sheet(*WIDE, hole=((-20, 20), (-10, 10))), 9)
    assert found.kind == "hole"
    assert found.place == pytest.approx((0, 0, 30))
    assert found.size == pytest.approx((20, 40))
    # The sheet is 10 mm off, half of the width is 10 mm.
    assert found.nearest == pytest.approx(0.0, abs=1e-9)


def test_how_near_a_hole_may_let_something_come():
    """4 mm wide, so a surface across it may bulge by 2 mm: 8 mm of 10."""
    scan = sheet((-50, 50), (-50, 50), 30, hole=((-2, 2), (-10, 10)), step=4.0)
    (found,) = ask(scan, 8.5)
    assert found.nearest == pytest.approx(8.0) and found.size == pytest.approx((4, 20))
    assert ask(scan, 7.9) == []


def test_what_may_come_is_held_against_the_low_end_of_the_interval():
    """The same hole in a scan that is true to 0.5 mm: 8 mm is no longer enough for 7.8."""
    scan = sheet((-50, 50), (-50, 50), 30, hole=((-2, 2), (-10, 10)), step=4.0)
    assert ask(scan, 7.8) == []
    assert [one.kind for one in ask(Body.of(scan, 0.5), 7.8)] == ["hole"]


def test_a_hole_far_from_the_part_does_not_matter():
    assert ask(sheet(*WIDE, hole=((100, 140), (-20, 20))), 9) == []


def test_a_large_hole_matters_from_afar():
    """80 mm square, so that 40 mm of bulge reach back over the 35 mm to the block's side."""
    scan = sheet((-150, 200), (-150, 150), 30, hole=((85, 165), (-40, 40)))
    assert [one.kind for one in ask(scan, 9)] == ["hole"]


def test_holes_may_be_declared_real():
    scan = sheet(*WIDE, hole=((-20, 20), (-10, 10)))
    assert ask(scan, 9, holes_are_real=True) == []
    assert len(ask(scan, 9, edge_is_real=True)) == 1


def test_a_missing_triangle_of_a_solid_is_a_hole_and_no_rim():
    solid = trimesh.creation.box(bounds=[(-10, -10, 30), (10, 10, 60)]).subdivide_to_size(8)
    face = np.flatnonzero(solid.triangles_center[:, 2] < 30.1)
    middle = face[np.argmin(np.abs(solid.triangles_center[face]).sum(axis=1))]
    body = Body.of(np.delete(solid.triangles, middle, axis=0), 0.0)
    assert not outlines(body).rim.any() and len(outlines(body).rim) == 1
    assert [one.kind for one in ask(body, 9.5)] == ["hole"]
    assert ask(solid.triangles, 9.5) == []


def test_both_ends_of_a_hose_are_holes():
    hose = trimesh.creation.cylinder(radius=10, height=200, sections=64)
    wall = hose.triangles[np.abs(hose.face_normals[:, 2]) < 0.5]
    assert outlines(Body.of(wall)).rim.tolist() == [False, False]


def test_a_crack_is_no_hole():
    """A seam 0.3 mm wide, as where two scans were joined."""
    left, right = sheet((-150, 0), (-150, 150), 30), sheet((0.3, 150.3), (-150, 150), 30)
    assert ask(np.concatenate([left, right]), 9.9) == []
    # Between two pieces 6 mm apart each is gone on straight: flat, and no nearer.
    right[..., 0] += 5.7
    assert ask(np.concatenate([left, right]), 9.9) == []


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    angle=st.floats(8, 80),
    off=st.floats(0, 60),
    distance=st.floats(4, 30),
    slack=st.floats(0.0, 1.0),
)
def test_a_hole_never_hides_what_is_too_near(angle, off, distance, slack):
    """A ball of radius 50 with a round hole of this half-angle in its scan; a pin of radius 2
    stands ``distance`` off the whole ball, ``off`` degrees from the middle of the hole."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=50.0)
    middles = ball.triangles_center / np.linalg.norm(ball.triangles_center, axis=1)[:, None]
    scan = Body.of(ball.triangles[middles[:, 2] < np.cos(np.radians(angle))], chord(ball, 50.0))
    way = np.array([np.sin(np.radians(off)), 0.0, np.cos(np.radians(off))])
    mesh = trimesh.creation.icosphere(subdivisions=2, radius=2.0)
    bulge = chord(mesh, 2.0)
    pin = Body.of(mesh.apply_translation(way * (52.0 + distance)), bulge)
    low = measure_gap(pin, scan).quantity.low
    # A limit that the scan keeps, and the truth does not.
    limit = distance + slack * (low - distance)
    if low > distance and limit > distance:
        assert ask(scan, limit, pin)


def chord(ball, radius):
    """How far the facets of a ball about the origin lie inside it, at most."""
    return radius - np.einsum("ij,ij->i", ball.triangles[:, 0], ball.face_normals).min()


# --- bays ----------------------------------------------------------------------------------------


def test_a_hole_broken_out_to_the_rim_leaves_it_open_as_well():
    (found,) = ask(sheet(*WIDE, hole=((-20, 20), (-10, 200))), 9)
    assert found.kind == "bay" and found.size == pytest.approx((40, 0))
    assert found.place[0] == pytest.approx(0) and found.place[2] == pytest.approx(30)
    assert found.nearest == pytest.approx(0.0, abs=1e-9)
    assert ask(sheet(*WIDE, hole=((-20, 20), (-10, 200))), 9, edge_is_real=True) == []


def test_how_near_a_bay_may_let_something_come():
    """4 mm wide: 8 mm of 10, as across a hole."""
    scan = sheet((-50, 50), (-50, 50), 30, hole=((-2, 2), (-10, 60)), step=4.0)
    (found,) = ask(scan, 8.5)
    assert found.nearest == pytest.approx(8.0) and found.size[0] == pytest.approx(4)
    assert ask(scan, 7.9) == []


def test_a_bay_far_from_the_part_does_not_matter():
    assert ask(sheet(*WIDE, hole=((100, 140), (-20, 200))), 9) == []


def test_a_hole_that_shares_a_corner_with_the_rim_is_not_lost():
    """One outline, so part of the rim: its two sides still face each other."""
    notch = sheet(*WIDE, hole=((-25, -20), (20, 200)))
    m = notch.reshape(-1, 3, 3).mean(axis=1)
    inside = (m[:, 0] > -20) & (m[:, 0] < 20) & (m[:, 1] > -10) & (m[:, 1] < 20)
    body = Body.of(notch[~inside], 0.0)
    assert outlines(body).rim.tolist() == [True]
    assert "bay" in {one.kind for one in ask(body, 9)}


def test_the_open_top_of_a_bowl_is_no_bay():
    """Its rim runs on upwards all round: nothing faces anything."""
    bowl = trimesh.creation.box(bounds=[(-80, -80, -60), (80, 80, 26)]).subdivide_to_size(20)
    open_top = bowl.triangles[bowl.triangles_center[:, 2] < 25.9][:, ::-1]
    body = Body.of(open_top, 0.0)
    assert outlines(body).rim.tolist() == [True]
    assert ask(body, 9) == []


@pytest.mark.parametrize("angle", [10, 30, 50])
def test_a_slit_never_hides_what_is_too_near(angle):
    """A pipe of radius 50, slit lengthwise from one end; a ball stands 8 mm off the whole pipe."""
    turns, rings = np.radians(np.linspace(angle, 360 - angle, 120)), np.linspace(-150, 150, 41)
    grid = np.stack(np.meshgrid(turns, rings, indexing="ij"), axis=-1)
    points = np.stack([50 * np.cos(grid[..., 0]), 50 * np.sin(grid[..., 0]), grid[..., 1]], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    wall = np.concatenate([np.stack([a, b, c], axis=-2), np.stack([a, c, d], axis=-2)])
    scan = Body.of(wall.reshape(-1, 3, 3), 0.05)
    ball = Body.of(trimesh.creation.icosphere(2, radius=2).apply_translation((60, 0, 0)), 0.1)
    assert measure_gap(ball, scan).quantity.low > 8.5
    assert "bay" in {one.kind for one in ask(scan, 8.5, ball)}


# --- the outer rim -------------------------------------------------------------------------------


def test_a_scan_that_ends_towards_the_part():
    scan = sheet((55, 200), (-100, 100), 30)
    found = ask(scan, 5)
    assert found[0].kind in ("rim", "beyond the rim")
    rim = next(one for one in found if one.kind == "rim")
    assert rim.place[0] == pytest.approx(55) and rim.nearest == pytest.approx(np.hypot(5, 10))
    assert ask(scan, 5, edge_is_real=True) == []


def test_a_scan_that_ends_in_parallel_leaves_nothing_open():
    assert ask(sheet((-30, 30), (-20, 20), 30), 9.9) == []


def test_a_surface_that_would_run_into_the_part():
    """The nearest place is a pad 10.5 mm off; elsewhere a ramp of 45 degrees ends 14 mm off."""
    pad = sheet((-10, 10), (-10, 10), 30.5)
    ramp = sheet((64, 120), (-10, 10), 20, height=lambda grid: grid[..., 0] - 64, step=4.0)
    found = ask(np.concatenate([pad, ramp]), 10)
    assert [one.kind for one in found] == ["beyond the rim"]
    assert found[0].place[0] == pytest.approx(64)
    # Gone on down the ramp by 10 mm, it comes that much nearer to the block's side.
    assert found[0].nearest == pytest.approx(14 - 10 * np.sqrt(0.5))
    # By 8 mm it stays 8.34 mm off.
    assert ask(np.concatenate([pad, ramp]), 8) == []


def test_the_end_of_one_layer_over_another_is_no_end():
    ball = Body.of(trimesh.creation.icosphere(4, radius=8).apply_translation((1, 0, 10)), 0.0)
    lower, upper = sheet((-150, 0), (-50, 50), 30), sheet((-20, 150), (-50, 50), 30.2)
    assert next(one.kind for one in ask(lower, 5, ball)) == "rim"
    assert ask(np.concatenate([lower, upper]), 5, ball) == []


def test_what_lies_beyond_the_corner_of_a_rim():
    """Two sides gone on by 10 mm leave a corner between them, and the ball is under that."""
    scan = sheet((-160, 0), (-160, 0), 0, step=40.0)
    ball = trimesh.creation.icosphere(3, radius=1.0)
    under = Body.of(ball.apply_translation((5, 5, -10.5)), 0.0)
    assert "beyond the rim" in {one.kind for one in ask(scan, 10, under)}


def test_a_scan_that_is_there_twice_gives_the_same_gap_and_no_new_holes():
    scan = sheet(*WIDE, hole=((100, 140), (-20, 20)))
    once, twice = Body.of(scan, 0.0), Body.of(np.concatenate([scan, scan]), 0.0)
    assert measure_gap(BLOCK, once).quantity == measure_gap(BLOCK, twice).quantity
    assert ask(twice, 9.9) == []
    holed = sheet(*WIDE, hole=((-20, 20), (-10, 10)))
    assert ask(np.concatenate([holed, holed]), 9) == ask(holed, 9)


def test_an_ordinary_scan_is_not_drowned():
    """Noise of 0.1 mm, 2 % of the triangles missing, a ragged rim: 12 mm measured, 10 needed."""
    rng = np.random.default_rng(6)
    wave = lambda grid: 3 * np.cos(grid[..., 0] / 40) - 3  # noqa: E731
    scan = sheet((-150, 150), (-150, 150), 35, step=2.5, height=wave)
    points, faces = np.unique(scan.reshape(-1, 3), axis=0, return_inverse=True)
    points = points + rng.normal(0, 0.1, points.shape)
    scan = points[faces.reshape(-1, 3)]
    scan = scan[rng.random(len(scan)) > 0.02]
    body = Body.of(scan, 0.0)
    assert body.kind == "open" and body.soundness.holes > 100
    assert measure_gap(BLOCK, body).quantity.low > 11
    assert ask(body, 9.3) == []


def test_what_a_mate_leaves_out_is_not_asked_about():
    scan = sheet((55, 200), (-100, 100), 30)
    body = Body.of(scan, 0.0)
    far = np.flatnonzero(body.triangles[:, :, 0].min(axis=1) > 100)
    assert ask(body, 5, keep=far) == []


def test_a_closed_mesh_has_no_ends():
    solid = Body.of(trimesh.creation.box(bounds=[(-10, -10, 30), (10, 10, 60)]), 0.0)
    assert ask(solid, 9.9) == [] and len(outlines(solid).triangle) == 0


# --- facing --------------------------------------------------------------------------------------


def test_which_side_of_a_scan():
    scan = sheet(*WIDE)
    assert not wholly_behind(BLOCK, Body.of(scan))
    assert wholly_behind(BLOCK, Body.of(scan[:, ::-1]))
    # Half through, on both sides.
    assert not wholly_behind(BLOCK, Body.of(scan[:, ::-1] - np.array([0, 0, 30.0])))


def test_inside_a_bowl_is_in_front_of_its_face():
    bowl = trimesh.creation.icosphere(subdivisions=3, radius=200)
    inward = bowl.triangles[bowl.triangles_center[:, 2] < 50][:, ::-1]
    assert not wholly_behind(BLOCK, Body.of(inward))
    assert wholly_behind(BLOCK, Body.of(inward[:, ::-1]))


def test_closed_meshes_and_soup_have_no_back():
    ball = trimesh.creation.icosphere(subdivisions=2, radius=200)
    assert not wholly_behind(BLOCK, Body.of(ball))
    soup = sheet(*WIDE)[:, ::-1].copy()
    soup[::2] = soup[::2, ::-1]
    body = Body.of(soup)
    assert body.kind == "soup" and not wholly_behind(BLOCK, body)


def test_the_nearest_point_alone_may_lie_on_the_back():
    scan = sheet(*WIDE)
    at, below, above = (0.0, 0.0, 30.0), (0.0, 0.0, 20.0), (0.0, 0.0, 45.0)
    assert not shows_back(Body.of(scan), at, below)
    assert shows_back(Body.of(scan), at, above)
    # In the middle of a facet as at a corner; sideways past the rim there is no front or back.
    assert shows_back(Body.of(scan), (1.0, 2.0, 30.0), (1.0, 2.0, 45.0))
    assert not shows_back(Body.of(scan), (150.0, 0.0, 30.0), (170.0, 0.0, 31.0))
    # On a ridge seen from the side one of the two facets shows its face.
    ridge = Body.of(sheet(*WIDE, height=lambda g: -2.0 * np.abs(g[..., 0])))
    assert not shows_back(ridge, at, (20.0, 0.0, 30.0))
    # Another layer that faces up.
    both = np.concatenate([scan, scan[:, ::-1]])
    assert not shows_back(Body.of(both), at, above)
    # Facing down on both sides, the ridge of a roof shows its back to what is over it.
    assert shows_back(Body.of(sheet(*WIDE, height=lambda g: -0.5 * np.abs(g[..., 0]))), at, above)


def test_only_open_meshes_have_a_back():
    at, above = (0.0, 0.0, 20.0), (0.0, 0.0, 45.0)
    assert not shows_back(BLOCK, at, above)
    assert not shows_back(Body.of(sheet(*WIDE)), at, at)

"""Apart, touching, overlapping, inside: the state, the depth and the volume."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import random_rotation_matrix, rotation_matrix

from geomcheck.fit.body import Body
from geomcheck.fit.depth import deepest
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.pieces import Piece

FIXED = settings(derandomize=True, deadline=None, max_examples=15)


def torn(mesh, *triangles):
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[list(triangles)] = False
    return trimesh.Trimesh(mesh.vertices, mesh.faces[keep], process=False)


def top_of(block, height):
    """Only the upward face of a block, at a height."""
    sheet = torn(block, *np.flatnonzero(block.face_normals[:, 2] < 0.5))
    return sheet.apply_translation((0, 0, height - sheet.bounds[1, 2]))


# --- touching ------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 0.7])
@pytest.mark.parametrize(
    "offset",
    [(10, 0, 0), (10, 3, 2), (10, 10, 0), (10, 10, 10)],
    ids=["face", "shifted", "edge", "corner"],
)
def test_boxes_that_share_a_face_edge_or_corner_touch(offset, angle, box):
    turn = rotation_matrix(angle, (1, 2, 3))
    gap = measure_gap(box(10, 10, 10).at(turn).mesh, box(10, 10, 10).moved(*offset).at(turn).mesh)
    assert gap.state == "touching"
    assert gap.depth is None
    assert gap.distance < 1e-4
    assert gap.quantity.value == 0.0
    assert gap.quantity.low <= 0.0 <= gap.quantity.high
    assert gap.volume is None


def test_direction_of_a_flat_contact_is_its_normal(box):
    gap = measure_gap(box(10, 10, 10).mesh, box(6, 6, 6).moved(8, 1, 1).mesh)
    assert gap.direction == pytest.approx((-1.0, 0.0, 0.0))


def test_a_box_against_the_inside_of_a_hollow_touches(box):
    hollow = trimesh.boolean.difference(
        [box(20, 20, 20).mesh, box(10, 10, 10).mesh], engine="manifold"
    )
    gap = measure_gap(hollow, box(4, 4, 4).moved(3, 0, 0).mesh)
    assert gap.state == "touching"


# --- overlapping ---------------------------------------------------------------------------------


def test_boxes_that_overlap_by_two(box):
    gap = measure_gap(box(10, 10, 10).mesh, box(10, 10, 10).moved(8, 3, 2).mesh)
    assert gap.state == "overlapping"
    assert gap.distance == 0.0
    assert gap.depth == pytest.approx(2.0)
    assert gap.volume == pytest.approx(2 * 7 * 8)
    # The depth comes from rounded products: the last bit may fall on either side.
    assert gap.quantity.low <= -2.0 <= gap.quantity.high + 1e-12
    assert gap.direction == pytest.approx((-1.0, 0.0, 0.0), abs=1e-9)
    assert gap.crossings > 0
    low, high = np.array(gap.extent)
    assert low == pytest.approx((3, -2, -3)) and high == pytest.approx((5, 5, 5))


def test_crossed_bars_have_no_corner_inside_but_a_depth(box):
    """Bars of 10 x 10 crossing at right angles, 3 mm into one another: 3 x 10 x 10."""
    gap = measure_gap(box(100, 10, 10).mesh, box(10, 100, 10).moved(0, 0, 7).mesh)
    assert gap.state == "overlapping"
    assert gap.depth == pytest.approx(3.0, rel=5e-3)
    assert gap.volume == pytest.approx(300.0)
    assert -gap.quantity.low >= 3.0 - 1e-9


def test_same_section_pushed_into_one_another_overlaps(box):
    """Every crossing is mere contact of coplanar faces; half of each box is in the other."""
    gap = measure_gap(box(10, 10, 10).mesh, box(10, 10, 10).moved(5, 0, 0).mesh)
    assert gap.state == "overlapping"
    assert gap.volume == pytest.approx(500.0)
    assert gap.quantity.low <= -5.0 + 1e-9 and gap.depth > 4.9


@pytest.mark.parametrize("angle", [0.0, 0.4])
def test_a_part_placed_twice_overlaps_itself(angle, ball, box):
    """No point of either surface lies inside the other."""
    for solid in (box(10, 20, 30), ball(10)):
        mesh = solid.at(rotation_matrix(angle, (1, 2, 3))).mesh
        gap = measure_gap(mesh, mesh.copy())
        assert gap.state == "overlapping"
        assert gap.depth > 0.2 * np.ptp(solid.mesh.bounds, axis=0).min()


@pytest.mark.parametrize(
    ("radii", "distance", "volume"),
    # pi (R + r - d)^2 (d^2 + 2 d (R + r) - 3 (R - r)^2) / (12 d); elementary geometry
    [((10, 8), 12.0, 442.964564), ((10, 10), 10.0, 1308.996939)],
)
def test_lens_of_two_balls(radii, distance, volume, ball):
    """Depth of the lens R + r - d; volume from below, as both meshes are inscribed."""
    a, b = ball(radii[0], 4), ball(radii[1], 4).moved(distance, 0, 0)
    gap = measure_gap(Body.of(a.mesh, a.sagitta), Body.of(b.mesh, b.sagitta))
    true = sum(radii) - distance
    assert gap.state == "overlapping"
    assert gap.quantity.low <= -true <= gap.quantity.high
    assert gap.depth <= true + 1e-9
    assert gap.depth == pytest.approx(true, rel=0.02)
    assert 0.97 * volume < gap.volume < volume


def test_depth_of_a_ball_in_a_ball_that_holds_its_centre(ball):
    """|c2 - c1| - r1 - r2 = -3: the published case of a negative sphere gap."""
    a, b = ball(10, 5), ball(5, 4).moved(12, 0, 0)
    gap = measure_gap(Body.of(a.mesh, a.sagitta), Body.of(b.mesh, b.sagitta))
    assert gap.quantity.low <= -3.0 <= gap.quantity.high
    assert gap.depth == pytest.approx(3.0, rel=0.01)


@FIXED
@given(seed=st.integers(0, 2**20))
def test_depth_against_dense_sampling(seed):
    """trimesh's signed distance at many points of the one surface, as an outside witness."""
    rng = np.random.default_rng(seed)
    a = trimesh.creation.box((12, 8, 6))
    b = trimesh.creation.box((5, 9, 7)).apply_transform(random_rotation_matrix(rng.random(3)))
    b.apply_translation(rng.uniform(-5, 5, 3))
    depth = deepest(Piece.whole(Body.of(b)), Body.of(a), 1e-5)
    points, _ = trimesh.sample.sample_surface(b, 3000, seed=seed)
    # Inside a box at the origin: the least distance to its six faces (elementary geometry).
    sampled = (np.array([6, 4, 3]) - np.abs(points)).min(axis=1).max()
    assert depth.bound >= sampled - 1e-9
    assert depth.found <= depth.bound
    assert depth.found >= min(sampled, depth.bound * 0.98) - 1e-4
    if depth.point is not None:
        assert (np.array([6, 4, 3]) - np.abs(depth.point)).min() == pytest.approx(depth.found)


def test_depth_less_than_the_chord_error_is_not_certain(ball):
    """Balls whose meshes overlap by less than their chord errors may be apart in truth."""
    a, b = ball(10, 1), ball(10, 1)
    # Along x the icosphere has a corner at neither end; find the meshes' own reach.
    reach = a.mesh.bounds[1, 0]
    b = b.moved(2 * reach - 0.05, 0, 0)
    gap = measure_gap(Body.of(a.mesh, a.sagitta), Body.of(b.mesh, b.sagitta))
    assert gap.state == "overlapping"
    assert gap.quantity.high > 0.0 > gap.quantity.low


def test_overlap_may_be_less_by_the_sagitta_of_both_surfaces(box):
    """2 mm into one another, chord errors of 0.3 and 0.4: certainly 1.3, at most 2.7."""
    for first, second in ((0.3, 0.0), (0.0, 0.3), (0.3, 0.4)):
        a = Body.of(box(10, 10, 10).mesh, first)
        b = Body.of(box(6, 6, 6).moved(6, 0, 0).mesh, second)
        for pair in ((a, b), (b, a)):
            gap = measure_gap(*pair)
            assert gap.quantity.high == pytest.approx(-2.0 + first + second, abs=0.02)
            assert gap.quantity.low <= -2.0 - first - second + 1e-9


# --- inside --------------------------------------------------------------------------------------


def test_a_part_wholly_inside_another_is_never_apart(box, torus):
    """A ring in a block: not convex, no crossing, a positive distance of surfaces."""
    ring, around = torus(40, 10), box(120, 120, 60)
    gap = measure_gap(ring.mesh, around.mesh)
    assert gap.state == "a inside b"
    assert gap.distance == 0.0
    assert gap.depth == pytest.approx(30.0, rel=0.01)  # its middle plane is 30 under both faces
    assert gap.volume == pytest.approx(ring.mesh.volume, rel=1e-6)
    assert gap.quantity.high < 0.0
    assert measure_gap(around.mesh, ring.mesh).state == "b inside a"


def test_one_swallowed_piece_of_many_is_enough(box):
    """Two separate pieces in one file: the near one is outside, the far one swallowed."""
    a = trimesh.util.concatenate([box(2, 2, 2).mesh, box(2, 2, 2).moved(30, 0, 0).mesh])
    gap = measure_gap(a, box(10, 10, 10).moved(30, 0, 0).mesh)
    assert gap.state == "a inside b"


def test_a_tool_in_the_hollow_is_apart(box):
    """In the bore, in a closed void and in the hole of a ring: around it, not in the metal."""
    outer, void = box(40, 40, 40).mesh, box(20, 20, 20).mesh
    tool = box(4, 4, 4).mesh
    hollow = trimesh.boolean.difference([outer, void], engine="manifold")
    gap = measure_gap(hollow, tool)
    assert (gap.state, gap.distance) == ("apart", pytest.approx(8.0))
    assert gap.undecided == ()
    bore = trimesh.boolean.difference(
        [outer, trimesh.creation.cylinder(radius=10, height=60, sections=64)], engine="manifold"
    )
    assert measure_gap(bore, tool).state == "apart"


def test_a_housing_turned_inside_out_still_holds_what_is_in_its_metal(box):
    outer = box(20, 20, 20).mesh
    outer.invert()
    assert measure_gap(outer, box(2, 2, 2).mesh).state == "b inside a"


def test_open_mesh_round_a_part_leaves_inside_undecided(box):
    skin = torn(box(20, 20, 20).mesh, 0)
    gap = measure_gap(box(2, 2, 2).mesh, skin)
    assert gap.state == "apart"
    assert len(gap.undecided) == 1 and "mesh of the second part is open" in gap.undecided[0]
    assert measure_gap(skin, box(2, 2, 2).mesh).undecided
    # Known to be a mere shell, there is nothing to be inside of.
    assert measure_gap(box(2, 2, 2).mesh, skin, shell_b=True).undecided == ()
    # Reaching out of the hull through the hole, it cannot be swallowed.
    normal = box(20, 20, 20).mesh.face_normals[0]
    probe = trimesh.creation.cylinder(
        radius=0.5, segment=np.array([[0, 0, 0], normal * 30]) + _hole(skin, normal)
    )
    assert measure_gap(probe, skin).undecided == ()


def _hole(skin, normal):
    """A line through the middle of the triangle that is missing."""
    whole = trimesh.creation.box((20, 20, 20))
    middle = whole.triangles[0].mean(axis=0)
    return middle - normal * (middle @ normal)


def test_flat_or_distant_open_mesh_leaves_nothing_undecided(box):
    sheet = top_of(box(100, 100, 1).mesh, 20.5)
    gap = measure_gap(box(10, 10, 10).mesh, sheet)
    assert (gap.state, gap.undecided) == ("apart", ())
    assert gap.distance == pytest.approx(15.5)
    assert any("shows its back" in note for note in gap.notes)


def test_open_piece_in_the_metal_is_found(box):
    """What is swallowed need not be closed."""
    scrap = torn(box(2, 2, 2).mesh, 3)
    gap = measure_gap(box(20, 20, 20).mesh, scrap)
    assert gap.state == "b inside a"
    assert gap.quantity.high < 0.0
    assert gap.volume is None and any("open mesh has no volume" in note for note in gap.notes)


def test_overlap_with_an_open_sheet_has_a_depth_within_the_solid_only(box):
    """A sheet 2 mm under the top of a block; the block's own reach through it is unknown."""
    sheet = top_of(box(100, 100, 1).mesh, 3.0)
    gap = measure_gap(box(10, 10, 10).mesh, sheet)
    assert gap.state == "overlapping"
    assert gap.depth == pytest.approx(2.0, rel=5e-3)
    assert gap.quantity.high < 0.0
    assert gap.quantity.low <= -2.0
    assert any("may be deeper" in note for note in gap.notes)
    assert gap.volume is None


def test_two_open_sheets_that_cross_have_no_depth_but_overlap(box):
    a, b = (torn(box(20, 20, 20).mesh, n) for n in (0, 4))
    gap = measure_gap(a, b.apply_translation((13, 3, 4)))
    assert gap.state == "overlapping"
    assert gap.depth is None
    assert gap.quantity.high < 1.0  # fails any gap of a millimetre
    assert gap.quantity.low <= -7.0 + 1e-9
    assert any("cannot be measured" in note for note in gap.notes)

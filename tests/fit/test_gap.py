"""Gaps against closed forms of elementary geometry, on meshes of known chord error."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import random_rotation_matrix, rotation_matrix, translation_matrix

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.gap import measure_gap
from geomcheck.mesh.sagitta import Sagitta

FIXED = settings(derandomize=True, deadline=None, max_examples=25)


def body(solid, estimated=False):
    return Body.of(solid.mesh, sagitta=None if estimated else solid.sagitta)


def cases(ball, torus, rod, box):
    """Pairs and their true gap; formulas of elementary geometry."""
    r2 = np.sqrt(2.0)
    diagonal = rotation_matrix(
        np.arccos(1 / np.sqrt(3.0)), np.cross((1, 1, 1), (1, 0, 0)), (0, 0, 0)
    )
    return {
        # |c2 - c1| - r1 - r2
        "balls": (ball(10), ball(5).moved(20, 10, 5), np.sqrt(525) - 15),
        # sqrt(3^2 + 4^2 + 5^2) - 1, to the corner of a cube of side 2
        "ball and corner": (box(2, 2, 2), ball(1).moved(4, 5, 6), np.sqrt(50) - 1),
        # sqrt(4^2 + 5^2) - 1, to its edge
        "ball and edge": (box(2, 2, 2), ball(1).moved(0, 5, 6), np.sqrt(41) - 1),
        "ball and face": (box(2, 2, 2), ball(1).moved(0, 0, 6), 4.0),
        # gaps of 3, 4 and 12 along the axes: 13
        "corner to corner": (box(2, 2, 2), box(2, 2, 2).moved(5, 6, 14), 13.0),
        # edge to face: centre 5 from the plane, half diagonal sqrt 2
        "edge to face": (
            box(20, 20, 2).moved(0, 0, -1),
            box(2, 2, 2).at(rotation_matrix(np.pi / 4, (0, 1, 0))).moved(0, 0, 5),
            5 - r2,
        ),
        "corner to face": (
            box(2, 20, 20).moved(-1, 0, 0),
            box(2, 2, 2).at(diagonal).moved(5, 0, 0),
            5 - np.sqrt(3.0),
        ),
        # two boxes of 10, one turned by 45 degrees, centres 30 apart
        "turned boxes": (
            box(10, 10, 10),
            box(10, 10, 10).at(rotation_matrix(np.pi / 4, (0, 0, 1))).moved(30, 0, 0),
            25 - 5 * r2,
        ),
        # axes 45 degrees apart, 10 from one another
        "skew rods": (
            rod(3, 60),
            rod(2, 60).at(rotation_matrix(np.pi / 4, (0, 1, 0))).moved(0, 10, 0),
            5.0,
        ),
        # hypot(R1 - R2, h) - r1 - r2
        "coaxial tori": (torus(40, 5), torus(30, 4).moved(0, 0, 24), 17.0),
        # linked rings, each through the centre of the other: R - r1 - r2
        "linked tori": (
            torus(30, 5),
            torus(30, 4).at(rotation_matrix(np.pi / 2, (1, 0, 0))).moved(30, 0, 0),
            21.0,
        ),
        "ball in a torus's hole": (torus(40, 10), ball(20), 10.0),
        # hypot(8, 6) - 5, to an edge parallel to the rod
        "rod and edge": (rod(5, 30), box(10, 10, 10).moved(13, 11, 0), 5.0),
    }


NAMES = (
    "balls",
    "ball and corner",
    "ball and edge",
    "ball and face",
    "corner to corner",
    "edge to face",
    "corner to face",
    "turned boxes",
    "skew rods",
    "coaxial tori",
    "linked tori",
    "ball in a torus's hole",
    "rod and edge",
)


@pytest.mark.parametrize("estimated", [False, True], ids=["declared", "estimated"])
@pytest.mark.parametrize("name", NAMES)
def test_true_gap_lies_in_the_interval(name, estimated, ball, torus, rod, box):
    a, b, true = cases(ball, torus, rod, box)[name]
    gap = measure_gap(body(a, estimated), body(b, estimated))
    assert gap.state == "apart"
    assert gap.quantity.low - 1e-9 <= true <= gap.quantity.high + 1e-9
    if "tor" not in name:  # inscribed facets of convex bodies read too much, never too little
        assert gap.distance >= true - 1e-9
    # The interval stays near what the chord errors can explain.
    if not estimated:
        assert gap.quantity.high - gap.quantity.low <= 2.0 * (a.sagitta + b.sagitta) + 1e-9


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("seed", [1, 2])
def test_true_gap_lies_in_the_interval_wherever_the_facets_lie(name, seed, ball, torus, rod, box):
    """Each round solid turned about its own centre: facets, edges or corners face the gap."""
    a, b, true = cases(ball, torus, rod, box)[name]
    matrix = random_rotation_matrix(np.random.default_rng(seed).random(3))
    if "ball" in name:
        middle = b.mesh.bounds.mean(axis=0)
        b = b.moved(*-middle).at(matrix).moved(*middle)
    a, b = a.at(matrix), b.at(matrix)
    gap = measure_gap(body(a), body(b))
    assert gap.quantity.low - 1e-9 <= true <= gap.quantity.high + 1e-9


def test_witness_points_lie_on_their_triangles_at_the_distance(ball, torus):
    a, b = body(torus(40, 10)), body(ball(20))
    gap = measure_gap(a, b)
    assert np.linalg.norm(np.subtract(gap.point_a, gap.point_b)) == pytest.approx(
        gap.distance, abs=1e-12
    )
    for shape, triangle, point in (
        (a, gap.triangle_a, gap.point_a),
        (b, gap.triangle_b, gap.point_b),
    ):
        corners = shape.triangles[triangle][None]
        nearest = trimesh.triangles.closest_point(corners, np.array([point]))
        assert np.abs(nearest - point).max() < 1e-9


def test_swap_gives_the_mirror_image(ball, rod, box):
    pairs = [
        (ball(10), ball(5).moved(20, 10, 5)),
        (box(10, 10, 10), ball(5).moved(6, 2, 1)),
        (box(30, 30, 30), rod(2, 5)),
        (box(10, 10, 10), box(10, 10, 10).moved(10, 3, 2)),
    ]
    mirrored = {"a inside b": "b inside a", "b inside a": "a inside b"}
    for a, b in pairs:
        one, two = measure_gap(body(a), body(b)), measure_gap(body(b), body(a))
        assert two.state == mirrored.get(one.state, one.state)
        assert two.distance == pytest.approx(one.distance, abs=1e-12)
        assert two.quantity.value == pytest.approx(one.quantity.value, abs=1e-9)
        assert two.quantity.low == pytest.approx(one.quantity.low, abs=1e-9)
        if one.direction is not None:
            assert np.allclose(np.negative(one.direction), two.direction, atol=1e-6)


@FIXED
@given(
    offset=st.tuples(*[st.floats(-16, 16)] * 3),
    angle=st.floats(0, 6.28),
    seed=st.integers(0, 2**20),
)
def test_state_and_gap_do_not_depend_on_place_order_or_subdivision(offset, angle, seed):
    rng = np.random.default_rng(seed)
    a = trimesh.creation.box((12, 8, 6))
    b = trimesh.creation.box((5, 9, 7)).apply_transform(rotation_matrix(angle, (1, 2, 3)))
    b.apply_translation(offset)
    first = measure_gap(a, b, volume=False)
    matrix = translation_matrix(rng.uniform(-50, 50, 3)) @ random_rotation_matrix(rng.random(3))
    a2, b2 = (m.copy().apply_transform(matrix) for m in (a, b))
    a2 = trimesh.Trimesh(*trimesh.remesh.subdivide(a2.vertices, a2.faces), process=False)
    b2 = trimesh.Trimesh(b2.vertices, b2.faces[rng.permutation(len(b2.faces))], process=False)
    second = measure_gap(a2, b2, volume=False)
    if abs(first.quantity.value) < 1e-3:
        return  # on the edge between states
    assert second.state == first.state
    # A depth is known to half a per cent.
    assert second.quantity.value == pytest.approx(first.quantity.value, rel=6e-3, abs=1e-4)
    assert second.distance == pytest.approx(first.distance, abs=1e-9)


def test_coarse_facets_far_away_do_not_widen_the_interval(box):
    """Only facets that may come near count: half the mesh has a chord error of 3 mm."""
    a, b = Body.of(box(10, 10, 10).mesh), Body.of(box(10, 10, 10).moved(20, 0, 0).mesh)
    far = a.triangles[:, :, 0].max(axis=1) < 4.9  # the face at x = -5
    assert far.sum() == 2
    stand_off = np.where(far, 3.0, 0.01)
    a = Body(a.vertices, a.faces, a.soundness, Sagitta(stand_off, stand_off, "declared"), a.tree)
    gap = measure_gap(a, b)
    assert gap.quantity.low == pytest.approx(9.99)
    assert 10.0 <= gap.quantity.high <= 10.01
    near = np.where(far, 0.01, 3.0)
    a = Body(a.vertices, a.faces, a.soundness, Sagitta(near, near, "declared"), a.tree)
    assert measure_gap(a, b).quantity.low == pytest.approx(7.0)


def test_a_coarse_facet_that_may_be_the_nearest_counts_though_it_is_not_the_nearest(block):
    """The nearest facet is fine; one 1 mm behind it may stand out by 3 mm and come nearer."""
    step = trimesh.util.concatenate(
        [block((0, 10), (0, 10), (0, 10)), block((0, 9), (20, 30), (0, 10))]
    )
    a, b = Body.of(step), Body.of(block((15, 16), (0, 30), (0, 10)))
    coarse = a.triangles[:, :, 1].min(axis=1) >= 20
    stand_off = np.where(coarse, 3.0, 0.0)
    a = Body(a.vertices, a.faces, a.soundness, Sagitta(stand_off, stand_off, "declared"), a.tree)
    gap = measure_gap(a, b)
    assert gap.distance == 5.0
    assert gap.quantity.low <= 3.0  # 6 - 3


def test_open_meshes_may_come_nearer_on_either_side(ball):
    """A bowl seen from inside: the true surface lies outside its facets, towards nobody."""
    solid = ball(20)
    bowl = solid.mesh.copy()
    bowl.update_faces(bowl.triangles_center[:, 2] < 0)
    gap = measure_gap(Body.of(bowl, sagitta=solid.sagitta), body(ball(5).moved(0, 0, -3)))
    assert gap.state == "apart"
    assert gap.quantity.low - 1e-9 <= 12.0 <= gap.quantity.high + 1e-9


@pytest.mark.parametrize("turned", [False, True])
def test_estimated_bulge_of_an_open_sheet_counts_on_both_sides(turned, box):
    """An open surface does not say which way its material lies."""
    lid = box(40, 40, 10).mesh
    lid.update_faces(lid.face_normals[:, 2] > 0.5)
    if turned:
        lid.invert()
    sheet = Body.of(lid.apply_translation((0, 0, 10)))
    for outward, inward in ((0.5, 0.0), (0.0, 0.5)):
        bound = Sagitta(np.full(2, outward), np.full(2, inward), "estimated")
        shape = Body(sheet.vertices, sheet.faces, sheet.soundness, bound, sheet.tree)
        gap = measure_gap(box(10, 10, 10).mesh, shape)
        assert gap.distance == pytest.approx(10.0)
        assert gap.quantity.low == pytest.approx(9.5)


def test_bad_shapes_are_refused():
    box = trimesh.creation.box((1, 1, 1))
    with pytest.raises(InputError, match="not finite"):
        measure_gap(np.full((1, 3, 3), np.nan), box)
    with pytest.raises(InputError, match=r"\(m, 3, 3\)"):
        measure_gap(np.zeros((0, 3, 3)), box)

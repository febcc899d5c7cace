"""Distances between bodies: closed forms, a reference library, what must not change them."""

import math

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose

from geomcheck.errors import InputError
from geomcheck.mesh import threads, walk
from geomcheck.mesh.query import crossing_pairs, least_distance, near_masks, rounding
from geomcheck.mesh.tree import TriangleTree


def box(low, high):
    low, high = np.asarray(low, float), np.asarray(high, float)
    return np.array(trimesh.creation.box(high - low).triangles) + (low + high) / 2.0


def ball(centre, radius, subdivisions=5):
    shape = np.array(trimesh.creation.icosphere(subdivisions, radius).triangles)
    return shape + np.asarray(centre, float)


def moved(shape, *by):
    return shape + np.array(by, float)


def turned_about_z(shape, angle):
    c, s = math.cos(angle), math.sin(angle)
    return shape @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def turn_of(seed):
    q = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]
    return q * np.sign(np.linalg.det(q))


def wavy(seed, subdivisions=4, radius=20.0):
    """A closed bumpy body, coordinates in mm."""
    ball = trimesh.creation.icosphere(subdivisions)
    v = ball.vertices @ turn_of(seed)
    v = v * (radius * (1.0 + 0.08 * np.sin(5 * v[:, :1] + seed) * np.cos(4 * v[:, 1:2])))
    return v, ball.faces


# --- closed forms (elementary geometry) -----------------------------------------------------------


@pytest.mark.parametrize(
    ("feature", "other", "want"),
    [
        ("corner to corner, gaps 3 4 12", box((4, 5, 13), (6, 7, 15)), 13.0),
        ("edge to edge, gaps 3 4", box((4, 5, -1), (6, 7, 1)), 5.0),
        ("face to face", box((-1, -1, 5), (1, 1, 7)), 4.0),
        ("corner laid on corner", box((1, 1, 1), (2, 2, 2)), 0.0),
        ("face laid on face", box((1, -1, -1), (3, 1, 1)), 0.0),
        ("half inside", box((0, 0, 0), (3, 3, 3)), 0.0),
        ("wholly inside: surfaces half apart", box((-0.5, -0.5, -0.5), (0.5, 0.5, 0.5)), 0.5),
    ],
)
def test_box_to_box(feature, other, want):
    near = least_distance(box((-1, -1, -1), (1, 1, 1)), other)
    assert near.distance == want


def test_edge_to_face_of_turned_cubes():
    # Cube of side 2 turned 45 degrees about z, centre 5 from a plane: 5 - sqrt 2.
    cube = turned_about_z(box((-1, -1, -1), (1, 1, 1)), math.pi / 4)
    wall = box((5, -50, -50), (6, 50, 50))
    assert_allclose(least_distance(cube, wall).distance, 3.585786437626905, rtol=1e-15)
    # Two boxes of side 10, centres 30 apart, one turned: 25 - 5 sqrt 2.
    one = box((-5, -5, -5), (5, 5, 5))
    two = moved(turned_about_z(one, math.pi / 4), 30, 0, 0)
    assert_allclose(least_distance(one, two).distance, 17.928932188134524, rtol=1e-15)


def test_corner_to_face_along_the_body_diagonal():
    # Cube of side 2 standing on a corner, centre 5 from a plane: 5 - sqrt 3.
    up = np.ones(3) / math.sqrt(3.0)
    side = np.array([1.0, -1.0, 0.0]) / math.sqrt(2.0)
    turn = np.stack([up, side, np.cross(up, side)], axis=1)
    cube = box((-1, -1, -1), (1, 1, 1)) @ turn
    near = least_distance(cube, box((5, -50, -50), (6, 50, 50)))
    assert_allclose(near.distance, 3.267949192431123, rtol=1e-15)


def _within(found, want, sagitta):
    """Inscribed facets stand inside the true surfaces: the gap read is large by up to that."""
    assert want - 1e-12 <= found <= want + sagitta


def test_balls_apart():
    near = least_distance(ball((0, 0, 0), 10.0), ball((20, 10, 5), 5.0))
    _within(near.distance, 7.912878474779200, 0.01)  # |c2 - c1| - r1 - r2
    assert_allclose(np.linalg.norm(near.point_a), 10.0, atol=5e-3)


def test_ball_to_box():
    cube = box((-1, -1, -1), (1, 1, 1))
    _within(least_distance(cube, ball((4, 5, 6), 1.0)).distance, 6.071067811865475, 1e-3)
    _within(least_distance(cube, ball((0, 5, 6), 1.0)).distance, 5.403124237432849, 1e-3)
    _within(least_distance(cube, ball((0, 0, 6), 1.0)).distance, 4.0, 1e-3)


def test_tori():
    def torus(major, minor):
        return trimesh.creation.torus(major, minor, major_sections=192, minor_sections=96)

    # Coaxial: hypot(R1 - R2, h) - r1 - r2. A ball at the centre of the hole: R - r - rs. Facets
    # on the saddle side of a torus stand out, those on the other side stand in.
    upper = moved(np.array(torus(30.0, 4.0).triangles), 0, 0, 24)
    assert_allclose(least_distance(torus(40.0, 5.0), upper).distance, 17.0, atol=0.01)
    middle = ball((0, 0, 0), 20.0)
    assert_allclose(least_distance(torus(40.0, 10.0), middle).distance, 10.0, atol=0.03)


def test_crossing_cylinders():
    # Axes 10 apart and 45 degrees to each other, r = 3 and 2: 10 - 5.
    one = np.array(trimesh.creation.cylinder(3.0, 80.0, sections=256).triangles)
    two = np.array(trimesh.creation.cylinder(2.0, 80.0, sections=256).triangles)
    along_x = np.array([[0.0, 0, -1], [0, 1, 0], [1, 0, 0]])
    a = one @ along_x
    b = moved(turned_about_z(two @ along_x, math.pi / 4), 0, 0, 10)
    _within(least_distance(a, b).distance, 5.0, 1e-3)


def test_cylinder_to_a_corner_edge():
    # Cylinder r = 5 about z, edge of a box along z at (8, 6): hypot(8, 6) - 5.
    shaft = np.array(trimesh.creation.cylinder(5.0, 30.0, sections=512).triangles)
    _within(least_distance(shaft, box((8, 6, -9), (20, 20, 9))).distance, 5.0, 1e-3)


# --- a reference library --------------------------------------------------------------------------


def _fcl_distance(one, two):
    fcl = pytest.importorskip("fcl")
    bodies = []
    for vertices, faces in (one, two):
        model = fcl.BVHModel()
        model.beginModel(len(vertices), len(faces))
        model.addSubModel(vertices, faces)
        model.endModel()
        bodies.append(fcl.CollisionObject(model))
    return fcl.distance(*bodies, fcl.DistanceRequest(True), fcl.DistanceResult())


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("large", [1, 10**9], ids=["shared work", "one share"])
def test_bumpy_bodies_against_fcl(monkeypatch, seed, large):
    """python-fcl, exact between triangles that do not meet: apart, close by, and nested."""
    monkeypatch.setattr(walk, "_LARGE", large)
    va, fa = wavy(seed)
    vb, fb = wavy(seed + 10)
    for shift in ([47.0, 5.0, 3.0], [60.0, 50.0, -70.0]):
        near = least_distance(va[fa], (vb + shift)[fb])
        want = _fcl_distance((va, fa), (vb + shift, fb))
        assert want > 0.0
        assert_allclose(near.distance, want, rtol=0, atol=1e-12)
    v, f = wavy(seed)
    near = least_distance(v[f], (v * 1.02)[f])  # nearly parallel all round
    assert_allclose(near.distance, _fcl_distance((v, f), (v * 1.02, f)), rtol=0, atol=1e-12)


# --- what must not change an answer ---------------------------------------------------------------


def pair(seed=1):
    va, fa = wavy(seed, 3)
    vb, fb = wavy(seed + 5, 3)
    return va[fa], vb[fb] + [48.0, 9.0, -3.0]


def test_rigid_motion():
    a, b = pair()
    want = least_distance(a, b)
    for seed in range(8):
        turn, shift = turn_of(seed), np.random.default_rng(seed).normal(size=3) * 500.0
        near = least_distance(a @ turn + shift, b @ turn + shift)
        assert_allclose(near.distance, want.distance, rtol=0, atol=2e-12)
        assert_allclose(near.point_a, want.point_a @ turn + shift, atol=1e-9)
        assert (near.triangle_a, near.triangle_b) == (want.triangle_a, want.triangle_b)


def test_swap():
    a, b = pair()
    there, back = least_distance(a, b), least_distance(b, a)
    assert_allclose(there.distance, back.distance, rtol=0, atol=1e-14)
    assert (there.triangle_a, there.triangle_b) == (back.triangle_b, back.triangle_a)
    assert_allclose(there.point_a, back.point_b, atol=1e-9)


def test_reorder():
    a, b = pair()
    want = least_distance(a, b)
    rng = np.random.default_rng(0)
    ra, rb = rng.permutation(len(a)), rng.permutation(len(b))
    near = least_distance(a[ra], b[rb])
    assert near.distance == want.distance
    # The closest points may be corners that several triangles share: any of those will do.
    assert np.array_equal(near.point_a, want.point_a)
    assert np.array_equal(near.point_b, want.point_b)


def test_subdivide():
    a, b = pair()
    want = least_distance(a, b).distance
    for shape in (a, b):
        mesh = trimesh.Trimesh(shape.reshape(-1, 3), np.arange(len(shape) * 3).reshape(-1, 3))
        fine = np.array(mesh.subdivide().triangles)
        other = b if shape is a else a
        assert_allclose(least_distance(fine, other).distance, want, rtol=0, atol=1e-13)


def test_any_number_of_threads(monkeypatch):
    va, fa = wavy(3, 5)
    vb, fb = wavy(4, 5)
    a, b = va[fa], vb[fb] + [44.0, 9.0, -3.0]
    first = least_distance(a, b)
    marks = near_masks(a, b, first.distance + 2.0)
    for count in (1, 3, 7):
        monkeypatch.setattr(threads, "THREADS", count)
        again = least_distance(a, b)
        assert again.distance == first.distance
        assert np.array_equal(again.point_a, first.point_a)
        assert np.array_equal(again.point_b, first.point_b)
        assert (again.triangle_a, again.triangle_b) == (first.triangle_a, first.triangle_b)
        for one, two in zip(marks, near_masks(a, b, first.distance + 2.0), strict=True):
            assert np.array_equal(one, two)


# --- ties, cutoffs, flags -------------------------------------------------------------------------


@pytest.mark.parametrize("large", [1, 10**9], ids=["shared work", "one share"])
@pytest.mark.parametrize("lift", [0.0, 1.0, 0.5])
def test_ties_go_to_the_smallest_numbers(monkeypatch, large, lift):
    """Two equal grids of triangles face each other: thousands of pairs at the same distance."""
    monkeypatch.setattr(walk, "_LARGE", large)
    side = np.arange(17.0)
    x, y = np.meshgrid(side, side)
    flat = np.stack([x, y, 0 * x], axis=-1)
    tri = np.stack([flat[:-1, :-1], flat[1:, :-1], flat[1:, 1:]], axis=2).reshape(-1, 3, 3)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        a, b = tri[rng.permutation(len(tri))], tri[rng.permutation(len(tri))] + [0, 0, lift]
        near = least_distance(a, b)
        assert near.distance == lift
        assert near.triangle_a == 0
        ties = (k for k in range(len(b)) if least_distance(a[:1], b[k : k + 1]).distance == lift)
        assert near.triangle_b == next(ties)


def test_cutoff():
    a, b = pair()
    d = least_distance(a, b).distance
    assert least_distance(a, b, cutoff=d).distance == d  # the cutoff belongs to it
    assert least_distance(a, b, cutoff=d * (1 - 1e-9)) is None
    assert least_distance(a, b, cutoff=d * 1.5).distance == d
    assert least_distance(a, b, cutoff=0.0) is None


def test_declared_mate_is_left_out_only_where_both_are_flagged():
    plate = box((-5, -5, -1), (5, 5, 0))
    block = box((-2, -2, 0), (2, 2, 6))  # stands on the plate
    hook = box((-2, 3, 1.5), (2, 4, 2))  # belongs to the block, 1.5 over the plate
    other = np.concatenate([block, hook])
    assert least_distance(plate, other).distance == 0.0
    top = np.isclose(plate[:, :, 2], 0.0).all(axis=1)
    foot = np.isclose(other[:, :, 2], 0.0).any(axis=1)
    near = least_distance(plate, other, skip_a=top, skip_b=foot)
    assert near.distance == 1.0  # the block's foot to the rest of the plate goes through its top
    near = least_distance(plate[top], other, skip_a=np.ones(top.sum(), bool), skip_b=foot)
    assert near.distance == 1.5
    everything = {"skip_a": np.ones(len(plate), bool), "skip_b": np.ones(len(other), bool)}
    assert least_distance(plate, other, **everything) is None
    assert least_distance(plate, other, skip_a=everything["skip_a"]).distance == 0.0


def test_masks_of_two_plates():
    a, b = box((0, 0, 0), (10, 10, 1)), box((0, 0, 3), (10, 10, 4))
    mask_a, mask_b = near_masks(a, b, 2.0)
    assert np.array_equal(mask_a, (a[:, :, 2] == 1.0).any(axis=1))
    assert np.array_equal(mask_b, (b[:, :, 2] == 3.0).any(axis=1))
    assert not near_masks(a, b, 1.999)[0].any()
    assert near_masks(a, b, 100.0)[1].all()


def test_masks_agree_with_distances_on_large_bodies():
    va, fa = wavy(3, 4)
    vb, fb = wavy(4, 4)
    a, b = va[fa], vb[fb] + [44.0, 9.0, -3.0]
    tree = TriangleTree(b)
    for limit in (1.0, 6.0, 30.0):
        mask = near_masks(a, tree, limit)[0]
        some = np.random.default_rng(0).choice(len(a), 150, replace=False)
        want = [least_distance(a[k : k + 1], tree, cutoff=limit) is not None for k in some]
        assert np.array_equal(mask[some], want)


# --- bodies through each other --------------------------------------------------------------------


def test_bodies_through_each_other():
    a, b = ball((0, 0, 0), 10.0, 3), ball((12, 0, 0), 5.0, 3)
    near = least_distance(a, b)
    assert near.distance == 0.0
    assert np.array_equal(near.point_a, near.point_b)
    found = crossing_pairs(a, b)
    # The spheres meet in a circle in the plane x = (d^2 + r1^2 - r2^2) / 2 d (elementary).
    middle = found.segments.reshape(-1, 3)
    assert_allclose(middle[:, 0], (144 + 100 - 25) / 24.0, atol=0.12)
    length = np.linalg.norm(found.segments[:, 0] - found.segments[:, 1], axis=1).sum()
    radius = math.sqrt(100.0 - (219 / 24.0) ** 2)
    assert_allclose(length, 2 * math.pi * radius, rtol=0.02)


def test_shape_on_itself():
    v, f = wavy(1, 3)
    assert least_distance(v[f], v[f]).distance == 0.0
    assert len(crossing_pairs(v[f], v[f])) == 0


# --- wrong input ----------------------------------------------------------------------------------


def test_wrong_input():
    a, b = pair()
    for value in (-1.0, math.nan):
        with pytest.raises(InputError, match="cutoff"):
            least_distance(a, b, cutoff=value)
        with pytest.raises(InputError, match="distance"):
            near_masks(a, b, value)
        with pytest.raises(InputError, match="noise"):
            crossing_pairs(a, b, noise=value)
    with pytest.raises(InputError, match="skip_b"):
        least_distance(a, b, skip_a=np.zeros(len(a), bool), skip_b=np.zeros(3, bool))
    with pytest.raises(InputError, match="no triangles"):
        least_distance(a[:0], b)


def test_far_from_the_origin_rounding_is_owned_up_to():
    """At 10 km a coordinate is known to 2e-9 mm: the distance must be right to rounding()."""
    a, b = pair()
    want = least_distance(a, b).distance
    shift = np.array([1e7, -1e7, 1e7])
    near = least_distance(a + shift, b + shift)
    assert abs(near.distance - want) <= 2 * rounding(TriangleTree(a + shift))

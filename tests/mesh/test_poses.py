"""Distances in many poses against closed forms, python-fcl and the distance of a placed copy."""

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from geomcheck.errors import InputError
from geomcheck.mesh import threads
from geomcheck.mesh.placement import apply
from geomcheck.mesh.poses import pose_distances, pose_rounding, poses_collide
from geomcheck.mesh.query import crossing_pairs, least_distance
from geomcheck.mesh.tree import TriangleTree


def box(*size):
    return np.array(trimesh.creation.box(size).triangles)


def ball(subdivisions=3, radius=10.0):
    return np.array(trimesh.creation.icosphere(subdivisions, radius).triangles)


def rigid(angles, shifts):
    maps = np.tile(np.eye(4), (len(shifts), 1, 1))
    maps[:, :3, :3] = Rotation.from_euler("xyz", angles).as_matrix()
    maps[:, :3, 3] = shifts
    return maps


def random_poses(rng, count, far):
    way = rng.normal(size=(count, 3))
    way *= (rng.uniform(*far, size=count) / np.linalg.norm(way, axis=1))[:, None]
    return rigid(rng.uniform(-3, 3, size=(count, 3)), way)


def placed(triangles, pose):
    return apply(pose, triangles.reshape(-1, 3)).reshape(-1, 3, 3)


def test_two_boxes_one_turning():
    # Cubes of 10, centres 30 apart: the half width of the turned one is 5 (|cos| + |sin|)
    # (elementary); at 45 degrees the gap is 25 - 5 sqrt 2.
    angle = np.radians(np.arange(0.0, 91.0, 5.0))
    poses = rigid(
        np.stack([0 * angle, 0 * angle, angle], axis=1), np.tile([30.0, 0, 0], (len(angle), 1))
    )
    found = pose_distances(box(10, 10, 10), box(10, 10, 10), poses)
    assert_allclose(found.distance, 25 - 5 * (np.cos(angle) + np.sin(angle)), atol=1e-13)
    assert_allclose(found.distance[9], 17.928932188134524, atol=1e-13)


def test_cutoff_is_an_answer_and_no_measurement():
    poses = rigid(np.zeros((4, 3)), [[7.0, 0, 0], [12.0, 0, 0], [12.5, 0, 0], [10.0, 0, 0]])
    found = pose_distances(box(10, 10, 10), box(10, 10, 10), poses, cutoff=2.0)
    assert_allclose(found.distance, [0.0, 2.0, np.inf, 0.0])
    assert found.triangle_a[2] == found.triangle_b[2] == -1
    assert (found.triangle_a[[0, 1, 3]] >= 0).all()
    assert poses_collide(box(10, 10, 10), box(10, 10, 10), poses).tolist() == [True, 0, 0, True]


def test_a_part_wholly_inside_meets_no_triangle():
    poses = rigid(np.zeros((1, 3)), [[0.5, 0, 0]])
    assert_allclose(pose_distances(box(10, 10, 10), box(2, 2, 2), poses).distance, [3.5])
    assert not poses_collide(box(10, 10, 10), box(2, 2, 2), poses)[0]


def test_nested_balls_and_a_torus():
    # A ball rolling in the hole of a ring: R - r - b from the tube (elementary), less sagitta.
    ring = trimesh.creation.torus(40.0, 10.0, major_sections=256, minor_sections=128).triangles
    angle = np.linspace(0.0, 6.0, 40)
    at = 15.0 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    found = pose_distances(ring, ball(4, 10.0), rigid(np.zeros((40, 3)), at))
    off = found.distance - (40.0 - 10.0 - 10.0 - 15.0)
    # The hole's facets stand inwards by their sagitta, 30 (1 - cos(pi / 256)).
    assert (off >= -30.0 * (1.0 - np.cos(np.pi / 256))).all()
    assert (off < 0.05).all()


def test_a_corner_through_a_needle_thinner_than_a_hair():
    # The tip is wider than nothing and narrower than the needle: only its edges go through.
    needle = np.array([[[-50.0, -2e-5, 0.0], [50.0, -2e-5, 0.0], [0.0, 2e-5, 0.0]]])
    tip = np.array([[[0.0, 0.0, -1e-7], [0.3, 0.01, 9.0], [-0.3, -0.01, 9.0]]])
    poses = rigid(np.zeros((2, 3)), [[0.0, -1e-5, 0.0], [0.0, -1e-5, 1e-5]])
    for a, b, maps in ((needle, tip, poses), (tip, needle, np.linalg.inv(poses))):
        found = pose_distances(a, b, maps).distance
        assert_allclose(found, [0.0, 9.9e-6], atol=1e-12)
        assert found[0] == 0.0


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["soup", "dots", "lines", "needles"]))
def test_poses_against_placed_copies(seed, kind):
    rng = np.random.default_rng(seed)
    shapes = []
    for count in rng.integers(1, 60, size=2):
        tri = rng.normal(size=(count, 3, 3)) * 0.7 + rng.normal(size=(count, 1, 3)) * 2.0
        if kind == "dots":
            tri[::2, 1:] = tri[::2, :1]
        if kind == "lines":
            tri[::2, 2] = 0.3 * tri[::2, 0] + 0.7 * tri[::2, 1]
        if kind == "needles":
            tri[:, 2] = tri[:, 1] + 1e-4 * rng.normal(size=(count, 3))
        shapes.append(tri)
    a, b = shapes
    poses = random_poses(rng, 12, (1.0, 14.0))
    found = pose_distances(a, b, poses)
    noise = pose_rounding(a, b, poses)
    for k, pose in enumerate(poses):
        copy = placed(b, pose)
        want = least_distance(a, copy).distance
        assert_allclose(found.distance[k], want, atol=4 * noise)
        i, j = found.triangle_a[k], found.triangle_b[k]
        alone = least_distance(a[i : i + 1], copy[j : j + 1]).distance
        assert_allclose(alone, want, atol=4 * noise)
        near = pose_distances(a, b, poses[k : k + 1], cutoff=1.0).distance[0]
        assert near == (found.distance[k] if found.distance[k] <= 1.0 else np.inf)


def test_large_parts_against_fcl():
    rng = np.random.default_rng(4)
    a, b = ball(5) * [2.0, 1.0, 0.5], ball(4) * [0.3, 1.0, 1.5]
    poses = random_poses(rng, 60, (5.0, 40.0))
    found = pose_distances(a, b, poses)
    models = []
    for tri in (a, b):
        model = fcl.BVHModel()
        model.beginModel(3 * len(tri), len(tri))
        model.addSubModel(tri.reshape(-1, 3), np.arange(3 * len(tri)).reshape(-1, 3))
        model.endModel()
        models.append(model)
    still = fcl.CollisionObject(models[0])
    collide = poses_collide(a, b, poses)
    for k, pose in enumerate(poses):
        moving = fcl.CollisionObject(models[1], fcl.Transform(pose[:3, :3], pose[:3, 3]))
        meets = fcl.collide(still, moving, fcl.CollisionRequest(), fcl.CollisionResult()) > 0
        assert meets == collide[k]
        assert meets == (len(crossing_pairs(a, placed(b, pose))) > 0)
        if not meets:
            away = fcl.distance(still, moving, fcl.DistanceRequest(), fcl.DistanceResult())
            assert_allclose(found.distance[k], away, atol=1e-11)
    assert 5 < collide.sum() < 55


def test_swapped_turned_and_renumbered():
    rng = np.random.default_rng(7)
    a, b = ball(3) * [2.0, 1.0, 0.5], ball(2) * [0.3, 1.0, 1.5]
    poses = random_poses(rng, 20, (12.0, 40.0))
    first = pose_distances(a, b, poses).distance
    assert_allclose(pose_distances(b, a, np.linalg.inv(poses)).distance, first, atol=1e-11)
    world = rigid([[0.3, 0.2, -1.0]], [[5.0, -70.0, 20.0]])[0]
    assert_allclose(pose_distances(placed(a, world), b, world @ poses).distance, first, atol=1e-11)
    rank = rng.permutation(len(a))
    again = pose_distances(a[rank][:, [2, 0, 1]], b, poses)
    assert_allclose(again.distance, first, atol=1e-12)


def test_the_same_in_any_order_on_any_threads(monkeypatch):
    rng = np.random.default_rng(5)
    a, b = TriangleTree(ball(4)), TriangleTree(box(4, 6, 8))
    poses = random_poses(rng, 200, (8.0, 25.0))
    first = pose_distances(a, b, poses)
    monkeypatch.setattr(threads, "THREADS", 1)
    again = pose_distances(a, b, poses)
    for one, other in ((first.distance, again.distance), (first.triangle_a, again.triangle_a)):
        assert np.array_equal(one, other)
    rank = rng.permutation(len(poses))
    other = pose_distances(a, b, poses[rank])
    assert np.array_equal(other.distance, first.distance[rank])
    apart = first.distance[rank] > 0.0
    assert np.array_equal(other.triangle_a[apart], first.triangle_a[rank][apart])
    assert np.array_equal(other.triangle_b[apart], first.triangle_b[rank][apart])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda m: m[:, :3], "shape"),
        (lambda m: m * np.nan, "not finite"),
        (lambda m: m @ np.diag([1.0, 1, -1, 1]), "not a rigid map"),
        (lambda m: m @ np.diag([1.1, 1.1, 1.1, 1]), "not a rigid map"),
    ],
)
def test_maps_that_are_not_rigid_are_refused(change, says):
    with pytest.raises(InputError, match=says):
        pose_distances(box(1, 1, 1), box(1, 1, 1), change(np.eye(4)[None]))


def test_no_poses():
    assert len(pose_distances(box(1, 1, 1), box(1, 1, 1), np.empty((0, 4, 4))).distance) == 0

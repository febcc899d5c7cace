"""Capsules against closed forms, a search along the segment, and a collision library.

The search uses trimesh's nearest point of a triangle: the distance from a convex set is convex
along a line, so a bounded scalar minimisation finds its least value.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from geomcheck.kernels import capsule, solids
from geomcheck.mesh.tree import TriangleTree

NONE = np.empty(0)
FAR = 1e6


def room(shape, start, end, radius, *, cutoff=FAR, enough=-np.inf, slack=None):
    tree = shape if isinstance(shape, TriangleTree) else TriangleTree(shape)
    own, nodes = NONE, NONE
    if slack is not None:
        own = np.ascontiguousarray(np.asarray(slack, dtype=float)[tree.order])
        nodes = np.empty(len(tree.boxes))
        solids.merge_slack(own, tree.leaf, tree.first_leaf + 1, nodes)
    value, found, point = np.empty(1), np.empty(1, dtype=np.int64), np.full((1, 3), np.nan)
    capsule.rooms(
        (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, own, nodes),
        np.array([[start, end]], dtype=float),
        np.array([float(radius)]),
        np.array([float(cutoff)]),
        enough,
        0,
        1,
        value,
        found,
        point,
    )
    return float(value[0]), int(found[0]), point[0]


def box(low, high):
    return np.array(trimesh.creation.box(bounds=[low, high]).triangles)


def soup(rng, n, spread=20.0, size=4.0):
    return rng.uniform(-spread, spread, (n, 1, 3)) + rng.normal(0, size, (n, 3, 3))


def searched(triangles, start, end):
    start, end = np.asarray(start, dtype=float), np.asarray(end, dtype=float)

    def at(t, tri):
        place = (start + t * (end - start))[None]
        return float(np.linalg.norm(trimesh.triangles.closest_point(tri[None], place)[0] - place))

    best = math.inf
    for tri in triangles:
        found = minimize_scalar(
            at, bounds=(0, 1), args=(tri,), method="bounded", options={"xatol": 1e-12}
        )
        best = min(best, found.fun, at(0.0, tri), at(1.0, tri))
    return best


def test_above_the_edge_of_a_box():
    # sqrt(15^2 + 4^2)
    value, _, point = room(box([15, -50, 0], [25, 50, 10]), [0, 0, 14], [0, 0, 90], 2.0)
    assert value == pytest.approx(15.524175 - 2, abs=1e-6)
    assert value == pytest.approx(math.hypot(15, 4) - 2, abs=1e-12)
    assert point == pytest.approx([15, 0, 10], abs=50)
    assert point[[0, 2]] == pytest.approx([15, 10])


def test_through_a_face_beside_a_face_and_a_ball():
    block = box([15, -50, 0], [25, 50, 10])
    assert room(block, [0, 0, 5], [20, 0, 5], 2.0)[0] == -2.0
    assert room(block, [0, 1, 5], [14, 1, 5], 2.0)[0] == -1.0
    assert room(block, [3, 0, 5], [3, 0, 5], 2.0)[0] == 10.0
    assert room(block, [20, 0, 13], [20, 0, 13], 0.5)[0] == pytest.approx(2.5)
    # Along a face, in parallel.
    assert room(block, [12, -9, 2], [12, 9, 8], 1.0)[0] == pytest.approx(2.0)


def test_cutoff_slack_and_first_witness():
    block = box([15, -50, 0], [25, 50, 10])
    assert room(block, [0, 0, 5], [0, 0, 9], 2.0, cutoff=5.0)[:2] == (5.0, -1)
    assert room(block, [0, 0, 5], [0, 0, 9], 2.0, slack=np.full(12, 0.25))[0] == 12.75
    assert room(block, [0, 0, 5], [0, 0, 9], 2.0, slack=np.full(12, -0.25))[0] == 13.25
    rng = np.random.default_rng(1)
    for _ in range(100):
        triangles, ends = soup(rng, 200, spread=30.0), rng.uniform(-15, 15, (2, 3))
        full = room(triangles, *ends, 1.5)[0]
        quick, found, _ = room(triangles, *ends, 1.5, cutoff=0.0, enough=0.0)
        assert (quick < 0.0) == (full < 0.0) == (found >= 0)


def test_degenerate_triangles_are_segments_and_points():
    flat = np.array([[[5, -1, 0], [5, 1, 0], [5, 4, 0.0]]])
    assert room(flat, [0, 0, -5], [0, 0, 5], 1.0)[0] == pytest.approx(4.0)
    assert room(flat, [0, 3, 0], [5, 3, 0], 1.0)[0] == pytest.approx(-1.0)
    dot = np.full((1, 3, 3), 3.0)
    assert room(dot, [0, 0, 0], [0, 0, 1], 0.0)[0] == pytest.approx(math.sqrt(22))


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_the_search_along_the_segment_agrees(seed):
    rng = np.random.default_rng(seed)
    triangles, ends = soup(rng, 12), rng.uniform(-20, 20, (2, 3))
    value, found, point = room(triangles, *ends, 0.0)
    assert value == pytest.approx(searched(triangles, *ends), abs=1e-6)
    foot = trimesh.triangles.closest_point(triangles[found][None], point[None])[0]
    assert np.linalg.norm(foot - point) < 1e-9
    t = np.clip((point - ends[0]) @ (ends[1] - ends[0]) / ((ends[1] - ends[0]) ** 2).sum(), 0, 1)
    assert np.linalg.norm(ends[0] + t * (ends[1] - ends[0]) - point) == pytest.approx(
        value, abs=1e-9
    )


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_motion_order_subdivision_and_swapped_ends(seed):
    rng = np.random.default_rng(seed)
    triangles, ends = soup(rng, 150, spread=30.0), rng.uniform(-20, 20, (2, 3))
    value, found, _ = room(triangles, *ends, 2.0)
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = rng.uniform(-500, 500, 3)
    moved = room(triangles @ turn.T + shift, *(ends @ turn.T + shift), 2.0)
    assert moved[:2] == (pytest.approx(value, abs=1e-9), found)
    order = rng.permutation(len(triangles))
    mixed = room(triangles[order], *ends, 2.0)
    assert (mixed[0], order[mixed[1]]) == (value, found)
    assert room(triangles, *ends[::-1], 2.0)[0] == pytest.approx(value, abs=1e-9)
    a, b, c = (triangles[:, k] for k in range(3))
    d = 0.5 * (a + b)
    fine = np.concatenate([np.stack([a, d, c], axis=1), np.stack([d, b, c], axis=1)])
    assert room(fine, *ends, 2.0)[0] == pytest.approx(value, abs=1e-9)
    each = min(room(triangles[[k]], *ends, 2.0)[0] for k in range(len(triangles)))
    assert value == each


def test_colliding_or_free_as_a_collision_library_says():
    fcl = pytest.importorskip("fcl")
    rng = np.random.default_rng(11)
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    mesh.vertices[:, 2] *= 0.5
    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.faces))
    model.addSubModel(mesh.vertices, mesh.faces)
    model.endModel()
    still = fcl.CollisionObject(model, fcl.Transform())
    tree = TriangleTree(np.array(mesh.triangles))
    radius, length = 2.5, 12.0
    met = 0
    for _ in range(2000):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
        place = rng.normal(size=3) * [16, 16, 9]
        half = 0.5 * length * turn[:, 2]
        value = room(tree, place - half, place + half, radius, cutoff=5.0)[0]
        # The library's test is iterative: within 1e-6 mm of touching it may say either.
        if abs(value) < 1e-6:
            continue
        tool = fcl.CollisionObject(fcl.Capsule(radius, length), fcl.Transform(turn, place))
        hit = fcl.collide(still, tool, fcl.CollisionRequest(), fcl.CollisionResult()) > 0
        assert hit == (value < 0.0)
        met += hit
    assert 400 < met < 1600

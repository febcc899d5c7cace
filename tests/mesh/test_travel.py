"""Free straight travel: closed forms, brute force over all pairs, and fcl in sampled poses."""

from __future__ import annotations

import math

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.mesh.travel import free_travel
from geomcheck.mesh.tree import TriangleTree


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


CUBE = box([0, 0, 0], [10, 10, 10])
TABLE = box([-50, -50, -5], [50, 50, 0])


def travel(a, b, way, **more):
    found = free_travel(a, b, way, **more).read
    return None if found is None else found.travel


def test_two_boxes():
    over = box([5, 5, 25], [30, 30, 30])
    met = free_travel(CUBE, over, [0, 0, 2]).read
    assert met.travel == pytest.approx(15.0)
    assert met.point[2] == pytest.approx(25.0)
    assert not met.overlap
    assert travel(CUBE, over, [0, 0, -1]) is None
    assert travel(CUBE, over, [1, 0, 0]) is None
    assert travel(CUBE, over, [0, 0, 1], limit=14.9) is None
    assert travel(CUBE, over, [0, 0, 1], start=[0, 0, 4]) == pytest.approx(11.0)
    assert travel(CUBE, over, [0, 0, 1], start=[20, 0, 0]) == pytest.approx(15.0)
    assert travel(CUBE, over, [0, 0, 1], start=[31, 0, 0]) is None


@pytest.mark.parametrize("tilt", [0.0, 0.2, 0.7])
def test_edge_to_edge(tilt):
    # Two crossed beams meet edge to edge: the travel is the height between the edges.
    low = box([-50, -2, -2], [50, 2, 2])
    low.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 4, [1, 0, 0]))
    high = low.copy()
    high.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 2 + tilt, [0, 0, 1]))
    high.apply_translation([0, 0, 30])
    assert travel(low, high, [0, 0, 1]) == pytest.approx(30 - 2 * 2 * math.sqrt(2))


def test_balls():
    # Centres (3, 4) off the line: sqrt(d2 - 25) before they touch; facets lie inside.
    a, b = trimesh.creation.icosphere(4, 10.0), trimesh.creation.icosphere(4, 10.0)
    b.apply_translation([3, 4, 50])
    exact = 50 - math.sqrt(400 - 25)
    assert exact - 1e-9 <= travel(a, b, [0, 0, 1]) < exact + 0.06


def test_what_touches_slides_and_leaves():
    for way in ([0, 0, 1], [1, 0, 0], [1, 1, 0], [1, 2, 0.01]):
        assert travel(CUBE, TABLE, way) is None
    assert travel(CUBE, TABLE, [0, 0, -1]) == 0.0
    assert travel(CUBE, TABLE, [1, 0, -0.001]) == 0.0
    # The same turned to no axis, where faces agree up to rounding only.
    turn = trimesh.transformations.rotation_matrix(0.7, [1, 2, 3])
    a, b = CUBE.copy(), TABLE.copy()
    a.apply_transform(turn)
    b.apply_transform(turn)
    for way in ([0, 0, 1], [1, 0, 0], [1, 1, 0]):
        assert travel(a, b, turn[:3, :3] @ way, allow=1e-6) is None
    assert travel(a, b, turn[:3, :3] @ [0, 0, -1], allow=1e-6) == 0.0


def test_a_stated_overlap_is_no_obstacle():
    table = box([-50, -50, -5], [50, 50, 0.05])
    for way in ([0, 0, 1], [1, 0, 0]):
        assert travel(CUBE, table, way, allow=0.06) is None
        met = free_travel(CUBE, table, way, allow=0.04).read
        assert met.overlap
        assert met.travel == 0.0
    assert travel(CUBE, table, [0, 0, -1], allow=0.06) == 0.0


def test_a_dowel_comes_out_of_its_hole_though_facets_disagree():
    pin = trimesh.creation.cylinder(radius=4, height=20, sections=32)
    hole = trimesh.creation.annulus(r_min=4, r_max=20, height=30, sections=37)
    # Corners of the pin stand up to 4 (1 - cos(pi / 37)) = 0.0144 mm in the facets of the hole.
    assert travel(pin, hole, [0, 0, 1], allow=0.05) is None
    assert travel(pin, hole, [0, 0, 1]) == 0.0
    assert travel(pin, hole, [1, 0, 0], allow=0.05) == 0.0
    assert travel(pin, hole, [0.1, 0, 1], allow=0.05) is not None
    lid = box([-9, -9, 17], [9, 9, 20])
    assert travel(pin, lid, [0, 0, 1], allow=0.05) == pytest.approx(7.0)


def test_a_fine_mesh_is_no_way_round_the_allowance():
    # Facets of 0.06 mm, allowance 0.2: no single pair is as wide as it, together they are.
    fine = box([0, 0, 20], [1, 1, 21])
    for _ in range(4):
        fine = fine.subdivide()
    assert travel(CUBE, fine, [0, 0, 1], allow=0.2) == pytest.approx(10.0)
    thin = box([9.9, 0, 20], [19, 10, 21])
    assert travel(CUBE, thin, [0, 0, 1], allow=0.2) is None
    assert travel(CUBE, thin, [0, 0, 1], allow=0.09) == pytest.approx(10.0)


def test_a_strip_of_fine_facets_counts_by_its_width():
    strip = box([9.7, 0, 20], [10.5, 1, 21])
    for _ in range(4):
        strip = strip.subdivide()
    assert travel(CUBE, strip, [0, 0, 1], allow=0.25) == pytest.approx(10.0)
    assert travel(CUBE, strip, [0, 0, 1], allow=0.35) is None


def test_many_slivers_hide_nothing_behind_them():
    # A thousand slivers where the facets of pin and hole disagree, then a fine lid.
    pin = trimesh.creation.cylinder(radius=4, height=20, sections=500)
    hole = trimesh.creation.annulus(r_min=4, r_max=20, height=30, sections=501)
    assert travel(pin, hole, [0, 0, 1], allow=0.2) is None
    lid = box([-1, -1, 27], [0, 0, 28])
    for _ in range(4):
        lid = lid.subdivide()
    both = trimesh.util.concatenate([hole, lid])
    assert travel(pin, both, [0, 0, 1], allow=0.2) == pytest.approx(17.0)


def test_the_interval():
    beside = box([10.05, 0, 20], [20, 10, 30])
    found = free_travel(CUBE, beside, [0, 0, 1], doubt=(0.1, 0.1))
    assert (found.read, found.high) == (None, None)
    assert found.low.travel == pytest.approx(9.8)
    assert free_travel(CUBE, beside, [0, 0, 1], doubt=(0.04, 0)).low is None
    each = np.where(CUBE.face_normals[:, 2] > 0.5, 0.06, 0.0)
    assert free_travel(CUBE, beside, [0, 0, 1], doubt=(each, 0)).low is not None
    assert free_travel(CUBE, beside, [0, 0, 1], doubt=(0.06 - each, 0)).low is None
    inside = free_travel(CUBE, box([9.9, 0, 20], [20, 10, 30]), [0, 0, 1], doubt=(0.1, 0.1))
    assert inside.read.travel == pytest.approx(10.0)
    assert inside.high is None


def test_a_sheet_stops_from_both_sides():
    for flip in (1, -1):
        sheet = trimesh.Trimesh(
            [[-5, -5, 30], [15, -5, 30], [15, 15, 30], [-5, 15, 30]],
            [[0, 1, 2][::flip], [0, 2, 3][::flip]],
            process=False,
        )
        way = {"sheets": (False, True)}
        assert travel(CUBE, sheet, [0, 0, 1], **way) == pytest.approx(20.0)
        assert travel(CUBE, sheet, [0, 0, -1], **way) is None
        assert travel(sheet, CUBE, [0, 0, -1], sheets=(True, False)) == pytest.approx(20.0)


def blob(seed, at):
    rng = np.random.default_rng(seed)
    mesh = trimesh.convex.convex_hull(rng.normal(size=(12, 3)) * 5.0)
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    ring = trimesh.creation.annulus(r_min=3.0, r_max=7.0, height=4.0, sections=9)
    ring.apply_transform(turn)
    mesh = mesh if seed % 2 else ring
    mesh.apply_translation(at)
    return mesh


def meets(model_a, model_b, shift):
    one = fcl.CollisionObject(model_a, fcl.Transform(shift))
    two = fcl.CollisionObject(model_b, fcl.Transform())
    return fcl.collide(one, two, fcl.CollisionRequest(), fcl.CollisionResult()) > 0


def model(mesh):
    out = fcl.BVHModel()
    out.beginModel(len(mesh.vertices), len(mesh.faces))
    out.addSubModel(mesh.vertices, mesh.faces)
    out.endModel()
    return out


def test_against_fcl_in_sampled_poses():
    rng = np.random.default_rng(3)
    hits = misses = 0
    for seed in range(60):
        a, b = blob(seed, [0, 0, 0]), blob(seed + 7, rng.normal(size=3) * 4 + [0, 0, 30])
        way = np.array([*(0.25 * rng.normal(size=2)), 1.0])
        way /= np.linalg.norm(way)
        models = model(a), model(b)
        found = travel(a, b, way)
        end = 60.0 if found is None else found
        for t in np.linspace(0.0, end - 1e-6, 25):
            assert not meets(*models, t * way)
        if found is None:
            misses += 1
        else:
            hits += 1
            assert meets(*models, (found + 1e-6) * way)
    assert min(hits, misses) > 5


@given(st.integers(0, 10_000))
@settings(derandomize=True, deadline=None, max_examples=25)
def test_moved_turned_and_refined(seed):
    rng = np.random.default_rng(seed)
    a, b = blob(seed, [0, 0, 0]), blob(seed + 1, [1.0, 2.0, 25.0])
    way = np.array([0.05, 0.02, 1.0])
    first = travel(a, b, way)
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    turn[:3, 3] = rng.normal(size=3) * 100
    c, d = a.subdivide(), b.copy()
    c.apply_transform(turn)
    d.apply_transform(turn)
    again = travel(TriangleTree(c.triangles), d, turn[:3, :3] @ way)
    back = travel(b, a, -way)
    for other in (again, back):
        assert (other is None) == (first is None)
        assert first is None or other == pytest.approx(first, abs=1e-6)


def test_bad_input():
    for way in ([0, 0, 0], [1, 0], [math.nan, 0, 1]):
        with pytest.raises(InputError, match="direction"):
            free_travel(CUBE, TABLE, way)
    with pytest.raises(InputError, match="allow"):
        free_travel(CUBE, TABLE, [0, 0, 1], allow=-1.0)
    for doubt in ((-1.0, 0.0), (0.0, [1.0, 2.0]), (0.0, math.nan)):
        with pytest.raises(InputError, match="doubt"):
            free_travel(CUBE, TABLE, [0, 0, 1], doubt=doubt)
    with pytest.raises(InputError, match="start"):
        free_travel(CUBE, TABLE, [0, 0, 1], start=[0, 0, math.inf])

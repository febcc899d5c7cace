"""Free radius and travel of cylinders against closed forms, brute force and a collision library.

Closed forms are elementary geometry; the brute force clips by another route (candidate corners and
their convex hull, by shapely) and visits every triangle.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels import solids
from geomcheck.mesh.tree import TriangleTree

NONE = np.empty(0)
FAR = 1e6


def kernel_tree(tree, slack=None):
    if slack is None:
        return (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, NONE, NONE)
    own = np.ascontiguousarray(np.asarray(slack, dtype=float)[tree.order])
    nodes = np.empty(len(tree.boxes))
    solids.merge_slack(own, tree.leaf, tree.first_leaf + 1, nodes)
    return (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, own, nodes)


def frame_of(origin, axis):
    w = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    helper = np.zeros(3)
    helper[np.argmin(np.abs(w))] = 1.0
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    return np.stack([np.asarray(origin, dtype=float), u, np.cross(w, u), w])


UPRIGHT = frame_of([0, 0, 0], [0, 0, 1])


def room(triangles, frame, rows, *, cutoff=FAR, enough=-np.inf, slack=None):
    tree = triangles if isinstance(triangles, TriangleTree) else TriangleTree(triangles)
    table = np.array(rows, dtype=float)
    value, found = np.empty(1), np.empty(1, dtype=np.int64)
    row, point = np.empty(1, dtype=np.int64), np.full((1, 3), np.nan)
    solids.rooms(
        kernel_tree(tree, slack),
        np.asarray(frame)[None],
        table,
        np.array([0, len(table)]),
        np.array([cutoff]),
        enough,
        0,
        1,
        value,
        found,
        row,
        point,
    )
    return float(value[0]), int(found[0]), int(row[0]), point[0]


def travel(triangles, frame, radius, floor, *, ceiling=FAR, slack=None):
    tree = triangles if isinstance(triangles, TriangleTree) else TriangleTree(triangles)
    value, found, point = np.empty(1), np.empty(1, dtype=np.int64), np.full((1, 3), np.nan)
    solids.travels(
        kernel_tree(tree, slack),
        np.asarray(frame)[None],
        np.array([float(radius)]),
        np.array([float(floor)]),
        np.array([float(ceiling)]),
        0,
        1,
        value,
        found,
        point,
    )
    return float(value[0]), int(found[0]), point[0]


def box(low, high):
    return np.array(trimesh.creation.box(bounds=[low, high]).triangles)


def turned(seed):
    rng = np.random.default_rng(seed)
    return trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]


def soup(rng, n, spread=10.0, size=4.0):
    return rng.uniform(-spread, spread, (n, 1, 3)) + rng.normal(0, size, (n, 3, 3))


# --- brute force by another route -------------------------------------------------------------


def clipped(local, low, high):
    """Corners of a triangle's part between two heights, in no order."""
    out = [p for p in local if low <= p[2] <= high]
    for a, b in ((0, 1), (1, 2), (2, 0)):
        for level in (low, high):
            za, zb = local[a][2] - level, local[b][2] - level
            if za * zb < 0:
                t = za / (za - zb)
                out.append([*(local[a][:2] + t * (local[b][:2] - local[a][:2])), level])
    return np.array(out)


def local_of(triangles, frame):
    return (triangles - frame[0]) @ frame[1:].T


def brute_room(triangles, frame, rows):
    best = np.inf
    for local in local_of(triangles, frame):
        for z0, z1, r in rows:
            corners = clipped(local, z0, z1)
            if len(corners):
                hull = shapely.MultiPoint(corners[:, :2]).convex_hull
                best = min(best, hull.distance(shapely.Point(0, 0)) - r)
    return best


def brute_travel(triangles, frame, radius, floor):
    """Least z by bisection on the height: does the part below it come within the radius?"""
    best = np.inf
    for local in local_of(triangles, frame):
        top = local[:, 2].max()
        low, high = floor, min(top, best)
        if top < floor or brute_one(local, floor, high) > radius:
            continue
        if brute_one(local, floor, floor) <= radius:
            best = floor
            continue
        for _ in range(60):
            middle = 0.5 * (low + high)
            if brute_one(local, floor, middle) <= radius:
                high = middle
            else:
                low = middle
        best = min(best, high)
    return best


def brute_one(local, low, high):
    corners = clipped(local, low, high)
    if len(corners) == 0:
        return np.inf
    return shapely.MultiPoint(corners[:, :2]).convex_hull.distance(shapely.Point(0, 0))


# --- closed forms -------------------------------------------------------------------------------


def test_face_beside_the_axis():
    value, found, row, point = room(box([15, -50, -50], [25, 50, 60]), UPRIGHT, [[0, 40, 0]])
    assert value == 15.0
    assert row == 0
    assert found >= 0
    assert point[0] == 15.0
    assert abs(point[1]) < 1e-12
    assert 0.0 <= point[2] <= 40.0


@pytest.mark.parametrize(("start", "expected"), [(14.0, FAR), (10.0, 15.0), (9.999, 15.0)])
def test_an_end_plane_is_part_of_the_slab(start, expected):
    # The wall's top edge is (15, any, 10): a flat end above it does not feel it (a rounded one
    # would, at 15.524175), one at its height does.
    assert room(box([15, -50, -50], [25, 50, 10]), UPRIGHT, [[start, 80, 0]])[0] == expected


def test_tilted_axis_meets_the_top_edge():
    tilt = 0.3
    frame = frame_of([0, 0, 0], [math.sin(-tilt), 0, math.cos(tilt)])
    wall = box([15, -50, -50], [25, 50, 10])
    expected = 15 * math.cos(tilt) + 10 * math.sin(tilt)
    assert room(wall, frame, [[0, 80, 0]])[0] == pytest.approx(15 / math.cos(tilt), abs=1e-12)
    # From above the edge's own height only the edge itself is left of the wall.
    z = -15 * math.sin(tilt) + 10 * math.cos(tilt)
    assert room(wall, frame, [[z, 80, 0]])[0] == pytest.approx(expected, abs=1e-9)
    frame = frame_of([0, 0, 0], [math.sin(tilt), 0, math.cos(tilt)])
    z = 15 * math.sin(tilt) + 10 * math.cos(tilt)
    near = 15 * math.cos(tilt) - 10 * math.sin(tilt)
    assert near == pytest.approx(11.374845, abs=1e-6)
    assert room(wall, frame, [[z - 1e-9, 80, 0]])[0] == pytest.approx(near, abs=1e-6)


def test_floor_under_a_tilted_axis():
    tilt = math.radians(20)
    frame = frame_of([0, 0, 0], [math.sin(tilt), 0, math.cos(tilt)])
    floor = box([-500, -500, -5], [500, 500, 0])
    expected = 10 / math.tan(tilt)
    assert expected == pytest.approx(27.474774, abs=1e-6)
    assert room(floor, frame, [[10, 200, 0]])[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("n", [3, 6, 31, 200])
def test_round_hole_of_n_facets(n):
    hole = np.array(trimesh.creation.cylinder(10.0, 100.0, sections=n).triangles)
    hole = hole[np.abs(np.cross(hole[:, 1] - hole[:, 0], hole[:, 2] - hole[:, 0])[:, 2]) < 1e-9]
    expected = 10.0 * math.cos(math.pi / n)
    assert room(hole, UPRIGHT, [[-20, 20, 0]])[0] == pytest.approx(expected, abs=1e-12)


def test_axis_through_metal_leaves_no_room():
    value, _, _, point = room(box([-5, -5, 20], [5, 5, 30]), UPRIGHT, [[0, 40, 3]])
    assert value == -3.0
    assert point[:2] == pytest.approx([0, 0])
    assert point[2] in (20.0, 30.0)


def test_stepped_profile_takes_the_worst_row():
    wall = box([15, -50, 50], [25, 50, 90])
    rows = [[0, 40, 9], [40, 80, 5], [80, 100, 12]]
    value, _, row, point = room(wall, UPRIGHT, rows)
    assert (value, row) == (3.0, 2)
    assert 80.0 <= point[2] <= 90.0
    assert room(wall, UPRIGHT, rows[:2])[:1] == (10.0,)
    assert room(wall, UPRIGHT, rows[:1])[0] == FAR


def test_nothing_within_the_cutoff_is_said_so():
    value, found, row, point = room(
        box([15, -50, 0], [25, 50, 60]), UPRIGHT, [[0, 40, 5]], cutoff=10.0
    )
    assert (value, found, row) == (10.0, -1, -1)
    assert np.isnan(point).all()


def test_edge_on_sliver_in_line_with_the_axis():
    # The plane of this wall holds the axis, the wall does not: rounding must not let it in.
    wall = np.array([[[7, 0, 0], [13, 0, 20], [19, 0, 5]]], dtype=float)
    for angle in np.linspace(0.1, 6.2, 200):
        spin = trimesh.transformations.rotation_matrix(angle, [0, 0, 1])[:3, :3]
        value = room(wall @ spin.T, UPRIGHT, [[-5, 50, 0]])[0]
        assert value == pytest.approx(7.0, abs=1e-12)


@pytest.mark.parametrize("radius", [0.5, 2.0])
def test_thin_rods_are_never_missed(radius):
    rng = np.random.default_rng(4)
    for _ in range(100):
        way = rng.normal(size=3)
        rod = trimesh.creation.cylinder(radius, 300.0, sections=8)
        rod.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], way))
        rod.apply_translation([rng.uniform(-6, 6), rng.uniform(-6, 6), rng.uniform(20, 60)])
        rows = [[0, 80, 8.0]]
        value = room(np.array(rod.triangles), UPRIGHT, rows)[0]
        centre = rod.vertices.mean(axis=0)
        axis = np.asarray(way) / np.linalg.norm(way)
        # Line to line, where their closest approach lies well within both.
        normal = np.cross(axis, [0, 0, 1])
        if np.linalg.norm(normal) < 0.5:
            continue
        gap = abs(centre @ normal) / np.linalg.norm(normal)
        assert value <= max(gap - radius * math.cos(math.pi / 8), 0.0) - 8.0 + 1e-9
        assert value >= max(gap - radius, 0.0) - 8.0 - 1e-9


# --- travel ---------------------------------------------------------------------------------------


def test_travel_to_a_roof_and_past_a_wall():
    roof = box([-50, -50, 25], [50, 50, 30])
    value, found, point = travel(roof, UPRIGHT, 6.5, 0.3)
    assert value == 25.0
    assert found >= 0
    assert point[2] == 25.0
    assert math.hypot(point[0], point[1]) <= 6.5 + 1e-12
    wall = box([7, -50, 0], [20, 50, 200])
    assert travel(wall, UPRIGHT, 6.5, 0.3)[0] == FAR
    assert travel(wall, UPRIGHT, 7.5, 0.3)[0] == 0.3


def test_travel_to_a_sloping_roof():
    # z = 40 + 0.5 x: least where x = -radius on the circle, whatever the triangulation.
    corners = np.array([[-99, -99], [99, -99], [99, 99], [-99, 99]], dtype=float)
    roof = np.column_stack([corners, 40 + 0.5 * corners[:, 0]])
    for spin in (roof, np.roll(roof, 1, axis=0)):
        triangles = np.array([spin[[0, 1, 2]], spin[[0, 2, 3]]])
        value, _, point = travel(triangles, UPRIGHT, 6.0, 0.0)
        assert value == pytest.approx(37.0, abs=1e-12)
        assert point == pytest.approx([-6, 0, 37], abs=1e-9)


def test_travel_to_a_point_and_to_a_thin_rod():
    spike = np.array([[[1, 2, 17], [1, 2.5, 90], [1.5, 2, 90]]], dtype=float)
    assert travel(spike, UPRIGHT, 3.0, 0.0)[0] == 17.0
    rod = np.array(trimesh.creation.cylinder(0.5, 300.0, sections=6).triangles)[:, :, [2, 0, 1]]
    near, past = rod + np.array([0, 5.9, 33]), rod + np.array([0, 6.6, 33])
    assert travel(near, UPRIGHT, 6.0, 0.0)[0] == pytest.approx(33, abs=0.51)
    assert travel(past, UPRIGHT, 6.0, 0.0)[0] == FAR


def test_travel_is_clipped_at_the_floor_and_the_ceiling():
    wall = box([-2, -2, -40], [2, 2, 12])
    assert travel(wall, UPRIGHT, 3.0, 5.0)[0] == 5.0
    assert travel(wall, UPRIGHT, 3.0, 12.5)[0] == FAR
    roof = box([-2, -2, 30], [2, 2, 32])
    value, found, point = travel(roof, UPRIGHT, 3.0, 0.0, ceiling=29.0)
    assert (value, found) == (29.0, -1)
    assert np.isnan(point).all()


# --- slack ----------------------------------------------------------------------------------------


def test_slack_moves_the_metal_towards_and_away():
    wall = box([15, -50, 10], [25, 50, 60])
    rows = [[0, 40, 5]]
    assert room(wall, UPRIGHT, rows, slack=np.full(12, 0.25))[0] == 9.75
    assert room(wall, UPRIGHT, rows, slack=np.full(12, -0.25))[0] == 10.25
    # A roof just over the tool's top, and one just under it.
    roof = box([-5, -5, 40.2], [5, 5, 44])
    assert room(roof, UPRIGHT, rows)[0] == FAR
    assert room(roof, UPRIGHT, rows, slack=np.full(12, 0.25))[0] == -5.25
    assert room(roof - [0, 0, 0.3], UPRIGHT, rows)[0] == -5.0
    assert room(roof - [0, 0, 0.3], UPRIGHT, rows, slack=np.full(12, -0.2))[0] == FAR
    assert travel(roof, UPRIGHT, 5.0, 0.0, slack=np.full(12, 0.25))[0] == pytest.approx(39.95)
    assert travel(roof, UPRIGHT, 5.0, 0.0, slack=np.full(12, -0.25))[0] == pytest.approx(40.45)
    assert travel(wall, UPRIGHT, 14.9, 0.0, slack=np.full(12, 0.25))[0] == pytest.approx(9.75)


def test_node_slack_is_the_largest_below_each_node():
    rng = np.random.default_rng(7)
    for n in (1, 8, 9, 100, 1000):
        tree = TriangleTree(soup(rng, n))
        slack = rng.normal(size=n)
        nodes = kernel_tree(tree, slack)[6]
        own = slack[tree.order]
        for node in range(len(nodes)):
            first, last = node, node
            while first < tree.first_leaf:
                first, last = 2 * first + 1, 2 * last + 2
            begin = (first - tree.first_leaf) * tree.leaf
            end = (last + 1 - tree.first_leaf) * tree.leaf
            assert nodes[node] == own[begin:end].max(initial=-np.inf)


def test_slack_bounds_hold_triangle_by_triangle():
    rng = np.random.default_rng(8)
    for _ in range(60):
        triangles = soup(rng, 200, spread=25.0)
        slack = rng.uniform(-0.8, 0.8, 200)
        frame = frame_of(rng.uniform(-5, 5, 3), rng.normal(size=3))
        rows = [[2.0, 20.0, 3.0], [20.0, 30.0, 6.0]]
        expected = np.inf
        for triangle, more in zip(triangles, slack, strict=True):
            own = [[z0 - more, z1 + more, r] for z0, z1, r in rows if z0 - more <= z1 + more]
            expected = min(expected, brute_room(triangle[None], frame, own) - more)
        value = room(triangles, frame, rows, slack=slack)[0]
        assert value == pytest.approx(min(expected, FAR), abs=1e-9)


# --- brute force and properties -------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_room_agrees_with_brute_force(seed):
    rng = np.random.default_rng(seed)
    triangles = soup(rng, 60, spread=20.0)
    frame = frame_of(rng.uniform(-5, 5, 3), rng.normal(size=3))
    rows = [[1.0, 9.0, 2.0], [9.0, 20.0, 1.0], [20.0, 26.0, 5.0]]
    expected = brute_room(triangles, frame, rows)
    value, found, row, point = room(triangles, frame, rows)
    assert value == pytest.approx(min(expected, FAR), abs=1e-9)
    if found >= 0:
        # The witness: on that triangle, in that row's slab, at that distance from the axis.
        local = (point - frame[0]) @ frame[1:].T
        assert math.hypot(local[0], local[1]) - rows[row][2] == pytest.approx(value, abs=1e-9)
        assert rows[row][0] - 1e-9 <= local[2] <= rows[row][1] + 1e-9
        foot = trimesh.triangles.closest_point(triangles[found][None], point[None])[0]
        assert np.linalg.norm(foot - point) < 1e-9


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_travel_agrees_with_bisection(seed):
    rng = np.random.default_rng(seed)
    triangles = soup(rng, 25, spread=20.0)
    frame = frame_of(rng.uniform(-5, 5, 3), rng.normal(size=3))
    radius, floor = rng.uniform(0.5, 8.0), rng.uniform(-5.0, 5.0)
    expected = brute_travel(triangles, frame, radius, floor)
    value, found, point = travel(triangles, frame, radius, floor)
    assert value == pytest.approx(min(expected, FAR), abs=1e-8)
    if found >= 0:
        local = (point - frame[0]) @ frame[1:].T
        assert local[2] == pytest.approx(value, abs=1e-9)
        assert math.hypot(local[0], local[1]) <= radius + 1e-9
        foot = trimesh.triangles.closest_point(triangles[found][None], point[None])[0]
        assert np.linalg.norm(foot - point) < 1e-9


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_motion_order_and_subdivision_change_nothing(seed):
    rng = np.random.default_rng(seed)
    triangles = soup(rng, 120, spread=25.0)
    frame = frame_of(rng.uniform(-5, 5, 3), rng.normal(size=3))
    rows = [[1.0, 15.0, 3.0], [15.0, 30.0, 5.0]]
    value = room(triangles, frame, rows)[0]
    out = travel(triangles, frame, 4.0, 0.0)[0]

    turn, shift = turned(seed), rng.uniform(-500, 500, 3)
    moved = frame.copy()
    moved[0] = turn @ frame[0] + shift
    moved[1:] = frame[1:] @ turn.T
    away = triangles @ turn.T + shift
    assert room(away, moved, rows)[0] == pytest.approx(value, abs=1e-9)
    assert travel(away, moved, 4.0, 0.0)[0] == pytest.approx(out, abs=1e-8)

    order = rng.permutation(len(triangles))
    assert room(triangles[order], frame, rows)[0] == value
    assert travel(triangles[order], frame, 4.0, 0.0)[0] == out

    middle = 0.5 * (triangles + np.roll(triangles, -1, axis=1))
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    d, e, f = middle[:, 0], middle[:, 1], middle[:, 2]
    fine = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))]
    )
    assert room(fine, frame, rows)[0] == pytest.approx(value, abs=1e-9)
    assert travel(fine, frame, 4.0, 0.0)[0] == pytest.approx(out, abs=1e-8)


def test_turning_the_frame_about_its_axis_changes_nothing():
    rng = np.random.default_rng(2)
    triangles = soup(rng, 300, spread=30.0)
    base = frame_of([0, 0, 0], [0.2, -0.4, 1.0])
    values = []
    for angle in np.linspace(0, 6, 13):
        frame = base.copy()
        frame[1] = math.cos(angle) * base[1] + math.sin(angle) * base[2]
        frame[2] = np.cross(base[3], frame[1])
        values.append(room(triangles, frame, [[0, 20, 2]])[0])
    assert np.ptp(values) < 1e-12


def test_equally_near_triangles_give_the_lowest_number_in_any_order():
    walls = np.concatenate([box([15, -5, 0], [20, 5, 40]), box([-20, -5, 0], [-15, 5, 40])])
    numbers = []
    for seed in range(20):
        order = np.random.default_rng(seed).permutation(len(walls))
        found = room(walls[order], UPRIGHT, [[0, 30, 3]])[1]
        touching = [
            k for k, j in enumerate(order) if brute_room(walls[[j]], UPRIGHT, [[0, 30, 3]]) == 12
        ]
        numbers.append((found, min(touching)))
    assert all(found == lowest for found, lowest in numbers)


def test_first_witness_decides_as_the_full_answer_does():
    rng = np.random.default_rng(3)
    for _ in range(200):
        triangles = soup(rng, 150, spread=30.0)
        frame = frame_of(rng.uniform(-5, 5, 3), rng.normal(size=3))
        rows = [[0, 20, 3.0]]
        full = room(triangles, frame, rows)[0]
        quick, found, _, _ = room(triangles, frame, rows, cutoff=0.0, enough=0.0)
        assert (quick < 0.0) == (full < 0.0)
        assert quick >= min(full, 0.0)
        assert (found >= 0) == (full < 0.0)


def test_a_batch_in_threads_equals_single_queries():
    rng = np.random.default_rng(5)
    tree = TriangleTree(soup(rng, 3000, spread=60.0, size=1.0))
    q = 200
    frames = np.stack([frame_of(rng.uniform(-40, 40, 3), rng.normal(size=3)) for _ in range(q)])
    counts = rng.integers(1, 4, q)
    starts = np.concatenate([[0], np.cumsum(counts)])
    low = rng.uniform(0, 5, starts[-1])
    rows = np.column_stack([low, low + rng.uniform(1, 20, len(low)), rng.uniform(0, 3, len(low))])

    def ask(chunks):
        value, found = np.empty(q), np.empty(q, dtype=np.int64)
        row, point = np.empty(q, dtype=np.int64), np.zeros((q, 3))

        def one(chunk):
            begin, end = chunk
            solids.rooms(
                kernel_tree(tree), frames, rows, starts, np.full(q, FAR), -np.inf, begin, end,
                value, found, row, point,
            )  # fmt: skip

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(one, chunks))
        return value, found, row, point

    together = ask([(0, q)])
    apart = ask([(i, min(i + 7, q)) for i in range(0, q, 7)])
    for left, right in zip(together, apart, strict=True):
        assert np.array_equal(left, right)
    for k in (0, 17, 199):
        alone = room(tree, frames[k], rows[starts[k] : starts[k + 1]])
        assert alone[0] == together[0][k]
        assert alone[1] == together[1][k]


def test_colliding_or_free_as_a_collision_library_says():
    fcl = pytest.importorskip("fcl")
    # The library's cylinder test is iterative: poses within 1e-6 mm of touching are left out.
    rng = np.random.default_rng(11)
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    mesh.vertices[:, 2] *= 0.5
    triangles = np.array(mesh.triangles)
    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.faces))
    model.addSubModel(mesh.vertices, mesh.faces)
    model.endModel()
    body = fcl.CollisionObject(model, fcl.Transform())
    tree = TriangleTree(triangles)
    radius, length = 3.0, 14.0
    free = colliding = 0
    for _ in range(3000):
        way = rng.normal(size=3)
        frame = frame_of(rng.normal(size=3) * [16, 16, 9], way)
        value = room(tree, frame, [[-length / 2, length / 2, radius]], cutoff=5.0)[0]
        turn = np.stack([frame[1], frame[2], frame[3]], axis=1)
        tool = fcl.CollisionObject(fcl.Cylinder(radius, length), fcl.Transform(turn, frame[0]))
        hit = fcl.collide(body, tool, fcl.CollisionRequest(), fcl.CollisionResult()) > 0
        if abs(value) < 1e-6:
            continue
        # Touching end planes only: the same tolerance along the axis.
        longer = room(tree, frame, [[-length / 2 - 1e-6, length / 2 + 1e-6, radius]], cutoff=5.0)[0]
        shorter = room(tree, frame, [[-length / 2 + 1e-6, length / 2 - 1e-6, radius]], cutoff=5.0)[
            0
        ]
        if (longer < 0.0) != (shorter < 0.0):
            continue
        assert hit == (value < 0.0)
        free += not hit
        colliding += hit
    assert free > 500
    assert colliding > 500

"""Turning arcs against closed forms, points of the metal, boxes in a collision library, and motion.

Closed forms are elementary geometry. The points: every point of a triangle within the bar's heights
and reach blocks asin(half width / distance) to both sides, which is how the blocked angles are
defined, so points spread over the triangles must be blocked, and close ones must fill the blocked
angles up.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels import arcs, solids
from geomcheck.mesh.tree import TriangleTree

NONE = np.empty(0)
UPRIGHT = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=float)
TURN = 2.0 * math.pi


def kernel_tree(tree, slack=None):
    if slack is None:
        return (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, NONE, NONE)
    own = np.ascontiguousarray(np.asarray(slack, dtype=float)[tree.order])
    nodes = np.empty(len(tree.boxes))
    solids.merge_slack(own, tree.leaf, tree.first_leaf + 1, nodes)
    return (tree.triangles, tree.order, tree.boxes, tree.first_leaf, tree.leaf, own, nodes)


def work():
    return (
        np.empty(arcs.STACK, dtype=np.int64),
        np.empty(3),
        (
            np.empty((8, 3)),
            np.empty((8, 3)),
            np.empty((8, 3)),
            np.empty((16, 4)),
            np.empty((48, 8)),
        ),
    )


def blocked(*shapes, bars, frame=UPRIGHT, need=0.0, slack=None, size=512):
    """Blocked intervals, marks and places; each shape is a part of its own."""
    table = np.array([(*bar, 0.0) if len(bar) == 5 else bar for bar in bars], dtype=float)
    state = (np.empty((size, 2)), np.empty((size, 4), dtype=np.int64), np.empty((size, 6)))
    count = 0
    for part, shape in enumerate(shapes):
        tree = shape if isinstance(shape, TriangleTree) else TriangleTree(shape)
        count = arcs.block(
            kernel_tree(tree, slack), part, np.asarray(frame), table, need, state, count, work()
        )
        if count < 0:
            return count, None, None
    return tuple(array[:count].copy() for array in state)


def free(*shapes, **given):
    ends = blocked(*shapes, **given)[0]
    return TURN - float((ends[:, 1] - ends[:, 0]).sum())


def box(low, high):
    return np.array(trimesh.creation.box(bounds=[low, high]).triangles)


def soup(rng, n, spread=20.0, size=4.0):
    return rng.uniform(-spread, spread, (n, 1, 3)) + rng.normal(0, size, (n, 3, 3))


def held(ends, angle, slack=0.0):
    """Whether angles (k,) are within blocked intervals grown by ``slack``."""
    angle = np.asarray(angle) % TURN
    out = np.zeros(len(angle), dtype=bool)
    for low, high in ends:
        for turn in (-TURN, 0.0, TURN):
            out |= (angle + turn >= low - slack) & (angle + turn <= high + slack)
    return out


# --- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reach", "expected"),
    [
        (80.0, TURN - 2 * (math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5)))),
        (52.0, TURN - 2 * (math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5)))),
        (50.1, TURN - 2 * (math.acos(50 / 50.1) + math.asin(4 / 50.1))),
        (49.9, TURN),
    ],
)
def test_a_bar_beside_a_post(reach, expected):
    post = box([50, -5, 0], [60, 5, 20])
    assert free(post, bars=[(5, 10, 4, 0, reach)]) == pytest.approx(expected, abs=1e-12)
    # Wherever the post stands.
    for angle in (1.0, 2.0, 3.0, 3.2, 4.0, 6.2):
        turn = trimesh.transformations.rotation_matrix(angle, [0, 0, 1])[:3, :3]
        ends, _, _ = blocked(post @ turn.T, bars=[(5, 10, 4, 0, reach)])
        gap = TURN - (ends[:, 1] - ends[:, 0]).sum()
        assert gap == pytest.approx(expected, abs=1e-12)
        assert reach < 50 or held(ends, [angle]).all()


def test_the_stated_values():
    post = box([50, -5, 0], [60, 5, 20])
    found = [free(post, bars=[(5, 10, 4, 0, reach)]) for reach in (80, 52, 50.1, 49.9)]
    assert found == pytest.approx([5.924473, 5.924473, 5.996949, TURN], abs=5e-7)


def test_heights_count_where_they_touch():
    post = box([50, -5, 0], [60, 5, 20])
    for low, high, meets in (
        (20.0, 25.0, True),
        (20.0001, 25, False),
        (-5, 0, True),
        (-5, -1, False),
    ):
        assert (free(post, bars=[(low, high, 4, 0, 80)]) < TURN) == meets


def test_a_bar_that_begins_away_from_the_axis():
    # A pin by the axis is passed by a bar that begins beyond it.
    pin = box([3, -1, 0], [5, 1, 20])
    assert free(pin, bars=[(5, 10, 2, 5.2, 80)]) == TURN
    # 5 and 1: the farthest corner is at 5.099; a bar from 5.05 on meets the corners only.
    ends, _, _ = blocked(pin, bars=[(5, 10, 2, 5.05, 80)])
    # Farthest round comes the top edge, y = 1, where the bar begins.
    highest = math.asin(1 / 5.05) + math.asin(2 / 5.05)
    assert TURN - (ends[:, 1] - ends[:, 0]).sum() == pytest.approx(TURN - 2 * highest, abs=1e-12)


def test_two_pieces_of_one_triangle_on_both_sides_of_the_axis():
    # A long sliver beside the axis, the bar begins beyond its middle: two free arcs, not one.
    wall = np.array([[[-40, 3, -5], [40, 3, -5], [0, 3, 60.0]]])
    ends, marks, _ = blocked(wall, bars=[(0, 10, 1, 20, 30)])
    assert len(ends) == 2
    assert (marks[:, 1] == 0).all()
    low = math.asin(3 / 30) - math.asin(1 / 30)
    high = math.asin(3 / 20) + math.asin(1 / 20)
    assert ends[0] == pytest.approx([low, high], abs=1e-12)
    assert ends[1] == pytest.approx([math.pi - high, math.pi - low], abs=1e-12)


def test_metal_on_the_axis_blocks_all_round_unless_the_bar_begins_beyond_it():
    plate = np.array([[[-9, -9, 5], [11, -8, 5], [-8, 11, 5.0]]])
    assert free(plate, bars=[(0, 10, 1, 0, 30)]) == pytest.approx(0.0, abs=1e-15)
    # The bar's root is round: metal within its half width of the axis is never passed.
    assert free(plate + np.array([14, 0, 0]), bars=[(0, 10, 6, 0, 30)]) == pytest.approx(
        0.0, abs=1e-15
    )
    far = float(np.hypot(*plate[0, :, :2].T).max())
    assert free(plate, bars=[(0, 10, 1, far + 1e-9, 30)]) == TURN
    # Beyond it: only the corners are met.
    assert 0.0 < free(plate, bars=[(0, 10, 0.1, 12, 30)]) < TURN


def test_a_plate_that_holds_the_whole_circle_or_most_of_it():
    # A large triangle about the axis, met by the tip alone.
    plate = np.array([[[-90, -90, 5], [110, -80, 5], [-80, 110, 5.0]]])
    assert free(plate, bars=[(0, 10, 1, 10, 20)]) == pytest.approx(0.0, abs=1e-15)
    # An edge that passes the axis 12 mm away leaves a free arc behind it, where the bar's inner
    # corners, 15 mm out, stand beyond the edge.
    plate = np.array([[[-400, -400, 5], [400, -400, 5], [400, 12, 5], [-400, 12, 5.0]]])
    halves = plate[:, [0, 1, 2]], plate[:, [0, 2, 3]]
    expected = 2 * (math.acos(12 / 15) - math.asin(1 / 15))
    both = np.concatenate(halves)
    assert free(both, bars=[(0, 10, 1, 15, 20)]) == pytest.approx(expected, abs=1e-12)
    one = np.array([[[-4000, -4000, 5], [4012, 12, 5], [-4012, 12, 5.0]]])
    assert free(one, bars=[(0, 10, 1, 15, 20)]) == pytest.approx(expected, abs=1e-12)


def test_free_arcs_of_a_handle_between_walls():
    # Two walls 2 a apart, a handle of half width w and reach L > a: it stops where its outer
    # corner touches, at phi with L sin phi + ... : rho = L, phi = asin(a / L) - asin(w / L).
    a, w, reach = 40.0, 6.0, 90.0
    walls = np.concatenate(
        [box([-300, a, -9], [300, a + 5, 30]), box([-300, -a - 5, -9], [300, -a, 30])]
    )
    arc = 2 * (math.asin(a / reach) - math.asin(w / reach))
    assert free(walls, bars=[(0, 10, w, 0, reach)]) == pytest.approx(2 * arc, abs=1e-12)
    ends, _, _ = blocked(walls, bars=[(0, 10, w, 0, reach)])
    assert len(ends) == 2
    assert ends[1, 0] - ends[0, 1] == pytest.approx(arc, abs=1e-12)


def test_bars_that_turn_together():
    post = box([50, -5, 0], [60, 5, 20])
    one = (5, 10, 4, 0, 80)
    both = [(*one, 0.0), (*one, -math.pi)]
    half = math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5))
    assert free(post, bars=both) == pytest.approx(TURN - 4 * half, abs=1e-12)
    ends, _, _ = blocked(post, bars=[(*one, -0.5 * math.pi)])
    # The bar a quarter turn ahead of the first meets the post when the first is a quarter behind.
    assert ends.mean() == pytest.approx(1.5 * math.pi, abs=1e-12)


def test_slack_grows_and_shrinks_the_bar():
    post = box([50, -5, 0], [60, 5, 20])
    for more in (0.25, -0.25):
        grown = free(post, bars=[(5, 10, 4 + more, 0, 80 + more)])
        assert free(post, bars=[(5, 10, 4, 0, 80)], slack=np.full(12, more)) == pytest.approx(
            grown, abs=1e-12
        )
    assert free(post, bars=[(20.2, 25, 4, 0, 80)]) == TURN
    assert free(post, bars=[(20.2, 25, 4, 0, 80)], slack=np.full(12, 0.25)) < TURN
    assert free(post, bars=[(5, 10, 4, 0, 50.2)], slack=np.full(12, -0.25)) == TURN
    assert free(post, bars=[(5, 10, 4, 60.2, 80)]) < TURN
    assert free(post, bars=[(5, 10, 4, 60.2, 80)], slack=np.full(12, -0.25)) == TURN
    # A bar thinner than what is taken off it is gone.
    assert free(post, bars=[(5, 10, 0.2, 0, 80)], slack=np.full(12, -0.25)) == TURN


def test_a_grown_bar_keeps_its_flat_inner_end():
    # A pin behind the axis, nearer than the half width: passed by a bar that begins in front of
    # the axis, whether grown a little or not; met by one whose end comes to the axis when grown.
    pin = box([-4.4, -0.1, 0], [-4.2, 0.1, 20])
    bar = (5.0, 10.0, 4.0, 4.5, 80.0)
    flat = math.sqrt(4.5**2 - 4.0**2)
    assert free(pin, bars=[bar]) == TURN
    for more in (0.2, flat - 0.01):
        left = free(pin, bars=[bar], slack=np.full(12, more))
        assert 0.0 < left < TURN
        # Where the pin stands in front of the grown bar, half a turn at most to either side.
        half = math.asin(min((4.0 + more) / 4.2, 1.0))
        assert left >= TURN - 2 * half - 2 * math.atan2(0.1, 4.2) - 1e-9
    assert free(pin, bars=[bar], slack=np.full(12, flat + 0.01)) == pytest.approx(0.0, abs=1e-15)


def test_the_places_are_on_the_triangles_named():
    rng = np.random.default_rng(4)
    for _ in range(50):
        triangles = soup(rng, 40, spread=25.0)
        bar = (-3.0, 4.0, 2.0, 6.0, 30.0)
        ends, marks, spots = blocked(triangles, bars=[bar])
        for k in range(len(ends)):
            for side in range(2):
                angle = ends[k, side]
                if angle in (0.0, TURN):
                    continue
                place = spots[k, 3 * side : 3 * side + 3]
                foot = trimesh.triangles.closest_point(
                    triangles[marks[k, 2 * side + 1]][None], place[None]
                )[0]
                assert np.linalg.norm(foot - place) < 1e-9
                rho = math.hypot(place[0], place[1])
                assert 6.0 - 1e-9 <= rho <= 30.0 + 1e-9
                sign = -1 if side == 0 else 1
                edge = math.atan2(place[1], place[0]) + sign * math.asin(2.0 / rho)
                assert math.cos(edge - angle) == pytest.approx(1.0, abs=1e-12)


def test_a_table_too_short_says_so():
    posts = np.concatenate(
        [
            box([50, -1, 0], [52, 1, 20])
            @ trimesh.transformations.rotation_matrix(a, [0, 0, 1])[:3, :3].T
            for a in np.arange(8) * 0.7
        ]
    )
    assert blocked(posts, bars=[(5, 10, 1, 0, 80)], size=4)[0] == arcs.FULL_TABLE
    assert len(blocked(posts, bars=[(5, 10, 1, 0, 80)], size=9)[0]) == 9


# --- points of the metal --------------------------------------------------------------------------


def spread_points(rng, triangles, count):
    weight = rng.dirichlet([1, 1, 1], (len(triangles), count))
    # Corners and edges too: they set the ends.
    weight[:, :3] = np.eye(3)
    side = rng.random((len(triangles), count // 2))
    for k in range(3):
        rows = slice(3 + k, 3 + count // 2, 3)
        weight[:, rows] = 0.0
        t = side[:, : weight[:, rows].shape[1]]
        weight[:, rows, k], weight[:, rows, (k + 1) % 3] = t, 1 - t
    return np.einsum("tpk,tkc->tpc", weight, triangles).reshape(-1, 3)


def intervals(points, bar):
    low, high, width, inner, outer = bar
    rho = np.hypot(points[:, 0], points[:, 1])
    use = (points[:, 2] >= low) & (points[:, 2] <= high) & (rho >= inner) & (rho <= outer)
    points, rho = points[use], rho[use]
    phi = np.arctan2(points[:, 1], points[:, 0])
    half = np.arcsin(np.minimum(width / rho, 1.0))
    if inner < width:
        half[rho <= width] = math.pi
    return phi - half, phi + half


@settings(derandomize=True, deadline=None, max_examples=80)
@given(st.integers(0, 2**32 - 1))
def test_points_of_the_metal_are_blocked_and_fill_what_is(seed):
    rng = np.random.default_rng(seed)
    triangles = soup(rng, int(rng.integers(1, 6)), spread=12.0, size=rng.choice([2.0, 12.0]))
    inner = rng.choice([0.0, 3.0, 9.0])
    bar = (-4.0, 3.0, rng.choice([0.2, 2.0, 5.0]), inner, inner + rng.uniform(2, 20))
    ends, _, _ = blocked(triangles, bars=[bar])
    low, high = intervals(spread_points(rng, triangles, 16_000), bar)
    for share in (0.0, 0.3, 1.0):
        assert held(ends, low + share * (high - low), 1e-9).all()
    # Tight: the points' own intervals leave little of the blocked angles open.
    step = TURN / 4000
    grid = (np.arange(4000) + 0.5) * step
    mine = held(ends, grid)
    theirs = np.zeros(4000, dtype=int)
    first = np.floor(low / step - 0.5).astype(int) + 1
    last = np.minimum(np.floor(high / step - 0.5).astype(int), first + 3999)
    mark = np.zeros(3 * 4000 + 1, dtype=int)
    np.add.at(mark, first + 4000, 1)
    np.add.at(mark, last + 4001, -1)
    theirs = np.cumsum(mark)[:-1].reshape(3, 4000).sum(axis=0) > 0
    assert (theirs & ~mine).sum() <= 2 * len(ends) + 2
    assert (mine & ~theirs).sum() <= 0.05 * 4000


# --- properties -----------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.integers(0, 2**32 - 1))
def test_motion_order_subdivision_and_mirror_image(seed):
    rng = np.random.default_rng(seed)
    triangles = soup(rng, 60, spread=30.0, size=2.0)
    bars = [(-3.0, 4.0, 1.0, 4.0, 33.0), (4.0, 9.0, 0.5, 0.5, 20.0, 1.0)]
    ends, marks, _ = blocked(triangles, bars=bars)

    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = rng.uniform(-500, 500, 3)
    frame = np.concatenate([[shift], turn.T])
    moved, again, _ = blocked(triangles @ turn.T + shift, bars=bars, frame=frame)
    assert moved == pytest.approx(ends, abs=1e-9)
    assert np.array_equal(marks, again)

    order = rng.permutation(len(triangles))
    mixed, named, _ = blocked(triangles[order], bars=bars)
    assert np.array_equal(mixed, ends)
    own = ends[:, 0] > 0.0
    assert np.array_equal(order[named[own, 1]], marks[own, 1])

    a, b, c = (triangles[:, k] for k in range(3))
    d, e, f = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    fine = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, d, f), (d, b, e), (f, e, c), (d, e, f))]
    )
    assert blocked(fine, bars=bars)[0] == pytest.approx(ends, abs=1e-9)

    mirror = [(*bar[:5], -bar[5] if len(bar) == 6 else 0.0) for bar in bars]
    other = blocked(triangles * [1, -1, 1], bars=mirror)[0]
    assert TURN - other[::-1, ::-1] == pytest.approx(ends, abs=1e-12)

    # Several parts are one.
    parted, marks, _ = blocked(triangles[:20], triangles[20:], bars=bars)
    assert np.array_equal(parted, ends)
    assert set(marks[:, 0]) <= {0, 1}


def test_closing_short_gaps_leaves_the_long_ones_exact():
    rng = np.random.default_rng(9)
    kept = 0
    for _ in range(200):
        triangles = soup(rng, 150, spread=40.0, size=1.5)
        bars = [(-3.0, 4.0, 1.0, 4.0, 33.0)]
        need = rng.uniform(0.1, 1.2)
        ends = blocked(triangles, bars=bars)[0]
        gaps = {(a, b) for a, b in zip(ends[:-1, 1], ends[1:, 0], strict=True) if b - a >= need}
        quick = blocked(triangles, bars=bars, need=need)[0]
        seam = TURN if len(ends) == 0 else ends[0, 0] + TURN - ends[-1, 1]
        found = set(zip(quick[:-1, 1], quick[1:, 0], strict=True))
        assert found == gaps
        if seam >= need and len(ends):
            assert (quick[0, 0], quick[-1, 1]) == (ends[0, 0], ends[-1, 1])
        elif seam < need:
            assert quick[0, 0] + TURN - quick[-1, 1] < need
        kept += len(gaps)
    assert kept > 50


def test_a_large_tree_gives_what_all_triangles_give():
    rng = np.random.default_rng(12)
    triangles = soup(rng, 4000, spread=60.0, size=0.7)
    tree = TriangleTree(triangles)
    for _ in range(120):
        origin, way = rng.uniform(-30, 30, 3), rng.normal(size=3)
        way /= np.linalg.norm(way)
        u = np.cross(way, [0.3, 0.5, 0.81])
        u /= np.linalg.norm(u)
        frame = np.stack([origin, u, np.cross(way, u), way])
        bars = [(0.0, 1.5, 1.5, 3.0, 9.0)]
        ends, marks, _ = blocked(tree, bars=bars, frame=frame)
        middle = (triangles.mean(axis=1) - origin) @ frame[1:].T
        near = (np.abs(middle[:, 2]) < 9) & (np.hypot(*middle[:, :2].T) < 26)
        each = np.flatnonzero(near)
        assert len(each) < 1500
        again, named, _ = blocked(triangles[each], bars=bars, frame=frame)
        assert np.array_equal(again, ends)
        own = ends[:, 0] > 0.0
        assert np.array_equal(each[named[own, 1]], marks[own, 1])


# --- a collision library --------------------------------------------------------------------------


def test_boxes_just_inside_and_outside_each_edge():
    """A bar as long as the scene is a box and a round root: free inside an arc, met outside."""
    fcl = pytest.importorskip("fcl")
    rng = np.random.default_rng(21)
    width, height, reach = 1.5, 6.0, 200.0
    edges = outside = 0
    for _ in range(150):
        triangles = soup(rng, 25, spread=30.0, size=2.0)
        ends, _, _ = blocked(triangles, bars=[(0.0, height, width, 0.0, reach)])
        vertices = triangles.reshape(-1, 3)
        model = fcl.BVHModel()
        model.beginModel(len(vertices), len(triangles))
        model.addSubModel(vertices, np.arange(len(vertices)).reshape(-1, 3))
        model.endModel()
        still = fcl.CollisionObject(model, fcl.Transform())

        def meets(angle, still=still):
            c, s = math.cos(angle), math.sin(angle)
            turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
            bar = fcl.CollisionObject(
                fcl.Box(reach, 2 * width, height),
                fcl.Transform(turn, np.array([c, s, 0]) * reach / 2 + [0, 0, height / 2]),
            )
            return fcl.collide(still, bar, fcl.CollisionRequest(), fcl.CollisionResult()) > 0

        if len(ends) == 0 or (ends[0, 0] == 0.0 and ends[0, 1] == TURN):
            continue
        for low, high in ends:
            for angle, out in ((low, -1e-6), (high, 1e-6)):
                if angle in (0.0, TURN):
                    continue
                edges += 1
                assert meets(angle - out)
                if not held(ends, [angle + out])[0]:
                    outside += 1
                    assert not meets(angle + out)
    assert edges > 300
    assert outside > 300


def test_a_post_of_many_small_triangles():
    # Nodes much smaller than the bar is wide: the corner must not be taken for settled.
    post = trimesh.creation.box(bounds=[[50, -5, 0], [60, 5, 20]])
    for _ in range(4):
        post = post.subdivide()
    expected = TURN - 2 * (math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5)))
    assert free(np.array(post.triangles), bars=[(5, 10, 4, 0, 80)]) == pytest.approx(
        expected, abs=1e-12
    )

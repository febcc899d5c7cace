"""Room of plugs, boots and fingers: closed forms, brute force over directions, FCL's solids."""

from __future__ import annotations

import math

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import Obstacle
from geomcheck.fasten.connector import Connector, covering, filling
from geomcheck.fasten.foot import foot_sagitta
from geomcheck.fasten.pinch import STEP, pinch_room
from geomcheck.fasten.plugging import plugging
from geomcheck.fasten.room import free_room
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree


def plug(**changes):
    """16 mm round, 25 mm long, pulled by 12 mm, 30 mm of 8 mm cable behind it, along z."""
    values = {
        "name": "P",
        "at": (0.0, 0.0, 0.0),
        "axis": (0.0, 0.0, 1.0),
        "stroke": 12.0,
        "length": 25.0,
        "width": 16.0,
        "height": 16.0,
        "straight": 30.0,
        "cable": 8.0,
    }
    return Connector(**(values | changes))


def square(**changes):
    return plug(**({"width": 24.0, "height": 10.0, "round": False, "up": (0, 1, 0)} | changes))


def block():
    return trimesh.creation.box(bounds=[[-40, -40, -40], [40, 40, 0]])


def slack(name, mesh, amount):
    return Obstacle(
        name, TriangleTree(mesh.triangles), Sagitta.declared(amount, len(mesh.faces)), True
    )


# --- closed forms -----------------------------------------------------------------------------


def test_a_wall_beside_the_body(box):
    found = plugging(plug(), {"housing": block(), "wall": box([12, -50, 1], [20, 50, 90])})
    assert (found.stroke.room, found.stroke.blocker) == (4.0, "wall")
    assert found.straight.room == 8.0  # 12 - 4
    assert found.home.room == 4.0
    # Across the wall's direction the fingers, 9 mm thick about (0, 17), have 12 - 9 mm.
    assert found.hand.room == pytest.approx(3.0, abs=STEP)
    assert found.hand.room <= 3.0 <= found.hand.high <= 3.0 + 2 * STEP
    assert found.pinch == pytest.approx(90.0, abs=1.0)


def test_a_wall_that_only_the_stroke_meets(box):
    # From 30 mm up: the body is there only when it is pulled.
    found = plugging(plug(), {"housing": block(), "wall": box([6, -50, 30], [20, 50, 36])})
    assert found.stroke.room == -2.0
    assert found.home.room == 2.0  # the cable at rest: 6 - 4
    assert found.tightest[0] == "fingers" or found.tightest[1].room == -2.0


@pytest.mark.parametrize(("roof", "cable", "home"), [(60, -4, 7), (50, -4, -4), (70, 25, 25)])
def test_a_roof_over_the_boot(box, roof, cable, home):
    lid = box([-3, -3, roof], [3, 3, roof + 2]) if roof < 70 else box([90, 90, 0], [99, 99, 9])
    found = plugging(plug(), {"housing": block(), "lid": lid}, within=25.0)
    assert found.straight.room == cable
    assert (found.home.room < 0) == (home < 0)


def test_no_fingers_get_in_from_any_side():
    tube = trimesh.creation.annulus(r_min=12.0, r_max=20.0, height=60.0, sections=64)
    tube.apply_translation([0, 0, 31])
    found = plugging(plug(), {"housing": block(), "tube": tube})
    assert found.stroke.room == pytest.approx(12.0 * math.cos(math.pi / 64) - 8.0, abs=1e-9)
    # A finger's middle is 17 mm from the axis, 3 mm or less from the tube's outer face: 3 - 9 mm.
    assert -6.2 < found.hand.room <= found.hand.high < -5.7
    assert plugging(plug(grip=0.0), {"housing": block(), "tube": tube}).hand is None


def test_a_finger_wholly_inside_a_wall_does_not_pass(box):
    # The body touches walls on all sides; a finger's skin just touches their faces from within.
    sleeve = trimesh.boolean.difference(
        [box([-60, -60, 1], [60, 60, 90]), box([-8, -8, 0], [8, 8, 99])], engine="manifold"
    )
    found = plugging(plug(), {"housing": block(), "sleeve": sleeve})
    assert found.stroke.room == pytest.approx(0.0, abs=1e-9)
    assert found.hand.low == found.hand.room == -9.0 and found.hand.inside


@pytest.mark.parametrize(("half", "wanted"), [(20.8, 0.0), (21.5, 0.8)])
def test_fingers_are_not_refused_by_an_edge_that_may_stand_back(box, half, wanted):
    # At best, over the corners, a finger's middle is 17 / sqrt(2) from the axis each way. The
    # walls are true, the faces at their ends may stand 0.7 mm farther back.
    sleeve = trimesh.boolean.difference(
        [box([-60, -60, 1], [60, 60, 90]), box([-half, -half, 0], [half, half, 99])],
        engine="manifold",
    )
    ends = np.where(np.abs(sleeve.face_normals[:, 2]) > 0.5, 0.7, 0.0)
    bound = Sagitta(np.zeros(len(ends)), ends, "declared")
    loose = Obstacle("sleeve", TriangleTree(np.array(sleeve.triangles)), bound, True)
    room = half - 17.0 / math.sqrt(2.0) - 9.0
    for name, part, high in (
        ("loose", loose, room + 0.7),
        ("true", Obstacle.of("sleeve", sleeve), room),
    ):
        found = plugging(plug(), [Obstacle.of("housing", block()), part], wanted=wanted).hand
        assert found.room == pytest.approx(room, abs=STEP + 1e-5), name
        assert high - 1e-5 <= found.high <= high + 2 * STEP, name


def test_fingers_find_the_one_slot(box):
    # Two posts of 30 mm at 25 degrees off x leave a slot square to them.
    posts = trimesh.util.concatenate(
        [box([11, -30, 1], [30, 30, 90]), box([-30, -30, 1], [-11, 30, 90])]
    )
    posts.apply_transform(trimesh.transformations.rotation_matrix(math.radians(25), [0, 0, 1]))
    found = plugging(plug(), {"housing": block(), "posts": posts})
    assert found.hand.room == pytest.approx(2.0, abs=STEP)
    frame = plug().frame()
    c, s = math.cos(math.radians(found.pinch)), math.sin(math.radians(found.pinch))
    way = c * frame[1] + s * frame[2]
    assert math.degrees(math.atan2(way[1], way[0])) % 180 == pytest.approx(115.0, abs=2.0)


def test_the_spigot_is_within_the_hose():
    pipe = trimesh.creation.annulus(r_min=6.0, r_max=7.5, height=24.0, sections=32)
    pipe.apply_translation([0, 0, 12])
    carrier = trimesh.util.concatenate([block(), pipe])
    plain = plugging(plug(), {"spout": carrier}, carrier="spout")
    assert plain.stroke.room < 0.0
    # The spigot is longer than the stroke: what is above it is still looked at.
    assert plugging(plug(bore=15.2), {"spout": carrier}, carrier="spout").stroke.room < 0.0
    hose = plug(bore=15.2, stroke=26.0)
    assert plugging(hose, {"spout": carrier}, carrier="spout").stroke.clear
    # Turned round it would be in the part's own material, which touches none of its faces.
    down = plugging(
        plug(bore=15.2, stroke=3.0, length=8.0, straight=0.0, axis=(0.0, 0.0, -1.0)),
        {"spout": carrier},
        carrier="spout",
    )
    assert down.stroke.inside and down.home.inside
    # Of another part nothing is left out.
    assert plugging(hose, {"spout": carrier}, carrier="other").stroke.room < 0.0


def test_nothing_lower_than_lift_is_looked_at(box):
    ring = box([9, -5, 0], [12, 5, 0.4])
    assert plugging(plug(), {"housing": block(), "ring": ring}).stroke.clear
    assert plugging(plug(), {"housing": block(), "ring": ring}, lift=0.3).stroke.room == 1.0


# --- square bodies ----------------------------------------------------------------------------


def test_a_square_body_beside_walls(box):
    for low, high, room in (([15, -50, 1], [20, 50, 90], 3.0), ([-50, 8, 1], [50, 20, 90], 3.0)):
        found = plugging(square(grip=0.0), {"housing": block(), "wall": box(low, high)})
        assert found.stroke.low <= room <= found.stroke.high
        assert found.stroke.high - found.stroke.low < 0.35


def test_circles_cover_and_fill_the_box():
    body = square(width=31.0, height=9.0)
    rng = np.random.default_rng(1)
    inside = rng.uniform([-15.5, -4.5], [15.5, 4.5], (4000, 2))
    cover = [np.hypot(inside[:, 0] - u, inside[:, 1] - v) <= r for u, v, r in covering(body)]
    assert np.any(cover, axis=0).all()
    for u, v, r in filling(body):
        assert abs(u) + r <= 15.5 + 1e-12 and abs(v) + r <= 4.5 + 1e-12


@settings(derandomize=True, deadline=None, max_examples=60)
@given(seed=st.integers(0, 9999), tall=st.booleans())
def test_fcls_box_is_never_contradicted(seed, tall):
    rng = np.random.default_rng(seed)
    size = (10.0, 26.0) if tall else (26.0, 10.0)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    body = square(
        axis=tuple(axis),
        up=tuple(rng.normal(size=3)),
        width=size[0],
        height=size[1],
        at=tuple(rng.uniform(-5, 5, 3)),
        grip=0.0,
        straight=0.0,
    )
    triangles = rng.uniform(-45, 45, (12, 1, 3)) + rng.normal(0, 8, (12, 3, 3))
    found = plugging(body, Obstacle.of("soup", triangles), lift=0.0).stroke
    frame = body.frame()
    length = body.length + body.stroke
    middle = frame[0] + frame[3] * length / 2
    solid = fcl.CollisionObject(
        fcl.Box(size[0], size[1], length), fcl.Transform(frame[1:].T.copy(), middle)
    )
    assert _collides(solid, triangles) in (
        (True,) if found.high < 0 else (False,) if found.low > 0 else (True, False)
    )


# --- FCL and brute force ----------------------------------------------------------------------


def _collides(solid, triangles):
    mesh = fcl.BVHModel()
    mesh.beginModel(len(triangles) * 3, len(triangles))
    mesh.addSubModel(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
    mesh.endModel()
    return fcl.collide(solid, fcl.CollisionObject(mesh)) > 0


@settings(derandomize=True, deadline=None, max_examples=100)
@given(seed=st.integers(0, 9999))
def test_fcls_cylinder_agrees(seed):
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    body = plug(axis=tuple(axis), at=tuple(rng.uniform(-5, 5, 3)), grip=0.0, straight=0.0)
    triangles = rng.uniform(-45, 45, (12, 1, 3)) + rng.normal(0, 8, (12, 3, 3))
    found = plugging(body, Obstacle.of("soup", triangles), lift=0.0).stroke
    frame = body.frame()
    length = body.length + body.stroke
    solid = fcl.CollisionObject(
        fcl.Cylinder(8.0, length),
        fcl.Transform(frame[1:].T.copy(), frame[0] + frame[3] * length / 2),
    )
    if abs(found.room) > 1e-6:
        assert _collides(solid, triangles) == (found.room < 0)


@settings(derandomize=True, deadline=None, max_examples=12)
@given(seed=st.integers(0, 9999), round_body=st.booleans())
def test_no_direction_betters_the_fingers_bound(seed, round_body):
    rng = np.random.default_rng(seed)
    parts = [Obstacle.of("soup", rng.uniform(-30, 30, (10, 1, 3)) + rng.normal(0, 6, (10, 3, 3)))]
    body = plug() if round_body else square()
    half, frame = (body.width / 2, body.height / 2), body.frame()
    room, angle = pinch_room(frame, half, round_body, 18.0, (5.0, 37.0), parts, within=25.0)
    best = -math.inf
    for direction in np.linspace(0.0, math.pi, 720, endpoint=False):
        c, s = math.cos(direction), math.sin(direction)
        out = half[0] if round_body else half[0] * abs(c) + half[1] * abs(s)
        out += 9.0
        rows = ((5.0, 37.0, 9.0),)
        columns = [(out * c, out * s, rows), (-out * c, -out * s, rows)]
        best = max(best, free_room(frame, columns, parts, within=25.0).room)
    assert room.high >= best
    assert room.room >= best - STEP
    assert 0.0 <= angle < 180.0


# --- intervals, properties, bad input ---------------------------------------------------------


def test_a_coarse_wall_decides_nothing(box):
    wall = slack("wall", box([12, -50, 1], [20, 50, 90]), 0.4)
    found = plugging(plug(), [Obstacle.of("housing", block()), wall]).stroke
    assert (found.low, found.room, found.high) == pytest.approx((3.6, 4.0, 4.4))
    assert found.doubt == "wall"


@pytest.mark.parametrize("n", [12, 24, 64])
def test_a_pipe_beside_it_holds_the_truth_in_its_interval(n):
    for phase in (0.0, 0.3, 0.5):
        pipe = trimesh.creation.cylinder(10.0, 300.0, sections=n)
        spin = trimesh.transformations.rotation_matrix(phase * 2 * math.pi / n, [0, 0, 1])
        pipe.apply_transform(spin)
        pipe.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], [0, 1, 0]))
        pipe.apply_translation([25.0, 0, 30.0])
        found = plugging(plug(), {"housing": block(), "pipe": pipe})
        assert found.stroke.low <= 25.0 - 10.0 - 8.0 + 1e-9 <= found.stroke.high + 2e-9
        assert found.stroke.room >= 7.0 - 1e-9


def test_motion_order_and_subdivision_change_nothing(box):
    parts = {"housing": block(), "bar": box([10, -60, 20], [14, 60, 28])}
    before = plugging(plug(), parts)
    rng = np.random.default_rng(3)
    for _ in range(4):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        turn[:3, 3] = rng.uniform(-400, 400, 3)
        moved = {
            name: mesh.subdivide().apply_transform(turn) for name, mesh in reversed(parts.items())
        }
        after = plugging(plug(at=tuple(turn[:3, 3]), axis=tuple(turn[:3, 2])), moved)
        for (_, a), (_, b) in zip(before.rooms, after.rooms, strict=True):
            assert b.room == pytest.approx(a.room, abs=1e-9 if a is not before.hand else 2 * STEP)


def test_inside_a_solid():
    found = plugging(plug(), {"rock": trimesh.creation.box((400, 400, 400))})
    assert found.stroke.inside and found.stroke.room == -8.0


def test_the_rims_sagitta_keeps_the_rim_out(box):
    housing = slack("housing", block(), 0.3)
    assert foot_sagitta((0.0, 0.0, 0.0), 8.0, housing) == 0.3
    assert plugging(plug(), [housing], carrier="housing").stroke.low == 25.0
    with pytest.raises(CannotDecide, match="where looking begins"):
        plugging(plug(length=0.7), [housing], carrier="housing")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"stroke": 0.0}, "above 0"),
        ({"length": math.inf}, "finite"),
        ({"axis": (0.0, 0.0, 0.0)}, "unit vector"),
        ({"axis": (math.nan, 0.0, 1.0)}, "finite"),
        ({"straight": 9000.0}, "Check the unit"),
        ({"cable": 0.0}, "cable diameter"),
        ({"round": False, "up": (0.0, 0.0, 2.0)}, "along its axis"),
    ],
)
def test_bad_connectors_are_refused(changes, said):
    with pytest.raises(InputError, match=said):
        plug(**changes)


def test_lengths_are_checked():
    with pytest.raises(InputError, match="lift"):
        plugging(plug(), block(), lift=-1.0)
    with pytest.raises(InputError, match="within"):
        plugging(plug(), block(), within=0.0)

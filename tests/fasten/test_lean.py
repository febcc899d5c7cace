"""Tools that lean: ball ends and universal joints against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.fasten import Bar, Fastener, Obstacle, Tool, choose_tools
from geomcheck.fasten.access import access
from geomcheck.fasten.lean import lean_access
from geomcheck.fasten.lean_each import lean_each
from geomcheck.fasten.swing import swept, swing

M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="B3")
HEXAGON = Fastener.of("ISO 4014", "M8", [0, 0, 0], [0, 0, 1], length=30, name="H1")
BALL, LONG_BALL = choose_tools(M8.screw, ["ball-end key"])
JOINT = choose_tools(HEXAGON.screw, ["socket 13, 3/8 drive, universal joint"])[0]
KEY = choose_tools(M8.screw, ["hex key 6"])[0]


def solid(name, mesh):
    return Obstacle.of(name, mesh)


def rail(box, height):
    """A rail over half of the head: its edge, along y, stands on the axis."""
    return solid("rail", box([-60, -300, height], [0, 300, height + 10]))


def least_tilt(above, radius):
    """Lean at which a cylinder clears an edge square to the way it leans, over its pivot."""
    return math.degrees(math.asin(radius / above))


def test_the_ball_leans_about_its_middle():
    # 4 mm of the key are in the head; the ball, 6.81 mm wide, stands on the hexagon's floor.
    assert BALL.pivot == pytest.approx(-(4.0 - 6.81 / 2))
    assert (BALL.tilt, BALL.arc) == (25.0, 60.0)
    assert BALL.profile == KEY.profile


@pytest.mark.parametrize("height", [24.5, 30.0, 45.0])
def test_a_ball_end_clears_a_rail(box, height):
    parts = [rail(box, height)]
    assert access(M8, KEY, parts).stands.room == pytest.approx(-3.405)
    found = lean_access(M8, BALL, parts)
    assert found.lean.decided
    assert found.stands.low >= 0.0
    assert found.turns.low >= 60.0
    # The pose itself: away from the rail, far enough for the shaft lifted by the 8 mm of the head.
    pivot = 8.0 + BALL.pivot
    assert found.lean.direction[0] > 0.0
    assert found.lean.angle >= least_tilt(height - pivot, 3.405)
    towards = math.hypot(*found.lean.direction[:2])
    if found.lean.direction[0] / towards > 1.0 - 1e-9:
        sine = math.sin(math.radians(found.lean.angle))
        # The lowest edge is nearest when the key is lifted.
        assert found.stands.room == pytest.approx((height - pivot - 8.0) * sine - 3.405, abs=1e-9)


def test_no_lean_is_enough_below_the_closed_form(box):
    # asin(3.405 / h) = 25 degrees at h = 8.057 mm over the pivot.
    pivot = 8.0 + BALL.pivot
    edge = 3.405 / math.sin(math.radians(25.0)) + pivot
    found = lean_access(M8, BALL, [rail(box, edge - 0.05)])
    assert found.lean.decided
    assert found.lean.none
    assert found.stands.high < 0.0
    assert found.turns is None
    # Above it the key stands, but its way off by 8 mm is not shown: not decided.
    found = lean_access(M8, BALL, [rail(box, edge + 1.0)])
    assert not found.lean.decided
    assert found.stands.low < 0.0 <= found.stands.high


def test_a_lid_over_all_is_proved(box):
    lid = [solid("lid", box([-300, -300, 40], [300, 300, 50]))]
    found = lean_access(M8, BALL, lid)
    assert found.lean.none
    assert found.stands.high < 0.0
    assert found.stands.blocker == "lid"


def test_a_limit_of_ones_own_decides(box):
    pivot = 8.0 + BALL.pivot
    height = pivot + 8.0 + 3.405 / math.sin(math.radians(28.0)) + 0.2
    parts = [rail(box, height)]
    assert not lean_access(M8, BALL, parts).lean.decided
    wide = BALL.tuned({"ball-end key": 30.0}, {})
    found = lean_access(M8, wide, parts)
    assert found.lean.decided
    assert 25.0 < found.lean.angle <= 30.0


def test_a_joint_reaches_past_a_shelf(box):
    # A shelf beside the axis from 61 mm up: the straight ratchet, 17 mm in radius, needs 63.3.
    shelf = [solid("shelf", box([-300, -300, 61], [-12, 300, 64]))]
    straight = choose_tools(HEXAGON.screw, ["socket 13, 3/8 drive"])[0]
    assert access(HEXAGON, straight, shelf).stands.room < 0.0
    found = lean_access(HEXAGON, JOINT, shelf)
    assert found.lean.decided
    assert found.stands.low >= 0.0
    assert found.lean.direction[0] > 0.0
    assert found.turns.low >= found.turns.needed
    assert found.base[0] == (0.0, 26.0, 18.45)
    assert found.at == pytest.approx((0.0, 0.0, 53.0))


def test_a_joints_own_socket_stays_upright(box):
    # A collar round the socket leaves it no room, however the rest leans.
    collar = trimesh.creation.annulus(r_min=9.0, r_max=30.0, height=4.0, sections=64)
    collar.apply_translation([0, 0, 12.0])
    found = lean_access(HEXAGON, JOINT, [solid("collar", collar)])
    assert found.lean.none
    assert found.stands.room == pytest.approx(9.0 * math.cos(math.pi / 64) - 18.45 / 2)
    assert (found.lean.angle, found.lean.decided) == (0.0, True)


def test_room_beside_the_upright_socket_counts(box):
    # A curb 11 mm from the axis, lower than the socket: what leans is far above it.
    curb = [solid("curb", box([11, -90, 1], [40, 90, 20]))]
    found = lean_access(HEXAGON, JOINT, curb)
    assert found.lean.decided
    assert found.stands.room == pytest.approx(11.0 - 18.45 / 2)
    assert found.stands.blocker == "curb"


def test_a_leaning_handle_is_grown_by_its_way_off(box):
    parts = [rail(box, 30.0), solid("post", box([40, -300, 60], [60, 300, 200]))]
    found = lean_access(M8, BALL, parts)
    bars = swept(BALL, -BALL.pivot, 8.0)
    aside = 8.0 * math.sin(math.radians(found.lean.angle))
    asked = {"start": -math.inf, "grow": aside}
    again = swing(found.frame, bars, 60.0, parts, **asked)
    assert found.turns.low == pytest.approx(again.low)
    assert again.low < swing(found.frame, bars, 60.0, parts, **(asked | {"grow": 0.0})).low


def test_room_to_lean_without_room_to_turn_is_not_decided(box):
    # A well of 12 mm radius holds the leaning shaft, but not the handle at its top.
    well = trimesh.creation.annulus(r_min=45.0, r_max=200.0, height=200.0, sections=48)
    well.apply_translation([0, 0, 100.0])
    tool = Tool(
        "wide",
        "own",
        "hexagon socket",
        6.0,
        ((0.0, 60.0, 6.0),),
        bars=(Bar(50, 60, 8, 0, 120),),
        arc=60.0,
        tilt=10.0,
    )
    found = lean_access(M8, tool, [solid("well", well)])
    assert not found.lean.decided
    assert found.turns.low < 60.0
    assert found.turns.high == 360.0


def test_a_pivot_inside_a_solid_is_proved(box):
    block = [solid("block", box([-300, -300, -50], [300, 300, 300]))]
    found = lean_access(M8, BALL, block)
    assert found.stands.inside
    assert found.lean.none
    assert found.stands.high < 0.0


def test_nothing_near_leans_at_once():
    found = lean_access(M8, BALL, [])
    assert found.stands.clear
    assert found.turns.free == 360.0
    assert found.lean.decided


def test_a_longer_key_is_blocked_where_the_short_one_is(box):
    lid = [solid("lid", box([-300, -300, 40], [300, 300, 50]))]
    short, long = lean_each(M8, [BALL, LONG_BALL], lid)
    assert long.tool is LONG_BALL
    assert long.stands.high == short.stands.high < 0.0
    # The other way round each is searched.
    long, short = lean_each(M8, [LONG_BALL, BALL], [rail(box, 100.0)])
    assert (long.tool, short.tool) == (LONG_BALL, BALL)
    # And a yes is no yes for another tool.
    first, second = lean_each(M8, [BALL, LONG_BALL], [])
    assert first.lean.decided
    assert second.stands.tool is LONG_BALL


def test_motion_of_everything_changes_no_answer(box):
    rng = np.random.default_rng(3)
    meshes = {"rail": box([-60, -300, 30], [0, 300, 40]), "wall": box([40, -200, 0], [50, 200, 90])}
    before = lean_access(M8, BALL, [solid(name, mesh) for name, mesh in meshes.items()])
    for _ in range(3):
        move = trimesh.transformations.random_rotation_matrix(rng.random(3))
        move[:3, 3] = rng.uniform(-400, 400, 3)
        bolt = Fastener.of("ISO 4762", "M8", move[:3, 3], move[:3, 2], length=30)
        moved = [solid(name, mesh.copy().apply_transform(move)) for name, mesh in meshes.items()]
        found = lean_access(bolt, BALL, moved)
        assert found.lean.decided == before.lean.decided
        assert found.stands.low >= 0.0
        # The directions tried turn with the frame: poses differ, the answer does not.
        angle = math.degrees(math.acos(min(np.dot(found.lean.direction, bolt.axis), 1.0)))
        assert angle == pytest.approx(found.lean.angle, abs=1e-6)

"""Tools that turn: free arcs of keys, ratchets and spanners against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import Bar, Fastener, Obstacle, Tool, choose_tools
from geomcheck.fasten.access import access, access_each
from geomcheck.fasten.hand import hand_room
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="B3")
HEXAGON = Fastener.of("ISO 4014", "M8", [0, 0, 0], [0, 0, 1], length=30, name="H1")
KEY = choose_tools(M8.screw, ["hex key 6"])[0]
LOW_KEY = choose_tools(M8.screw, ["hex key 6, short arm in the head"])[0]
RATCHET = choose_tools(HEXAGON.screw, ["socket 13, 3/8 drive"])[0]
OPEN = choose_tools(HEXAGON.screw, ["open spanner 13"])[0]
RING = choose_tools(HEXAGON.screw, ["ring spanner 13"])[0]


def solid(name, mesh, sagitta=None):
    if sagitta is None:
        return Obstacle.of(name, mesh)
    bound = Sagitta.declared(sagitta, len(mesh.faces))
    return Obstacle(name, TriangleTree(np.array(mesh.triangles)), bound, True)


def handled(width, outer, arc=60.0, low=20.0, high=30.0):
    bars = (Bar(low, high, width, 0.0, outer),)
    return Tool("own", "own", "hexagon socket", 6.0, ((0.0, 30.0, 6.0),), bars=bars, arc=arc)


def between_walls(distance, width, length):
    """Free arc of a bar between two walls either side of the axis, degrees (closed form).

    The far corner (length, width / 2) touches where length cos a + width / 2 sin a = distance.
    """
    half = width / 2
    at = math.acos(distance / math.hypot(length, half)) + math.atan2(half, length)
    return 180.0 - 2.0 * math.degrees(at)


def walls(box, distance, sagitta=None):
    sides = {
        "left": box([-distance - 9, -400, -10], [-distance, 400, 300]),
        "right": box([distance, -400, -10], [distance + 9, 400, 300]),
    }
    return [solid(name, mesh, sagitta) for name, mesh in sides.items()]


def test_a_bar_beside_a_post(box):
    # Box x 50 to 60, y -5 to 5, bar 8 wide and 80 long: 5.924473 rad are free.
    post = solid("post", box([50, -5, 0], [60, 5, 200]))
    found = access(M8, handled(8.0, 80.0, arc=359.0), [post])
    assert math.radians(found.turns.free) == pytest.approx(5.924473, abs=1e-6)
    closed = 360.0 - 2.0 * math.degrees(math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5)))
    assert found.turns.free == pytest.approx(closed, abs=1e-9)
    assert found.turns.low == found.turns.free == found.turns.high
    assert [part for part, _ in found.turns.ends] == ["post", "post"]
    assert sorted(point[1] for _, point in found.turns.ends) == pytest.approx([-5.0, 5.0])
    # Out of reach: its far corner ends at hypot(49, 4) = 49.16 mm.
    free = access(M8, handled(8.0, 49.0), [post]).turns
    assert (free.free, free.ends) == (360.0, ())


@pytest.mark.parametrize("distance", [30.0, 34.0, 36.0, 60.0, 150.0])
def test_a_ratchet_between_walls(box, distance):
    found = access(HEXAGON, RATCHET, walls(box, distance))
    # 3/8 drive: handle 25 wide and 200 long; 36 teeth and 3 degrees of slack: 13 degrees.
    assert found.turns.needed == pytest.approx(13.0)
    free = between_walls(distance, 25.0, 200.0)
    assert found.turns.free == pytest.approx(max(free, 0.0), abs=1e-9)
    assert found.stands.room == pytest.approx(min(distance - 17.0, 25.0))
    assert {part for part, _ in found.turns.ends} == {"left", "right"}


def test_the_interval_of_an_arc_comes_from_the_walls_sagitta(box):
    found = access(HEXAGON, RATCHET, walls(box, 35.1, sagitta=0.2)).turns
    assert found.free == pytest.approx(between_walls(35.1, 25.0, 200.0), abs=1e-9)
    # The slack grows the bar on all sides and moves its slab; a plane wall gives just that.
    assert found.low < 13.0 < found.high
    assert found.low == pytest.approx(between_walls(34.9, 25.0, 200.0), abs=0.05)
    assert found.high == pytest.approx(between_walls(35.3, 25.0, 200.0), abs=0.05)
    sure = access(HEXAGON, RATCHET, walls(box, 60.0, sagitta=0.2)).turns
    assert not sure.full
    assert 13.0 <= sure.low <= between_walls(60.0, 25.0, 200.0)


def test_a_key_swings_high_or_low(box):
    # A slot 40 mm wide and 60 high: the short arm swings above it, the long one does not.
    slot = [
        solid("left", box([-90, -200, -5], [-20, 200, 60])),
        solid("right", box([20, -200, -5], [90, 200, 60])),
    ]
    high = access(M8, KEY, slot)
    assert high.turns.free == 360.0
    low = access(M8, LOW_KEY, slot)
    assert low.turns.needed == 60.0
    assert low.turns.free == pytest.approx(between_walls(20.0, 6.81, 96.0), abs=1e-9)
    assert low.turns.high < 60.0
    assert low.stands.room == pytest.approx(20.0 - 3.405)


def test_the_arm_is_lifted_too(box):
    # The key's arm is 93.19 to 100 mm up and comes up by 8 mm more. A ring is in its way.
    ring = trimesh.creation.annulus(r_min=20.0, r_max=60.0, height=4.0, sections=64)
    for middle, free in ((104.0, 0.0), (111.0, 360.0), (90.0, 360.0)):
        mesh = ring.copy()
        mesh.apply_translation([0, 0, middle])
        assert access(M8, KEY, [solid("ring", mesh)]).turns.free == free


def test_an_open_spanner_works_under_a_low_roof(box):
    # It grips from 2.12 mm up and is 7.2 thick: to 9.32. All else is lifted by 5.3 mm.
    roof = [solid("roof", box([-400, -400, 9.4], [400, 400, 12]))]
    found = access(HEXAGON, OPEN, roof)
    assert found.stands.room == pytest.approx(25.0)
    assert (found.turns.free, found.turns.needed) == (360.0, 30.0)
    assert access(HEXAGON, RING, roof).stands.room < 0.0
    lower = [solid("roof", box([-400, -400, 9.3], [400, 400, 12]))]
    assert access(HEXAGON, OPEN, lower).stands.room < 0.0


def test_an_open_spanner_is_drawn_off_along_its_handle(box):
    # 180 mm long, it is drawn off by its head's 29.9 mm, its corner askew by sin 15 degrees.
    reach = 180.0 + 29.9
    near = [solid("far wall", box([reach - 1, -900, 0], [reach + 9, 900, 20]))]
    assert access(HEXAGON, OPEN, near).turns.free < 360.0
    askew = math.hypot(reach, 6.5 + 29.9 * math.sin(math.radians(15.0)))
    assert askew - 0.1 > math.hypot(reach, 6.5)
    just = [solid("far wall", box([askew - 0.1, -900, 0], [askew + 9, 900, 20]))]
    assert access(HEXAGON, OPEN, just).turns.free < 360.0
    beyond = [solid("far wall", box([askew + 0.01, -900, 0], [askew + 9, 900, 20]))]
    assert access(HEXAGON, OPEN, beyond).turns.free == 360.0


def test_a_ring_spanners_handle_rises(box):
    # 15 degrees up from the edge of the head: a rim 12 mm high 100 mm away is cleared.
    rim = trimesh.creation.annulus(r_min=100.0, r_max=110.0, height=12.0, sections=96)
    rim.apply_translation([0, 0, 6.0])
    assert access(HEXAGON, RING, [solid("rim", rim)]).turns.free == 360.0
    # A flat handle of the same thickness is stopped by it.
    flat = Tool(
        "flat", "own", "hexagon", 13.0, RING.profile, bars=(Bar(0, 10.8, 13, 0, 180),), arc=30.0
    )
    assert access(HEXAGON, flat, [solid("rim", rim)]).turns.free == 0.0
    for row in RING.bars:
        # Each step holds the rising bar between its ends.
        assert (
            row.high - row.low >= 10.8 + (row.outer - row.inner) * math.tan(math.radians(15)) - 1e-9
        )


def test_room_wanted_is_wanted_round_the_handle(box):
    wide = access(HEXAGON, RATCHET, walls(box, 60.0), room=2.0).turns
    # Grown on all sides: 29 mm wide, its round tip 2 mm farther out.
    length = math.sqrt((math.hypot(200.0, 12.5) + 2.0) ** 2 - 14.5**2)
    assert wide.low == pytest.approx(between_walls(60.0, 29.0, length), abs=1e-9)


def test_a_handle_inside_a_solid_does_not_turn(box):
    # A block round the handle alone, which touches none of its faces.
    block = box([-300, -300, 15], [300, 300, 60])
    hole = trimesh.creation.cylinder(20.0, 100.0, sections=48)
    hole.apply_translation([0, 0, 40])
    shell = trimesh.boolean.difference([block, hole], engine="manifold")
    tool = Tool(
        "deep",
        "own",
        "hexagon socket",
        6.0,
        ((0.0, 30.0, 6.0),),
        bars=(Bar(20, 30, 4, 40, 60),),
        arc=60.0,
    )
    found = access(M8, tool, [solid("block", shell)])
    assert found.stands.room > 0.0
    assert (found.turns.free, found.turns.high) == (0.0, 0.0)
    assert found.turns.blocker == "block"


def test_turning_is_asked_only_where_the_tool_stands(box):
    tight = access(HEXAGON, RATCHET, walls(box, 16.0))
    assert tight.stands.room == pytest.approx(-1.0)
    assert tight.turns is None
    assert access(HEXAGON, RATCHET, walls(box, 60.0), turn=False).turns is None


def test_many_tools_at_once_are_each_as_alone(box):
    parts = walls(box, 40.0)
    tools = choose_tools(HEXAGON.screw)
    rigid = [tool for tool in tools if tool.tilt == 0.0]
    for tool, found in zip(rigid, access_each(HEXAGON, rigid, parts), strict=True):
        alone = access(HEXAGON, tool, parts)
        assert (found.tool, found.stands, found.turns) == (tool, alone.stands, alone.turns)


def test_motion_of_everything_changes_no_arc(box):
    rng = np.random.default_rng(5)
    meshes = {
        "wall": box([40, -300, -5], [49, 300, 90]),
        "post": box([-90, 30, -5], [-80, 45, 120]),
    }
    tools = [RATCHET, OPEN, RING]
    parts = [solid(name, mesh) for name, mesh in meshes.items()]
    before = access_each(HEXAGON, tools, parts)
    for _ in range(4):
        move = trimesh.transformations.random_rotation_matrix(rng.random(3))
        move[:3, 3] = rng.uniform(-400, 400, 3)
        bolt = Fastener.of("ISO 4014", "M8", move[:3, 3], move[:3, 2], length=30)
        moved = [solid(name, mesh.copy().apply_transform(move)) for name, mesh in meshes.items()]
        for old, new in zip(before, access_each(bolt, tools, moved), strict=True):
            assert new.turns.free == pytest.approx(old.turns.free, abs=1e-7)
            assert new.turns.blocker == old.turns.blocker


def test_a_handle_below_the_seat_cannot_be_decided(box):
    tool = handled(8.0, 80.0, low=-40.0, high=-30.0)
    with pytest.raises(CannotDecide, match="handle lies below"):
        access(M8, tool, walls(box, 60.0))


@pytest.mark.parametrize(
    "values", [(5, 5, 8, 0, 80), (0, 5, 0, 0, 80), (0, 5, 8, 80, 80), (0, math.inf, 8, 0, 80)]
)
def test_a_bar_must_be_possible(values):
    with pytest.raises(InputError, match="arm or handle"):
        Bar(*values)


@pytest.mark.parametrize(
    "changes", [{"arc": 0.0}, {"arc": 361.0}, {"tilt": 90.0}, {"aside": -1.0}, {"pivot": math.nan}]
)
def test_a_tool_must_move_possibly(changes):
    values = {"bars": (Bar(0, 5, 8, 0, 80),), "arc": 60.0} | changes
    with pytest.raises(InputError, match="odd"):
        Tool("odd", "own", "hexagon", 10.0, ((0.0, 20.0, 15.0),), **values)


def test_a_hand_holds_the_head_and_moves_down_by_the_screws_length(box):
    # Fingers of 18 mm beside the 13.27 mm head, a hand 95 mm wide from 55 mm up.
    wall = [solid("wall", box([40, -200, -5], [60, 200, 400]))]
    found = hand_room(M8, wall)
    assert found.room == pytest.approx(40.0 - 95.0 / 2)
    low = [solid("wall", box([40, -200, -5], [60, 200, 50]))]
    assert hand_room(M8, low).room == pytest.approx(40.0 - (13.27 / 2 + 18.0))
    # It comes from 30 mm farther up: a roof must be that much higher.
    top = 4.0 + 55.0 + 110.0 + 30.0
    for height, free in ((top - 0.1, False), (top + 0.1, True)):
        roof = [solid("roof", box([-9, -9, height], [9, 9, height + 5]))]
        assert (hand_room(M8, roof).room > 0.0) == free

"""Room round tools: closed forms on boxes, bores and pillars."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import (
    Fastener,
    Obstacle,
    Seat,
    Tool,
    built_in_tools,
    choose_tools,
    examine_seat,
    reach,
)
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="B3")
KEY = choose_tools(M8.screw, ["hex key 6"])[0]
HEXAGON = Fastener.of("ISO 4014", "M8", [0, 0, 0], [0, 0, 1], length=30)
SOCKET = choose_tools(HEXAGON.screw, ["socket 13, 3/8 drive"])[0]


def pin(drive="hexagon socket", flats=6.0, *rows):
    return Tool("pin", "own", drive, flats, rows or ((0.0, 50.0, 10.0),))


def test_room_to_a_wall(box, flange):
    found = reach(M8, KEY, {"flange": flange(), "wall": box([12, -50, 0], [20, 50, 200])})
    assert found.room == pytest.approx(12 - 6.81 / 2, abs=1e-12)
    assert found.low == found.room == found.high
    assert (found.blocker, found.inside, found.clear) == ("wall", False, False)
    assert found.point[0] == pytest.approx(12.0)
    assert 8.0 <= found.height <= 108.0
    assert found.triangle in range(12)
    assert found.rows == ((8.0, 100.0, 6.81),)


def test_the_worst_row_of_a_stack(box, flange):
    # The ratchet's head (34 mm, from 26 mm up) meets the wall, the socket (18.45 mm) does not.
    wall = box([12, -50, 30], [20, 50, 200])
    found = reach(HEXAGON, SOCKET, {"flange": flange(), "wall": wall})
    assert found.room == pytest.approx(12 - 17, abs=1e-12)
    low = reach(HEXAGON, SOCKET, {"wall": box([12, -50, 0], [20, 50, 20])})
    assert low.room == pytest.approx(12 - 18.45 / 2, abs=1e-12)


def test_nothing_near_is_at_least(box, flange):
    found = reach(M8, KEY, {"flange": flange(), "wall": box([60, -50, 0], [70, 50, 99])})
    assert found.clear
    assert found.room == found.low == found.high == found.within == 25.0
    assert (found.blocker, found.triangle, found.point, found.height) == (None,) * 4


def test_the_tool_must_come_off_by_the_height_of_the_head(box, flange):
    # The key's top stands at 8 + 92 = 100 mm and is lifted by 8 mm.
    for roof, room in ((107.9, -3.405), (108.1, 25.0), (99.0, -3.405)):
        parts = {"flange": flange(), "roof": box([-9, -9, roof], [9, 9, 140])}
        assert reach(M8, KEY, parts).room == pytest.approx(room)
    # A socket is 26 + 32 mm tall and lifted by the 5.3 mm of the hexagon.
    for roof, room in ((63.2, -17.0), (63.4, 25.0)):
        parts = {"roof": box([-9, -9, roof], [9, 9, 140])}
        assert reach(HEXAGON, SOCKET, parts).room == pytest.approx(room)


def test_each_row_sweeps_only_upwards(box):
    # A collar beside the shaft, under the wide row: passed by the shaft, never by the wide row.
    tool = pin("hexagon socket", 6.0, (0.0, 30.0, 6.0), (30.0, 50.0, 30.0))
    collar = box([5, -5, 20], [9, 5, 37.9])
    assert reach(M8, tool, {"collar": collar}).room == pytest.approx(2.0)
    assert reach(M8, tool, {"collar": box([5, -5, 20], [9, 5, 38.1])}).room == pytest.approx(-10.0)


def test_the_seat_is_left_out_and_what_stands_on_it_is_not(box, flange):
    # An M8 socket (18.45 mm) comes down to the seat, which reaches 30 mm out.
    seat = examine_seat(HEXAGON, Obstacle.of("flange", flange()))
    assert reach(HEXAGON, SOCKET, flange(), seat=seat).clear
    bump = box([8, -2, 0], [10, 2, 0.35])
    found = reach(HEXAGON, SOCKET, {"flange": flange(), "bump": bump}, seat=seat)
    assert (found.blocker, found.room) == ("bump", pytest.approx(8 - 18.45 / 2))
    bump = box([8, -2, 0], [10, 2, 0.25])
    assert reach(HEXAGON, SOCKET, {"flange": flange(), "bump": bump}, seat=seat).clear
    assert not reach(HEXAGON, SOCKET, flange(), lift=0.0).clear


def test_the_seat_is_where_the_metal_is(flange):
    # The stated point lies 0.4 mm under the face: measured from there the face would block.
    sunk = Fastener.of("ISO 4014", "M8", [0, 0, -0.4], [0, 0, 1], length=30)
    seat = examine_seat(sunk, Obstacle.of("flange", flange()))
    assert not reach(sunk, SOCKET, flange()).clear
    found = reach(sunk, SOCKET, flange(), seat=seat)
    assert found.clear
    assert found.rows[0] == pytest.approx((0.4, 26.4, 18.45))


def test_a_declared_sagitta_does_not_make_the_seat_a_blocker(flange):
    mesh = flange()
    part = Obstacle(
        "flange", TriangleTree(mesh.triangles), Sagitta.declared(0.4, len(mesh.faces)), True
    )
    seat = examine_seat(HEXAGON, part)
    found = reach(HEXAGON, SOCKET, part, seat=seat)
    assert found.low == found.room == 25.0


def test_a_flange_and_a_washer_lift_the_socket(box):
    curb = box([8, -3, 0], [12, 3, 1.1])
    tool = SOCKET
    for head, washer, blocked in (
        ("ISO 4014", 0.0, True),
        ("ISO 4014", 1.6, False),
        ("EN 1665", 0.0, False),  # 1.2 mm flange edge
    ):
        bolt = Fastener.of(head, "M8", [0, 0, 0], [0, 0, 1], length=30, washer=washer)
        assert reach(bolt, tool, {"curb": curb}).clear != blocked


def test_a_tool_swallowed_by_a_solid(box, opened):
    block = box([-80, -80, -20], [80, 80, 300])
    found = reach(M8, KEY, {"block": block})
    assert found.inside
    assert (found.blocker, found.triangle) == ("block", None)
    assert found.room == found.low == found.high == pytest.approx(-6.81 / 2)
    # A block with a cavity that holds the tool does not.
    cavity = box([-70, -70, 1], [70, 70, 290])
    cavity.invert()
    shell = trimesh.util.concatenate([block, cavity])
    assert reach(M8, KEY, {"block": shell}, within=30).clear
    # An open surface has no inside.
    assert reach(M8, KEY, {"block": opened(block)}, within=30).clear


@pytest.mark.parametrize("n", [12, 16, 24, 64])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.5])
def test_a_bore_of_n_facets_holds_the_truth_in_its_interval(n, phase):
    # A round hole's facets stand inside the circle: the truth is farther than the mesh says.
    bore = trimesh.creation.annulus(r_min=6.0, r_max=20.0, height=160.0, sections=n)
    spin = trimesh.transformations.rotation_matrix(phase * 2 * math.pi / n, [0, 0, 1])
    bore.apply_transform(spin)
    bore.apply_translation([0, 0, 80.0])
    found = reach(M8, KEY, {"bore": bore})
    assert found.room == pytest.approx(6.0 * math.cos(math.pi / n) - 6.81 / 2, abs=1e-9)
    truth = 6.0 - 6.81 / 2
    assert found.low <= truth <= found.high + 1e-9
    assert found.low == pytest.approx(found.room, abs=1e-6)


@pytest.mark.parametrize("n", [12, 16, 24, 64])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.5])
def test_a_pillar_of_n_facets_holds_the_truth_in_its_interval(n, phase):
    # A pillar's facets stand inside its circle: the truth is nearer than the mesh says.
    pillar = trimesh.creation.cylinder(10.0, 200.0, sections=n)
    spin = trimesh.transformations.rotation_matrix((phase + 0.5) * 2 * math.pi / n, [0, 0, 1])
    pillar.apply_transform(spin)
    pillar.apply_translation([15.0, 0, 100.0])
    found = reach(M8, KEY, {"pillar": pillar})
    truth = 5.0 - 6.81 / 2
    assert found.room >= truth - 1e-9
    assert found.low <= truth + 1e-9
    assert found.high >= found.room
    if found.low < found.room:
        assert found.doubt == "pillar"


def test_truth_of_a_far_coarse_part_may_be_nearer_than_a_near_fine_one(box):
    # The wall is read nearer, but the coarse part's true surface may stand nearer still.
    wall = Obstacle.of("wall", box([12, -50, 0], [20, 50, 200]))
    other = box([-24, -50, 0], [-12.2, 50, 200])
    rough = Obstacle("rough", TriangleTree(other.triangles), Sagitta.declared(0.5, 12), True)
    found = reach(M8, KEY, [wall, rough])
    assert found.blocker == "wall"
    assert found.doubt == "rough"
    assert found.low == pytest.approx(found.room - 0.3)


def test_motion_of_everything_changes_nothing(box, flange):
    rng = np.random.default_rng(9)
    parts = {
        "flange": flange(),
        "wall": box([13, -50, 5], [20, 50, 60]),
        "bar": box([-60, 6, 70], [60, 9, 75]),
    }
    before = [reach(M8, tool, parts) for tool in built_in_tools(M8.screw)]
    for _ in range(5):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        turn[:3, 3] = rng.uniform(-400, 400, 3)
        moved = {name: mesh.copy().apply_transform(turn) for name, mesh in parts.items()}
        bolt = Fastener.of("ISO 4762", "M8", turn[:3, 3], turn[:3, 2], length=30)
        for tool, old in zip(built_in_tools(M8.screw), before, strict=True):
            new = reach(bolt, tool, moved)
            assert new.room == pytest.approx(old.room, abs=1e-9)
            assert new.blocker == old.blocker


def test_thin_rods_block_wherever_they_run():
    rng = np.random.default_rng(12)
    for _ in range(100):
        rod = trimesh.creation.cylinder(0.5, 300.0, sections=8)
        angle = rng.uniform(0, 2 * math.pi)
        way = np.array([math.cos(angle), math.sin(angle), 0])
        rod.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], way))
        aside = np.array([-way[1], way[0], 0]) * rng.uniform(-3.0, 3.0)
        rod.apply_translation(aside + np.array([0, 0, rng.uniform(9, 99)]))
        assert reach(M8, KEY, {"rod": rod}).room < 0.0


def test_shapes_may_be_given_in_several_ways(box):
    wall = box([12, -50, 0], [20, 50, 200])
    rooms = {
        reach(M8, KEY, shape).room
        for shape in (wall, np.array(wall.triangles), [wall], {"w": wall}, Obstacle.of("w", wall))
    }
    assert len(rooms) == 1
    assert reach(M8, KEY, []).clear
    with pytest.raises(InputError, match="no mesh"):
        reach(M8, KEY, 7)


def test_what_makes_no_sense_is_refused(box):
    wall = box([12, -50, 0], [20, 50, 200])
    with pytest.raises(InputError, match=r'"socket 13, 3/8 drive" does not drive M8 ISO 4762'):
        reach(M8, SOCKET, wall)
    with pytest.raises(InputError, match="finite"):
        reach(M8, KEY, wall, lift=-1.0)
    with pytest.raises(InputError, match="finite"):
        reach(M8, KEY, wall, within=math.inf)
    coarse = Seat("seated", 1.0, sagitta=200.0)
    with pytest.raises(CannotDecide, match="where looking begins"):
        reach(M8, KEY, wall, seat=coarse)

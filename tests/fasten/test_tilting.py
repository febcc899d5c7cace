"""Tilted stacks: closed forms of rails and plates, brute force over the cone, proofs."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.fasten import Obstacle
from geomcheck.fasten.rooms import leaning, rooms, upright
from geomcheck.fasten.tilting import best_tilt, room_by_direction
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

ROWS = [(5.0, 100.0, 3.0)]
UP = ([0, 0, 0], [0, 0, 1])


def least_tilt(x, z, radius):
    """Tilt at which an axis through the origin passes the edge (x, any, z) at ``radius``."""
    return math.degrees(math.atan2(x, z) + math.asin(radius / math.hypot(x, z)))


@pytest.fixture
def rail(box):
    """Over the axis, its free edge at x = 3, 30 mm up."""
    return box([-200, -200, 30], [3, 200, 34])


def test_the_least_tilt_past_a_rail(rail):
    least = least_tilt(3, 30, 3.5)
    for aim in ("any", "room", "least"):
        found = best_tilt(*UP, ROWS, {"rail": rail}, limit_deg=30, need=0.5, aim=aim)
        assert found.decided == "reaches"
        assert found.low >= 0.5
        assert least - 1e-9 <= found.angle_deg <= 30.0 + 1e-9
        assert found.direction[0] > 0.0
        assert found.blocker == "rail"
        if aim == "least":
            assert found.angle_deg <= least + 0.1
        if aim == "room":
            # At the limit, straight away from the edge.
            tilt = math.radians(30) - math.atan2(3, 30)
            most = math.hypot(3, 30) * math.sin(tilt) - 3.0
            assert most - 0.01 <= found.room <= most + 1e-9
            assert most - 1e-9 <= found.most <= most + 0.011


@pytest.mark.parametrize(("off", "decided"), [(-0.01, "none"), (0.01, "reaches")])
def test_a_hundredth_of_a_degree_decides(rail, off, decided):
    limit = least_tilt(3, 30, 3.5) + off
    found = best_tilt(*UP, ROWS, rail, limit_deg=limit, need=0.5)
    assert found.decided == decided
    if decided == "none":
        assert found.room < 0.5
        assert found.room <= found.most < 0.5
    assert best_tilt(*UP, ROWS, rail, limit_deg=limit, need=0.5, work=5).decided in (
        decided,
        "open",
    )


def test_work_that_runs_out_leaves_it_open(rail):
    found = best_tilt(*UP, ROWS, rail, limit_deg=least_tilt(3, 30, 3.5) - 0.01, need=0.5, work=5)
    assert found.decided == "open"
    assert found.most >= 0.5


def test_stated_values_for_one_direction(box):
    # 15 cos 0.3 - 10 sin 0.3 from the edge (15, any, 10), from its own height up.
    tilt = 0.3
    base = upright([0, 0, 0], [0, 0, 1])
    wall = Obstacle.of("wall", box([15, -50, -50], [25, 50, 10]))
    # The plane's axes are the frame's: towards +x.
    plane = tilt * np.array([[base[1, 0], base[2, 0]]])
    frames = leaning(base, plane)
    assert frames[0, 3] == pytest.approx([math.sin(tilt), 0, math.cos(tilt)])
    z = 15 * math.sin(tilt) + 10 * math.cos(tilt)
    rows = np.array([[z - 1e-9, 80, 0.0]])
    found = rooms([wall.as_read], frames, [rows], 100.0)
    assert found.value[0] == pytest.approx(11.374845, abs=1e-6)
    # A floor under an axis tilted by 20 degrees, from 10 mm up.
    floor = Obstacle.of("floor", box([-500, -500, -5], [500, 500, 0]))
    plane = math.radians(20) * np.array([[base[1, 0], base[2, 0]]])
    found = rooms([floor.as_read], leaning(base, plane), [np.array([[10, 200, 0.0]])], 100.0)
    assert found.value[0] == pytest.approx(27.474774, abs=1e-6)


def test_a_plate_too_wide_for_the_cone_is_proved(box):
    plate = box([-20, -20, 30], [20, 20, 40])
    found = best_tilt(*UP, ROWS, plate, limit_deg=30, need=0.0)
    assert found.decided == "none"
    # Past the middle of a side it takes atan(20 / 30) and a little more.
    assert best_tilt(*UP, ROWS, plate, limit_deg=45).decided == "reaches"


def soup(rng, n, spread, size):
    way = rng.normal(size=(n, 3)) * [1, 1, 0.4] + [0, 0, 1]
    way /= np.linalg.norm(way, axis=1)[:, None]
    return (way * rng.uniform(15, spread, (n, 1)))[:, None, :] + rng.normal(0, size, (n, 3, 3))


def test_the_cone_by_brute_force():
    rng = np.random.default_rng(6)
    stack = [(3.0, 20.0, 4.0), (20.0, 40.0, 2.0), (40.0, 60.0, 5.0)]
    seen = set()
    for _ in range(25):
        part = Obstacle.of("soup", soup(rng, int(rng.integers(20, 400)), 70, 4.0))
        axis = rng.normal(size=3) + np.array([0, 0, 6])
        found = best_tilt([0, 0, 0], axis, stack, part, limit_deg=25, need=0.3)
        grid = room_by_direction([0, 0, 0], axis, stack, part, limit_deg=25, rings=30)
        assert grid.room.max() <= found.most + 1e-9
        if grid.room.max() >= 0.3:
            assert found.decided == "reaches"
        if found.decided == "reaches":
            w = np.asarray(axis) / np.linalg.norm(axis)
            angle = math.degrees(math.acos(min(float(np.dot(w, found.direction)), 1.0)))
            assert angle <= 25 + 1e-6
            frame = upright([0, 0, 0], found.direction)[None]
            again = rooms([part.as_read], frame, [np.array(stack)], 25.0).value[0]
            assert again == pytest.approx(found.room, abs=1e-9)
            assert again >= 0.3
        else:
            assert found.decided == "none"
        best = best_tilt([0, 0, 0], axis, stack, part, limit_deg=25, need=0.3, aim="room")
        if best.decided == "reaches":
            assert best.room >= grid.room.max() - 0.01 - 1e-9
        seen.add(found.decided)
    assert seen == {"reaches", "none"}


def test_motion_and_mirror_image_change_nothing():
    rng = np.random.default_rng(8)
    triangles = soup(rng, 30, 70, 4.0)
    first = best_tilt(*UP, ROWS, triangles, limit_deg=25, need=0.2, aim="room")
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = rng.uniform(-200, 200, 3)
    moved = best_tilt(
        shift,
        turn @ [0, 0, 1],
        ROWS,
        triangles @ turn.T + shift,
        limit_deg=25,
        need=0.2,
        aim="room",
    )
    mirror = best_tilt(*UP, ROWS, triangles * [1, -1, 1], limit_deg=25, need=0.2, aim="room")
    order = best_tilt(*UP, ROWS, triangles[rng.permutation(30)], limit_deg=25, need=0.2, aim="room")
    for other in (moved, mirror, order):
        assert other.decided == first.decided
        assert other.room == pytest.approx(first.room, abs=0.02)


def test_the_sagitta_leaves_a_close_case_open(rail):
    tree = TriangleTree(np.array(rail.triangles))
    for sagitta, limit, decided in (
        (0.2, 12.4, "open"),
        (0.01, 12.5, "reaches"),
        (0.2, 11, "none"),
    ):
        part = Obstacle("rail", tree, Sagitta.declared(sagitta, len(rail.faces)), True)
        found = best_tilt(*UP, ROWS, part, limit_deg=limit, need=0.5)
        assert found.decided == decided
        assert found.low <= found.room <= found.high
        assert found.room - found.low == pytest.approx(sagitta, abs=0.5)


def test_a_stack_inside_a_solid_is_no_witness(box, opened):
    block = box([-300, -300, -50], [300, 300, 300])
    found = best_tilt(*UP, ROWS, {"block": block}, limit_deg=20, work=200)
    assert found.decided != "reaches"
    assert (found.inside, found.blocker, found.room) == (True, "block", -3.0)
    assert best_tilt(*UP, ROWS, opened(block), limit_deg=20).decided == "reaches"


def test_nothing_near_is_within(box):
    found = best_tilt(*UP, ROWS, box([90, 90, 0], [99, 99, 9]), limit_deg=15, need=1.0)
    assert (found.decided, found.angle_deg, found.cells) == ("reaches", 0.0, 1)
    assert (found.room, found.blocker, found.point) == (25.0, None, None)


def test_room_by_direction_is_the_largest_radius_that_fits(box):
    wall = box([15, -900, -900], [25, 900, 900])
    found = room_by_direction(*UP, [(0.0, 20.0, 0.0)], {"wall": wall}, limit_deg=30, rings=4)
    assert len(found.room) == 1 + 6 * (1 + 2 + 3 + 4)
    assert found.names == ("wall",)
    assert found.room[0] == 15.0
    # Tilted to the wall by t the axis' end, flat, is nearest: where the wall meets its plane.
    for way, room in zip(found.direction, found.room, strict=True):
        across = math.hypot(way[1], way[2])
        expected = min(max((15 - 20 * way[0]) / across, 0.0), (15 / across)) if across else 0.0
        assert room == pytest.approx(min(expected, 25.0), abs=1e-9)


def test_figures_out_of_range_are_refused(rail):
    for rows in ([], [(5, 5, 3)], [(-1, 5, 3)], [(0, 5, -3)], [(0, math.nan, 3)]):
        with pytest.raises(InputError):
            best_tilt(*UP, rows, rail, limit_deg=20)
    for given in ({"limit_deg": 91}, {"limit_deg": 20, "need": 30}, {"limit_deg": 20, "work": 0}):
        with pytest.raises(InputError):
            best_tilt(*UP, ROWS, rail, **given)
    with pytest.raises(InputError):
        best_tilt([0, 0, 0], [0, 0, 0], ROWS, rail, limit_deg=20)

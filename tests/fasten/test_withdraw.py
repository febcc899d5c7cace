"""Free travel along a fastener's axis: closed forms on roofs, walls and pillars."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.fasten import Fastener, Obstacle, examine_seat, withdraw
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="B3")  # head 13.27 x 8


def test_travel_to_a_roof(box, flange):
    found = withdraw(M8, {"flange": flange(), "roof": box([-50, -50, 25], [50, 50, 30])})
    assert found.travel == found.low == found.high == 25.0 - 8.0
    assert (found.needed, found.blocker, found.clear) == (30, "roof", False)
    assert found.point[2] == 25.0
    assert math.hypot(*found.point[:2]) <= 13.27 / 2 + 1e-9


def test_a_clear_way_is_as_long_as_the_parts_reach(box, flange):
    wall = box([7, -50, 0], [20, 50, 200])
    found = withdraw(M8, {"flange": flange(), "wall": wall})
    assert found.clear
    assert found.travel == found.low == found.high == 200.0 - 8.0
    # A low assembly: what was looked at is the length that is needed, margin included.
    alone = withdraw(M8, {"flange": flange()}, margin=4.0)
    assert alone.clear
    assert alone.travel == alone.low == alone.needed == 34.0


def test_the_head_itself_needs_room(box, flange):
    wall = box([6.6, -50, 0], [20, 50, 200])
    found = withdraw(M8, {"flange": flange(), "wall": wall})
    assert found.blocker == "wall"
    assert found.travel == pytest.approx(0.3 - 8.0)


def test_a_washer_raises_the_head(box):
    roof = {"roof": box([-50, -50, 25], [50, 50, 30])}
    bolt = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, washer=1.6)
    assert withdraw(bolt, roof).travel == pytest.approx(25 - 8 - 1.6)


def test_a_sloping_roof_is_met_at_the_heads_edge():
    x = np.array([[-99, -99], [99, -99], [99, 99], [-99, 99]], dtype=float)
    corners = np.column_stack([x, 60 + 0.4 * x[:, 0]])
    roof = np.array([corners[[0, 1, 2]], corners[[0, 2, 3]]])
    found = withdraw(M8, roof)
    assert found.travel == pytest.approx(60 - 0.4 * 13.27 / 2 - 8, abs=1e-9)


def test_a_head_that_starts_inside_a_solid(box):
    found = withdraw(M8, {"block": box([-80, -80, -20], [80, 80, 300])})
    assert (found.blocker, found.inside, found.triangle) == ("block", True, None)
    assert found.travel < 0.0


@pytest.mark.parametrize("n", [12, 24, 64])
def test_a_pipe_across_the_way_holds_the_truth_in_its_interval(n):
    # The pipe's true underside is at 60 - 10 = 50; its facets may stand above that.
    for phase in (0.0, 0.25, 0.5):
        pipe = trimesh.creation.cylinder(10.0, 300.0, sections=n)
        spin = trimesh.transformations.rotation_matrix(phase * 2 * math.pi / n, [0, 0, 1])
        pipe.apply_transform(spin)
        pipe.apply_transform(trimesh.geometry.align_vectors([0, 0, 1], [1, 0, 0]))
        pipe.apply_translation([0, 0, 60.0])
        found = withdraw(M8, {"pipe": pipe})
        truth = 50.0 - 8.0
        assert found.travel >= truth - 1e-9
        assert found.low <= truth + 1e-9
        assert found.high >= found.travel


def test_a_coarse_wall_may_touch_the_head(box):
    # Read 0.115 mm beside the head; the truth may stand 0.2 mm nearer, over the whole way.
    wall = box([6.75, -50, 0], [20, 50, 60])
    rough = Obstacle("wall", TriangleTree(wall.triangles), Sagitta.declared(0.2, 12), True)
    found = withdraw(M8, [rough])
    assert found.clear
    assert found.doubt == "wall"
    assert found.low < 0.0 < found.travel


def test_the_seats_own_sagitta_is_left_out(flange):
    mesh = flange()
    part = Obstacle(
        "flange", TriangleTree(mesh.triangles), Sagitta.declared(0.4, len(mesh.faces)), True
    )
    found = withdraw(M8, part, seat=examine_seat(M8, part))
    assert found.clear
    assert found.low == found.travel


def test_motion_of_everything_changes_nothing(box, flange):
    rng = np.random.default_rng(3)
    parts = {"flange": flange(), "bar": box([-60, 3, 31], [60, 9, 75])}
    before = withdraw(M8, parts)
    assert before.travel == pytest.approx(23.0)
    for _ in range(8):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        turn[:3, 3] = rng.uniform(-400, 400, 3)
        moved = {name: mesh.copy().apply_transform(turn) for name, mesh in parts.items()}
        bolt = Fastener.of("ISO 4762", "M8", turn[:3, 3], turn[:3, 2], length=30)
        after = withdraw(bolt, moved)
        assert after.travel == pytest.approx(before.travel, abs=1e-9)
        assert after.blocker == "bar"


def test_lengths_are_checked(box):
    with pytest.raises(InputError, match="finite"):
        withdraw(M8, box([0, 0, 0], [1, 1, 1]), lift=-1.0)
    with pytest.raises(InputError, match="finite"):
        withdraw(M8, box([0, 0, 0], [1, 1, 1]), margin=math.nan)

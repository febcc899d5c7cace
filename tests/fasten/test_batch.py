"""Many tools in many directions give what is asked one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geomcheck.errors import InputError
from geomcheck.fasten import Obstacle
from geomcheck.fasten.batch import Pose, try_poses
from geomcheck.fasten.capsules import capsule_room
from geomcheck.fasten.rooms import leaning, rooms, upright
from geomcheck.fasten.turning import Bar, free_arc
from geomcheck.mesh import threads
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

TOOLS = [
    Pose(np.array([[1.0, 30.0, 2.0]]), [Bar(24, 30, 2, 2, 45)]),
    Pose(np.array([[1.0, 12.0, 4.0], [12.0, 40.0, 6.0]]), [Bar(30, 36, 3, 6, 40)]),
    Pose(np.array([[1.0, 20.0, 1.0]])),
]


@pytest.fixture(scope="module")
def scene():
    rng = np.random.default_rng(2)
    place = rng.normal(size=(110, 3))
    place *= (rng.uniform(12, 60, 110) / np.linalg.norm(place, axis=1))[:, None]
    triangles = place[:, None, :] + rng.normal(0, 1.2, (110, 3, 3))
    part = Obstacle("soup", TriangleTree(triangles), Sagitta.declared(0.3, 110), False)
    base = upright([0, 0, 0], [0.2, 0.3, 1.0])
    k = np.arange(300)
    plane = 0.004 * k[:, None] * np.column_stack([np.cos(0.3 * k), np.sin(0.3 * k)])
    return part, leaning(base, plane)


@pytest.mark.parametrize("which", ["as_read", "nearest_truth", "farthest_truth"])
def test_one_by_one(scene, which):
    part, frames = scene
    found = try_poses(frames, TOOLS, part, need=0.2, need_deg=110.0, which=which, block=64)
    tree = getattr(part, which)
    for k, tool in enumerate(TOOLS):
        single = rooms([tree], frames, [tool.rows] * len(frames), 25.0).value
        assert np.array_equal(found.stands[:, k], single >= 0.2)
        assert 5 < found.stands[:, k].sum() < 300
        if not tool.bars:
            assert np.array_equal(found.turns[:, k], found.stands[:, k])
            assert np.isnan(found.middle_deg[:, k]).all()
    assert 0 < found.turns[:, :2].sum() < found.stands[:, :2].sum()
    if which != "as_read":
        return
    for q, k in np.argwhere(found.stands[:, :2]):
        arcs = free_arc(frames[q], TOOLS[k].bars, part, need_deg=110.0).free
        assert found.turns[q, k] == bool(arcs)
        if arcs:
            middle = found.middle_deg[q, k]
            inside = [low <= middle + t <= high for low, high in arcs for t in (0.0, 360.0)]
            assert any(inside)
        else:
            assert math.isnan(found.middle_deg[q, k])


def test_the_threads_change_nothing(scene, monkeypatch):
    part, frames = scene
    two = try_poses(frames, TOOLS, part, block=50)
    monkeypatch.setattr(threads, "THREADS", 1)
    one = try_poses(frames, TOOLS, part, block=50)
    assert np.array_equal(one.stands, two.stands)
    assert np.array_equal(one.turns, two.turns)
    assert np.array_equal(one.middle_deg, two.middle_deg, equal_nan=True)
    other = try_poses(frames[::-1], TOOLS, part, block=7)
    assert np.array_equal(other.stands[::-1], two.stands)
    assert np.array_equal(other.turns[::-1], two.turns)


def test_wrong_figures_are_refused(scene):
    part, frames = scene
    for given in ({"need": -1.0}, {"need_deg": 0.0}, {"need_deg": 361.0}, {"block": 0}):
        with pytest.raises(InputError):
            try_poses(frames, TOOLS, part, **given)
    with pytest.raises(InputError):
        try_poses(frames[0], TOOLS, part)
    with pytest.raises(InputError):
        try_poses(frames, [], part)


def test_room_round_a_capsule(box):
    block = Obstacle.of("block", box([15, -50, 0], [25, 50, 10]))
    found = capsule_room([0, 0, 14], [0, 0, 90], 2.0, block)
    assert found.room == pytest.approx(15.524175 - 2.0, abs=1e-6)
    assert found.low <= found.room <= found.high
    assert found.blocker == "block"
    inside = capsule_room([20, 0, 5], [20, 1, 5], 2.0, block)
    assert (inside.room, inside.blocker, inside.triangle) == (-2.0, "block", None)
    far = capsule_room([90, 0, 5], [90, 1, 5], 2.0, block)
    assert (far.room, far.blocker, far.point) == (25.0, None, None)
    with pytest.raises(InputError):
        capsule_room([0, 0, math.inf], [0, 0, 1], 2.0, block)

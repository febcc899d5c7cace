"""What became of a service point: the logic of before and after, and clear ways by closed forms."""

from __future__ import annotations

import itertools

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import Fastener, Obstacle, Tool
from geomcheck.fasten.room import Room
from geomcheck.fasten.service import Served, decisive, state_of, tools_served, way_served

POINT = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="drain")


def room(value):
    return Room(value, value, value, 25.0, "x", 0, (0.0, 0.0, 0.0), False, "")


def one(was, now, after=0.0):
    return Served(f"{was} {now}", room(after + 1.0), room(after), was, now)


# --- the logic, over all combinations ---------------------------------------------------------

PAIRS = [
    ("yes", "yes"),
    ("yes", "undecided"),
    ("yes", "no"),
    ("undecided", "undecided"),
    ("undecided", "no"),
    ("no", "no"),
]


def truths(was, now):
    """What (before, after) may truly be: an undecided answer may be either, more never helps."""
    either = {"yes": [True], "no": [False], "undecided": [True, False]}
    return [(a, b) for a in either[was] for b in either[now] if a or not b]


@pytest.mark.parametrize("served", list(itertools.product(PAIRS, repeat=2)))
def test_the_state_holds_in_every_truth(served):
    """A decided state must hold whatever the undecided answers truly are."""
    state = state_of([one(*pair) for pair in served])
    outcomes = set()
    for case in itertools.product(*(truths(*pair) for pair in served)):
        before, after = (any(side) for side in zip(*case, strict=True))
        outcomes.add("kept" if after else "lost" if before else "never")
    if state == "undecided":
        assert len(outcomes) > 1
    else:
        assert outcomes == {state}


def test_the_decisive_one_has_the_most_room_now():
    served = [one("yes", "no", -5.0), one("yes", "no", -2.0), one("no", "no", -1.0)]
    assert state_of(served) == "lost"
    assert decisive(served) is served[1]
    assert served[1].taken == 1.0


# --- clear ways -------------------------------------------------------------------------------


def wall(x):
    return Obstacle.of("housing", trimesh.creation.box(bounds=[[x, -50, 20], [x + 30, 50, 190]]))


def test_a_way_before_and_after():
    rail = Obstacle.of("rail", trimesh.creation.box(bounds=[[-40, -50, 5], [-14, 50, 90]]))
    found = way_served(POINT, 20.0, 100.0, [rail], [rail, wall(7.5)])
    assert (found.before.room, found.after.room) == (4.0, -2.5)
    assert (found.was, found.now, found.state, found.taken) == ("yes", "no", "lost", 6.5)
    # What stands over the way's end takes nothing.
    roof = Obstacle.of("roof", trimesh.creation.box(bounds=[[-9, -9, 101], [9, 9, 110]]))
    assert way_served(POINT, 20.0, 100.0, [rail], [rail, roof]).state == "kept"


def test_the_rooms_of_tools():
    spanner = Tool("spanner", "own", "hexagon socket", 6.0, ((0.0, 150.0, 20.0),), "as declared")
    (found,) = tools_served(POINT, [spanner], [], [wall(12.0)])
    assert (found.was, found.now) == ("yes", "yes")
    assert found.after.stands.room == 2.0
    (lost,) = tools_served(POINT, [spanner], [], [wall(12.0)], room=2.5)
    assert (lost.state, lost.taken) == ("lost", 23.0)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(seed=st.integers(0, 9999))
def test_more_parts_never_make_room_and_fcl_agrees(seed):
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    point = Fastener.of("ISO 4762", "M8", rng.uniform(-5, 5, 3), axis, length=30)
    sets = [rng.uniform(-60, 60, (6, 1, 3)) + rng.normal(0, 9, (6, 3, 3)) for _ in range(2)]
    parts = [Obstacle.of(f"part {n}", triangles) for n, triangles in enumerate(sets)]
    found = way_served(point, 24.0, 60.0, parts[:1], parts, start=0.0)
    assert found.before.room >= found.after.room
    assert found.before.low >= found.after.low
    frame = point.frame()
    solid = fcl.CollisionObject(
        fcl.Cylinder(12.0, 60.0), fcl.Transform(frame[1:].T.copy(), frame[0] + 30.0 * frame[3])
    )
    for given_sets, result in ((sets[:1], found.before), (sets, found.after)):
        if abs(result.room) > 1e-6:
            hit = any(_collides(solid, triangles) for triangles in given_sets)
            assert hit == (result.room < 0.0)


def _collides(solid, triangles):
    mesh = fcl.BVHModel()
    mesh.beginModel(3 * len(triangles), len(triangles))
    mesh.addSubModel(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
    mesh.endModel()
    return fcl.collide(solid, fcl.CollisionObject(mesh)) > 0


def test_sizes_are_checked():
    with pytest.raises(InputError, match="above 0"):
        way_served(POINT, 0.0, 50.0, [], [])
    with pytest.raises(CannotDecide, match="where looking begins"):
        way_served(POINT, 10.0, 0.2, [], [])

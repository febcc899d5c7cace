"""The fasten-reach check, how tools turn and lean: meshes that pass, fail and cannot be decided."""

from __future__ import annotations

import json
import math

import pytest
import trimesh

from geomcheck.checks.fasten_reach import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def flange():
    """A disc of 60 mm with a 9 mm hole about z, its top face at z = 0."""
    mesh = trimesh.creation.annulus(r_min=4.5, r_max=30.0, height=10.0, sections=48)
    mesh.apply_translation([0, 0, -5])
    return mesh


def bolt(**changes):
    entry = {
        "name": "B3",
        "part": "casting",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "size": "M8",
        "head": "ISO 4762",
        "length": 30.0,
    }
    return entry | changes


def hexagon(**changes):
    return bolt(head="ISO 4014", **changes)


@pytest.fixture
def ask(part, assembly):
    def make(*others, fastener=None, settings=None, **options):
        parts = [part("casting", flange(), role="housing"), *others]
        car = assembly(*parts, fasteners=[fastener or bolt()], **options)
        (found,) = run(car, Settings.model_validate(settings or {}))
        json.dumps(dict(found.details))
        return found

    return make


@pytest.fixture
def walls(part):
    def make(distance, sagitta=None):
        left = box([-distance - 9, -400, 12], [-distance, 400, 300])
        right = box([distance, -400, 12], [distance + 9, 400, 300])
        return [
            part("left wall", left, sagitta=sagitta),
            part("right wall", right, sagitta=sagitta),
        ]

    return make


def free_arc(distance, width, length):
    """Free arc of a handle between two walls, degrees: its far corner touches."""
    half = width / 2
    at = math.acos(distance / math.hypot(length, half)) + math.atan2(half, length)
    return 180.0 - 2.0 * math.degrees(at)


SOCKET = "socket 13, 3/8 drive"


def test_a_ratchet_turns(ask, walls):
    found = ask(*walls(60.0), fastener=hexagon(tools=[SOCKET]))
    assert found.verdict is Verdict.PASS
    free = free_arc(60.0, 25.0, 200.0)
    assert f"and its handle swings {free:.1f} degrees, 13.0 needed" in found.message
    (row,) = found.details["tools"]
    assert row["turn"]["free"] == pytest.approx(free)
    assert row["stopped"] == ""


def test_a_ratchet_stands_and_cannot_turn(ask, walls):
    found = ask(*walls(34.0), fastener=hexagon(tools=[SOCKET]))
    assert found.verdict is Verdict.FAIL
    free = free_arc(34.0, 25.0, 200.0)
    assert found.quantity.name == "free arc"
    assert found.quantity.value == pytest.approx(free)
    assert (found.requirement.limit, found.requirement.unit) == (pytest.approx(13.0), "deg")
    assert "No tool serves" in found.message
    assert f"17.00 mm of room, but its handle swings {free:.1f} degrees, 13.0" in found.message
    assert "left wall at (" in found.message
    assert "right wall at (" in found.message
    assert "Make room for 0." in found.remedy
    assert found.witnesses[0].label == "handle stopped here"
    assert abs(found.witnesses[0].point[0]) == pytest.approx(34.0)
    assert set(found.parts) == {"casting", "left wall", "right wall"}
    assert "turning, stopped by" in found.details["tools"][0]["stopped"]


def test_it_cannot_be_told_whether_a_ratchet_turns(ask, walls):
    found = ask(*walls(35.1, sagitta=0.3), fastener=hexagon(tools=[SOCKET]))
    assert found.verdict is Verdict.UNDECIDED
    assert found.quantity.low < 13.0 < found.quantity.high
    assert found.quantity.terms[0].source in (
        "sagitta of left wall, declared",
        "sagitta of right wall, declared",
    )
    assert "degrees more of swing" in found.remedy


def test_turning_can_be_left_out(ask, walls):
    found = ask(*walls(34.0), fastener=hexagon(tools=[SOCKET]), settings={"turn": False})
    assert found.verdict is Verdict.PASS
    assert "swings" not in found.message
    assert "Turning was not asked" in found.message


@pytest.mark.parametrize(
    ("depth", "verdict"), [(8.5, Verdict.FAIL), (9.2, Verdict.UNDECIDED), (11.0, Verdict.PASS)]
)
def test_an_open_spanner_under_a_roof(ask, part, depth, verdict):
    # It needs 0.4 x 5.3 + 7.2 = 9.32 mm; a socket or a ring spanner needs more.
    roof = part("roof", box([-400, -400, depth], [400, 400, depth + 5]), sagitta=0.3)
    found = ask(roof, fastener=hexagon())
    assert found.verdict is verdict
    if verdict is Verdict.PASS:
        assert "open spanner 13" in found.message
        assert "all round" in found.message


def test_a_ball_end_leans_past_a_rail(ask, part):
    rail = part("rail", box([-60, -300, 30], [0, 300, 40]))
    found = ask(rail)
    assert found.verdict is Verdict.PASS
    assert "ball-end key 6" in found.message
    assert "leaning " in found.message
    drawn = found.details["tool"]
    assert drawn["axis"][0] > 0.0
    assert drawn["at"][2] == pytest.approx(8.0 - (4.0 - 3.405))
    rows = {row["tool"]: row for row in found.details["tools"]}
    assert rows["ball-end key 6"]["lean"]["decided"]
    assert rows["hex key 6"]["verdict"] == "fail"


def test_a_lean_is_proved_to_be_too_little(ask, part):
    # Over the pivot by less than 3.405 / sin 25 degrees = 8.06 mm.
    found = ask(part("rail", box([-60, -300, 15.0], [0, 300, 25])), fastener=bolt())
    assert found.verdict is Verdict.FAIL
    row = next(r for r in found.details["tools"] if r["tool"] == "ball-end key 6")
    assert row["verdict"] == "fail"
    assert row["high"] < 0.0


def test_a_way_off_that_is_not_shown_is_not_decided(ask, part):
    found = ask(
        part("rail", box([-60, -300, 17.0], [0, 300, 25])),
        fastener=bolt(tools=["ball-end key"]),
    )
    assert found.verdict is Verdict.UNDECIDED
    assert "leaning" in found.message
    assert found.remedy


def test_leaning_tools_are_not_asked_where_a_rigid_one_serves(ask):
    found = ask()
    rows = {row["tool"]: row["verdict"] for row in found.details["tools"]}
    assert rows["ball-end key 6"] == "not asked"
    assert rows["hex key 6"] == "pass"


def test_lean_and_turn_may_be_set_for_a_family(ask, part, walls):
    rail = part("rail", box([-60, -300, 23.5], [0, 300, 33]))
    only = bolt(tools=["ball-end key"])
    assert ask(rail, fastener=only).verdict is Verdict.UNDECIDED
    wide = {"lean": {"ball-end key": 35.0}}
    assert ask(rail, fastener=only, settings=wide).verdict is Verdict.PASS
    fine = {"arc": {"socket": 8.0}}
    assert ask(*walls(34.0), fastener=hexagon(tools=[SOCKET]), settings=fine).verdict is (
        Verdict.PASS
    )


def test_a_family_that_is_not_known_is_refused(ask):
    settings = {"lean": {"ball key": 30.0}}
    with pytest.raises(ProjectError, match=r'family of tools "ball key".*Known families: hex key'):
        ask(settings=settings, check={CODE: settings})


def test_a_torque_wrench_may_be_asked_for(ask, part):
    found = ask()
    assert found.details["torque_wrench"].startswith("torque wrench, bit socket 6")
    # A roof over keys and a ratchet (42 + 32 + 8 mm), under the torque wrench (42 + 40 + 8).
    roof = part("roof", box([-400, -400, 95], [400, 400, 99]))
    low = ask(roof)
    assert (low.verdict, low.details["torque_wrench"]) == (Verdict.PASS, None)
    wanted = ask(roof, settings={"torque": True})
    assert wanted.verdict is Verdict.FAIL
    assert "torque wrench, bit socket 6" in wanted.message
    assert ask(settings={"torque": True}).verdict is Verdict.PASS


def test_without_a_torque_wrench_asking_for_one_is_refused(ask):
    slim = {
        "name": "slim bit",
        "drive": "hexagon socket",
        "across_flats": 6.0,
        "profile": [[0.0, 60.0, 6.0]],
    }
    with pytest.raises(ProjectError, match=r"no torque wrench among the tools"):
        ask(tools=[slim], fastener=bolt(tools=["slim bit"]), settings={"torque": True})


@pytest.mark.parametrize(
    ("distance", "sagitta", "verdict"),
    [(60.0, 0.0, "pass"), (40.0, 0.0, "fail"), (47.6, 0.3, "undecided")],
)
def test_a_hand_may_be_asked_for(ask, part, distance, sagitta, verdict):
    # A closed hand is 95 mm wide.
    wall = part("wall", box([distance, -300, -20], [distance + 9, 300, 400]), sagitta=sagitta)
    found = ask(wall)
    assert found.verdict is Verdict.PASS
    assert found.details["hand"]["room"] == pytest.approx(min(distance - 47.5, 25.0))
    asked = ask(wall, settings={"hand": True})
    assert asked.verdict == verdict
    if verdict != "pass":
        assert "hand" in asked.message
        assert asked.witnesses[0].label == "hand stopped here"
        assert asked.quantity.name == "room for a hand"


def test_a_tool_of_ones_own_has_a_handle_and_a_unit(ask, walls):
    own = {
        "name": "stubby",
        "kind": "ratchet",
        "unit": "in",
        "drive": "hexagon",
        "across_flats": 13.0 / 25.4,
        "profile": [[0.0, 1.0, 0.75], [1.0, 2.0, 1.2]],
        "handle": [[1.2, 1.8, 0.8, 0.0, 2.0]],
        "arc": 13.0,
    }
    found = ask(*walls(34.0), fastener=hexagon(tools=["ratchet"]), tools=[own])
    assert found.verdict is Verdict.PASS
    free = free_arc(34.0, 0.8 * 25.4, 2.0 * 25.4)
    assert f"its handle swings {free:.1f} degrees, 13.0 needed" in found.message
    assert found.details["tool"]["bars"] == [
        pytest.approx([1.2 * 25.4, 1.8 * 25.4, 0.8 * 25.4, 0.0, 50.8])
    ]


def test_a_checked_handle_goes_before_one_that_is_not_declared(ask, part):
    # The slim bit has more room, but nothing is known of how it turns.
    slim = {
        "name": "slim bit",
        "drive": "hexagon socket",
        "across_flats": 6.0,
        "profile": [[0.0, 60.0, 6.0]],
    }
    found = ask(part("wall", box([12, -50, 0], [20, 50, 200])), tools=[slim])
    assert "hex key 6" in found.message
    assert found.details["tools"][0]["tool"] == "slim bit"


def test_a_tool_that_only_cannot_turn_is_the_nearest(ask, walls):
    # The fat one has 1.5 mm of room, not the 2 mm wanted; the socket stands with 2.5 mm.
    fat = {
        "name": "fat",
        "drive": "hexagon",
        "across_flats": 13.0,
        "profile": [[0.0, 60.0, 36.0]],
    }
    found = ask(*walls(19.5), fastener=hexagon(tools=["fat", SOCKET], room=2.0), tools=[fat])
    assert found.verdict is Verdict.FAIL
    assert f"The nearest to it is {SOCKET}: it stands with 2.50 mm of room" in found.message
    assert found.quantity.unit == "deg"

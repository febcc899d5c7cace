"""Built-in tools as they move: bars, turns, leans, families."""

from __future__ import annotations

import math

import pytest

from geomcheck import standards
from geomcheck.fasten import Bar, Tool, built_in_tools
from geomcheck.fasten.lean_each import _covered, _holds
from geomcheck.fasten.toolbox import FAMILIES, size_name
from geomcheck.standards import screw

SOCKET_HEAD = {tool.name: tool for tool in built_in_tools(screw("ISO 4762", "M8"))}
HEXAGON = {tool.name: tool for tool in built_in_tools(screw("ISO 4014", "M8"))}


def test_names_of_sizes():
    assert [size_name(x) for x in (13.0, 5.5, 11.1125, 3.57187, 12.7)] == [
        "13",
        "5.5",
        "7/16",
        "9/64",
        "12.7",
    ]


def test_the_short_arm_in_the_head_swings_the_long_one():
    # 6 mm key: arms 96 and 38 mm outside, 4 mm in the head; the arm ends at the bend's top.
    tool = SOCKET_HEAD["hex key 6, short arm in the head"]
    assert tool.profile == ((0.0, 34.0, 6.81),)
    assert tool.bars == (Bar(34.0 - 6.81, 34.0, 6.81, 0.0, 96.0),)


def test_a_ratchets_handle_lies_in_the_middle_of_its_head():
    tool = HEXAGON["socket 13, 3/8 drive"]
    assert tool.bars == (Bar(29.5, 54.5, 25.0, 0.0, 200.0),)
    assert tool.arc == pytest.approx(13.0)
    wrench = HEXAGON["torque wrench, socket 13, 3/8 drive"]
    assert wrench.bars[0].outer == 390.0
    assert wrench.family == "torque wrench"
    deep = HEXAGON["deep socket 13, 3/8 drive"]
    assert deep.profile[0] == (0.0, 64.0, 18.45)


def test_a_joint_leans_in_its_middle():
    tool = HEXAGON["socket 13, 3/8 drive, universal joint, extension 125"]
    assert tool.base == ((0.0, 26.0, 18.45), (26.0, 53.0, 20.0))
    assert (tool.pivot, tool.tilt) == (53.0, 30.0)
    assert tool.profile[0] == (53.0, 78.0, 20.0)
    assert tool.profile[-1] == (203.0, 235.0, 34.0)
    assert tool.length == 235.0


def test_spanners_grip_and_rise():
    tool = HEXAGON["open spanner 13"]
    assert tool.profile == (pytest.approx((2.12, 9.32, 29.9)),)
    assert (tool.arc, tool.aside) == (30.0, 29.9)
    ring = HEXAGON["ring spanner 13"]
    slope = math.tan(math.radians(15.0))
    start = ring.profile[0][2] / 2
    for bar in ring.bars:
        # The handle's lower face at the inner end, its upper face at the outer end.
        assert bar.low == pytest.approx(slope * (bar.inner - start))
        assert bar.high == pytest.approx(10.8 + slope * (bar.outer - start))
    assert ring.bars[-1].outer == 180.0


def test_every_family_is_listed_and_every_tool_is_told_apart():
    found = set()
    for row in standards.screws():
        tools = built_in_tools(row)
        assert len({tool.name for tool in tools}) == len(tools)
        for tool in tools:
            found.add(tool.family)
            assert tool.bars
            assert tool.arc > 0.0
            assert tool.status
            assert tool.widest <= tool.span
            assert "not checked" in tool.note
    assert found == set(FAMILIES)


def test_tuning_leaves_rigid_tools_rigid():
    ball, key = SOCKET_HEAD["ball-end key 6"], SOCKET_HEAD["hex key 6"]
    lean, arc = {"ball-end key": 30.0, "hex key": 30.0}, {"hex key": 45.0}
    assert (ball.tuned(lean, arc).tilt, ball.tuned(lean, arc).arc) == (30.0, 60.0)
    assert (key.tuned(lean, arc).tilt, key.tuned(lean, arc).arc) == (0.0, 45.0)
    bare = Tool("bare", "own", "hexagon", 13.0, ((0.0, 9.0, 9.0),))
    assert bare.tuned({}, {"own": 30.0}).arc == 0.0


@pytest.mark.parametrize(
    ("row", "rows", "covered"),
    [
        ((0, 50, 6), ((0, 60, 6),), True),
        ((0, 50, 6), ((0, 40, 6),), False),
        ((0, 50, 6), ((0, 60, 5),), False),
        ((0, 50, 6), ((0, 20, 8), (20, 60, 6)), True),
        ((0, 50, 6), ((0, 20, 8), (21, 60, 6)), False),
        ((10, 50, 6), ((0, 20, 5), (20, 60, 6)), False),
        ((10, 50, 6), ((0, 10, 5), (10, 60, 6)), True),
    ],
)
def test_rows_hold_a_row(row, rows, covered):
    assert _covered(row, rows) == covered


def test_a_proof_holds_for_no_tool_that_leans_farther():
    ball, long = SOCKET_HEAD["ball-end key 6"], SOCKET_HEAD["ball-end key 6 long"]
    assert _holds(long, ball)
    assert not _holds(ball, long)
    assert not _holds(long.tuned({"ball-end key": 30.0}, {}), ball)

"""[[tool]] entries: what they become, and what is refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from geomcheck.fasten import Bar
from geomcheck.project.entries import FastenerEntry, ToolEntry
from geomcheck.project.tools import _tool

BASE = {
    "name": "stubby",
    "drive": "hexagon",
    "across_flats": 13.0,
    "profile": [[0.0, 26.0, 18.0], [26.0, 50.0, 30.0]],
}


def made(**changes):
    return _tool(ToolEntry.model_validate(BASE | changes))


def test_a_tool_without_a_handle_is_as_before():
    tool = made()
    assert tool.profile == ((0.0, 26.0, 18.0), (26.0, 50.0, 30.0))
    assert (tool.family, tool.bars, tool.arc, tool.tilt, tool.aside) == ("own", (), 0.0, 0.0, 0.0)
    assert "declared without a handle" in tool.note


def test_a_handle_swings_60_degrees_unless_said_otherwise():
    tool = made(handle=[[30, 46, 20, 0, 90]])
    assert tool.bars == (Bar(30.0, 46.0, 20.0, 0.0, 90.0),)
    assert tool.arc == 60.0
    assert made(handle=[[30, 46, 20, 0, 90]], arc=8.0).arc == 8.0


def test_lengths_in_inches_and_angles_as_they_are():
    tool = made(
        unit="in",
        across_flats=0.5,
        profile=[[1.0, 2.0, 0.5]],
        base=[[0.0, 1.0, 0.7]],
        pivot=1.0,
        tilt=20.0,
        handle=[[1.5, 2.0, 0.5, 0.0, 4.0]],
        kind="swivel",
    )
    assert tool.across_flats == pytest.approx(12.7)
    assert tool.profile == (pytest.approx((25.4, 50.8, 12.7)),)
    assert tool.base == (pytest.approx((0.0, 25.4, 17.78)),)
    assert (tool.pivot, tool.tilt, tool.family) == (pytest.approx(25.4), 20.0, "swivel")
    assert tool.bars[0].outer == pytest.approx(101.6)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"handle": [[46, 30, 20, 0, 90]]}, "to above from"),
        ({"handle": [[30, 46, 20, 90, 80]]}, "outer beyond inner"),
        ({"base": [[5.0, 1.0, 9.0]]}, "must rise"),
        ({"aside": 20.0}, "needs a handle"),
        ({"aside": 20.0, "tilt": 10.0, "handle": [[0, 9, 9, 0, 90]]}, "leave out tilt or aside"),
        ({"tilt": 90.0}, "less than 90"),
        ({"arc": 0.0}, "greater than 0"),
        ({"tilt": 20.0, "pivot": 3.0}, "begin at the pivot"),
    ],
)
def test_what_cannot_be_is_refused(changes, said):
    with pytest.raises(ValidationError, match=said):
        ToolEntry.model_validate(BASE | changes)


BOLT = {"name": "B1", "part": "housing", "at": [0, 0, 0], "axis": [0, 0, 1], "size": "M6",
        "head": "ISO 4762", "length": 20.0}  # fmt: skip


def test_an_empty_list_of_tools_is_refused():
    """It could be read as "none": left out, it means all that drive the head."""
    assert FastenerEntry.model_validate(BOLT).tools == ()
    with pytest.raises(ValidationError, match="at least 1 item"):
        FastenerEntry.model_validate(BOLT | {"tools": []})

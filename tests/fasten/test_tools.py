"""Tools as stacks of cylinders: what the tables are turned into."""

from __future__ import annotations

import math

import pytest

from geomcheck import standards
from geomcheck.errors import InputError
from geomcheck.fasten import Bar, Fastener, Tool, built_in_tools, choose_tools
from geomcheck.standards import screw


def test_a_hex_key_is_a_straight_shaft_over_its_corners():
    # ISO 2936, 6 mm: 96 and 186 mm arms, 6.81 mm over the corners; ISO 4762 M8: 4 mm in the head.
    short, long = built_in_tools(screw("ISO 4762", "M8"))[:2]
    assert (short.name, short.profile) == ("hex key 6", ((0.0, 92.0, 6.81),))
    assert (long.name, long.profile) == ("hex key 6 long", ((0.0, 182.0, 6.81),))
    # The other arm of 38 mm, as thick as the shaft, at its top; a hexagon fits every 60 degrees.
    assert short.bars == (Bar(92.0 - 6.81, 92.0, 6.81, 0.0, 38.0),)
    assert (short.arc, short.tilt, short.aside) == (60.0, 0.0, 0.0)


def test_a_socket_carries_its_ratchet_straight_or_over_an_extension():
    tools = {tool.name: tool for tool in built_in_tools(screw("ISO 4014", "M8"))}
    assert tools["socket 13, 3/8 drive"].profile == ((0, 26, 18.45), (26, 58, 34))
    assert tools["socket 13, 3/8 drive, extension 125"].profile == (
        (0, 26, 18.45),
        (26, 131, 11),
        (131, 151, 17.3),
        (151, 183, 34),
    )
    plain = [name for name, tool in tools.items() if tool.family == "socket"]
    assert {name.split(",")[1].strip() for name in plain} == {"1/4 drive", "3/8 drive", "1/2 drive"}
    assert len(plain) == 12


def test_a_bit_socket_reaches_down_by_the_heads_height():
    tool = next(t for t in built_in_tools(screw("ISO 4762", "M8")) if t.family == "bit socket")
    blade, body, ratchet = tool.profile
    assert blade == pytest.approx((0, 12, 12 / math.sqrt(3)))
    assert body == (12, 42, 19)
    assert ratchet == (42, 74, 34)


def test_rows_of_every_tool_of_every_screw_rise():
    for row in standards.screws():
        for tool in built_in_tools(row):
            assert tool.drives(row)
            last = 0.0
            for begin, end, diameter in (*tool.base, *tool.profile):
                assert begin == pytest.approx(last) or tool.family == "open spanner"
                assert end > begin
                assert diameter > 0
                last = end
            assert tool.length == pytest.approx(max([last, *(bar.high for bar in tool.bars)]))


def test_choosing_by_name_and_by_family():
    row = screw("ISO 4762", "M6")
    assert [t.name for t in choose_tools(row, ["hex key 5"])] == ["hex key 5"]
    assert {t.family for t in choose_tools(row, ["bit socket"])} == {"bit socket"}
    both = choose_tools(row, ["hex key", "hex key 5"])
    arms = ["hex key 5", "hex key 5 long"]
    assert [t.name for t in both] == arms + [f"{name}, short arm in the head" for name in arms]
    assert choose_tools(row) == built_in_tools(row)


def test_own_tools_join_in_and_take_the_place_of_a_namesake():
    row = screw("ISO 4762", "M6")
    slim = Tool("hex key 5", "own", "hexagon socket", 5.0, ((0.0, 60.0, 5.5),))
    other = Tool("cranked key", "own", "hexagon socket", 8.0, ((0.0, 60.0, 9.0),))
    chosen = choose_tools(row, own=[slim, other])
    assert chosen[0] is slim
    assert [t.name for t in chosen].count("hex key 5") == 1
    assert other not in chosen
    with pytest.raises(InputError, match=r'no tool "cranked key".*it is for a hexagon socket of 8'):
        choose_tools(row, ["cranked key"], [slim, other])


def test_a_tool_drives_what_has_its_size_and_its_shape():
    row = screw("ISO 4762", "M8")
    profile = ((0.0, 60.0, 6.0),)
    assert Tool("pin", "own", "hexagon socket", 6.01, profile).drives(row)
    assert not Tool("pin", "own", "hexagon", 6.0, profile).drives(row)
    assert not Tool("pin", "own", "hexagon socket", 5.9, profile).drives(row)


def test_what_drives_nothing_is_refused_with_what_does():
    row = screw("ISO 4762", "M6")
    with pytest.raises(InputError, match=r'"socket 10".*drives M6 ISO 4762.*Known.*"hex key 5"'):
        choose_tools(row, ["socket 10"])
    # DIN 7984 M10 takes a 7 mm key, which is not in the usual series, but the 7 mm bit drives it.
    odd = screw("DIN 7984", "M10")
    assert {t.family for t in choose_tools(odd)} <= {
        "bit socket",
        "torque wrench",
        "universal joint",
    }
    inch = screw("ASME B18.3", "1/4-20")
    assert [t.name for t in choose_tools(inch)][:2] == ["hex key 3/16", "hex key 3/16 long"]


@pytest.mark.parametrize(
    "profile",
    [(), ((0, 0, 5),), ((5, 9, 4), (3, 12, 4)), ((0, 5, 0),), ((-1, 4, 4),), ((0, math.inf, 4),)],
)
def test_a_profile_must_rise(profile):
    with pytest.raises(InputError, match="odd"):
        Tool("odd", "own", "hexagon", 10.0, profile)


@pytest.mark.parametrize(
    ("head", "size", "washer", "rest", "top"),
    [
        ("ISO 4762", "M8", 0.0, 8.0, 8.0),  # a key counts from the top of the head
        ("ISO 4762", "M8", 1.6, 9.6, 9.6),
        ("ISO 4014", "M8", 0.0, 0.0, 5.3),  # a socket goes down to the seat
        ("ISO 4014", "M8", 1.6, 1.6, 6.9),  # or the washer
        ("EN 1665", "M8", 0.0, 1.2, 8.1),  # or the edge of the flange
    ],
)
def test_where_a_tool_rests(head, size, washer, rest, top):
    bolt = Fastener.of(head, size, [0, 0, 0], [0, 0, 2], length=30, washer=washer)
    assert bolt.axis == (0.0, 0.0, 1.0)
    assert bolt.rest == pytest.approx(rest)
    assert bolt.head_top == pytest.approx(top)


def test_the_bearing_ring_lies_between_hole_and_head():
    for row in standards.screws():
        bolt = Fastener.of(row.head, row.size, [0, 0, 0], [0, 0, 1], length=30)
        assert row.thread_diameter / 2 < bolt.hole_radius < bolt.head_radius
        assert bolt.hole_radius < bolt.bearing_radius < bolt.head_radius, row


@pytest.mark.parametrize(
    ("at", "axis"),
    [([0, 0, 0], [0, 0, 0]), ([0, 0], [0, 0, 1]), ([0, math.nan, 0], [0, 0, 1])],
)
def test_a_fastener_needs_a_place_and_a_direction(at, axis):
    with pytest.raises(InputError, match="axis"):
        Fastener.of("ISO 4762", "M8", at, axis, length=30)

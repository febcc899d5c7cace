"""Tool access by its second route: sound findings confirmed, falsified ones contradicted.

Truths in closed form: a wall beside a key, a handle in a channel, a roof over a head. A hexagon
key 6 is 6.81 mm across its corners (table ``hex_keys``); the head of M8 is 8 mm high (ISO 4762).
"""

import math

import pytest
import trimesh

from geomcheck.verify.fasten.toolset import _hexagon, _socket_head

CODE = "fasten-reach"


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


HEAD = """\
format = 1
name = "bolts"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.02

[[vehicle]]
name = "hatch"

[[tool]]
name = "long handle"
drive = "hexagon socket"
across_flats = 6.0
profile = [[0.0, 30.0, 10.0]]
handle = [[10.0, 20.0, 8.0, 0.0, 60.0]]
arc = 60.0

[[tool]]
name = "bare"
drive = "hexagon socket"
across_flats = 6.0
profile = [[0.0, 30.0, 10.0]]
"""

PART = """
[[vehicle.part]]
name = "{0}"
file = "{0}.stl"
sagitta = 0.1
gap = false
"""

BOLT = """
[[fastener]]
name = "{name}"
part = "housing"
at = [{x}, 0.0, 0.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30
{tools}
"""


@pytest.fixture(scope="module")
def scene(told):
    """A strip with a bolt every 400 mm, and what stands about each."""
    strip = box([-200, -100, -12], [2200, 100, 0])
    about = {
        "wall": box([12, -90, -5], [20, 90, 400]),
        "roof": box([300, -100, 26], [500, 100, 30]),
        "left": box([700, 15, 1], [900, 20, 60]),
        "right": box([700, -20, 1], [900, -15, 60]),
        "bar": box([1195, -60, 45], [1205, 60, 55]),
    }
    bolts = (
        ("beside", 0.0, '["hex key 6"]'),
        ("under", 400.0, ""),
        ("channel", 800.0, '["long handle"]'),
        ("leaning", 1200.0, '["ball-end key 6"]'),
        ("alone", 1600.0, '["hex key"]'),
        ("bare", 2000.0, '["bare"]'),
        ("air", 2199.0, '["hex key"]'),
    )
    text = HEAD + "".join(BOLT.format(name=n, x=x, tools=t and f"tools = {t}") for n, x, t in bolts)
    text += "".join(PART.format(name) for name in about)
    return told(text, {"housing": strip, **about}, CODE)


def test_a_wall_beside_the_key(scene):
    found = scene.finding(CODE, "beside")
    assert found["quantity"]["value"] == pytest.approx(12.0 - 3.405, abs=1e-5)
    what = scene.sound(CODE, "beside")
    assert {"room over all parts", "free arc", "ends of the arc", "way in", "limit"} <= what


def test_no_tool_under_a_roof(scene):
    assert scene.finding(CODE, "under")["verdict"] == "fail"
    what = scene.sound(CODE, "under")
    # Keys with a ball end are proved to have no direction.
    assert {"no other tool", "ball-end key 6 cannot lean"} <= what


def test_a_handle_in_a_channel(scene):
    """Its corner at (60, 4) meets the walls 15 mm off where 60.133 sin(a + 3.814) = 15."""
    found = scene.finding(CODE, "channel")
    tip = math.hypot(60.0, 4.0)
    half = math.degrees(math.asin(15.0 / tip) - math.asin(4.0 / tip))
    assert found["verdict"] == "fail"
    assert found["quantity"]["value"] == pytest.approx(2.0 * half, abs=1e-3)
    assert {"largest arc", "limit", "long handle cannot turn"} <= scene.sound(CODE, "channel")


def test_a_key_that_leans_past_a_bar(scene):
    assert scene.finding(CODE, "leaning")["verdict"] == "pass"
    assert {"lean", "swing of the handle", "lower end"} <= scene.sound(CODE, "leaning")


def test_nothing_near(scene):
    assert scene.finding(CODE, "alone")["quantity"] is None
    assert "nothing near the standing tool" in scene.sound(CODE, "alone")


def test_no_seat(scene):
    assert scene.finding(CODE, "air")["verdict"] == "error"
    assert "no seat" in scene.sound(CODE, "air")


def put(path, value):
    """Sets one entry, or adds to a number where the value is a one-tuple."""

    def change(found):
        place = found
        for key in path[:-1]:
            place = place[key]
        if isinstance(value, tuple):
            place[path[-1]] += value[0]
        else:
            place[path[-1]] = value

    return change


def both(*changes):
    def change(found):
        for one in changes:
            one(found)

    return change


def wider(found):
    for key in ("value", "low", "high"):
        found["quantity"][key] += 1.0


def surer(found):
    found["quantity"]["low"] = found["quantity"]["value"]
    found["quantity"]["terms"] = []
    found["quantity"]["high"] = found["quantity"]["value"]


def slimmer(found):
    """A key 1 mm slimmer than the table's: all else agrees with it."""
    wider(found)
    wider(found)
    found["details"]["tool"]["profile"][0][2] -= 4.0


def said_to_pass(found):
    found["verdict"] = "pass"
    found["quantity"] = None
    found["details"]["way_in"] = {
        "comes": "hand", "width": 95.0, "direction": [0.0, 0.0, 1.0], "met": "",
    }  # fmt: skip


def said_to_fail(found):
    found["verdict"] = "fail"


@pytest.mark.parametrize(
    ("subject", "change", "what"),
    [
        ("beside", wider, "room over all parts"),
        ("beside", surer, "lower end"),
        ("beside", slimmer, "hex key 6 as in the tables"),
        ("beside", put(("requirement", "limit"), -5.0), "limit"),
        ("beside", put(("witnesses", 0, "point", 1), (500.0,)), "witness on wall"),
        ("beside", put(("witnesses", 0, "point", 2), (-900.0,)), "room at the witness"),
        ("beside", put(("witnesses", 1, "point", 0), (1.0,)), "seat"),
        ("beside", put(("details", "seat", "height"), 40.0), "metal under the head"),
        ("beside", put(("details", "seat", "share"), 0.5), "metal under the head"),
        ("beside", put(("details", "seat", "sagitta"), 0.5), "sagitta of the seat"),
        ("beside", put(("details", "tools", 0, "turn", "free"), (20.0,)), "free arc"),
        ("beside", put(("details", "tools", 0, "turn", "free"), (-20.0,)), "ends of the arc"),
        ("beside", put(("details", "tools", 0, "turn", "needed"), 5.0), "turn needed"),
        ("beside", put(("details", "tool", "toward"), [1.0, 0.0, 0.0]), "free arc"),
        ("beside", put(("details", "tools", 0, "room"), (3.0,)), "room of the other tools"),
        ("beside", put(("details", "tools"), []), "tools that may be used"),
        ("beside", put(("details", "way_in", "direction"), [1.0, 0.0, 0.0]), "way in"),
        ("beside", put(("details", "way_in", "width"), 20.0), "way in"),
        ("beside", said_to_fail, "hex key 6 cannot turn"),
        ("under", said_to_pass, "nothing near the standing tool"),
        ("under", lambda found: found["details"]["tools"].pop(3), "tools that may be used"),
        ("channel", wider, "largest arc"),
        ("channel", put(("requirement", "limit"), 10.0), "limit"),
        ("channel", put(("details", "tools", 0, "turn", "ends", 0, "point", 2), (200.0,)),
         "end of the arc on"),
        ("leaning", wider, "room over all parts, on its way off"),
        ("leaning", put(("details", "tool", "axis"), [0.0, 0.0, 1.0]),
         "room over all parts, on its way off"),
        ("leaning", put(("details", "tool", "axis"), [0.8, 0.0, 0.6]), "lean"),
        ("leaning", put(("details", "tool", "bars", 0, 4), 10.0),
         "ball-end key 6 as in the tables"),
        ("leaning", put(("details", "tools", 0, "turn", "at_least"), 20.0), "swing of the handle"),
        ("leaning", surer, "lower end"),
        ("alone", lambda found: found["details"].pop("way_in"), "way in"),
        ("air", put(("details", "seat", "state"), "seated"), "no seat"),
        ("air", said_to_pass, "no seat"),
        ("beside", put(("witnesses",), []), "nearest metal"),
        ("bare", said_to_fail, "bare cannot stand"),
    ],
)  # fmt: skip
def test_a_falsified_finding_is_contradicted(scene, subject, change, what):
    wrong = scene.wrong(CODE, subject, change)
    assert any(one == what or one.startswith(what) for one in wrong), wrong


def test_room_for_a_hand(told):
    """A closed hand is 95 mm wide (table ``hands``): a wall 20 mm off the axis stands in it."""
    text = HEAD + "\n[check.fasten-reach]\nhand = true\n"
    text += BOLT.format(name="hand", x=0.0, tools='tools = ["hex key 6"]') + PART.format("wall")
    strip, wall = box([-100, -100, -12], [100, 100, 0]), box([20, -90, -5], [25, 90, 400])
    scene = told(text, {"housing": strip, "wall": wall}, CODE)
    found = scene.finding(CODE, "hand")
    assert found["verdict"] == "fail"
    assert found["quantity"]["value"] == pytest.approx(20.0 - 47.5, abs=1e-5)
    assert {"room over all parts", "witness on wall", "limit"} <= scene.sound(CODE, "hand")
    assert "room over all parts" in scene.wrong(CODE, "hand", wider)
    assert "limit" in scene.wrong(CODE, "hand", put(("requirement", "limit"), -40.0))
    assert "all of the interval fails" in scene.wrong(CODE, "hand", put(("quantity", "high"), 1.0))
    off = put(("witnesses", 0, "point", 0), (1.0,))
    assert "witness on wall" in scene.wrong(CODE, "hand", off)


@pytest.mark.parametrize(
    ("subject", "part", "by", "what"),
    [
        ("beside", "wall", (-3, 0, 0), "room over all parts"),
        ("under", "roof", (0, 0, 300), "ball-end key 6 cannot lean"),
        ("channel", "left", (0, 300, 0), "largest arc"),
        ("leaning", "bar", (0, 0, -10), "room over all parts, on its way off"),
        ("alone", "roof", (1200, 0, 10), "nothing near the standing tool"),
        ("air", "housing", (100, 0, 0), "metal under the head"),
    ],
)
def test_another_mesh_is_contradicted(scene, subject, part, by, what):
    assert what in scene.moved(CODE, subject, part, by)


def test_tools_of_both_tables_agree():
    """Two makers of tools from one set of tables: each row, bar, turn and lean."""
    from geomcheck.fasten.toolbox import built_in_tools
    from geomcheck.standards import screws

    for row in screws():
        mine = {one.name: one for one in (*_hexagon(row), *_socket_head(row))}
        if row.drive == "hexagon":
            mine = {one.name: one for one in _hexagon(row)}
        else:
            mine = {one.name: one for one in _socket_head(row)}
        theirs = {one.name: one for one in built_in_tools(row)}
        assert set(mine) == set(theirs)
        for name, one in theirs.items():
            bars = tuple((b.low, b.high, b.width, b.inner, b.outer) for b in one.bars)
            here = mine[name]
            for a, b in ((here.rows, one.profile), (here.base, one.base), (here.bars, bars)):
                assert len(a) == len(b)
                assert all(x == pytest.approx(y, abs=1e-9) for x, y in zip(a, b, strict=True))
            same = (one.family, one.arc, one.tilt, one.pivot, one.aside)
            assert (here.family, here.arc, here.tilt, here.pivot, here.aside) == same

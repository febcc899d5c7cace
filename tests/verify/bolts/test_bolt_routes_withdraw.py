"""Drawing a bolt by its second route: sound findings confirmed, falsified ones contradicted.

Truths in closed form: roofs at stated heights over a head of M8 (13.27 mm wide, 8 mm high,
ISO 4762), a wall beside a washer (16 mm wide, ISO 7089), a hole narrower than a shank, a deck whose
hole takes the thread.
"""

import pytest
import trimesh

CODE = "fasten-withdraw"

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
name = "{}"
part = "housing"
at = [{}, 0.0, 0.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30
{}
"""

#: Bolts by the place of their seat along the strip, and what their entries say more.
BOLTS = {
    "free": (0.0, ""),
    "roofed": (400.0, ""),
    "enough": (800.0, ""),
    "first": (1200.0, 'load = "first"'),
    "tight": (1600.0, 'load = "first"'),
    "washer": (2000.0, "washer = 1.6"),
    "held": (2400.0, 'load = "first"'),
}


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def drilled(mesh, *holes):
    tools = [
        trimesh.creation.cylinder(radius, 90, sections=64).apply_translation([x, 0, 0])
        for x, radius in holes
    ]
    return trimesh.boolean.difference([mesh, *tools], engine="manifold")


@pytest.fixture(scope="module")
def scene(told):
    radii = {"tight": 3.9}
    holes = [(x, radii.get(name, 4.5)) for name, (x, _) in BOLTS.items()]
    strip = drilled(box([-200, -60, -10], [2600, 60, 0]), *holes)
    about = {
        "roof": box([300, -60, 26], [500, 60, 30]),
        "shelf": box([700, -60, 40], [900, 60, 44]),
        "cowl": box([1100, -60, 36], [1300, 60, 40]),
        # The hole for the thread, 6.8 mm wide.
        "deck": drilled(box([1100, -60, -40], [1300, 60, -10]), (1200.0, 3.4)),
        "rib": box([2007.5, -60, 2], [2010, 60, 3]),
        "lid": box([2300, -60, 20], [2500, 60, 24]),
        "block": drilled(box([2300, -60, -40], [2500, 60, -10]), (2400.0, 3.4)),
    }
    text = HEAD + "".join(BOLT.format(name, x, more) for name, (x, more) in BOLTS.items())
    text += "".join(PART.format(name) for name in about)
    return told(text, {"housing": strip, **about}, CODE)


@pytest.mark.parametrize(
    ("subject", "verdict", "value", "claims"),
    [
        ("free", "pass", None, {"travel in place", "way in"}),
        # 26 less the head's 8 mm, of 30 wanted.
        ("roofed", "fail", 18.0, {"value", "limit", "travel to the witness", "lower end"}),
        ("enough", "pass", 32.0, {"value", "way in"}),
        # Its tip stands on the deck 10 mm down, so it stands raised by 20; 28 - 20 are left.
        ("first", "pass", 8.0, {"raised by", "travel on the bench", "value"}),
        ("tight", "fail", -0.1, {"room about the shank", "room at the witness"}),
        # Washer's top at 1.6 mm, the rib's underside at 2.
        ("washer", "fail", 0.4, {"value", "travel to the witness"}),
        # 12 free over it, and it would stand raised by 20.
        ("held", "fail", -8.0, {"raised by", "value"}),
    ],
)
def test_a_sound_finding_is_confirmed(scene, subject, verdict, value, claims):
    found = scene.finding(CODE, subject)
    assert found["verdict"] == verdict
    if value is None:
        assert found["quantity"] is None
    else:
        # A hole of 64 corners is 0.0047 mm nearer between them.
        assert found["quantity"]["value"] == pytest.approx(value, abs=0.006)
    assert claims <= scene.sound(CODE, subject)


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


def more(by):
    def change(found):
        for key in ("value", "low", "high"):
            found["quantity"][key] += by

    return change


def surer(found):
    quantity = found["quantity"]
    quantity |= {"low": quantity["value"], "high": quantity["value"], "terms": []}


def said_to_pass(found):
    found["verdict"] = "pass"
    found["quantity"] = None


def said_to_fail(found):
    found["verdict"] = "fail"


@pytest.mark.parametrize(
    ("subject", "change", "what"),
    [
        ("roofed", more(1.0), "value"),
        ("roofed", surer, "lower end"),
        ("roofed", put(("requirement", "limit"), 10.0), "limit"),
        ("roofed", put(("witnesses", 0, "point", 2), (4.0,)), "travel to the witness"),
        ("roofed", put(("witnesses", 0, "point", 0), (50.0,)), "travel to the witness"),
        ("roofed", put(("witnesses", 0, "point", 2), (1.0,)), "witness on roof"),
        ("roofed", put(("witnesses",), []), "what is met"),
        ("roofed", said_to_pass, "verdict from the lengths"),
        ("roofed", put(("details", "travel", "read"), 31.0), "travel in place"),
        ("roofed", put(("details", "way"), "in place"), "way in or on the bench"),
        ("roofed", put(("details", "head_diameter"), 9.0), "sizes of the bolt"),
        ("roofed", put(("details", "needed"), 9.0), "sizes of the bolt"),
        ("roofed", put(("details", "seat", "height"), 40.0), "metal under the head"),
        ("enough", more(-1.5), "value"),
        ("enough", said_to_fail, "all of the interval fails"),
        ("enough", said_to_fail, "verdict from the lengths"),
        ("enough", put(("details", "way"), "no way"), "way in or on the bench"),
        ("enough", put(("details", "way_in", "direction"), [0.0, 0.0, 1.0]), "way in"),
        ("free", said_to_fail, "verdict from the lengths"),
        ("free", put(("details", "travel", "at_least"), False), "travel in place"),
        ("first", more(1.0), "value"),
        ("first", put(("details", "raised", "lift"), 10.0), "raised by"),
        ("first", put(("details", "bench", "at_least"), False), "travel on the bench"),
        ("first", put(("details", "way"), "in place"), "way in or on the bench"),
        ("tight", more(0.2), "value"),
        ("tight", put(("details", "shank", "room"), 0.1), "room about the shank"),
        ("tight", put(("witnesses", 0, "point"), [1604.5, 0.0, -5.0]), "room at the witness"),
        ("washer", put(("details", "washer_diameter"), 13.0), "sizes of the bolt"),
        ("washer", more(10.0), "value"),
        ("held", put(("details", "way"), "load first"), "way in or on the bench"),
        ("held", said_to_pass, "verdict from the lengths"),
    ],
)
def test_a_falsified_finding_is_contradicted(scene, subject, change, what):
    assert what in scene.wrong(CODE, subject, change)


@pytest.mark.parametrize(
    ("subject", "part", "by", "what"),
    [
        ("free", "roof", (-400, 0, 0), "travel in place"),
        ("roofed", "roof", (0, 0, 2), "value"),
        ("enough", "shelf", (0, 0, -5), "verdict from the lengths"),
        ("first", "deck", (0, 0, -3), "raised by"),
        ("tight", "housing", (0.5, 0, 0), "room about the shank"),
        ("washer", "rib", (2, 0, 0), "value"),
        ("held", "lid", (0, 0, 50), "value"),
        ("roofed", "housing", (0, 0, -1), "metal under the head"),
    ],
)
def test_another_mesh_is_contradicted(scene, subject, part, by, what):
    assert what in scene.moved(CODE, subject, part, by)

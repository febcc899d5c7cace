"""Movements in project files: what is refused, with its line; what the tables work out."""

from __future__ import annotations

import pytest

from geomcheck.errors import ProjectError
from geomcheck.project.load import load
from geomcheck.project.movements import GrowthEntry
from geomcheck.project.new import write_project

HEAD = """\
format = 1
name = "test"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[part]]
name = "valve"
file = "valve.stl"
role = "carried"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "belt"
file = "belt.stl"
class = "moving part"
"""

ROCK = """
[[movement]]
name = "rock"
required = 5
rock = { x = [-1, 1] }
"""


def load_text(tmp_path, text):
    file = tmp_path / "project.toml"
    file.write_text(text, encoding="utf-8")
    return load(file)


def test_every_kind_is_read(tmp_path):
    text = (
        HEAD
        + """
[[movement]]
name = "rock"
required = 5
[movement.rock]
turn = [{ axis = [1, 0, 0], about = [0, 0, -100], angle = [-2, 4] }]
z = [-2, 2]

[[movement]]
name = "closing"
vehicle = "hatch"
parts = ["bonnet"]
required = 8
hinge = { axis = [0, 1, 0], about = [-500, 0, 200], angle = [-60, 0] }

[[movement]]
name = "belt"
vehicle = "van"
parts = ["belt"]
against = ["housing"]
required = 6
tolerance = 0.05
budget = 1000
sweep = { about = [0, 0, 0], pose = [{}, { move = [1, 0, 0] }] }

[[movement]]
name = "hot"
group = "housing"
required = 1
growth = [{ material = "Al 6061", about = [0, 0, 0], temperature = [20, 120] }]
"""
    )
    rock, closing, belt, hot = load_text(tmp_path, text).document.movements
    assert rock.rock.turns[0].angle == (-2, 4) and rock.rock.x == (0, 0)
    assert closing.hinge.angle == (-60, 0) and closing.tolerance == 0.01
    assert belt.budget == 1000 and len(belt.sweep.poses) == 2
    assert hot.growths[0].strain == pytest.approx((0.0, 23.6e-4))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("x = [-1, 1]", "x = [1, -1]", r"reversed: write \[-1, 1\]"),
        ("x = [-1, 1]", "", "no range moves nothing"),
        ("x = [-1, 1]", "x = [0, 0]", "no range moves nothing"),
        ("x = [-1, 1]", "x = [-1, inf]", "finite"),
        ("x = [-1, 1]", "u = [-1, 1]", "unknown key 'u'"),
        (
            "rock = { x = [-1, 1] }",
            "rock = { turn = [{ axis = [0, 0, 0], about = [0, 0, 0], angle = [-1, 1] }] }",
            "direction must not be zero",
        ),
        (
            "rock = { x = [-1, 1] }",
            "rock = { turn = [{ axis = [0, 0, 1], about = [0, 0, 0], angle = [6, -6] }] }",
            r"reversed: write \[-6, 6\]",
        ),
        ("rock = { x = [-1, 1] }", 'parts = ["valve"]', "moves nothing: add rock"),
        (
            "rock = { x = [-1, 1] }",
            'parts = ["valve"]\nhinge = { axis = [0, 0, 1], about = [0, 0, 0], angle = [5, 5] }',
            "a hinge with no range",
        ),
        (
            "rock = { x = [-1, 1] }",
            "hinge = { axis = [0, 0, 1], about = [0, 0, 0], angle = [0, 5] }",
            "say what moves",
        ),
        (
            "required = 5",
            "required = 5\nhinge = { axis = [0, 0, 1], about = [0, 0, 0], angle = [0, 5] }",
            "give one of rock, hinge and sweep",
        ),
        ("x = [-1, 1]", "x = [1]", r"two numbers: \[from, to\]"),
        ("x = [-1, 1]", "x = 1", r"two numbers: \[from, to\]"),
        (
            "x = [-1, 1]",
            "turn = [" + 4 * "{ axis = [0, 0, 1], about = [0, 0, 0], angle = [0, 1] }, " + "]",
            "up to three turns, not 4",
        ),
        (
            "x = [-1, 1]",
            "x = [0, 1], "
            'turn = [{ axis = [0, 0, 1], about = [0, 0, 0], angle = [0, 1], name = "x" }]',
            "two ranges are named 'x'",
        ),
        (
            "x = [-1, 1]",
            "turn = [{ axis = [0, 0, 1], about = [0, 0, 0], angle = [0, 1] }, "
            '{ axis = [0, 1, 0], about = [0, 0, 0], angle = [0, 1], name = "roll" }]',
            "two ranges are named 'roll'",
        ),
        ("x = [-1, 1]", "turn = [{ axis = [0, 0, 1], angle = [0, 1] }]", "'about' is missing"),
        (
            "rock = { x = [-1, 1] }",
            'parts = ["valve"]\nsweep = { about = [0, 0, 0], pose = [{}] }',
            "a sweep of 1 pose moves nothing",
        ),
        (
            "rock = { x = [-1, 1] }",
            'parts = ["valve"]\nhinge = { about = [0, 0, 0], angle = [0, 5] }',
            "'axis' is missing",
        ),
        (
            "rock = { x = [-1, 1] }",
            'group = "gearbox"\nrock = { x = [-1, 1] }',
            "'housing' or 'engine'",
        ),
        (
            "rock = { x = [-1, 1] }",
            'group = "housing"\ngrowth = [{ material = "Al 6061", about = [0, 0, 0] }]',
            "'temperature' is missing",
        ),
        (
            "rock = { x = [-1, 1] }",
            'group = "housing"\n'
            'growth = [{ material = "butter", about = [0, 0, 0], temperature = [20, 90] }]',
            'no material "butter"',
        ),
        ("required = 5", "", "'required' is missing"),
        ("required = 5", "required = -5", "greater than or equal to 0"),
        ("required = 5", "required = 5\nbudget = 0", "greater than or equal to 1"),
        ("required = 5", "required = 5\ntolerance = 0", "greater than 0"),
        ("required = 5", 'required = 5\nparts = ["bumper"]', "no part named 'bumper'"),
        ("required = 5", 'required = 5\nparts = ["bonnet"]', "no part named 'bonnet'"),
        ("required = 5", 'required = 5\nagainst = ["bumper"]', "no part named 'bumper'"),
        ("required = 5", 'required = 5\nvehicle = "coach"', "no vehicle named 'coach'"),
        (
            "required = 5",
            'required = 5\nparts = ["valve"]\nagainst = ["valve"]',
            "'valve' cannot move against itself",
        ),
        (
            "required = 5",
            'required = 5\nparts = ["valve", "valve"]',
            "named twice in parts",
        ),
        (
            "required = 5",
            'required = 5\nparts = ["valve"]\ngroup = "housing"',
            "either parts or group",
        ),
    ],
)
def test_what_is_refused(tmp_path, old, new, words):
    assert old in ROCK
    with pytest.raises(ProjectError, match=words) as info:
        load_text(tmp_path, HEAD + ROCK.replace(old, new))
    first = HEAD.count("\n") + 2
    assert first <= info.value.line <= first + 5
    assert 'movement "rock"' in info.value.entry


def test_two_movements_of_one_name(tmp_path):
    with pytest.raises(ProjectError, match="a second movement is named 'rock'"):
        load_text(tmp_path, HEAD + ROCK + ROCK)


def test_what_goes_with_the_engine_cannot_be_on_the_body(tmp_path):
    text = HEAD.replace('role = "carried"', 'role = "carried"\non = "body"')
    with pytest.raises(ProjectError, match="'valve' goes with the engine") as info:
        load_text(tmp_path, text)
    assert info.value.line == text.splitlines().index('on = "body"') + 1
    load_text(tmp_path, HEAD.replace('class = "body panel"', 'class = "body panel"\non = "engine"'))


GROWTH = {"about": (0, 0, 0), "temperature": (-30, 120)}


def test_strain_spans_every_temperature_and_coefficient():
    """50 K colder and 100 K hotter than drawn."""
    assert GrowthEntry(alpha=10, **GROWTH).strain == pytest.approx((-5e-4, 1e-3))
    printed = GrowthEntry(material="SLS PA12", **GROWTH)
    assert printed.strain == pytest.approx((-50 * 110e-6, 100 * 110e-6))
    assert "from memory" in printed.source
    hot = GrowthEntry(material="SLS PA12", about=(0, 0, 0), temperature=(80, 120))
    assert hot.strain == pytest.approx((60 * 80e-6, 100 * 110e-6))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "either a material, or alpha"),
        ({"alpha": 12, "material": "Al 6061"}, "either a material, or alpha"),
        ({"material": "butter"}, 'no material "butter".*Al 6061'),
        ({"material": "nylon + short carbon, FFF, along/across"}, "along and across"),
        ({"alpha": 12, "temperature": (20, 20)}, "grows nothing"),
        ({"alpha": 12, "temperature": (120, 20)}, "reversed"),
        ({"alpha": -12}, "greater than 0"),
        # A figure per kelvin where 1e-6 per kelvin is asked would be no growth at all.
        ({"alpha": 23.6e-6}, "counted in 1e-6 per kelvin"),
        ({"alpha": 23.6e3}, "counted in 1e-6 per kelvin"),
        ({"alpha": 12, "temperature": (-300, 20)}, "none is below -273.15"),
        ({"alpha": 12, "drawn_at": -300}, "none is below -273.15"),
        ({"alpha": 900, "temperature": (20, 1800)}, "none by heat"),
        # Mean coefficients rise: stainless 304 17.3 up to 100 degrees, 18.7 up to 650 (data sheet).
        ({"material": "stainless 304", "temperature": (20, 650)}, "holds up to 150 degrees"),
    ],
)
def test_growths_that_are_refused(given, words):
    with pytest.raises(ValueError, match=words):
        GrowthEntry.model_validate(GROWTH | given)


def test_the_example_in_a_new_project_file_is_read(tmp_path):
    mesh = "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\n"
    (tmp_path / "housing.stl").write_text(mesh + "endloop\nendfacet\nendsolid a\n")
    text = write_project(tmp_path, None, force=False).read_text(encoding="utf-8")
    lines = text.splitlines()
    first = lines.index("# [[movement]]")
    example = [line[2:] for line in lines[first : lines.index("", first)]]
    (entry,) = load_text(tmp_path, HEAD + "\n".join(example)).document.movements
    assert entry.rock.turns[0].angle == (-3, 3) and entry.rock.z == (-4, 4)
    assert entry.required == 10

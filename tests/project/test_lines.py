"""Line numbers of entries, against numbers counted by hand, and against tomllib's own values."""

import tomllib
from pathlib import Path

import pytest

from geomcheck.project.lines import LineMap

TEXT = """\
format = 1
name = "x"

[[part]]
name = "housing"
size = [
  1.0,   # first
  2.0,
  3.0,
]
place = { move = [0, 0, 1], turn = [
  { axis = [0, 0, 1], angle = 90 },
  { axis = [1, 0, 0], angle = 5 } ] }

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
place.move = [1, 2, 3]
[[vehicle.part]]
name = "belt"

[[vehicle]]
name = "van"
[vehicle.place]
move = [0, 0, 0]
[[vehicle.part]]
name = "door"
class = "body panel"

[check.fit-gap.required]
"body panel" = 10
[[check.fit-gap.pair]]
parts = ["housing", "belt"]
[[check.fit-gap.pair]]
parts = ["housing", "door"]
required = 3
"""


@pytest.fixture
def lines():
    return LineMap(Path("p.toml"), TEXT, tomllib.loads(TEXT))


@pytest.mark.parametrize(
    ("key", "line"),
    [
        (("format",), 1),
        (("part", 0), 4),
        (("part", 0, "size"), 6),
        (("part", 0, "size", 1), 8),
        (("part", 0, "place", "move"), 11),
        (("part", 0, "place", "turn", 1, "angle"), 13),
        (("vehicle", 0), 15),
        (("vehicle", 0, "part", 0, "place", "move"), 19),
        (("vehicle", 0, "part", 1, "name"), 21),
        (("vehicle", 1, "name"), 24),
        (("vehicle", 1, "place", "move"), 26),
        (("vehicle", 1, "part", 0, "class"), 29),
        (("check", "fit-gap", "required", "body panel"), 32),
        (("check", "fit-gap", "pair", 1, "required"), 37),
    ],
)
def test_line_of_an_entry(lines, key, line):
    assert lines.line(key) == line


def test_a_missing_key_gets_the_line_of_its_table(lines):
    assert lines.line(("vehicle", 1, "part", 0, "file")) == 27
    assert lines.line(("nowhere",)) is None


def test_entries_are_described_by_name(lines):
    assert lines.describe(("vehicle", 0, "part", 1, "place")) == (
        'vehicle "hatch" > part "belt" > place'
    )
    assert lines.describe(("check", "fit-gap", "pair", 1)) == "check > fit-gap > pair 2"


def test_every_value_in_the_file_has_a_line(lines):
    def walk(value, key=()):
        if key:
            yield key
        if isinstance(value, dict):
            for name, inner in value.items():
                yield from walk(inner, (*key, name))
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                yield from walk(inner, (*key, number))

    source = TEXT.splitlines()
    for key in walk(tomllib.loads(TEXT)):
        line = lines.line(key)
        assert line is not None
        if isinstance(key[-1], str):
            assert key[-1] in source[line - 1], key


def test_quoted_and_dotted_keys_and_text_with_brackets():
    text = (
        '"odd key".inner = "[[not a table]]"\nmulti = """\n[[vehicle]]\n"""\n[[part]]\nname="a"\n'
    )
    lines = LineMap(Path("p.toml"), text, tomllib.loads(text))
    assert lines.line(("odd key", "inner")) == 1
    assert lines.line(("multi",)) == 2
    assert lines.line(("part", 0, "name")) == 6
    assert lines.line(("vehicle", 0)) is None

"""Connectors and service points in a project file: faults are told with their line."""

import pytest

from geomcheck.errors import ProjectError
from geomcheck.project.load import load

PROJECT = """\
format = 1
name = "plugs"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "engine"
file = "engine.stl"

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "engine"
file = "engine.stl"
[[vehicle.part]]
name = "harness"
file = "harness.stl"

[[connector]]
name = "sensor"
part = "housing"
at = [0, 0, 0]
axis = [0, 0, 2]
stroke = 12
length = 25
diameter = 16
itself = ["harness"]
vehicle = "van"

[[service]]
name = "drain"
part = "engine"
at = [0, 0, 0]
axis = [0, 0, 1]
head = "ISO 4762"
size = "M8"
"""


@pytest.fixture
def read(tmp_path):
    def make(old="", new=""):
        assert old in PROJECT
        file = tmp_path / "project.toml"
        file.write_text(PROJECT.replace(old, new) if old else PROJECT, encoding="utf-8")
        return load(file)

    return make


def test_they_are_read(read):
    document = read().document
    (connector,) = document.connectors
    assert connector.axis == (0.0, 0.0, 1.0)
    assert (connector.finger, connector.grip) == (18.0, 20.0)
    assert document.services[0].name == "drain"


@pytest.mark.parametrize(
    ("old", "new", "said", "line"),
    [
        ('part = "housing"', 'part = "housin"', "no part named 'housin'", 27),
        ('itself = ["harness"]', 'itself = ["harnes"]', "no part named 'harnes'", 33),
        # A part of the van only, asked of both vehicles.
        ('vehicle = "van"', "", "no part named 'harness'", 33),
        ('vehicle = "van"', 'vehicle = "vam"', "no vehicle named 'vam'", 34),
        ('part = "engine"\nat', 'part = "motor"\nat', "no part named 'motor'", 38),
        ("axis = [0, 0, 2]", "axis = [0, 0, 0]", "must not be zero", 29),
        ("stroke = 12", "stroke = 12000", "is it in mm", 30),
        ("stroke = 12", "stroke = nan", "finite", 30),
        ("diameter = 16", "diametre = 16", "unknown key 'diametre'", 32),
        ('size = "M8"', "", "head and size go together", 36),
    ],
)
def test_faults_are_told_with_their_line(read, old, new, said, line):
    with pytest.raises(ProjectError, match=said) as caught:
        read(old, new)
    assert caught.value.line == line


def test_names_are_given_once(read):
    again = PROJECT[PROJECT.index("[[service]]") :]
    with pytest.raises(ProjectError, match="a second service is named 'drain'"):
        read('size = "M8"\n', f'size = "M8"\n\n{again}')

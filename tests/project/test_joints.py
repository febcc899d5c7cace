"""[[pattern]] and [[port_joint]] in a project file: read, and refused with their line."""

from __future__ import annotations

import pytest

from geomcheck.errors import ProjectError
from geomcheck.project.load import load

BASE = """\
format = 1
name = "joints"
unit = "mm"
[[part]]
name = "casting"
file = "casting.stl"
role = "housing"
[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "manifold"
file = "manifold.stl"
[[mate]]
name = "inlet"
parts = ["casting", "manifold"]
at = [0, 0, 0]
normal = [0, 0, -1]
vehicle = "hatch"
"""
PATTERN = """\
[[pattern]]
name = "flange"
parts = ["casting", "manifold"]
at = [0, 0, 0]
normal = [0, 0, -2]
within = 100
bolt = 8
vehicle = "hatch"
"""
PORT = """\
[[port_joint]]
name = "port 1"
mate = "inlet"
at = [0, 0, 0]
land = 5
vehicle = "hatch"
"""


@pytest.fixture
def read(tmp_path):
    def make(text):
        file = tmp_path / "project.toml"
        file.write_text(BASE + text, encoding="utf-8")
        return load(file).document

    return make


def test_both_are_read(read):
    document = read(PATTERN + PORT)
    assert document.patterns[0].normal == (0.0, 0.0, -1.0)
    assert document.patterns[0].reserve == 0.0
    assert document.port_joints[0].flow == "both"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (PATTERN + PATTERN, "second pattern"),
        (PORT + PORT, "second port_joint"),
        (PATTERN.replace('"manifold"]', '"manifald"]'), "did you mean 'manifold'"),
        (PATTERN.replace('vehicle = "hatch"', 'vehicle = "van"'), "no vehicle named 'van'"),
        (PORT.replace('mate = "inlet"', 'mate = "outlet"'), "no mate named 'outlet'"),
        # The mate is only in the hatch: the port must say so, too.
        (PORT.replace('vehicle = "hatch"', ""), "no mate named 'inlet'"),
        (PORT.replace("land = 5", "land = 0"), "land"),
        (PORT.replace("land = 5", "land = 5\nlans = 5"), "lans"),
        (PATTERN.replace("bolt = 8", "bolt = -8"), "bolt"),
        (PATTERN.replace("bolt = 8", 'bolt = 8\nfixed = "bonnet"'), "fixed"),
    ],
)
def test_what_is_wrong_is_refused_with_its_line(read, text, said):
    with pytest.raises(ProjectError, match=said) as caught:
        read(text)
    assert caught.value.line is not None and caught.value.line > 18

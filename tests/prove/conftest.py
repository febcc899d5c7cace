"""A small rig on which every kind of fault can be planted: what it asks is up to the test."""

import functools
import tomllib

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli

HOLES = ((45.0, 28.0), (-45.0, 28.0), (45.0, -28.0), (-45.0, -28.0))

PROJECT = """\
format = 1
name = "rig"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.02

[[part]]
name = "lever"
file = "lever.stl"
role = "carried"
gap = false
sagitta = 0.02

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "adapter"
file = "adapter.stl"
class = "engine"
sagitta = 0.02

[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "panel"
sagitta = 0.02
open_for_tools = true

[[vehicle.part]]
name = "left stay"
file = "left_stay.stl"
class = "engine"
sagitta = 0.02

[[vehicle.part]]
name = "right stay"
file = "right_stay.stl"
class = "engine"
sagitta = 0.02

[[mate]]
name = "joint"
parts = ["housing", "adapter"]
at = [30.0, 0.0, 0.0]
normal = [0, 0, -1]
tolerance = 0.6

[[duct]]
name = "inlet"
walls = ["housing", "adapter"]
path = [[0, 0, 20], [0, 0, 10], [0, 0, 0], [0, 0, -10], [0, 0, -20], [0, 0, -30]]
spacing = 5.0
{bolts}
[[connector]]
name = "sensor"
part = "housing"
at = [60.0, -20.0, 10.0]
axis = [1, 0, 0]
stroke = 8.0
length = 20.0
diameter = 10.0
straight = 20.0

[check.fit-gap.required]
panel = 5
engine = 3
"""

BOLT = """
[[fastener]]
name = "B{number}"
part = "housing"
at = [{x}, {y}, 20.0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30
"""


def box(size, at):
    return trimesh.creation.box(size, trimesh.transformations.translation_matrix(at))


def bar(radius, low, high, x=0.0, y=0.0, sections=96):
    made = trimesh.creation.cylinder(radius, high - low, sections=sections)
    return made.apply_translation((x, y, 0.5 * (low + high)))


def cut(body, *tools):
    return trimesh.boolean.difference([body, *tools])


@pytest.fixture(scope="session")
def meshes():
    """By file name. No part is its own mirror image."""
    bores = [bar(4.5, -1, 21, x, y, 48) for x, y in HOLES]
    taps = [bar(3.4, -25, 1, x, y, 48) for x, y in HOLES]
    corner = box((10, 10, 60), (60, 40, 0))
    stay = trimesh.boolean.union([box((30, 10, 10), (0, 90, 0)), box((6, 6, 14), (12, 92, 2))])
    other = stay.copy()
    other.apply_transform(trimesh.transformations.reflection_matrix((0, 0, 0), (1, 0, 0)))
    return {
        "left_stay.stl": stay,
        "right_stay.stl": other.apply_translation((50, 0, 0)),
        "housing.stl": cut(box((120, 80, 20), (0, 0, 10)), bar(15, -1, 21), corner, *bores),
        "adapter.stl": cut(box((120, 80, 30), (0, 0, -15)), bar(15, -31, 1), corner, *taps),
        "bonnet.stl": cut(box((140, 100, 4), (0, 0, 48)), box((40, 20, 20), (70, 50, 48))),
        "lever.stl": cut(box((30, 12, 8), (-80, 0, 10)), box((10, 6, 20), (-92, 5, 10))),
    }


@pytest.fixture(scope="session")
def rig_in(meshes):
    """Writes the rig into a folder, with other text in places; gives its project file."""

    def write(folder, *changes, more=""):
        for name, mesh in meshes.items():
            mesh.export(folder / name)
        rows = enumerate(HOLES, 1)
        bolts = "".join(BOLT.format(number=number, x=x, y=y) for number, (x, y) in rows)
        text = PROJECT.format(bolts=bolts)
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        file = folder / "project.toml"
        file.write_text(text + more, encoding="utf-8")
        return file

    return write


@pytest.fixture
def rig(rig_in, tmp_path):
    """The rig in a folder of the test's own."""
    return functools.partial(rig_in, tmp_path)


@pytest.fixture(scope="session")
def follow():
    """Does what is advised."""
    return followed


def followed(file, rows):
    """Do what is advised: rows as they stand in the JSON output, under ``add``."""
    lines = file.read_text(encoding="utf-8").splitlines()
    # From the end, so that the lines named stay where they are.
    for row in sorted(rows, key=lambda one: -(one["line"] or 10**9)):
        added = row["text"].splitlines()
        if row["under"] is None:
            lines += ["", *added]
            continue
        line = row["line"]
        end = next((k for k in range(line, len(lines)) if lines[k].startswith("[")), len(lines))
        kept = [
            text
            for text in lines[line:end]
            if text.partition("=")[0].strip() not in row["in_place_of"]
        ]
        lines[line:end] = added + kept
    text = "\n".join(lines) + "\n"
    tomllib.loads(text)
    file.write_text(text, encoding="utf-8")
    if any("geomcheck accept" in row["text"] for row in rows):
        done = CliRunner().invoke(cli, ["accept", str(file)])
        assert done.exit_code == 0, done.output

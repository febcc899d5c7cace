"""``geomcheck steps`` on a whole project: what is printed, the table, the pages."""

from __future__ import annotations

import base64
import csv
import io
import re

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner
from PIL import Image

from geomcheck.cli import cli

PROJECT = """\
format = 1
name = "Bench & stand"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.01

[[vehicle]]
name = "Alder pickup"
[[vehicle.part]]
name = "block"
file = "block.stl"
sagitta = 0.01
[[vehicle.part]]
name = "bulkhead"
file = "bulkhead.stl"
class = "body panel"
[[vehicle.part]]
name = "fuel rail"
file = "rail.stl"
class = "fuel line"

[[mate]]
name = "manifold joint"
parts = ["housing", "block"]
at = [0, 0, -12]
normal = [0, 0, -1]
gasket = 1.0

{fasteners}
[[tool]]
name = "stub key"
drive = "hexagon socket"
across_flats = 6
profile = [[0, 3, 6.9]]

[[connector]]
name = "pressure sensor"
part = "block"
at = [0, 0, -13]
axis = [0, 0, 1]
stroke = 8
length = 16
diameter = 12
grip = 12

[order]
box = ["thread locker, medium"]
"""

FASTENER = """\
[[fastener]]
name = "{name}"
part = "housing"
into = "block"
at = [{x}, {y}, 0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30
tools = {tools}
"""

PLACES = {"B1": (-60, -35), "B2": (60, -35), "B3": (-60, 35), "B4": (60, 35)}


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def drilled(mesh, radius, low, high):
    pins = []
    for x, y in PLACES.values():
        pin = trimesh.creation.cylinder(radius=radius, height=high - low, sections=48)
        pin.apply_translation([x, y, 0.5 * (low + high)])
        pins.append(pin)
    return trimesh.boolean.difference([mesh, *pins], engine="manifold")


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    folder = tmp_path_factory.mktemp("steps")
    # A lid with a dome over a plug, open to one side by a slot too low for fingers; its last bolt
    # stands under a bulkhead.
    dome = [box([-80, -50, -12], [80, 50, 0]), box([-35, -30, -1], [35, 30, 30])]
    hollow = box([-10, -8, -20], [90, 8, 8])
    housing = trimesh.boolean.union(dome, engine="manifold")
    housing = trimesh.boolean.difference([housing, hollow], engine="manifold")
    drilled(housing, 4.5, -20, 10).export(folder / "housing.stl")
    drilled(box([-90, -60, -60], [90, 60, -13]), 3.4, -50, 0).export(folder / "block.stl")
    # 25 mm over the head of B4; to the side, so that the dome passes by.
    box([45, 20, 33], [120, 90, 37]).export(folder / "bulkhead.stl")
    rail = trimesh.creation.cylinder(radius=5, height=200, sections=32)
    rail.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    rail.apply_translation([0, -75, 5])
    rail.export(folder / "rail.stl")
    rows = [
        FASTENER.format(
            name=name, x=x, y=y, tools='["stub key"]' if name == "B4" else '["hex key"]'
        )
        for name, (x, y) in PLACES.items()
    ]
    file = folder / "project.toml"
    file.write_text(PROJECT.format(fasteners="\n".join(rows)), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def answer(project):
    page, table = project.with_name("steps.html"), project.with_name("steps.csv")
    options = ["steps", str(project), "--html", str(page), "--csv", str(table)]
    result = CliRunner().invoke(cli, options)
    return result, page.read_text(encoding="utf-8"), table.read_text(encoding="utf-8")


def test_what_is_printed(answer):
    result, _, _ = answer
    text = result.output
    assert result.exit_code == 0, text
    said = re.findall(r"^ +\d+\. (.*)$", text, flags=re.MULTILINE)
    assert said[0].startswith("On the bench, before it goes on: put bolt B4 (M8 x 30 ISO 4762)")
    assert "Plug in pressure sensor on block." in said
    down = next(n for n, line in enumerate(said) if line.startswith("Set housing"))
    assert "Lay the gasket first: manifold joint (1 mm)" in said[down]
    assert said.index("Plug in pressure sensor on block.") < down
    assert said[down + 1].startswith("Put in bolts B1, B2, B3")
    assert any(line.startswith("Tighten bolt B4") for line in said[down:])
    assert "4 x bolt M8 x 30 ISO 4762" in text
    assert "thread locker, medium" in text
    assert "special tool stub key" in text
    assert "Beside a fuel line (fuel rail): relieve its pressure first" in text


def test_the_table(answer):
    rows = list(csv.DictReader(io.StringIO(answer[2])))
    assert [row["step"] for row in rows if row["step"].isdigit()] == [
        str(n + 1) for n in range(sum(row["step"].isdigit() for row in rows))
    ]
    assert {row["vehicle"] for row in rows} == {"Alder pickup"}
    assert any(row["names"] == "gasket" for row in rows)


def test_the_pages(answer):
    _, page, table = answer
    assert "Bench &amp; stand" in page
    assert "<script" not in page
    assert "Load first, on the bench" in page
    assert "Plug in before bolting down" in page
    pictures = re.findall(r'src="data:image/png;base64,([^"]+)"', page)
    steps = sum(row["step"].isdigit() for row in csv.DictReader(io.StringIO(table)))
    assert len(pictures) == steps
    for picture in pictures:
        with Image.open(io.BytesIO(base64.b64decode(picture))) as image:
            assert image.size == (900, 560)
            # Something is drawn, and not all over.
            white = (np.asarray(image.convert("L")) > 250).mean()
            assert 0.1 < white < 0.97


def test_no_table_no_order(project):
    text = project.read_text(encoding="utf-8")
    other = project.with_name("none.toml")
    other.write_text(text[: text.index("[order]")], encoding="utf-8")
    result = CliRunner().invoke(cli, ["steps", str(other)])
    assert result.exit_code == 3
    assert "has no [order] table" in result.output


def test_wrong_names_are_refused_with_their_line(project):
    text = project.read_text(encoding="utf-8")
    wrong = {
        '[[order.rule]]\nfirst = "B9"\nthen = "B1"\n': "'B9'",
        '[[order.move]]\nname = "m"\nparts = ["block", "bonnet"]\n': "'bonnet'",
        '[[order.move]]\nname = "m"\nparts = ["block"]\nvehicle = "Elm"\n': "'Elm'",
        '[[order.hold]]\nfastener = "B7"\nparts = ["block"]\n': "'B7'",
        '[[order.rule]]\nfirst = "B1"\nthen = "B1"\n': "before itself",
        '[[order.move]]\nname = "m"\nparts = ["block"]\n'
        '[[order.move]]\nname = "n"\nparts = ["block"]\n': "two moves",
        '[[order.move]]\nname = "m"\nparts = ["block"]\nvia = [[0, 0, 0]]\n': "way off",
    }
    other = project.with_name("wrong.toml")
    for number, (more, word) in enumerate(wrong.items()):
        other.write_text(f"{text}\n{more}", encoding="utf-8")
        result = CliRunner().invoke(cli, ["steps", str(other)])
        said = f"{result.output} {result.exception}"
        assert word in said, (number, said)

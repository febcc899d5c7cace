"""Parts of two projects: which boss moved how far, what was new, what it weighs."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from geomcheck.compare.changes import compare
from geomcheck.compare.shapes import part_changes
from geomcheck.finding import Finding, Quantity, Requirement, Result, Witness
from geomcheck.project.load import load
from geomcheck.reports.changes import comparison_lines
from geomcheck.reports.changes_page import comparison_json
from geomcheck.reports.changes_words import direction, title, what

PROJECT = """\
format = 1
name = "plate"
unit = "mm"

[[part]]
name = "housing"
file = "{name}.stl"
role = "housing"
density = 2.7

[[fastener]]
name = "M5"
part = "housing"
at = [20, 0, {seat}]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30

[[duct]]
name = "inlet"
walls = ["housing"]
path = [[-30, 0, -40], [-30, 0, -20], [-30, 0, 0], [-30, 0, 30]]

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "box.stl"
place.move = [0, 0, {bonnet}]
{more}
"""


def union(*meshes):
    return trimesh.boolean.union(list(meshes), engine="manifold")


def box(size, at):
    made = trimesh.creation.box(size)
    made.apply_translation(at)
    return made


def housing(seat, lump=0.0):
    """A plate with a square boss, and a tube with a lump in its bore."""
    tube = trimesh.boolean.difference(
        [box((40, 40, 60), (-30, 0, -10)), box((30, 30, 80), (-30, 0, -10))], engine="manifold"
    )
    base = box((60, 40, 10), (20, 0, 0))
    boss = box((16, 16, seat + 3), (20, 0, 0.5 * (seat - 3)))
    parts = [tube, base, boss]
    if lump:
        parts.append(box((lump + 1, 6, 6), (-15 - 0.5 * (lump - 1), 0, -20)))
    return union(*parts)


@pytest.fixture
def assembled(tmp_path):
    box((10, 10, 10), (0, 0, 0)).export(tmp_path / "box.stl")

    def make(name, seat=15.0, lump=0.0, bonnet=60.0, more=""):
        housing(seat, lump).export(tmp_path / f"{name}.stl")
        file = tmp_path / f"{name}.toml"
        text = PROJECT.format(name=name, seat=seat, bonnet=bonnet, more=more)
        file.write_text(text, encoding="utf-8")
        return {a.vehicle: a for a in load(file).assemble()}

    return make


def gap(value, z):
    quantity = Quantity("gap", value, "mm", value - 0.1, value + 0.1)
    need = Requirement("at least", 10.0, "mm")
    return Finding(
        "fit-gap", need.decide(quantity), "hatch", "housing / bonnet", ("housing", "bonnet"), "m",
        quantity=quantity, requirement=need,
        witnesses=(
            Witness("a", "housing", (20.0, 0.0, z)), Witness("b", "bonnet", (0.0, 0.0, 55.0)),
        ),
    )  # fmt: skip


def test_the_boss_at_a_screw_and_the_gap_it_sets(assembled):
    old, new = assembled("old"), assembled("new", seat=18.0)
    results = [
        Result("plate", "p", "0", ("hatch",), {}, (f,)) for f in (gap(12.0, 15.0), gap(9.0, 18.0))
    ]
    comparison = compare(*results)
    (part,) = part_changes(comparison, old, new)
    assert part.name == "housing" and part.how == "changed"
    (moved,) = part.moved
    assert title(moved) == 'boss at screw "M5"'
    assert "moved as one by 3.00 mm along +z (up); +768 mm3" in what(moved.region)
    assert [change.finding.subject for change in moved.changes] == ["housing / bonnet"]
    # 16 x 16 x 3 mm at 2.7 g/cm3.
    _, _, mass = part.masses
    assert mass.value == pytest.approx(16 * 16 * 3 * 2.7e-3) and mass.low <= mass.value <= mass.high
    text = "\n".join(line.text for line in comparison_lines(comparison, parts=[part]))
    assert "housing / bonnet: gap 12.00 to 9.00 mm, not fulfilled any more [hatch]" in text
    assert "2.7 g/cm3 as given" in text
    ascii_text = [line.text for line in comparison_lines(comparison, parts=[part], ascii_only=True)]
    assert all(line.isascii() for line in ascii_text)
    assert '"boss' not in comparison_json(comparison, 1, [part])
    assert '"name": "M5"' in comparison_json(comparison, 1, [part])


def test_a_lump_in_a_bore_is_in_the_duct(assembled):
    nothing = compare(*(Result("p", "p", "0", ("hatch",), {}, ()) for _ in range(2)))
    (part,) = part_changes(nothing, assembled("old"), assembled("new", lump=5.0))
    (moved,) = part.moved
    assert moved.place.what == "duct" and moved.place.name == "inlet"
    # The path begins at z = -40; the lump is at z = -20.
    assert moved.place.along == pytest.approx(20.0, abs=10.0)
    # The patch of wall below it, 6 x 6, is its face now.
    assert moved.region.how == "face moved" and moved.region.face == pytest.approx(36.0, rel=0.02)
    assert moved.region.shift == pytest.approx([-5, 0, 0], abs=0.01)
    assert moved.region.added.value == pytest.approx(5 * 6 * 6, rel=1e-4)
    assert moved.region.greatest.value == pytest.approx(5.0, abs=0.2)


def test_a_lump_outside_the_bore_is_not_in_the_duct(assembled, tmp_path):
    nothing = compare(*(Result("p", "p", "0", ("hatch",), {}, ()) for _ in range(2)))
    old, new = assembled("old"), assembled("new")
    union(housing(15.0), box((6, 6, 6), (-52, 0, -20))).export(tmp_path / "new.stl")
    new = {a.vehicle: a for a in load(tmp_path / "new.toml").assemble()}
    (part,) = part_changes(nothing, old, new)
    (moved,) = part.moved
    assert moved.place is None
    assert title(moved).startswith("at (-5")


def test_parts_that_moved_as_a_whole_are_new_or_gone(assembled):
    nothing = compare(*(Result("p", "p", "0", ("hatch",), {}, ()) for _ in range(2)))
    more = '[[vehicle.part]]\nname = "clip"\nfile = "box.stl"\nplace.move = [90, 0, 0]'
    old, new = assembled("old"), assembled("new", bonnet=65.0, more=more)
    found = {part.name: part for part in part_changes(nothing, old, new)}
    assert set(found) == {"bonnet", "clip"}
    assert found["clip"].how == "new"
    assert found["bonnet"].shape.motion[:3, 3] == pytest.approx([0, 0, 5])
    lines = [line.text for line in comparison_lines(nothing, parts=list(found.values()))]
    assert any("moved by 5.00 mm" in line for line in lines)
    assert any("clip (hatch): not in the earlier revision." in line for line in lines)
    back = {part.name: part.how for part in part_changes(nothing, new, old)}
    assert back["clip"] == "gone"


def test_directions_in_words():
    assert direction(np.array([0.0, 0.0, -2.0])) == "along -z (down)"
    assert direction(np.array([0.0, 3.0, 0.0])) == "along +y"
    assert direction(np.array([3.0, 0.0, 4.0])) == "along (0.60, 0.00, 0.80)"

"""Answers about bolts, plugs and service points rest on what is near them, and on where that ends.

The oracle is the same run without a cache, byte for byte.
"""

import random

import numpy as np
import pytest
import trimesh

from geomcheck import gate, measuring
from geomcheck.checks import (
    fasten_connector,
    fasten_holes,
    fasten_length,
    fasten_pattern,
    fasten_reach,
    fasten_service,
    fasten_withdraw,
)
from geomcheck.project.load import load
from geomcheck.project.watched import watch
from geomcheck.reports.json import to_json
from geomcheck.store import Store

CHECKS = {
    "reach": fasten_reach,
    "withdraw": fasten_withdraw,
    "length": fasten_length,
    "holes": fasten_holes,
    "pattern": fasten_pattern,
    "connector": fasten_connector,
    "service": fasten_service,
}
PROJECT = """\
format = 1
name = "two bolts far apart"
unit = "mm"

[[part]]
name = "housing"
file = "plate.stl"
role = "housing"

[[part]]
name = "lug"
file = "lug.stl"
role = "carried"
place.move = [0, 0, 10]

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "left"
file = "post.stl"
class = "body panel"
place.move = [-1000, 60, 30]
[[vehicle.part]]
name = "right"
file = "post.stl"
class = "body panel"
place.move = [1000, 60, 30]
[[vehicle.part]]
name = "roof"
file = "roof.stl"
class = "body panel"
place.move = [0, 0, 2000]
[[vehicle.part]]
name = "lid"
file = "post.stl"
class = "body panel"
place.move = [0, 4000, 0]
open_for_tools = true

[[fastener]]
name = "B1"
part = "housing"
at = [-1000, 0, 0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30
[[fastener]]
name = "B2"
part = "housing"
at = [1000, 0, 0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30

[[pattern]]
name = "lug on plate"
parts = ["housing", "lug"]
at = [0, 0, 0]
normal = [0, 0, 1]
within = 60
bolt = 8

[[connector]]
name = "sensor"
part = "housing"
at = [0, -20, 0]
axis = [0, 0, 1]
diameter = 10
length = 20
stroke = 8

[[service]]
name = "drain"
part = "right"
at = [1000, 60, 60]
axis = [0, 0, 1]
diameter = 20
length = 50

[check.fasten-length]
all = true
[check.fasten-holes]
"""
CODES = [f"fasten-{name}" for name in CHECKS]


def export(folder, name, extents, middle=(0, 0, 0)):
    mesh = trimesh.creation.box(extents)
    mesh.apply_translation(middle)
    mesh.export(folder / f"{name}.stl")


@pytest.fixture
def project(tmp_path):
    folder = tmp_path / "parts"
    folder.mkdir()
    export(folder, "plate", (2200, 80, 10), (0, 0, -5))
    export(folder, "lug", (60, 30, 20))
    export(folder, "post", (40, 40, 60))
    export(folder, "roof", (3000, 100, 10))
    file = folder / "project.toml"
    file.write_text(PROJECT, "utf-8")
    return file


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "kept")


@pytest.fixture
def asked(monkeypatch):
    """What was really asked: check and place of the entry."""
    made = []
    for name, module in CHECKS.items():

        def counted(assembly, _plain=module._ask, _name=name, **named):
            key = named.get("key") or getattr(named.get("ask") or named.get("asked"), "key", None)
            made.append((_name, key[1]))
            return _plain(assembly, **named)

        monkeypatch.setattr(module, "_ask", counted)
    return made


def check(project, store):
    return to_json(
        measuring.measure(load(project), lambda *_: None, only=CODES, store=store).result
    )


def plain(project):
    return to_json(gate.run(load(project), only=CODES).result)


def edit(project, old, new):
    before = project.read_text("utf-8")
    assert old in before
    project.write_text(before.replace(old, new, 1), "utf-8")


ALL = {
    *((name, n) for name in ("reach", "withdraw", "length", "holes") for n in (0, 1)),
    ("pattern", 0), ("connector", 0), ("service", 0),
}  # fmt: skip
LEFT, RIGHT = "[-1000, 60, 30]", "[1000, 60, 30]"


def test_every_question_is_asked_once_and_then_recalled(project, store, asked):
    first = check(project, store)
    assert sorted(asked) == sorted(ALL)
    asked.clear()
    edit(project, "[[vehicle]]", "# a note\n[[vehicle]]")
    again = check(project, store)
    assert asked == []
    assert again == plain(project)
    assert len(first) == len(again)


def test_a_part_that_changes_asks_again_only_what_is_near_it(project, store, asked):
    check(project, store)
    asked.clear()
    edit(project, RIGHT, "[1000, 61, 30]")
    found = check(project, store)
    # The service point stands on it; what lies under the heads is the plate alone.
    assert set(asked) == {("reach", 1), ("withdraw", 1), ("service", 0)}
    assert found == plain(project)


def test_a_part_far_from_all_asks_nothing_again(project, store, asked):
    check(project, store)
    asked.clear()
    edit(project, "[0, 4000, 0]", "[0, 4100, 0]")
    found = check(project, store)
    assert asked == []
    assert found == plain(project)


def test_a_part_that_comes_near_asks_again(project, store, asked):
    # Not open for tools any more, which every key holds: all is asked anew.
    edit(project, "\nopen_for_tools = true", "")
    check(project, store)
    before = project.read_text("utf-8")
    for place in ("[-1000, 0, 80]", "[-1000, 0, 300]", "[-1000, 0, 6000]"):
        asked.clear()
        edit(project, "[0, 4000, 0]", place)
        found = check(project, store)
        assert ("withdraw", 0) in asked
        assert {number for _, number in asked} == {0}
        assert found == plain(project)
        project.write_text(before, "utf-8")
    asked.clear()
    edit(project, LEFT, "[-1000, 1060, 30]")
    check(project, store)
    assert set(asked) == {("reach", 0), ("withdraw", 0)}
    asked.clear()
    edit(project, "[-1000, 1060, 30]", "[1000, -60, 30]")
    found = check(project, store)
    # Beside the other bolt now, and not by the service point there.
    assert set(asked) == {("reach", 1), ("withdraw", 1)}
    assert found == plain(project)


def test_a_part_above_all_is_met_by_a_bolt_that_is_drawn(project, store, asked):
    """However far: the travel is told up to the edge of all parts."""
    check(project, store)
    asked.clear()
    edit(project, "[0, 0, 2000]", "[0, 0, 2500]")
    found = check(project, store)
    assert set(asked) == {("withdraw", 0), ("withdraw", 1)}
    assert found == plain(project)
    # A roof beyond those there were, where none was looked for before.
    asked.clear()
    edit(project, "[0, 4000, 0]", "[-1000, 0, 9000]")
    assert check(project, store) == plain(project)


def test_several_revisions_are_known_at_once(project, store, asked):
    texts = [PROJECT.replace(RIGHT, f"[1000, {60 + n}, 30]") for n in range(4)]
    for text in texts:
        project.write_text(text, "utf-8")
        check(project, store)
    asked.clear()
    for text in texts[::-1]:
        project.write_text(f"# moved down\n{text}", "utf-8")
        assert check(project, store) == plain(project)
        asked[:] = asked[: -len(ALL)]
    assert asked == []


EDITS = {
    "name": ('name = "lid"', 'name = "cover"'),
    "role": ('role = "carried"', 'role = "carried"\nsagitta = 0.3'),
    "class": ('class = "body panel"\nplace.move = [0, 0, 2000]',
              'class = "hot part"\nplace.move = [0, 0, 2000]'),
    "open": ("open_for_tools = true", ""),
    "bolt": ("length = 30", "length = 45"),
    "chord error": ("place.move = [0, 4000, 0]", "place.move = [0, 4000, 0]\nsagitta = 3990"),
    "setting": ("[check.fasten-length]", "[check.fasten-reach]\nwithin = 300\n"
                "[check.fasten-length]"),
    "file": ('file = "roof.stl"', 'file = "post.stl"'),
}  # fmt: skip


@pytest.mark.parametrize("name", EDITS)
def test_no_edit_leaves_a_stale_answer(project, store, name):
    check(project, store)
    edit(project, *EDITS[name])
    assert check(project, store) == plain(project)


def test_a_part_less_and_a_part_more(project, store):
    check(project, store)
    row = PROJECT[PROJECT.index('[[vehicle.part]]\nname = "left"') :]
    row = row[: row.index('[[vehicle.part]]\nname = "right"')]
    edit(project, row, "")
    assert check(project, store) == plain(project)
    more = row.replace('"left"', '"more"').replace(LEFT, "[-1000, 0, 60]")
    edit(project, "[[fastener]]", more + "[[fastener]]")
    assert check(project, store) == plain(project)


@pytest.mark.parametrize("seed", range(3))
def test_random_edits_one_after_the_other(project, store, seed):
    """One place after the other, near and far, some taken back: never another byte."""
    rng = random.Random(seed)
    places = {"left": LEFT, "right": RIGHT, "roof": "[0, 0, 2000]", "lid": "[0, 4000, 0]"}
    at = dict(places)
    for _ in range(6):
        name = rng.choice(["left", "right", "roof", "lid", "post", "right"])
        if name == "post":
            export(project.parent, "post", (40, rng.choice([40, 50, 90]), 60))
        elif name == "right" and rng.random() < 0.5:
            at["right"] = RIGHT
        else:
            x = rng.choice([-1000, 0, 1000])
            near = [x, rng.choice([0, 45, -60, 700, 790]), rng.choice([31, 80, 400, 830])]
            at[name] = rng.choice([str(near), places[name]])
        text = PROJECT
        for part, place in places.items():
            text = text.replace(place, at[part], 1)
        project.write_text(text, "utf-8")
        assert check(project, store) == plain(project)


def test_what_is_asked_of_a_watched_vehicle_is_noted(project):
    assembly = next(load(project).assemble(["hatch"]))
    watched = watch(assembly)
    assert list(watched.parts) == list(assembly.parts)
    assert watched.parts.roles == assembly.parts.roles
    assert watched.open_for_tools == assembly.open_for_tools
    assert "left" in watched.parts
    assert watched.asked == []
    low, high = np.array([900.0, 0, 9]), np.array([1100.0, 99, 99])
    assert watched.parts.names_near(low, high) == ("right",)
    assert [part.name for part in watched.parts.near(low, high)] == ["right"]
    assert watched.part_entries["lid"].open_for_tools
    assert [row[0] for row in watched.asked] == ["boxes", "near", "part", "part"]
    assert [row[1] for row in watched.asked if row[0] == "part"] == ["lid", "right"]
    # Whatever takes the parts all together rests on all of them.
    for take in (lambda one: one.ours, lambda one: one.only(["left"]), lambda one: one.parts._wide):
        other = watch(assembly)
        try:
            take(other)
        except AttributeError:
            continue
        assert [row for row in other.asked if row[0] == "part"] == [
            ["part", name] for name in sorted(assembly.parts)
        ]


def test_a_part_that_was_open_and_is_not_any_more(project, store):
    """While it is open, no answer is handed it."""
    edit(project, "[-1000, 60, 30]", "[-1000, 0, 50]\nopen_for_tools = true")
    first = check(project, store)
    edit(project, "[-1000, 0, 50]\nopen_for_tools = true", "[-1000, 0, 50]")
    found = check(project, store)
    assert found == plain(project)
    assert found != first

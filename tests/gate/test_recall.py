"""One changed part redoes what touches it and nothing else, and the answer is never a stale one."""

import json

import numpy as np
import pytest
import trimesh

from geomcheck import gate, measuring
from geomcheck.checks import fit_gap, fit_movement, flow_area
from geomcheck.errors import ProjectError
from geomcheck.project import clearances
from geomcheck.project.assembly import Assembly
from geomcheck.project.load import load
from geomcheck.reports.json import to_json
from geomcheck.store import Store, prints

PROJECT = """\
format = 1
name = "box, lid, side and duct"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[part]]
name = "pipe"
file = "pipe.stl"
role = "carried"
place.move = [200, 0, 0]

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
place.move = [0, 0, 26]
[[vehicle.part]]
name = "strut"
file = "strut.stl"
class = "body panel"
place.move = [40, 0, 0]

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "cowl"
file = "cowl.stl"
class = "body panel"
place.move = [0, 0, -40]

[[tool]]
name = "stub key"
drive = "hexagon socket"
across_flats = 6
profile = [[0, 30, 6.9]]

[[state]]
name = "lifted"
vehicle = "hatch"
[[state.part]]
name = "bonnet"
place.move = [0, 0, 1]

[[duct]]
name = "pipe"
walls = ["pipe"]
path = [[200, 0, -20], [200, 0, 20]]
spacing = 10
least_area = 100

[[movement]]
name = "lean"
parts = ["housing"]
against = ["bonnet", "strut"]
required = 1.0
vehicle = "hatch"
[movement.hinge]
axis = [0, 1, 0]
about = [0, 0, 0]
angle = [-2, 2]

[check.fit-gap.required]
"body panel" = 10
"""


@pytest.fixture
def project(tmp_path):
    folder = tmp_path / "parts"
    folder.mkdir()
    for name in ("housing", "bonnet", "strut", "cowl"):
        trimesh.creation.box((20, 20, 20)).export(folder / f"{name}.stl")
    trimesh.creation.annulus(8.0, 10.0, 40.0, sections=32).export(folder / "pipe.stl")
    file = folder / "project.toml"
    file.write_text(PROJECT, "utf-8")
    return file


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "kept")


@pytest.fixture
def asked(monkeypatch):
    """What was really measured, by check, vehicle and parts."""
    made = []

    def watch(module, name, told):
        plain = getattr(module, name)

        def counted(*arguments, **named):
            made.append(told(*arguments, **named))
            return plain(*arguments, **named)

        monkeypatch.setattr(module, name, counted)

    watch(clearances, "_measure", lambda assembly, _s, a, b, _l: ("gap", assembly.vehicle, a, b))
    watch(fit_movement, "_answer", lambda a, pair, **_: ("move", a.vehicle, pair.still.name))
    watch(flow_area, "_Duct", lambda measured: ("duct", measured.assembly.vehicle))
    return made


def check(project, store):
    return measuring.measure(load(project), lambda *_: None, store=store).result


def plain(project):
    return to_json(gate.run(load(project)).result)


def edit(project, old, new):
    before = project.read_text("utf-8")
    assert old in before
    project.write_text(before.replace(old, new, 1), "utf-8")


def mesh_byte(project, name):
    file = project.parent / f"{name}.stl"
    content = bytearray(file.read_bytes())
    content[84 + 12] ^= 1
    file.write_bytes(content)


def test_the_answers_are_those_without_a_cache(project, store, asked):
    assert to_json(check(project, store)) == plain(project)
    kinds = {row[0] for row in asked}
    assert kinds == {"gap", "move", "duct"}


@pytest.mark.parametrize(
    ("name", "touched"),
    [
        ("cowl", {("gap", "van", "housing", "cowl"), ("gap", "van", "pipe", "cowl")}),
        (
            "strut",
            {
                ("gap", "hatch", "housing", "strut"),
                ("gap", "hatch", "pipe", "strut"),
                ("move", "hatch", "strut"),
            },
        ),
    ],
)
def test_one_changed_part_redoes_what_touches_it(project, store, asked, name, touched):
    check(project, store)
    mesh_byte(project, name)
    asked.clear()
    found = to_json(check(project, store))
    assert set(asked) == touched
    assert found == plain(project)


def test_a_changed_duct_wall_redoes_its_duct(project, store, asked):
    check(project, store)
    mesh_byte(project, "pipe")
    asked.clear()
    found = to_json(check(project, store))
    assert {("duct", "hatch"), ("duct", "van")} <= set(asked)
    assert ("gap", "hatch", "housing", "bonnet") not in asked
    assert found == plain(project)


def test_a_vehicle_more_redoes_no_other(project, store, asked):
    check(project, store)
    more = '\n[[vehicle]]\nname = "bus"\n[[vehicle.part]]\nname = "rail"\nfile = "cowl.stl"\n'
    project.write_text(
        project.read_text("utf-8") + more + 'class = "body panel"\nplace.move = [0, 60, 0]\n',
        "utf-8",
    )
    asked.clear()
    # The names of all vehicles are part of every key: a table may name one of them.
    found = to_json(check(project, store))
    assert found == plain(project)


def test_moved_lines_are_told_anew_without_measuring(project, store, asked):
    check(project, store)
    edit(project, "[[vehicle]]", "# a note\n# of two lines\n[[vehicle]]")
    asked.clear()
    found = check(project, store)
    assert asked == []
    assert to_json(found) == plain(project)
    lines = project.read_text("utf-8").splitlines()
    gap = next(f for f in found.findings if f.subject == "housing / bonnet")
    assert "[[vehicle.part]]" in lines[gap.entry.line - 1 : gap.entry.line + 1]


EDITS = {
    "matrix": ("[0, 0, 26]", "[0, 0, 26.25]"),
    "turn of a place": ("place.move = [0, 0, -40]", "place.move = [0, 0, -41]"),
    "setting": ('"body panel" = 10', '"body panel" = 5'),
    "own pair": ('"body panel" = 10', '"body panel" = 10\n[[check.fit-gap.pair]]\n'
                 'parts = ["housing", "bonnet"]\nrequired = 3'),
    "tool row": ("30, 6.9", "30, 6.8"),
    "state": ("place.move = [0, 0, 1]", "place.move = [0, 0, 2]"),
    "chord error": ('file = "strut.stl"', 'file = "strut.stl"\nsagitta = 0.4'),
    "unit": ('unit = "mm"', 'unit = "cm"'),
    "class": ('class = "body panel"\nplace.move = [40', 'class = "hot part"\nplace.move = [40'),
    "duct": ("least_area = 100", "least_area = 500"),
    "movement": ("angle = [-2, 2]", "angle = [-3, 2]"),
    "another name of a file": ('file = "strut.stl"', 'file = "./strut.stl"'),
    "no gap asked": ('file = "strut.stl"', 'file = "strut.stl"\ngap = false'),
}  # fmt: skip


@pytest.mark.parametrize("name", EDITS)
def test_no_edit_leaves_a_stale_answer(project, store, name):
    check(project, store)
    edit(project, *EDITS[name])
    assert to_json(check(project, store)) == plain(project)


def test_parts_that_swap_their_files_swap_their_answers(project, store):
    trimesh.creation.box((20, 20, 28)).export(project.parent / "strut.stl")
    check(project, store)
    text = project.read_text("utf-8")
    text = text.replace("bonnet.stl", "?").replace("strut.stl", "bonnet.stl")
    project.write_text(text.replace("?", "strut.stl"), "utf-8")
    assert to_json(check(project, store)) == plain(project)


def test_other_code_recalls_no_answer(project, store, asked, monkeypatch):
    check(project, store)
    asked.clear()
    edit(project, "[[vehicle]]", "# a note\n[[vehicle]]")
    monkeypatch.setattr(prints, "__version__", "99")
    prints.code.cache_clear()
    check(project, store)
    monkeypatch.undo()
    prints.code.cache_clear()
    assert len(asked) >= 6


def test_two_processes_keep_what_one_keeps(project, tmp_path, monkeypatch):
    monkeypatch.setattr(gate, "WORTH_SHARING", 0)
    names = []
    for count in (1, 2):
        monkeypatch.setattr("geomcheck.shares.usable", lambda n=count: n)
        store = Store(tmp_path / str(count))
        check(project, store)
        files = sorted(store.folder.glob("??/*"))
        names.append({file.name: file.read_bytes() for file in files})
    assert names[0] == names[1]
    assert len(names[0]) > 20


def test_what_is_in_error_is_said_again_and_on_its_line(project, store):
    edit(project, "about = [0, 0, 0]", "about = [900, 0, 0]")
    first = to_json(check(project, store))
    assert '"error"' in first
    edit(project, "[[vehicle]]", "# a note\n[[vehicle]]")
    assert to_json(check(project, store)) == plain(project)


def test_an_answer_that_does_not_name_its_parts_is_a_fault(project):
    assembly = next(load(project).assemble(["hatch"]))
    alone = assembly.only(["pipe", "bonnet"])
    assert list(alone.parts) == ["pipe", "bonnet"]
    assert alone is assembly.only(["bonnet", "pipe"])
    assert assembly.only(list(assembly.parts)) is assembly
    for ask in (lambda: alone.parts["strut"], lambda: "strut" in alone.parts):
        with pytest.raises(RuntimeError, match="strut"):
            ask()
    assert "nobody" not in alone.parts
    assert np.array_equal(alone.housing.bounds, assembly.housing.bounds)
    with pytest.raises(AttributeError):
        _ = alone.housing.tree
    with pytest.raises(RuntimeError, match="strut"):
        _ = alone.only(["pipe"]).parts["strut"]


def test_what_raises_is_not_kept(project, store, monkeypatch):
    def refuse(assembly, **_named):
        raise ProjectError("not today")

    monkeypatch.setattr(fit_gap, "_answer", refuse)
    wrong = check(project, store)
    assert "Not today." in {f.message for f in wrong.findings}
    assert isinstance(json.loads(to_json(wrong)), dict)
    assert Assembly.__doc__

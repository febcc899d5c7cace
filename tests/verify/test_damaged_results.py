"""A result that somebody edited by hand or that was damaged: one line and exit code 2, never worse.

Two boxes 5 mm apart, in closed form, of which the gap is asked.
"""

import json
import sys

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.errors import InputError
from geomcheck.reports.json import read_result
from geomcheck.verify import Status, recheck

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.0

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
sagitta = 0.0

[[movement]]
name = "down"
parts = ["bonnet"]
rock = { z = [-1, 0] }
against = ["housing"]
required = 0.5

[check.fit-gap.required]
"body panel" = 2
"""


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("damaged")
    trimesh.creation.box((20, 20, 10)).export(folder / "housing.stl")
    trimesh.creation.box((20, 20, 10)).apply_translation((0, 0, 15)).export(folder / "bonnet.stl")
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    result = folder / "result.json"
    done = CliRunner().invoke(
        cli, ["check", str(folder / "project.toml"), "--json", str(result), "--no-cache"]
    )
    assert done.exit_code == 0, done.output
    return folder


def changed(checked, tmp_path, code, change):
    data = json.loads((checked / "result.json").read_text("utf-8"))
    one = next(f for f in data["findings"] if f["code"] == code)
    change(one)
    file = tmp_path / "changed.json"
    file.write_text(json.dumps(data).replace("Infinity", "1e999"), encoding="utf-8")
    return file


def refused(checked, file, capsys, monkeypatch):
    """The message of a verification that ends with exit code 2."""
    from geomcheck import cli as commands

    project = checked / "project.toml"
    monkeypatch.setattr(sys, "argv", ["geomcheck", "verify", str(file), "--project", str(project)])
    with pytest.raises(SystemExit) as end:
        commands.main()
    said = capsys.readouterr().err
    assert end.value.code == 2, said
    assert "internal fault" not in said
    assert len(said.strip().splitlines()) == 1
    assert file.name in said
    return said


def pose(value):
    return lambda one: one["details"]["pose"].update(z=value)


DAMAGED = {
    "no pose": lambda one: one["details"].pop("pose"),
    "a pose of text": lambda one: one["details"].update(pose="z"),
    "a pose past all bounds": pose(1e999),
    "a pose whose square runs over": lambda one: one["witnesses"][1].update(point=[1e300, 0, 0]),
    "a map of two numbers": lambda one: one["details"]["maps"].update(housing=[1, 2]),
    "a point of two numbers": lambda one: one["witnesses"][0].update(point=[1, 2]),
    "a verdict nobody knows": lambda one: one.update(verdict="perhaps"),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_finding_is_refused_in_one_line(checked, tmp_path, capsys, monkeypatch, name):
    file = changed(checked, tmp_path, "fit-movement", DAMAGED[name])
    assert "damaged" in refused(checked, file, capsys, monkeypatch)


def test_a_touch_told_as_an_overlap_is_contradicted(tmp_path):
    """Boxes face to face: the witnesses are one point, and that is no overlap of 0.6 mm."""
    trimesh.creation.box((20, 20, 10)).export(tmp_path / "housing.stl")
    trimesh.creation.box((20, 20, 10)).apply_translation((0, 0, 10)).export(tmp_path / "bonnet.stl")
    (tmp_path / "project.toml").write_text(PROJECT, encoding="utf-8")
    whole = ["check", str(tmp_path / "project.toml"), "--no-cache"]
    CliRunner().invoke(cli, [*whole, "--json", str(tmp_path / "result.json")])

    def deeper(one):
        assert one["details"]["state"] == "touching"
        for key in ("low", "value", "high"):
            one["quantity"][key] -= 0.6

    for code, change, status in (
        ("fit-gap", lambda one: None, Status.CONFIRMED),
        ("fit-gap", deeper, Status.CONTRADICTED),
    ):
        report = recheck(changed(tmp_path, tmp_path, code, change), tmp_path / "project.toml")
        assert [r.status for r in report.findings if r.finding.code == code] == [status]


@pytest.mark.parametrize("fault", [OverflowError, AssertionError, RecursionError, MemoryError])
def test_whatever_an_edited_figure_leads_to_is_told(checked, monkeypatch, fault):
    """Such as a count past all bounds, or a list that takes all memory."""
    from geomcheck.verify import recheck as module

    def route(_scene, _finding):
        raise fault("made up")
        yield

    monkeypatch.setitem(sys.modules["geomcheck.verify.recheck"]._ROUTES, "fit-gap", route)
    assert module is recheck
    with pytest.raises(InputError, match=rf"result\.json.*damaged \({fault.__name__}: made up\)"):
        recheck(checked / "result.json", checked / "project.toml")


def test_a_number_past_all_bounds_anywhere_is_refused(checked, tmp_path):
    """1e999 is JSON and reads as infinite; no report could write it again."""
    file = changed(
        checked, tmp_path, "fit-gap", lambda one: one["details"].update(more=[{"x": [1e999]}])
    )
    with pytest.raises(InputError, match="a number past all bounds"):
        read_result(file)


@pytest.mark.parametrize("details", ["", [], [["a", 1]], None])
def test_details_are_a_table(checked, tmp_path, details):
    """An empty text or list is not taken for an empty table."""
    file = changed(checked, tmp_path, "fit-gap", lambda one: one.update(details=details))
    with pytest.raises(InputError, match="is no table"):
        read_result(file)

"""Results as they are confirmed, tampered ones contradicted, and what is left open said so.

Truths: boxes whose gap, overlap and section are known in closed form.
"""

import json
import os
import shutil

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.errors import InputError
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
place = { turn = [{ axis = [1, 2, 3], angle = 37, about = [4, 5, 6] }], move = [1, -2, 3] }

[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
sagitta = 0.0

[[vehicle.part]]
name = "clip"
file = "clip.stl"
class = "body panel"
sagitta = 0.0

[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -9], [0, 0, 9]]
least_area = 90.0

[check.fit-gap.required]
"body panel" = 5
"""


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """A block with a square bore of 10 mm; a plate 6 mm above it; a clip 2 mm inside it."""
    folder = tmp_path_factory.mktemp("boxes")
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    block = trimesh.creation.box((40, 40, 20))
    bore = trimesh.creation.box((10, 10, 30))
    trimesh.boolean.difference([block, bore]).export(folder / "housing.stl")
    # The vehicle's parts are saved in its own axes: the place brings them back.
    turn = trimesh.transformations.rotation_matrix(np.radians(37), (1, 2, 3), (4, 5, 6))
    place = trimesh.transformations.translation_matrix((1, -2, 3)) @ turn
    for name, size, at in (("bonnet", (30, 30, 4), (0, 0, 18)), ("clip", (4, 4, 4), (20, 0, 0))):
        box = trimesh.creation.box(size, trimesh.transformations.translation_matrix(at))
        box.apply_transform(np.linalg.inv(place)).export(folder / f"{name}.stl")
    done = CliRunner().invoke(
        cli, ["check", str(folder / "project.toml"), "--json", str(folder / "result.json")]
    )
    assert done.exit_code == 1, done.output
    return folder


def tampered(folder, tmp_path, change):
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    data = json.loads((copy / "result.json").read_text("utf-8"))
    change(data)
    (copy / "result.json").write_text(json.dumps(data), encoding="utf-8")
    return recheck(copy / "result.json", copy / "project.toml")


def one(data, code, subject):
    return next(f for f in data["findings"] if f["code"] == code and subject in f["subject"])


def test_an_honest_result_is_not_contradicted(checked):
    report = recheck(checked / "result.json", checked / "project.toml")
    assert not report.of(Status.CONTRADICTED)
    assert all(claim.status is Status.CONFIRMED for claim in report.whole)
    found = {(r.finding.code, r.finding.subject): r for r in report.findings}
    gap = found["fit-gap", "housing / bonnet"]
    # Corners are float32 numbers in turned axes.
    assert gap.finding.quantity.value == pytest.approx(6.0, abs=1e-5)
    assert gap.status is Status.CONFIRMED
    assert any(c.what == "nothing nearer" for c in gap.claims)
    clip = found["fit-gap", "housing / clip"]
    assert clip.finding.quantity.value == pytest.approx(-2.0, abs=1e-5)
    assert clip.status is Status.CONFIRMED
    assert any(c.what == "inside" for c in clip.claims)
    bore = found["flow-area", 'duct "bore"']
    assert bore.finding.quantity.value == pytest.approx(100.0, abs=1e-3)
    assert any(c.what == "area at the throat" and c.status is Status.CONFIRMED for c in bore.claims)


def value_up(data):
    one(data, "fit-gap", "clip")["quantity"] |= {
        "value": -1.5,
        "low": -1.5,
        "high": -1.5,
        "terms": [],
    }


def gap_up(data):
    quantity = one(data, "fit-gap", "bonnet")["quantity"]
    for key in ("value", "low", "high"):
        quantity[key] += 1.0


def witness_moved(data):
    one(data, "fit-gap", "bonnet")["witnesses"][0]["point"][0] += 30.0


def other_witnesses(data):
    """A value and two witnesses that agree with each other and with both parts, but not nearest."""
    finding = one(data, "fit-gap", "bonnet")
    for witness in finding["witnesses"]:
        witness["point"] = [12.0, 12.0, -10.0 if witness["part"] == "housing" else 16.0]
    for key in ("value", "low", "high"):
        finding["quantity"][key] += 20.0


def said_to_overlap(data):
    """Apart by 6 mm, and said to overlap by 6 mm: the witnesses agree, but neither is inside."""
    finding = one(data, "fit-gap", "bonnet")
    finding["verdict"] = "fail"
    data["counts"]["pass"] -= 1
    data["counts"]["fail"] += 1
    quantity = finding["quantity"]
    quantity |= {"value": -quantity["value"], "low": -quantity["high"], "high": -quantity["low"]}
    finding["details"]["state"] = "overlapping"


def verdict_up(data):
    finding = one(data, "fit-gap", "clip")
    finding["verdict"] = "pass"
    data["counts"]["fail"] -= 1
    data["counts"]["pass"] += 1


def limit_down(data):
    finding = one(data, "fit-gap", "bonnet")
    finding["requirement"]["limit"] = 1.0


def area_up(data):
    quantity = one(data, "flow-area", "bore")["quantity"]
    for key in ("value", "low", "high"):
        quantity[key] += 5.0


def interval_narrow(data):
    quantity = one(data, "flow-area", "bore")["quantity"]
    quantity["low"] = quantity["high"] = quantity["value"]
    quantity["terms"] = [{"name": "facets", "minus": 1.0, "plus": 1.0, "source": "x"}]


@pytest.mark.parametrize(
    "change",
    [
        value_up,
        gap_up,
        witness_moved,
        other_witnesses,
        said_to_overlap,
        verdict_up,
        limit_down,
        area_up,
        interval_narrow,
    ],
)
def test_a_tampered_finding_is_contradicted(checked, tmp_path, change):
    report = tampered(checked, tmp_path, change)
    assert report.exit_code == 1
    assert report.of(Status.CONTRADICTED)


def test_a_finding_taken_out_is_told(checked, tmp_path):
    def change(data):
        gone = one(data, "fit-gap", "clip")
        data["findings"].remove(gone)
        data["counts"][gone["verdict"]] -= 1

    report = tampered(checked, tmp_path, change)
    wrong = [claim.what for claim in report.whole if claim.status is Status.CONTRADICTED]
    assert "pairs left out" in wrong
    assert report.exit_code == 1


def test_another_mesh_than_the_one_checked_is_told(checked, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    mesh = trimesh.load(copy / "housing.stl")
    mesh.apply_translation((0, 0, 0.5)).export(copy / "housing.stl")
    report = recheck(copy / "result.json", copy / "project.toml")
    assert {r.finding.code for r in report.of(Status.CONTRADICTED)} >= {"fit-gap"}


def test_another_project_is_refused(checked, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    text = (copy / "project.toml").read_text("utf-8").replace('"boxes"', '"others"')
    (copy / "project.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="others"):
        recheck(copy / "result.json", copy / "project.toml")


def test_the_command_line(checked, tmp_path):
    """What has no second route is listed, and the exit code is not 0."""
    out = tmp_path / "report.json"
    done = CliRunner().invoke(
        cli,
        ["verify", str(checked / "result.json"), "--project", str(checked / "project.toml"),
         "--json", str(out)],
    )  # fmt: skip
    data = json.loads(out.read_text("utf-8"))
    assert done.exit_code == data["exit_code"]
    assert done.exit_code in (0, 4)
    assert data["counts"]["contradicted"] == 0
    assert (data["counts"]["not re-checked"] > 0) == (done.exit_code == 4)
    assert "contradicted" in done.output


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
@pytest.mark.parametrize("name", ["bonnet.stl", "result.json"])
def test_a_pipe_under_a_file_s_name_is_refused(checked, tmp_path, name):
    """It would be waited for without end."""
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    (copy / name).unlink()
    os.mkfifo(copy / name)
    with pytest.raises(InputError, match="a pipe or a device"):
        recheck(copy / "result.json", copy / "project.toml")


def test_meshes_of_other_formats_are_read(checked, tmp_path):
    """The same boxes as OBJ and PLY: nothing is contradicted."""
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    text = (copy / "project.toml").read_text("utf-8")
    for name, kind in (("bonnet", "obj"), ("clip", "ply")):
        more = {"digits": 10} if kind == "obj" else {}
        trimesh.load(copy / f"{name}.stl").export(copy / f"{name}.{kind}", **more)
        text = text.replace(f"{name}.stl", f"{name}.{kind}")
    (copy / "project.toml").write_text(text, encoding="utf-8")
    report = recheck(copy / "result.json", copy / "project.toml")
    gaps = [one for one in report.findings if one.finding.code == "fit-gap"]
    assert gaps and all(one.status is Status.CONFIRMED for one in gaps)

"""The area two faces have in common, re-checked: confirmed as found, contradicted if falsified."""

import json

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli

PROJECT = """\
format = 1
name = "joint"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.01

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "adapter"
file = "adapter.stl"
class = "engine"
sagitta = 0.01

[[mate]]
name = "flange"
parts = ["housing", "adapter"]
at = [10, 5, 0]
normal = [0, 0, -1]
area = {area}

[check.fit-gap.required]
engine = 1
"""


def claims(result):
    return {f["subject"]: f for f in result["findings"] if f["code"] == "fit-mate"}


@pytest.fixture
def checked(tmp_path):
    """Boxes of 80 x 60 and 60 x 60 on one another, 3600 mm2 in common."""
    above = trimesh.creation.box((80, 60, 20)).apply_translation((0, 0, 10))
    above.export(tmp_path / "housing.stl")
    below = trimesh.creation.box((60, 60, 20)).apply_translation((0, 0, -10))
    below.export(tmp_path / "adapter.stl")

    def check(area=3500.0):
        file = tmp_path / "project.toml"
        file.write_text(PROJECT.format(area=area), encoding="utf-8")
        arguments = ["check", str(file), "--json", str(tmp_path / "out.json"), "--no-cache"]
        CliRunner().invoke(cli, arguments)
        return json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))

    def verify(result):
        out = tmp_path / "out.json"
        out.write_text(json.dumps(result), encoding="utf-8")
        project = str(tmp_path / "project.toml")
        return CliRunner().invoke(cli, ["verify", str(out), "--project", project, "--json", "-"])

    return check, verify


@pytest.mark.parametrize(("area", "verdict"), [(3500.0, "pass"), (3700.0, "fail")])
def test_a_sound_finding_is_confirmed(checked, area, verdict):
    check, verify = checked
    result = check(area)
    found = claims(result)['mate "flange", area']
    assert found["verdict"] == verdict
    assert found["quantity"]["value"] == pytest.approx(3600.0)
    done = verify(result)
    assert done.exit_code == 0, done.output


def change(found, **values):
    for path, value in values.items():
        *way, last = path.split("__")
        here = found
        for step in way:
            here = here[int(step)] if step.isdigit() else here[step]
        here[int(last) if last.isdigit() else last] = value


@pytest.mark.parametrize(
    "values",
    [
        {"quantity__value": 3620.0, "quantity__low": 3610.0, "quantity__high": 3630.0},
        {"requirement__limit": 3400.0},
        {"parts__1": "housing"},
        {"witnesses__0__point__2": 3.0},
        {"witnesses__0__point__0": 20.0},
    ],
)
def test_a_falsified_one_is_contradicted(checked, values):
    check, verify = checked
    result = check()
    change(claims(result)['mate "flange", area'], **values)
    assert verify(result).exit_code == 1


def test_a_deleted_one_is_missed(checked):
    check, verify = checked
    result = check()
    gone = claims(result)['mate "flange", area']
    result["findings"].remove(gone)
    assert verify(result).exit_code == 1

"""A run that cannot begin says so in every report asked for, instead of leaving an earlier one."""

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import junitparser
import pytest
import trimesh
from click.testing import CliRunner
from lxml import etree

from geomcheck.cli import cli
from geomcheck.compare.changes import compare
from geomcheck.errors import GeomcheckError
from geomcheck.finding import Verdict
from geomcheck.reports.json import read_result

PROJECT = """\
format = 1
name = "block"
unit = "mm"

[[part]]
name = "housing"
file = "block.stl"
role = "housing"
sagitta = 0.01

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
sagitta = 0.01

[check.fit-gap.required]
"body panel" = 10.0
"""
REPORTS = ("html", "json", "junit", "sarif", "markdown")
SCHEMA = Path(__file__).parents[1] / "reports/schemas/junit-10.xsd"


@pytest.fixture
def folder(tmp_path):
    trimesh.creation.box((40, 40, 20)).export(tmp_path / "block.stl")
    bonnet = trimesh.creation.box((60, 60, 2)).apply_translation((0, 0, 31))
    bonnet.export(tmp_path / "bonnet.stl")
    (tmp_path / "project.toml").write_text(PROJECT)
    return tmp_path


def _check(folder, *more):
    given = [f"--{name}={folder / f'out.{name}'}" for name in REPORTS]
    args = ["check", str(folder / "project.toml"), "--no-cache", *given, *more]
    return CliRunner().invoke(cli, args)


def _reports(folder):
    return {name: (folder / f"out.{name}").read_text("utf-8") for name in REPORTS}


FAULTS = {
    "no project file": lambda folder: (folder / "project.toml").unlink(),
    "no mesh": lambda folder: (folder / "bonnet.stl").unlink(),
    "a mesh cut short": lambda folder: (folder / "bonnet.stl").write_bytes(
        (folder / "bonnet.stl").read_bytes()[:200]
    ),
    "a word not known": lambda folder: (folder / "project.toml").write_text(
        PROJECT.replace("sagitta", "sagita", 1)
    ),
    "no TOML": lambda folder: (folder / "project.toml").write_text("[[part"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_reports_of_an_earlier_run_do_not_stay(folder, fault):
    done = _check(folder)
    assert done.exit_code == 0, done.output
    before = _reports(folder)
    FAULTS[fault](folder)
    done = _check(folder)
    assert isinstance(done.exception, GeomcheckError)
    after = _reports(folder)
    assert all(after[name] != before[name] for name in REPORTS)
    told = done.exception.what
    read = read_result(folder / "out.json")
    assert read.exit_code == 2
    (finding,) = read.findings
    assert finding.verdict is Verdict.ERROR
    assert told.rstrip(".").lower() in finding.message.lower()
    assert json.loads(after["json"])["exit_code"] == 2
    suites = junitparser.JUnitXml.fromstring(after["junit"].encode())
    assert (suites.tests, suites.errors) == (1, 1)
    etree.XMLSchema(etree.parse(SCHEMA)).assertValid(etree.fromstring(after["junit"].encode()))
    run = json.loads(after["sarif"])["runs"][0]
    assert run["invocations"][0] == {
        "executionSuccessful": False,
        "exitCode": 2,
        "exitCodeDescription": run["invocations"][0]["exitCodeDescription"],
    }
    assert run["results"][0]["level"] == "error"
    assert "Exit code 2" in after["markdown"]
    assert "Nothing was checked" in after["html"]


def test_a_comparison_with_it_fails(folder):
    _check(folder, "--json", str(folder / "old.json"))
    FAULTS["no mesh"](folder)
    _check(folder)
    old, new = (read_result(folder / name) for name in ("old.json", "out.json"))
    assert compare(old, new).exit_code() != 0


def test_a_line_of_the_project_file_is_named(folder):
    FAULTS["a word not known"](folder)
    _check(folder)
    sarif = json.loads((folder / "out.sarif").read_text("utf-8"))
    place = sarif["runs"][0]["results"][0]["locations"][0]["physicalLocation"]
    line = PROJECT[: PROJECT.index("sagitta")].count("\n") + 1
    assert place["region"]["startLine"] == line


def test_reports_that_cannot_be_written_hide_no_fault(folder):
    FAULTS["no mesh"](folder)
    (folder / "taken").mkdir()
    done = _check(folder, "--markdown", str(folder / "taken"))
    assert "bonnet.stl" in done.exception.text
    assert ET.parse(folder / "out.junit").getroot().get("errors") == "1"

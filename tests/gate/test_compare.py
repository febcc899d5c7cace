"""``geomcheck compare`` as a user meets it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
import trimesh

PROJECT = """\
format = 1
name = "two boxes"
unit = "mm"

[[part]]
name = "housing"
file = "{housing}"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet <b>"
file = "box.stl"
class = "body panel"
sagitta = 0.0
place.move = [0, 0, {move}]

[check.fit-gap.required]
"body panel" = 10
"""


def geomcheck(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "geomcheck", *map(str, arguments)],
        capture_output=True, text=True, encoding="utf-8", timeout=300, check=False,
    )  # fmt: skip


@pytest.fixture
def project(tmp_path):
    trimesh.creation.box((20, 20, 20)).export(tmp_path / "box.stl")

    def write(gap, name="project.toml"):
        file = tmp_path / name
        text = PROJECT.format(housing="box.stl", move=20 + gap)
        file.write_text(text, encoding="utf-8")
        return file

    return write


def saved(project, tmp_path, name):
    file = tmp_path / f"{name}.json"
    geomcheck("check", project, "--json", file)
    return file


def test_two_projects_and_two_results_say_the_same(project, tmp_path):
    old, new = project(12.0, "old.toml"), project(9.0, "new.toml")
    page = tmp_path / "page.html"
    run = geomcheck("compare", old, new, "--html", page)
    assert run.returncode == 1
    assert "now fails  fit-gap  housing / bonnet <b>" in run.stdout
    assert "change -3.00 mm" in run.stdout
    assert "required at least 10.00 mm" in run.stdout
    before, after = saved(old, tmp_path, "old"), saved(new, tmp_path, "new")
    again = geomcheck("compare", before, after)
    assert again.stdout == "\n".join(run.stdout.splitlines()[:-1]) + "\n"
    text = page.read_text(encoding="utf-8")
    assert "bonnet &lt;b&gt;" in text and "<b>&lt;" not in text
    assert "default-src 'none'" in text


def test_json_to_standard_output(project, tmp_path):
    files = [saved(project(gap), tmp_path, f"r{gap}") for gap in (12.0, 11.0)]
    run = geomcheck("compare", *files, "--json", "-")
    assert run.returncode == 0
    data = json.loads(run.stdout)
    assert data["schema"] == "geomcheck comparison" and data["exit_code"] == 0
    (worse,) = [c for c in data["changes"] if c["kind"] == "worse"]
    assert worse["change"]["value"] == pytest.approx(-1.0)
    assert geomcheck("compare", *files, "--worse-fails").returncode == 1


def test_the_same_twice(project, tmp_path):
    file = saved(project(12.0), tmp_path, "r")
    run = geomcheck("compare", file, file)
    assert run.returncode == 0
    assert "Nothing changed in" in run.stdout


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "cannot be read"),
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ("[1]", "no result of geomcheck"),
        ('{"schema": "geomcheck result", "schema_version": 99}', "layout 99"),
        ('{"schema": "geomcheck result", "schema_version": 1}', "damaged"),
    ],
)
def test_what_is_no_result(project, tmp_path, text, said):
    good = saved(project(12.0), tmp_path, "good")
    bad = tmp_path / "bad.json"
    if text is not None:
        bad.write_text(text, encoding="utf-8")
    run = geomcheck("compare", good, bad)
    assert run.returncode == 2
    assert said in run.stderr and "bad.json" in run.stderr
    assert "internal fault" not in run.stderr and "Traceback" not in run.stderr


def test_a_result_read_back_writes_the_same_bytes(project, tmp_path):
    from geomcheck.reports.json import read_result, to_json

    file = Path(saved(project(12.0), tmp_path, "r"))
    assert to_json(read_result(file)) == file.read_text(encoding="utf-8")

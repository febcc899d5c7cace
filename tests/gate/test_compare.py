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
    run = geomcheck("compare", old, new, "--html", page, "--no-parts")
    assert run.returncode == 1
    assert "now fails  fit-gap  housing / bonnet <b>" in run.stdout
    assert "change -3.00 mm" in run.stdout
    assert "required at least 10.00 mm" in run.stdout
    before, after = saved(old, tmp_path, "old"), saved(new, tmp_path, "new")
    again = geomcheck("compare", before, after)
    assert again.stdout == "\n".join(run.stdout.splitlines()[:-1]) + "\n"
    text = page.read_text(encoding="utf-8")
    assert "bonnet &lt;b&gt;" in text and "<b>&lt;" not in text
    assert text.count("data:image/png;base64,") == 2  # the place then and now
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


def git(folder, *arguments):
    return subprocess.run(
        ["git", "-C", str(folder), "-c", "user.name=a", "-c", "user.email=a@b", *arguments],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


@pytest.fixture
def repository(project, tmp_path):
    """A project in a folder of a repository, with a housing that grew between two commits."""
    home = tmp_path / "home"
    folder = home / "a housing"
    folder.mkdir(parents=True)
    git(home, "init", "-q", "-b", "main")

    def commit(height, gap, name):
        box = trimesh.creation.box((20, 20, height))
        box.apply_translation((0, 0, 0.5 * (height - 20)))
        box.export(folder / "housing.stl")
        trimesh.creation.box((20, 20, 20)).export(folder / "box.stl")
        text = PROJECT.format(housing="housing.stl", move=20 + gap)
        text = text.replace('role = "housing"\n', 'role = "housing"\nmaterial = "Al 6061"\n')
        (folder / "project.toml").write_text(text, encoding="utf-8")
        if name:
            git(home, "add", ".")
            git(home, "commit", "-q", "-m", name)
            git(home, "tag", name)

    commit(20.0, 12.0, "one")
    commit(23.0, 12.0, "two")
    return folder, commit


def test_two_revisions_of_one_project(repository):
    folder, _ = repository
    run = geomcheck("compare", "one", "two", "--project", folder / "project.toml")
    assert run.returncode == 1, run.stderr
    assert "project.toml at one" in run.stdout and "project.toml at two" in run.stdout
    assert "now fails  fit-gap  housing / bonnet <b>" in run.stdout
    assert "moved as one by 3.00 mm along +z (up)" in run.stdout
    assert "gap 12.00 to 9.00 mm, not fulfilled any more [hatch]" in run.stdout
    # 20 x 20 x 3 mm, at 2.70 to 2.71 g/cm3.
    assert "added 1200 mm3 (1200 .. 1200)" in run.stdout.replace("³", "3")
    assert "+3.2 g (+3.2 .. +3.3)" in run.stdout
    assert "Al 6061" in run.stdout
    # Nothing is left behind in the repository.
    assert git(folder, "status", "--porcelain") == ""
    assert git(folder, "worktree", "list").count("\n") == 1


def test_a_revision_against_the_files_as_they_are(repository):
    folder, commit = repository
    commit(26.0, 12.0, "")
    page, data = folder / "page.html", folder / "out.json"
    run = geomcheck("compare", "one", "--project", folder / "project.toml", "--html", page,
                    "--json", data)  # fmt: skip
    assert run.returncode == 1, run.stderr
    assert "as it is now" in run.stdout and "by 6.00 mm along +z (up)" in run.stdout
    told = json.loads(data.read_text(encoding="utf-8"))
    (part,) = told["parts"]
    (region,) = part["regions"]
    assert part["part"] == "housing" and region["shift"] == pytest.approx([0, 0, 6], abs=1e-4)
    assert region["direction"] == pytest.approx([0, 0, 1], abs=1e-5)
    assert part["volume"]["value"] == pytest.approx(2400.0)
    assert part["greatest"]["low"] == pytest.approx(6.0, abs=1e-4)
    assert 6.0 - 1e-4 <= part["greatest"]["high"] <= 6.04
    assert {c["subject"] for c in region["measured_there"]} == {"housing / bonnet <b>"}
    text = page.read_text(encoding="utf-8")
    assert text.count("data:image/png;base64,") == 2
    assert "What moved: housing" in text and "<b>&lt;" not in text


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("nosuch", "two"), "there is no revision 'nosuch'"),
        (("--", "-x", "two"), "there is no revision '-x'"),
    ],
)
def test_a_revision_that_is_not_there(repository, arguments, said):
    folder, _ = repository
    run = geomcheck("compare", "--project", folder / "project.toml", *arguments)
    assert run.returncode == 2
    assert said in run.stderr and "Traceback" not in run.stderr


def test_a_project_file_that_was_not_there_then(repository):
    folder, _ = repository
    git(folder, "rm", "-q", "--cached", "project.toml")
    git(folder, "commit", "-q", "-m", "gone")
    run = geomcheck("compare", "one", "HEAD", "--project", folder / "project.toml")
    assert run.returncode == 2
    assert "there is no a housing/project.toml in revision 'HEAD'" in run.stderr


def test_meshes_that_are_only_pointers(repository):
    folder, _ = repository
    pointer = "version https://git-lfs.github.com/spec/v1\noid sha256:%s\nsize 684\n"
    (folder / "housing.stl").write_text(pointer % ("0" * 64), encoding="ascii")
    git(folder, "commit", "-q", "-a", "-m", "lfs")
    run = geomcheck("compare", "one", "HEAD", "--project", folder / "project.toml")
    assert run.returncode == 2
    assert "Git LFS pointer" in run.stderr and "HEAD:a housing/housing.stl" in run.stderr
    assert "git lfs pull" in run.stderr and "Traceback" not in run.stderr
    assert git(folder, "worktree", "list").count("\n") == 1


def test_one_name_is_nothing_to_compare(project):
    run = geomcheck("compare", project(12.0))
    assert run.returncode == 2
    assert "nothing to compare it with" in run.stderr

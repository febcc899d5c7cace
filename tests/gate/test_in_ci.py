"""The gate in CI: the README's workflow and hook are run, on a Git repository made here."""

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import check_jsonschema
import jsonschema
import pytest
import trimesh
from ruamel.yaml import YAML

README = Path(__file__).parents[2] / "README.md"
PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "hatch/bonnet.stl"
class = "body panel"

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "bonnet"
file = "van bonnet ä.stl"
class = "body panel"

[check.fit-gap.required]
"body panel" = 10
"""


def blocks(language):
    text = README.read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def lid(place, file):
    trimesh.creation.box((10, 10, 10)).apply_translation((0, 0, place)).export(file)


@pytest.fixture
def environment(tmp_path_factory):
    """An environment in which ``geomcheck`` is this checkout's, and Git has a name to commit as."""
    folder = tmp_path_factory.mktemp("bin")
    command = folder / "geomcheck"
    command.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m geomcheck "$@"\n')
    command.chmod(0o755)
    return {
        **{k: v for k, v in os.environ.items() if not k.startswith("GIT_")},
        "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}",
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_CONFIG_SYSTEM": os.devnull,
        **{
            f"GIT_{who}_{what}": "a@b"
            for who in ("AUTHOR", "COMMITTER")
            for what in ("NAME", "EMAIL")
        },
    }


def run(*command, cwd, env):
    return subprocess.run(
        command, cwd=cwd, env=env, capture_output=True, text=True, encoding="utf-8", check=False
    )


@pytest.fixture
def repository(tmp_path, environment):
    """A repository with two vehicles that fit, all committed."""
    if shutil.which("git") is None:
        pytest.skip("Git is not installed")
    folder = tmp_path / "design files"
    (folder / "hatch").mkdir(parents=True)
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    trimesh.creation.box((10, 10, 10)).export(folder / "housing.stl")
    lid(25, folder / "hatch" / "bonnet.stl")
    lid(30, folder / "van bonnet ä.stl")
    for command in (["init", "-q", "-b", "main"], ["add", "."], ["commit", "-qm", "first"]):
        done = run("git", *command, cwd=folder, env=environment)
        assert done.returncode == 0, done.stderr
    return folder


def check(folder, env, *options):
    return run(
        sys.executable, "-m", "geomcheck", "check", "project.toml", *options, cwd=folder, env=env
    )


def test_the_workflow_is_one():
    """By the schema of workflow files that the package check-jsonschema carries."""
    (text,) = blocks("yaml")
    vendor = Path(check_jsonschema.__file__).parent / "builtin_schemas" / "vendor"
    schema = json.loads((vendor / "github-workflows.json").read_text(encoding="utf-8"))
    workflow = YAML(typ="safe").load(text)
    jsonschema.validators.validator_for(schema)(schema).validate(workflow)


@pytest.mark.skipif(os.name == "nt", reason="the workflow's shell is a POSIX one")
@pytest.mark.parametrize(("place", "code"), [(25, 0), (19, 1)])
def test_the_workflow_s_command_gates(repository, environment, tmp_path, place, code):
    (text,) = blocks("yaml")
    steps = YAML(typ="safe").load(text)["jobs"]["geomcheck"]["steps"]
    (command,) = [s["run"] for s in steps if s.get("run", "").startswith("geomcheck")]
    lid(place, repository / "hatch" / "bonnet.stl")
    summary = tmp_path / "summary.md"
    env = {**environment, "GITHUB_STEP_SUMMARY": str(summary)}
    done = run("sh", "-e", "-c", command, cwd=repository, env=env)
    assert done.returncode == code, done.stdout + done.stderr
    assert f"Exit code {code}" in summary.read_text(encoding="utf-8")
    for name in ("gate.sarif", "gate.xml", "gate.json", "gate.html"):
        assert (repository / name).stat().st_size > 500
    sarif = json.loads((repository / "gate.sarif").read_text(encoding="utf-8"))
    failed = [
        result
        for result in sarif["runs"][0]["results"]
        if result["kind"] == "fail" and result["ruleId"] == "fit-gap"
    ]
    marks = [
        line
        for line in done.stdout.splitlines()
        if line.startswith("::error file=project.toml,line=") and "fit-gap" in line
    ]
    assert len(failed) == len(marks) == code
    if code:
        line = failed[0]["locations"][0]["physicalLocation"]["region"]["startLine"]
        asked = PROJECT.splitlines()[line - 1]
        assert asked == "[[vehicle.part]]"
        assert f"line={line}," in marks[0]


@pytest.mark.skipif(os.name == "nt", reason="the hook is a POSIX shell's")
def test_the_hook_lets_a_good_commit_through_and_stops_a_bad_one(repository, environment):
    (text,) = blocks("sh")
    hook = repository / ".git" / "hooks" / "pre-commit"
    hook.parent.mkdir(exist_ok=True)
    hook.write_text(text)
    hook.chmod(0o755)

    def commit(what):
        run("git", "add", "-A", cwd=repository, env=environment)
        return run("git", "commit", "-m", what, cwd=repository, env=environment)

    (repository / "notes.txt").write_text("no part")
    assert commit("notes").returncode == 0
    lid(26, repository / "hatch" / "bonnet.stl")
    good = commit("higher")
    assert good.returncode == 0, good.stderr
    lid(19, repository / "hatch" / "bonnet.stl")
    bad = commit("too low")
    assert bad.returncode != 0
    assert "housing / bonnet" in bad.stdout + bad.stderr
    # its first parent is still the good one
    assert run("git", "log", "--format=%s", cwd=repository, env=environment).stdout.split("\n")[
        0
    ] == ("higher")


def vehicles_of(done):
    return json.loads(done.stdout)["vehicles"]


def test_only_vehicles_of_which_a_file_changed_are_asked(repository, environment):
    since = ("--changed-since", "HEAD", "--json", "-")
    done = check(repository, environment, *since)
    assert (done.returncode, vehicles_of(done)) == (3, [])
    # no comparison of names: the file is read as changed though Git would quote its name
    lid(31, repository / "van bonnet ä.stl")
    done = check(repository, environment, *since)
    assert (done.returncode, vehicles_of(done)) == (0, ["van"])
    # what belongs to all is asked of all: the housing, and the questions themselves
    trimesh.creation.box((10, 10, 9.5)).export(repository / "housing.stl")
    assert vehicles_of(check(repository, environment, *since)) == ["hatch", "van"]
    run("git", "checkout", "-q", ".", cwd=repository, env=environment)
    (repository / "project.toml").write_text(PROJECT + "# more\n", encoding="utf-8")
    assert vehicles_of(check(repository, environment, *since)) == ["hatch", "van"]
    run("git", "checkout", "-q", ".", cwd=repository, env=environment)
    # a file Git has not been told of is new
    run("git", "rm", "-q", "--cached", "hatch/bonnet.stl", cwd=repository, env=environment)
    run("git", "commit", "-qm", "forgotten", cwd=repository, env=environment)
    assert vehicles_of(check(repository, environment, *since)) == ["hatch"]


def test_a_baseline_that_changed_is_asked_of_all(repository, environment):
    """A tightened baseline fails vehicles of which no mesh changed: they must not be left out."""
    more = '[baseline]\nfile = "accepted.json"\nchecks = ["fit-gap"]\n'
    (repository / "project.toml").write_text(PROJECT + more, encoding="utf-8")
    accept = (sys.executable, "-m", "geomcheck", "accept", "project.toml")
    assert run(*accept, cwd=repository, env=environment).returncode == 0
    run("git", "add", "-A", cwd=repository, env=environment)
    run("git", "commit", "-qm", "baseline", cwd=repository, env=environment)
    since = ("--changed-since", "HEAD", "--json", "-")
    assert check(repository, environment, *since).returncode == 3
    file = repository / "accepted.json"
    file.write_text(file.read_text().replace("15.0", "17.0"))
    done = check(repository, environment, *since)
    assert (done.returncode, vehicles_of(done)) == (1, ["hatch", "van"])


def test_what_was_left_out_is_said(repository, environment):
    lid(31, repository / "van bonnet ä.stl")
    done = check(repository, environment, "--changed-since", "main")
    assert "not checked: hatch, of which no file changed since main" in done.stdout


@pytest.mark.parametrize("revision", ["nonsense", "--output=x", ""])
def test_a_wrong_revision_is_an_input_error(repository, environment, revision):
    done = check(repository, environment, f"--changed-since={revision}")
    assert done.returncode == 2
    assert "no revision" in done.stderr
    assert not (repository / "x").exists()


def test_outside_a_repository_it_says_so(repository, environment):
    shutil.rmtree(repository / ".git")
    env = {**environment, "GIT_CEILING_DIRECTORIES": str(repository.parent)}
    done = check(repository, env, "--changed-since", "HEAD")
    assert done.returncode == 2
    assert "repository" in done.stderr


def test_no_level_lets_a_fail_through(repository, environment):
    assert check(repository, environment, "--fail-level", "fail").returncode == 2
    lid(19, repository / "hatch" / "bonnet.stl")
    for level in ("undecided", "waived", "remark"):
        done = check(repository, environment, "--fail-level", level, "--json", "-")
        data = json.loads(done.stdout)
        assert (data["fail_level"], data["exit_code"], done.returncode) == (level, 1, 1)

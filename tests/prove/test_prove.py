"""What is planted is caught where the project file asks, and the advice makes it ask."""

import json

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.prove import Kind, Outcome, prove

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.0
{housing}

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
sagitta = 0.0
place.move = [0, 0, {up}]
{bonnet}

[check.fit-gap.required]
"body panel" = 5

{more}
"""


@pytest.fixture
def project(tmp_path):
    """A bracket-like housing under a plate, with 0.2 mm to spare (or as asked)."""
    corner = trimesh.creation.box(
        (10, 8, 6), trimesh.transformations.translation_matrix((22, 11, 7))
    )
    long = trimesh.creation.box((40, 30, 20))
    trimesh.boolean.union([long, corner]).export(tmp_path / "housing.stl")
    trimesh.creation.box((60, 50, 4)).export(tmp_path / "bonnet.stl")

    def write(spare=0.2, housing="", bonnet="", more=""):
        file = tmp_path / "project.toml"
        up = 12 + 5 + spare
        text = PROJECT.format(up=up, housing=housing, bonnet=bonnet, more=more)
        file.write_text(text, encoding="utf-8")
        return file

    return write


def outcome(file, kind, **more):
    proof = prove(file, kinds=[kind], **more)
    assert proof.trials
    return proof, {trial.fault.target: trial for trial in proof.trials}


def test_a_boss_under_a_small_gap_is_caught_and_under_a_large_one_is_not(project):
    proof, by = outcome(project(0.2), Kind.GROWN_NEAR)
    caught = by["housing"]
    assert (caught.outcome, caught.by.finding.code) == (Outcome.CAUGHT, "fit-gap")
    # 5.2 mm less half a millimetre; less than that where the place is at an edge.
    assert 4.69 < caught.by.finding.quantity.value < 4.85
    assert proof.exit_code == 0
    proof, by = outcome(project(3.0), Kind.GROWN_NEAR)
    assert by["housing"].outcome is Outcome.MISSED
    assert proof.exit_code == 1
    assert "[baseline]" in proof.advised[0].add
    assert "was 8.00; at least 5 is required" in proof.advised[0].why


def test_a_gap_that_failed_before_is_caught_where_it_gets_worse(project):
    _, by = outcome(project(-1.0), Kind.SHIFTED, seed=0)
    assert set(by) == {"bonnet"}
    # Only a shift along z changes the gap; some seeds shift that way, some do not.
    told = set()
    for seed in range(8):
        trial = outcome(project(-1.0), Kind.SHIFTED, seed=seed)[1]["bonnet"]
        told.add((trial.fault.words[-2:], trial.outcome))
    assert ("-z", Outcome.CAUGHT) in told
    assert not any(way in ("+x", "-x", "+y", "-y") and was is Outcome.CAUGHT for way, was in told)


@pytest.mark.parametrize(
    ("kind", "target"),
    [(Kind.MIRRORED, "housing"), (Kind.UNIT, "bonnet"), (Kind.TRIANGLE, "bonnet")],
)
def test_the_entry_that_is_advised_catches_it(project, kind, target):
    proof = prove(project(30.0), kinds=[kind])
    missed = {
        trial.fault.target: told.add
        for trial, told in zip(proof.trials, proof.advised, strict=True)
        if trial.outcome is Outcome.MISSED
    }
    assert target in missed, proof
    again = prove(project(30.0, **{target: missed[target]}), kinds=[kind])
    mine = [trial for trial in again.trials if trial.fault.target == target]
    assert mine
    for trial in mine:
        assert trial.outcome is Outcome.CAUGHT
        assert trial.by.finding.code == "part-sound"


def test_the_casting_must_be_closed_without_being_told(project):
    _, by = outcome(project(), Kind.TRIANGLE)
    assert by["housing"].by.finding.code == "part-sound"


def test_files_are_not_touched_and_the_same_seed_tells_the_same(project):
    file = project()
    before = {path: path.read_bytes() for path in file.parent.iterdir()}
    told = []
    for _ in range(2):
        done = CliRunner().invoke(cli, ["prove", str(file), "--most", "6", "--json", "-"])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        told.append(json.loads(done.output))
        assert done.exit_code == told[-1]["exit_code"]
    assert told[0] == told[1]
    assert len(told[0]["faults"]) == 6
    assert {path: path.read_bytes() for path in file.parent.iterdir()} == before


def test_bad_input_is_refused(project, tmp_path):
    file = project()
    assert CliRunner().invoke(cli, ["prove", str(file), "--fault", "rust"]).exit_code == 2
    done = CliRunner().invoke(cli, ["prove", str(file), "--vehicle", "bus"])
    assert "no vehicle" in str(done.exception)


def test_kinds_of_the_command_line_are_those_there_are():
    from geomcheck.cli.prove import KINDS

    assert set(KINDS) == {str(kind) for kind in Kind}


def test_the_table_says_what_to_add(project):
    done = CliRunner().invoke(cli, ["prove", str(project(30.0)), "--fault", "unit"])
    assert "not caught" in done.output
    assert "size = [" in done.output
    assert "Exit code 1" in done.output

"""A run that is recalled is the run that would be made: the same bytes, and never a stale one."""

import json

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner

from geomcheck import gate, measuring
from geomcheck.cli import cli
from geomcheck.finding import Finding, Quantity, Requirement, Term, Verdict, Witness
from geomcheck.project.load import load
from geomcheck.reports.json import to_json
from geomcheck.store import codec, prints

PROJECT = """\
format = 1
name = "box and lids"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
place.move = [0, 0, 26]

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

[check.fit-gap.required]
"body panel" = 10
"""


@pytest.fixture
def project(tmp_path):
    """Three boxes of 20 mm: one lid 6 mm off, one 20 mm."""
    folder = tmp_path / "parts é"
    folder.mkdir()
    for name in ("housing", "bonnet", "cowl"):
        trimesh.creation.box((20, 20, 20)).export(folder / f"{name}.stl")
    file = folder / "project.toml"
    file.write_text(PROJECT, "utf-8")
    return file


@pytest.fixture
def runs(monkeypatch):
    """How often the gate was really run."""
    made = []
    plain = gate.run

    def counted(*arguments, **named):
        made.append(1)
        return plain(*arguments, **named)

    monkeypatch.setattr(gate, "run", counted)
    return made


def check(project, *options):
    done = CliRunner().invoke(cli, ["check", str(project), *map(str, options)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def data(project, *options):
    return json.loads(check(project, "--json", "-", *options).stdout)


def test_a_second_run_recalls_the_first(project, tmp_path, runs):
    first = check(project, "--cache", tmp_path / "kept")
    second = check(project, "--cache", tmp_path / "kept")
    assert len(runs) == 1
    assert first.stdout == second.stdout
    assert first.exit_code == second.exit_code == 1


def test_the_same_bytes_with_and_without(project, tmp_path, runs, monkeypatch):
    monkeypatch.setenv("GEOMCHECK_CACHE", str(tmp_path / "kept"))
    written = []
    for number, option in enumerate([["--no-cache"], [], []]):
        out = tmp_path / str(number)
        done = check(
            project, *option, "--all",
            "--json", out / "r.json", "--html", out / "r.html", "--sarif", out / "r.sarif",
            "--junit", out / "r.xml", "--markdown", out / "r.md",
        )  # fmt: skip
        files = {file.name: file.read_bytes() for file in sorted(out.iterdir())}
        assert len(files) == 5
        written.append((files, done.stdout.replace(str(out), "")))
    assert len(runs) == 2
    assert written[0] == written[1] == written[2]


def test_the_same_bytes_from_one_process_and_two(project, monkeypatch):
    monkeypatch.setattr(gate, "WORTH_SHARING", 0)
    found = [to_json(gate.run(load(project), processes=count).result) for count in (1, 2, 3)]
    assert found[0] == found[1] == found[2]
    assert json.loads(found[0])["counts"]["fail"] >= 1


def test_no_cache_neither_reads_nor_writes(project, tmp_path, runs, monkeypatch):
    monkeypatch.setenv("GEOMCHECK_CACHE", str(tmp_path / "kept"))
    check(project, "--no-cache")
    assert not (tmp_path / "kept").exists()
    check(project)
    check(project, "--no-cache")
    assert len(runs) == 3


def text(old, new):
    def change(project):
        before = project.read_text("utf-8")
        assert before.count(old) >= 1
        project.write_text(before.replace(old, new, 1), "utf-8")

    return change


def mesh_byte(project):
    """The last bit of one coordinate of one triangle."""
    file = project.parent / "cowl.stl"
    content = bytearray(file.read_bytes())
    content[84 + 12] ^= 1
    file.write_bytes(content)


def note_in_header(project):
    file = project.parent / "cowl.stl"
    file.write_bytes(b"exported by hand" + file.read_bytes()[16:])


CHANGES = {
    "mesh byte": mesh_byte,
    "mesh header": note_in_header,
    "matrix": text("[0, 0, 26]", "[0, 0, 26.0001]"),
    "setting": text('"body panel" = 10', '"body panel" = 5'),
    "tool row": text("30, 6.9", "30, 6.8"),
    "state": text("[0, 0, 1]", "[0, 0, 2]"),
    "class": text('class = "body panel"', 'class = "hot part"'),
    "chord error": text('file = "bonnet.stl"', 'file = "bonnet.stl"\nsagitta = 0.5'),
    "a line of comment": text("unit =", "# moved down\nunit ="),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_changed_is_asked_again(project, tmp_path, runs, change):
    kept = tmp_path / "kept"
    check(project, "--cache", kept)
    CHANGES[change](project)
    anew = check(project, "--json", "-", "--cache", kept)
    assert len(runs) == 2
    assert anew.stdout == check(project, "--json", "-", "--no-cache").stdout


def test_the_time_of_a_file_says_nothing(project, tmp_path, runs):
    """A mesh that is changed and given its old time back, and one that is only touched."""
    import os

    kept, file = tmp_path / "kept", project.parent / "cowl.stl"
    before = file.stat()
    check(project, "--cache", kept)
    mesh_byte(project)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
    check(project, "--cache", kept)
    assert len(runs) == 2
    os.utime(file)
    check(project, "--cache", kept)
    assert len(runs) == 2


@pytest.mark.parametrize("what", ["__version__", "_libraries", "code"])
def test_another_version_recalls_nothing(project, tmp_path, runs, monkeypatch, what):
    kept = tmp_path / "kept"
    check(project, "--cache", kept)
    if what == "__version__":
        monkeypatch.setattr(prints, "__version__", "99")
    elif what == "_libraries":
        monkeypatch.setattr(prints, "_libraries", lambda: {"numpy-99.dist-info"})
    else:
        plain = prints._own
        monkeypatch.setattr(prints, "_own", lambda folder: plain(folder)[1:])
    prints.code.cache_clear()
    check(project, "--cache", kept)
    monkeypatch.undo()
    prints.code.cache_clear()
    assert len(runs) == 2


def test_every_file_that_answers_counts(tmp_path):
    """The code's hash covers checks, kernels and tables, and not what only shows the answers."""
    files = {file.relative_to(prints._PACKAGE).as_posix() for file in prints._own(prints._PACKAGE)}
    assert {"checks/fit_gap.py", "kernels/nearest.py", "standards/screws.csv"} <= files
    assert {"gate.py", "store/codec.py", "mesh/read.py"} <= files
    assert not any(name.startswith(("reports/", "cli/")) or "__pycache__" in name for name in files)


def test_what_is_asked_is_part_of_the_key(project, tmp_path, runs):
    kept = tmp_path / "kept"
    both = data(project, "--cache", kept)
    one = data(project, "--cache", kept, "--vehicle", "van")
    gap = data(project, "--cache", kept, "--only", "fit-gap")
    assert len(runs) == 3
    assert one["vehicles"] == ["van"]
    assert len(gap["findings"]) <= len(both["findings"])
    again = data(project, "--cache", kept, "--vehicle", "van", "--vehicle", "van")
    assert len(runs) == 3
    assert again == one


def test_a_mesh_of_another_vehicle_is_no_matter(project, tmp_path, runs):
    kept = tmp_path / "kept"
    check(project, "--cache", kept, "--vehicle", "hatch")
    mesh_byte(project)
    check(project, "--cache", kept, "--vehicle", "hatch")
    assert len(runs) == 1


def test_the_fail_level_is_each_runs_own(project, tmp_path, runs):
    kept = tmp_path / "kept"
    text("place.move = [0, 0, 26]", "place.move = [0, 0, 40]")(project)
    assert check(project, "--cache", kept).exit_code == 0
    strict = data(project, "--cache", kept, "--fail-level", "remark")
    assert len(runs) == 1
    assert strict["fail_level"] == "remark"


def test_a_damaged_cache_is_no_matter(project, tmp_path, runs):
    kept = tmp_path / "kept"
    first = check(project, "--cache", kept)
    for file in kept.glob("??/*"):
        content = file.read_bytes().replace(b'"fail"', b'"pass"')
        file.write_bytes(content)
    assert check(project, "--cache", kept).stdout == first.stdout
    assert len(runs) == 2


def test_a_file_that_changes_while_it_is_checked_is_not_kept(project, tmp_path, monkeypatch):
    kept = tmp_path / "kept"
    plain = gate.run

    def slow(*arguments, **named):
        done = plain(*arguments, **named)
        mesh_byte(project)
        return done

    monkeypatch.setattr(gate, "run", slow)
    check(project, "--cache", kept)
    assert not list(kept.glob("??/*"))


def test_a_missing_mesh_is_still_an_error(project, tmp_path):
    kept = tmp_path / "kept"
    check(project, "--cache", kept)
    (project.parent / "cowl.stl").unlink()
    done = check_raises(project, kept)
    assert "there is no such file" in done


def check_raises(project, kept):
    from geomcheck.errors import GeomcheckError

    with pytest.raises(GeomcheckError) as caught:
        check(project, "--cache", kept)
    return caught.value.text


def test_a_recalled_run_reads_no_mesh(project, tmp_path, monkeypatch):
    kept = tmp_path / "kept"
    check(project, "--cache", kept)

    def never(*_arguments, **_named):
        raise AssertionError("read")

    monkeypatch.setattr("geomcheck.project.load.load_part", never)
    monkeypatch.setattr("geomcheck.project.load.load", never)
    assert check(project, "--cache", kept).exit_code == 1


def test_waivers_are_settled_after_recalling(project, tmp_path, runs, monkeypatch):
    """The day is no part of the key: the waiver that holds today has expired in a year."""
    monkeypatch.setenv("GEOMCHECK_CACHE", str(tmp_path / "kept"))
    done = CliRunner().invoke(
        cli,
        ["waive", str(project), "fit-gap", "housing / bonnet", "--vehicle", "hatch",
         "--reason", "trial", "--owner", "me", "--expires", "2030-01-01"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    project.write_text(project.read_text("utf-8") + "\n" + done.stdout, "utf-8")
    before, after = (
        [f["verdict"] for f in data(project, "--today", day)["findings"] if f["code"] == "fit-gap"]
        for day in ("2029-12-31", "2030-01-02")
    )
    assert "waived" in before
    assert "waived" not in after
    assert len(runs) == 2


def test_findings_survive_to_the_last_bit():
    third = 1.0 / 3.0
    finding = Finding(
        code="fit-gap",
        verdict=Verdict.UNDECIDED,
        vehicle="Grüße",
        subject="a / b",
        parts=("a", "b"),
        message="Gap 0.33 mm.",
        quantity=Quantity.from_terms("gap", third, "mm", (Term("facets", third, 0.1, "stated"),)),
        requirement=Requirement("at least", np.float64(third), "mm"),
        witnesses=(Witness("here", "a", (np.float64(third), -0.0, 1e-17)),),
        view=(third, 0.0, 1.0),
        details={"n": np.int64(3), "row": (1, 2.5), "deep": {"x": [third]}, "flag": np.bool_(True)},
    )
    (once,) = codec.from_findings(codec.to_findings([finding]))
    (twice,) = codec.from_findings(codec.to_findings([once]))
    assert once == twice
    assert once.quantity == finding.quantity
    assert once.witnesses == finding.witnesses
    assert str(once.witnesses[0].point[1]) == "-0.0"
    assert once.details == {"n": 3, "row": [1, 2.5], "deep": {"x": [third]}, "flag": True}


def test_measuring_needs_no_kernels_for_a_recalled_run():
    import subprocess
    import sys

    code = (
        "import sys, geomcheck.cli.check, geomcheck.session, geomcheck.reports.terminal\n"
        "import geomcheck.reports.json\n"
        "sys.exit('numba' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    assert measuring.__doc__

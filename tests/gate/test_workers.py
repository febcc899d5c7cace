"""Vehicles on workers of Dask's: the same bytes, and a clear word where Dask is not there."""

import json
import sys

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck import gate
from geomcheck.cli import cli
from geomcheck.errors import InputError
from geomcheck.store import Store
from geomcheck.workers import split

PART = """
[[vehicle]]
name = "van {n}"
[[vehicle.part]]
name = "bonnet"
file = "box.stl"
class = "body panel"
place.move = [0, 0, {z}]
"""
PROJECT = """\
format = 1
name = "box and lids"
unit = "mm"

[[part]]
name = "housing"
file = "box.stl"
role = "housing"

[check.fit-gap.required]
"body panel" = 10
"""


@pytest.fixture
def project(tmp_path):
    trimesh.creation.box((20, 20, 20)).export(tmp_path / "box.stl")
    vans = "".join(PART.format(n=n, z=z) for n, z in enumerate((26, 40, 25, 30)))
    file = tmp_path / "project.toml"
    file.write_text(PROJECT + vans, "utf-8")
    return file


def check(project, *options):
    done = CliRunner().invoke(cli, ["check", str(project), "--json", "-", *map(str, options)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def test_the_same_bytes_and_the_same_answers_kept(project, tmp_path):
    pytest.importorskip("dask")
    plain = check(project, "--cache", tmp_path / "a")
    spread = check(project, "--cache", tmp_path / "b", "--workers", 2)
    assert spread.stdout == plain.stdout
    assert spread.exit_code == plain.exit_code == 1
    assert len(json.loads(plain.stdout)["vehicles"]) == 4
    # What is kept, without the keys: those hold the code, which may be edited meanwhile.
    kept = [
        sorted(file.read_bytes().partition(b"\n")[2] for file in (tmp_path / name).glob("??/*"))
        for name in "ab"
    ]
    assert kept[0] == kept[1]
    assert len(kept[0]) > 20


def test_more_workers_than_vehicles_share_the_checks_of_each(tmp_path):
    """Enough triangles that a second process is used within each vehicle."""
    pytest.importorskip("dask")
    trimesh.creation.icosphere(subdivisions=6, radius=10).export(tmp_path / "box.stl")
    file = tmp_path / "project.toml"
    file.write_text(PROJECT + PART.format(n=0, z=26) + PART.format(n=1, z=31), "utf-8")
    plain = check(file, "--no-cache")
    spread = check(file, "--no-cache", "--workers", 5)
    assert spread.stdout == plain.stdout


@pytest.mark.parametrize("workers", range(1, 9))
@pytest.mark.parametrize("tasks", [1, 2, 3])
def test_every_worker_has_work(workers, tasks):
    shares = split(workers, tasks)
    assert len(shares) == tasks
    assert sum(shares) == max(workers, tasks)
    assert max(shares) - min(shares) <= 1


def compared(*options):
    done = CliRunner().invoke(cli, ["compare", *map(str, options), "--json", "-"])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


@pytest.mark.parametrize("kept", [True, False])
def test_both_sides_of_a_comparison_at_once(project, tmp_path, monkeypatch, kept):
    """The same bytes; each side is measured by the workers and then recalled."""
    pytest.importorskip("dask")
    later = tmp_path / "later.toml"
    later.write_text(project.read_text("utf-8").replace("0, 0, 40]", "0, 0, 28]"), "utf-8")
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    plain = compared(project, later)
    runs = []
    if kept:
        monkeypatch.setenv("GEOMCHECK_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(gate, "run", lambda *_given, **_named: runs.append(1))
    spread = compared(project, later, "--workers", 2)
    assert runs == []
    assert spread.stdout == plain.stdout
    assert spread.exit_code == plain.exit_code == 1
    assert (tmp_path / "kept").exists() == kept


def test_a_comparison_of_wrong_input_says_what_is_wrong(project, tmp_path, monkeypatch):
    pytest.importorskip("dask")
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(project.read_text("utf-8").replace('"box.stl"', '"gone.stl"'), "utf-8")
    said = []
    for options in ((), ("--workers", 2)):
        with pytest.raises(InputError) as caught:
            compared(project, wrong, *options)
        said.append(caught.value.text)
    assert said[0] == said[1]


def test_without_dask_it_says_what_to_install(project, monkeypatch):
    for name in ("dask", "dask.base", "dask.delayed"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(InputError) as caught:
        check(project, "--no-cache", "--workers", 2)
    assert "Dask" in caught.value.text
    assert "geomcheck[workers]" in caught.value.text


def test_an_unusable_mesh_is_told_as_ever(project):
    pytest.importorskip("dask")
    (project.parent / "box.stl").write_bytes(b"solid nothing")
    with pytest.raises(InputError) as alone:
        check(project, "--no-cache")
    with pytest.raises(InputError) as spread:
        check(project, "--no-cache", "--workers", 2)
    assert spread.value.text == alone.value.text


def test_a_recalled_run_needs_no_worker(project, tmp_path, monkeypatch):
    plain = check(project, "--cache", tmp_path / "kept")
    monkeypatch.setitem(sys.modules, "dask", None)
    again = check(project, "--cache", tmp_path / "kept", "--workers", 2)
    assert again.stdout == plain.stdout
    assert Store(tmp_path / "kept").folder.exists()

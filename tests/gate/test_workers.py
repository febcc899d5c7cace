"""Vehicles on workers of Dask's: the same bytes, and a clear word where Dask is not there."""

import json
import sys

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.errors import InputError
from geomcheck.store import Store

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

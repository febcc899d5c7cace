"""Compiling before a run helps, or does nothing; it never disturbs a run."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest

from geomcheck import ahead, gate
from geomcheck.project.load import load

DEMO = Path(__file__).resolve().parents[2] / "meshes" / "demo" / "project.toml"
NOTHING = {
    "connectors": (), "order": None, "patterns": (), "check": {}, "services": (), "fasteners": (),
    "mates": (), "movements": (), "port_joints": (), "vehicles": (), "ducts": (),
}  # fmt: skip


def project(files=(), **asked):
    document = SimpleNamespace(**NOTHING | asked)
    return SimpleNamespace(document=document, file=DEMO, mesh_files=lambda: tuple(files))


def told(*_progress):
    pass


def kernel(row):
    file, _, name = row.kernel.partition(".")
    return getattr(import_module(f"geomcheck.kernels.{file}"), name)


@pytest.mark.parametrize("row", ahead.table(), ids=lambda row: row.kernel)
def test_every_row_names_a_kernel_and_checks_that_are_there(row):
    """Numba takes the types for what they are: a call with them finds the code compiled."""
    from numba.core import sigutils

    given, _ = sigutils.normalize_signature(row.types)
    assert hasattr(kernel(row), "overloads")
    assert len(given) == kernel(row).py_func.__code__.co_argcount
    assert row.checks
    assert set(row.checks) <= set(gate.discover())


def test_the_table_is_in_order_and_names_nothing_twice():
    rows = ahead.table()
    assert [row.seconds for row in rows] == sorted((row.seconds for row in rows), reverse=True)
    assert len({(row.kernel, row.types) for row in rows}) == len(rows) > 30


def test_what_a_run_calls_is_in_the_table(tmp_path):
    """On a small project that asks a little of each room: what it loads is what was foretold."""
    code = f"""
import json, pkgutil
from importlib import import_module
from pathlib import Path
from geomcheck import ahead, gate, kernels
from geomcheck.project.load import load
from numba.core import sigutils
project = load(Path({str(DEMO)!r}))
only = ["fit-gap", "fasten-length"]
gate.run(project, vehicles=["Sorrel van"], only=only)
known = {{(row.kernel, sigutils.normalize_signature(row.types)[0]) for row in ahead.wanted(
    project, only)}}
called = set()
for info in pkgutil.iter_modules(kernels.__path__):
    for name, kernel in vars(import_module(f"geomcheck.kernels.{{info.name}}")).items():
        if hasattr(kernel, "overloads") and not name.startswith("_"):
            called |= {{(f"{{info.name}}.{{name}}", types) for types in kernel.overloads}}
print(json.dumps([len(called), sorted(name for name, types in called - known)]))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    count, missing = json.loads(done.stdout)
    assert count > 10
    assert missing == []


def test_only_what_the_project_asks_for():
    def rooms(*codes, **asked):
        rows = ahead.wanted(project(**asked), codes)
        return {row.kernel.partition(".")[0] for row in rows}

    always = rooms()
    every = tuple(gate.discover())
    assert rooms(*every) == always
    assert "moved" in rooms(*every, movements=[1]) - always
    assert "sections" in rooms(*every, ducts=[1]) - always
    assert "arcs" in rooms(*every, fasteners=[1]) - rooms(*every, ducts=[1])
    assert rooms("fit-movement", movements=[1], ducts=[1]) == rooms(*every, movements=[1])
    assert "ascii" not in always


def test_a_mesh_written_as_text_is_seen(tmp_path):
    files = {"a.stl": b"solid box\n facet normal 0 0 1\n", "b.stl": b"solid" + bytes(200)}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    for names, text in ((["a.stl"], True), (["b.stl"], False), (["none.stl"], False), ([], False)):
        rows = ahead.wanted(project([tmp_path / name for name in names]), ())
        assert any(row.kernel == "ascii.parse" for row in rows) == text


def test_compiling_looks_on_disk_first_and_leaves_its_sign_there():
    row = ahead.table()[-1]
    ahead.compiled(row)
    assert ahead._on_disk(row.kernel)
    assert kernel(row).overloads
    for wrong in ("nowhere.at_all", f"{row.kernel}s", row.kernel):
        ahead.compiled(row._replace(kernel=wrong, types="(str_of_no_kind,)"))


def test_what_is_older_than_its_text_does_not_count(monkeypatch, tmp_path):
    index = tmp_path / "moved.search-1.py311.nbi"
    index.touch()
    monkeypatch.setattr(ahead, "_indexes", lambda _module, _name: [index])
    assert ahead._on_disk("moved.search")
    os.utime(index, (1, 1))
    assert not ahead._on_disk("moved.search")


@pytest.fixture
def started(monkeypatch):
    calls = []

    def popen(command, **streams):
        calls.append([int(number) for number in command[3:]])
        sleeper = [sys.executable, "-c", "import time; time.sleep(60)"]
        calls.append(subprocess.Popen(sleeper, **streams))
        return calls[-1]

    monkeypatch.setattr(ahead, "_on_disk", lambda _kernel: False)
    monkeypatch.setattr(
        ahead, "subprocess", SimpleNamespace(Popen=popen, DEVNULL=subprocess.DEVNULL)
    )
    return calls


def test_both_ends_of_the_list_at_once(started, monkeypatch):
    mine = []
    monkeypatch.setattr(ahead, "compiled", lambda row: mine.append(ahead.table().index(row)))
    count = ahead.compile_ahead(project(movements=[1]), ["fit-movement"], told)
    assert count == len(mine) == len(started[0])
    assert mine == sorted(mine) == started[0][::-1]
    assert started[1].poll() is not None
    assert gc.isenabled()


def test_the_helper_ends_with_what_goes_wrong(started, monkeypatch):
    def stopped(_row):
        raise KeyboardInterrupt

    monkeypatch.setattr(ahead, "compiled", stopped)
    with pytest.raises(KeyboardInterrupt):
        ahead.compile_ahead(project(ducts=[1]), ["flow-area"], told)
    assert started[1].poll() is not None
    assert gc.isenabled()


def test_nothing_is_done_where_all_is_on_disk(monkeypatch):
    monkeypatch.setattr(ahead, "_on_disk", lambda _kernel: True)
    monkeypatch.setattr(ahead, "_start", lambda _numbers: pytest.fail("started"))
    assert ahead.compile_ahead(project(ducts=[1]), ["flow-area"], told) == 0


def test_a_system_without_another_process_still_runs(monkeypatch):
    def popen(*_arguments, **_streams):
        raise OSError("no more processes")

    mine = []
    monkeypatch.setattr(ahead, "_on_disk", lambda _kernel: False)
    monkeypatch.setattr(ahead, "compiled", mine.append)
    monkeypatch.setattr(
        ahead, "subprocess", SimpleNamespace(Popen=popen, DEVNULL=subprocess.DEVNULL)
    )
    assert ahead.compile_ahead(project(ducts=[1]), ["flow-area"], told) == len(mine) > 3


def test_the_demo_asks_for_nearly_all():
    rows = ahead.wanted(load(DEMO), tuple(gate.discover()))
    assert len(rows) >= len(ahead.table()) - 3

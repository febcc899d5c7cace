"""Compiling in a second process helps, or does nothing; it never disturbs a run."""

from __future__ import annotations

import os
import subprocess
import sys
from types import SimpleNamespace

import pytest

from geomcheck import ahead


def project(**asked):
    document = {"ducts": (), "movements": ()} | asked
    return SimpleNamespace(document=SimpleNamespace(**document))


@pytest.mark.parametrize("room", sorted(ahead._ROOMS))
def test_each_room_leaves_its_sign_on_disk(room):
    ahead.main([room])
    assert ahead._on_disk(ahead._SIGN[room])


def test_what_is_older_than_its_text_does_not_count(monkeypatch, tmp_path):
    index = tmp_path / "moved.search-1.py311.nbi"
    index.touch()
    monkeypatch.setattr(ahead, "_indexes", lambda _module: [index])
    assert ahead._on_disk("moved")
    os.utime(index, (1, 1))
    assert not ahead._on_disk("moved")


@pytest.fixture
def started(monkeypatch):
    calls = []

    def popen(command, **streams):
        calls.append(command[3:])
        sleeper = [sys.executable, "-c", "import time; time.sleep(60)"]
        process = subprocess.Popen(sleeper, **streams)
        calls.append(process)
        return process

    monkeypatch.setattr(ahead, "_on_disk", lambda _name: False)
    monkeypatch.setattr(
        ahead,
        "subprocess",
        SimpleNamespace(Popen=popen, DEVNULL=subprocess.DEVNULL),
    )
    return calls


def test_the_helper_ends_with_the_block(started):
    with (
        pytest.raises(KeyboardInterrupt),
        ahead.compiled_ahead(project(ducts=[1], movements=[1])),
    ):
        assert started[0] == ["flow", "movement"]
        assert started[1].poll() is None
        raise KeyboardInterrupt
    assert started[1].poll() is not None


def test_only_what_the_project_asks_for(started):
    with ahead.compiled_ahead(project(movements=[1])):
        pass
    assert started[0] == ["movement"]
    started.clear()
    with ahead.compiled_ahead(project()):
        pass
    assert not started


def test_no_helper_where_all_is_on_disk(monkeypatch):
    monkeypatch.setattr(ahead, "_on_disk", lambda _name: True)
    monkeypatch.setattr(ahead, "_start", lambda _rooms: pytest.fail("started"))
    with ahead.compiled_ahead(project(ducts=[1])):
        pass


def test_a_system_without_another_process_still_runs(monkeypatch):
    def popen(*_arguments, **_streams):
        raise OSError("no more processes")

    monkeypatch.setattr(ahead, "_on_disk", lambda _name: False)
    monkeypatch.setattr(
        ahead, "subprocess", SimpleNamespace(Popen=popen, DEVNULL=subprocess.DEVNULL)
    )
    ran = False
    with ahead.compiled_ahead(project(ducts=[1])):
        ran = True
    assert ran

"""Tasks shared between processes: the same results, in the same order, whatever happens to one."""

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from geomcheck import shares

forked = pytest.mark.skipif(sys.platform != "linux", reason="only Linux is trusted to fork")
HERE = os.getpid()


def tasks(count):
    return [lambda n=n: {"n": n, "root": n**0.5, "by": os.getpid()} for n in range(count)]


@pytest.mark.parametrize(
    "processes", [1, pytest.param(2, marks=forked), pytest.param(3, marks=forked)]
)
def test_results_stand_in_the_order_of_the_tasks(processes):
    found = shares.shared(tasks(40), processes)
    assert [row["n"] for row in found] == list(range(40))
    assert [row["root"] for row in found] == [n**0.5 for n in range(40)]
    assert found[0]["by"] == HERE


@forked
def test_others_really_help():
    def task(n):
        time.sleep(0.02)
        return os.getpid()

    found = shares.shared([lambda n=n: task(n) for n in range(10)], 2)
    assert len(set(found)) == 2


@forked
@pytest.mark.parametrize("end", ["raise", "killed", "exit", "no JSON"])
def test_what_a_helper_does_not_finish_is_done_here(end):
    def task(n):
        time.sleep(0.02)
        if os.getpid() == HERE:
            return n
        if end == "raise":
            raise RuntimeError("in the helper only")
        if end == "killed":
            os.kill(os.getpid(), signal.SIGKILL)
        if end == "exit":
            sys.exit(3)
        return object()

    assert shares.shared([lambda n=n: task(n) for n in range(6)], 2) == list(range(6))


@forked
def test_what_a_task_raises_is_raised():
    def wrong():
        raise ValueError("wrong everywhere")

    with pytest.raises(ValueError, match="wrong everywhere"):
        shares.shared([*tasks(3), wrong, *tasks(3)], 2)


@forked
def test_no_process_and_no_open_file_is_left_behind():
    def children():
        # Other tests may have started some that live on, such as multiprocessing's tracker.
        return {
            n
            for task in Path("/proc/self/task").glob("*/children")
            for n in task.read_text().split()
        }

    before, had = len(list(Path("/proc/self/fd").iterdir())), children()
    for _ in range(3):
        shares.shared(tasks(5), 2)
        with pytest.raises(ZeroDivisionError):
            shares.shared([lambda: 1 / 0, *tasks(5)], 2)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    assert children() <= had


@forked
def test_a_large_result_gets_through():
    found = shares.shared([lambda n=n: [n] * 300_000 for n in range(4)], 2)
    assert [len(row) for row in found] == [300_000] * 4


def test_where_no_process_can_be_had_the_work_is_done_here(monkeypatch):
    def none():
        raise OSError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(os, "fork", none, raising=False)
    assert [row["by"] for row in shares.shared(tasks(4), 2)] == [HERE] * 4


def test_only_linux_forks(monkeypatch):
    monkeypatch.setattr(shares.sys, "platform", "darwin")
    assert shares.usable() == 1

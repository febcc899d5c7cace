"""The cache's folder: whole entries or none, damaged ones ignored, a bounded size."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from geomcheck.store import folder, open_store
from geomcheck.store.folder import Store
from geomcheck.store.prints import digest

KEY, OTHER = digest("a"), digest("b")


def entry(store):
    (found,) = store.folder.glob("??/*.answer")
    return found


def test_gives_back_what_was_put(tmp_path):
    store = Store(tmp_path / "new folder é")
    value = {"x": [0.1 + 0.2, 1e-300, -0.0], "text": "Grüße \ud800", "none": None}
    assert store.get(KEY) is None
    store.put(KEY, value)
    found = store.get(KEY)
    assert found == value
    assert str(found["x"][2]) == "-0.0"
    assert store.get(OTHER) is None


@pytest.mark.parametrize("cut", [0, 1, 20, 33, -1])
def test_an_entry_cut_short_is_as_if_it_were_not_there(tmp_path, cut):
    store = Store(tmp_path)
    store.put(KEY, list(range(50)))
    content = entry(store).read_bytes()
    entry(store).write_bytes(content[:cut])
    assert store.get(KEY) is None
    store.put(KEY, 7)
    assert store.get(KEY) == 7


def test_one_changed_byte_anywhere_is_noticed(tmp_path):
    store = Store(tmp_path)
    store.put(KEY, {"pass": True})
    file = entry(store)
    content = file.read_bytes()
    for place in range(len(content)):
        damaged = bytearray(content)
        damaged[place] ^= 1
        file.write_bytes(damaged)
        assert store.get(KEY) is None


def test_an_entry_under_another_name_is_ignored(tmp_path):
    store = Store(tmp_path)
    store.put(KEY, 1)
    there = tmp_path / OTHER[:2] / f"{OTHER[2:]}.answer"
    there.parent.mkdir(exist_ok=True)
    entry(store).replace(there)
    assert store.get(OTHER) is None


def test_nothing_but_json_is_read():
    text = Path(folder.__file__).read_text("utf-8")
    assert not any(word in text for word in ("pickle", "marshal", "eval(", "shelve"))


def test_the_longest_unused_go_first(tmp_path):
    store = Store(tmp_path, largest=3500)
    for number in range(5):
        store.put(digest(number), "x" * 900)
        there = digest(number)
        os.utime(tmp_path / there[:2] / f"{there[2:]}.answer", (number, number))
    # What is read is of use again: the first is no longer the oldest.
    assert store.get(digest(0)) is not None
    store.trim()
    assert [store.get(digest(number)) is not None for number in range(5)] == [
        True, False, False, True, True,
    ]  # fmt: skip


def test_what_a_killed_run_left_half_written_is_cleared_away_later(tmp_path):
    store = Store(tmp_path)
    store.put(KEY, 1)
    old, new = (entry(store).parent / f"{name}.part" for name in ("old", "new"))
    old.write_text("half")
    os.utime(old, (1, 1))
    new.write_text("half")
    store.trim()
    assert not old.exists()
    assert new.exists()
    assert store.get(KEY) == 1


def test_a_clock_that_was_set_back_loses_nothing_that_is_of_use(tmp_path):
    """Entries from the future: read as ever, and old again once they are."""
    store = Store(tmp_path, largest=2500)
    ahead = time.time() + 1e6
    for number in range(3):
        store.put(digest(number), "x" * 900)
        there = digest(number)
        os.utime(tmp_path / there[:2] / f"{there[2:]}.answer", (ahead + number, ahead + number))
    assert store.get(digest(2)) is not None
    store.trim()
    # The one that was read has the time of now; the others' times say nothing.
    assert store.get(digest(2)) is not None
    assert sum(store.get(digest(number)) is not None for number in range(2)) == 1
    half = entry_of(store, 2).parent / "half.part"
    half.write_text("half")
    os.utime(half, (ahead, ahead))
    store.put(digest(3), "x")
    store.trim()
    assert not half.exists()


def entry_of(store, number):
    return store.folder / digest(number)[:2] / f"{digest(number)[2:]}.answer"


def test_a_folder_that_cannot_be_written_to_keeps_nothing_and_harms_nothing(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    store = Store(blocked)
    store.put(KEY, 1)
    assert store.get(KEY) is None
    store.trim()
    assert blocked.read_text() == "not a folder"


def test_a_full_disk_leaves_the_old_entry(tmp_path, monkeypatch):
    store = Store(tmp_path)
    store.put(KEY, 1)

    def full(_self, _target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    store.put(KEY, 2)
    monkeypatch.undo()
    assert store.get(KEY) == 1
    assert not list(tmp_path.glob("??/*.part"))


def test_two_at_once_see_whole_entries_only(tmp_path):
    seen = []

    def work(number):
        store = Store(tmp_path, largest=60_000)
        for turn in range(40):
            store.put(digest(turn % 5), [number] * 2000)
            seen.append(store.get(digest((turn + 1) % 5)))
            store.trim()

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    whole = [value for value in seen if value is not None]
    assert whole
    assert all(len(value) == 2000 and len(set(value)) == 1 for value in whole)


def test_a_run_killed_while_it_writes_leaves_a_usable_cache(tmp_path):
    code = (
        "import os, pathlib, sys\n"
        "from geomcheck.store.folder import Store\n"
        "store = Store(pathlib.Path(sys.argv[1]))\n"
        f"store.put({KEY!r}, 1)\n"
        "pathlib.Path.replace = lambda *_: os._exit(9)\n"
        f"store.put({OTHER!r}, 2)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    assert done.returncode == 9
    store = Store(tmp_path)
    assert store.get(KEY) == 1
    assert store.get(OTHER) is None
    store.put(OTHER, 2)
    assert store.get(OTHER) == 2


def test_where_the_cache_is(monkeypatch, tmp_path):
    monkeypatch.delenv("GEOMCHECK_CACHE")
    monkeypatch.setattr(folder.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert open_store().folder == tmp_path / "xdg" / "geomcheck"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert open_store().folder == tmp_path / ".cache" / "geomcheck"
    monkeypatch.setenv("GEOMCHECK_CACHE", str(tmp_path / "own"))
    assert open_store().folder == tmp_path / "own"
    assert open_store(tmp_path / "given").folder == tmp_path / "given"
    monkeypatch.setenv("GEOMCHECK_CACHE", "off")
    assert open_store() is None
    assert open_store(tmp_path).folder == tmp_path

"""The command as a process: signals, closed or full streams, locales, caches it cannot keep.

A housing and a bonnet of which the gap is asked; exit code 0 when nothing is in the way.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import trimesh

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs POSIX processes")

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"

[[vehicle]]
name = "größe"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"

[check.fit-gap.required]
"body panel" = 10
"""
COMMAND = [sys.executable, "-m", "geomcheck"]


@pytest.fixture
def folder(tmp_path):
    trimesh.creation.box((20, 20, 10)).export(tmp_path / "housing.stl")
    trimesh.creation.box((20, 20, 10)).apply_translation((0, 0, 305)).export(
        tmp_path / "bonnet.stl"
    )
    (tmp_path / "project.toml").write_text(PROJECT, encoding="utf-8")
    return tmp_path


def run(folder, *arguments, environment=(), **more):
    variables = {**os.environ, "GEOMCHECK_CACHE": "off", **dict(environment)}
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "timeout": 300} | more
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)], cwd=folder, env=variables, check=False, **options
    )
    said = (done.stdout or b"") + (done.stderr or b"")
    assert b"Traceback" not in said, said.decode("utf-8", "replace")
    assert b"internal fault" not in said, said.decode("utf-8", "replace")
    assert b"Exception ignored" not in said, said.decode("utf-8", "replace")
    return done


PLAIN = [
    {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
    {"PYTHONIOENCODING": "ascii", "TERM": "dumb", "NO_COLOR": "1"},
]


@pytest.mark.parametrize("environment", PLAIN, ids=[" ".join(e) for e in PLAIN])
def test_any_locale_and_terminal(folder, environment):
    done = run(folder, "check", "project.toml", "--json", "ö.json", environment=environment)
    assert done.returncode == 0, done.stderr
    assert b"\x1b" not in done.stdout
    assert list(folder.glob("*.json"))


@pytest.mark.parametrize("closed", ["1>&-", "0<&- 1>&- 2>&-"])
def test_closed_streams(folder, closed):
    line = f'"$@" {closed}'
    words = [*COMMAND, "check", "project.toml", "--json", "o.json"]
    done = subprocess.run(
        ["sh", "-c", line, "sh", *words], cwd=folder, check=False, capture_output=True,
        env={**os.environ, "GEOMCHECK_CACHE": "off"}, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (folder / "o.json").read_bytes()[:1] == b"{"
    # What is closed must not be opened again as one of our files.
    assert (folder / "bonnet.stl").stat().st_size == 84 + 50 * 12


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_full_standard_output_is_told(folder):
    with Path("/dev/full").open("wb") as full:
        done = run(folder, "check", "project.toml", "--json", "-", stdout=full)
    assert done.returncode == 2
    assert b"No space left" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_reader_that_goes_away(folder):
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = run(folder, "check", "project.toml", "--json", "-", stdout=writing)
    finally:
        os.close(writing)
    assert done.returncode == 2
    assert done.stderr == b""


def start(folder, *arguments, **environment):
    variables = {**os.environ, "GEOMCHECK_CACHE": "off", **environment}
    return subprocess.Popen(
        [*COMMAND, *arguments], cwd=folder, env=variables, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def children(number):
    found = Path(f"/proc/{number}/task/{number}/children")
    with contextlib.suppress(OSError):
        return [int(x) for x in found.read_text().split()]
    return []


def alive(number):
    try:
        state = Path(f"/proc/{number}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


DUCT = """
[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -4], [0, 0, 4]]
least_area = 600
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]
)
def test_stopped_in_the_middle(folder, tmp_path_factory, number, code):
    """With nothing compiled, the run takes long and a helper process is at work."""
    cache = tmp_path_factory.mktemp("numba")
    with (folder / "project.toml").open("a", encoding="utf-8") as stream:
        stream.write(DUCT)
    before = sorted(folder.iterdir())
    process = start(folder, "check", "project.toml", "--json", "o.json", NUMBA_CACHE_DIR=str(cache))
    until = time.monotonic() + 60
    helpers = []
    while not helpers and process.poll() is None and time.monotonic() < until:
        helpers = children(process.pid)
        time.sleep(0.02)
    assert helpers, "no helper process was started"
    process.send_signal(number)
    out, err = process.communicate(timeout=120)
    assert process.returncode == code, err
    assert err.decode().strip() == "geomcheck: stopped"
    assert out == b""
    assert sorted(folder.iterdir()) == before
    until = time.monotonic() + 10
    while any(map(alive, helpers)) and time.monotonic() < until:
        time.sleep(0.02)
    assert not any(map(alive, helpers))


def test_a_signal_that_is_ignored_stays_ignored(folder):
    """As under nohup."""

    def ignore():
        signal.signal(signal.SIGHUP, signal.SIG_IGN)

    code = (
        "import signal; from geomcheck.cli.ending import prepare; prepare();"
        "print(signal.getsignal(signal.SIGHUP) is signal.SIG_IGN)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], preexec_fn=ignore, capture_output=True, check=False
    )
    assert done.stdout.strip() == b"True", done.stderr


def test_compiled_code_that_cannot_be_kept(folder, tmp_path_factory):
    """No place for compiled code: everything is compiled for this run alone."""
    blocked = tmp_path_factory.mktemp("numba") / "file"
    blocked.write_bytes(b"")
    done = run(
        folder, "check", "project.toml", environment={"NUMBA_CACHE_DIR": str(blocked / "below")}
    )
    assert done.returncode == 0, done.stderr


def test_a_full_disk_under_the_cache_of_compiled_code(folder, tmp_path_factory):
    """Files may grow to 2 kB only, less than any compiled kernel."""
    cache = tmp_path_factory.mktemp("numba")
    import resource

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))

    done = run(
        folder, "look", "housing.stl", environment={"NUMBA_CACHE_DIR": str(cache)},
        preexec_fn=limit,
    )  # fmt: skip
    assert done.returncode == 2
    assert b"A disk is full" in done.stderr
    assert b"NUMBA_CACHE_DIR" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not [f for f in cache.rglob("*") if f.stat().st_size > 1900 and f.is_file()]


_AS_ROOT = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]


@pytest.mark.skipif(
    os.geteuid() == 0 and shutil.which("setpriv") is None,
    reason="root may write anywhere unless setpriv takes that from it",
)
def test_a_folder_that_may_only_be_read(folder, monkeypatch):
    """Neither reports nor answers can be kept there; the check itself needs to write nothing."""
    if os.geteuid() == 0:
        monkeypatch.setattr(sys.modules[__name__], "COMMAND", [*_AS_ROOT, *COMMAND])
    (folder / "old.html").write_text("old", encoding="utf-8")
    folder.chmod(0o555)
    try:
        done = run(folder, "check", "project.toml", "--cache", "below")
        assert done.returncode == 0, done.stderr
        for name in ("below/o.json", "old.html"):
            done = run(folder, "check", "project.toml", "--json", name)
            assert done.returncode == 2
            assert f"{name}: cannot be written: Permission denied" in done.stderr.decode()
        (folder / "bonnet.stl").chmod(0)
        done = run(folder, "check", "project.toml")
        assert done.returncode == 2
        assert b"Permission denied" in done.stderr
        assert (folder / "old.html").read_text("utf-8") == "old"
    finally:
        folder.chmod(0o755)

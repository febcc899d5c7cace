"""The scripts of a fresh checkout: what they say and how they end, without touching the network."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"


def script(name, monkeypatch):
    """A script as a module, as Python finds it when the script's folder is on its path."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    spec = importlib.util.spec_from_file_location(f"script_{name}", SCRIPTS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def environment(monkeypatch, tmp_path):
    monkeypatch.setenv("GEOMCHECK_VENV", str(tmp_path / "env"))
    module = script("environment", monkeypatch)
    monkeypatch.setitem(sys.modules, "environment", module)
    return module


def test_only_the_standard_library_is_imported():
    """With -S and -I no installed package can be found; the imports must still succeed."""
    code = f"import sys; sys.path.insert(0, {str(SCRIPTS)!r}); import environment"
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["try", "test"])
def test_an_old_python_is_told_so(name, monkeypatch):
    monkeypatch.setattr(sys, "version_info", (3, 10, 4, "final", 0))
    with pytest.raises(SystemExit, match=r"needs Python 3\.11 or later"):
        script(name, monkeypatch)


def test_the_environment_is_in_the_checkout_unless_named(environment, monkeypatch, tmp_path):
    assert environment.folder() == (tmp_path / "env").resolve()
    monkeypatch.delenv("GEOMCHECK_VENV")
    assert environment.folder() == ROOT / ".venv"


def test_python_of_an_environment_by_system(environment, monkeypatch):
    venv = Path("env")
    monkeypatch.setattr(environment.os, "name", "posix")
    assert environment.python_of(venv).as_posix() == "env/bin/python"
    monkeypatch.setattr(environment.os, "name", "nt")
    assert environment.python_of(venv).as_posix() == "env/Scripts/python.exe"


# Words of pip 23 to 25 and of venv, shortened; from memory of such runs.
FAULTS = [
    (
        "WARNING: Retrying (Retry(total=4)) after connection broken by 'NewConnectionError(...: "
        "Failed to establish a new connection: [Errno -3] Temporary failure in name resolution')\n"
        "ERROR: No matching distribution found for numpy>=1.26",
        "could not reach a package index",
    ),
    ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device",
     "disk is full"),
    ("OSError: [WinError 112] There is not enough space on the disk", "disk is full"),
    ("SSLError(SSLCertVerificationError(1, '[SSL: CERTIFICATE_VERIFY_FAILED] certificate verify "
     "failed'))", "PIP_CERT"),
]  # fmt: skip


@pytest.mark.parametrize(("output", "words"), FAULTS)
def test_known_faults_are_named(environment, output, words):
    assert words in environment.fault_of(output)


def test_unknown_faults_are_not_guessed_at(environment):
    assert environment.fault_of("error: subprocess-exited-with-error") == ""


class Recorder:
    """Stands in for subprocess.run: notes commands and answers as told."""

    def __init__(self, environment, answers=()):
        self.commands = []
        self.answers = dict(answers)
        self.environment = environment

    def __call__(self, command, **rest):
        words = [str(word) for word in command]
        self.commands.append(words)
        assert rest.get("stdin") == subprocess.DEVNULL
        for sign, (code, output) in self.answers.items():
            if sign in words:
                return subprocess.CompletedProcess(command, code, output, output)
        if "venv" in words:
            python = self.environment.python_of(Path(words[-1]))
            python.parent.mkdir(parents=True, exist_ok=True)
            python.touch()
        return subprocess.CompletedProcess(command, 0, "", "")

    def asked(self, word):
        return [words for words in self.commands if word in words]


@pytest.fixture
def recorder(environment, monkeypatch):
    found = Recorder(environment)
    monkeypatch.setattr(environment.subprocess, "run", found)
    return found


def test_installs_once_and_again_only_when_something_changed(environment, recorder, monkeypatch):
    python = environment.ready()
    assert python == environment.python_of(environment.folder())
    assert len(recorder.asked("install")) == 1
    environment.ready()
    assert len(recorder.asked("install")) == 1, "nothing changed"
    environment.ready("test")
    assert recorder.asked("install")[-1][-1].endswith("[test]")
    environment.ready("test")
    environment.ready()
    assert len(recorder.asked("install")) == 2, "the extra brings what the plain project needs"
    before = environment.wanted
    monkeypatch.setattr(environment, "wanted", lambda extra: "changed" + before(extra))
    environment.ready()
    assert len(recorder.asked("install")) == 3
    assert len(recorder.asked("venv")) == 1


def test_an_interrupted_install_is_taken_up_again(environment, recorder):
    recorder.answers["install"] = (1, "something odd")
    with pytest.raises(SystemExit, match="pip could not install"):
        environment.ready()
    recorder.answers.clear()
    environment.ready()
    assert len(recorder.asked("install")) == 2


def test_an_environment_without_pip_is_made_again(environment, recorder):
    environment.ready()
    (environment.folder() / environment.STAMP).unlink()
    recorder.answers["--version"] = (1, "No module named pip")
    environment.ready()
    assert len(recorder.asked("venv")) == 2


def test_no_venv_module(environment, recorder):
    recorder.answers["venv"] = (1, "Error: ... ensurepip is not available")
    with pytest.raises(SystemExit, match="apt install python3-venv"):
        environment.ready()


def test_no_index(environment, recorder):
    recorder.answers["install"] = (1, FAULTS[0][0])
    with pytest.raises(SystemExit, match="could not reach a package index"):
        environment.ready()


def test_full_disk_is_told_before_anything_is_written(environment, recorder, monkeypatch):
    monkeypatch.setattr(environment.shutil, "disk_usage", lambda _: type("Disk", (), {"free": 1}))
    with pytest.raises(SystemExit, match="disk is full"):
        environment.ready()
    assert recorder.commands == []


@pytest.mark.parametrize(("code", "ends"), [(1, 0), (0, 5), (2, 2), (3, 3), (4, 4), (-9, -9)])
def test_the_demo_script_ends_with_0_only_when_the_faults_were_found(
    environment, monkeypatch, tmp_path, capsys, code, ends
):
    trial = script("try", monkeypatch)
    asked = []

    def run(command, **rest):
        asked.append((command, rest))
        return subprocess.CompletedProcess(command, code)

    monkeypatch.setattr(environment, "ROOT", tmp_path)
    monkeypatch.setattr(environment, "ready", lambda: Path("python"))
    monkeypatch.setattr(trial.subprocess, "run", run)
    assert trial.main() == ends
    ((command, rest),) = asked
    assert command[:4] == ["python", "-m", "geomcheck", "check"]
    assert rest["cwd"] == tmp_path
    said = capsys.readouterr()
    if code == 1:
        assert (tmp_path / "out" / "demo.html").as_uri() in said.out
        assert f"check {Path('meshes') / 'demo' / 'project_c.toml'}" in said.out
    else:
        assert f"exit code {code}" in said.err


@pytest.mark.parametrize(
    ("given", "handed"),
    [(["-k", "gap"], ["-k", "gap"]), ([], ["-n", "auto", "--dist", "loadfile"])],
)
def test_the_test_script_hands_on_arguments_and_exit_code(environment, monkeypatch, given, handed):
    tests = script("test", monkeypatch)
    asked = []
    monkeypatch.setattr(environment, "ready", lambda extra: Path(f"python-{extra}"))
    monkeypatch.setattr(
        tests.subprocess, "run", lambda c, **_: asked.append(c) or subprocess.CompletedProcess(c, 3)
    )
    monkeypatch.setattr(sys, "argv", ["test.py", *given])
    assert tests.main() == 3
    assert asked == [["python-test", "-m", "pytest", *handed]]


@pytest.mark.skipif(os.name == "nt", reason="a bash script")
def test_the_ci_script_parses_and_can_be_run():
    path = ROOT / ".ci" / "run"
    assert os.access(path, os.X_OK)
    done = subprocess.run(["bash", "-n", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    text = path.read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    for command in ("ruff", "mypy", "lint-imports", "scripts/test.py", "scripts/try.py"):
        assert command in text

"""The environment that scripts/try.py and scripts/test.py share: made once, kept up to date.

Standard library only. The environment is ``.venv`` in the checkout, or the folder that the
variable GEOMCHECK_VENV names.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)
STAMP = "geomcheck-installed.txt"
#: What an environment with all packages takes, and pip needs besides while it unpacks.
SPACE_NEEDED = 1_000_000_000

NO_VENV = """\
This Python cannot make a virtual environment: its "venv" or "ensurepip" is missing.
  Debian, Ubuntu:  sudo apt install python3-venv
  others:          install Python {0}.{1} or later from python.org or your package manager
then run this script again."""

NO_INDEX = """\
pip could not reach a package index, so the packages geomcheck needs cannot be installed.
Check the network. Behind a proxy, set HTTPS_PROXY; for an index of your own, set PIP_INDEX_URL;
for a certificate of your own, set PIP_CERT."""

NO_SPACE = """\
The disk is full: an environment takes about 1 GB. Make room, or name a folder on another disk
in the variable GEOMCHECK_VENV, and run this script again."""

#: Words of pip that tell what went wrong, lower case, with what to say about it.
SIGNS = (
    ("no space left on device", NO_SPACE),
    ("not enough space on the disk", NO_SPACE),
    ("errno 28", NO_SPACE),
    ("failed to establish a new connection", NO_INDEX),
    ("temporary failure in name resolution", NO_INDEX),
    ("getaddrinfo failed", NO_INDEX),
    ("connection timed out", NO_INDEX),
    ("read timed out", NO_INDEX),
    ("network is unreachable", NO_INDEX),
    ("connection refused", NO_INDEX),
    ("cannot connect to proxy", NO_INDEX),
    ("nameresolutionerror", NO_INDEX),
    ("newconnectionerror", NO_INDEX),
    ("certificate verify failed", NO_INDEX),
)


def require_python() -> None:
    """Leave with a message when this Python is too old."""
    if sys.version_info < OLDEST:
        sys.exit(
            f"geomcheck needs Python {OLDEST[0]}.{OLDEST[1]} or later; "
            f"this is {sys.version_info[0]}.{sys.version_info[1]} ({sys.executable})."
        )


def folder() -> Path:
    """Where the environment is, or will be."""
    named = os.environ.get("GEOMCHECK_VENV")
    return Path(named).resolve() if named else ROOT / ".venv"


def python_of(venv: Path) -> Path:
    """The environment's Python."""
    if os.name == "nt":
        return venv / "Scripts" / "python.exe"
    return venv / "bin" / "python"


def wanted(extra: str) -> str:
    """What the stamp says once this checkout is installed with an extra."""
    digest = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    return f"{digest} {extra} {ROOT} {sys.version_info[0]}.{sys.version_info[1]}"


def installed(venv: Path, extra: str) -> bool:
    """Whether the stamp of this extra is there and current."""
    stamp = venv / STAMP
    if not (stamp.is_file() and python_of(venv).is_file()):
        return False
    return wanted(extra) in stamp.read_text(encoding="utf-8").splitlines()


def fault_of(output: str) -> str:
    """What to tell the user about pip's or venv's output; empty if nothing is recognised."""
    lowered = output.lower()
    return next((advice for sign, advice in SIGNS if sign in lowered), "")


def ready(extra: str = "") -> Path:
    """Make the environment if need be, install the project into it, and return its Python.

    Parameters
    ----------
    extra : str
        An extra of pyproject.toml to install with it, such as ``test``.
    """
    require_python()
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign gets a question mark, not a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    venv = folder()
    python = python_of(venv)
    if installed(venv, extra):
        return python
    _check_space(venv)
    if not _has_pip(python):
        print(f"making an environment in {venv}", flush=True)
        _run(
            [sys.executable, "-m", "venv", "--clear", str(venv)], otherwise=NO_VENV.format(*OLDEST)
        )
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    print("installing geomcheck and what it needs (a few minutes the first time)", flush=True)
    _run(
        [str(python), "-m", "pip", "install", "--disable-pip-version-check", "-e", target],
        otherwise="pip could not install geomcheck; its own words are above.",
    )
    stamp = venv / STAMP
    lines = stamp.read_text(encoding="utf-8").splitlines() if stamp.is_file() else []
    digest = wanted(extra).split()[0]
    kept = [line for line in lines if line.startswith(digest)]
    # An extra brings all that the plain project needs.
    new = {*kept, wanted(extra), wanted("")}
    stamp.write_text("\n".join(sorted(new)) + "\n", encoding="utf-8")
    return python


def _has_pip(python: Path) -> bool:
    """Whether the environment is there and whole; one made without pip is made again."""
    if not python.is_file():
        return False
    command = [str(python), "-m", "pip", "--version"]
    done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, check=False)
    return done.returncode == 0


def _check_space(venv: Path) -> None:
    place = venv
    while not place.exists():
        place = place.parent
    if not python_of(venv).is_file() and shutil.disk_usage(place).free < SPACE_NEEDED:
        sys.exit(NO_SPACE)


def _run(command: Sequence[str], otherwise: str) -> None:
    """Run a command quietly; on failure show its last lines, say what to do, and leave."""
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if done.returncode == 0:
        return
    print("\n".join(done.stdout.splitlines()[-25:]), file=sys.stderr)
    print(file=sys.stderr)
    sys.exit(fault_of(done.stdout) or otherwise)

"""Write ``geomcheck/ahead.csv``: which kernels, of which types, the checks of the demo call.

    python scripts/make_ahead.py

Each check is run alone on the demo; what it calls stands in the table, with the seconds that
compiling takes here, the longest first. A kernel that is not in the table is compiled when it is
called: a table that is out of date costs time and changes no answer.
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PROJECT = ROOT / "meshes" / "demo" / "project.toml"
TABLE = ROOT / "geomcheck" / "ahead.csv"

CALLED = """
import importlib, json, pkgutil, sys
from pathlib import Path
from geomcheck import gate, kernels
from geomcheck.project.load import load
project = load(Path(sys.argv[1]))
known = {}
for info in pkgutil.iter_modules(kernels.__path__):
    module = importlib.import_module(f"geomcheck.kernels.{info.name}")
    for name, kernel in vars(module).items():
        if hasattr(kernel, "overloads") and not name.startswith("_"):
            known[f"{info.name}.{name}"] = kernel
from numba import types
def text(one):
    if isinstance(one, types.Array):
        if one.layout == "C" and one.mutable:
            return f"{text(one.dtype)}[{':, ' * (one.ndim - 1)}::1]"
        return f"Array({text(one.dtype)}, {one.ndim}, '{one.layout}', {not one.mutable})"
    if isinstance(one, types.BaseTuple):
        return f"Tuple(({', '.join(map(text, one))},))"
    return "boolean" if one is types.boolean else str(one)
gate.run(project)
found = []
for check in sys.argv[2:]:
    # What is on disk is loaded anew when it is called, and what that calls in turn is not.
    for kernel in known.values():
        kernel._reset_overloads()
    gate.run(project, only=[check])
    for name, kernel in known.items():
        found += [(check, name, f"({', '.join(map(text, one))},)") for one in kernel.overloads]
print(json.dumps(found))
"""
TIMED = """
import json, sys, time
from geomcheck.ahead import compiled, Row
rows = json.loads(sys.stdin.read())
seconds = []
for kernel, signature in rows:
    begin = time.process_time()
    compiled(Row(0.0, kernel, (), signature))
    seconds.append(time.process_time() - begin)
print(json.dumps(seconds))
"""


def said(code: str, *arguments: str, given: str = "") -> list:
    """What a piece of Python prints, as JSON."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        input=given, capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    return json.loads(done.stdout)


def main() -> int:
    sys.path.insert(0, str(ROOT))
    from geomcheck import gate
    from geomcheck.choosing import ALWAYS

    every = tuple(gate.discover())
    users: dict[tuple[str, str], list[str]] = {}
    for check, kernel, signature in said(CALLED, str(PROJECT), *every):
        users.setdefault((kernel, signature), []).append(check)
    for checks in users.values():
        if set(checks) >= set(every):
            checks[:] = [code for code in checks if code in ALWAYS]
    with tempfile.TemporaryDirectory() as empty:
        os.environ["NUMBA_CACHE_DIR"] = empty
        seconds = said(TIMED, given=json.dumps(list(users)))
    rows = sorted(zip(seconds, users, strict=True), reverse=True)
    with TABLE.open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream, lineterminator="\n")
        out.writerow(("seconds", "kernel", "checks", "types"))
        for cost, (kernel, signature) in rows:
            checks = " ".join(users[kernel, signature])
            out.writerow((f"{cost:.1f}", kernel, checks, signature))
    print(f"{len(rows)} kernels, {sum(seconds):.0f} s of compiling, in {TABLE}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

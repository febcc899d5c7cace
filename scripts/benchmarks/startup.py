"""How long a user waits before anything happens, and what compiling the kernels costs.

``geomcheck --help`` stands beside an empty run of Python, and the demo with compiled kernels beside
the same without, as on the first day or on a fresh CI runner. "faster" below is the second over
the first of each row. The best of several runs counts, but for the run without compiled kernels,
which is made once.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchmarks import Row, quick

NAME = "startup"

ROOT = Path(__file__).resolve().parents[2]
PROJECT = ROOT / "meshes" / "demo" / "project.toml"
#: Exit codes that mean that the run got to its end.
ENDED = (0, 1, 4)


def seconds(
    arguments: Sequence[str], variables: Mapping[str, str] | None = None, repeat: int = 1
) -> float:
    """Least wall-clock time of a command of this Python, s."""
    best = float("inf")
    for _ in range(repeat):
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=ROOT,
            env={**os.environ, **(variables or {})},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
        best = min(best, time.perf_counter() - start)
        if done.returncode not in ENDED:
            raise RuntimeError(f"{' '.join(arguments)} failed:\n{done.stderr}")
    return best


def run() -> list[Row]:
    """Rows for the table."""
    repeat = 3 if quick() else 7
    empty = seconds(["-c", "pass"], repeat=repeat)
    rows = [
        Row("geomcheck --help", seconds(["-m", "geomcheck", "--help"], repeat=repeat),
            "python -c pass", empty, note="under 0.5 s is wanted"),
        Row("import geomcheck", seconds(["-c", "import geomcheck"], repeat=repeat),
            "python -c pass", empty),
    ]  # fmt: skip
    check = ["-m", "geomcheck", "check", str(PROJECT), "--no-cache"]
    with tempfile.TemporaryDirectory() as cache:
        kernels = {"NUMBA_CACHE_DIR": cache}
        cold = seconds(check, kernels)
        warm = seconds(check, kernels, repeat=1 if quick() else 3)
    rows.append(
        Row("demo, kernels compiled", warm, "kernels not compiled", cold,
            note=f"compiling costs {cold - warm:.1f} s; under 25 s is wanted, and warm under 10 s")
    )  # fmt: skip
    return rows

"""The whole demo with a housing of a million triangles: seconds, and memory of all processes.

The housing's triangles are cut into smaller ones on the fly: each into four at the middles of its
edges, then some into three at their middle, which leaves no corner of one on an edge of another.
The copy lies in a temporary folder. Kernels are compiled by a first run of the plain demo; no cache
of answers is read or written. Then the same run is recalled from a cache. "faster" is the second of
each row over the first.

    python scripts/bench.py million
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil
import trimesh

from benchmarks import Row, quick

NAME = "million"

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "meshes" / "demo"
WANTED = 1_000_000


def finer(triangles: np.ndarray, wanted: int) -> np.ndarray:
    """At least ``wanted`` triangles (m, 3, 3) float32 on the same facets, to rounding."""
    while 4 * len(triangles) <= wanted:
        a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
        half = np.float32(0.5)
        ab, bc, ca = half * (a + b), half * (b + c), half * (c + a)
        parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
        triangles = np.concatenate([np.stack(part, axis=1) for part in parts])
    lacking = max(0, (wanted - len(triangles) + 1) // 2)
    cut, kept = triangles[:lacking], triangles[lacking:]
    middle = cut.mean(axis=1, dtype=np.float32)
    fans = [np.stack([cut[:, k], cut[:, (k + 1) % 3], middle], axis=1) for k in range(3)]
    return np.concatenate([kept, *fans])


def make(folder: Path, wanted: int = WANTED) -> Path:
    """A copy of the demo with the finer housing; its project file."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    file = folder / "housing.stl"
    mesh = trimesh.load(file, process=False)
    triangles = finer(np.asarray(mesh.triangles, dtype=np.float32), wanted)
    faces = np.arange(3 * len(triangles)).reshape(-1, 3)
    trimesh.Trimesh(triangles.reshape(-1, 3), faces, process=False).export(file)
    return folder / "project.toml"


def check(project: Path, *options: str) -> tuple[float, float]:
    """Wall-clock seconds of a check, and the most memory (MB) all its processes held at once."""
    start = time.perf_counter()
    run = subprocess.Popen(
        [sys.executable, "-m", "geomcheck", "check", str(project), *options],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        env={**os.environ, "GEOMCHECK_TRACEBACK": "1"},
    )
    most = [0.0]
    watch = threading.Thread(target=_watch, args=(psutil.Process(run.pid), most))
    watch.start()
    code = run.wait()
    seconds = time.perf_counter() - start
    watch.join()
    if code not in (0, 1, 4):
        raise RuntimeError(f"the check ended with exit code {code}")
    return seconds, most[0]


def _watch(process: psutil.Process, most: list[float]) -> None:
    """Proportional share of all processes: what is shared between them counts once."""
    while True:
        total = 0.0
        try:
            for one in (process, *process.children(recursive=True)):
                info = one.memory_full_info()
                total += getattr(info, "pss", info.rss) / 1e6
        except psutil.Error:
            if not process.is_running() or process.status() == psutil.STATUS_ZOMBIE:
                return
            continue
        most[0] = max(most[0], total)
        time.sleep(0.1)


def run() -> list[Row]:
    """Rows for the table."""
    wanted = 300_000 if quick() else WANTED
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        plain, _ = check(DEMO / "project.toml", "--no-cache")
        plain, small = check(DEMO / "project.toml", "--no-cache")
        project = make(folder / "demo", wanted)
        fine, large = check(project, "--cache", str(folder / "kept"))
        again, _ = check(project, "--cache", str(folder / "kept"))
    return [
        Row("demo as it is", plain, f"demo, {wanted:,} triangles", fine,
            note=f"{small:.0f} and {large:.0f} MB; under 7 s, 30 s and 2000 MB are wanted"),
        Row("the finer demo, recalled", again, "the finer demo", fine, note="under 1 s is wanted"),
    ]  # fmt: skip

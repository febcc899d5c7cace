"""Benchmarks: each module here has a NAME and a run() that gives rows for scripts/bench.py."""

from __future__ import annotations

import gc
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Row:
    """One comparison: seconds and bytes; None where there is nothing to compare with."""

    what: str
    ours: float | None
    peer_name: str
    peer: float | None
    memory_ours: float | None = None
    memory_peer: float | None = None
    note: str = ""
    missing: bool = False


def quick() -> bool:
    """Whether smaller sizes will do."""
    return os.environ.get("GEOMCHECK_BENCH_QUICK") == "1"


def contestant(module: str, *arguments: str) -> dict[str, float] | None:
    """Run ``python module arguments...`` by itself and read the JSON object it prints.

    None if it ends with exit code 3, which means that the peer is not installed.
    """
    done = subprocess.run(
        [sys.executable, module, *arguments], capture_output=True, text=True, check=False
    )
    if done.returncode == 3:
        return None
    if done.returncode != 0:
        raise RuntimeError(f"{module} {' '.join(arguments)} failed:\n{done.stderr}")
    answer: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return answer


def timed(ask: Callable[[], Any], repeats: int) -> tuple[Any, dict[str, float]]:
    """Last answer of a question asked again and again, with the median seconds and CPU seconds.

    One round of more than 10 s is long enough to tell: it is the last.
    """
    times: list[float] = []
    busy: list[float] = []
    answer = None
    for _ in range(repeats):
        begin, used = time.perf_counter(), time.process_time()
        answer = ask()
        times.append(time.perf_counter() - begin)
        busy.append(time.process_time() - used)
        if times[-1] > 10.0:
            break
    return answer, {"seconds": statistics.median(times), "cpu": statistics.median(busy)}


class Memory:
    """Memory this process needs beyond what it holds when the watch begins, bytes.

    The peak is the system's own (``ru_maxrss``); on Linux it is put back to what is held now, so
    that a higher peak while the inputs were loaded does not hide anything.
    """

    def __init__(self) -> None:
        gc.collect()
        reset = Path("/proc/self/clear_refs")
        if reset.exists():
            reset.write_text("5")  # Linux: resets VmHWM
        self._start = self._peak()

    def used(self) -> float:
        """Peak since the watch began, less what was held then."""
        return self._peak() - self._start

    @staticmethod
    def _peak() -> float:
        status = Path("/proc/self/status")
        if status.exists():
            for line in status.read_text().splitlines():
                if line.startswith("VmHWM:"):
                    return 1024.0 * float(line.split()[1])
        if sys.platform == "win32":
            import psutil

            return float(psutil.Process().memory_info().peak_wset)
        import resource

        used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return float(used if sys.platform == "darwin" else used * 1024)

"""Work shared between threads, with results that do not depend on how many there are."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

#: Threads used where it pays. Kernels release the interpreter's lock.
THREADS = max(1, min(2, os.cpu_count() or 1))


def chunks(count: int, size: int) -> list[tuple[int, int]]:
    """Cut ``0 .. count`` into ranges of ``size``; the cuts do not depend on ``THREADS``."""
    return [(begin, min(begin + size, count)) for begin in range(0, count, size)]


def each(task: Callable[[int, int], None], ranges: list[tuple[int, int]]) -> None:
    """Call ``task(begin, end)`` for every range; the calls must not write to the same places."""
    if THREADS == 1 or len(ranges) < 2:
        for begin, end in ranges:
            task(begin, end)
        return
    with ThreadPoolExecutor(min(THREADS, len(ranges))) as pool:
        # list() waits for all of them and raises what one of them raised.
        list(pool.map(lambda pair: task(*pair), ranges))

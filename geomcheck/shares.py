"""Work shared between processes: forked from one that has read the meshes, they share its memory.

Where a process cannot be forked safely (only Linux is trusted to), or one gives up, the work is
done here. Nothing but JSON text goes from one process to the other.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import struct
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import Any

#: Processes used where it pays; more would need the memory of more.
PROCESSES = 2
_TURN = struct.Struct("<H")
#: Turns a pipe holds for certain before anyone reads (POSIX allows 512 bytes, Linux 64 KiB).
_MOST = 4096 // _TURN.size


def usable() -> int:
    """Processes that may be used: no more than processors, one where forking is not safe."""
    if sys.platform != "linux":
        return 1
    return max(1, min(PROCESSES, len(os.sched_getaffinity(0))))


def shared(
    tasks: Sequence[Callable[[], Any]],
    processes: int,
    begin: Callable[[int], None] = lambda _number: None,
) -> list[Any]:
    """Results of tasks, in their order; each is done by whichever process is free.

    The first task is done by this process, whatever the others do.

    Parameters
    ----------
    tasks : sequence of callable
        Each gives JSON data. What one task leaves behind in memory may be missing in another.
    processes : int
    begin : callable
        Told the number of each task that this process begins.

    Raises
    ------
    Exception
        Whatever a task raises: one that raised in another process is done again in this one.
    """
    found: dict[int, Any] = {}

    def do(number: int) -> None:
        begin(number)
        found[number] = tasks[number]()

    if processes > 1 and 2 < len(tasks) <= _MOST:
        with _helpers(tasks, processes - 1) as (turns, results):
            do(0)
            for number in _turns(turns):
                do(number)
            for stream in results:
                found.update(_read(stream))
    for number in range(len(tasks)):
        if number not in found:
            do(number)
    return [found[number] for number in range(len(tasks))]


@contextlib.contextmanager
def _helpers(tasks: Sequence[Callable[[], Any]], count: int) -> Iterator[tuple[int, list[int]]]:
    """Processes that take turns at all tasks but the first; where turns are read, and results."""
    turns, ends = os.pipe()
    for number in range(1, len(tasks)):
        os.write(ends, _TURN.pack(number))
    os.close(ends)
    children: list[int] = []
    results: list[int] = []
    try:
        for _ in range(count):
            reading, writing = os.pipe()
            try:
                with warnings.catch_warnings():
                    # A progress bar's thread; the child never touches the terminal.
                    warnings.simplefilter("ignore", DeprecationWarning)
                    child = os.fork()
            except OSError:
                os.close(reading)
                os.close(writing)
                break
            if child == 0:
                _work(tasks, turns, writing)
            os.close(writing)
            children.append(child)
            results.append(reading)
        yield turns, results
    finally:
        os.close(turns)
        for stream in results:
            os.close(stream)
        for child in children:
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


def _work(tasks: Sequence[Callable[[], Any]], turns: int, writing: int) -> None:
    """A child's life: results are written in one piece at its end, and it never returns."""
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        found = {}
        for number in _turns(turns):
            # What fails here is done again by the parent, which can tell of it.
            with contextlib.suppress(Exception):
                found[number] = json.dumps(tasks[number]())
        with os.fdopen(writing, "w", encoding="ascii") as stream:
            json.dump(found, stream)
        code = 0
    finally:
        os._exit(code)


def _turns(turns: int) -> Iterator[int]:
    """Numbers of the tasks that are this process's turn; a read of a pipe this short is whole."""
    while piece := os.read(turns, _TURN.size):
        yield _TURN.unpack(piece)[0]


def _read(stream: int) -> dict[int, Any]:
    """What a child found; nothing where it died."""
    pieces = []
    while piece := os.read(stream, 1 << 16):
        pieces.append(piece)
    try:
        data = json.loads(b"".join(pieces))
    except ValueError:
        return {}
    return {int(number): json.loads(text) for number, text in data.items()}

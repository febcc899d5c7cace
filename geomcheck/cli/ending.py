"""How a run begins and ends as a process: its streams, and signals that stop it."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, NoReturn

import click

from geomcheck.errors import visible


class Ended(BaseException):
    """A signal asked the process to end; the exit code is that of shells, 128 and its number."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.code = 128 + number


def _stopping_again(then: Callable[[Any], object]) -> Callable[[Any], None]:
    """A hook that stops once more where a stop was raised inside a call of C's, which swallows it.

    LLVM calls Python when it has compiled something; what is raised there is printed and lost.
    """

    def again(ignored: Any) -> None:
        stop = ignored.exc_value
        if not isinstance(stop, Ended | KeyboardInterrupt):
            then(ignored)
            return
        number = stop.code - 128 if isinstance(stop, Ended) else signal.SIGINT
        later = threading.Timer(0.05, signal.raise_signal, (number,))
        later.daemon = True
        later.start()

    return again


def prepare() -> None:
    """Streams that take every sign, and signals that end the run in order.

    Ended by a signal as it is by default, Python would leave the half-written file beside the
    report and the helper process behind.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by who started us: what we say goes nowhere
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
        stream = getattr(sys, name)
        # A terminal that cannot show a sign gets a question mark, not a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    if getattr(sys.unraisablehook, "__module__", "") != __name__:
        sys.unraisablehook = _stopping_again(sys.unraisablehook)
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # What is ignored, as by nohup, stays ignored. Only the main thread may set handlers.
        with contextlib.suppress(ValueError):
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, _end)


def _end(number: int, _frame: Any) -> NoReturn:
    raise Ended(number)


def told(error: OSError) -> str:
    """What the system refused, and what to do where that is known."""
    place = f"{visible(os.fsdecode(error.filename))}: " if error.filename else ""
    reason = f"{place}{error.strerror or error}"
    if error.errno in (errno.ENOSPC, errno.EFBIG, errno.EDQUOT):
        return (
            f"{reason}. A disk is full: that of the reports, of temporary files, or of compiled "
            "code, which NUMBA_CACHE_DIR moves elsewhere"
        )
    return f"{reason}."


def finish(code: int) -> int:
    """The exit code, once what was said has gone out; 2 where it could not."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        code = 2
    except OSError as error:
        click.echo(f"geomcheck: standard output cannot be written: {error.strerror}", err=True)
        code = 2
    else:
        return code
    # The interpreter flushes once more when it ends; that must not fail again.
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return code

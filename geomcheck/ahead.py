"""Compile kernels before they are called, in two processes at once.

Kernels are compiled when first called and then kept on disk. On a machine that has never run
geomcheck, as every fresh CI runner, that takes most of a minute on one processor. The table
``ahead.csv`` says which kernels each check calls, with what types: those that are not on disk yet
are compiled before the run, by this process from the longest down, by a second one from the
shortest up, until they meet. Each looks on disk first, so that hardly any is compiled twice. The
helper says nothing and decides nothing: should it fail, this process compiles all; and what the
table does not name, or names wrongly, is compiled when it is called.
"""

from __future__ import annotations

import csv
import gc
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from importlib import import_module, resources
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from geomcheck.choosing import ALWAYS
from geomcheck.files import open_plain
from geomcheck.project.load import Project
from geomcheck.runs import Progress

#: Fewer kernels than this are left to be compiled when they are called.
WORTH_IT = 3
#: The kernels that read text files; whether there are any is seen in the files.
_TEXT = "ascii."
#: What of a project file a check needs before it asks anything, by the beginning of its code.
_NEEDS: dict[str, Callable[[Any], Any]] = {
    "fasten-connector": lambda document: document.connectors,
    "fasten-order": lambda document: document.order,
    "fasten-pattern": lambda document: document.patterns,
    "fasten-holes": lambda document: "fasten-holes" in document.check,
    "fasten-service": lambda document: document.services,
    "fasten-": lambda document: document.fasteners,
    "fit-mate": lambda document: document.mates,
    "fit-movement": lambda document: document.movements,
    "fit-ports": lambda document: document.port_joints,
    "fit-": lambda document: document.vehicles,
    "flow-": lambda document: document.ducts,
}


class Row(NamedTuple):
    """A kernel with the types it is called with.

    Attributes
    ----------
    seconds : float
        That compiling it took on one machine: only for their order.
    kernel : str
        ``file.function``.
    checks : tuple of str
        Codes of the checks that call it.
    types : str
        As numba writes signatures.
    """

    seconds: float
    kernel: str
    checks: tuple[str, ...]
    types: str


@cache
def table() -> tuple[Row, ...]:
    """The rows of ``ahead.csv``, longest first."""
    text = resources.files("geomcheck").joinpath("ahead.csv").read_text("utf-8")
    return tuple(
        Row(float(row["seconds"]), row["kernel"], tuple(row["checks"].split()), row["types"])
        for row in csv.DictReader(text.splitlines())
    )


def compile_ahead(project: Project, codes: Iterable[str], tell: Progress) -> int:
    """Compile what the checks of a project will call and is not on disk; how many kernels.

    Parameters
    ----------
    project : Project
    codes : iterable of str
        The checks that will be run.
    tell : callable
        Told what is being done.
    """
    missing = [row for row in wanted(project, codes) if not _on_disk(row.kernel)]
    if len(missing) < WORTH_IT:
        return 0
    with _helper(missing), _no_collecting():
        for number, row in enumerate(missing):
            tell("compiling, once on this machine", number, len(missing))
            compiled(row)
    return len(missing)


def wanted(project: Project, codes: Iterable[str]) -> list[Row]:
    """The rows that some checks need of a project, longest first."""
    document = project.document
    asked = {code for code in (*codes, *ALWAYS) if _asks(code, document)}
    found = [row for row in table() if asked.intersection(row.checks)]
    texts = any(_is_text(project.file.parent / name) for name in project.mesh_files())
    return [row for row in found if texts or not row.kernel.startswith(_TEXT)]


def _asks(code: str, document: Any) -> bool:
    """Whether a project gives a check anything to ask."""
    for beginning, needs in _NEEDS.items():
        if code.startswith(beginning):
            return bool(needs(document))
    return True


def _is_text(file: Path) -> bool:
    """Whether a mesh file looks like an STL written as text."""
    try:
        with open_plain(file) as stream:
            begin: bytes = stream.read(512)
    except OSError:
        return False
    return begin.lstrip().lower().startswith(b"solid") and b"facet" in begin


def compiled(row: Row) -> None:
    """Compile a kernel, or load it from disk; one the table has wrong is left alone."""
    from numba.core.errors import NumbaError

    file, _, name = row.kernel.partition(".")
    try:
        getattr(import_module(f"geomcheck.kernels.{file}"), name).compile(row.types)
    except (ImportError, AttributeError, NameError, TypeError, NumbaError):
        return


def _on_disk(kernel: str) -> bool:
    """Whether compiled code of a kernel is on disk and not older than its text."""
    file, _, name = kernel.partition(".")
    try:
        module = import_module(f"geomcheck.kernels.{file}")
    except ImportError:
        return True
    written = Path(str(module.__file__)).stat().st_mtime
    return any(index.stat().st_mtime >= written for index in _indexes(module, name))


def _indexes(module: ModuleType, name: str) -> Iterator[Path]:
    kernel: Any = getattr(module, name, None)
    if hasattr(kernel, "stats"):
        stem = module.__name__.rpartition(".")[2]
        yield from Path(kernel.stats.cache_path).glob(f"{stem}.{name}-*.nbi")


@contextmanager
def _no_collecting() -> Iterator[None]:
    """The compiler makes many small objects and leaves no garbage in circles worth a search."""
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


@contextmanager
def _helper(rows: Sequence[Row]) -> Iterator[None]:
    """A second process that compiles the rows from the last up; ended with the block."""
    process = _start([str(table().index(row)) for row in reversed(rows)])
    try:
        yield
    finally:
        if process is not None:
            process.terminate()
            process.wait()


def _start(numbers: list[str]) -> subprocess.Popen[bytes] | None:
    """The second process, or none where the system gives no more."""
    try:
        return subprocess.Popen(
            [sys.executable, "-m", __name__, *numbers],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


def main(numbers: Iterable[str]) -> None:
    """Compile rows of the table by their numbers."""
    with _no_collecting():
        for number in numbers:
            compiled(table()[int(number)])


if __name__ == "__main__":
    main(sys.argv[1:])

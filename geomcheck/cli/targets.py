"""What a command reads, so that no report is written over it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from geomcheck.files import read_plain
from geomcheck.reports.files import refuse_clashes


def guard(inputs: Iterable[Path], outputs: Iterable[Path | str | None]) -> None:
    """Refuse, before anything is measured, reports that would replace an input or each other.

    Parameters
    ----------
    inputs : iterable of Path
        Project files (their meshes and baselines are inputs too) and results.
    outputs : iterable of Path, str or None
        Files to be written; ``-`` and None are none.
    """
    wanted = [Path(file) for file in outputs if file is not None and file != "-"]
    if wanted:
        refuse_clashes(wanted, (file for given in inputs for file in _with_parts(given)))


def _with_parts(file: Path) -> Iterator[Path]:
    """A file and, where it is a project file, all that it names; faults in it are told later."""
    yield file
    if file.suffix.lower() == ".json":
        return
    try:
        data = tomllib.loads(read_plain(file).decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return
    for name in _files(data):
        yield file.parent / name


def _files(data: Any) -> Iterator[str]:
    """Every value of a key ``file``, however deep."""
    if isinstance(data, dict):
        for key, value in data.items():
            if key == "file" and isinstance(value, str) and "\0" not in value:
                yield value
            else:
                yield from _files(value)
    elif isinstance(data, list):
        for value in data:
            yield from _files(value)

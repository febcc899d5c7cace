"""Whole runs by content: the project file, every mesh it names, what was asked, and the code.

A run that is recalled reads no mesh and needs none of the libraries that measure: the files are
hashed, and that is all.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geomcheck.finding import Result
from geomcheck.store import prints
from geomcheck.store.codec import from_result, to_result
from geomcheck.store.folder import Store


@dataclass(frozen=True)
class Asked:
    """A run as it is asked for.

    Parameters
    ----------
    project : Path
    vehicles, only : tuple of str
        Names in the order of the alphabet; empty for all.
    """

    project: Path
    vehicles: tuple[str, ...]
    only: tuple[str, ...]

    @classmethod
    def of(cls, project: Path, vehicles: Iterable[str], only: Iterable[str]) -> Asked:
        """A run of these vehicles and checks; their order and repeats make no difference to it."""
        return cls(project, tuple(sorted(set(vehicles))), tuple(sorted(set(only))))

    def print(self) -> str | None:
        """Hash of the project file, what is asked and the code; None if the file cannot be read."""
        found = prints.of_files([self.project])
        if found is None:
            return None
        return prints.digest(prints.code(), self.project.name, found, self.vehicles, self.only)


@dataclass(frozen=True)
class Known:
    """A run that was recalled.

    Parameters
    ----------
    result : Result
        Of the checks alone: no waiver is applied, no baseline looked at.
    codes : frozenset of str
        The checks that were run.
    settles : bool
        The project has waivers or a baseline.
    """

    result: Result
    codes: frozenset[str]
    settles: bool


@dataclass(frozen=True)
class Print:
    """What a run rests on, taken before it: kept is only what still holds after it."""

    asked: Asked
    files: tuple[str, ...]
    project: str
    meshes: tuple[str, ...]

    @classmethod
    def of(cls, asked: Asked, files: Iterable[str]) -> Print | None:
        """Of a run that reads these mesh files; None if one cannot be read."""
        files = tuple(files)
        project, meshes = asked.print(), _hashes(asked.project, files)
        if project is None or meshes is None:
            return None
        return cls(asked, files, project, meshes)


def recall(store: Store, asked: Asked) -> Known | None:
    """The run as it was kept; None where anything it rests on is not as it was."""
    project = asked.print()
    if project is None:
        return None
    files = store.get(prints.digest("files", project))
    meshes = None if files is None else _hashes(asked.project, files)
    if meshes is None:
        return None
    data = store.get(prints.digest("run", project, meshes))
    if data is None:
        return None
    return Known(from_result(data["result"]), frozenset(data["codes"]), data["settles"])


def keep(store: Store, before: Print, known: Known, fresh: Mapping[str, Any]) -> None:
    """Keep a run and its single answers, by key, unless a file changed while it ran."""
    if Print.of(before.asked, before.files) != before:
        return
    for key, value in fresh.items():
        store.put(key, value)
    store.put(prints.digest("files", before.project), list(before.files))
    store.put(
        prints.digest("run", before.project, before.meshes),
        {
            "result": to_result(known.result),
            "codes": sorted(known.codes),
            "settles": known.settles,
        },
    )


def _hashes(project: Path, files: Iterable[str]) -> tuple[str, ...] | None:
    """Hashes of mesh files, each with its name as the project file gives it."""
    paths = [Path(os.path.normpath(project.parent / name)) for name in files]
    found = prints.of_files(paths)
    return None if found is None else tuple(found)

"""Answer a project's questions, or recall the answers where nothing they rest on has changed.

What measures is imported where it is used: a run that is recalled needs none of it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from geomcheck.repository import changed_files
from geomcheck.runs import Later, Progress, Run
from geomcheck.store import Store
from geomcheck.store.whole import Asked, Known, Print, keep, recall

if TYPE_CHECKING:
    from geomcheck.project.assembly import Assembly
    from geomcheck.project.load import Project


def recalled(
    store: Store, path: Path, vehicles: Iterable[str] = (), only: Iterable[str] = ()
) -> Run | None:
    """A kept run of a project that has nothing to settle, without reading the project; or None.

    Parameters
    ----------
    store : Store
    path : Path
        The project file.
    vehicles, only : iterable of str
        As for :func:`geomcheck.gate.run`.
    """
    known = recall(store, Asked.of(path, vehicles, only))
    if known is None or known.settles:
        return None
    return Run(known.result, _later(path, known.result.vehicles))


def measure(
    project: Project,
    tell: Progress,
    *,
    vehicles: Iterable[str] = (),
    only: Iterable[str] = (),
    store: Store | None = None,
    workers: int = 0,
    processes: int | None = None,
) -> Run:
    """Run the checks alone: no waiver is applied, no baseline looked at.

    Parameters
    ----------
    project, tell
    vehicles, only : iterable of str
        As for :func:`geomcheck.gate.run`.
    store : Store, optional
        Where answers are recalled from, and kept.
    workers : int
        Processes of Dask's; 0 for none.
    processes : int, optional
        Where there are no workers: as for the gate; as many as pay if not given.

    Raises
    ------
    InputError
        A mesh or an entry of the project file cannot be used.
    """
    from geomcheck import gate
    from geomcheck.ahead import compile_ahead
    from geomcheck.shares import usable

    asked = Asked.of(project.file, vehicles, only)
    before: Print | None = None
    if store is not None:
        known = recall(store, asked)
        if known is not None:
            return Run(known.result, _later(project.file, known.result.vehicles))
        before = Print.of(asked, project.mesh_files(asked.vehicles))
    files = None if before is None else dict(zip(before.files, before.meshes, strict=True))
    compile_ahead(project, gate.asked(project, only), tell)
    if workers:
        from geomcheck.workers import run_on_workers

        done = run_on_workers(
            project,
            workers,
            vehicles=tuple(vehicles),
            only=tuple(only),
            tell=tell,
            store=store,
            files=files,
        )
        return _kept(project, only, done, store, before)
    done = gate.run(
        project,
        vehicles=vehicles,
        only=only,
        progress=tell,
        processes=usable() if processes is None else processes,
        store=store,
        files=files,
    )
    return _kept(project, only, done, store, before)


def measure_at_once(paths: Iterable[Path], store: Store, workers: int) -> None:
    """Run the checks of several project files on workers and keep them, to be recalled.

    Wrong input is passed over: it is told where the file is checked in its turn.

    Raises
    ------
    InputError
        Dask is not installed.
    """
    from geomcheck.workers import at_once, split

    files = list(dict.fromkeys(paths))
    shares = split(workers, len(files))
    rows = [(str(f), str(store.folder), n) for f, n in zip(files, shares, strict=True)]
    at_once(_measured, rows, workers)


def _measured(file: str, folder: str, processes: int) -> None:
    """A worker's task."""
    from geomcheck.errors import InputError
    from geomcheck.project.load import load

    with contextlib.suppress(InputError):
        measure(load(Path(file)), _quiet, store=Store(Path(folder)), processes=processes)


def _quiet(_what: str, _done: int, _total: int) -> None:
    """No progress."""


def _kept(
    project: Project, only: Iterable[str], done: Run, store: Store | None, before: Print | None
) -> Run:
    """The run, once it is kept."""
    from geomcheck import gate

    if store is not None and before is not None:
        document = project.document
        settles = bool(document.waivers) or document.baseline is not None
        keep(store, before, Known(done.result, gate.asked(project, only), settles), done.fresh)
        store.trim()
    return done


def _later(path: Path, vehicles: tuple[str, ...]) -> Later:
    """The assemblies of a run that was recalled."""

    def read() -> Iterator[Assembly]:
        from geomcheck.project.load import load

        return load(path).assemble(vehicles)

    return Later(vehicles, read)


def changed_vehicles(project: Project, revision: str) -> tuple[str, ...]:
    """Vehicles of which a file is not as it was in a Git revision.

    The project file, its baseline, and the files of the housing and of what is carried with it,
    belong to all.
    """
    folder = project.file.resolve().parent
    changed = changed_files(folder, revision)

    def touched(names: Iterable[str]) -> bool:
        return any((folder / name).resolve() in changed for name in names)

    document = project.document
    ours = [project.file.resolve().name, *(part.file for part in document.parts)]
    if document.baseline is not None:
        ours.append(document.baseline.file)
    if touched(ours):
        return project.vehicles
    return tuple(
        vehicle.name
        for vehicle in document.vehicles
        if touched(part.file for part in vehicle.parts)
    )

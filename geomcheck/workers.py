"""Vehicles checked by several processes of Dask's: for projects of many vehicles.

Dask's own process scheduler is used: no server, no ports, nothing left running. Each process reads
the meshes of its vehicle and answers as the gate does; what comes back is JSON data. The result is
put together in the order of the project file, so that it has the bytes of a run without workers.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from geomcheck import gate
from geomcheck.choosing import choose_vehicles
from geomcheck.errors import InputError
from geomcheck.finding import Result, rank
from geomcheck.project.load import Project, load
from geomcheck.runs import Later, Progress, Run
from geomcheck.store import Store
from geomcheck.store.codec import from_result, to_result
from geomcheck.version import __version__


def run_on_workers(
    project: Project,
    workers: int,
    *,
    vehicles: tuple[str, ...] = (),
    only: tuple[str, ...] = (),
    tell: Progress,
    store: Store | None = None,
    files: Mapping[str, str] | None = None,
) -> Run:
    """As :func:`geomcheck.gate.run`, the vehicles in several processes.

    Where there are more workers than vehicles, they share the checks of each vehicle.

    Parameters
    ----------
    project : Project
    workers : int
        Processes; each needs the memory of one vehicle's meshes, but those that share a vehicle,
        which share them too.
    vehicles, only : tuple of str
    tell : callable
        Told that it begins and that it ends.
    store, files
        As for the gate.

    Raises
    ------
    InputError
        Dask is not installed, or the project or a mesh cannot be used.
    """
    names = choose_vehicles(project, vehicles)
    tell(f"{len(names)} vehicles on {workers} workers", 0, 1)
    folder = None if store is None else str(store.folder)
    rows = [
        (str(project.file), name, only, folder, files, processes)
        for name, processes in zip(names, split(workers, len(names)), strict=True)
    ]
    found = at_once(_vehicle, rows, workers)
    # Wrong input is asked about once more, here, where it is raised with file and line.
    answers: list[Any] = [
        answer or (to_result(gate.run(project, vehicles=(name,), only=only).result), {})
        for name, answer in zip(names, found, strict=True)
    ]
    tell("done", 1, 1)
    results = [from_result(data) for data, _ in answers]
    findings = [finding for result in results for finding in result.findings]
    whole = Result(
        project=project.document.name,
        file=project.file.name,
        version=__version__,
        vehicles=names,
        parts={name: result.parts[name] for name, result in zip(names, results, strict=True)},
        findings=tuple(sorted(findings, key=rank)),
    )
    fresh = {key: value for _, more in answers for key, value in more.items()}
    return Run(whole, Later(names, lambda: project.assemble(names)), fresh=fresh)


def split(workers: int, tasks: int) -> list[int]:
    """Processes for each of some tasks: at least one, and all workers where there are more."""
    return [max(1, (workers + tasks - 1 - k) // tasks) for k in range(tasks)]


def at_once(task: Callable[..., Any], rows: Sequence[tuple[Any, ...]], workers: int) -> list[Any]:
    """What a task of some module gives for each row of arguments, on workers of Dask's.

    Raises
    ------
    InputError
        Dask is not installed.
    """
    try:
        from dask.base import compute
        from dask.delayed import delayed
    except ImportError as error:
        raise InputError(
            "--workers needs Dask, which is not installed",
            remedy='install it with pip install "geomcheck[workers]", or leave --workers out: two '
            "processors are used without it",
        ) from error
    # Dask says nothing of its types.
    all_of: Any = compute
    tasks = [delayed(task)(*row) for row in rows]
    return list(all_of(*tasks, scheduler="processes", num_workers=min(workers, len(rows))))


def _vehicle(
    file: str,
    name: str,
    only: tuple[str, ...],
    folder: str | None,
    files: Mapping[str, str] | None,
    processes: int,
) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """A worker's task: the result of one vehicle as data, and what it found out.

    None where the input is wrong: errors do not travel between processes.
    """
    store = None if folder is None else Store(Path(folder))
    try:
        run = gate.run(
            load(Path(file)),
            vehicles=(name,),
            only=only,
            store=store,
            files=files,
            processes=processes if sys.platform == "linux" else 1,
        )
    except InputError:
        return None
    return to_result(run.result), dict(run.fresh)

"""What the commands share: progress, running a project file, settling what it found."""

from __future__ import annotations

import datetime
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from geomcheck.errors import InputError
from geomcheck.finding import FailLevel, Result, Verdict
from geomcheck.measuring import changed_vehicles, measure, recalled
from geomcheck.reports.files import write_text
from geomcheck.runs import Parts, Progress, Run
from geomcheck.store import Store, open_store

# What measures is imported where it is used: a run that is recalled needs none of it.
if TYPE_CHECKING:
    from geomcheck.release.baseline import Accepted

_OPEN = (Verdict.FAIL, Verdict.UNDECIDED)


def run(
    path: Path,
    tell: Progress,
    *,
    vehicles: Iterable[str] = (),
    only: Iterable[str] = (),
    changed_since: str | None = None,
    fail_level: FailLevel = "undecided",
    today: datetime.date | None = None,
    store: Store | None = None,
    workers: int = 0,
) -> Run:
    """Check a project file; as :func:`geomcheck.gate.run`.

    Parameters
    ----------
    path : Path
    tell : callable
    vehicles, only : iterable of str
    changed_since : str, optional
        A Git revision: vehicles of which no file is other than it was then are left out.
    fail_level : {"undecided", "waived", "remark"}
        See :func:`geomcheck.finding.exit_code`.
    today : date, optional
        The day on which waivers must hold; default the system's.
    store : Store, optional
        Where answers are kept, and recalled from; none by default.
    workers : int
        Processes of Dask's, a vehicle each; 0 for none.
    """
    if store is not None and changed_since is None:
        known = recalled(store, path, vehicles, only)
        if known is not None:
            return replace(known, result=replace(known.result, fail_level=fail_level))
    from geomcheck import gate
    from geomcheck.project.load import load

    project = load(path)
    chosen = tuple(vehicles)
    notes: tuple[str, ...] = ()
    if changed_since is not None:
        touched = changed_vehicles(project, changed_since)
        asked = chosen or project.vehicles
        chosen = tuple(name for name in asked if name in touched)
        notes = tuple(
            f"not checked: {name}, of which no file changed since {changed_since}"
            for name in asked
            if name not in touched
        )
        if not chosen:
            return Run(gate.nothing(project, fail_level), {}, notes)
    done = measure(project, tell, vehicles=chosen, only=only, store=store, workers=workers)
    from geomcheck.release.settle import settle

    settled = settle(
        project,
        done.result,
        Parts(done.assemblies),
        today=today or datetime.date.today(),
        asked=gate.asked(project, only),
    )
    return Run(replace(settled, fail_level=fail_level), done.assemblies, notes)


def accept(
    path: Path, tell: Progress, *, vehicles: Iterable[str] = (), only: Iterable[str] = ()
) -> list[str]:
    """Take the values of a run into the project's baseline; what changed, line by line."""
    from geomcheck.project.load import load
    from geomcheck.release.baseline import accepted, read_baseline, to_text
    from geomcheck.release.settle import baseline_file

    project = load(path)
    file = baseline_file(project)
    done = measure(project, tell, vehicles=vehicles, only=only, store=open_store())
    entry = project.document.baseline
    assert entry is not None
    new = {one.question: one for one in accepted(done.result.findings, entry)}
    old = dict(read_baseline(file)) if file.exists() else {}
    write_text(file, to_text((old | new).values()))
    added = [f"new: {_told(one)}" for q, one in new.items() if q not in old]
    changed = [
        f"changed: {_told(one)}, was {old[q].value:g}"
        for q, one in new.items()
        if q in old and old[q] != one
    ]
    same = len(new) - len(added) - len(changed)
    return [*added, *changed, f"{same} as they were", f"wrote {file}"]


def prune(path: Path, tell: Progress) -> list[str]:
    """Take out of the project's baseline what no question asks any more; what was taken out."""
    from geomcheck.project.load import load
    from geomcheck.release.baseline import accepted, read_baseline, to_text
    from geomcheck.release.settle import baseline_file

    project = load(path)
    file = baseline_file(project)
    old = read_baseline(file)
    done = measure(project, tell, store=open_store())
    entry = project.document.baseline
    assert entry is not None
    asked = {one.question for one in accepted(done.result.findings, entry)}
    gone = [one for question, one in old.items() if question not in asked]
    if gone:
        write_text(file, to_text(one for one in old.values() if one.question in asked))
    told = [f"taken out: {_told(one)}" for one in gone]
    return [*told, f"wrote {file}" if gone else "nothing to take out"]


def _told(one: Accepted) -> str:
    return f"{one.vehicle}, {one.code} {one.subject}: {one.name} {one.value:g} {one.unit}"


def waiver(
    path: Path,
    tell: Progress,
    *,
    code: str,
    subject: str,
    vehicle: str,
    reason: str,
    owner: str,
    expires: datetime.date,
    radius: float,
) -> str:
    """The waiver of a finding as it is now, as text for the project file."""
    from geomcheck.project.load import load
    from geomcheck.release.toml import waiver_text
    from geomcheck.release.waivers import waiver_of

    done = measure(load(path), tell, vehicles=(vehicle,), only=(code,), store=open_store())
    mine = [f for f in done.result.findings if f.code == code]
    found = [finding for finding in mine if finding.subject == subject]
    if not found:
        known = "; ".join(dict.fromkeys(f.subject for f in mine if f.verdict in _OPEN)) or "nothing"
        raise InputError(
            f"{code} asks nothing about {subject!r} in {vehicle}",
            remedy=f"open findings of {code} there: {known}",
        )
    # Worst first: of several on one subject the worst is what a waiver is wanted for.
    entry = waiver_of(
        found[0],
        done.assemblies[vehicle].parts,
        reason=reason,
        owner=owner,
        expires=expires,
        radius=radius,
    )
    return waiver_text(entry)


def result_of(path: Path, tell: Progress) -> Result:
    """The result in a JSON file, or of checking a project file now."""
    from geomcheck.reports.json import read_result

    if path.suffix.lower() == ".json":
        return read_result(path)
    return run(path, tell, store=open_store()).result


@contextmanager
def progress() -> Iterator[Progress]:
    """A progress bar on standard error if someone is looking at it, else nothing."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield lambda _what, _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1)
        yield lambda what, done, total: bar.update(
            task, description=what, completed=done, total=max(total, 1)
        )

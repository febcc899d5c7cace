"""Ask every question of every vehicle and gather the answers; never prints.

The gate knows no check by name: each file in ``geomcheck.checks`` is one. A check that cannot
answer raises ``CannotDecide`` and becomes an undecided finding; one that is asked nonsense raises
``InputError`` and becomes an error finding. Either way the other questions are still answered, so
that one run shows all there is to mend. A project file or a mesh that cannot be read stops the
run: nothing can be said then.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import accumulate, chain
from pathlib import Path
from typing import Any, Protocol, TypeAlias, cast

from geomcheck import checks
from geomcheck.choosing import ALWAYS as ALWAYS
from geomcheck.choosing import choose, choose_vehicles
from geomcheck.errors import CannotDecide, GeomcheckError, InputError, ProjectError, visible
from geomcheck.finding import (
    EntryRef,
    FailLevel,
    Finding,
    PartSummary,
    Result,
    Verdict,
    rank,
)
from geomcheck.mesh.part import Part
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import Table
from geomcheck.project.load import Project
from geomcheck.project.recall import Recall, recalled
from geomcheck.runs import Progress, Run
from geomcheck.shares import shared
from geomcheck.store import Store
from geomcheck.store.codec import from_findings, to_findings
from geomcheck.version import __version__
from geomcheck.wording import sentence

#: Triangles of all parts together from which a second process pays.
WORTH_SHARING = 50_000

#: Name of a vehicle and code of a check.
_Question: TypeAlias = tuple[str, str]


class Check(Protocol):
    """What a module in ``geomcheck.checks`` offers.

    Checks that rest on the same measurements may name them in ``TOGETHER``, so that one process
    answers them all; ``ALL_VEHICLES_TOGETHER`` where vehicles share them too.
    """

    CODE: str
    TITLE: str
    Settings: type[Table]

    def run(self, assembly: Assembly, settings: Table) -> Iterator[Finding]:
        """Yield a finding for every question the check asks of the assembly."""
        ...


def discover() -> dict[str, Check]:
    """All checks by code, in the order of their codes."""
    found: dict[str, Check] = {}
    for info in pkgutil.iter_modules(checks.__path__):
        module = importlib.import_module(f"{checks.__name__}.{info.name}")
        if hasattr(module, "CODE"):
            check = cast(Check, module)
            found[check.CODE] = check
    return dict(sorted(found.items()))


def explanations() -> dict[str, str]:
    """What, why and remedy of each check, from its module's docstring."""
    return {code: inspect.getdoc(check) or "" for code, check in discover().items()}


def run(
    project: Project,
    *,
    vehicles: Iterable[str] = (),
    only: Iterable[str] = (),
    progress: Progress | None = None,
    processes: int = 1,
    store: Store | None = None,
    files: Mapping[str, str] | None = None,
) -> Run:
    """Run the checks of a project.

    Parameters
    ----------
    project : Project
    vehicles : iterable of str
        Only these vehicles; all if empty.
    only : iterable of str
        Only these check codes; all if empty. The soundness and the placement of the meshes are
        always judged, since every other answer rests on them.
    progress : callable, optional
        Told what is being done.
    processes : int
        Processes the checks may be shared between; the result is the same for any number.
    store : Store, optional
        Where answers of earlier runs are; nothing is written to it.
    files : mapping of str to str, optional
        Hash of each mesh file, by its name in the project file; needed with a store.

    Raises
    ------
    InputError
        A mesh or an entry of the project file cannot be used.
    """
    tell = progress or (lambda _what, _done, _total: None)
    found = discover()
    chosen = choose(project, found, tuple(only))
    names = choose_vehicles(project, tuple(vehicles))
    settings = {code: project.settings(code, found[code].Settings) for code in chosen}
    steps = len(names) * len(chosen)
    tell("reading parts", 0, steps)
    assemblies = {assembly.vehicle: assembly for assembly in project.assemble(names)}
    if store is not None and files is not None:
        assemblies = {
            name: replace(assembly, recall=Recall(store, assembly, files))
            for name, assembly in assemblies.items()
        }
    groups = _groups(found, names, chosen)
    counts = [0, *accumulate(len(group) for group in groups)]

    def task(group: Sequence[_Question]) -> Callable[[], Any]:
        def answer() -> list[Any]:
            here = [assemblies[name] for name, _ in group]
            rows = [
                to_findings(_known(found[code], assembly, settings[code]))
                for assembly, (_, code) in zip(here, group, strict=True)
            ]
            fresh: dict[str, Any] = {}
            for assembly in here:
                fresh |= assembly.recall.take() if assembly.recall is not None else {}
            return [rows, fresh]

        return answer

    def begin(number: int) -> None:
        name, code = groups[number][0]
        tell(f"{name}: {found[code].TITLE}", counts[number], steps)

    parts = _distinct(assemblies)
    if sum(len(part.faces) for part in parts) < WORTH_SHARING:
        processes = 1
    if processes > 1:
        # Built once, before the processes part.
        with ThreadPoolExecutor(processes) as pool:
            list(pool.map(lambda part: part.tree, parts))
    answers = shared([task(group) for group in groups], processes, begin)
    given = dict(zip(chain(*groups), chain(*(rows for rows, _ in answers)), strict=True))
    ordered = [given[name, code] for name in names for code in chosen]
    findings = from_findings(chain(*ordered))
    tell("done", steps, steps)
    result = Result(
        project=project.document.name,
        file=project.file.name,
        version=__version__,
        vehicles=names,
        parts={name: _summaries(assembly) for name, assembly in assemblies.items()},
        findings=tuple(sorted(findings, key=rank)),
    )
    fresh = {key: value for _, more in answers for key, value in more.items()}
    return Run(result, assemblies, fresh=fresh)


def _groups(
    found: dict[str, Check], names: Iterable[str], chosen: Iterable[str]
) -> list[list[_Question]]:
    """Questions in groups, each for one process; those that share much work stand together.

    The largest come first, so that none is left for the end.
    """
    groups: dict[tuple[str, ...], list[_Question]] = {}
    for name in names:
        for code in chosen:
            together = getattr(found[code], "TOGETHER", code)
            alone = not getattr(found[code], "ALL_VEHICLES_TOGETHER", False)
            groups.setdefault((together, name) if alone else (together,), []).append((name, code))
    return sorted(groups.values(), key=len, reverse=True)


def _distinct(assemblies: Mapping[str, Assembly]) -> list[Part]:
    """Every part of some vehicles once."""
    parts = chain(*(assembly.parts.values() for assembly in assemblies.values()))
    return list({id(part): part for part in parts}.values())


def asked(project: Project, only: Iterable[str] = ()) -> frozenset[str]:
    """Codes of the checks that :func:`run` runs."""
    return frozenset(choose(project, discover(), tuple(only)))


def nothing(project: Project, fail_level: FailLevel = "undecided") -> Result:
    """The result of asking nothing: exit code 3."""
    return Result(project.document.name, project.file.name, __version__, (), {}, (), fail_level)


#: Code of the one finding of a run that could not begin, and who it is about.
UNREAD, ALL = "project", "all vehicles"


def unread(path: Path, error: GeomcheckError, fail_level: FailLevel = "undecided") -> Result:
    """The result of a run that could not begin: one error, exit code 2.

    Reports that are asked for hold it, so that none of an earlier run is taken for this one's.

    Parameters
    ----------
    path : Path
        The project file, as it was given.
    error : GeomcheckError
        Why.
    fail_level : {"undecided", "waived", "remark"}
    """
    name = visible(path.name)
    entry, subject = None, error.where or name
    if isinstance(error, ProjectError):
        entry, subject = EntryRef(name, error.line, error.entry or name), error.entry or name
    finding = Finding(
        code=UNREAD,
        verdict=Verdict.ERROR,
        vehicle=ALL,
        subject=subject,
        parts=(),
        message=f"Nothing was checked. {sentence(error.what)}",
        remedy=sentence(error.remedy),
        entry=entry,
        about_input=True,
    )
    return Result(name, name, __version__, (ALL,), {}, (finding,), fail_level)


def _known(check: Check, assembly: Assembly, settings: Table) -> Iterable[Finding]:
    """Findings of a check on a vehicle, recalled where none of its parts has changed."""
    return recalled(
        assembly, check.CODE, assembly.parts, ("all",), lambda whole: _ask(check, whole, settings)
    )


def _ask(check: Check, assembly: Assembly, settings: Table) -> Iterator[Finding]:
    try:
        yield from check.run(assembly, settings)
    except CannotDecide as error:
        yield Finding(
            code=check.CODE,
            verdict=Verdict.UNDECIDED,
            vehicle=assembly.vehicle,
            subject=error.where or check.TITLE,
            parts=(),
            message=sentence(error.what),
            remedy=sentence(error.remedy),
        )
    except InputError as error:
        place: EntryRef | None = None
        if isinstance(error, ProjectError) and error.file is not None:
            place = EntryRef(error.file.name, error.line, error.entry)
        yield Finding(
            code=check.CODE,
            verdict=Verdict.ERROR,
            vehicle=assembly.vehicle,
            subject=(place.entry if place else error.where) or check.TITLE,
            parts=(),
            message=sentence(error.what),
            remedy=sentence(error.remedy),
            entry=place,
        )


def _summaries(assembly: Assembly) -> tuple[PartSummary, ...]:
    return tuple(
        PartSummary(
            name=part.name,
            file=part.file.name,
            role=part.role,
            kind=part.kind,
            mesh=part.soundness.kind,
            triangles=len(part.faces),
            size=tuple(float(x) for x in part.bounds[1] - part.bounds[0]),  # type: ignore[arg-type]
        )
        for part in assembly.parts.values()
    )

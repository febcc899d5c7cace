"""Plant faults into a project one by one, and report what the gate would catch."""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from geomcheck.errors import ProjectError
from geomcheck.gate import WORTH_SHARING
from geomcheck.project.load import load
from geomcheck.prove.advice import advice
from geomcheck.prove.choose import choose
from geomcheck.prove.faults import Fault, Kind
from geomcheck.prove.merging import merged
from geomcheck.prove.plant import Bench
from geomcheck.prove.telling import Advice
from geomcheck.prove.trial import Outcome, Trial, from_data, to_data
from geomcheck.shares import shared, usable

#: Told what is being done, and how many of how many faults are finished.
Tell = Callable[[str, int, int], None]
#: Faults planted where nobody says how many: one of each kind, and one more.
MOST = 20


@dataclass(frozen=True)
class Proof:
    """What the gate would catch of a project.

    Parameters
    ----------
    project : str
    vehicles : tuple of str
    base : dict of str to int
        How many findings of each verdict the project has as it is.
    trials : tuple of Trial
        In the order they were planted.
    advised : tuple of Advice
        For each trial why it was not caught, and the entry to add; empty where it was.
    seconds : float
        That all took, the parts as they are among it.
    """

    project: str
    vehicles: tuple[str, ...]
    base: dict[str, int]
    trials: tuple[Trial, ...]
    advised: tuple[Advice, ...]
    seconds: float = 0.0

    def of(self, outcome: Outcome) -> int:
        """How many faults had an outcome."""
        return sum(trial.outcome is outcome for trial in self.trials)

    @property
    def exit_code(self) -> int:
        """0 all were caught; 1 some were not; 4 some are hidden; 3 none were planted."""
        if not self.trials:
            return 3
        if self.of(Outcome.MISSED):
            return 1
        return 4 if self.of(Outcome.HIDDEN) else 0


def prove(
    path: Path,
    *,
    vehicles: Iterable[str] = (),
    kinds: Sequence[Kind] = (),
    most: int = MOST,
    seed: int = 0,
    today: datetime.date | None = None,
    tell: Tell | None = None,
) -> Proof:
    """Plant faults into a project, in memory, and ask the gate about each.

    Parameters
    ----------
    path : Path
        The project file. Neither it nor any mesh file is written to.
    vehicles : iterable of str
        Only these; all if empty.
    kinds : sequence of Kind
        Only these kinds of faults; all if empty.
    most : int
        No more faults than these.
    seed : int
        Another seed chooses other places and parts.
    today : date, optional
        The day on which waivers must hold; default the system's.
    tell : callable, optional

    Raises
    ------
    InputError
        The project cannot be checked as it is.
    """
    say = tell or (lambda _what, _done, _total: None)
    project = load(path)
    wanted = tuple(vehicles)
    for name in wanted:
        if name not in project.vehicles:
            raise ProjectError(
                f"there is no vehicle {name!r}",
                remedy=f"known vehicles: {', '.join(project.vehicles)}",
                file=project.file,
            )
    names = tuple(name for name in project.vehicles if not wanted or name in wanted)
    begin = time.perf_counter()
    say("checking the parts as they are", 0, 1)
    bench = Bench(project, names, today or datetime.date.today(), usable())
    unit = project.document.unit
    faults = choose(bench.assemblies, bench.base, unit=unit, kinds=kinds, most=most, seed=seed)
    rows = _tried(bench, faults, say)
    say("done", 1, 1)
    verdicts = [str(finding.verdict) for finding in bench.base.findings]
    return Proof(
        project=project.document.name,
        vehicles=names,
        base={one: verdicts.count(one) for one in dict.fromkeys(verdicts)},
        trials=tuple(trial for trial, _ in rows),
        advised=merged([told for _, told in rows], bench.assemblies),
        seconds=time.perf_counter() - begin,
    )


def _tried(bench: Bench, faults: Sequence[Fault], say: Tell) -> list[tuple[Trial, Advice]]:
    """Each fault's trial, with what is to be told of it; shared between processes where it pays."""

    def task(fault: Fault) -> Callable[[], Any]:
        def answer() -> list[Any]:
            trial = bench.try_fault(fault)
            return [to_data(trial), asdict(advice(bench, trial))]

        return answer

    def begin(number: int) -> None:
        say(faults[number].words, number, len(faults))

    triangles = sum(
        len(part.faces) for one in bench.assemblies.values() for part in one.parts.values()
    )
    processes = usable() if triangles >= WORTH_SHARING else 1
    rows = shared([task(fault) for fault in faults], processes, begin)
    return [
        (from_data(trial, fault), Advice(**told | {"replaces": tuple(told["replaces"])}))
        for fault, (trial, told) in zip(faults, rows, strict=True)
    ]

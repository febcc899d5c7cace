"""Run the gate on a project with a fault in it, and say whether it was seen."""

from __future__ import annotations

import datetime
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum

from geomcheck import gate
from geomcheck.compare.changes import Change, Kind, compare
from geomcheck.errors import InputError
from geomcheck.finding import Finding, Result, Verdict
from geomcheck.project.assembly import Assembly
from geomcheck.project.load import Project
from geomcheck.prove.faults import Fault
from geomcheck.prove.faults import Kind as FaultKind
from geomcheck.prove.focus import focused
from geomcheck.release.settle import settle

_GAPS = ("fit-mate", "fit-gap")
_BOLTS = ("fasten-reach", "fasten-withdraw", "fasten-holes", "fasten-length", "fasten-pattern")
#: Checks that are tried first on a fault: those that are meant for it.
_STAGES: Mapping[FaultKind, tuple[tuple[str, ...], ...]] = {
    FaultKind.GROWN_NEAR: (_GAPS,),
    FaultKind.GROWN: (_GAPS,),
    FaultKind.DUCT: (("flow-area",),),
    FaultKind.SHIFTED: (("part-sound",), _GAPS),
    FaultKind.MIRRORED: (("part-sound",), _GAPS),
    FaultKind.UNIT: (("part-sound",), _GAPS),
    FaultKind.TRIANGLE: (("part-sound",), _GAPS),
    FaultKind.BOLT_MOVED: (_BOLTS,),
    FaultKind.BOLT_TILTED: (_BOLTS,),
    FaultKind.HOLE: (_BOLTS,),
}
#: Not tried alone: they rest on the gaps of fit-gap and the areas of flow-area, or cost minutes.
_NEVER_ALONE = (
    "fit-zones", "fit-trim", "flow-agreement", "flow-turn", "flow-estimate", "fasten-order",
)  # fmt: skip
#: Not tried on a part of another size: where fit-gap sees nothing wrong, the part is far away.
_HEAVY = ("fit-movement",)
_WORSE = (Kind.BROKEN, Kind.NEW, Kind.WORSE)
_OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)


class Outcome(StrEnum):
    """What became of a fault; worst first."""

    MISSED = "not caught"
    HIDDEN = "hidden"
    CAUGHT = "caught"


@dataclass(frozen=True)
class Trial:
    """A fault and what the gate said.

    Parameters
    ----------
    fault : Fault
    outcome : Outcome
        ``caught``: a finding that names the part or bolt is new, worse, or open and was not.
        ``hidden``: none is, and a question about it was open before and cannot get worse for
        certain. ``not caught``: none is, and nothing hides it.
    by : Change or None
        What caught it: the worst such finding.
    hides : Finding or None
        What hides it.
    unnamed : Change or None
        Where it is not caught: a finding that is new or worse but does not name it.
    moved : tuple of Change
        Measured values that changed and stayed within what is required.
    stopped : str
        The message, where the run stopped at the fault.
    seconds : float
    """

    fault: Fault
    outcome: Outcome
    by: Change | None = None
    hides: Finding | None = None
    unnamed: Change | None = None
    moved: tuple[Change, ...] = ()
    stopped: str = ""
    seconds: float = 0.0


@dataclass(frozen=True, eq=False)
class Planted(Project):
    """A project whose assemblies are given, not read."""

    assemblies: Mapping[str, Assembly] = field(default_factory=dict)

    @classmethod
    def of(cls, project: Project, assemblies: Mapping[str, Assembly]) -> Planted:
        """A project with these assemblies in place of its files."""
        given = {one.name: getattr(project, one.name) for one in fields(Project)}
        return cls(**given, assemblies=assemblies)

    def assemble(self, names: Iterable[str] = ()) -> Iterator[Assembly]:
        """The given assemblies."""
        for name in tuple(names) or self.vehicles:
            yield self.assemblies[name]


class Bench:
    """The base: assemblies read once, and what the gate says of them as they are.

    Parameters
    ----------
    project : Project
    vehicles : tuple of str
    today : date
        On which waivers must hold.
    """

    def __init__(self, project: Project, vehicles: tuple[str, ...], today: datetime.date) -> None:
        self.project = project
        self.vehicles = vehicles
        self._today = today
        self.assemblies = {one.vehicle: one for one in project.assemble(vehicles)}
        self.base = self.asked(self.assemblies, vehicles)
        self.codes = tuple(gate.discover())

    def asked(
        self,
        assemblies: Mapping[str, Assembly],
        vehicles: Iterable[str],
        only: tuple[str, ...] = (),
    ) -> Result:
        """What the gate says, waivers and baseline applied; nothing is recalled from a cache."""
        planted = Planted.of(self.project, assemblies)
        done = gate.run(planted, vehicles=vehicles, only=only)
        parts = {name: one.parts for name, one in done.assemblies.items()}
        codes = gate.asked(self.project, only)
        return settle(self.project, done.result, parts, today=self._today, asked=codes)

    def try_fault(self, fault: Fault) -> Trial:
        """Plant a fault and ask, cheap questions first, until one shows it."""
        begin = time.perf_counter()
        found = self._try(fault)
        return replace(found, seconds=time.perf_counter() - begin)

    def _try(self, fault: Fault) -> Trial:
        moved: list[Change] = []
        unnamed: Change | None = None
        hides = next((one for one in self.base.findings if self._hides(one, fault)), None)
        altered = {
            name: focused(fault.alter(self.assemblies[name]), fault) for name in fault.vehicles
        }
        tried: set[str] = set()
        for stage in (*_STAGES[fault.kind], self._rest(fault)):
            only = tuple(code for code in stage if code not in tried)
            if not only:
                continue
            tried.update(only)
            for name in fault.vehicles:
                try:
                    now = self.asked(altered, (name,), only)
                except InputError as error:
                    return Trial(fault, Outcome.CAUGHT, stopped=error.text)
                changes = self._changes(now, name, only)
                worse = [one for one in changes if one.kind in _WORSE and one.open]
                named = [one for one in worse if _names(one.finding, fault)]
                if named:
                    return Trial(fault, Outcome.CAUGHT, by=named[0])
                unnamed = unnamed or next(iter(worse), None)
                open_before = (one for one in changes if _masked(one, fault))
                hides = hides or next((one.new for one in open_before), None)
                moved += [one for one in changes if _moved(one, fault)]
        if self._lacks(fault):
            hides = None
        outcome = Outcome.MISSED if hides is None else Outcome.HIDDEN
        return Trial(fault, outcome, hides=hides, unnamed=unnamed, moved=tuple(moved))

    def _rest(self, fault: Fault) -> tuple[str, ...]:
        """The checks that are tried last."""
        out = list(_NEVER_ALONE)
        if fault.kind in (FaultKind.UNIT, FaultKind.TRIANGLE):
            out += _HEAVY
        if fault.kind is not FaultKind.DUCT:
            out.append("flow-throat")
        return tuple(code for code in self.codes if code not in out)

    def _lacks(self, fault: Fault) -> bool:
        """Whether the entry that is meant for such a fault is not there: then nothing is hidden."""
        entry = self.assemblies[fault.vehicles[0]].part_entries[fault.part]
        wanted = {
            FaultKind.UNIT: entry.size is not None,
            FaultKind.MIRRORED: bool(entry.on_surface),
            FaultKind.TRIANGLE: entry.expect is not None or entry.role != "neighbour",
        }
        return not wanted.get(fault.kind, True)

    def _changes(self, now: Result, vehicle: str, only: tuple[str, ...]) -> tuple[Change, ...]:
        """Against the base, of one vehicle and these checks."""
        codes = {*only, *gate.ALWAYS}

        def mine(result: Result) -> Result:
            kept = tuple(f for f in result.findings if f.vehicle == vehicle and f.code in codes)
            return replace(result, findings=kept)

        return compare(mine(self.base), mine(now)).changes

    def _hides(self, finding: Finding, fault: Fault) -> bool:
        """Whether a finding of the base keeps a fault from showing.

        An open question without a number cannot get more open; and one that broke off before it
        named anything may have been about the target.
        """
        if finding.verdict not in (Verdict.ERROR, Verdict.UNDECIDED):
            return False
        if finding.vehicle not in fault.vehicles or finding.quantity is not None:
            return False
        first = {code for stage in _STAGES[fault.kind] for code in stage}
        return finding.code in first and (not finding.parts or _names(finding, fault))


def _masked(change: Change, fault: Fault) -> bool:
    """Whether a question about the target was open, is open, and its value moved unsurely."""
    was = change.old is not None and change.old.verdict in _OPEN
    moved = change.kind in (Kind.UNCLEAR, Kind.CHANGED)
    return was and change.open and moved and _names(change.finding, fault)


def _names(finding: Finding, fault: Fault) -> bool:
    named = f'"{fault.target}"' in finding.subject or finding.subject == fault.target
    return named or fault.target in finding.parts or fault.target in finding.subject.split(" / ")


def _moved(change: Change, fault: Fault) -> bool:
    """Whether a measured value about the target changed and nobody minds."""
    return (
        change.kind in (Kind.UNCLEAR, Kind.WORSE, Kind.CHANGED)
        and not change.open
        and change.change is not None
        and change.change.value != 0.0
        and _names(change.finding, fault)
    )

"""Run the gate on a project with a fault in it, and say whether it was seen.

A fault alters one part or one entry. What the gate says of all that does not rest on it is recalled
from what it said of the parts as they are; nothing of a cache on disk is used, and nothing that is
found out about a fault is kept for another.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from geomcheck import gate
from geomcheck.compare.changes import Change, Kind, compare
from geomcheck.errors import InputError
from geomcheck.finding import Finding, Result, Verdict
from geomcheck.project.assembly import Assembly
from geomcheck.project.bolts import length_is_asked
from geomcheck.project.load import Project
from geomcheck.prove.faults import HOLES, Fault
from geomcheck.prove.faults import Kind as FaultKind
from geomcheck.prove.focus import EACH, focused
from geomcheck.prove.stages import MEANT, stages
from geomcheck.prove.trial import Outcome, Trial, spare
from geomcheck.release.baseline import CODE as BASELINE
from geomcheck.release.settle import settle
from geomcheck.store import Store

_WORSE = (Kind.BROKEN, Kind.NEW, Kind.WORSE)
_OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)


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


class Memory(Store):
    """Answers about the parts as they are, in memory; nothing is read from or written to disk."""

    def __init__(self) -> None:
        super().__init__(Path())
        self._answers: dict[str, Any] = {}

    def add(self, answers: Mapping[str, Any]) -> None:
        """Keep answers by their keys."""
        self._answers.update(answers)

    def get(self, key: str) -> Any:
        """What is kept under a key, or None."""
        return self._answers.get(key)


class Bench:
    """The base: assemblies read once, and what the gate says of them as they are.

    Parameters
    ----------
    project : Project
    vehicles : tuple of str
    today : date
        On which waivers must hold.
    processes : int
        Processes the questions about the parts as they are may be shared between.
    """

    def __init__(
        self,
        project: Project,
        vehicles: tuple[str, ...],
        today: datetime.date,
        processes: int = 1,
    ) -> None:
        self.project = project
        self.vehicles = vehicles
        self._today = today
        self.assemblies = {one.vehicle: one for one in project.assemble(vehicles)}
        self.codes = tuple(gate.discover())
        self._memory = Memory()
        # A file's own name stands for its content: nothing is read again.
        self._files = {name: name for name in project.mesh_files(vehicles)}
        self.base = self._asked(self.assemblies, vehicles, (), self._files, processes)

    def _asked(
        self,
        assemblies: Mapping[str, Assembly],
        vehicles: Iterable[str],
        only: tuple[str, ...],
        files: Mapping[str, str] | None,
        processes: int = 1,
    ) -> Result:
        """What the gate says, waivers and baseline applied; without files nothing is recalled."""
        done = gate.run(
            Planted.of(self.project, assemblies),
            vehicles=vehicles,
            only=only,
            processes=processes,
            store=self._memory,
            files=files,
        )
        if not only:
            self._memory.add(done.fresh)
        parts = {name: one.parts for name, one in done.assemblies.items()}
        codes = gate.asked(self.project, only)
        return settle(self.project, done.result, parts, today=self._today, asked=codes)

    def ask(self, assembly: Assembly, code: str) -> tuple[Finding, ...]:
        """What one check says of an assembly; nothing is recalled."""
        name = assembly.vehicle
        return self._asked({name: assembly}, (name,), (code,), None).findings

    def try_fault(self, fault: Fault) -> Trial:
        """Plant a fault and ask, cheap questions first, until one shows it."""
        begin = time.perf_counter()
        found = self._try(fault)
        return replace(found, seconds=time.perf_counter() - begin)

    def _try(self, fault: Fault) -> Trial:
        moved: list[Change] = []
        unnamed: Change | None = None
        hides = next((one for one in self.base.findings if self._hides(one, fault)), None)
        try:
            for now, name, codes in self._answers(fault):
                changes = self._changes(now, name, codes)
                worse = [one for one in changes if one.kind in _WORSE and one.open]
                named = [one for one in worse if names(one.finding, fault)]
                if named:
                    return Trial(fault, Outcome.CAUGHT, by=named[0])
                unnamed = unnamed or next(iter(worse), None)
                open_before = (one for one in changes if _masked(one, fault))
                hides = hides or next((one.new for one in open_before), None)
                moved += [one for one in changes if _moved(one, fault)]
        except InputError as error:
            told = any(f'"{name}"' in error.text for name in (fault.target, fault.part))
            return Trial(fault, Outcome.CAUGHT if told else Outcome.HIDDEN, stopped=error.text)
        if self._lacks(fault):
            hides = None
        outcome = Outcome.MISSED if hides is None else Outcome.HIDDEN
        moved.sort(key=lambda one: spare(one.finding))
        return Trial(fault, outcome, hides=hides, unnamed=unnamed, moved=tuple(moved))

    def _answers(self, fault: Fault) -> Iterator[tuple[Result, str, tuple[str, ...]]]:
        """What the gate says stage by stage and vehicle by vehicle, and the checks of the stage."""
        shared: dict[Any, Any] = {}
        whole, focus = {}, {}
        for name in fault.vehicles:
            base = self.assemblies[name]
            whole[name] = replace(fault.alter(base), kept={}, shared=shared)
            focus[name] = focused(whole[name], fault, base)
        for stage in stages(fault, self.codes):
            each = tuple(code for code in stage if code.startswith(EACH))
            rest = tuple(code for code in stage if code not in each)
            for codes, assemblies in ((rest, whole), (each, focus)):
                for name in fault.vehicles if codes else ():
                    here = {name: assemblies[name]}
                    yield self._asked(here, (name,), codes, self._altered(fault)), name, codes

    def _altered(self, fault: Fault) -> dict[str, str] | None:
        """What stands for the content of each file, where it is a part that is altered."""
        if fault.entry:
            return None
        entries = (self.assemblies[name].part_entries for name in fault.vehicles)
        return self._files | {row[fault.part].file: "altered" for row in entries}

    def _lacks(self, fault: Fault) -> bool:
        """Whether the entry that is meant for such a fault is not there: then nothing is hidden."""
        entry = self.assemblies[fault.vehicles[0]].part_entries[fault.part]
        wanted = {
            FaultKind.UNIT: entry.size is not None,
            FaultKind.SHRUNK: entry.size is not None,
            FaultKind.MIRRORED: bool(entry.on_surface),
            FaultKind.SWAPPED: bool(entry.on_surface) or entry.size is not None,
            FaultKind.TRIANGLE: entry.expect is not None or entry.role != "neighbour",
            FaultKind.BOLT_LENGTH: self.length_is_asked(fault),
            **dict.fromkeys(HOLES, self.holes_are_asked),
        }
        return not wanted.get(fault.kind, True)

    @property
    def holes_are_asked(self) -> bool:
        """Whether the project asks for a hole under each bolt."""
        return self.project.lines.value(("check", "fasten-holes")) is not None

    def length_is_asked(self, fault: Fault) -> bool:
        """Whether the project asks how long the bolt must be that a fault is in."""
        rows = self.assemblies[fault.vehicles[0]].fasteners
        settings = self.project.lines.value(("check", "fasten-length")) or {}
        return bool(settings.get("all")) or any(
            one.name == fault.target and length_is_asked(one) for _, one in rows
        )

    def _changes(self, now: Result, vehicle: str, only: tuple[str, ...]) -> tuple[Change, ...]:
        """Against the base, of one vehicle and these checks."""
        codes = {*only, *gate.ALWAYS, BASELINE}

        def mine(result: Result) -> Result:
            kept = tuple(f for f in result.findings if f.vehicle == vehicle and f.code in codes)
            return replace(result, findings=kept)

        return compare(mine(self.base), mine(now)).changes

    def _hides(self, finding: Finding, fault: Fault) -> bool:
        """Whether a finding of the base keeps a fault from showing.

        An open question about the very bolt or plug may stay as open as it is. Of those about parts
        that is so where they have no number; and one that broke off before it named anything may
        have been about the target.
        """
        first = {code for stage in MEANT[fault.kind] for code in stage}
        if finding.code not in first or finding.vehicle not in fault.vehicles:
            return False
        if finding.verdict in _OPEN and f'"{fault.target}"' in finding.subject:
            return fault.bolt or fault.kind is FaultKind.PLUG
        if finding.verdict not in (Verdict.ERROR, Verdict.UNDECIDED):
            return False
        return finding.quantity is None and (not finding.parts or names(finding, fault))


def _masked(change: Change, fault: Fault) -> bool:
    """Whether a question about the target was open, is open, and its value moved unsurely."""
    was = change.old is not None and change.old.verdict in _OPEN
    moved = change.kind in (Kind.UNCLEAR, Kind.CHANGED)
    return was and change.open and moved and names(change.finding, fault)


def names(finding: Finding, fault: Fault) -> bool:
    """Whether a finding names the part, bolt or plug that a fault is in."""
    quoted = f'"{fault.target}"'
    if finding.verdict is Verdict.ERROR and quoted in finding.message:
        return True
    named = quoted in finding.subject or finding.subject == fault.target
    return named or fault.target in finding.parts or fault.target in finding.subject.split(" / ")


def _moved(change: Change, fault: Fault) -> bool:
    """Whether a measured value about the target changed and nobody minds."""
    return (
        change.kind in (Kind.UNCLEAR, Kind.WORSE, Kind.CHANGED)
        and not change.open
        and change.change is not None
        and change.change.value != 0.0
        and change.finding.code != BASELINE
        and names(change.finding, fault)
    )

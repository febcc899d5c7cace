"""Every question that a project file asks, so that a finding taken out of a result is missed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from geomcheck.finding import Finding, Result, Verdict
from geomcheck.project.entries import DuctEntry
from geomcheck.project.load import Project
from geomcheck.verify.asked import gaps, moving_pairs, parts_of
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fit.trim import WHOLE

#: Checks that are run whatever is chosen.
ALWAYS = ("part-placed", "part-sound")


@dataclass(frozen=True, slots=True)
class Question:
    """One question of one vehicle.

    Parameters
    ----------
    code : str
        The check that answers it.
    words : str
        What is asked about.
    answered : callable
        Whether, of a vehicle's findings of this check, there are those it takes.
    """

    code: str
    words: str
    answered: Callable[[Sequence[Finding]], bool]


def left_out(result: Result, project: Project) -> Iterator[Claim]:
    """Claims that every question of the project file has its finding, check by check."""
    missing: dict[str, list[str]] = {}
    asked: dict[str, int] = {}
    told = {finding.code for finding in result.findings}
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        by = {code: [one for one in mine if one.code == code] for code in told}
        for question in (*_of_project(project, vehicle), *_of_findings(project, vehicle, mine)):
            asked[question.code] = asked.get(question.code, 0) + 1
            found = by.get(question.code, [])
            if not (_broken(found) or question.answered(found)):
                missing.setdefault(question.code, []).append(f"{question.words} in {vehicle}")
    for code, count in sorted(asked.items()):
        what = "pairs left out" if code == "fit-gap" else f"left out of {code}"
        gone = missing.get(code, [])
        if code not in told and code not in ALWAYS:
            words = f"it has no finding of the {count} questions; was it run with --only?"
            yield left_open(what, words)
            continue
        words = f"no finding on {'; '.join(gone[:5])}" if gone else f"of {count} questions, none"
        yield confirm(what, not gone, words)


def _broken(found: Sequence[Finding]) -> bool:
    """Whether a check of a vehicle ended early and says so."""
    wrong = (Verdict.ERROR, Verdict.UNDECIDED)
    whole = (WHOLE, "order of work")
    return any(f.verdict in wrong and not f.parts and f.subject not in whole for f in found)


def _named(*subjects: str) -> Callable[[Sequence[Finding]], bool]:
    return lambda found: all(any(f.subject == subject for f in found) for subject in subjects)


def _begins(subject: str) -> Callable[[Sequence[Finding]], bool]:
    return lambda found: any(f.subject.startswith(subject) for f in found)


def _on(*names: str) -> Callable[[Sequence[Finding]], bool]:
    return lambda found: any(set(f.parts) == set(names) for f in found)


def _unmeasured(subject: str) -> Callable[[Sequence[Finding]], bool]:
    return lambda found: any(f.subject == subject and f.quantity is None for f in found)


def _either(
    *ways: Callable[[Sequence[Finding]], bool],
) -> Callable[[Sequence[Finding]], bool]:
    return lambda found: any(way(found) for way in ways)


def _of_project(project: Project, vehicle: str) -> Iterator[Question]:
    """What the project file alone asks."""
    document = project.document
    here = (None, vehicle)
    yield from _of_parts(project, vehicle)
    for one in gaps(project, vehicle):
        yield Question("fit-gap", f"{one.ours} / {one.other}", _on(one.ours, one.other))
    for mate in document.mates:
        if mate.vehicle in here:
            name = f'mate "{mate.name}"'
            yield Question("fit-mate", name, _named(name))
            if mate.area is not None:
                area = f"{name}, area"
                yield Question("fit-mate", area, _either(_named(area), _unmeasured(name)))
    for port in document.port_joints:
        if port.vehicle in here:
            name = f'port "{port.name}"'
            rows = [f"{name}: edge in the flow", f"{name}: land"]
            rows += [f"{name}: widening"] if port.step is not None else []
            yield Question("fit-ports", name, _either(_named(name), _named(*rows)))
    for movement in document.movements:
        if movement.vehicle in here:
            pairs = moving_pairs(project, vehicle, movement)
            names = [f"{movement.name}: {a} / {b}" for a, b, _ in pairs]
            for name in names or [f'movement "{movement.name}"']:
                yield Question("fit-movement", name, _named(name))
    for duct in document.ducts:
        if duct.vehicle in here:
            yield from _of_duct(duct)
    yield from _of_bolts(project, vehicle)
    for pattern in document.patterns:
        if pattern.vehicle in here:
            name = f'pattern "{pattern.name}"'
            yield Question("fasten-pattern", name, _begins(name))
    for plug in document.connectors:
        if plug.vehicle in here:
            name = f'{plug.kind} "{plug.name}"'
            yield Question("fasten-connector", name, _begins(name))
    for service in document.services:
        if service.vehicle in here:
            name = f'service "{service.name}"'
            yield Question("fasten-service", name, _begins(name))
    if document.order is not None:
        yield Question("fasten-order", "order of work", _begins("order of work"))


def _of_parts(project: Project, vehicle: str) -> Iterator[Question]:
    document = project.document
    for part in parts_of(project, vehicle):
        yield Question("part-sound", part.name, _on(part.name))
        if part.place.datums:
            yield Question("part-placed", f"datum points of {part.name}", _fits(part.name))
        if part.refine is not None:
            yield Question("part-placed", f"patches of {part.name}", _fits(part.name, laid=True))
    for one in document.vehicles:
        free = any(part.refine is None for part in one.parts)
        if one.name == vehicle and one.place.datums and free:
            name = f"vehicle {vehicle}"
            yield Question("part-placed", f"datum points of {name}", _fits(name))


def _fits(subject: str, *, laid: bool = False) -> Callable[[Sequence[Finding]], bool]:
    key = "patch_rms" if laid else "residuals"
    return lambda found: any(f.subject == subject and key in f.details for f in found)


def _of_duct(duct: DuctEntry) -> Iterator[Question]:
    ends = [f' to "{end.name}"' for end in duct.outlets] if len(duct.outlets) > 1 else [""]
    states = [f', state "{state}"' for state in duct.states] or [""]
    for name in [f'duct "{duct.name}"{end}{state}' for state in states for end in ends]:
        yield Question("flow-area", name, _named(name))
        for loss in duct.losses:
            row = f"{name}, {loss.begin:g} to {loss.end:g} mm"
            yield Question("flow-area", row, _either(_named(row), _stopped(name)))
        if duct.least_area is not None or duct.throat == "planes and cut":
            yield Question("flow-throat", name, _named(name))
        if duct.least_ball is not None:
            yield Question("flow-throat", f"{name}, passage", _named(f"{name}, passage"))
        if duct.inlet is not None:
            yield Question("flow-agreement", name, _named(f"{name}, two ways"))
        if duct.turn is not None:
            both = (f"{name}, widening", f"{name}, sight")
            yield Question("flow-turn", name, _either(_stopped(name), _named(*both)))
            bends = _either(_stopped(name), _begins(f"{name}, bend"))
            yield Question("flow-turn", f"{name}, bends", bends)
        if duct.flow is not None:
            limits = {
                "Mach number": duct.flow.most_mach,
                "margin to choking": duct.flow.least_margin,
                "loss of total pressure": duct.flow.most_loss,
            }
            rows = tuple(f"{name}, {row}" for row, limit in limits.items() if limit is not None)
            full = _named(*(rows or (name,)))
            yield Question("flow-estimate", name, _either(_stopped(name), full))


def _stopped(name: str) -> Callable[[Sequence[Finding]], bool]:
    """The question could not be answered, and that is said of the whole duct."""
    return lambda found: any(
        f.subject == name and f.verdict is Verdict.UNDECIDED and f.quantity is None for f in found
    )


def _of_bolts(project: Project, vehicle: str) -> Iterator[Question]:
    tables: Any = project.document.check
    names = {part.name for part in parts_of(project, vehicle)}
    for bolt in project.document.fasteners:
        if bolt.vehicle not in (None, vehicle):
            continue
        name = f'bolt "{bolt.name}"'
        yield Question("fasten-reach", name, _named(name))
        yield Question("fasten-withdraw", name, _named(name))
        told = (bolt.into, bolt.nut, bolt.engagement, bolt.material, bolt.thread_depth)
        every = tables.get("fasten-length", {}).get("all", False)
        if every or any(value is not None for value in told):
            yield Question("fasten-length", name, _named(name))
        if "fasten-holes" in tables:
            yield Question("fasten-holes", name, _named(name))
            if bolt.nut is None and bolt.into in names:
                thread = f'{name} into "{bolt.into}"'
                yield Question("fasten-holes", thread, _named(thread))


def _of_findings(project: Project, vehicle: str, findings: Sequence[Finding]) -> Iterator[Question]:
    """What the findings on gaps ask for in their turn: where it is too near, and what to cut."""
    parts = {part.name: part for part in parts_of(project, vehicle)}
    ours = [name for name, part in parts.items() if part.role != "neighbour"]
    judged = [one for one in findings if one.code == "fit-gap" and len(one.parts) == 2]
    for one in judged:
        quantity, need = one.quantity, one.requirement
        # A gap may fail against a baseline, too, and then has no place that is too near.
        if quantity is not None and need is not None and quantity.high < need.limit:
            yield Question("fit-zones", one.subject, _on(*one.parts))
    pairs = [one for one in judged if one.parts[0] in ours and one.parts[1] not in ours]
    if pairs:
        yield Question("fit-trim", WHOLE, _named(WHOLE))
    near = {one.parts[1] for one in pairs if one.verdict is not Verdict.PASS}
    for name in sorted(near):
        if name in parts and parts[name].trim != "never":
            yield Question("fit-trim", f"trim of {name}", _named(f"trim of {name}"))

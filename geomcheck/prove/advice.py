"""Why a fault was not caught, and the entry that would have caught it."""

from __future__ import annotations

import math
from dataclasses import replace

from geomcheck.finding import Quantity
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import MateEntry
from geomcheck.prove.faults import HOLES, Kind
from geomcheck.prove.lengths import length_advice
from geomcheck.prove.marks import Mark, size_mark, surface_mark
from geomcheck.prove.nearby import wall_advice
from geomcheck.prove.plant import Bench
from geomcheck.prove.telling import Advice, baseline, inside, told, under
from geomcheck.prove.trial import Outcome, Trial

_SCALED = (Kind.UNIT, Kind.SHRUNK)
_OTHER = (Kind.MIRRORED, Kind.SWAPPED, Kind.STALE)


def advice(bench: Bench, trial: Trial) -> Advice:
    """What to tell of a trial.

    Parameters
    ----------
    bench : Bench
    trial : Trial
    """
    if trial.outcome is Outcome.CAUGHT:
        return Advice()
    if trial.stopped:
        return Advice("the run stops before anything names it")
    if trial.hides is not None:
        one = trial.hides
        return Advice(f"{one.code} on {one.subject} was {one.verdict} before, so it cannot show")
    fault = trial.fault
    assembly = bench.assemblies[fault.vehicles[0]]
    if fault.kind in (*_SCALED, *_OTHER):
        return _other_part(assembly, trial)
    if fault.kind is Kind.TRIANGLE:
        return _triangle(assembly, trial)
    if fault.kind is Kind.LEFT_OUT:
        return Advice(
            f"nothing else in the project file names {fault.target}; a baseline of "
            "fit-gap would, as long as its gap was accepted: a check fails then"
        )
    if fault.kind in HOLES and not bench.holes_are_asked:
        return Advice("whether a hole is under each bolt is not asked", "[check.fasten-holes]")
    if fault.kind is Kind.BOLT_LENGTH:
        return _length(bench, trial)
    if fault.kind is Kind.PORT and not fault.facts["asked"]:
        return _port(trial)
    if fault.kind is Kind.SUNK:
        return _mate(bench, trial)
    if fault.kind is Kind.DUCT:
        return _duct(bench, trial)
    if fault.kind in (Kind.GROWN, Kind.GROWN_NEAR, Kind.SHIFTED):
        return wall_advice(bench, trial)
    return inside(trial)


def _other_part(assembly: Assembly, trial: Trial) -> Advice:
    fault = trial.fault
    part, entry = assembly.parts[fault.part], assembly.part_entries[fault.part]
    planted = fault.alter(assembly).parts[fault.part]
    makers = (size_mark, surface_mark) if fault.kind in _SCALED else (surface_mark, size_mark)
    for maker in makers:
        mark = maker(part, planted, entry)
        if mark is not None:
            return under(assembly, assembly.part_keys[fault.part], mark)
    return Advice("no size and no point of the surface tells the two apart")


def _triangle(assembly: Assembly, trial: Trial) -> Advice:
    name = trial.fault.part
    entry = assembly.part_entries[name]
    if entry.expect is not None:
        return Advice(f"{name} is expected to be {entry.expect}, and is")
    mark = Mark(f"nothing says that {name} must be closed", 'expect = "closed"')
    return under(assembly, assembly.part_keys[name], mark)


def _length(bench: Bench, trial: Trial) -> Advice:
    found = length_advice(bench, trial.fault)
    if found is None:
        return inside(trial)
    mark, key = found
    return under(bench.assemblies[trial.fault.vehicles[0]], key, mark) if key else Advice(mark.why)


def _port(trial: Trial) -> Advice:
    facts = trial.fault.facts
    lines = [
        "[[port_joint]]",
        f'name = "port of {facts["mate"]}"',
        f'mate = "{facts["mate"]}"',
        f"at = [{', '.join(f'{x:.2f}' for x in facts['middle'])}]",
        "overhang = 0.5   # mm that an edge may stand into the flow",
        "land = 5.0       # mm of face wanted round it",
    ]
    if facts["vehicle"] is not None:
        lines.append(f'vehicle = "{facts["vehicle"]}"')
    return Advice("no edge of that port is asked about", "\n".join(lines))


def _mate(bench: Bench, trial: Trial) -> Advice:
    fault = trial.fault
    name = fault.facts["mate"]
    assembly, key, entry = next(
        (bench.assemblies[vehicle], key, one)
        for vehicle in fault.vehicles
        for key, one in bench.assemblies[vehicle].mates
        if one.name == name
    )
    was = _common(bench, assembly, entry)
    now = _common(bench, fault.alter(assembly), entry)
    if was is None or now is None:
        return inside(trial)
    least = math.floor(was.low)
    why = f'no area is asked of the faces of mate "{name}", and a sunk spot is no face any more'
    if entry.area is not None:
        why = f'the faces of mate "{name}" have {now.value:.2f} mm2 in common, was {was.value:.2f}'
        why += f"; at least {entry.area:g} is required"
    if now.low >= least:
        return Advice(why, kept=entry.area is not None)
    return under(assembly, key, Mark(why, f"area = {least}   # mm2, as it is now", ("area",)))


def _common(bench: Bench, assembly: Assembly, entry: MateEntry) -> Quantity | None:
    """The area the faces of a mate have in common; None where they are not found."""
    asked = entry.model_copy(update={"area": 1.0})
    rows = tuple((key, asked) for key, one in assembly.mates if one.name == entry.name)
    here = replace(assembly, mates=rows, kept={}, shared={})
    found = (one for one in bench.ask(here, "fit-mate") if one.subject.endswith(", area"))
    return next((one.quantity for one in found), None)


def _duct(bench: Bench, trial: Trial) -> Advice:
    name = trial.fault.facts["duct"]
    assembly = bench.assemblies[trial.fault.vehicles[0]]
    key, entry = next((key, one) for key, one in assembly.ducts if one.name == name)
    base = next(
        one
        for one in bench.base.findings
        if one.code == "flow-area" and one.vehicle == assembly.vehicle and one.quantity is not None
        and one.subject.startswith(f'duct "{name}"')
    )  # fmt: skip
    assert base.quantity is not None
    worse = [one for one in trial.worse if one.finding.code == "flow-area"]
    if worse and entry.least_area is None:
        least = math.floor(10.0 * base.quantity.low) / 10.0
        mark = Mark(
            f"no least area is required of duct {name}: {told(trial)}",
            f"least_area = {least:.1f}   # mm2, as it is now",
        )
        return under(assembly, key, mark)
    if worse:
        return baseline(bench, trial, "flow-area", told(trial))
    why = f"the least area of duct {name} lies elsewhere and stays {base.quantity.value:.2f} mm2"
    return Advice(why, kept=entry.least_area is not None)

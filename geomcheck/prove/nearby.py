"""Why a grown surface or a shifted part was not caught: what is near it, and what is not asked."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from geomcheck.finding import Finding
from geomcheck.mesh.pairs import least_distance
from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PartEntry
from geomcheck.prove.plant import Bench
from geomcheck.prove.telling import NOISE, Advice, baseline, inside, told
from geomcheck.prove.trial import Trial, towards


def wall_advice(bench: Bench, trial: Trial) -> Advice:
    """Of a surface that was grown, or a part that was shifted.

    Parameters
    ----------
    bench : Bench
    trial : Trial
    """
    fault = trial.fault
    asked = [one for one in trial.worse if one.finding.code == "fit-gap"]
    if any(towards(one) > NOISE["mm"] for one in asked):
        return baseline(bench, trial, "fit-gap", told(trial))
    if trial.moved:
        return inside(trial)
    assembly = bench.assemblies[fault.vehicles[0]]
    if not any(fault.part in one.parts for one in _gaps(bench, trial)):
        return _pair(assembly, trial, assembly.part_entries[fault.part])
    near = _nearest(bench, trial)
    why = "no measured value changes by it"
    if near:
        why += f": nearest to that place is {near}"
    return Advice(f"{why}; 'geomcheck compare' of two revisions shows it", kept=True)


def _gaps(bench: Bench, trial: Trial) -> Iterator[Finding]:
    """What the gate says of gaps as the parts are, in the vehicles that the fault is in."""
    for one in bench.base.findings:
        if one.code == "fit-gap" and one.vehicle in trial.fault.vehicles:
            yield one


def _nearest(bench: Bench, trial: Trial) -> str:
    """The part nearest to where the fault is, of those whose gap is asked about, in words."""
    at = trial.fault.facts.get("at")
    found: list[tuple[float, str, float]] = []
    for one in _gaps(bench, trial) if at is not None else ():
        need = one.requirement
        if trial.fault.part not in one.parts or need is None:
            continue
        for name in set(one.parts) - {trial.fault.part}:
            tree = bench.assemblies[one.vehicle].parts[name].tree
            distance = float(point_distance(tree, np.array([at])).distance[0])
            if distance >= need.limit:
                found.append((distance, name, need.limit))
    if not found:
        return ""
    distance, name, limit = min(found)
    return f"{name}, {distance:.2f} mm away, {limit:g} required"


def _pair(assembly: Assembly, trial: Trial, entry: PartEntry) -> Advice:
    """A pair to ask about, of those whose distance the fault makes less."""
    name = trial.fault.part
    why = f"no gap to {name} is asked about"
    if not entry.gap:
        why += " (gap = false)"
    planted = trial.fault.alter(assembly).parts[name]
    best: tuple[float, str, float] | None = None
    for other in assembly.parts.values():
        if other.name == name:
            continue
        before = _apart(assembly.parts[name], other)
        after = _apart(planted, other)
        fell = before - after
        if after > 0.0 and fell > 0.1 and (best is None or fell > best[0]):
            best = (fell, other.name, before)
    if best is None:
        return Advice(why)
    _, other_name, gap = best
    doubt = assembly.parts[name].sagitta.largest + assembly.parts[other_name].sagitta.largest
    required = math.floor(100.0 * max(0.0, gap - doubt)) / 100.0
    if required <= 0.0:
        return Advice(why)
    text = f'[[check.fit-gap.pair]]\nparts = ["{name}", "{other_name}"]\n'
    if "neighbour" in (entry.role, assembly.part_entries[other_name].role):
        text += f'vehicle = "{assembly.vehicle}"\n'
    return Advice(why, f"{text}required = {required:.2f}   # mm, as it is now")


def _apart(a: Part, b: Part) -> float:
    found = least_distance(a.tree, b.tree)
    assert found is not None  # Nothing is cut off.
    return float(found.distance)

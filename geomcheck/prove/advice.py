"""What a project file does not ask, with the entry that would ask it."""

from __future__ import annotations

import numpy as np

from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PartEntry
from geomcheck.prove import shape
from geomcheck.prove.faults import Kind
from geomcheck.prove.plant import Bench, Outcome, Trial

#: Points that tell a part from its mirror image lie at least so far off it, mm.
APART = 2.0


def advice(bench: Bench, trial: Trial) -> tuple[str, str]:
    """Why a fault was not caught, and the text to add to the project file; both may be empty.

    Parameters
    ----------
    bench : Bench
    trial : Trial
    """
    if trial.outcome is Outcome.CAUGHT:
        return "", ""
    if trial.hides is not None:
        one = trial.hides
        why = f"{one.code} on {one.subject} was {one.verdict} before, so it cannot show"
        return why, ""
    fault = trial.fault
    assembly = bench.assemblies[fault.vehicles[0]]
    part, entry = assembly.parts[fault.part], assembly.part_entries[fault.part]
    where = assembly.entry(assembly.part_keys[fault.part])
    here = f"# under {where.entry}, line {where.line}\n"
    if fault.kind is Kind.UNIT and entry.size is None:
        return f"no size is declared for {part.name}", here + _size(part)
    if fault.kind is Kind.MIRRORED and not entry.on_surface:
        points = _telling(part, int(fault.facts["axis"]))
        return f"no points are declared on the surface of {part.name}", here + points
    if fault.kind is Kind.TRIANGLE and entry.expect is None:
        return f"nothing says that {part.name} must be closed", f'{here}expect = "closed"'
    if fault.kind in (Kind.BOLT_MOVED, Kind.BOLT_TILTED, Kind.HOLE):
        return _bolt(assembly, trial)
    if fault.kind is Kind.DUCT:
        return _duct(bench, trial)
    return _wall(bench, trial, entry)


def _size(part: Part) -> str:
    low, high = part.file_bounds
    return "size = [" + ", ".join(f"{x:.2f}" for x in high - low) + "]   # mm, as it is now"


def _telling(part: Part, axis: int) -> str:
    """Points on the part that are off its mirror image."""
    points = np.unique(shape.in_file(part), axis=0)
    image = part.placed(shape.flipped(points, axis))
    off = point_distance(part.tree, image).distance
    chosen: list[int] = []
    for k in np.argsort(-off, kind="stable").tolist():
        spread = all(np.linalg.norm(points[k] - points[j]) > APART for j in chosen)
        if off[k] > APART and spread:
            chosen.append(k)
        if len(chosen) == 3:
            break
    if not chosen:
        chosen = [int(np.argmax(off))]
    rows = ", ".join("[" + ", ".join(f"{x:.4f}" for x in points[k]) + "]" for k in chosen)
    return f"on_surface = [{rows}]   # in the file's axes, as it is now"


def _bolt(assembly: Assembly, trial: Trial) -> tuple[str, str]:
    if assembly.lines.value(("check", "fasten-holes")) is None:
        return "whether a hole is under each bolt is not asked", "[check.fasten-holes]"
    return _inside(trial), ""


def _duct(bench: Bench, trial: Trial) -> tuple[str, str]:
    known = trial.moved and any(one.finding.code == "flow-area" for one in trial.moved)
    return _inside(trial), _baseline(bench, "flow-area", "mm2 = 2.0") if known else ""


def _wall(bench: Bench, trial: Trial, entry: PartEntry) -> tuple[str, str]:
    if not trial.moved and entry.role == "carried" and not entry.gap:
        name, housing = entry.name, bench.assemblies[trial.fault.vehicles[0]].housing.name
        pair = f'[[check.fit-gap.pair]]\nparts = ["{housing}", "{name}"]\nrequired = ?   # mm'
        return f"no gap to {name} is asked about (gap = false)", pair
    if not trial.moved:
        # A baseline holds measured values, and none moved.
        why = "no measured value changes by it; 'geomcheck compare' of two revisions shows it"
        return why, ""
    return _inside(trial), _baseline(bench, "fit-gap", "mm = 0.02")


def _inside(trial: Trial) -> str:
    """What moved and is still as required."""
    if not trial.moved:
        return "no measured value changes by it"
    one = trial.moved[0]
    old = one.old.quantity if one.old else None
    new = one.new.quantity if one.new else None
    need = one.new.requirement if one.new else None
    if old is None or new is None:
        return "what changes is still as required"
    text = f"{one.finding.code} {one.finding.subject}: {new.value:.2f} {new.unit}, was "
    text += f"{old.value:.2f}"
    return text + (
        f"; {need.sense} {need.limit:g} is required" if need else "; nothing is required"
    )


def _baseline(bench: Bench, code: str, noise: str) -> str:
    entry = bench.project.document.baseline
    if entry is not None:
        if code in entry.checks:
            return ""
        return f'# in [baseline]: add "{code}" to checks'
    return (
        f'[baseline]   # then: geomcheck accept\nfile = "baseline.json"\nchecks = ["{code}"]\n'
        f"noise = {{ {noise} }}"
    )

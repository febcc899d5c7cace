"""The entry that asks how long a bolt must be, worked out and tried in memory."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.mesh.probe import point_distance
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.project.lines import Key
from geomcheck.prove.faults import Fault
from geomcheck.prove.marks import Mark
from geomcheck.prove.plant import Bench
from geomcheck.standards import screw
from geomcheck.standards.lengths import runout

CODE = "fasten-length"


def length_advice(bench: Bench, fault: Fault) -> tuple[Mark, Key] | None:
    """Why a bolt of another length passes, with lines for its entry; None where it is asked.

    The lines are given only where the bolt as it is keeps what they ask and the one planted does
    not; the key is empty where there are none.

    Parameters
    ----------
    bench : Bench
    fault : Fault
    """
    assembly = bench.assemblies[fault.vehicles[0]]
    key, entry = next(row for row in assembly.fasteners if row[1].name == fault.target)
    if bench.length_is_asked(fault):
        return None
    why = f'how long bolt "{entry.name}" must be is not asked: its entry says neither into nor '
    why += "engagement"
    name = _into(bench, fault, entry)
    if name is None:
        return Mark(f"{why}, and no one part carries its thread", ""), ()
    for change in _candidates(bench, fault, entry, name):
        was = _ask(bench, assembly, entry, change)
        now = _ask(bench, fault.alter(assembly), entry, change)
        if was.verdict is Verdict.PASS and now.verdict is not Verdict.PASS:
            lines = [f'into = "{name}"', f"engagement = {change['engagement']:.1f}   # mm, as now"]
            if "thread_depth" in change:
                depth = change["thread_depth"]
                lines.append(f"thread_depth = {depth:.1f}   # mm; state that of the drawing")
            return Mark(why, "\n".join(lines)), key
    return Mark(f"{why}; in {name} it would still be as wanted", ""), ()


def _into(bench: Bench, fault: Fault, entry: FastenerEntry) -> str | None:
    """The part that closely surrounds the bolt's end, the same one in each vehicle."""
    size = float(screw(entry.head, entry.size).thread_diameter)
    depths = np.linspace(0.25, 1.0, 4) * size
    points = np.array(entry.at) - (entry.length - depths)[:, None] * np.array(entry.axis)
    found = set()
    for vehicle in fault.vehicles:
        for part in bench.assemblies[vehicle].parts.values():
            wall = point_distance(part.tree, points, cutoff=size).distance
            if part.name != entry.part and (wall <= 0.7 * size).sum() >= 2:
                found.add(part.name)
    name = next(iter(found), None)
    shared = all(name in bench.assemblies[vehicle].parts for vehicle in fault.vehicles)
    return name if len(found) == 1 and shared else None


def _candidates(
    bench: Bench, fault: Fault, entry: FastenerEntry, name: str
) -> list[dict[str, Any]]:
    """What the entry might say: the thread engaged now is what is wanted."""
    assembly = bench.assemblies[fault.vehicles[0]]
    first = _ask(bench, assembly, entry, {"into": name, "engagement": 0.1})
    figures = first.details.get("figures", {})
    bore = first.details.get("hole") or {}
    found = []
    if bore.get("blind") and bore.get("pieces"):
        depth = bore["pieces"][-1][1] - bore["mouth"]
        thread = math.floor(10.0 * (depth - (runout(entry.size) or 0.0))) / 10.0
        if thread > 0.0:
            change = {"into": name, "engagement": 0.1, "thread_depth": thread}
            figures = _ask(bench, assembly, entry, change).details.get("figures", figures)
            found.append({"thread_depth": thread})
    found.append({})
    engaged = figures.get("engagement", {}).get("low")
    if engaged is None or engaged <= 0.1:
        return []
    engagement = math.floor(10.0 * engaged) / 10.0
    return [{"into": name, "engagement": engagement, **more} for more in found]


def _ask(bench: Bench, assembly: Assembly, entry: FastenerEntry, change: dict[str, Any]) -> Finding:
    """What fasten-length says of the bolt with more in its entry."""
    bolts = tuple(
        (key, one.model_copy(update=change))
        for key, one in assembly.fasteners
        if one.name == entry.name
    )
    here = replace(assembly, fasteners=bolts, kept={}, shared={})
    (found,) = (one for one in bench.ask(here, CODE) if one.code == CODE)
    return found

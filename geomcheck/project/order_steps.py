"""An order of work as steps for the one who does it, and what has to be in the box."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

import numpy as np

from geomcheck.fasten.order import Plan, Step
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import FastenerEntry
from geomcheck.project.order import OrderEntry
from geomcheck.project.order_build import BENCH
from geomcheck.project.order_work import Act, Work

#: Parts nearer than this to what is worked on are named in a caution, mm.
BESIDE = 60.0
#: Words of a caution for a step, by class of the part beside it.
CAUTIONS = {
    "fuel line": "Beside a fuel line ({part}): relieve its pressure first, no flame, no sparks.",
    "hot part": "Beside a hot part ({part}): let it cool first.",
    "moving part": "Beside a moving part ({part}): key out, battery off.",
}


def steps_of(assembly: Assembly, work: Work, plan: Plan) -> list[dict[str, Any]]:
    """The steps of putting on, in order; what is done alike in a row is one step.

    Parameters
    ----------
    assembly : Assembly
    work : Work
    plan : Plan
        Complete.

    Returns
    -------
    list of dict
        ``step`` (number), ``kind`` (load, set, put in, tighten, plug in), ``text``, ``names``,
        ``parts`` (that move, or carry it), ``tool``, ``direction`` (of putting on), ``absent``
        (parts that are not there yet, once the step is done), ``at`` (points worked on, mm),
        ``cautions``.
    """
    bolts = {entry.name: entry for _, entry in assembly.fasteners}
    absent = {part for act in work.acts.values() if act.kind == "move" for part in act.parts}
    rows: list[dict[str, Any]] = []
    last: Any = None
    for step in plan.assembly:
        act = work.acts[step.item]
        kind = kind_of(act, step)
        if act.kind == "move":
            absent -= set(act.parts)
        bolt = bolts.get(act.name) if act.kind in ("undo", "draw") else None
        size = (bolt.size, bolt.length, bolt.head) if bolt is not None else act.name
        alike = (kind, step.way.tool, size, act.parts)
        if alike == last:
            rows[-1]["names"].append(act.name)
            continue
        last = alike
        way = step.way.direction
        rows.append(
            {
                "kind": kind,
                "names": [act.name],
                "parts": list(act.parts),
                "tool": step.way.tool,
                "direction": None if way is None else [0.0 - x for x in way],
                "absent": sorted(absent),
            }
        )
    for number, row in enumerate(rows, 1):
        row["step"] = number
        row["at"] = [list(p) for p in _places(assembly, row)]
        row["text"] = _text(assembly, row, bolts)
        row["cautions"] = _cautions(assembly, row)
    return rows


def kind_of(act: Act, step: Step) -> str:
    """What is done in a step of putting on."""
    if act.kind == "draw":
        return "load" if step.way.label == BENCH else "put in"
    return {"move": "set", "undo": "tighten", "plug": "plug in"}[act.kind]


def _places(assembly: Assembly, row: dict[str, Any]) -> Iterable[Any]:
    entries: list[Any] = [entry for _, entry in (*assembly.fasteners, *assembly.connectors)]
    return [entry.at for entry in entries if entry.name in row["names"] and row["kind"] != "set"]


def _text(assembly: Assembly, row: dict[str, Any], bolts: dict[str, FastenerEntry]) -> str:
    names = ", ".join(row["names"])
    if row["kind"] == "set":
        parts = ", ".join(row["parts"])
        what = names if parts == names else f"{names} ({parts})"
        return f"Set {what} {heading(row['direction'])}.{_gaskets(assembly, row)}"
    if row["kind"] == "plug in":
        part = row["parts"][0]
        early = "Before it goes on, held over its place: plug" if part in row["absent"] else "Plug"
        return f"{early} in {names} on {part}."
    bolt = bolts[row["names"][0]]
    many = len(row["names"]) > 1
    what = f"{'bolts' if many else 'bolt'} {names} ({bolt.size} x {bolt.length:g} {bolt.head})"
    if row["kind"] == "load":
        return f"On the bench, before it goes on: put {what} into {bolt.part} and leave loose."
    if row["kind"] == "put in":
        washer = " with washers" if bolt.washer > 0.0 and many else ""
        washer = washer or (" with its washer" if bolt.washer > 0.0 else "")
        return f"Put in {what}{washer}, by hand, a few turns."
    return f"Tighten {what} with {row['tool'] or 'the tool it needs'}."


def _gaskets(assembly: Assembly, row: dict[str, Any]) -> str:
    found = [
        f"{mate.name} ({mate.gasket:g} mm)"
        for _, mate in assembly.mates
        if mate.gasket > 0.0
        and set(mate.parts) & set(row["parts"])
        and not set(mate.parts) <= set(row["parts"])
        and not set(mate.parts) & set(row["absent"])
    ]
    return f" Lay the gasket first: {', '.join(found)}." if found else ""


def heading(direction: list[float] | None) -> str:
    """A direction of putting on in words: along an axis of the housing by name."""
    if direction is None:
        return "in place"
    for axis, name in enumerate("xyz"):
        for sign in (1.0, -1.0):
            if sign * direction[axis] > 1.0 - 1e-6:
                return f"along {'+' if sign > 0 else '-'}{name}"
    return "along (" + ", ".join(f"{x:.2f}" for x in direction) + ")"


def _cautions(assembly: Assembly, row: dict[str, Any]) -> list[str]:
    points = [np.array(p) for p in row["at"]]
    boxes = [np.stack([p, p]) for p in points]
    if row["kind"] == "load":
        return []
    if row["kind"] == "set":
        boxes = [assembly.parts[name].bounds for name in row["parts"]]
    found = []
    for part in assembly.parts.values():
        if part.kind not in CAUTIONS or part.name in row["absent"] or part.name in row["parts"]:
            continue
        low, high = part.bounds
        apart = [np.linalg.norm(np.maximum(0, np.maximum(low - b[1], b[0] - high))) for b in boxes]
        if apart and min(apart) <= BESIDE:
            found.append(CAUTIONS[part.kind].format(part=part.name))
    return found


def box_of(
    assembly: Assembly, work: Work, order: OrderEntry, steps: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """What has to be in the box: bolts by size and length, nuts, washers, gaskets, tools."""
    bolts = [entry for _, entry in assembly.fasteners]
    listed = Counter(f"{b.size} x {b.length:g} {b.head}" for b in bolts)
    rows = [_row("bolt", what, count) for what, count in sorted(listed.items())]
    nuts = Counter(f"{b.size} {b.nut}" for b in bolts if b.nut is not None)
    rows += [_row("nut", what, count) for what, count in sorted(nuts.items())]
    washers = Counter(f"for {b.size}, {b.washer:g} mm thick" for b in bolts if b.washer > 0.0)
    rows += [_row("washer", what, count) for what, count in sorted(washers.items())]
    moved = {part for move in work.moves for part in move.parts}
    for _, mate in assembly.mates:
        if mate.gasket > 0.0 and set(mate.parts) & moved:
            rows.append(_row("gasket", f"{mate.name}, {mate.gasket:g} mm clamped", 1))
    tools = dict.fromkeys(step["tool"] for step in steps if step["tool"])
    own = {entry.name for _, entry in assembly.tools}
    for tool in tools:
        rows.append(_row("special tool" if tool in own else "tool", tool, 1))
    rows += [_row("other", what, 1) for what in order.box]
    return rows


def _row(kind: str, what: str, count: int) -> dict[str, Any]:
    return {"kind": kind, "what": what, "count": count}

"""Order of work: can everything be put on, and in which order.

What: Takes the assembly apart in thought, by geometry, and turns that order round. The housing
with what it carries comes off as one piece, and so does every ``[[order.move]]``; the vehicle's
other parts stay, those marked ``open_for_tools`` are out of the way. A bolt is undone by a tool
that stands on it and turns with what is still there, then drawn along its axis; a bolt that does
not come out in place but does on the bench, and does not hold its part up, travels with it: it is
loaded first. A plug is pulled by its stroke, with fingers. From the tool's top and from the plug a
straight way as thick as a finger has to lead out; room on it for a whole hand and for the handle is
not asked for here. A piece comes off once nothing holds it
any more, straight: in the directions given, else out of its mates, along its bolts, and along the
axes of housing and vehicle; or past the way points given. Its travel is exact until something is
met; parts that touch slide and leave, and metal in the way that is nowhere wider than ``allow`` is
no obstacle. Asked only where the project has an ``[order]`` table. A bolt holds the part under its
head and its thread's, ``into``: give that for every bolt within one piece, so that it is known to
be done up on the bench. Not looked at: bolts as obstacles to others, tools that lean, weight and
hands of the one who holds the part, flexible hoses, turning or tilting a part on its way. Chord
errors count; tolerances of casting and scan do not: ``allow`` has to cover them.

Why: Every bolt may be reachable with the housing on and every gap be kept, and still the last bolt
cannot go in because the housing is over it, or a plug is hidden once the housing is down.

Remedy: Follow the steps. Where there is none, what waits for what in a circle is named, with the
smallest relief found: the part, the direction and the amount. Load a bolt first, plug in first,
allow another direction or way points, or open the way by that amount.

Details of a finding: ``steps`` (rows), ``box`` (rows), ``load_first``, ``plug_first``,
``on_the_bench`` (names); where there is no order ``waits`` (rows), ``stuck`` (what does not come
off), ``ways`` (of all that is stuck every way, with one thing that stops it), ``relief``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from geomcheck.fasten.order import Plan, plan
from geomcheck.fasten.order_stuck import Relief, Stuck, Wait, explain
from geomcheck.fasten.order_ways import certain
from geomcheck.fasten.words import at, at_least
from geomcheck.finding import Finding, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import OrderEntry, Table
from geomcheck.project.order_build import with_relief, work_of
from geomcheck.project.order_steps import box_of, steps_of
from geomcheck.project.order_work import Work
from geomcheck.standards import hands
from geomcheck.wording import capital, sentence

CODE = "fasten-order"
TITLE = "order of work"

CAUTION = (
    "Battery off before work. Tighten to the maker's torque and sequence. Local codes and the "
    "maker's figures come first."
)


class Settings(Table):
    """Settings of the check; what is asked stands in the [order] table."""


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for the vehicle, where the project has an [order] table."""
    order = assembly.order
    if order is None:
        return
    work = work_of(assembly, order)
    # Of equals the last is taken off first, so that they go on as the file lists them.
    items = tuple(work.items.values())[::-1]
    careful = plan(items)
    if careful.complete:
        yield _found(assembly, order, work, careful)
        return
    bold = plan(certain(items))
    if bold.complete:
        yield _undecided(assembly, order, work, careful, bold)
        return
    left = frozenset(bold.stuck)
    measured = with_relief(assembly, order, work, left)
    why = explain(certain(tuple(measured.items.values())[::-1]), bold)
    if why is not None:
        yield _none(assembly, measured, bold, why)


def _base(assembly: Assembly, verdict: Verdict, message: str, **more: Any) -> Finding:
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject="order of work",
        message=message,
        entry=assembly.entry(("order",)),
        caution=CAUTION,
        **more,
    )


def _details(assembly: Assembly, order: OrderEntry, work: Work, found: Plan) -> dict[str, Any]:
    steps = steps_of(assembly, work, found)
    first = next((row["step"] for row in steps if row["kind"] == "set"), 0)
    return {
        "steps": steps,
        "box": box_of(assembly, work, order, steps),
        "load_first": [name for row in steps if row["kind"] == "load" for name in row["names"]],
        "plug_first": [
            name
            for row in steps
            if row["kind"] == "plug in" and row["step"] < _last_set(steps)
            for name in row["names"]
        ],
        "on_the_bench": list(work.built_up),
        "first_set": first,
    }


def _last_set(steps: list[dict[str, Any]]) -> int:
    return max((int(row["step"]) for row in steps if row["kind"] == "set"), default=0)


def _finger() -> float:
    return hands()[0].finger


def _moved(work: Work) -> tuple[str, ...]:
    return tuple(part for move in work.moves for part in move.parts)


def _found(assembly: Assembly, order: OrderEntry, work: Work, found: Plan) -> Finding:
    details = _details(assembly, order, work, found)
    message = f"Everything goes on, in {len(details['steps'])} steps."
    if any(act.kind in ("undo", "plug") for act in work.acts.values()):
        message += f" The ways in to bolts and plugs were asked for a finger ({_finger():g} mm), "
        message += "not for a whole hand."
    if details["load_first"]:
        names = ", ".join(details["load_first"])
        message += f" Load first, on the bench: {names}."
    if details["plug_first"]:
        message += f" Plug in before the last piece goes on: {', '.join(details['plug_first'])}."
    return _base(assembly, Verdict.PASS, message, parts=_moved(work), details=details)


def _undecided(
    assembly: Assembly, order: OrderEntry, work: Work, careful: Plan, bold: Plan
) -> Finding:
    items = tuple(work.items.values())[::-1]
    why = explain(items, careful)
    waits = why.waits if why is not None else ()
    message = "It cannot be told whether everything goes on. As the meshes are read there is an "
    message += "order; with chord errors at their worst, and a way in for a finger, none is "
    message += f"proved: {_circle(waits)}"
    if work.notes:
        message += f" {' '.join(sentence(note) for note in work.notes)}"
    blamed = [w.block.part for w in waits if w.block is not None]
    names = ", ".join(dict.fromkeys(part for part in blamed if part in assembly.parts))
    remedy = "Mend what is said above, or make room there."
    if names:
        remedy = (
            f"Make room at {names}, export it with a finer chord error or declare its sagitta, "
            "allow another direction or way points, or load a bolt or plug in first."
        )
    return _base(
        assembly,
        Verdict.UNDECIDED,
        message,
        parts=_moved(work),
        remedy=remedy,
        witnesses=_witnesses(assembly, waits),
        details={**_details(assembly, order, work, bold), "waits": [_row(w) for w in waits]},
    )


def _none(assembly: Assembly, work: Work, bold: Plan, why: Stuck) -> Finding:
    off = len(bold.removal)
    message = "There is no order in which everything goes on. Taken apart in thought, "
    message += f"{off} of {off + len(bold.stuck)} come off, then "
    message += f"{_circle(why.waits)}"
    parts = [*_moved(work), *(w.block.part for w in why.waits if w.block is not None)]
    named = tuple(dict.fromkeys(part for part in parts if part in assembly.parts))
    return _base(
        assembly,
        Verdict.FAIL,
        message,
        parts=named,
        remedy=_remedy(why.relief),
        witnesses=_witnesses(assembly, why.waits),
        details={
            "waits": [_row(wait) for wait in why.waits],
            "stuck": list(why.items),
            "ways": _ways(work, bold.stuck),
            "relief": _relief(why.relief),
        },
    )


def _circle(waits: tuple[Wait, ...]) -> str:
    """What waits for what, as a sentence."""
    said = "; ".join(_wait(wait) for wait in waits)
    return f"{said}." if said else "nothing comes off."


def _wait(wait: Wait) -> str:
    block = wait.block
    if block is None:
        return f"{wait.item} has lost what it needs ({wait.way.label})"
    place = f" at {at(block.point)}" if block.point is not None else ""
    who = f"{wait.item} ({wait.way.label})"
    if wait.then is None:
        return f"{who} is stopped by {block.part}{place}, which stays"
    what = "" if block.part == wait.then else f", stopped by {block.part}{place}"
    shut = wait.shut
    if shut is not None:
        place = f" at {at(shut.point)}" if shut.point is not None else ""
        what += f" (any other way meets {shut.part}{place})"
    return f"{who} waits for {wait.then}{what}"


def _remedy(relief: Relief | None) -> str:
    other = (
        "allow another direction or way points, name what comes off before as an [[order.move]], "
        "load a bolt or plug in first, or turn an axis"
    )
    if relief is None:
        return f"{capital(other)}."
    said = []
    for block in relief.blocks:
        place = f" at {at(block.point)}" if block.point is not None else ""
        way = f" in the direction {at(block.direction)}" if block.direction is not None else ""
        said.append(f"{block.part}{place} by {at_least(block.amount or 0.0)} mm or more{way}")
    more = "" if relief.enough else "; that is the first of several"
    return (
        f"Smallest relief found: move or relieve {' and '.join(said)}: then {relief.item} comes "
        f"off ({relief.way.label}){more}. Or {other}."
    )


def _relief(relief: Relief | None) -> dict[str, Any] | None:
    if relief is None:
        return None
    return {
        "item": relief.item,
        "way": relief.way.label,
        "parts": [block.part for block in relief.blocks],
        "amount": relief.amount,
        "directions": [list(b.direction) if b.direction else None for b in relief.blocks],
        "enough": relief.enough,
    }


def _ways(work: Work, stuck: tuple[str, ...]) -> list[dict[str, Any]]:
    """Every way of what is stuck, each with the least that surely stops it."""
    rows = []
    for item in certain(work.items[name] for name in stuck):
        for way in item.ways:
            standing = [block for block in way.blocks if block.items <= frozenset(stuck)]
            block = min(standing, key=lambda one: (len(one.items), one.point is None), default=None)
            if block is None:
                continue
            rows.append(
                {
                    "item": item.name,
                    "way": way.label,
                    "direction": None if way.direction is None else list(way.direction),
                    "stopped_by": block.part,
                    "while": sorted(block.items),
                    "point": None if block.point is None else list(block.point),
                }
            )
    return rows


def _row(wait: Wait) -> dict[str, Any]:
    block = wait.block
    return {
        "item": wait.item,
        "way": wait.way.label,
        "waits_for": wait.then,
        "stopped_by": None if block is None else block.part,
        "point": None if block is None or block.point is None else list(block.point),
    }


def _witnesses(assembly: Assembly, waits: tuple[Wait, ...]) -> tuple[Witness, ...]:
    return tuple(
        Witness(f"{wait.item} is stopped here", wait.block.part, wait.block.point)
        for wait in waits
        if wait.block is not None
        and wait.block.point is not None
        and wait.block.part in assembly.parts
    )

"""Which parts must keep how much gap, and what is measured between them.

Several checks ask about the same pairs: how near they are, where, how the gap changes as something
moves. What ``[check.fit-gap]`` says holds for all of them, and each pair is measured once for one
vehicle.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from difflib import get_close_matches
from weakref import WeakKeyDictionary

from pydantic import Field

from geomcheck.errors import CannotDecide
from geomcheck.finding import EntryRef, Requirement, Verdict
from geomcheck.fit.body import Body
from geomcheck.fit.budget import Combine
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.mate import Mate, check_mate, leave_out
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap
from geomcheck.mesh.part import Part
from geomcheck.project.allowances import qualify
from geomcheck.project.assembly import Assembly
from geomcheck.project.doubts import doubted
from geomcheck.project.entries import Name, NotNegative, Table
from geomcheck.project.validate import validate
from geomcheck.standards import starting_gaps

#: The check whose table says how much gap is required.
CODE = "fit-gap"


class PairEntry(Table):
    """Two parts with a required gap of their own."""

    parts: tuple[Name, Name] = Field(description="names of the two parts")
    required: NotNegative = Field(description="mm; 0 allows contact")
    vehicle: Name | None = Field(default=None, description="only in this vehicle")


class Clearances(Table):
    """The ``[check.fit-gap]`` table."""

    required: dict[str, NotNegative] = Field(
        default={}, description="gap by class of neighbour, mm; 0 allows contact"
    )
    pairs: tuple[PairEntry, ...] = Field(
        default=(), alias="pair", description="pairs with a gap of their own, mm"
    )
    combine: Combine = Field(default="worst case", description="the terms of a gap's interval")
    shells: tuple[Name, ...] = Field(
        default=(), description="open meshes known to enclose no material: a bay scan, a sheet"
    )


@dataclass(frozen=True, slots=True)
class Question:
    """One pair and what it needs.

    Parameters
    ----------
    a, b : Part
        The housing or a carried part first, where there is one.
    need : Requirement
        Of the gap, mm.
    entry : EntryRef
        What asks: the neighbour or the pair.
    """

    a: Part
    b: Part
    need: Requirement
    entry: EntryRef


@dataclass(frozen=True, slots=True)
class Answer:
    """What was measured between the parts of a question.

    Parameters
    ----------
    bodies : (Body, Body)
    pairing : Pairing
        What is measured: without blocks where all of both lies behind mating faces.
    mates : tuple of str
        Names of the mates left out.
    faces : tuple of Mate
        Those mates, first face on the first part.
    notes : tuple of str
        On mates that were not left out.
    gap : Gap or None
        None where nothing is left to measure, or it could not be decided.
    trouble : CannotDecide or None
        Why it could not.
    """

    bodies: tuple[Body, Body]
    pairing: Pairing
    mates: tuple[str, ...]
    faces: tuple[Mate, ...]
    notes: tuple[str, ...]
    gap: Gap | None
    trouble: CannotDecide | None = None

    def verdict(self, need: Requirement) -> Verdict:
        """Whether the gap is kept."""
        if self.gap is None:
            return Verdict.UNDECIDED if self.trouble is not None else Verdict.PASS
        verdict = need.decide(self.gap.quantity)
        if verdict is Verdict.PASS and self.gap.undecided:
            return Verdict.UNDECIDED
        return verdict

    def turned(self, required: float) -> Pairing:
        """What is measured, seen from the second part: its pieces come first."""
        mates = [replace(mate, face_a=mate.face_b, face_b=mate.face_a) for mate in self.faces]
        return leave_out(*self.bodies[::-1], mates, required)


#: Answers given, by assembly, then by the settings and the pair.
_ANSWERS: WeakKeyDictionary[Assembly, dict[tuple[str, str, str, float], Answer]]
_ANSWERS = WeakKeyDictionary()


def clearances(assembly: Assembly) -> Clearances:
    """Read the project's ``[check.fit-gap]`` table, for the other checks.

    Raises
    ------
    ProjectError
        The table is wrong; names the line.
    """
    raw = assembly.lines.value(("check", CODE))
    return validate(Clearances, {} if raw is None else raw, assembly.lines, ("check", CODE))


def questions(assembly: Assembly, settings: Clearances) -> list[Question]:
    """All pairs of a vehicle that must keep a gap.

    Raises
    ------
    ProjectError
        A pair names parts that are not there, or a neighbour's class has no gap.
    """
    return list(_questions(assembly, settings))


def answer(assembly: Assembly, settings: Clearances, question: Question) -> Answer:
    """Measure the pair, or recall what was measured.

    Raises
    ------
    ProjectError
        What the project file says of a part's uncertainty cannot be.
    """
    a, b, limit = question.a.name, question.b.name, question.need.limit
    assembly = assembly.only((a, b))
    known = _ANSWERS.setdefault(assembly, {})
    key = (settings.model_dump_json(), a, b, limit)
    if key not in known:
        known[key] = _measure(assembly, settings, a, b, limit)
    return known[key]


def _measure(assembly: Assembly, settings: Clearances, a: str, b: str, limit: float) -> Answer:
    bodies = (Body.of(assembly.parts[a]), Body.of(assembly.parts[b]))
    mates, notes = _mates(assembly, (a, b), bodies)
    kept, faces = tuple(name for name, _ in mates), tuple(mate for _, mate in mates)
    pairing = leave_out(*bodies, faces, limit)
    gap: Gap | None = None
    trouble: CannotDecide | None = None
    if pairing.blocks:
        try:
            gap = measure_gap(
                *bodies,
                pairing=pairing,
                shell_a=a in settings.shells,
                shell_b=b in settings.shells,
            )
            gap = qualify(assembly, gap, pairing, (a, b), bodies, settings.combine)
            gap = doubted(assembly, gap, pairing, (a, b), bodies, limit, settings.shells)
        except CannotDecide as error:
            gap, trouble = None, error
    return Answer(bodies, pairing, kept, faces, tuple(notes), gap, trouble)


def _questions(assembly: Assembly, settings: Clearances) -> Iterator[Question]:
    own = _own_pairs(assembly, settings)
    for ours in assembly.ours:
        for neighbour in assembly.neighbours:
            if frozenset((ours.name, neighbour.name)) in own:
                continue
            if all(assembly.part_entries[part.name].gap for part in (ours, neighbour)):
                limit = _by_class(assembly, settings, neighbour)
                need = Requirement("at least", limit, "mm", f'class "{neighbour.kind}"')
                key = assembly.part_keys[neighbour.name]
                yield Question(ours, neighbour, need, assembly.entry(key))
    yield from own.values()


def _own_pairs(assembly: Assembly, settings: Clearances) -> dict[frozenset[str], Question]:
    """The pairs with a gap of their own that this vehicle has."""
    found: dict[frozenset[str], Question] = {}
    for number, pair in enumerate(settings.pairs):
        key = ("check", CODE, "pair", number)
        if pair.vehicle is not None and pair.vehicle not in assembly.vehicles:
            assembly.refuse(
                (*key, "vehicle"),
                f"there is no vehicle named {pair.vehicle!r}",
                f"known: {', '.join(assembly.vehicles)}",
            )
        if pair.vehicle not in (None, assembly.vehicle):
            continue
        for name in pair.parts:
            if name not in assembly.parts:
                assembly.refuse(
                    (*key, "parts"),
                    f"vehicle {assembly.vehicle!r} has no part named {name!r}",
                    f"known: {', '.join(assembly.parts)}; for a part that only one vehicle has, "
                    'add vehicle = "..." to this entry',
                )
        names = frozenset(pair.parts)
        if len(names) == 1:
            assembly.refuse((*key, "parts"), "a part has no gap to itself", "name two parts")
        if names in found:
            assembly.refuse((*key, "parts"), "this pair is listed twice", "keep one of them")
        first, second = (assembly.parts[name] for name in pair.parts)
        if first.role == "neighbour" and second.role != "neighbour":
            first, second = second, first
        if second.role == "housing":
            first, second = second, first
        need = Requirement("at least", pair.required, "mm", f"pair {first.name} / {second.name}")
        found[names] = Question(first, second, need, assembly.entry(key))
    return found


def _by_class(assembly: Assembly, settings: Clearances, neighbour: Part) -> float:
    if neighbour.kind in settings.required:
        return settings.required[neighbour.kind]
    given = ", ".join(f'"{kind}" = {gap:g}' for kind, gap in settings.required.items())
    close = get_close_matches(neighbour.kind or "", settings.required, 1)
    rows = [row for row in starting_gaps() if row.kind == neighbour.kind]
    if rows or not given:
        told = "; ".join(f'"{r.kind}" = {r.gap:g} ({r.status}: {r.source})' for r in rows)
        told = told or "; ".join(f'"{row.kind}" = {row.gap:g}' for row in starting_gaps())
        hint = f"Starting values, to be replaced by your own: {told}"
    elif close:
        hint = f"Did you mean {close[0]!r}?"
    else:
        hint = f"Classes that have one here: {given}"
    what = (
        f"no gap is required of the class {neighbour.kind!r}"
        if neighbour.kind
        else f"{neighbour.name!r} has no class"
    )
    key = assembly.part_keys[neighbour.name]
    return assembly.refuse(
        (*key, "class") if neighbour.kind else key,
        f"{what}, so nobody has said how far {neighbour.name!r} must stay clear",
        f"State it in mm under [check.{CODE}.required] or as a pair, or set gap = false on the "
        f"part. {hint}",
    )


def _mates(
    assembly: Assembly, names: tuple[str, str], bodies: tuple[Body, Body]
) -> tuple[list[tuple[str, Mate]], list[str]]:
    """The mates of a pair that hold, first face on the first; and a note on each that does not."""
    held: list[tuple[str, Mate]] = []
    notes: list[str] = []
    for _, entry in assembly.mates:
        if frozenset(entry.parts) != frozenset(names):
            continue
        turned = entry.parts[0] != names[0]
        first, second = bodies[::-1] if turned else bodies
        try:
            mate = check_mate(
                first,
                second,
                entry.at,
                entry.normal,
                gasket=entry.gasket,
                tolerance=entry.tolerance,
            )
        except CannotDecide:
            notes.append(f"mate {entry.name!r} was not found, so nothing was left out for it")
            continue
        if not mate.holds:
            notes.append(f"mate {entry.name!r} does not hold, so nothing was left out for it")
            continue
        if turned:
            mate = replace(mate, face_a=mate.face_b, face_b=mate.face_a)
        held.append((entry.name, mate))
    return held, notes

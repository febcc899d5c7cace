"""Bolt patterns: do the holes of two parts come over each other.

What: Finds the holes of both parts of each ``[[pattern]]`` (or of one part, against the reference
given) in the meshes, lays one pattern on the other in the plane of the joint where the worst hole
has the most clearance left, and holds what is left against ``reserve``. A bolt through two
clearance holes may find their axes (H1 + H2) / 2 - F apart, one that a part holds (H - F) / 2, with
the diameters H of the holes as found and F of the bolt as given (ASME Y14.5, floating and fixed
fasteners). With ``dowelled`` the parts stay where they stand. The interval holds what the corners
of the meshes leave open in place and diameter, not the foundry's or the machinist's tolerance:
state a ``reserve`` for that. Give ``count``, too: a hole that is round in neither mesh is not
missed otherwise.

Why: A pattern drawn from the wrong revision, mirrored, or turned by one hole is found when the
casting is first laid on its joint. Least squares would turn good parts down, and eyesight lets
bad ones through.

Remedy: Move each hole named by the amount and in the direction stated, or open it to the next
clearance size; check that both parts stand where they should.

Details of a finding: ``holes`` (a row for each: place, diameters, walls, error, allowed;
``move`` in the housing's axes, least in all, zero where the hole may stay), ``shift``
and ``turn`` (mm and degrees by which the first part is laid on), ``as_placed`` (excess without
that), ``unmatched``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.fasten import words
from geomcheck.fasten.pattern import PatternFit, fit_pattern, fixed, floating, match_pattern
from geomcheck.fasten.pattern_moves import least_moves
from geomcheck.fasten.pattern_words import pattern_message, pattern_remedy
from geomcheck.fasten.turns import plane_axes
from geomcheck.finding import Finding, Point, Quantity, Requirement, Term, Verdict, Witness
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import PatternEntry, Table
from geomcheck.project.found_holes import holes_at, metal_at
from geomcheck.project.lines import Key
from geomcheck.project.recall import recalled

CODE = "fasten-pattern"
TITLE = "bolt patterns"


class Settings(Table):
    """The ``[check.fasten-pattern]`` table: the patterns themselves say all there is to set."""


@dataclass(frozen=True)
class _Place:
    """A hole or a place of the reference: point, diameter (None: holds the bolt), doubt, axis."""

    point: Point
    diameter: float | None
    doubt: float
    wall: tuple[Point, ...] = ()


def run(assembly: Assembly, settings: Settings) -> Iterator[Finding]:
    """One finding for each pattern of the vehicle."""
    for key, entry in assembly.patterns:
        for name in entry.parts:
            if name not in assembly.parts:
                assembly.refuse(
                    (*key, "parts"),
                    f"vehicle {assembly.vehicle!r} has no part named {name!r}",
                    f"known: {', '.join(assembly.parts)}",
                )
        ask = partial(_ask, key=key, entry=entry)
        yield from recalled(assembly, CODE, entry.parts, key, ask)


def _ask(assembly: Assembly, key: Key, entry: PatternEntry) -> Finding:
    try:
        return _answer(assembly, key, entry)
    except CannotDecide as error:
        return _finding(
            assembly, key, entry, Verdict.UNDECIDED, error.what + ".", error.remedy + "."
        )


def _answer(assembly: Assembly, key: Key, entry: PatternEntry) -> Finding:
    first = _holes(assembly, entry, entry.parts[0])
    second = _reference(entry) if entry.reference else _holes(assembly, entry, entry.parts[1])
    axes = plane_axes(np.asarray(entry.normal))
    p, q = _flat(first, entry.at, axes), _flat(second, entry.at, axes)
    if entry.anywhere:
        q = np.array([place[:2] for place in entry.reference])
    mine = match_pattern(p, q, _reach(q), anywhere=entry.anywhere)
    trouble = _unmatched(assembly, entry, first, second, mine)
    if trouble is not None:
        verdict, message, remedy, places = trouble
        return _finding(
            assembly,
            key,
            entry,
            verdict,
            message,
            remedy,
            witnesses=tuple(Witness("hole", part, point) for part, point in places),
            details={"unmatched": [[part, list(point)] for part, point in places]},
        )
    pairs = [(first[n], second[row]) for row, n in enumerate(mine.tolist())]
    allowed = np.array([_allowed(a, b, entry.bolt) for a, b in pairs])
    fit = fit_pattern(p[mine], q, allowed, free=not entry.dowelled)
    still = fit_pattern(p[mine], q, allowed, free=False)
    doubt = max(a.doubt + b.doubt for a, b in pairs)
    reserve = Quantity(
        "clearance left",
        -fit.excess,
        "mm",
        -fit.excess - doubt,
        -fit.least_excess + doubt,
        (
            Term("corners of the meshes", doubt, doubt, "holes' axes and diameters as fitted"),
            Term("search", 0.0, fit.excess - fit.least_excess, "what no other place can gain"),
        ),
    )
    need = Requirement("at least", entry.reserve, "mm", f'pattern "{entry.name}"')
    verdict = need.decide(reserve)
    moves = least_moves(p[mine], q, allowed - entry.reserve, free=not entry.dowelled)
    rows = _rows(pairs, fit, moves @ axes)
    message = pattern_message(
        rows,
        (entry.parts[0], "the reference" if entry.reference else entry.parts[1]),
        reserve,
        verdict,
        bolt=entry.bolt,
        wanted=entry.reserve,
        dowelled=entry.dowelled,
    )
    if verdict is Verdict.PASS and entry.count is None and not entry.reference:
        message += (
            f" No count is given: were there more than {len(pairs)}, it would not be noticed."
        )
    worst = pairs[int(np.argmax(fit.distances - allowed))][0]
    return _finding(
        assembly,
        key,
        entry,
        verdict,
        message,
        pattern_remedy(rows, entry.parts[0], entry.reserve, verdict),
        quantity=reserve,
        requirement=need,
        witnesses=(Witness("worst hole", entry.parts[0], worst.point),),
        view=(-entry.normal[0] + 0.0, -entry.normal[1] + 0.0, -entry.normal[2] + 0.0),
        details={
            "holes": rows,
            "shift": fit.shift.tolist(),
            "turn": fit.angle,
            "as_placed": None if entry.anywhere else still.excess,
        },
    )


def _finding(
    assembly: Assembly,
    key: Key,
    entry: PatternEntry,
    verdict: Verdict,
    message: str,
    remedy: str,
    **more: Any,
) -> Finding:
    return Finding(
        code=CODE,
        verdict=verdict,
        vehicle=assembly.vehicle,
        subject=f'pattern "{entry.name}"',
        parts=tuple(reversed(entry.parts)),
        message=message,
        remedy=remedy,
        witnesses=more.pop("witnesses", ()) or (Witness("joint", entry.parts[0], entry.at),),
        entry=assembly.entry(key),
        **more,
    )


def _holes(assembly: Assembly, entry: PatternEntry, name: str) -> list[_Place]:
    found = holes_at(
        assembly,
        name,
        entry.at,
        entry.normal,
        within=entry.within,
        reach=entry.reach,
        diameters=entry.diameters or (0.7 * entry.bolt, 1.6 * entry.bolt),
    )
    holds = entry.fixed == name
    return [
        _Place(one.point, None if holds else 2.0 * one.bore.radius, 2.0 * one.bore.error, one.wall)
        for one in found
    ]


def _reference(entry: PatternEntry) -> list[_Place]:
    return [_Place(place, entry.reference_hole, 0.0) for place in entry.reference]


def _flat(places: list[_Place], at: Point, axes: Any) -> Any:
    points = np.array([place.point for place in places]).reshape(-1, 3)
    return (points - np.asarray(at)) @ axes.T


def _reach(q: Any) -> float:
    """Half of the least spacing: a hole nearer to another's place is not told apart from it."""
    if len(q) < 2:
        return 5.0
    away = np.linalg.norm(q[:, None] - q[None], axis=2)
    return float(min(5.0, 0.5 * away[~np.eye(len(q), dtype=bool)].min()))


def _allowed(a: _Place, b: _Place, bolt: float) -> float:
    if a.diameter is not None and b.diameter is not None:
        return floating(a.diameter, b.diameter, bolt)
    hole = a.diameter if a.diameter is not None else b.diameter
    return 0.0 if hole is None else fixed(hole, bolt)


def _unmatched(
    assembly: Assembly,
    entry: PatternEntry,
    first: list[_Place],
    second: list[_Place],
    mine: Any,
) -> tuple[Verdict, str, str, list[tuple[str, Point]]] | None:
    """Holes without a partner, or too few of them: verdict, message, remedy and places."""
    a = entry.parts[0]
    b = "the reference" if entry.reference else entry.parts[1]
    alone = [(b, second[row].point) for row in range(len(second)) if mine[row] < 0]
    taken = set(mine.tolist())
    over = [(a, first[n].point) for n in range(len(first)) if n not in taken]
    wanted = entry.count
    if entry.reference:
        over = []  # other holes of the part are no business of the reference
    short = wanted is not None and len(second if not entry.reference else first) != wanted
    if not alone and not over and not short and len(second):
        return None
    # A mesh that is not closed may lack holes, and a round wall too coarse is not found.
    named = [name for name in entry.parts if not assembly.parts[name].closed]
    said = (
        f"{len(first)} holes of {a} against {len(second)} of {b}"
        + (f", {wanted} wanted" if short else "")
        + ("" if len(first) or len(second) else ": no round hole was found")
    )
    places = [*alone, *over]
    listed = "; ".join(f"{part} at {words.at(point)}" for part, point in places[:6])
    if listed:
        said += f". Without a partner: {listed}" + (" and others" if len(places) > 6 else "")
    remedy = (
        "Put the missing holes in, or correct within, diameters and count of the pattern. A hole "
        "is found where its wall is round over 300 degrees and has at least 9 facets a turn."
    )
    if named:
        return Verdict.UNDECIDED, f"{said}; {' and '.join(named)} is not closed.", remedy, places
    certain = not entry.anywhere and _metal(assembly, entry, alone, over)
    return (Verdict.FAIL if certain else Verdict.UNDECIDED), said + ".", remedy, places


def _metal(
    assembly: Assembly,
    entry: PatternEntry,
    alone: list[tuple[str, Point]],
    over: list[tuple[str, Point]],
) -> bool:
    """Whether there is metal where a partner should be: else the hole may only be of no round."""
    asked = [(entry.parts[0], point) for _, point in alone]
    if len(entry.parts) == 2:
        asked += [(entry.parts[1], point) for _, point in over]
    up = entry.reach * np.asarray(entry.normal)
    for name, point in asked:
        x, y, z = (np.asarray(point) + up).tolist()
        if metal_at(assembly, name, (x, y, z), entry.normal, 2.0 * entry.reach):
            return True
    return False


def _rows(pairs: list[tuple[_Place, _Place]], fit: PatternFit, moves: Any) -> list[dict[str, Any]]:
    return [
        {
            "at": list(a.point),
            "diameter": a.diameter,
            "against": list(b.point),
            "against_diameter": b.diameter,
            "at_wall": [list(point) for point in a.wall],
            "against_wall": [list(point) for point in b.wall],
            "error": float(fit.distances[n]),
            "allowed": float(fit.allowed[n]),
            "move": [float(x) + 0.0 for x in moves[n]],
        }
        for n, (a, b) in enumerate(pairs)
    ]

"""What was found of a bolt pattern, in a modeller's words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from geomcheck.fasten import words
from geomcheck.finding import Point, Quantity, Verdict


def pattern_message(
    rows: Sequence[Mapping[str, Any]],
    names: tuple[str, str],
    reserve: Quantity,
    verdict: Verdict,
    *,
    bolt: float,
    wanted: float,
    dowelled: bool,
) -> str:
    """How far the worst hole is off, and what the bolt leaves it.

    Parameters
    ----------
    rows : sequence of mapping
        ``at``, ``diameter``, ``against_diameter``, ``error``, ``allowed`` of each hole, mm.
    names : (str, str)
        The part and what it is laid on.
    reserve : Quantity
    verdict : Verdict
    bolt, wanted : float
        Diameter of the bolt and clearance that must be left, mm.
    dowelled : bool
    """
    row = max(rows, key=lambda row: row["error"] - row["allowed"])
    how = "as the dowels hold it" if dowelled else "laid on as well as it goes"
    text = (
        f"{len(rows)} holes of {names[0]} against {names[1]}, {how}: the worst, at "
        f"{words.at(tuple(row['at']))}, is {words.millimetres(row['error'])} mm off, "
    )
    if row["allowed"] < 0.0:
        holes = " and ".join(
            words.millimetres(d) for d in (row["diameter"], row["against_diameter"]) if d
        )
        text += f"and a {bolt:g} mm bolt does not go through {holes} mm"
    else:
        both = None not in (row["diameter"], row["against_diameter"])
        held = "through both parts" if both else "that one part holds"
        allowed = words.millimetres(row["allowed"])
        text += f"{allowed} mm allowed by a {bolt:g} mm bolt {held}"
    text += f"; {words.millimetres(reserve.value)} mm left, {wanted:g} mm wanted"
    if verdict is Verdict.UNDECIDED:
        text += (
            f". The truth lies between {words.millimetres(reserve.low)} and "
            f"{words.millimetres(reserve.high)} mm"
        )
    return text + "."


def pattern_remedy(
    rows: Sequence[Mapping[str, Any]], name: str, wanted: float, verdict: Verdict
) -> str:
    """Which holes to move, by how much and which way."""
    if verdict is Verdict.PASS:
        return ""
    if verdict is Verdict.UNDECIDED:
        return "Export the parts with finer facets, or open the holes to the next clearance size."
    moved = [
        f"the hole at {words.at(tuple(row['at']))} by {_outwards(row['move'])}"
        for row in sorted(rows, key=lambda row: -math.hypot(*row["move"]))
        if math.hypot(*row["move"]) > 5e-4
    ]
    if any(row["allowed"] < 0.0 for row in rows):
        more = f" In {name}{_and_move(moved)}." if moved else ""
        return (
            f"Open the holes that a bolt does not go through, in {name} or the other; if they are "
            f"threads, say which part holds the bolts: fixed.{more}"
        )
    if not moved:
        return f"Open the holes of {name}: {wanted:g} mm must be left at each."
    return (
        f"In {name}{_and_move(moved)} (mm, just enough for the bolt to go in), or open them to the "
        "next clearance size."
    )


def _and_move(moved: Sequence[str]) -> str:
    if not moved:
        return ""
    more = f" and {len(moved) - 6} more" if len(moved) > 6 else ""
    return f" move {'; '.join(moved[:6])}{more}"


def _outwards(move: Sequence[float]) -> str:
    """A move with each amount rounded up: it must not fall short."""
    x, y, z = (math.copysign(math.ceil(abs(a) * 100.0 - 1e-4) / 100.0, a) for a in move)
    point: Point = (x, y, z)
    return words.at(point)

"""How a hand comes to a place, in a modeller's words, and what that does to a finding that passes.

A pass stands where a whole hand comes, or, where that is enough, a finger, which is then told. It
is undecided where nothing comes straight: arms bend, so that is no proof.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from geomcheck.fasten.access_verdict import Judged, best_of
from geomcheck.fasten.way_in import LENGTH, Field, WayIn, way_to
from geomcheck.finding import Finding, Point, Verdict, Witness
from geomcheck.standards import hands


def with_way(finding: Finding, what: str, place: Point, found: WayIn, *, finger: bool) -> Finding:
    """The finding, undecided where it passes though nothing that is needed comes there.

    Parameters
    ----------
    finding : Finding
    what : str
        Where the way was asked for, such as ``the pulled plug``.
    place : Point
    found : WayIn
    finger : bool
        A way for a finger is enough; it is told where there is none for a hand.
    """
    if finding.verdict is not Verdict.PASS:
        return finding
    details: dict[str, Any] = {**finding.details, "way_in": way_row(found)}
    if found.comes == "hand":
        return replace(finding, details=details)
    hand = hands()[0]
    met = f"; {found.part} is met most" if found.part else ""
    if found.comes == "finger" and finger:
        text = f" To {what} a straight way leads for a finger ({hand.finger:g} mm), for a whole "
        text += f"hand ({hand.width:g} mm) none was found{met}."
        return replace(finding, message=finding.message + text, details=details)
    wide = f"a finger ({hand.finger:g} mm)" if finger else f"a hand ({hand.width:g} mm)"
    text = f" But it cannot be told whether a hand comes there: no straight way out for {wide} "
    text += f"was found from {what}, looked for {LENGTH:g} mm far{met}."
    blocker = found.part or finding.parts[0]
    remedy = f"Open a way to {what} past {blocker}; or, where a part on the way comes off first, "
    remedy += "say open_for_tools = true for it."
    witness = Witness("no way in found to here", blocker, place)
    return replace(
        finding,
        verdict=Verdict.UNDECIDED,
        message=finding.message + text,
        remedy=remedy,
        parts=tuple(dict.fromkeys((*finding.parts, blocker))),
        quantity=None,
        requirement=None,
        witnesses=(witness, *finding.witnesses),
        details=details,
    )


def best_in_hand(found: Sequence[Judged], around: Field) -> tuple[Judged, WayIn | None]:
    """The tool the answer rests on, and what comes to it; None for the way where none serves.

    Of those that serve, one that at least a finger comes to goes before all others.

    Parameters
    ----------
    found : sequence of Judged
    around : Field
        Everything there is.
    """
    first: tuple[Judged, WayIn] | None = None
    left = list(found)
    while left:
        best = best_of(left)
        if best.verdict is not Verdict.PASS:
            break
        way = way_to(best.access.held(), around)
        if way.comes != "nothing":
            return best, way
        first = first or (best, way)
        left = [one for one in left if one is not best]
    return first or (best_of(found), None)


def way_row(found: WayIn) -> dict[str, Any]:
    """What comes to a place, as a row of a finding's details."""
    direction = None if found.direction is None else list(found.direction)
    return {"comes": found.comes, "width": found.width, "direction": direction, "met": found.part}

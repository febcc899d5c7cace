"""Gaps and mates in a modeller's words."""

from __future__ import annotations

import math

import numpy as np

from geomcheck.finding import Point, Quantity, Requirement
from geomcheck.fit.body import as_point
from geomcheck.fit.state import Gap

#: What to mind about a class of neighbour, beyond the number.
CAUTIONS: dict[str, str] = {
    "hot part": (
        "Hot part: a gap says nothing of heat. Shielding, heat soak and what burns nearby decide; "
        "local codes and the maker's figures come first, then the judgement of a licensed "
        "workshop."
    ),
    "fuel line": (
        "Fuel line: chafing, heat and engine movement can open it. Routing, clips and shielding "
        "follow local codes and the maker's figures; have the work done or passed by a licensed "
        "workshop."
    ),
    "moving part": (
        "Moving part: its travel, run-out and the swing of a belt are not in a still mesh. Guards "
        "and running gaps follow local codes and the maker's figures, and licensed practice."
    ),
}


def length(value: float, limit: float | None = None) -> str:
    """Millimetres to 2 decimals, to more where 2 would hide which side of a limit it lies on.

    Examples
    --------
    >>> length(6.0312), length(9.9996, 10.0), length(10.0, 10.0)
    ('6.03', '9.9996', '10.00')
    """
    decimals = 2
    if limit is not None and value != limit:
        while decimals < 6 and f"{value:.{decimals}f}" == f"{limit:.{decimals}f}":
            decimals += 1
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def place(point: Point) -> str:
    """A point as ``(1.00, 2.00, 3.00)``."""
    return f"({length(point[0])}, {length(point[1])}, {length(point[2])})"


def interval(quantity: Quantity, requirement: Requirement) -> str:
    """``6.03 mm (5.98 to 6.07)``, rounded outwards; left out where it is the value."""
    limit = requirement.limit
    text = f"{length(quantity.value, limit)} {quantity.unit}"
    if quantity.high - quantity.low < 1e-6:
        return text
    low, high = _outward(quantity.low, limit, -1), _outward(quantity.high, limit, 1)
    return f"{text} ({low} to {high})"


def _outward(value: float, limit: float, side: int) -> str:
    """An end of an interval, rounded away from its middle and never onto the limit or past it."""
    # Binary noise in the ninth decimal does not push it one step out.
    exact = round(value, 9)
    for decimals in range(2, 7):
        step = 10.0**decimals
        end = (math.floor if side < 0 else math.ceil)(round(exact * step, 9 - decimals)) / step
        if np.sign(end - limit) == np.sign(exact - limit):
            break
    return length(end) if decimals == 2 else f"{end:.{decimals}f}"


def gap_message(a: str, b: str, gap: Gap, need: Requirement) -> str:
    """What was found between parts ``a`` and ``b``."""
    wanted = (
        f"{length(need.limit)} mm required ({need.source})"
        if need.limit > 0.0
        else f"contact is allowed, overlap is not ({need.source})"
    )
    where = place(gap.point_a)
    if gap.state == "apart":
        head = f"Gap of {interval(gap.quantity, need)} between {a} and {b} at {where}"
    elif gap.state == "touching":
        head = f"{a} and {b} touch at {where}"
    elif gap.state == "overlapping":
        deep = "" if gap.depth is None else f" by {length(gap.depth)} mm or more"
        head = f"{a} and {b} overlap{deep} at {where}"
        if gap.volume is not None:
            head += f", {gap.volume:.0f} mm3 in common"
    else:
        inner, outer = (a, b) if gap.state == "a inside b" else (b, a)
        head = f"{inner} is inside the material of {outer}, at {where}"
        if gap.depth is not None:
            head += f", {length(gap.depth)} mm deep or more"
    return f"{head}; {wanted}."


def gap_remedy(a: str, b: str, gap: Gap, need: Requirement) -> str:
    """How far to move what, for a gap that is too small for certain."""
    more = need.limit - gap.quantity.low
    if gap.state in ("a inside b", "b inside a"):
        inner, outer = (a, b) if gap.state == "a inside b" else (b, a)
        return (
            f"Check the placement and the unit of both parts; then bring {inner} out of {outer} "
            f"and leave {length(need.limit)} mm."
        )
    if gap.direction is None:
        return f"Set {a} back from {b} there, or move {b}, by {length(more)} mm or more."
    floor = "at least " if gap.state == "overlapping" else ""
    return (
        f"At {place(gap.point_a)} set the wall of {a} back by {floor}{length(more)} mm along "
        f"{direction(gap.direction)}, away from {b}; or move {b} the other way."
    )


def undecided_remedy(a: str, b: str, gap: Gap, need: Requirement) -> str:
    """What would settle a gap that the meshes leave open."""
    texts = []
    if len(gap.undecided) > len(gap.remedies):
        texts.append(
            "Give a closed mesh; or, if the open one is known to enclose no material (a scan of "
            f"the bay, a sheet), name it in shells of [check.fit-gap]; or place {a} and {b} anew."
        )
    texts += dict.fromkeys(gap.remedies)
    more = need.limit - gap.quantity.low
    if gap.state == "touching" and not texts:
        texts.append(
            f"Faces that are meant to touch are declared as a [[mate]]; else set {a} back from "
            f"{b} by {length(more, 0.0)} mm, or export both with a finer chord error."
        )
    elif not texts or more > 0.0:
        texts.append(
            f"Give {length(more, 0.0)} mm more room, or export both parts with a finer chord "
            "error and declare it as their sagitta."
        )
    return " ".join(texts)


def direction(vector: Point) -> str:
    """A unit vector in words: ``+x`` along an axis, else its components."""
    for axis, value in zip("xyz", vector, strict=True):
        if abs(value) > 0.9998:  # within 1 degree
            return ("+" if value > 0 else "-") + axis
    return place(vector)


def view_across(vector: Point | None, spot: Point, middle: Point) -> Point | None:
    """From the camera to a place, across a gap and from outside.

    Parameters
    ----------
    vector : Point or None
        Unit vector across the gap.
    spot : Point
        The place, mm.
    middle : Point
        Middle of the housing, mm; the camera stands on the other side of the place.
    """
    if vector is None:
        return None
    across = np.asarray(vector)
    outward = np.subtract(spot, middle)
    outward = outward - (outward @ across) * across
    if float(np.linalg.norm(outward)) < 1e-6:
        outward = np.zeros(3)
        outward[int(np.argmin(np.abs(across)))] = 1.0
        outward = outward - (outward @ across) * across
    return as_point(-outward / np.linalg.norm(outward))

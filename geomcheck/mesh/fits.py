"""Is it the right part, in the right unit: sizes and places compared with what was declared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Quantity, Term
from geomcheck.mesh.part import Part
from geomcheck.mesh.query import point_distance

FloatArray: TypeAlias = NDArray[np.float64]

#: What a file is when it is so many times smaller than declared, read as mm.
UNIT_RATIOS: tuple[tuple[float, str, str], ...] = (
    (25.4, "exported in inches", "exported in mm but read as inches"),
    (10.0, "exported in cm", "exported in mm but read as cm"),
    (1000.0, "exported in m", "exported in mm but read as m"),
    (2.54, "exported in inches but read as cm", "exported in cm but read as inches"),
    (39.37007874, "exported in m but read as inches", "exported in inches but read as m"),
    (100.0, "exported in m but read as cm", "exported in cm but read as m"),
)
#: Ratios within this share of one of the above raise the suspicion.
RATIO_MARGIN = 0.02

Mirror = Literal["x", "y", "z"]


def suspect_unit(size: Any, declared: Any) -> str:
    """Suspicion that a unit is wrong, in words; empty if none.

    Parameters
    ----------
    size, declared : (3,) float
        Bounding size of the file as read, and as it should be, mm.

    Examples
    --------
    >>> suspect_unit((2.0, 3.0, 1.0), (50.8, 76.2, 25.4))
    'the file is 25.4 times too small: exported in inches?'
    """
    found, wanted = np.asarray(size, dtype=float), np.asarray(declared, dtype=float)
    solid = (found > 0.0) & (wanted > 0.0)
    if not solid.any():
        return ""
    ratio = wanted[solid] / found[solid]
    for factor, small, large in UNIT_RATIOS:
        if (np.abs(ratio / factor - 1.0) <= RATIO_MARGIN).all():
            return f"the file is {factor:.4g} times too small: {small}?"
        if (np.abs(ratio * factor - 1.0) <= RATIO_MARGIN).all():
            return f"the file is {factor:.4g} times too large: {large}?"
    return ""


def suspect_axes(size: Any, declared: Any, tolerance: float) -> bool:
    """Whether the sizes agree within the tolerance (mm) once the axes are exchanged."""
    found, wanted = np.sort(np.asarray(size, float)), np.sort(np.asarray(declared, float))
    return bool((np.abs(found - wanted) <= tolerance).all())


def size_difference(part: Part, declared: Any, tolerance: float) -> tuple[int, Quantity]:
    """The axis that speaks most against a declared size, and the difference there (mm).

    A mesh of a round part is smaller than the part by the sagitta of the facets at its two ends;
    these are the terms. The axis is the one most surely out of ``tolerance`` (mm), or else the
    one that might be furthest out.
    """
    low, high = part.file_bounds
    axes = np.eye(3) if part.place is None else np.asarray(part.place)[:3, :3].T
    answers = []
    for axis in range(3):
        difference = float(high[axis] - low[axis]) - float(declared[axis])
        grown = difference + _ends(part, axes[axis])
        # The true size lies between the two, and so does the signed difference.
        worst = max(abs(difference), abs(grown))
        least = 0.0 if difference <= 0.0 <= grown else min(abs(difference), abs(grown))
        value = abs(difference)
        term = Term("facets", value - least, worst - value, f"{part.sagitta.source} sagitta")
        quantity = Quantity("size difference", value, "mm", least, worst, (term,))
        answers.append((axis, quantity))
    return max(answers, key=lambda answer: _weight(answer[1], tolerance))


def wrong_class(part: Part, expect: str | None, *, doubled: bool) -> tuple[str, str] | None:
    """What is wrong with the class of a mesh, and what to do; the worst only, None where nothing.

    Parameters
    ----------
    part : Part
    expect : str or None
        Class that is declared; None: closed, unless it is a neighbour.
    doubled : bool
        Whether bodies may lie in one another.
    """
    sound = part.soundness
    wanted = expect or ("closed" if part.role != "neighbour" else None)
    role = "housing" if part.role == "housing" else "carried part"
    because = "the project file expects" if expect else f"a {role} must be"
    faults = "; ".join(sound.defects)
    if wanted is not None and sound.kind != wanted:
        tell = f": {faults}" if faults and wanted == "closed" else ""
        close = "Close the holes and turn the triangles outwards in CAD and export it again"
        return (
            f"{part.name} is {sound.kind}, {because} {wanted}{tell}",
            close if wanted == "closed" else f'Set expect = "{sound.kind}" if this is meant',
        )
    if sound.inside_out:
        return (
            f"{part.name} is inside out: its triangles face inwards and its volume reads "
            f"{(sound.volume or 0.0) / 1000.0:.2f} cm3. Was it mirrored?",
            "Check that it is the right hand of part, turn its normals outwards and export again",
        )
    if sound.stray_bodies:
        return (
            f"{part.name} has {sound.stray_bodies} of {sound.bodies} bodies inside out: {faults}",
            "Turn the normals of that body outwards and export again",
        )
    if sound.doubled_bodies and not doubled:
        return (
            f"{part.name} has bodies that lie in one another: {faults}",
            "Unite the bodies in CAD and export again, or set allow_doubled_bodies = true",
        )
    return None


def longest_side(part: Part) -> Quantity:
    """Longest side (mm) of a part's bounding box, along an axis of its file, as it is read."""
    longest = float(np.ptp(part.file_bounds, axis=0).max())
    return Quantity("longest side", longest, "mm", longest, longest)


def boxes_apart(part: Part, other: Part) -> Quantity:
    """Distance (mm) of two parts' bounding boxes in the housing frame; zero where they overlap."""
    (low, high), (least, most) = part.bounds, other.bounds
    gap = np.maximum(np.maximum(low - most, least - high), 0.0)
    apart = float(np.linalg.norm(gap))
    return Quantity("distance from the housing", apart, "mm", apart, apart)


def size_ends(part: Part, axis: int) -> FloatArray:
    """(2, 3) the corners farthest down and up an axis of the file; housing frame, mm."""
    along = np.eye(3)[axis] if part.place is None else np.asarray(part.place)[:3, axis]
    height = part.vertices @ along
    return part.vertices[[int(np.argmin(height)), int(np.argmax(height))]]


def _ends(part: Part, along: FloatArray) -> float:
    """How much (mm) a part may be longer in one direction than its mesh, both ends together.

    At each end: the greatest stand-off, in that direction, of a facet that reaches it.
    """
    height = part.vertices @ along
    margin = 1e-9 * float(np.ptp(height))
    total = 0.0
    for sign, extreme in (
        (-1.0, height <= height.min() + margin),
        (1.0, height >= height.max() - margin),
    ):
        rows = np.flatnonzero(extreme[part.faces].any(axis=1))
        corners = part.triangles[rows]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
        lean = sign * (normal @ along) / length
        # A facet that faces away from this end may stand inward of itself: towards the end.
        shift = np.maximum(lean * part.sagitta.outward[rows], -lean * part.sagitta.inward[rows])
        total += float(shift.max(initial=0.0))
    return total


def _weight(quantity: Quantity, tolerance: float) -> tuple[float, float]:
    """Order of quantities that should be small: what surely fails first, then what might."""
    return (max(quantity.low - tolerance, 0.0), quantity.high)


@dataclass(frozen=True, eq=False)
class OffSurface:
    """The declared point that lies furthest off a part.

    Parameters
    ----------
    row : int
        Which of the points.
    quantity : Quantity
        Its distance, mm; the interval comes from the sagitta of the triangle it is nearest to.
    point, foot : (3,) float64
        The point and the nearest one on the part, housing frame.
    """

    row: int
    quantity: Quantity
    point: FloatArray
    foot: FloatArray


def furthest_off(part: Part, points: Any, tolerance: float) -> OffSurface:
    """The point (file axes, mm) that speaks most against lying on the part within a tolerance."""
    placed = part.placed(points)
    answer = point_distance(part.tree, placed)
    bulge = np.maximum(part.sagitta.outward, part.sagitta.inward)[answer.triangle]
    found = []
    for row in range(len(placed)):
        distance, margin = float(answer.distance[row]), float(bulge[row])
        term = Term("facets", min(margin, distance), margin, f"{part.sagitta.source} sagitta")
        quantity = Quantity.from_terms("distance off the part", distance, "mm", (term,))
        found.append(OffSurface(row, quantity, placed[row], answer.point[row]))
    return max(found, key=lambda off: _weight(off.quantity, tolerance))


def mirrors_that_fit(part: Part, points: Any, tolerance: float) -> list[str]:
    """Mirrors (in file axes) that would bring every point onto the part, in words.

    Mirrored about the planes through the file's origin and about those through its middle.
    """
    given = np.asarray(points, dtype=np.float64)
    middle = part.file_bounds.mean(axis=0)
    found = []
    for axis, name in enumerate("xyz"):
        for plane, words in ((0.0, "through the origin"), (middle[axis], "through its middle")):
            turned = given.copy()
            turned[:, axis] = 2.0 * plane - turned[:, axis]
            answer = point_distance(part.tree, part.placed(turned), cutoff=tolerance)
            if (answer.distance <= tolerance).all():
                found.append(f"in {name} about the plane {words}")
                break
    return found

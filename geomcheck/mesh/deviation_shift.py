"""Whether a patch of a surface moved as one, and by how much.

A translation is looked for that lays the new patch on the old surface and the old patch, taken
along, on the new one: nearest points, and the least sum of squares of what is left across the
facets (point to plane; Y. Chen and G. Medioni, "Object modelling by registration of multiple range
images", Image and Vision Computing 10 (1992)). A direction the patch can slide in without leaving
the surface stays out of the answer: the shortest translation is taken. Started from several
places; what fits best is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree

FloatArray: TypeAlias = NDArray[np.float64]

_ROUNDS = 10
#: Share of the greatest singular value under which a direction is one to slide in.
_SLIDES = 0.02
#: Points of each patch.
_POINTS = 500
#: Directions in which faces are looked for.
_NORMALS = 6
#: A flat face is told of if it is at least this share of the new patch.
_FACE = 0.05
#: Share of the area that must fit.
SHARE = 0.9


@dataclass(frozen=True, eq=False)
class Side:
    """Patch of one revision: points, normals, areas, the surface it is held against."""

    points: FloatArray
    normals: FloatArray
    areas: FloatArray
    other: TriangleTree
    facets: FloatArray  # (m, 3) unit normals of the other surface, in the caller's order

    def thinned(self) -> Side:
        """At most ``_POINTS`` points, evenly through the list."""
        step = -(-len(self.points) // _POINTS) if len(self.points) else 1
        rows = slice(None, None, step)
        return Side(
            self.points[rows], self.normals[rows], self.areas[rows], self.other, self.facets
        )


@dataclass(frozen=True, eq=False)
class Shift:
    """The translation that fits best.

    Parameters
    ----------
    vector : (3,) float64
        From old to new, mm.
    left : float
        Distance within which ``SHARE`` of the patches' area fits, mm.
    """

    vector: FloatArray
    left: float


def find_shift(new: Side, old: Side) -> Shift | None:
    """Best translation from the old patch to the new one; None where there is nothing to lay."""
    sides = [(side.thinned(), sign) for side, sign in ((new, -1.0), (old, 1.0)) if len(side.points)]
    if not sides:
        return None
    found: Shift | None = None
    for start in _starts(new, old):
        vector = _followed(sides, start)
        for one in (vector, start):
            left = _left(sides, one)
            if found is None or left < found.left - 1e-9:
                found = Shift(one, left)
    return found


@dataclass(frozen=True, eq=False)
class Face:
    """A flat face that both patches have, and how far it went along its normal.

    Parameters
    ----------
    vector : (3,) float64
        From old to new, mm.
    area : float
        Of the new face, mm2.
    """

    vector: FloatArray
    area: float


def find_face(new: Side, old: Side, band: float) -> Face | None:
    """The largest flat face of the new patch that the old one has, too, at another height.

    Faces belong together where they look the same way, neither is over twice as large as the
    other, and their middles lie no farther apart sideways than half the width of a square of
    their area.

    Parameters
    ----------
    new, old : Side
    band : float
        What lies off a plane by no more is on it, mm.
    """
    best: Face | None = None
    least = _FACE * float(new.areas.sum())
    for normal in _main_normals(new) if len(new.points) else ():
        found = [_flat(side, normal, band) for side in (new, old)]
        if found[0] is None or found[1] is None:
            continue
        (height, area, middle), (was, before, there) = found[0], found[1]
        away = middle - there
        sideways = float(np.linalg.norm(away - (away @ normal) * normal))
        alike = area >= least and 0.5 <= area / before <= 2.0 and sideways <= 0.5 * area**0.5
        if not alike or abs(height - was) <= band:
            continue
        if best is None or area > best.area:
            best = Face((height - was) * normal, area)
    return best


def _flat(side: Side, normal: FloatArray, band: float) -> tuple[float, float, FloatArray] | None:
    """Height, area and middle of the largest plane of a patch that faces one way."""
    rows = np.flatnonzero(side.normals @ normal > 0.9999)
    if not len(rows):
        return None
    height = side.points[rows] @ normal
    order = np.argsort(height, kind="stable")
    sums = np.concatenate([[0.0], np.cumsum(side.areas[rows][order])])
    # The window of heights with most area.
    ends = np.searchsorted(height[order], height[order] + band, side="right")
    held = sums[ends] - sums[: len(order)]
    first = int(held.argmax())
    inside = rows[order[first : ends[first]]]
    weight = side.areas[inside]
    if float(weight.sum()) <= 0.0:
        return None
    middle = np.average(side.points[inside], axis=0, weights=weight)
    return float(middle @ normal), float(weight.sum()), middle


def _starts(new: Side, old: Side) -> list[FloatArray]:
    """Where to begin: not moved, by the middles, and by the way to the nearest surface."""
    starts = [np.zeros(3)]
    if len(new.points) and len(old.points):
        middles = [np.average(side.points, axis=0, weights=side.areas) for side in (new, old)]
        starts.append(middles[0] - middles[1])
    for side, sign in ((new, 1.0), (old, -1.0)):
        if not len(side.points):
            continue
        thin = side.thinned()
        found = point_distance(side.other, thin.points)
        way = sign * (thin.points - found.point)
        # The facets with most area on one side, and how far they are off along their normal.
        for normal in _main_normals(thin):
            facing = thin.normals @ normal > 0.98
            along = (way[facing] @ normal)[:, None] * normal
            starts.append(np.median(along, axis=0))
    return starts


def _main_normals(side: Side) -> list[FloatArray]:
    """Up to ``_NORMALS`` normals that much of the patch's area shares."""
    cells, cell_of = np.unique(np.rint(side.normals * 256.0), axis=0, return_inverse=True)
    area = np.bincount(cell_of.reshape(-1), weights=side.areas, minlength=len(cells))
    found: list[FloatArray] = []
    for row in np.argsort(-area, kind="stable"):
        inside = cell_of.reshape(-1) == row
        normal = np.average(side.normals[inside], axis=0, weights=side.areas[inside] + 1e-300)
        length = float(np.linalg.norm(normal))
        if length > 0.5 and all(float(normal @ other) <= 0.98 * length for other in found):
            found.append(normal / length)
        if len(found) == _NORMALS:
            break
    return found


def _followed(sides: list[tuple[Side, float]], start: FloatArray) -> FloatArray:
    vector = start.copy()
    for _ in range(_ROUNDS):
        system, right = np.zeros((3, 3)), np.zeros(3)
        for side, sign in sides:
            moved = side.points + sign * vector
            found = point_distance(side.other, moved)
            normals = side.facets[found.triangle]
            # Facets that face another way are no counterparts.
            weight = side.areas * ((normals * side.normals).sum(axis=1) > 0.5)
            off = sign * ((found.point - moved) * normals).sum(axis=1)
            system += (normals * weight[:, None]).T @ normals
            right += (normals * weight[:, None]).T @ off
        values, axes = np.linalg.eigh(system)
        use = values > _SLIDES * max(values[-1], 1e-300)
        step = axes[:, use] @ ((axes[:, use].T @ right) / values[use])
        vector = vector + step
        if float(np.linalg.norm(step)) < 1e-6:
            break
    return vector


def _left(sides: list[tuple[Side, float]], vector: FloatArray) -> float:
    """Distance within which ``SHARE`` of the area fits."""
    distance = np.concatenate(
        [point_distance(side.other, side.points + sign * vector).distance for side, sign in sides]
    )
    area = np.concatenate([side.areas for side, _ in sides])
    order = np.argsort(distance, kind="stable")
    sums = np.cumsum(area[order])
    row = int(np.searchsorted(sums, SHARE * sums[-1]))
    return float(distance[order][min(row, len(order) - 1)])

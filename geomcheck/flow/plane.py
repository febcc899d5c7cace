"""One plane across a bore: tilted and shifted until its open area is least.

The pieces of a section that count are those of the same bore. Within a search they are found by
what they share with the pieces of the start; the result is then followed from the start in small
steps, piece by piece, so that a piece that was lost on the way (which would make the area too
small) is noticed and the result refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import shapely
from scipy.optimize import minimize

from geomcheck.flow.region import Region
from geomcheck.flow.section import FloatArray, Surface, cut

#: A plane that leans further than this from its start is no cross-section of it (degrees).
STEEPEST = 75.0
#: Least share of the smaller piece: within a search, and from step to step when followed.
_LIKE, _NEXT = 0.5, 0.05
#: Greatest change of area (share) and of tilt (radians) in one step, and the smallest step.
_CHANGE, _STEP, _SMALLEST = 0.1, 0.12, 1.0 / 512.0
#: The search ends when the area changes by less than this share.
SETTLED = 1e-7
#: Rough search: first spread of the simplex (radians, and shift in radii), share, evaluations.
_ROUGH = (0.2, 1e-3, 70)
#: Fine search: spreads one after the other, rounds at most with each, evaluations a round.
_FINE, _AGAIN, _EVALUATIONS = (0.1, 0.02), 3, 150

Allowed: TypeAlias = Callable[[FloatArray], bool]


@dataclass(frozen=True, eq=False)
class Cut:
    """A plane section with the pieces that belong to the bore.

    ``area``: their sum, mm2; inf where there are none, or an outline in them does not close.
    """

    region: Region
    pieces: tuple[int, ...]
    area: float

    @classmethod
    def of(cls, region: Region, pieces: Sequence[int]) -> Cut:
        """Cut of given pieces."""
        chosen = tuple(pieces)
        if not chosen or any(region.open_in(piece) for piece in chosen):
            return cls(region, chosen, float("inf"))
        return cls(region, chosen, float(region.area[list(chosen)].sum()))

    @property
    def frame(self) -> FloatArray:
        """(12,) origin, u, v, normal."""
        return self.region.section.frame

    def shapes(self) -> list[Any]:
        """The pieces as shapely polygons in the plane's (x, y)."""
        return [self.region.polygon(piece) for piece in self.pieces]

    def centre(self) -> FloatArray:
        """(3,) centroid of the open area, mm."""
        share = self.region.area[list(self.pieces)]
        at = shapely.get_coordinates(shapely.centroid(self.shapes()))
        middle: FloatArray = self.region.section.to_space((share @ at)[None] / share.sum())[0]
        return middle


def tilted(frame: FloatArray, move: FloatArray) -> FloatArray:
    """Frame turned about its origin by ``move[:2]`` (radians about u and v), then shifted.

    The turn is one rotation about an axis in the plane (Rodrigues); ``move[2]`` mm along the new
    normal.
    """
    angle = float(np.hypot(move[0], move[1]))
    axes = frame[3:].reshape(3, 3)
    if angle > 0.0:
        axis = (move[0] * axes[0] + move[1] * axes[1]) / angle
        along = np.outer(axes @ axis, axis)
        axes = along + np.cos(angle) * (axes - along) + np.sin(angle) * np.cross(axis, axes)
    return np.concatenate([frame[:3] + move[2] * axes[2], axes.ravel()])


def moved_to(cut_: Cut, origin: FloatArray) -> tuple[FloatArray, list[Any]]:
    """The same plane with another origin in it: frame, and the pieces seen from there."""
    frame = cut_.frame.copy()
    shift = origin - frame[:3]
    frame[:3] = origin
    x, y = float(shift @ frame[3:6]), float(shift @ frame[6:9])
    return frame, [shapely.transform(p, lambda xy: xy - (x, y)) for p in cut_.shapes()]


def section(
    surfaces: Sequence[Surface], frame: FloatArray, before: Sequence[Any], share: float = _LIKE
) -> Cut:
    """The section on a plane, with the pieces that are like some of ``before``.

    ``before``: polygons in the (x, y) of ``frame``. A piece counts if it shares with one of them
    at least ``share`` of the smaller of the two.
    """
    region = Region(cut(surfaces, frame[None])[0], surfaces)
    found = []
    for old in before:
        low, high = np.array(old.bounds[:2]), np.array(old.bounds[2:])
        near = (region.box[:, :2] < high).all(axis=1) & (region.box[:, 2:] > low).all(axis=1)
        for piece in np.flatnonzero(near).tolist():
            if piece in found:
                continue
            common = shapely.intersection(old, region.polygon(piece)).area
            if common >= share * min(old.area, region.area[piece]):
                found.append(piece)
    return Cut.of(region, sorted(found))


def follow(
    surfaces: Sequence[Surface], frame: FloatArray, before: Sequence[Any], move: FloatArray
) -> Cut | None:
    """The cut at the end of a movement of the plane, its pieces followed in small steps.

    None where they cannot be followed: the area changes by a step that does not become smaller
    with the movement (a flat face, a hole in a wall, the end of a duct), or a piece is lost.
    """
    here, shapes = 0.0, list(before)
    area = float(sum(p.area for p in shapes))
    # No step may move the plane at the bore's edge by more than a small part of the bore.
    size = float(np.sqrt(area))
    most = _STEP / max(float(np.hypot(move[0], move[1])) + abs(float(move[2])) / size, 1e-12)
    step = min(1.0, most)
    last: Cut | None = None
    while here < 1.0:
        ahead = min(1.0, here + step)
        new = section(surfaces, tilted(frame, ahead * move), shapes, _NEXT)
        if abs(new.area - area) > _CHANGE * area or not _kept(shapes, new.shapes()):
            step *= 0.5
            if step < _SMALLEST * min(1.0, most):
                return None
            continue
        here, shapes, area, last = ahead, new.shapes(), new.area, new
        step = min(1.0, most, 2.0 * step)
    return last


def _kept(before: Sequence[Any], after: Sequence[Any]) -> bool:
    """Whether every piece of some size still shares something with a later piece."""
    speck = 1e-4 * sum(p.area for p in before)
    return all(p.area <= speck or any(shapely.intersects(p, q) for q in after) for p in before)


def least(
    surfaces: Sequence[Surface], start: Cut, allowed: Allowed, lean: FloatArray | None = None
) -> Cut | None:
    """The plane of least area that a rough search reaches from ``start``, within about 1 %.

    Parameters
    ----------
    start : Cut
    allowed : callable
        Whether a frame may be looked at.
    lean : (2,) float, optional
        Tilts (radians) to begin with.

    Returns
    -------
    Cut or None
        None where the lean, or the way to the end, could not be followed.
    """
    best = start
    if lean is not None and np.any(lean):
        frame, shapes = moved_to(start, start.centre())
        leaning = follow(surfaces, frame, shapes, np.array([*lean, 0.0]))
        if leaning is None or not allowed(leaning.frame):
            return None
        best = leaning
    return _round(surfaces, best, allowed, *_ROUGH)


def polish(surfaces: Sequence[Surface], start: Cut, allowed: Allowed) -> tuple[Cut, float]:
    """Search on from a cut until nothing more is won: the cut, and mm2 won in the last round."""
    best, won = start, 0.0
    for spread in _FINE:
        for _ in range(_AGAIN):
            new = _round(surfaces, best, allowed, spread, SETTLED, _EVALUATIONS)
            if new is None or not new.area < best.area:
                won = 0.0
                break
            won, best = best.area - new.area, new
            if won < 10.0 * SETTLED * best.area:
                break
    return best, won


def _round(
    surfaces: Sequence[Surface],
    start: Cut,
    allowed: Allowed,
    spread: float,
    settled: float,
    evaluations: int,
) -> Cut | None:
    """One search by Nelder and Mead's simplex over two tilts and a shift.

    J. Nelder, R. Mead, 1965, "A simplex method for function minimization", The Computer Journal
    7(4). The area has kinks where the plane passes an edge, so that its gradient would not do.
    """
    frame, shapes = moved_to(start, start.centre())
    scale = np.array([1.0, 1.0, float(np.sqrt(start.area / np.pi))])

    def area(q: FloatArray) -> float:
        move = q * scale
        if np.degrees(np.hypot(move[0], move[1])) > STEEPEST:
            return float("inf")
        there = tilted(frame, move)
        return section(surfaces, there, shapes).area if allowed(there) else float("inf")

    options = {
        "initial_simplex": np.vstack([np.zeros(3), spread * np.eye(3)]),
        "xatol": 10.0 * settled,
        "fatol": settled * start.area,
        "maxfev": evaluations,
    }
    # The values are compared only: infinite ones are no trouble.
    with np.errstate(invalid="ignore"):
        end = minimize(area, np.zeros(3), method="Nelder-Mead", options=options)
    if not end.fun < start.area:
        return start
    return follow(surfaces, frame, shapes, end.x * scale)

"""Bolt patterns: does one part's pattern of holes go onto another's.

Clearance. A bolt of diameter F passes through clearance holes of diameter H in both parts
(floating fastener): each hole may be off by half of T = H - F, so the two axes by
``(H1 + H2) / 2 - F``. Where one part holds the bolt (fixed fastener: thread, stud, dowel) both
share one clearance, T1 + T2 = H - F, and the axes may be off by ``(H - F) / 2``. The formulas are
those of ASME Y14.5M-1994 and Y14.5-2009, appendix B (H = F + T; H = F + T1 + T2). They take the
bolt to be as large, and the holes as small, as they come, and a fixed bolt to stand square.

Fit. In its joint a part shifts and turns until all bolts go in. The best place is not that of
least squares, which turns good parts down: it is where the worst hole has the most left, the
minimum over shift and turn of ``max(|error| - allowed)``. It is found by sequential quadratic
programming (scipy), from the place of least squares and from where the parts stand. That a place
exists is shown by the place. That none exists follows from duality: for unit vectors u along the
errors and weights w that balance them, ``sum(w u) = 0`` and ``sum(w u x r) = 0``, no small motion
changes ``sum(w u . error)``, and the worst hole is at least as bad as that mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment, minimize, nnls

from geomcheck.errors import InputError

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


def floating(hole: float, other: float, bolt: float) -> float:
    """What two clearance holes allow their axes to be apart, mm, for a bolt through both.

    Examples
    --------
    >>> round(floating(6.44, 6.44, 6.0), 6)
    0.44
    """
    return 0.5 * (hole + other) - bolt


def fixed(hole: float, bolt: float) -> float:
    """What a clearance hole allows its axis to be away from a bolt that is held, mm.

    Examples
    --------
    >>> round(fixed(6.44, 6.0), 6)
    0.22
    """
    return 0.5 * (hole - bolt)


@dataclass(frozen=True, eq=False)
class PatternFit:
    """A pattern in its best place on another.

    Parameters
    ----------
    shift : (2,) float64
        mm; a point p of the pattern comes to ``turn(p) + shift``.
    angle : float
        Degrees, anticlockwise about the origin.
    errors : (n, 2) float64
        From each reference place to the hole in its place, mm.
    allowed : (n,) float64
        mm; less than 0 where the bolt does not pass at all.
    excess : float
        Greatest ``|error| - allowed`` in this place, mm; at most 0: all bolts go in.
    least_excess : float
        What no place can get below, mm.
    """

    shift: FloatArray
    angle: float
    errors: FloatArray
    allowed: FloatArray
    excess: float
    least_excess: float

    @property
    def distances(self) -> FloatArray:
        """(n,) size of each error, mm."""
        return np.asarray(np.hypot(self.errors[:, 0], self.errors[:, 1]))


def fit_pattern(points: Any, reference: Any, allowed: Any, *, free: bool = True) -> PatternFit:
    """The place in which the worst hole of a pattern has the most left.

    Parameters
    ----------
    points : (n, 2) float
        Holes, mm, in the plane of the joint.
    reference : (n, 2) float
        The place of each, in the same order.
    allowed : (n,) or float
        How far each may be off, mm; see :func:`floating` and :func:`fixed`.
    free : bool
        Whether the part may shift and turn; False where dowels hold it.

    Raises
    ------
    InputError
        Not the same number of points, none, or values that are not finite.
    """
    p, q = np.asarray(points, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if p.ndim != 2 or p.shape != q.shape or p.shape[1:] != (2,) or len(p) == 0:
        raise InputError(f"patterns of shape {p.shape} and {q.shape} cannot be laid together")
    a = np.broadcast_to(np.asarray(allowed, dtype=np.float64), len(p)).copy()
    if not (np.isfinite(p).all() and np.isfinite(q).all() and np.isfinite(a).all()):
        raise InputError("a pattern needs finite places and clearances")
    if not free:
        errors = p - q
        excess = float((np.hypot(errors[:, 0], errors[:, 1]) - a).max())
        return PatternFit(np.zeros(2), 0.0, errors, a, excess, excess)
    middle = p.mean(axis=0)
    span = max(float(np.hypot(*(p - middle).T).max()), 1e-3)
    best = min(
        (_solve(p - middle, q - middle, a, span, start) for start in _starts(p, q, middle, span)),
        key=lambda x: _excess(x, p - middle, q - middle, a, span),
    )
    angle = best[2] / span
    turned = (p - middle) @ turn_matrix(angle).T
    errors = turned + best[:2] - (q - middle)
    excess = float((np.hypot(errors[:, 0], errors[:, 1]) - a).max())
    shift = best[:2] + middle - turn_matrix(angle) @ middle
    bound = min(excess, _bound(turned, errors, a, excess))
    return PatternFit(shift, math.degrees(angle), errors, a, excess, bound)


def match_pattern(points: Any, reference: Any, reach: float, *, anywhere: bool = False) -> IntArray:
    """Which hole belongs to which place of the reference.

    Parameters
    ----------
    points : (m, 2) float
    reference : (n, 2) float
    reach : float
        Holes farther from their place than this do not belong to it, mm.
    anywhere : bool
        The reference has axes of its own: all shifts and turns are tried (not mirrored), and the
        one taken in which most holes find a place, then the one with the least error.

    Returns
    -------
    (n,) int64
        Number of the hole for each place, -1 for none.
    """
    p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    q = np.asarray(reference, dtype=np.float64).reshape(-1, 2)
    if len(p) == 0 or len(q) == 0:
        return np.full(len(q), -1, dtype=np.int64)
    if not anywhere or len(p) < 2 or len(q) < 2:
        return _nearest(p, q, reach)[0]
    away = np.linalg.norm(q[:, None] - q[None], axis=2)
    best: tuple[tuple[int, float, float], IntArray] | None = None
    # A hole may be missing: each place of the first is tried with the one farthest from it.
    for i in range(min(len(q), 3)):
        j = int(np.argmax(away[i]))
        for k in range(len(p)):
            for other in range(len(p)):
                if k == other or abs(math.dist(p[k], p[other]) - away[i, j]) > 2.0 * reach:
                    continue
                here, there = p[other] - p[k], q[j] - q[i]
                angle = math.atan2(there[1], there[0]) - math.atan2(here[1], here[0])
                angle = (angle + math.pi) % (2.0 * math.pi) - math.pi
                matrix = turn_matrix(angle)
                moved = (p - 0.5 * (p[k] + p[other])) @ matrix.T + 0.5 * (q[i] + q[j])
                found, square = _nearest(moved, q, reach)
                # A regular pattern fits in several turns: the least turn of the best ones counts.
                key = (-int((found >= 0).sum()), round(square, 4), round(abs(angle), 6))
                if best is None or key < best[0]:
                    best = (key, found)
    return np.full(len(q), -1, dtype=np.int64) if best is None else best[1]


def _nearest(p: FloatArray, q: FloatArray, reach: float) -> tuple[IntArray, float]:
    away = np.linalg.norm(q[:, None] - p[None], axis=2)
    rows, columns = linear_sum_assignment(np.minimum(away, 4.0 * reach) ** 2)
    found = np.full(len(q), -1, dtype=np.int64)
    good = away[rows, columns] <= reach
    found[rows[good]] = columns[good]
    return found, float((away[rows, columns][good] ** 2).sum())


def turn_matrix(angle: float) -> FloatArray:
    """(2, 2) turn anticlockwise by an angle, radians."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def _starts(p: FloatArray, q: FloatArray, middle: FloatArray, span: float) -> list[FloatArray]:
    """As it stands, and the place of least squares."""
    here, there = p - middle, q - q.mean(axis=0)
    sine = float((here[:, 0] * there[:, 1] - here[:, 1] * there[:, 0]).sum())
    angle = math.atan2(sine, float((here * there).sum()))
    return [np.zeros(3), np.array([*(q.mean(axis=0) - middle), angle * span])]


def _errors(x: FloatArray, p: FloatArray, q: FloatArray, span: float) -> FloatArray:
    return np.asarray(p @ turn_matrix(x[2] / span).T + x[:2] - q)


def _excess(x: FloatArray, p: FloatArray, q: FloatArray, a: FloatArray, span: float) -> float:
    e = _errors(x, p, q, span)
    return float((np.hypot(e[:, 0], e[:, 1]) - a).max())


def _solve(
    p: FloatArray, q: FloatArray, a: FloatArray, span: float, start: FloatArray
) -> FloatArray:
    """Minimise s with ``|error|**2 <= (s + allowed)**2``; the turn is in mm at the rim."""
    floor = -float(a.min())
    best, least = start, _excess(start, p, q, a, span)
    for _ in range(3):
        size = max(least - floor, 1e-9)  # errors in units of what is to be gained

        def room(y: FloatArray, size: float = size, base: FloatArray = best) -> FloatArray:
            e = _errors(base + size * y[:3], p, q, span) / size
            return np.asarray((y[3] + (a + floor) / size) ** 2 - np.einsum("ij,ij->i", e, e))

        answer = minimize(
            lambda y: y[3],
            np.array([0.0, 0.0, 0.0, 1.0]),
            jac=lambda y: np.array([0.0, 0.0, 0.0, 1.0]),
            method="SLSQP",
            bounds=[(None, None)] * 3 + [(0.0, None)],
            constraints=[{"type": "ineq", "fun": room}],
            options={"maxiter": 300, "ftol": 1e-14},
        )
        if not np.isfinite(answer.x).all():
            break
        there = best + size * answer.x[:3]
        found = _excess(there, p, q, a, span)
        if found >= least - 1e-12:
            break
        best, least = there, found
    return best


def _bound(turned: FloatArray, errors: FloatArray, a: FloatArray, excess: float) -> float:
    """What no place gets below, by weights that balance the errors of the worst holes."""
    distance = np.hypot(errors[:, 0], errors[:, 1])
    floor = -float(a.min())
    if len(a) < 2:
        return floor
    unit = errors / np.where(distance > 0.0, distance, 1.0)[:, None]
    lever = turned[:, 0] * unit[:, 1] - turned[:, 1] * unit[:, 0]
    span = max(float(np.hypot(*turned.T).max()), 1e-3)
    near = distance - a >= excess - 1e-4 * max(1.0, abs(excess))
    rows = np.stack([unit[near, 0], unit[near, 1], lever[near] / span, np.ones(near.sum())])
    weight, _ = nnls(rows * np.array([1e3, 1e3, 1e3, 1.0])[:, None], np.array([0.0, 0.0, 0.0, 1.0]))
    if not weight.sum() > 0.5:
        return floor
    weight = weight / weight.sum()
    # A place at least as good moves each hole by no more than this, so shift and turn are small.
    most = distance + np.maximum(a + excess, 0.0)
    apart = np.linalg.norm(turned[:, None] - turned[None], axis=2)
    i, j = np.unravel_index(int(np.argmax(apart)), apart.shape)
    if apart[i, j] <= 0.0:
        return floor
    angle = math.asin(min(1.0, 0.5 * (most[i] + most[j]) / float(apart[i, j]))) * 2.0
    slide = float(most.min()) + angle * span
    sums = rows[:3] @ weight
    slack = math.hypot(sums[0], sums[1]) * slide + abs(sums[2]) * span * angle
    # A turn shortens the lever by its square: that helps only where errors point outwards.
    outwards = float(weight @ np.einsum("ij,ij->i", turned, unit)[near])
    slack += 0.5 * angle**2 * max(0.0, outwards) + angle**3 / 6.0 * span
    mean = float(weight @ (distance - a)[near])
    return float(max(floor, mean - slack))

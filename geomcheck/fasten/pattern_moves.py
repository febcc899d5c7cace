"""Which holes of a pattern to move, and how far, so that all bolts go in.

The place in which the worst hole is best spreads one bad hole's error over all of them, and would
have every hole moved. For the remedy the part is laid on so that the holes together have the
least to move, the minimum of ``sum(max(0, |error| - allowed))``, which leaves good holes alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import minimize

from geomcheck.fasten.pattern import FloatArray, fit_pattern, turn_matrix

#: Weight of the squares, which only decides between places with equal sums.
EVEN = 1e-3


def least_moves(points: Any, reference: Any, allowed: Any, *, free: bool = True) -> FloatArray:
    """How each hole has to move, mm, in the plane's axes as the part stands.

    Parameters
    ----------
    points, reference : (n, 2) float
        Holes and their places, mm.
    allowed : (n,) or float
        How far each may be off, mm. A hole that the bolt does not pass must be larger, too.
    free : bool
        Whether the part may shift and turn in its joint.

    Returns
    -------
    (n, 2) float64
        Zero for a hole that may stay.

    Raises
    ------
    InputError
        As :func:`geomcheck.fasten.pattern.fit_pattern`.
    """
    p, q = np.asarray(points, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    fit = fit_pattern(p, q, allowed, free=free)
    a = np.maximum(fit.allowed, 0.0)
    errors, angle = fit.errors, np.radians(fit.angle)
    if free and (np.hypot(*errors.T) > a).any():
        errors, angle = _least(p @ turn_matrix(angle).T + fit.shift, q, a, float(angle))
    distance = np.hypot(errors[:, 0], errors[:, 1])
    over = np.where(distance > a + 1e-9, distance - a, 0.0)
    share = over / np.where(distance > 0.0, distance, 1.0)
    # A vector seen in the reference's place is turned back to how the part stands.
    return np.asarray(-(errors * share[:, None]) @ turn_matrix(float(angle)) + 0.0)


def _least(p: FloatArray, q: FloatArray, a: FloatArray, angle: float) -> tuple[FloatArray, float]:
    """Errors and turn where the holes, first laid on as ``p``, have the least to move in all."""
    middle = q.mean(axis=0)
    span = max(float(np.hypot(*(p - middle).T).max()), 1e-3)
    start = np.hypot(*(p - q).T)
    size = float(np.clip(start - a, 0.0, None).max())
    n = len(p)

    def errors(x: FloatArray) -> FloatArray:
        turned = (p - middle) @ turn_matrix(size * x[2] / span).T + middle
        return np.asarray(turned + size * x[:2] - q)

    def room(y: FloatArray) -> FloatArray:
        e = errors(y[:3]) / size
        return np.asarray((y[3:] + a / size) ** 2 - np.einsum("ij,ij->i", e, e))

    def total(y: FloatArray) -> float:
        return float(y[3:].sum() + EVEN * (y[3:] ** 2).sum())

    answer = minimize(
        total,
        np.concatenate([np.zeros(3), np.clip(start - a, 0.0, None) / size]),
        jac=lambda y: np.concatenate([np.zeros(3), 1.0 + 2.0 * EVEN * y[3:]]),
        method="SLSQP",
        bounds=[(None, None)] * 3 + [(0.0, None)] * n,
        constraints=[{"type": "ineq", "fun": room}],
        options={"maxiter": 500, "ftol": 1e-13},
    )
    found = answer.x[:3] if np.isfinite(answer.x).all() else np.zeros(3)
    best = min(
        (np.zeros(3), found),
        key=lambda x: float(np.clip(np.hypot(*errors(x).T) - a, 0.0, None).sum()),
    )
    return errors(best), angle + size * float(best[2]) / span

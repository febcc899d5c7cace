"""Lines along a straight travel: where they meet what moves and what stands, and what follows."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geomcheck.verify.plain.simple import FloatArray, axis_frame

#: Faces that touch are apart or overlap by no more than this, from rounding, mm.
TOUCH = 1e-3
#: Lattices closer than this are not laid out, mm.
FINEST = 0.05


class Run:
    """A straight travel: frame, length, and how much overlap is no obstacle.

    Parameters
    ----------
    direction : (3,) float
    allow : float
        mm.
    length : float
        mm; inf for the last.
    """

    def __init__(self, direction: Any, allow: float, length: float = math.inf) -> None:
        w = np.array(direction, dtype=np.float64)
        w /= np.linalg.norm(w)
        self.frame = np.vstack([axis_frame(w), w])
        self.allow, self.length = allow, length
        self.step = max(allow / math.sqrt(2.0), FINEST)

    @property
    def close(self) -> bool:
        """Whether the lines stand close enough for a proof."""
        return self.step <= self.allow / math.sqrt(2.0) + 1e-12

    def local(self, triangles: FloatArray) -> FloatArray:
        """Triangles across and along the travel; those that stand along it left out."""
        found: FloatArray = triangles @ self.frame.T
        a, b = found[:, 1] - found[:, 0], found[:, 2] - found[:, 0]
        seen = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        return found[np.abs(seen) > 1e-12]


def blocked(
    run: Run,
    lines: tuple[FloatArray, FloatArray],
    a: FloatArray,
    b: FloatArray,
    least: float,
    *,
    solid: bool,
) -> tuple[NDArray[np.bool_], FloatArray]:
    """(n,) lines on which the mover meets the other, and the other's height there.

    Parameters
    ----------
    run : Run
    lines : pair of (n,) float
        Where they stand, across the travel.
    a, b : (m, 3, 3) float
        Mover and other, in the run's coordinates.
    least : float
        Overlap up to this is none, mm.
    solid : bool
        Both have an inside.
    """
    x, y = lines
    high_a, up = heights(a, x, y)
    high_b, down = heights(b, x, y)
    if math.isinf(run.length):
        foot = np.min(high_a, axis=1, initial=np.inf, where=~np.isnan(high_a))
        top = np.max(high_b, axis=1, initial=-np.inf, where=~np.isnan(high_b))
        met = top - foot > least
        if solid:
            # Thin metal ahead: what looks forward of the one runs into what looks back.
            foot = np.min(high_a, axis=1, initial=np.inf, where=~np.isnan(high_a) & up)
            back = np.max(high_b, axis=1, initial=-np.inf, where=~np.isnan(high_b) & ~down)
            met |= back - foot > TOUCH
        return met, top
    met, top = np.zeros(len(x), dtype=bool), np.zeros(len(x))
    for k in range(high_a.shape[1]):
        ahead = high_b - high_a[:, k, None]
        inside = (ahead > least) & (ahead < run.length)
        if solid:
            inside |= (up[k] & ~down) & (ahead > TOUCH) & (ahead < run.length)
        any_met = inside.any(axis=1)
        top = np.where(any_met & ~met, np.take_along_axis(
            high_b, inside.argmax(axis=1)[:, None], axis=1)[:, 0], top)  # fmt: skip
        met |= any_met
    return met, top


def heights(tri: FloatArray, x: FloatArray, y: FloatArray) -> tuple[FloatArray, Any]:
    """(lines, m) heights at which lines meet triangles, NaN where they do not; who looks up."""
    p, q, r = (tri[:, k, :2] for k in range(3))
    seen = (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])
    across, along = x[:, None], y[:, None]

    def share(s: FloatArray, e: FloatArray) -> FloatArray:
        found: FloatArray = (
            (e[:, 0] - s[:, 0]) * (along - s[:, 1]) - (e[:, 1] - s[:, 1]) * (across - s[:, 0])
        ) / seen
        return found

    first, second, third = share(q, r), share(r, p), share(p, q)
    inside = (first >= 0.0) & (second >= 0.0) & (third >= 0.0)
    level = first * tri[:, 0, 2] + second * tri[:, 1, 2] + third * tri[:, 2, 2]
    return np.where(inside, level, np.nan), seen > 0.0

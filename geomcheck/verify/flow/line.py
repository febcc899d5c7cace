"""The line of a duct anew: the smooth curve through its points, its length and its directions.

A path that the project file gives is the cubic spline through its points over the square root of
the chord (E. T. Y. Lee, 1989), its third derivative the same on both sides of the second and the
last but one point; points on a straight line give that line. A path that was found by itself is
taken from the points and lengths that the result writes of it.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from scipy.interpolate import make_interp_spline

from geomcheck.verify.plain.simple import FloatArray, IntArray

#: Steps between two points of the curve, for its length.
STEPS = 400
#: Points of a found path nearer than this (mm) do not tell its direction: they are rounded.
APART = 1.0


class Line:
    """A curve by its length.

    Parameters
    ----------
    q : (n,) float
        Parameter at each point, rising.
    points : (n, 3) float
        mm.
    """

    def __init__(self, q: FloatArray, points: FloatArray) -> None:
        self._curve: Any = make_interp_spline(q, points, k=min(3, len(q) - 1))
        self._rate: Any = self._curve.derivative()
        parts = [np.linspace(a, b, STEPS, endpoint=False) for a, b in itertools.pairwise(q)]
        fine = np.append(np.concatenate(parts), q[-1])
        # Simpson's rule on each small step.
        ends = np.linalg.norm(self._rate(fine), axis=1)
        middle = np.linalg.norm(self._rate(0.5 * (fine[1:] + fine[:-1])), axis=1)
        small = np.diff(fine) / 6.0 * (ends[:-1] + 4.0 * middle + ends[1:])
        self._q = fine
        self._s: FloatArray = np.concatenate([[0.0], np.cumsum(small)])
        self.length = float(self._s[-1])

    @classmethod
    def through(cls, points: Any) -> Line:
        """The curve through the points of a project file."""
        p = np.array(points, dtype=np.float64)
        chord = p[-1] - p[0]
        along = (p - p[0]) @ chord / np.linalg.norm(chord)
        off = p - p[0] - np.outer(along, chord) / np.linalg.norm(chord)
        scale = float(np.abs(p - p[0]).max())
        if (np.diff(along) > 0.0).all() and np.linalg.norm(off, axis=1).max() < 1e-9 * scale:
            return cls(np.array([0.0, 1.0]), p[[0, -1]])
        step = np.sqrt(np.linalg.norm(np.diff(p, axis=0), axis=1))
        return cls(np.concatenate([[0.0], np.cumsum(step)]), p)

    @classmethod
    def told(cls, s: Any, points: Any) -> Line:
        """The curve through points that a result gives, with their lengths."""
        at, p = np.array(s, dtype=np.float64), np.array(points, dtype=np.float64)
        kept = [0]
        for k in range(1, len(at)):
            if at[k] - at[kept[-1]] >= APART:
                kept.append(k)
        if kept[-1] != len(at) - 1:
            # The last point ends it; what lies just before gives way.
            if len(kept) > 1 and at[-1] - at[kept[-1]] < APART:
                kept.pop()
            kept.append(len(at) - 1)
        return cls(at[kept], p[kept])

    def _at(self, s: Any) -> FloatArray:
        clipped = np.clip(np.asarray(s, dtype=np.float64), 0.0, self.length)
        q: FloatArray = np.interp(clipped, self._s, self._q)
        return q

    def point(self, s: Any) -> FloatArray:
        """(..., 3) points, mm, at lengths ``s``."""
        found: FloatArray = np.asarray(self._curve(self._at(s)))
        return found

    def ahead(self, s: Any) -> FloatArray:
        """(..., 3) unit directions at lengths ``s``."""
        rate = np.asarray(self._rate(self._at(s)))
        unit: FloatArray = rate / np.linalg.norm(rate, axis=-1, keepdims=True)
        return unit

    def frames(self, s: FloatArray) -> FloatArray:
        """(n, 2, 3) axes across the line that turn with it no more than they must.

        Carried along in small steps: what of the last axis lies across the next direction.
        """
        count = max(2, int(np.ceil(2.0 * self.length)))
        places = np.unique(np.concatenate([np.linspace(0.0, self.length, count), s]))
        ahead = self.ahead(places)
        axis = np.eye(3)[int(np.argmin(np.abs(ahead[0])))]
        out = np.empty((len(places), 2, 3))
        for k, unit in enumerate(ahead):
            axis = axis - (axis @ unit) * unit
            axis /= np.linalg.norm(axis)
            out[k] = axis, np.cross(unit, axis)
        rows: IntArray = np.searchsorted(places, s)
        found: FloatArray = out[rows]
        return found

    def turned(self, begin: float, end: float) -> float:
        """Degrees by which the line turns from one place to another, bends added up."""
        unit = self.ahead(np.linspace(begin, end, max(3, int(np.ceil(4.0 * abs(end - begin))))))
        cosine = np.clip((unit[1:] * unit[:-1]).sum(axis=1), -1.0, 1.0)
        sine = np.linalg.norm(np.cross(unit[1:], unit[:-1]), axis=1)
        return float(np.degrees(np.arctan2(sine, cosine).sum()))

    def nearest(self, point: Any) -> tuple[float, float]:
        """Length at the point of the line nearest to a point, and its distance."""
        where = np.asarray(point, dtype=np.float64)
        s = np.linspace(0.0, self.length, max(3, int(np.ceil(2.0 * self.length))))
        for _ in range(3):
            off = np.linalg.norm(self.point(s) - where, axis=1)
            k = int(np.argmin(off))
            s = np.linspace(s[max(k - 1, 0)], s[min(k + 1, len(s) - 1)], 41)
        off = np.linalg.norm(self.point(s) - where, axis=1)
        return float(s[np.argmin(off)]), float(off.min())

"""The flow path: a smooth curve through given points, its length, tangent and frame."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from geomcheck.errors import InputError

FloatArray: TypeAlias = NDArray[np.float64]

#: A turn sharper than this at one path point is a reversal, not a bend (degrees).
SHARPEST_TURN = 150.0
#: Pieces each span between two points is cut into for arc length and frames.
_PIECES = 32
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(5)


class FlowPath:
    """A smooth curve through points, inlet first.

    Collinear points give the exact straight line from the first to the last. Other points give a
    C2 cubic spline (not-a-knot ends) over the centripetal parameter, the square root of the chord
    (E. T. Y. Lee, 1989, "Choosing nodal parametrization in curve interpolation"), which does not
    loop or overshoot where the points are unevenly spaced.

    Parameters
    ----------
    points : (n, 3) float
        mm, inlet first; n >= 2.

    Attributes
    ----------
    points : (n, 3) float64
    length : float
        Arc length, mm.
    straight : bool

    Raises
    ------
    InputError
        Fewer than two points, a coordinate that is not finite, a point given twice in a row, or a
        turn of more than ``SHARPEST_TURN`` degrees at a point.

    Examples
    --------
    >>> path = FlowPath([(0, 0, 0), (0, 0, 30), (0, 0, 100)])
    >>> path.length, path.straight
    (100.0, True)
    """

    def __init__(self, points: Any) -> None:
        self.points: FloatArray = _checked(points)
        first, last = self.points[0], self.points[-1]
        chord = last - first
        span = float(np.linalg.norm(chord))
        along = (self.points - first) @ chord / span if span > 0 else np.zeros(len(self.points))
        off = self.points - first - np.outer(along, chord / span if span > 0 else chord)
        far = float(np.abs(self.points - first).max())
        self.straight = bool(
            span > 0
            and (np.diff(along) > 0).all()
            and np.linalg.norm(off, axis=1).max() < 1e-9 * far
        )
        if self.straight:
            self._tangent = chord / span
            self._u = _across(self._tangent)
            self.length = span
        else:
            self._fit()

    def _fit(self) -> None:
        steps = np.sqrt(np.linalg.norm(np.diff(self.points, axis=0), axis=1))
        knots = np.concatenate([[0.0], np.cumsum(steps)])
        self._curve = CubicSpline(knots, self.points, bc_type="not-a-knot")
        self._speed = self._curve.derivative()
        self._bend = self._speed.derivative()
        parts = np.arange(_PIECES) / _PIECES
        self._q = np.append((knots[:-1, None] + parts * np.diff(knots)[:, None]).ravel(), knots[-1])
        lengths = self._arc(self._q[:-1], self._q[1:])
        if lengths.min() < 1e-9 * lengths.max():
            raise InputError(
                "the smooth curve through the path points stops and turns back",
                remedy="give more points where the path bends",
            )
        self._s = np.concatenate([[0.0], np.cumsum(lengths)])
        self.length = float(self._s[-1])
        speed = self._speed(self._q)
        self._t = speed / np.linalg.norm(speed, axis=1)[:, None]
        where = self._curve(self._q)
        frames = np.empty_like(where)
        frames[0] = _across(self._t[0])
        for i in range(1, len(where)):
            frames[i] = _reflected(
                where[i - 1 : i], self._t[i - 1 : i], frames[i - 1 : i], where[i : i + 1],
                self._t[i : i + 1],
            )[0]  # fmt: skip
        self._u_table = frames
        kappa = self._kappa(self._q)
        self._turn = np.concatenate([[0.0], np.cumsum(0.5 * (kappa[1:] + kappa[:-1]) * lengths)])

    def _arc(self, begin: FloatArray, end: FloatArray) -> FloatArray:
        """Arc length between parameters, by five-point Gauss quadrature."""
        half = 0.5 * (end - begin)
        q = 0.5 * (end + begin)[:, None] + half[:, None] * _GAUSS_X
        speed = np.linalg.norm(self._speed(q), axis=2)
        return np.asarray(half * (speed @ _GAUSS_W))

    def _kappa(self, q: FloatArray) -> FloatArray:
        first, second = self._speed(q), self._bend(q)
        speed = np.linalg.norm(first, axis=1)
        return np.asarray(np.linalg.norm(np.cross(first, second), axis=1) / speed**3)

    def _locate(self, s: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
        """Parameter at arc length ``s``, and the table row at or before it."""
        row = np.clip(np.searchsorted(self._s, s, side="right") - 1, 0, len(self._s) - 2)
        rest = s - self._s[row]
        width = self._s[row + 1] - self._s[row]
        q = self._q[row] + rest / width * (self._q[row + 1] - self._q[row])
        for _ in range(4):
            error = self._arc(self._q[row], q) - rest
            q = q - error / np.linalg.norm(self._speed(q), axis=1)
        return q, row

    def frames(self, s: Any) -> FloatArray:
        """Cutting frames at arc lengths ``s``.

        Returns
        -------
        (m, 12) float64
            Per station: origin, u, v, tangent; u x v = tangent. u and v do not rotate about the
            tangent from station to station: double reflection (W. Wang, B. Juttler, D. Zheng,
            Y. Liu, 2008, "Computation of rotation minimizing frames", ACM TOG 27(1)).
        """
        s = np.clip(np.atleast_1d(np.asarray(s, dtype=np.float64)), 0.0, self.length)
        out = np.empty((len(s), 12))
        if self.straight:
            out[:, 0:3] = self.points[0] + s[:, None] * self._tangent
            out[:, 3:6] = self._u
            out[:, 9:12] = self._tangent
        else:
            q, row = self._locate(s)
            speed = self._speed(q)
            tangent = speed / np.linalg.norm(speed, axis=1)[:, None]
            out[:, 0:3] = self._curve(q)
            table = self._curve(self._q[row])
            u = _reflected(table, self._t[row], self._u_table[row], out[:, 0:3], tangent)
            u -= (u * tangent).sum(axis=1)[:, None] * tangent
            out[:, 3:6] = u / np.linalg.norm(u, axis=1)[:, None]
            out[:, 9:12] = tangent
        out[:, 6:9] = np.cross(out[:, 9:12], out[:, 3:6])
        return out

    def curvature(self, s: Any) -> FloatArray:
        """(m,) curvature, 1/mm, at arc lengths ``s``."""
        s = np.clip(np.atleast_1d(np.asarray(s, dtype=np.float64)), 0.0, self.length)
        if self.straight:
            return np.zeros(len(s))
        return self._kappa(self._locate(s)[0])

    def turning(self, s: Any) -> FloatArray:
        """(m,) total turning of the tangent from the inlet to ``s``, radians (never falls)."""
        s = np.atleast_1d(np.asarray(s, dtype=np.float64))
        if self.straight:
            return np.zeros(len(s))
        return np.asarray(np.interp(s, self._s, self._turn))


def _checked(points: Any) -> FloatArray:
    p = np.array(points, dtype=np.float64)
    if p.ndim != 2 or p.shape[1] != 3 or len(p) < 2:
        raise InputError(
            f"a path needs two or more points (x, y, z), not an array of shape {p.shape}",
            remedy="give the points of the duct's centre line in order, inlet first",
        )
    if not np.isfinite(p).all():
        row = int(np.flatnonzero(~np.isfinite(p).all(axis=1))[0])
        raise InputError(f"path point {row + 1} has a coordinate that is not finite")
    chords = np.diff(p, axis=0)
    lengths = np.linalg.norm(chords, axis=1)
    scale = float(np.abs(p).max())
    if (lengths <= 1e-9 * scale).any():
        row = int(np.flatnonzero(lengths <= 1e-9 * scale)[0])
        raise InputError(
            f"path points {row + 1} and {row + 2} are the same point",
            remedy="give every point of the path once",
        )
    unit = chords / lengths[:, None]
    cosine = (unit[1:] * unit[:-1]).sum(axis=1)
    turn = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    if (turn > SHARPEST_TURN).any():
        row = int(np.flatnonzero(turn > SHARPEST_TURN)[0])
        raise InputError(
            f"the path turns back by {turn[row]:.0f} degrees at point {row + 2}",
            remedy="give the points in the order of the flow, with more of them in a tight bend",
        )
    return p


def _across(tangent: FloatArray) -> FloatArray:
    """A unit vector across the tangent; the same for the same tangent."""
    axis = np.zeros(3)
    axis[int(np.argmin(np.abs(tangent)))] = 1.0
    u = axis - (axis @ tangent) * tangent
    return np.asarray(u / np.linalg.norm(u))


def _reflected(
    x0: FloatArray, t0: FloatArray, u0: FloatArray, x1: FloatArray, t1: FloatArray
) -> FloatArray:
    """Carry u0 from (x0, t0) to (x1, t1) by two reflections (Wang et al. 2008, table I)."""
    v1 = x1 - x0
    c1 = np.maximum((v1 * v1).sum(axis=1), 1e-300)[:, None]
    u_l = u0 - 2.0 / c1 * (v1 * u0).sum(axis=1)[:, None] * v1
    t_l = t0 - 2.0 / c1 * (v1 * t0).sum(axis=1)[:, None] * v1
    v2 = t1 - t_l
    c2 = np.maximum((v2 * v2).sum(axis=1), 1e-300)[:, None]
    carried = u_l - 2.0 / c2 * (v2 * u_l).sum(axis=1)[:, None] * v2
    still = (v1 * v1).sum(axis=1) < 1e-16
    return np.asarray(np.where(still[:, None], u0, carried))

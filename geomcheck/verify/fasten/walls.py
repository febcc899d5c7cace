"""A round hole where a finding says that one is: its wall's corners, and a circle through them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.verify.fasten.axis import View
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.simple import FloatArray

#: Corners of a wall lie on its circle within this share of the radius and so many mm.
SHARE, ROUNDING = 0.04, 0.01
#: A wall's facets lean no more than this to its axis (sine), and it is round over this turn.
LEAN, TURN = 0.2, 300.0
#: What a wall reaches beyond the heights asked for still belongs to it, mm.
REACH = 0.05


@dataclass(frozen=True, eq=False)
class Wall:
    """A round wall about a line.

    Parameters
    ----------
    radius, spread : float
        Of the circle through its corners, and how far these lie off it, mm.
    point : (3,) float
        Where its axis passes the place asked for.
    axis : (3,) float
        Unit vector, along the direction asked for.
    low, high : float
        Its heights above the place, mm.
    nearest : float
        Least distance of its facets from its axis, mm.
    """

    radius: float
    spread: float
    point: FloatArray
    axis: FloatArray
    low: float
    high: float
    nearest: float

    @property
    def slack(self) -> float:
        """How far radius and place may differ from another fit of the same corners, mm."""
        return 1e-3 + 3.0 * self.spread

    def off(self, point: Any) -> float:
        """Distance of a point from the axis, mm."""
        away = np.array(point) - self.point
        return float(np.linalg.norm(away - (away @ self.axis) * self.axis))


def wall_at(
    body: Body,
    point: Any,
    axis: Any,
    low: float,
    high: float,
    radius: float | None = None,
    *,
    off: float = 0.0,
) -> Wall | None:
    """The round wall about a line, between two heights above a point of it; None without one.

    Parameters
    ----------
    body : Body
    point, axis : (3,) float
        Of the line; unit direction.
    low, high : float
        mm above the point; the wall comes at least in part between them.
    radius : float, optional
        Of the wall looked for, mm; else the one nearest to the line.
    off : float
        How far its axis may pass from the line, mm.
    """
    reach = 25.0 if radius is None else 1.1 * radius + 1.0 + off
    about = View({"": body}, point, axis, reach)
    tri = about.parts[""]
    rows = _facing(tri) & (tri[:, :, 2].max(axis=1) > low) & (tri[:, :, 2].min(axis=1) < high)
    tri = tri[rows]
    if not len(tri):
        return None
    away = np.hypot(tri[:, :, 0], tri[:, :, 1])
    if radius is None:
        radius = float(away.max(axis=1).min())
    mine = np.abs(away - radius).max(axis=1) <= SHARE * radius + ROUNDING + off
    tri = tri[mine]
    corners = np.unique(np.round(tri.reshape(-1, 3), 7), axis=0)
    if off > 0.0 and len(corners) >= 6:
        x, y, _ = _circle(corners)
        return wall_at(body, about.place(x, y, 0.0), axis, low, high, radius)
    # A wall is cut off nowhere: all of its rims count, and both ends by themselves.
    if len(corners) < 6 or _gap(corners) > 360.0 - TURN + 1.0:
        return None
    middle = 0.5 * (corners[:, 2].min() + corners[:, 2].max())
    ends = [corners[corners[:, 2] < middle], corners[corners[:, 2] >= middle]]
    if min(len(end) for end in ends) < 3:
        return None
    circles = [_circle(end) for end in ends]
    heights = [float(end[:, 2].mean()) for end in ends]
    rise = heights[1] - heights[0]
    slope = (circles[1][:2] - circles[0][:2]) / rise
    start = circles[0][:2] - heights[0] * slope
    local = np.array([*slope, 1.0]) / math.hypot(*slope, 1.0)
    away = corners - np.array([*start, 0.0])
    away = np.linalg.norm(away - (away @ local)[:, None] * local, axis=1)
    fitted = float(away.mean())
    spread = float(np.sqrt(np.mean((away - fitted) ** 2)))
    turned = View(
        {"": body}, about.place(start[0], start[1], 0.0), local @ about.frame, 1.1 * fitted
    )
    ends_at = float(corners[:, 2].min()), float(corners[:, 2].max())
    nearest = turned.nearest(ends_at[0] + REACH, ends_at[1] - REACH)[0]
    return Wall(fitted, spread, turned.at, turned.axis, *ends_at, nearest)


def _facing(tri: FloatArray) -> Any:
    """Whether triangles face the line, and stand along it."""
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    size = np.linalg.norm(normal, axis=1)
    towards = np.einsum("ij,ij->i", normal[:, :2], tri[:, :, :2].mean(axis=1)) < 0.0
    return (size > 0.0) & towards & (np.abs(normal[:, 2]) <= LEAN * size)


def _gap(corners: FloatArray) -> float:
    """Greatest turn between corners, degrees."""
    angle = np.sort(np.degrees(np.arctan2(corners[:, 1], corners[:, 0])))
    return float(np.diff(angle, append=angle[0] + 360.0).max())


def _circle(corners: FloatArray) -> FloatArray:
    """Centre and radius of the circle nearest to corners, by least squares of its equation."""
    flat = corners[:, :2]
    system = np.column_stack([2.0 * flat, np.ones(len(flat))])
    x, y, rest = np.linalg.lstsq(system, (flat**2).sum(axis=1), rcond=None)[0]
    return np.array([x, y, math.sqrt(max(rest + x * x + y * y, 0.0))])

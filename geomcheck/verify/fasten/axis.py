"""Parts seen along a straight line: metal beside it, metal over it, surfaces it meets.

Coordinates are x and y square to the line and the height along it, mm. Everything is worked out
over all triangles that come near the line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import copy
from typing import Any

import numpy as np

from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.simple import FloatArray, axis_frame, to_segments
from geomcheck.verify.scene import Scene

#: Halvings until a height is found: a span of a metre to less than a rounding.
HALVINGS = 60
#: Triangles measured in one go.
SHARE = 256


class View:
    """Some parts of a vehicle, seen along a line.

    Parameters
    ----------
    bodies : mapping of names to Body
    at, axis : (3,) float
        A point of the line, from which heights count, and its unit direction.
    radius : float
        Triangles that come nowhere nearer to the line than this are left out, mm.
    slack : mapping of names to float
        How far a part's true surface may stand off its facets, as declared, mm.
    """

    def __init__(
        self,
        bodies: Mapping[str, Body],
        at: Any,
        axis: Any,
        radius: float,
        slack: Mapping[str, float] | None = None,
    ) -> None:
        self.at, self.axis = np.array(at, dtype=np.float64), np.array(axis, dtype=np.float64)
        self.frame = np.vstack([axis_frame(self.axis), self.axis])
        self.bodies = bodies
        self.slack = {name: (slack or {}).get(name, 0.0) for name in bodies}
        self.parts: dict[str, FloatArray] = {}
        # The nearest balls first; how near, and the least and greatest height of each triangle.
        self._floors: dict[str, FloatArray] = {}
        self._ends: dict[str, tuple[FloatArray, FloatArray]] = {}
        for name, body in bodies.items():
            rows, least = body.near_line(self.at, self.frame, radius)
            order = np.argsort(least, kind="stable")
            local: FloatArray = (body.triangles[rows[order]] - self.at) @ self.frame.T
            self.parts[name], self._floors[name] = local, least[order]
            self._ends[name] = local[:, :, 2].min(axis=1), local[:, :, 2].max(axis=1)

    def nearest(
        self, low: float, high: float, names: Iterable[str] | None = None, *, loose: bool = False
    ) -> tuple[float, str]:
        """Least distance of metal from the line between two heights, and whose it is.

        With ``loose`` every part is moved towards the line by its declared sagitta.
        """
        best, whose = np.inf, ""
        for name in self.parts if names is None else names:
            more = self.slack[name] if loose else 0.0
            tri, least = self.parts[name], self._floors[name]
            bottom, top = self._ends[name]
            rows = np.flatnonzero((top >= low - more) & (bottom <= high + more))
            for begin in range(0, len(rows), SHARE):
                share = rows[begin : begin + SHARE]
                # Where the next is farther off than what was found, so are all others.
                if least[share[0]] - more >= best:
                    break
                found = float(beside(tri[share], low - more, high + more).min()) - more
                if found < best:
                    best, whose = found, name
        return best, whose

    def lowest(
        self,
        radius: float,
        floor: float,
        names: Iterable[str] | None = None,
        *,
        loose: bool = False,
    ) -> tuple[float, str]:
        """Least height at or above ``floor`` of metal within a radius of the line, and whose."""
        best, whose = np.inf, ""
        for name in self.parts if names is None else names:
            more = self.slack[name] if loose else 0.0
            found = over(self.parts[name], radius + more, floor) - more
            if found < best:
                best, whose = found, name
        return best, whose

    def holder(self, height: float, names: Iterable[str] | None = None) -> str | None:
        """The closed part in whose material the line lies at a height."""
        return self.holder_of(self.at + height * self.axis, names)

    def holder_of(self, point: FloatArray, names: Iterable[str] | None = None) -> str | None:
        """The closed part in whose material a point lies."""
        for name in self.bodies if names is None else names:
            body = self.bodies[name]
            if body.closed and body.holds(point):
                return name
        return None

    def shifted(self, by: FloatArray) -> View:
        """The same with all metal moved by a way in the view's own axes, mm."""
        found = copy(self)
        found.parts = {name: tri + by for name, tri in self.parts.items()}
        far = float(np.hypot(by[0], by[1]))
        found._floors = {n: np.maximum(one - far, 0.0) for n, one in self._floors.items()}
        found._ends = {n: (a + by[2], b + by[2]) for n, (a, b) in self._ends.items()}
        return found

    def place(self, x: float, y: float, height: float) -> FloatArray:
        """A point in the housing frame."""
        found: FloatArray = self.at + np.array([x, y, height]) @ self.frame
        return found


def view(
    scene: Scene,
    vehicle: str,
    at: Any,
    axis: Any,
    radius: float,
    *,
    keep: str | None = None,
    names: Iterable[str] | None = None,
) -> View:
    """A vehicle's parts about a line, those ``open_for_tools`` left out but for ``keep``.

    With ``names`` these parts, whatever they are.
    """
    chosen = names
    if chosen is None:
        chosen = [
            name
            for name in scene.names(vehicle)
            if name == keep or not scene.entry(vehicle, name)[0].open_for_tools
        ]
    chosen = list(chosen)
    slack = {name: scene.entry(vehicle, name)[0].sagitta or 0.0 for name in chosen}
    return View({n: scene.body(vehicle, n) for n in chosen}, at, axis, radius, slack)


def beside(triangles: FloatArray, low: Any, high: Any) -> FloatArray:
    """(m,) least distance from the line of each triangle between two heights; inf where none."""
    m = len(triangles)
    low, high = np.broadcast_to(low, m), np.broadcast_to(high, m)
    best = np.full(m, np.inf)
    heights = triangles[:, :, 2]
    rows = np.flatnonzero((heights.max(axis=1) >= low) & (heights.min(axis=1) <= high))
    if not len(rows):
        return best
    tri, low, high = triangles[rows], low[rows], high[rows]
    zero = np.zeros((len(rows), 2))
    found = np.full(len(rows), np.inf)
    cuts: list[list[tuple[FloatArray, Any]]] = [[], []]
    for k in range(3):
        a, b = tri[:, k], tri[:, (k + 1) % 3]
        rise = b[:, 2] - a[:, 2]
        flat = rise == 0.0
        safe = np.where(flat, 1.0, rise)
        at_low, at_high = (low - a[:, 2]) / safe, (high - a[:, 2]) / safe
        begin = np.where(flat, 0.0, np.clip(np.minimum(at_low, at_high), 0.0, 1.0))
        end = np.where(flat, 1.0, np.clip(np.maximum(at_low, at_high), 0.0, 1.0))
        inside = (np.minimum(a[:, 2], b[:, 2]) <= high) & (np.maximum(a[:, 2], b[:, 2]) >= low)
        p = a[:, :2] + begin[:, None] * (b - a)[:, :2]
        q = a[:, :2] + end[:, None] * (b - a)[:, :2]
        found = np.where(inside, np.minimum(found, to_segments(zero, p, q)), found)
        for side, t in enumerate((at_low, at_high)):
            cuts[side].append((a[:, :2] + t[:, None] * (b - a)[:, :2], ~flat & (t >= 0) & (t <= 1)))
    for crossed in cuts:
        for k in range(3):
            (p, has_p), (q, has_q) = crossed[k], crossed[(k + 1) % 3]
            both = has_p & has_q
            found[both] = np.minimum(found[both], to_segments(zero[both], p[both], q[both]))
    met, height = pierced(tri)
    found[met & (height >= low) & (height <= high)] = 0.0
    best[rows] = found
    return best


def pierced(triangles: FloatArray, x: float = 0.0, y: float = 0.0) -> tuple[Any, FloatArray]:
    """(m,) whether the line through (x, y) meets each triangle, and at what height."""
    a, b, c = (triangles[:, k] - np.array([x, y, 0.0]) for k in range(3))

    def turn(p: FloatArray, q: FloatArray) -> FloatArray:
        crossed: FloatArray = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
        return crossed

    parts = np.stack([turn(b, c), turn(c, a), turn(a, b)])
    total = parts.sum(axis=0)
    met = ((parts >= 0.0).all(axis=0) | (parts <= 0.0).all(axis=0)) & (total != 0.0)
    share = parts / np.where(total == 0.0, 1.0, total)
    return met, share[0] * a[:, 2] + share[1] * b[:, 2] + share[2] * c[:, 2]


def over(triangles: FloatArray, radius: float, floor: float) -> float:
    """Least height of triangles within a radius of the line, at or above ``floor``, by halving."""
    low = np.maximum(triangles[:, :, 2].min(axis=1, initial=np.inf), floor)
    high = triangles[:, :, 2].max(axis=1, initial=-np.inf)
    rows = np.flatnonzero((high >= floor) & (beside(triangles, floor, high) <= radius))
    best = np.inf
    # The lowest first: most of the others need not be looked at.
    for row in rows[np.argsort(low[rows], kind="stable")]:
        if low[row] >= best:
            break
        one, least, most = triangles[row : row + 1], low[row], high[row]
        if float(beside(one, floor, least)[0]) <= radius:
            most = least
        for _ in range(HALVINGS):
            if most - least < 1e-9 or least >= best:
                break
            middle = 0.5 * (least + most)
            if float(beside(one, floor, middle)[0]) <= radius:
                most = middle
            else:
                least = middle
        best = min(best, float(most))
    return best

"""Re-check of the largest ball that gets through a duct: where it sticks, a way for it, no other.

No distance changes faster than its point moves. So a ball goes along a straight line if at either
end of each small step more room is left than the step is long; and of a plane that the ball must
cross, a lattice of points tells the most room there is anywhere on it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.area import same_limit
from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray, distance_to, to_triangles
from geomcheck.verify.witness import on_part

#: Points of one figure, from the distance told, mm.
NEAR = 1e-3
#: Lattice of a plane that the ball must cross, in diameters of the ball; steps of its way, mm.
FINE, STEP = 0.02, 2.0
#: Halvings of one step of the way, at most.
HALVINGS = 6


def ball(finding: Finding, duct: Duct) -> Iterator[Claim]:
    """The largest ball: what it touches where it sticks, that it gets there, and no larger one."""
    yield from same_limit(finding, duct.entry.least_ball)
    quantity, need = finding.quantity, finding.requirement
    if quantity is None or need is None or not finding.witnesses:
        yield left_open("ball", "the finding has no number")
        return
    sticks, *touched = finding.witnesses
    middle = np.array(sticks.point)
    room = _Room(duct)
    least = 2.0 * room.at(middle)
    slack = NEAR + quantity.high - quantity.low
    words = f"{least:.4f} mm over all parts against {quantity.value:.4f} mm"
    yield confirm("ball where it sticks", abs(least - quantity.value) <= slack, words)
    meshes = dict(zip(duct.names, (*duct.walls, *duct.others), strict=True))
    for one in touched:
        yield on_part(one, meshes[one.part])
        off = 2.0 * float(np.linalg.norm(np.array(one.point) - middle))
        words = f"{off:.4f} mm across from there"
        yield confirm(f"touches {one.part}", abs(off - quantity.value) <= slack, words)
    if finding.verdict is not Verdict.FAIL:
        yield _gets_through(duct, room, middle, min(quantity.value, need.limit))
    if finding.verdict is not Verdict.PASS:
        yield _no_larger(duct, room, middle, max(quantity.high, need.limit))
    elif quantity.value > need.limit:
        yield _no_larger(duct, room, middle, quantity.high)


class _Room:
    """Distances from all the walls and obstacles of a duct."""

    def __init__(self, duct: Duct) -> None:
        self._all: FloatArray = np.concatenate([*duct.walls, *duct.others])

    def at(self, point: FloatArray) -> float:
        return distance_to(point, self._all)

    def over(self, points: FloatArray, reach: float) -> FloatArray:
        """Distances from what lies within ``reach`` of any of them; at least that beyond."""
        low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
        near = (self._all.max(axis=1) >= low) & (self._all.min(axis=1) <= high)
        close = self._all[near.all(axis=1)]
        found = np.full(len(points), reach)
        for k, point in enumerate(points):
            if len(close):
                away = to_triangles(np.broadcast_to(point, (len(close), 3)), close).min()
                found[k] = min(reach, float(away))
        return found


def _next(row: Station, here: FloatArray, radius: float) -> FloatArray | None:
    """The place in a section nearest to where the ball is, with its radius left to the outline."""
    flat = shapely.Point((here - row.point) @ row.frame.T)
    free = shapely.buffer(row.open, -radius)
    if free.is_empty:
        return None
    nearest = shapely.get_coordinates(shapely.shortest_line(free, flat))[:1]
    found: FloatArray = row.space(nearest)[0]
    return found


def _gets_through(duct: Duct, room: _Room, middle: FloatArray, size: float) -> Claim:
    """That a ball of a size goes from end to end, by way of where the largest one sticks."""
    what, radius = "way of the ball", 0.5 * size
    s, _ = duct.line.nearest(middle)
    ahead = np.arange(s, duct.line.length, STEP)[1:]
    back = np.arange(s, 0.0, -STEP)[1:]
    steps = 0
    for places in (ahead, back):
        here = middle
        rows = duct.along(np.sort(places)) if len(places) else ()
        for row in rows if places is ahead else rows[::-1]:
            if row.state != "measured":
                break
            there = _next(row, here, radius)
            if there is None or not _clear(room, here, there, radius):
                words = f"a ball of {size:.3f} mm finds no simple way at {row.s:.1f} mm"
                return left_open(what, words)
            here, steps = there, steps + 1
    return confirm(what, steps > 0, f"a ball of {size:.3f} mm goes by {steps} steps")


def _clear(room: _Room, a: FloatArray, b: FloatArray, radius: float, depth: int = 0) -> bool:
    """Whether a ball goes straight from a to b."""
    length = float(np.linalg.norm(b - a))
    ends = room.at(a), room.at(b)
    if min(ends) < radius - NEAR:
        return False
    if sum(ends) - length >= 2.0 * (radius - NEAR):
        return True
    if depth == HALVINGS:
        return False
    half = 0.5 * (a + b)
    return _clear(room, a, half, radius, depth + 1) and _clear(room, half, b, radius, depth + 1)


def _no_larger(duct: Duct, room: _Room, middle: FloatArray, size: float) -> Claim:
    """That nowhere on the plane across the duct where it sticks there is room for a larger one."""
    s, _ = duct.line.nearest(middle)
    row = duct.at(s)
    if row.open.is_empty:
        return left_open("no larger ball", f"the section at {s:.2f} mm does not close")
    step = FINE * size
    low_x, low_y, high_x, high_y = row.open.bounds
    x, y = np.arange(low_x, high_x + step, step), np.arange(low_y, high_y + step, step)
    flat = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    # No room can be larger than the way to the outline in the plane.
    away = shapely.distance(shapely.boundary(row.open), shapely.points(flat))
    inside = shapely.contains_xy(row.open, flat[:, 0], flat[:, 1])
    flat = flat[inside & (away >= 0.5 * size - step)]
    most = 0.0
    if len(flat):
        most = 2.0 * float(room.over(row.space(flat), size).max())
    # Between the points of the lattice there may be more by half its diagonal.
    most += step * np.sqrt(2.0)
    words = (
        f"sampled: {len(flat)} points of the plane at {s:.2f} mm, room for {most:.3f} mm at most"
    )
    if most > size * (1.0 + 2.0 * FINE):
        return left_open("no larger ball", words)
    return confirm("no larger ball", True, words)

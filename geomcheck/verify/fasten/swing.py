"""How far the handle of a tool turns: what its bars sweep, against the outlines of all metal.

A bar stands square to an axis and turns about it. Metal that comes between its lower and its upper
face is looked at as an outline in the plane across the axis, triangle by triangle.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.toolset import Bar, Tool
from geomcheck.verify.plain.simple import FloatArray

#: Between the jaws of an open spanner and its handle, degrees.
JAW = 15.0
#: Metal that reaches into a bar by less than this may be rounding, mm.
SKIN = 2e-3
#: And into an arc by less than this, degrees.
SLIVER = 0.02
#: The chords of round outlines, degrees.
CHORD = 0.25
#: Steps in which a turn is looked through, degrees: coarse, then fine.
COARSE, FINE = 1.0, 0.05


@dataclass(frozen=True)
class Blade:
    """A bar as it sweeps: heights, half its width, from where to where off the axis, mm."""

    low: float
    high: float
    half: float
    inner: float
    outer: float

    def grown(self, by: float) -> Blade:
        """Larger, or smaller, on all sides."""
        return Blade(
            self.low - by,
            self.high + by,
            self.half + by,
            max(self.inner - by, 0.0),
            self.outer + by,
        )


def blades(tool: Tool, rest: float, stroke: float) -> list[Blade]:
    """What swings of a tool that rests at a height, with the way it comes off."""
    jaw = 2.0 * tool.aside * math.sin(math.radians(JAW))
    bars: list[Bar] = [(a, b, w + jaw, i, o + tool.aside) for a, b, w, i, o in tool.bars]
    if tool.aside > 0.0:
        bars += [(a, b, d + jaw, 0.0, 0.5 * d + tool.aside) for a, b, d in tool.rows]
    return [
        # A round tip that holds the square one.
        Blade(rest + a, rest + b + stroke, 0.5 * w, i, math.hypot(o, 0.5 * w))
        for a, b, w, i, o in bars
    ]


class Swing:
    """Bars that turn together about the line of a view.

    Parameters
    ----------
    about : View
        Of a radius that holds the bars.
    bars : iterable of Blade
    start : float
        Height below which nothing is looked at, mm.
    """

    def __init__(self, about: View, bars: Iterable[Blade], start: float) -> None:
        self.about = about
        self.bars = [
            Blade(max(bar.low, start), bar.high, bar.half, bar.inner, bar.outer)
            for bar in bars
            if bar.high > start
        ]
        self._outlines = {bar: self._seen(bar) for bar in self.bars}

    def _seen(self, bar: Blade) -> shapely.STRtree:
        flat = [
            outline
            for tri in self.about.parts.values()
            for outline in outlines(tri, bar.low + SKIN, bar.high - SKIN, bar.outer)
        ]
        return shapely.STRtree(flat)

    def hits(self, begin: float, end: float, *, more: float = 0.0) -> bool:
        """Whether metal's surface stands in what the bars sweep between two angles, degrees.

        ``more`` is added to the bars on all sides across the axis, mm.
        """
        for bar in self.bars:
            swept = region(bar.grown(more), begin, end)
            if len(self._outlines[bar].query(swept, predicate="intersects")):
                return True
        return False

    def held(self, angle: float) -> bool:
        """Whether the bars' middles lie inside a part at an angle: they may touch no surface."""
        turn = math.radians(angle)
        for bar in self.bars:
            reach, height = 0.5 * (bar.inner + bar.outer), 0.5 * (bar.low + bar.high)
            spot = self.about.place(reach * math.cos(turn), reach * math.sin(turn), height)
            if self.about.holder_of(spot) is not None:
                return True
        return False

    def free(self, middle: float, size: float) -> bool:
        """Whether an arc about a middle is free but for what may be rounding, degrees."""
        half = max(0.5 * size - SLIVER, 0.0)
        if size >= 360.0:
            half = 180.0
        return not self.hits(middle - half, middle + half, more=-SKIN) and not self.held(middle)

    def stopped(self, angle: float) -> bool:
        """Whether metal stands at an angle, or is as near as rounding."""
        return self.hits(angle, angle, more=SKIN)

    def largest(self, needed: float) -> float:
        """The largest free arc, degrees; a bound on it where that is much less than is needed.

        An arc of a size holds as many angles of a grid as that has steps, less one.
        """
        bound = self._longest(COARSE)[0]
        return bound if bound < 0.8 * needed else self._longest(FINE)[0]

    def turns(self, needed: float) -> bool:
        """Whether there is a free arc as large as needed."""
        bound, middle = self._longest(COARSE)
        if bound < needed or self.free(middle, needed):
            return bound >= needed
        return self._longest(FINE)[0] >= needed

    def _longest(self, step: float) -> tuple[float, float]:
        """Bound on the largest arc, and its middle, degrees."""
        angles = np.arange(0.0, 360.0, step)
        met = np.array([self.hits(a, a, more=-SKIN) for a in angles.tolist()])
        while True:
            if not met.any():
                return (0.0 if self.held(0.0) else 360.0), 0.0
            # So many free angles of the grid, less one, lie between two that are met.
            at = np.flatnonzero(met)
            gaps = np.diff(at, append=at[0] + len(met))
            row = int(np.argmax(gaps))
            size = float(gaps[row]) * step
            middle = float(angles[at[row]]) + 0.5 * size
            if gaps[row] == 1 or not self.held(middle):
                return size, middle
            met[np.arange(at[row], at[row] + gaps[row]) % len(met)] = True

    def angle(self, toward: Iterable[float]) -> float:
        """Angle of a direction in the view, degrees."""
        x, y = self.about.frame[:2] @ np.array(list(toward))
        return math.degrees(math.atan2(y, x))


def region(bar: Blade, begin: float, end: float) -> BaseGeometry:
    """The outline that a bar sweeps: the bar at both ends and the ring between."""
    ends = [_bar(bar, angle) for angle in {begin, end}]
    if end <= begin:
        return ends[0]
    span = min(end - begin, 360.0)
    count = max(2, math.ceil(span / CHORD) + 1)
    turn = np.radians(np.linspace(begin, begin + span, count))
    rim = bar.outer * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    if span >= 360.0:
        ring: BaseGeometry = Polygon(rim)
        if bar.inner > 0.0:
            ring = ring.difference(Polygon(rim * (bar.inner / bar.outer)))
    else:
        ring = Polygon(np.concatenate([rim, rim[::-1] * (bar.inner / bar.outer)]))
    found: BaseGeometry = shapely.union_all([*ends, shapely.make_valid(ring)])
    return found


def _bar(bar: Blade, angle: float) -> BaseGeometry:
    """A bar with its round tip at an angle, degrees."""
    half = max(bar.half, 1e-6)
    tip = math.asin(min(half / bar.outer, 1.0))
    turn = np.linspace(-tip, tip, 9)
    rim = bar.outer * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    outline = np.concatenate([[[bar.inner, -half]], rim, [[bar.inner, half]]])
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return Polygon(outline @ np.array([[c, s], [-s, c]]))


def outlines(
    triangles: FloatArray, low: float, high: float, reach: float
) -> Iterator[BaseGeometry]:
    """Outlines across the line of what of each triangle lies between two heights."""
    heights = triangles[:, :, 2]
    near = (heights.max(axis=1) >= low) & (heights.min(axis=1) <= high)
    least, most = triangles[:, :, :2].min(axis=1), triangles[:, :, :2].max(axis=1)
    near &= ((least <= reach) & (most >= -reach)).all(axis=1)
    tri = triangles[near]
    whole = ((tri[:, :, 2] >= low) & (tri[:, :, 2] <= high)).all(axis=1)
    corners = [tri[whole][:, :, :2].reshape(-1, 2)]
    number = [np.repeat(np.arange(whole.sum()), 3)]
    count = int(whole.sum())
    for one in tri[~whole]:
        cut = _cut(one, low, high)
        corners.append(cut)
        number.append(np.full(len(cut), count))
        count += 1
    points = shapely.points(np.concatenate(corners))
    groups = shapely.multipoints(points, indices=np.concatenate(number).astype(np.int64))
    yield from shapely.convex_hull(groups)


def _cut(tri: FloatArray, low: float, high: float) -> FloatArray:
    """Corners across the line of one triangle's part between two heights."""
    found = [corner[:2] for corner in tri if low <= corner[2] <= high]
    for k in range(3):
        a, b = tri[k], tri[(k + 1) % 3]
        for level in (low, high):
            if (a[2] - level) * (b[2] - level) < 0.0:
                t = (level - a[2]) / (b[2] - a[2])
                found.append(a[:2] + t * (b[:2] - a[:2]))
    return np.array(found).reshape(-1, 2)

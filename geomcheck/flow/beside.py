"""Side openings: what is open past them when they do not count.

A plane that cuts along a side opening (a port, a dead bore, a slot, a pocket) counts it as part of
the duct, though the air has no use for it, and it can make up for a boss cast in opposite. An
opening shows in the outlines: seen from the path they stand out there beyond an outline before and
another behind. Each section is therefore cut back, ray by ray, to what outlines before and behind
it reach, and between two neighbouring sections so cut back the area that is open along the path is
a bound from below (``geomcheck.flow.stream``). Where that is less than the planes show, the whole
stretch is looked through at once, along the path and along a line through the middles of the
sections, since a path found by itself is drawn into an opening: what is open from before to behind
it no surface across can undercut.

A duct that widens truly, a plenum, a bell-mouth or a cone, is cut back to its shoulders, which are
sections of the duct themselves: it loses nothing unless something stands between them.

At an end of the path one edge of an opening is enough. Not all is seen, so this is no proof that
nothing is hidden: openings between stations far apart, and shallow ones with a boss much longer
than they are, can be missed. Nor is seen (``geomcheck.flow.rays``) an opening longer than two
diameters of the bore, at an end of the path longer than one, or one without a steep edge: it is
part of the duct, as a surface that left it out would have to close half its mouth; what stands out
by less than 0.2 % of the diameter; and an opening into a notch of the bore, beyond which a ray from
the path meets the bore again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.flow import between, rays
from geomcheck.flow.path import FlowPath
from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.section import FloatArray, IntArray, cut
from geomcheck.flow.stations import Station, Stations
from geomcheck.flow.stream import Line, open_along, same
from geomcheck.flow.terms import facet_reach

#: An opening is cut back to within this share of the bore's diameter.
_SLACK = 0.001
#: Stations nearer than this (mm) to one that was looked at are passed over.
_NEAR = 0.1
#: A section is cut back only where that could leave less than the least area and this share.
_SPARE = 0.03
#: Less than this share of a section in the way is grain, and nothing that an opening could hide.
_IN_WAY = 0.002
#: A line through the middles of the sections is drawn from stations so many diameters before and
#: behind an opening.
_CLEAR = 0.15, 0.5, 1.0
#: A whole stretch is looked through in no more steps than this: few in a duct that hardly bends.
_STEPS = 24
#: Differences of areas below this share are rounding.
_NOISE = 1e-6


@dataclass(frozen=True, slots=True)
class Beside:
    """What is open past side openings.

    Parameters
    ----------
    low : float
        mm2 open past them at least, facets allowed for.
    begin, end : float
        The stretch, mm along the path.
    opening : tuple of float
        A point in the largest of its openings, mm, housing frame.
    s : float
        mm along the path, where least is open.
    blocked : tuple of float or None
        A point there that is metal though open before or behind; None where there is none.
    """

    low: float
    begin: float
    end: float
    opening: Point
    s: float
    blocked: Point | None


def open_beside(rows: Stations, least: float) -> tuple[Beside, ...]:
    """Stretches with side openings past which less than ``least`` mm2 may be open.

    Parameters
    ----------
    rows : Stations
        Cut and judged.
    least : float
        mm2; a stretch that surely leaves more open is left out.

    Returns
    -------
    tuple of Beside
        Along the path; ``low`` is 0 where nothing can be said.
    """
    looked = _thinned([row for row in rows.rows if row.state == "measured"])
    if len(looked) < 2:
        return ()
    bore = _Bore(rows, looked)
    found = []
    for first, last in bore.stretches(least):
        low, at = bore.between(first, last, least)
        if low < least * (1.0 - _NOISE):
            low = max(low, bore.through(first, last, least))
        if low < least * (1.0 - _NOISE):
            found.append(bore.told(first, last, float(low), at))
    return tuple(found)


def _thinned(rows: Sequence[Station]) -> list[Station]:
    """Stations clear of each other; both sides of a flat face stay."""
    kept: list[Station] = []
    for row in rows:
        if kept and row.s - kept[-1].s < _NEAR and row.asked != kept[-1].asked:
            continue
        kept.append(row)
    return kept


class _Bore:
    """The outlines of the looked at stations round the path, and what stands out of them."""

    def __init__(self, rows: Stations, looked: Sequence[Station]) -> None:
        self.rows, self.looked = rows, looked
        self.s: FloatArray = np.array([row.s for row in looked])
        self.wide = float(np.sqrt(4.0 * min(row.area for row in looked) / np.pi))
        self.rays = rays.look(looked, self.wide)
        # Only beside openings is it asked what faces the flow; elsewhere anything may.
        out: BoolArray = np.asarray(self.rays.out.any(axis=1))
        pairs = np.flatnonzero(out[:-1] | out[1:])
        lost = np.full((len(looked) - 1, 2), np.inf)
        if len(pairs):
            slabs = rows.slabs([(looked[int(k)], looked[int(k) + 1]) for k in pairs])
            lost[pairs] = between.loss(rows.surfaces, slabs)
        self.begun, self.ended = lost.T
        self._shapes: dict[int, Any] = {}

    def stretches(self, least: float) -> list[tuple[int, int]]:
        """Runs of stations with openings that matter: the stations before and behind each.

        An opening matters where the section cut back may be less than the least area, and where
        something is in the way: at the station, by what its bore would hold, or next to it, by
        facets that face the flow.
        """
        area = np.array([row.area for row in self.looked])
        share = np.pi / rays.RAYS
        left = area - share * (self.rays.reach**2 - self.rays.bore**2).sum(axis=1)
        facing = np.maximum(np.append(self.begun, 0.0), np.append(0.0, self.ended))
        in_way = np.maximum(share * (self.rays.most**2).sum(axis=1) - left, facing)
        marked = np.flatnonzero(
            self.rays.out.any(axis=1)
            & (left - facing < least * (1.0 + _SPARE))
            & (in_way > _IN_WAY * area)
        )
        runs = np.split(marked, np.flatnonzero(np.diff(marked) > 1) + 1) if len(marked) else []
        last = len(self.looked) - 1
        return [(max(int(run[0]) - 1, 0), min(int(run[-1]) + 1, last)) for run in runs]

    def shape(self, k: int) -> Any:
        """The open area of a station, its openings cut back."""
        if k not in self._shapes:
            shape = self.looked[k].shape()
            out, bore = self.rays.out[k], self.rays.bore[k]
            if out.any():
                # Up to the rays beside the opening, whose edge falls between two.
                beside = np.minimum(
                    np.roll(np.where(out, bore, np.inf), 1),
                    np.roll(np.where(out, bore, np.inf), -1),
                )
                edge = ~out & np.isfinite(beside)
                reach = np.where(edge, np.maximum(bore, beside), bore) + _SLACK * self.wide
                reach = np.where(out | edge, reach, bore + self.wide)
                turn = 2.0 * np.pi * np.arange(rays.RAYS) / rays.RAYS
                star = np.clip(reach, 0.0, None)[:, None] * np.c_[np.cos(turn), np.sin(turn)]
                shape = shapely.intersection(shape, shapely.make_valid(shapely.Polygon(star)))
            self._shapes[k] = shape
        return self._shapes[k]

    def between(self, first: int, last: int, wanted: float) -> tuple[float, int]:
        """Least area open between neighbouring stations, mm2, and the station next to it.

        Places where surely more than ``wanted`` is open are passed over.
        """
        least, at = np.inf, first
        for a in range(first, last):
            line = Line.of(self.rows.path, float(self.s[a]), float(self.s[a + 1]))
            minus = self._minus(a, a + 1)
            ends = self.shape(a), self.shape(a + 1)
            plain = max(ends[0].area - self.begun[a], ends[1].area - self.ended[a]) - minus
            if plain >= min(wanted, least):
                continue
            if min(end.area for end in ends) <= 0.0:
                return 0.0, a
            low = max(plain, open_along(self.rows.surfaces, line, *ends).low - minus)
            if low < least:
                least, at = low, a if ends[0].area < ends[1].area else a + 1
        return max(least, 0.0), at

    def through(self, first: int, last: int, least: float) -> float:
        """Area open from before to behind a stretch, along the path or a line through middles."""
        # From clear of the openings: an end within one would count it.
        out: BoolArray = np.asarray(self.rays.out.any(axis=1))
        while first > 0 and out[first]:
            first -= 1
        while last < len(out) - 1 and out[last]:
            last += 1
        minus, surfaces = self._minus(first, last), self.rows.surfaces
        line = Line.of(self.rows.path, float(self.s[first]), float(self.s[last]))
        best = 0.0
        if len(line.step) <= _STEPS:
            # An end of the path may lie within the opening: it is cut back there.
            ends = self.shape(first), self.shape(last)
            best = open_along(surfaces, line, ends[0], ends[1], least + minus).low - minus
        middle = None if best >= least else self._middle(first, last)
        if middle is None or same(middle, line) or len(middle.step) > _STEPS:
            return best
        shapes = []
        for frame in (middle.frames[0], middle.frames[-1]):
            region = Region(cut(surfaces, frame[None])[0], surfaces)
            if region.state != "measured":
                return best
            shapes.append(region.polygon(region.main))
        return max(
            best, open_along(surfaces, middle, shapes[0], shapes[1], least + minus).low - minus
        )

    def _minus(self, *stations: int) -> float:
        """mm2 that the facets may take."""
        rows = [self.looked[k] for k in stations]
        return max(facet_reach(row.region, row.pieces, self.rows.surfaces)[0] for row in rows)

    def _middle(self, first: int, last: int) -> Line | None:
        """A smooth line past a stretch through the centroids of sections before and behind it.

        The centroid of a pipe's section lies on its axis however the plane is tilted.
        """
        clear = np.flatnonzero(~self.rays.out.any(axis=1))
        begin, end = float(self.s[first]), float(self.s[last])
        at = [d * self.wide for d in _CLEAR]
        before = self._nearest(clear[self.s[clear] <= begin], [begin - d for d in at])[::-1]
        after = self._nearest(clear[self.s[clear] >= end], [end + d for d in at])
        if not before or not after:
            return None
        points = np.array([_centroid(self.looked[k]) for k in (*before, *after)])
        try:
            line = FlowPath(points)
        except InputError:
            return None
        a, b = (_nearest(line, points[k]) for k in (len(before) - 1, len(before)))
        return Line.of(line, a, b) if b > a else None

    def _nearest(self, rows: IntArray, places: Sequence[float]) -> list[int]:
        """The rows nearest to some places, each once, in the order of the places."""
        if not len(rows):
            return []
        near = [int(rows[np.argmin(np.abs(self.s[rows] - place))]) for place in places]
        return list(dict.fromkeys(near))

    def told(self, first: int, last: int, low: float, at: int) -> Beside:
        """What is said of a stretch whose least open area lies at a station."""
        run = slice(first, last + 1)
        beyond = np.where(self.rays.out[run], self.rays.reach[run], 0.0)
        k, ray = np.unravel_index(int(beyond.argmax()), beyond.shape)
        turn = 2.0 * np.pi * int(ray) / rays.RAYS
        xy = 0.98 * self.rays.reach[run][k, ray] * np.array([[np.cos(turn), np.sin(turn)]])
        opening = self.looked[first + int(k)].region.section.to_space(xy)[0]
        blocked = None
        ends = (self.looked[first].shape(), self.looked[last].shape())
        closed = shapely.difference(shapely.union_all(ends), self.looked[at].shape())
        parts = shapely.get_parts(closed)
        if len(parts) and parts[np.argmax(shapely.area(parts))].area > 1e-3 * self.looked[at].area:
            inner = shapely.point_on_surface(parts[np.argmax(shapely.area(parts))])
            xy = np.array([[inner.x, inner.y]])
            blocked = _point(self.looked[at].region.section.to_space(xy)[0])
        s = [float(self.s[n]) for n in (first, last, at)]
        return Beside(low, s[0], s[1], _point(opening), s[2], blocked)


def _centroid(row: Station) -> FloatArray:
    centre = shapely.centroid(row.shape())
    return np.asarray(row.region.section.to_space(np.array([[centre.x, centre.y]]))[0])


def _nearest(line: FlowPath, point: FloatArray) -> float:
    s = np.linspace(0.0, line.length, 2001)
    return float(s[np.argmin(np.linalg.norm(line.frames(s)[:, :3] - point, axis=1))])


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))

"""The true throat: the least plane section of a duct, whatever its tilt.

Stations square to the path miss a throat that lies askew, between two obstacles that stand
opposite each other but not at the same place. From every dip of the area curve, from the places
between two dips, and from planes given by other methods, the exact section area is minimised over
two tilts and a shift. This is a search, not a proof: it says how many starts it made and how many
of them ended at the least area, and ``geomcheck.flow.mincut`` looks independently.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.curve import dips
from geomcheck.flow.path import FlowPath
from geomcheck.flow.plane import Allowed, Cut, least, moved_to, polish, section, tilted
from geomcheck.flow.region import Region
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray, Surface, cut
from geomcheck.flow.stations import Station, Stations
from geomcheck.flow.terms import facet_reach

#: Dips looked at, lowest first; between two of them one more start.
_DIPS = 8
#: Dips shallower than this share are grain of the facets.
_DIP = 1e-3
#: A search may not leave its start by more than this many equivalent diameters along the path.
REACH = 1.5
#: A plane may pass the corners of an end station by this, mm.
_RIM = 1e-3
#: Tilts tried at a start: degrees, and directions round the normal.
_LEANS = (0.0, 15.0, 35.0)
_ROUND = 6
#: Of the leans, how many (the lowest) are searched from.
_LOWEST = 2
#: Rough ends within this share of the least area are taken for the same throat.
_SAME = 0.01


@dataclass(frozen=True, eq=False)
class TrueThroat:
    """The least section found, whatever its tilt.

    Parameters
    ----------
    area : Quantity
        mm2, with the terms of the facets and of the search.
    square_area : float
        Least area on planes square to the path, at the starts, mm2.
    tilt : float
        Degrees between the plane's normal and the path where it crosses the plane.
    s : float
        mm along the path, there.
    point, normal : tuple of float
        Centroid of the open area; unit normal, downstream. mm, housing frame.
    outline : list of (k, 3) float64
        Closed polylines round the open pieces.
    cut : Cut
        The section itself.
    starts, ended_here : int
        Searches made, and how many of them ended at this area.
    """

    area: Quantity
    square_area: float
    tilt: float
    s: float
    point: Point
    normal: Point
    outline: list[FloatArray]
    cut: Cut
    starts: int
    ended_here: int


def true_throat(rows: Stations, *, frames: Any = ()) -> TrueThroat:
    """Search the least section of a surveyed duct.

    Parameters
    ----------
    rows : Stations
        The stations of the duct, cut and judged.
    frames : (m, 12) float, optional
        Further planes to start from (origin, u, v, normal), such as the plane of a minimum cut;
        their open pieces are those round the origin.

    Raises
    ------
    CannotDecide
        No station was measured.
    """
    starts = begin_at(rows)
    if not starts:
        raise CannotDecide(
            "the throat cannot be searched: no station of the duct could be measured",
            remedy="see why the stations have no area, and mend that first",
        )
    square = min(start.area for start in starts)
    ends: list[tuple[Cut, Cut]] = []
    tried = 0
    for start in starts:
        allowed = within(rows, start)
        for lean in _leans(rows.surfaces, start, allowed):
            tried += 1
            end = least(rows.surfaces, start, allowed, lean)
            if end is not None:
                ends.append((end, start))
    for start in given(rows, frames):
        tried += 1
        end = least(rows.surfaces, start, within(rows, start))
        if end is not None:
            ends.append((end, start))
    ends = ends or [(start, start) for start in starts]
    rough, begun = min(ends, key=lambda one: one[0].area)
    best, won = polish(rows.surfaces, rough, within(rows, begun))
    same = sum(end.area <= best.area * (1.0 + _SAME) for end, _ in ends)
    return _result(rows, best, won, square, tried, same)


def stations_of(surfaces: Sequence[Surface], survey: Survey, *, shut: bool = False) -> Stations:
    """The stations of a survey, cut again: ``surfaces`` are its walls, then its obstacles.

    ``shut``: the walls are cast about a solid and shut its ends.
    """
    rows = Stations(surfaces, survey.path, shut=shut)
    rows.add(np.unique(survey.fine_s))
    return rows


def begin_at(rows: Stations) -> list[Cut]:
    """Cuts to search from: the dips of the area curve, and the places between two of them."""
    area = np.array([row.area for row in rows.rows])
    measured = np.flatnonzero(np.isfinite(area))
    if not len(measured):
        return []
    lowest = int(measured[np.argmin(area[measured])])
    chosen = {lowest}
    deep = [i for i, top in dips(area) if area[i] < area[top] * (1.0 - _DIP)]
    ranked = sorted(deep, key=lambda i: float(area[i]))
    chosen.update(ranked[:_DIPS])
    order = sorted(chosen)
    for a, b in itertools.pairwise(order):
        middle = 0.5 * (rows.rows[a].s + rows.rows[b].s)
        between = [i for i in measured.tolist() if a < i < b]
        if between:
            chosen.add(min(between, key=lambda i: abs(rows.rows[i].s - middle)))
    return [_cut(rows.rows[i]) for i in sorted(chosen)]


def _cut(row: Station) -> Cut:
    return Cut.of(row.region, row.pieces)


def given(rows: Stations, frames: Any) -> list[Cut]:
    """Cuts on given planes: the piece round the origin, where there is one that can be measured."""
    planes = np.asarray(frames, dtype=np.float64).reshape(-1, 12)
    if not np.isfinite(planes).all():
        raise InputError("a plane to start from has a number that is not finite")
    out = []
    for part in cut(rows.surfaces, planes):
        region = Region(part, rows.surfaces)
        if region.state == "measured":
            out.append(Cut.of(region, [region.main]))
    return out


def within(rows: Stations, start: Cut) -> Allowed:
    """Whether a plane crosses the path near a start, between the ends of the path.

    Where walls shut the ends, which are ports, a plane must also be clear of the end stations:
    else it would be shut by the end itself, and part nothing.
    """
    path = rows.path
    reach = REACH * float(np.sqrt(4.0 * start.area / np.pi))
    middle = nearest(path, start.centre())
    s = np.clip(np.linspace(middle - reach, middle + reach, 61), 0.0, path.length)
    points = path.frames(s)[:, :3]
    rims = _rims(rows, middle, reach) if rows.shut else []

    def allowed(frame: FloatArray) -> bool:
        side = (points - frame[:3]) @ frame[9:12]
        if not side[0] <= 0.0 <= side[-1]:
            return False
        return all(
            float((sense * ((rim - frame[:3]) @ frame[9:12])).max()) <= _RIM for rim, sense in rims
        )

    return allowed


def _rims(rows: Stations, middle: float, reach: float) -> list[tuple[FloatArray, float]]:
    """Corners of the end stations in reach; 1 for the first, which lies upstream, -1 the last."""
    measured = [row for row in rows.rows if row.state == "measured"]
    return [
        (row.region.section.to_space(row.rim()), sense)
        for row, sense in ((measured[0], 1.0), (measured[-1], -1.0))
        if abs(row.s - middle) <= reach
    ]


def nearest(path: FlowPath, point: FloatArray) -> float:
    """Arc length of the path point nearest to ``point``, mm."""
    s = np.linspace(0.0, path.length, 1 + int(np.ceil(path.length)))
    for _ in range(3):
        at = int(np.argmin(np.linalg.norm(path.frames(s)[:, :3] - point, axis=1)))
        low, high = s[max(0, at - 1)], s[min(len(s) - 1, at + 1)]
        s = np.linspace(low, high, 41)
    return float(s[np.argmin(np.linalg.norm(path.frames(s)[:, :3] - point, axis=1))])


def _leans(surfaces: Sequence[Surface], start: Cut, allowed: Allowed) -> list[FloatArray]:
    """Tilts to search from: none, and the lowest of a fan of them."""
    frame, shapes = moved_to(start, start.centre())
    tried = []
    for degrees in _LEANS[1:]:
        for k in range(_ROUND):
            turn = 2.0 * np.pi * k / _ROUND
            lean = np.radians(degrees) * np.array([np.cos(turn), np.sin(turn)])
            there = tilted(frame, np.array([*lean, 0.0]))
            if allowed(there):
                tried.append((section(surfaces, there, shapes).area, lean))
    tried.sort(key=lambda one: one[0])
    return [np.zeros(2), *(lean for area, lean in tried[:_LOWEST] if np.isfinite(area))]


def crossing(path: FlowPath, frame: FloatArray, near: float, reach: float) -> float:
    """Arc length at which the path crosses a plane, the crossing nearest to ``near``."""
    s = np.clip(np.linspace(near - reach, near + reach, 401), 0.0, path.length)
    side = (path.frames(s)[:, :3] - frame[:3]) @ frame[9:12]
    change = np.flatnonzero((side[:-1] <= 0.0) != (side[1:] <= 0.0))
    if not len(change):
        return near
    at = s[change] - side[change] * (s[change + 1] - s[change]) / (side[change + 1] - side[change])
    return float(at[np.argmin(np.abs(at - near))])


def _result(
    rows: Stations, best: Cut, won: float, square: float, tried: int, same: int
) -> TrueThroat:
    minus, plus = facet_reach(best.region, best.pieces, rows.surfaces)
    centre, normal = best.centre(), best.frame[9:12]
    near = nearest(rows.path, centre)
    s = crossing(rows.path, best.frame, near, REACH * float(np.sqrt(best.area)))
    tangent = rows.path.frames([s])[0, 9:12]
    search = max(won, 1e-6 * best.area)
    terms = (
        Term("facets", min(minus, best.area), plus, "sagitta along the outline"),
        Term("search", search, 0.0, "estimate: what the last round of the search still won"),
    )
    return TrueThroat(
        area=Quantity.from_terms("least area at any tilt", best.area, "mm2", terms),
        square_area=square,
        tilt=float(np.degrees(np.arccos(np.clip(normal @ tangent, -1.0, 1.0)))),
        s=s,
        point=(float(centre[0]), float(centre[1]), float(centre[2])),
        normal=(float(normal[0]), float(normal[1]), float(normal[2])),
        outline=best.region.rings(best.pieces),
        cut=best,
        starts=tried,
        ended_here=same,
    )

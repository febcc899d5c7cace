"""What takes area across one plane of a duct, and how far it must go to give it back.

Parts are left out of the very same section, one by one; patches of the casting itself are told
from the smooth trend of the wall. A movement found in the plane is tried on the stations beside
it (and on planes that lean, where asked), with the part in its new place, before it is proposed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.blockage import Patch, cast_in, shares
from geomcheck.flow.plane import Cut, polish, section
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.shift import least_shift
from geomcheck.flow.stations import FINEST, Station, Stations
from geomcheck.flow.throat import REACH, within

#: Parts that take less than this share of the bore, and patches that take less than this, in per
#: cent, are not named: a patch is guessed, and a smooth wall has up to one per cent of them.
_LEAST_PART, _LEAST_PATCH = 0.05, 1.0
#: Takers, the largest first, that a way out is looked for.
_MOST = 3
#: Rounds in which a movement is made larger until the stations beside it agree; by how much more
#: than a straight line says; and the share of area by which it may fall short.
_ROUNDS, _MORE, _NEAR = 4, 1.1, 1e-4


@dataclass(frozen=True, eq=False)
class Way:
    """A movement of a part, or a cut into a wall, that gives area back.

    ``distance``: mm. ``direction``: unit vector, housing frame; of a cut: into the wall. ``area``:
    mm2 that are open then, on the least of the sections looked at.
    """

    distance: Quantity
    direction: Point
    area: float


@dataclass(frozen=True, eq=False)
class Taker:
    """One thing that takes area on a plane.

    Parameters
    ----------
    surface : int
        Its number; of a patch, that of the wall it is part of.
    area : Quantity
        mm2 it takes.
    percent : float
        Of the open area without it.
    point : tuple of float
        A place on it, mm, housing frame.
    patch : Patch or None
        What is cast into a wall; None for a part that stands apart.
    way : Way or None
        How it gives back what is wanted; as much as it takes where that is not enough.
    enough : bool
        Whether ``way`` alone is enough.
    """

    surface: int
    area: Quantity
    percent: float
    point: Point
    patch: Patch | None = None
    way: Way | None = None
    enough: bool = False


@dataclass(frozen=True, eq=False)
class Takers:
    """All that takes area on a plane, the largest first.

    ``unknown``: why what is cast in could not be told, or None. ``wanted``: mm2 the ways are for,
    or None where all that is taken is to be given back.
    """

    found: tuple[Taker, ...]
    unknown: CannotDecide | None = None
    wanted: float | None = None


def near(surfaces: Sequence[Surface], survey: Survey, s: float) -> Stations:
    """The stations of a survey near a place along its path, cut again, and that place."""
    known = np.isfinite(survey.fine_area)
    evenly = np.linspace(0.0, survey.path.length, 101)
    usual = np.median(np.interp(evenly, survey.fine_s[known], survey.fine_area[known]))
    rows = Stations(surfaces, survey.path)
    reach = REACH * float(np.sqrt(4.0 * usual / np.pi))
    rows.add(np.unique(np.append(_beside(survey.fine_s, s, reach), s)))
    return rows


def _beside(places: FloatArray, s: float, reach: float, most: int = 61) -> FloatArray:
    """Places within reach of one of them, thinned out evenly."""
    close = np.sort(places[np.abs(places - s) <= reach])
    if len(close) <= most:
        return close
    wanted = np.linspace(close[0], close[-1], most)
    return np.unique(close[np.abs(close[:, None] - wanted).argmin(axis=0)])


def at_station(rows: Stations, s: float, walls: int) -> Takers:
    """What takes area at the station ``s`` mm along the path.

    Parameters
    ----------
    rows : Stations
    s : float
    walls : int
        How many of the surfaces are walls; the rest are obstacles.

    Raises
    ------
    CannotDecide
        No station is measured there.
    """
    return _told(rows, _row(rows, s), walls, None)


def on_plane(rows: Stations, cut: Cut, s: float, walls: int) -> Takers:
    """What takes area on a plane that leans; ``s``: mm along the path, where it crosses it."""
    return _told(rows, _station(cut, s), walls, cut.frame)


def _row(rows: Stations, s: float) -> Station:
    row = min(rows.rows, key=lambda one: (one.state != "measured", abs(one.s - s)), default=None)
    if row is None or row.state != "measured" or abs(row.s - s) > FINEST:
        raise CannotDecide(
            f"what takes area at {s:.2f} mm along the path is not known: no station has an area "
            "there",
            remedy="make the station measurable; see the finding on it",
        )
    return row


def _station(cut: Cut, s: float) -> Station:
    row = Station(s, s, cut.region)
    row.judge(cut.pieces)
    return row


def _told(rows: Stations, row: Station, walls: int, plane: FloatArray | None) -> Takers:
    apart = list(range(walls, len(rows.surfaces)))
    found = [
        Taker(share.surface, share.area, share.percent, _spot(row, share.surface))
        for share in shares(row, rows.surfaces, apart)
        if share.percent >= _LEAST_PART
    ]
    unknown = None
    try:
        patches = cast_in(rows, row.s, left_out=apart, plane=plane)
    except CannotDecide as why:
        patches, unknown = [], why
    found += [
        Taker(
            patch.surface,
            patch.area,
            100.0 * patch.area.value / (row.area + patch.area.value),
            patch.point,
            patch,
        )
        for patch in patches
        if patch.percent >= _LEAST_PATCH
    ]
    found.sort(key=lambda one: (-one.area.value, one.surface, one.point))
    return Takers(tuple(found), unknown)


def _spot(row: Station, number: int) -> Point:
    """Place on a part's outline in the open area, nearest to the middle of what it shows."""
    outline = row.region.outline(row.pieces)
    own = outline.part == number
    at = 0.5 * (outline.lines[own, :2] + outline.lines[own, 2:])
    if not len(at):
        return _point(row.frame[:3])
    middle = outline.lengths[own] @ at / outline.lengths[own].sum()
    spot = at[np.argmin(np.hypot(*(at - middle).T))]
    return _point(row.region.section.to_space(spot[None])[0])


def with_ways(
    takers: Takers, rows: Stations, s: float, *, cut: Cut | None = None, wanted: float | None = None
) -> Takers:
    """The same, each of the largest with how far it must go.

    Parameters
    ----------
    takers : Takers
        Of :func:`at_station`, or (with ``cut``) of :func:`on_plane`.
    rows : Stations
    s : float
        mm along the path.
    cut : Cut, optional
        The plane that leans: it is searched on from there with the part in its new place.
    wanted : float, optional
        mm2 to be open on the plane; all that one takes when not given.
    """
    row = _station(cut, s) if cut is not None else _row(rows, s)
    found = list(takers.found)
    for k, taker in enumerate(found[:_MOST]):
        if taker.patch is not None:
            found[k] = _relieved(taker, taker.patch, row, wanted)
        else:
            found[k] = _moved(taker, rows, row, wanted, cut)
    return Takers(tuple(found), takers.unknown, wanted)


def _relieved(taker: Taker, patch: Patch, row: Station, wanted: float | None) -> Taker:
    short = patch.area.value if wanted is None else wanted - row.area
    if short <= 0.0:
        return taker
    depth = patch.relief(min(short, patch.area.value))
    if depth is None:
        return taker
    won = min(short, patch.area.value)
    return replace(
        taker, way=Way(depth, patch.direction, row.area + won), enough=short <= patch.area.value
    )


def _moved(
    taker: Taker, rows: Stations, row: Station, wanted: float | None, cut: Cut | None
) -> Taker:
    full = row.area + taker.area.value
    target = full * (1.0 - 1e-9) if wanted is None else wanted
    if row.area >= target:
        return taker
    enough = target <= full
    first = least_shift(row, rows.surfaces, taker.surface, area=target if enough else None)
    if first is None:
        return taker
    if wanted is None:
        return replace(taker, way=Way(first.distance, first.direction, first.area), enough=True)
    far = first.distance.value
    ahead = np.array(first.direction)
    most = 2.0 * float(np.hypot(row.box[2] - row.box[0], row.box[3] - row.box[1]))
    at, had = 0.0, row.area
    has = _least(rows, row, taker.surface, far * ahead, cut)
    for _ in range(_ROUNDS):
        if has >= wanted * (1.0 - _NEAR) or not enough or has <= had:
            break
        further = far + _MORE * (wanted - has) * (far - at) / (has - had)
        if further > most:
            break
        at, had, far = far, has, further
        has = _least(rows, row, taker.surface, far * ahead, cut)
    doubt = far - first.distance.low
    term = Term("search", doubt, 0.0, "from the least in the plane to where those beside agree")
    way = Way(Quantity.from_terms("move", far, "mm", (term,)), first.direction, has)
    return replace(taker, way=way, enough=has >= wanted * (1.0 - _NEAR))


def _least(rows: Stations, row: Station, number: int, by: FloatArray, plane: Cut | None) -> float:
    """Least section near a station with one part moved, mm2; 0 where none can be measured.

    Of the stations, and (``plane``) of the planes that a search reaches from the one that leans.
    """
    surfaces = list(rows.surfaces)
    old = surfaces[number]
    surfaces[number] = Surface(
        old.vertices + by, old.faces, old.name, closed=old.closed, outward=old.outward,
        inward=old.inward,
    )  # fmt: skip
    fresh = Stations(surfaces, rows.path)
    reach = REACH * float(np.sqrt(4.0 * row.area / np.pi))
    places = np.array([one.s for one in rows.rows])
    fresh.add(np.unique(np.append(_beside(places, row.s, reach, 31), row.s)))
    least = fresh.least()
    if least is None:
        return 0.0
    area = least.area
    if plane is not None:
        start = section(surfaces, plane.frame, plane.shapes())
        if np.isfinite(start.area):
            area = min(area, polish(surfaces, start, within(rows, start))[0].area)
    return area


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))

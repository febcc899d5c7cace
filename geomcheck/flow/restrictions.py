"""Dips of the area curve, the part that causes each, and the area it takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.curve import dips
from geomcheck.flow.region import Region
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.stations import Station, Stations


@dataclass(frozen=True)
class Restriction:
    """A dip of the open area below the duct on both sides of it.

    Parameters
    ----------
    s, shoulder : float
        mm along the path, of the dip and of the lower of its two shoulders.
    surface : int
        Number of the surface that causes it: walls first, then obstacles.
    depth : Quantity
        Per cent of the shoulder's area.
    area_lost : float
        mm2 that surface takes: for an obstacle the open area with it left out, less the open
        area; for a wall the part of the shoulder's outline that is metal at the dip.
    estimate : bool
        Whether ``area_lost`` is an estimate, as it is for what is cast into a wall.
    point : tuple of float
        A point on the part that causes it, mm, housing frame.
    """

    s: float
    shoulder: float
    surface: int
    depth: Quantity
    area_lost: float
    estimate: bool
    point: Point


_DIP = "restriction"


def share_lost(before: Quantity, after: Quantity, name: str) -> Quantity:
    """``(before - after) / before`` in per cent, with the worst case of both intervals."""
    value = 100.0 * (before.value - after.value) / before.value
    low = 100.0 * (1.0 - after.high / before.low) if before.low > 0 else -np.inf
    high = 100.0 * (1.0 - after.low / before.high)
    term = Term("facets", max(0.0, value - max(low, -1e6)), max(0.0, high - value), "both areas")
    return Quantity.from_terms(name, value, "%", (term,))


def find(
    rows: Stations,
    walls: int,
    bore: FloatArray,
    areas: Sequence[Quantity | None],
    least: float,
    hidden: float,
) -> tuple[tuple[Restriction, ...], Quantity]:
    """Restrictions of at least ``least`` per cent, and the deepest dip there may be.

    A dip is a local minimum of the area that is lower than what lies on both sides, up to the
    next lower place or the end of the path: its depth is taken against the lower of the two
    shoulders (topographic prominence). So a contraction, which has no second shoulder, is none.
    The curve is never smoothed. Unmeasured stations end a stretch.

    Parameters
    ----------
    bore : (n,) float64
        Area without obstacles of each row, mm2.
    areas : sequence of Quantity or None
        Open area of each row with the term of its facets.
    hidden : float
        Per cent by which the area may dip between two stations.
    """
    area = np.array([row.area for row in rows.rows])
    between = Term("between stations", 0.0, hidden, "facets that face the flow between stations")
    # Where no dip shows, one may still hide in the facets.
    flat = max((share_lost(q, q, _DIP) for q in areas if q is not None), key=lambda q: q.high)
    deepest = Quantity.from_terms(
        _DIP, 0.0, "%", (Term("facets", 0.0, flat.high, "both areas"), between)
    )
    found = []
    for dip, shoulder in dips(area):
        low, high = areas[dip], areas[shoulder]
        assert low is not None
        assert high is not None
        plain = share_lost(high, low, _DIP)
        depth = Quantity.from_terms(_DIP, plain.value, "%", (*plain.terms, between))
        if depth.high > deepest.high or depth.value > deepest.value:
            deepest = max(depth, deepest, key=lambda q: (q.value >= least, q.high))
        if depth.value >= least:
            found.append(_explain(rows, walls, bore, dip, shoulder, depth))
    return tuple(found), deepest


def _explain(
    rows: Stations, walls: int, bore: FloatArray, dip: int, shoulder: int, depth: Quantity
) -> Restriction:
    here, there = rows.rows[dip], rows.rows[shoulder]
    surfaces = rows.surfaces
    standing = (bore[dip] - here.area) - (bore[shoulder] - there.area)
    if standing >= 0.5 * (there.area - here.area):
        takes = []
        for number in range(walls, len(surfaces)):
            without = area_without(here, surfaces, [number]) - here.area
            takes.append((without, -number))
        lost, number = max(takes)
        where = _centre(here, -number, None)
        return Restriction(here.s, there.s, -number, depth, lost, False, where)
    obstacles = list(range(walls, len(surfaces)))
    patch = _open(there, surfaces, obstacles)
    lost = shapely.difference(patch, _open(here, surfaces, obstacles)).area
    outline = here.region.outline(here.pieces)
    middle = shapely.points(0.5 * (outline.lines[:, :2] + outline.lines[:, 2:]))
    inner = shapely.contains_properly(patch, middle) & (outline.part < walls)
    depth_in = shapely.distance(shapely.boundary(patch), middle)
    weight = outline.lengths * depth_in * inner
    number = int(np.argmax(np.bincount(outline.part, weight, minlength=len(surfaces))))
    where = _centre(here, number, weight)
    return Restriction(here.s, there.s, number, depth, float(lost), True, where)


def area_without(row: Station, surfaces: Sequence[Surface], left_out: Sequence[int]) -> float:
    """Open area at a station with some surfaces left out, mm2; exact on the same plane.

    The pieces are those that hold the path point or what was open with the surfaces in place.
    NaN where that section cannot be measured.
    """
    if not np.isin(row.region.section.part, left_out).any():
        return row.area
    region = Region(row.region.section.without(left_out), surfaces)
    if region.state in ("open", "leaking"):
        return float("nan")
    return float(region.area[_same(row, region)].sum())


def _same(row: Station, region: Region) -> list[int]:
    """Pieces of a section with less in it that take up the open pieces of the full one."""
    before = shapely.union_all([row.region.polygon(piece) for piece in row.pieces])
    low, high = row.region.box[list(row.pieces)][:, :2].min(0), row.region.box[list(row.pieces)]
    high = high[:, 2:].max(0)
    found = []
    for piece in range(len(region)):
        box = region.box[piece]
        if piece == region.main:
            found.append(piece)
        elif (box[:2] < high).all() and (box[2:] > low).all():
            shared = shapely.intersection(before, region.polygon(piece)).area
            if shared >= 0.5 * min(before.area, region.area[piece]):
                found.append(piece)
    return found


def _open(row: Station, surfaces: Sequence[Surface], left_out: Sequence[int]) -> Any:
    """Open area at a station with some surfaces left out, as a shapely geometry."""
    region, chosen = row.region, list(row.pieces)
    if np.isin(region.section.part, left_out).any():
        region = Region(region.section.without(left_out), surfaces)
        chosen = _same(row, region)
    return shapely.union_all([region.polygon(piece) for piece in chosen])


def _centre(row: Station, number: int, weight: FloatArray | None) -> Point:
    """Middle of what one surface shows of itself in the open outline; else the path point."""
    outline = row.region.outline(row.pieces)
    share = (outline.lengths if weight is None else weight) * (outline.part == number)
    xy = np.zeros((1, 2))
    if share.sum() > 0:
        at = 0.5 * (outline.lines[:, :2] + outline.lines[:, 2:])
        xy = (share @ at)[None] / share.sum()
    point = row.region.section.to_space(xy)[0]
    return (float(point[0]), float(point[1]), float(point[2]))

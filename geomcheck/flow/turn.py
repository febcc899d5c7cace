"""How a duct turns and how its area changes along the path."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.section import FloatArray
from geomcheck.flow.stations import Station, Stations
from geomcheck.flow.terms import facet_reach

#: Curvature and change of area are taken over this share of the diameter on either side.
_WINDOW = 0.25
#: A bend is where the path's radius is below this many diameters.
_STRAIGHT = 10.0
#: A bend turns by at least this many degrees.
_LEAST_TURN = 5.0


@dataclass(frozen=True, eq=False)
class Bend:
    """One bend of the path.

    ``begin``, ``end``, ``s``: mm along the path; ``s`` is where the inner wall turns tightest.
    ``turn``: degrees between the directions at its ends. ``radius``: least radius of the path, mm.
    ``inner_radius``: mm from the centre of the turn to the inner wall at ``s``; its lower bound is
    0 where the path's radius is less than the way to the wall. ``ratio``: inner radius over
    equivalent diameter. ``point``: on the inner wall, mm.
    """

    begin: float
    end: float
    s: float
    turn: float
    radius: float
    inner_radius: Quantity
    ratio: float
    point: Point


@dataclass(frozen=True, eq=False)
class Change:
    """Rate of change of the area where it is greatest one way.

    ``s``: mm along the path. ``rate``: mm2 per mm. ``cone``: equivalent cone angle, degrees,
    2 atan(dD / 2 ds) with D the equivalent diameter; positive where the duct widens.
    """

    s: float
    rate: float
    cone: Quantity


@dataclass(frozen=True, eq=False)
class Turn:
    """Curvature along the path, its bends, and the change of area.

    ``s``, ``curvature`` (1/mm), ``rate`` (mm2/mm), ``cone`` (degrees): (n,) float64, at the
    measured stations; NaN where a window reaches an unmeasured one. ``widest``, ``narrowing``:
    greatest widening and greatest narrowing; None where there is none.
    """

    s: FloatArray
    curvature: FloatArray
    rate: FloatArray
    cone: FloatArray
    bends: tuple[Bend, ...]
    widest: Change | None
    narrowing: Change | None


def turning(rows: Stations) -> Turn:
    """Curvature, bends and change of area of a surveyed duct.

    Raises
    ------
    CannotDecide
        Fewer than three stations were measured.
    """
    measured = [row for row in rows.rows if row.state == "measured"]
    if len(measured) < 3:
        raise CannotDecide(
            "the turn of the duct is not known: fewer than three stations could be measured",
            remedy="see why the stations have no area, and mend that first",
        )
    s = np.array([row.s for row in measured])
    area = np.array([row.area for row in measured])
    diameter = np.sqrt(4.0 * area / np.pi)
    reach = _WINDOW * diameter
    kappa = curvature(rows, s, reach)
    every = np.array([row.s for row in rows.rows])
    known = np.array([row.area for row in rows.rows])
    low, high = np.clip(s - reach, s[0], s[-1]), np.clip(s + reach, s[0], s[-1])
    ends = [np.interp(x, every, np.sqrt(4.0 * known / np.pi)) for x in (low, high)]
    slope = (ends[1] - ends[0]) / (high - low)
    cone = np.degrees(2.0 * np.arctan(0.5 * slope))
    rate = 0.5 * np.pi * diameter * slope
    bends = _bends(rows, measured, s, kappa, diameter)
    doubt = [_doubt(rows, row, 2.0 * r) for row, r in zip(measured, reach, strict=True)]
    widest = _change(s, rate, cone, doubt, 1.0)
    return Turn(s, kappa, rate, cone, bends, widest, _change(s, rate, cone, doubt, -1.0))


def curvature(rows: Stations, s: FloatArray, reach: FloatArray) -> FloatArray:
    """(n,) 1/mm: the angle between the directions ``reach`` before and after, over the length."""
    path = rows.path
    low, high = np.clip(s - reach, 0.0, path.length), np.clip(s + reach, 0.0, path.length)
    one, two = path.frames(low)[:, 9:12], path.frames(high)[:, 9:12]
    cross = np.linalg.norm(np.cross(one, two), axis=1)
    angle = np.arctan2(cross, (one * two).sum(axis=1))
    return np.asarray(angle / np.maximum(high - low, 1e-300))


def _doubt(rows: Stations, row: Station, length: float) -> float:
    """Degrees by which the facets may change the cone angle over a window."""
    minus, plus = facet_reach(row.region, row.pieces, rows.surfaces)
    diameter = float(np.sqrt(4.0 * row.area / np.pi))
    off = (minus + plus) * 2.0 / (np.pi * diameter)
    return float(np.degrees(off / max(length, 1e-300)))


def _change(
    s: FloatArray, rate: FloatArray, cone: FloatArray, doubt: Sequence[float], sign: float
) -> Change | None:
    if not np.isfinite(cone).any():
        return None
    k = int(np.nanargmax(sign * cone))
    if not sign * cone[k] > 1e-9:
        return None
    term = Term("facets", doubt[k], doubt[k], "sagitta along both outlines")
    angle = Quantity.from_terms("equivalent cone angle", float(cone[k]), "deg", (term,))
    return Change(float(s[k]), float(rate[k]), angle)


def _bends(
    rows: Stations,
    measured: Sequence[Station],
    s: FloatArray,
    kappa: FloatArray,
    diameter: FloatArray,
) -> tuple[Bend, ...]:
    bent = kappa * diameter > 1.0 / _STRAIGHT
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bent.astype(np.int8), [0]])))
    out = []
    for begin, end in edges.reshape(-1, 2):
        part = range(begin, end)
        ahead = rows.path.frames([s[begin], s[end - 1]])[:, 9:12]
        angle = float(np.degrees(np.trapezoid(kappa[begin:end], s[begin:end])))
        if angle < _LEAST_TURN or np.allclose(ahead[0], ahead[1]):
            continue
        inner = [_inner(rows, measured[k], kappa[k], diameter[k]) for k in part]
        k = int(np.argmin([value / diameter[j] for (value, _), j in zip(inner, part, strict=True)]))
        value, point = inner[k]
        row = begin + k
        minus, plus = facet_reach(measured[row].region, measured[row].pieces, rows.surfaces)
        around = max(float(measured[row].perimeter), 1e-300)
        # The facets' bound is spread over the outline; at one place it may be all of a facet's.
        off = 4.0 * (minus + plus) / around
        off += 0.5 * abs(float(np.ptp(1.0 / kappa[max(row - 1, begin) : row + 2])))
        floor = max(0.0, value)
        term = Term("facets and path", min(off, floor), off, "sagitta; radius beside the station")
        radius = Quantity.from_terms("inner radius of the turn", floor, "mm", (term,))
        out.append(
            Bend(
                float(s[begin]), float(s[end - 1]), float(s[row]), angle,
                float(1.0 / kappa[begin:end].max()), radius, floor / float(diameter[row]), point,
            )
        )  # fmt: skip
    return tuple(out)


def _inner(rows: Stations, row: Station, kappa: float, diameter: float) -> tuple[float, Point]:
    """Radius of the inner wall about the turn's centre, and the point of the wall; mm."""
    path, reach = rows.path, _WINDOW * diameter
    low, high = max(row.s - reach, 0.0), min(row.s + reach, path.length)
    one, two = path.frames([low, high])[:, 9:12]
    inward = two - one
    inward -= (inward @ row.frame[9:12]) * row.frame[9:12]
    inward /= max(float(np.linalg.norm(inward)), 1e-300)
    outline = row.region.outline(row.pieces).lines[:, :2]
    along = outline @ np.array([inward @ row.frame[3:6], inward @ row.frame[6:9]])
    k = int(np.argmax(along))
    point = row.region.section.to_space(outline[k][None])[0]
    return 1.0 / kappa - float(along[k]), (float(point[0]), float(point[1]), float(point[2]))

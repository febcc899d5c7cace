"""What takes area at a station: each part by itself, and what is cast in.

Parts that stand apart are measured by leaving them out of the same section, exactly. What is one
with the casting (a boss, a cup) is estimated: the wall is unrolled round the path into radii
r(s, angle), each angle is followed along the duct by a smooth curve that does not heed what stands
inward of it, and the patch under that curve is what is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.restrictions import area_without
from geomcheck.flow.section import FloatArray, Section, Surface, cut
from geomcheck.flow.stations import Station, Stations

#: Rays round the path, stations of the unrolled wall, and half its length in equivalent diameters.
_RAYS, _ALONG, _REACH = 180, 61, 1.0
#: Degree of the smooth curve along the duct; rounds of leaving out what stands inward of it.
_DEGREE, _ROUNDS = 3, 30
#: Inward by more than this share of the radius is a patch, not the grain of the facets.
_GRAIN = 0.004
#: A patch round more than this share of the bore is a waist of the duct, not a boss.
_WAIST = 0.5
#: What the estimate may be off by: 9 % was the worst of the shapes it was tried on.
_TREND = 0.12


@dataclass(frozen=True, eq=False)
class Share:
    """Area one part takes at a station.

    ``surface``: its number. ``area``: mm2; ``percent`` of the area with it left out. Two parts that
    overlap each take less than both together.
    """

    surface: int
    area: Quantity
    percent: float


@dataclass(frozen=True, eq=False)
class Patch:
    """What stands inward of the smooth wall: an estimate.

    ``area``: mm2 at the station. ``percent`` of the bore without it. ``begin``, ``end``: mm along
    the path. ``point``: on the patch at the station, mm. ``height``: mm it stands in at most.
    """

    area: Quantity
    percent: float
    begin: float
    end: float
    point: Point
    height: float


def shares(row: Station, surfaces: Sequence[Surface], numbers: Sequence[int]) -> list[Share]:
    """Area each of some parts takes at a measured station, the largest first.

    Raises
    ------
    CannotDecide
        The station is not measured.
    """
    refuse_unmeasured(row)
    found = []
    for number in sorted(set(numbers)):
        without = area_without(row, surfaces, [number])
        taken = without - row.area
        if not np.isfinite(without) or taken <= 1e-9 * row.area:
            continue
        reach = [float(surfaces[number].outward.max()), float(surfaces[number].inward.max())]
        outline = row.region.outline(row.pieces)
        length = float(outline.lengths[outline.part == number].sum())
        term = Term("facets", min(taken, reach[1] * length), reach[0] * length, "sagitta")
        area = Quantity.from_terms("area taken", taken, "mm2", (term,))
        found.append(Share(number, area, 100.0 * taken / without))
    return sorted(found, key=lambda share: (-share.area.value, share.surface))


def refuse_unmeasured(row: Station) -> None:
    """Raise CannotDecide at a station that has no area."""
    if row.state != "measured":
        raise CannotDecide(
            f"what takes area at {row.s:.2f} mm is not known: the station has no area",
            remedy="make the station measurable; see the finding on it",
        )


def cast_in(rows: Stations, s: float, *, left_out: Sequence[int] = ()) -> Patch | None:
    """What is cast into the wall at ``s`` mm along the path; None where the wall is smooth.

    ``left_out``: numbers of the obstacles, which are not part of the wall.

    Raises
    ------
    CannotDecide
        The wall cannot be unrolled round the path there: it is not seen all round from the path,
        or too little of the duct is measured.
    """
    kept = [n for n in range(len(rows.surfaces)) if n not in set(left_out)]
    walls = [rows.surfaces[n] for n in kept]
    here = min(
        (row for row in rows.rows if row.state == "measured"),
        key=lambda row: abs(row.s - s),
        default=None,
    )
    if here is None:
        raise CannotDecide("what is cast in is not known: no station has an area")
    reach = _REACH * float(np.sqrt(4.0 * here.area / np.pi))
    low, high = max(0.0, s - reach), min(rows.path.length, s + reach)
    places = np.unique(np.append(np.linspace(low, high, _ALONG), s))
    rays = [_radii(part, walls) for part in cut(walls, rows.path.frames(places))]
    radii, squares = np.array([r for r, _ in rays]), np.array([q for _, q in rays])
    whole = np.isfinite(radii).all(axis=1)
    at = int(np.argmin(np.abs(places - s)))
    if not whole[at] or whole.sum() < _ALONG // 2:
        raise CannotDecide(
            f"what is cast in at {s:.2f} mm is not known: the wall is not seen all round there",
            remedy="compare with a revision without it, or give it as a part of its own",
        )
    at, places, radii = int(whole[:at].sum()), places[whole], radii[whole]
    open_ = squares[whole][at]
    smooth, inward = _bridged(places, radii)
    if not inward[at].any() or inward[at].mean() > _WAIST:
        return None
    wedge = np.pi / _RAYS  # half the angle between two rays
    lost = np.where(inward[at], np.clip(smooth[at] ** 2 - open_, 0.0, None), 0.0)
    taken, bore = float(wedge * lost.sum()), float(wedge * (open_ + lost).sum())
    touched = places[inward[:, inward[at]].any(axis=1)]
    depth = np.where(inward[at], smooth[at] - radii[at], 0.0)
    deepest = int(np.argmax(depth))
    turn = 2.0 * np.pi * deepest / _RAYS
    frame = rows.path.frames([places[at]])[0]
    spot = frame[:3] + radii[at, deepest] * (np.cos(turn) * frame[3:6] + np.sin(turn) * frame[6:9])
    off = _TREND * taken
    term = Term(
        "smooth wall", min(off, taken), off, "estimate: the wall under the patch is guessed"
    )
    return Patch(
        Quantity.from_terms("area taken", taken, "mm2", (term,)),
        100.0 * taken / bore,
        float(touched.min()),
        float(touched.max()),
        (float(spot[0]), float(spot[1]), float(spot[2])),
        float(depth[deepest]),
    )


def _radii(part: Section, walls: Sequence[Surface]) -> tuple[FloatArray, FloatArray]:
    """Of each ray round the path: mm to where it first meets the wall, and what is open along it.

    The latter is the sum of far radius squared less near radius squared over its open stretches,
    mm2: behind a boss there may be more of the bore. NaN where the section is not measured.
    """
    region = Region(part, walls)
    if region.state != "measured":
        return np.full(_RAYS, np.nan), np.full(_RAYS, np.nan)
    polygon = region.polygon(region.main)
    far = 2.0 * float(np.abs(region.box[region.main]).max())
    turn = 2.0 * np.pi * np.arange(_RAYS) / _RAYS
    ends = far * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rays = shapely.linestrings(np.stack([np.zeros_like(ends), ends], axis=1))
    pieces, owner = shapely.get_parts(shapely.intersection(rays, polygon), return_index=True)
    lines = shapely.get_type_id(pieces) == 1
    pieces, owner = pieces[lines], owner[lines]
    ends = shapely.get_coordinates(pieces)
    reach = np.hypot(ends[:, 0], ends[:, 1]).reshape(-1, 2)
    near, beyond = reach.min(axis=1), reach.max(axis=1)
    first, squares = np.full(_RAYS, np.nan), np.zeros(_RAYS)
    np.add.at(squares, owner, beyond**2 - near**2)
    begun = near <= 1e-9 * far
    first[owner[begun]] = beyond[begun]
    return first, squares


def _bridged(s: FloatArray, radii: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Smooth radii (stations, rays), and where the wall stands inward of them.

    Along each ray a cubic is fitted to the radius over the ray's usual share of the bore; what
    stands inward of it is left out, and it is fitted again. A waist all round goes with the bore.
    """
    bore = np.median(radii, axis=1)
    shape = radii / bore[:, None]
    x = 2.0 * (s - s[0]) / max(s[-1] - s[0], 1e-300) - 1.0
    basis = np.polynomial.chebyshev.chebvander(x, _DEGREE)
    smooth = np.empty_like(shape)
    inward = np.zeros(shape.shape, np.bool_)
    for k in range(shape.shape[1]):
        keep = np.ones(len(s), np.bool_)
        fitted = basis @ np.linalg.lstsq(basis, shape[:, k], rcond=None)[0]
        for _ in range(_ROUNDS):
            off = fitted - shape[:, k]
            worst = float(off[keep].max())
            # The deepest half goes first: a fit that heeds the patch bends towards it.
            after = keep & (off <= max(0.5 * worst, _GRAIN))
            if worst <= _GRAIN or after.sum() < max(2 * (_DEGREE + 1), 0.35 * len(s)):
                break
            keep = after
            fitted = basis @ np.linalg.lstsq(basis[keep], shape[keep, k], rcond=None)[0]
        off = fitted - shape[:, k]
        smooth[:, k] = fitted
        inward[:, k] = off > _GRAIN
    return smooth * bore[:, None], inward

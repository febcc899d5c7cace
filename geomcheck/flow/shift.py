"""How far a part must be moved, in the plane of a section, to win back the area it takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from geomcheck.errors import InputError
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.blockage import refuse_unmeasured
from geomcheck.flow.region import Region
from geomcheck.flow.restrictions import area_without
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.stations import Station

#: Directions a part is moved in, steps of the first of them and of the rest, and bisections.
_WAYS, _STEPS, _LATER, _HALVINGS = 16, 48, 12, 18


@dataclass(frozen=True, eq=False)
class Shift:
    """The least movement of a part, in the plane of its section, that wins area back.

    ``distance``: mm; ``direction``: unit vector, housing frame; ``area``: open area then, mm2.
    """

    distance: Quantity
    direction: Point
    area: float


def least_shift(
    row: Station, surfaces: Sequence[Surface], number: int, *, area: float | None = None
) -> Shift | None:
    """How far to move one part, in the plane of a station, until ``area`` mm2 are open there.

    Its outline is moved in the plane, which is exact for that plane; the stations beside it must
    be measured again with the part in its new place. ``area``: when not given, all that the part
    takes is to be won back.

    Returns
    -------
    Shift or None
        None where no movement up to the bore's size is enough.

    Raises
    ------
    InputError
        The part is not one of the surfaces.
    CannotDecide
        The station is not measured.
    """
    refuse_unmeasured(row)
    if not 0 <= number < len(surfaces):
        raise InputError(f"there is no surface number {number}")
    free = area_without(row, surfaces, [number])
    if not np.isfinite(free):
        return None
    wanted = free * (1.0 - 1e-9) if area is None else float(area)
    if wanted > free:
        return None
    before = _bore(row, surfaces, number)
    if row.area >= wanted:
        zero = Quantity.from_terms("move", 0.0, "mm", (Term("bisection", 0.0, 0.0, ""),))
        return Shift(zero, (0.0, 0.0, 0.0), row.area)
    box = row.box
    size = float(np.hypot(box[2] - box[0], box[3] - box[1]))
    best: tuple[float, float, FloatArray, float] | None = None
    turns = 2.0 * np.pi * np.arange(_WAYS) / _WAYS
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    # The way out over the part's own side first: the others need not look further.
    ways = ways[np.argsort(-(ways @ _aside(row, number)), kind="stable")]
    for way in ways:
        most = size if best is None else min(size, best[0])
        low = 0.0
        for high in np.linspace(0.0, most, (_STEPS if best is None else _LATER) + 1)[1:]:
            if _open(row, surfaces, number, high * way, before) >= wanted:
                break
            low = float(high)
        else:
            continue
        end = float(high)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + end)
            if _open(row, surfaces, number, middle * way, before) >= wanted:
                end = middle
            else:
                low = middle
        if best is None or end < best[0] * (1.0 - 1e-9):
            best = (end, end - low, way, _open(row, surfaces, number, end * way, before))
    if best is None:
        return None
    end, doubt, way, won = best
    ahead = way[0] * row.frame[3:6] + way[1] * row.frame[6:9]
    term = Term("bisection", doubt, 0.0, "last step of the bisection")
    return Shift(
        Quantity.from_terms("move", end, "mm", (term,)),
        (float(ahead[0]), float(ahead[1]), float(ahead[2])),
        won,
    )


def _aside(row: Station, number: int) -> FloatArray:
    """From the middle of the open area to the middle of a part's outlines there, in the plane."""
    old = row.region.section
    lines = old.lines[np.repeat(old.part == number, np.diff(old.offsets))]
    size = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    middle = size @ (lines[:, :2] + lines[:, 2:]) / (2.0 * size.sum())
    centre = shapely.centroid(row.shape())
    return np.asarray(middle - (centre.x, centre.y))


def _bore(row: Station, surfaces: Sequence[Surface], number: int) -> list[Any]:
    """Pieces of the bore with a part left out, as polygons."""
    region = Region(row.region.section.without([number]), surfaces)
    now = shapely.union_all([row.region.polygon(piece) for piece in row.pieces])
    whole = [region.polygon(piece) for piece in range(len(region))]
    return [p for p in whole if shapely.intersection(p, now).area > 0.5 * min(p.area, now.area)]


def _open(
    row: Station, surfaces: Sequence[Surface], number: int, by: FloatArray, bore: Sequence[Any]
) -> float:
    """Open area of the station with the outlines of one part moved in the plane, mm2."""
    old = row.region.section
    lines, box = old.lines.copy(), old.box.copy()
    own = old.part == number
    lines[np.repeat(own, np.diff(old.offsets))] += np.tile(by, 2)
    box[own] += np.tile(by, 2)
    region = Region(replace(old, lines=lines, box=box), surfaces)
    total = 0.0
    for piece in range(len(region)):
        polygon = region.polygon(piece)
        if any(shapely.intersection(polygon, p).area > 0.5 * polygon.area for p in bore):
            total += float(region.area[piece])
    return total

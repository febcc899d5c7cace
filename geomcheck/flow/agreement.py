"""Area two ways along a found path: plane sections against levels of the potential.

A plane section is exact on the facets, but in a turn so tight that neighbouring planes cross
within the bore it counts some of the void twice and is no cross-section. A level of the potential
is one wherever the flow is slow enough to follow it, but it is read from cells, and where a bend
begins or a duct widens it bows and is larger than the plane, rightly. Where the two differ by
more than both their errors that is said, with the one to trust.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely

from geomcheck.errors import InputError
from geomcheck.flow.levels import STILL, Levels, Slices
from geomcheck.flow.path import FlowPath
from geomcheck.flow.ports import as_surfaces
from geomcheck.flow.potential import Potential
from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.section import FloatArray, cut
from geomcheck.flow.terms import gradient

Trusted: TypeAlias = Literal["plane", "level", "neither"]

#: Least error stated for a level's area, as a share of it: what two resolutions can agree on by
#: chance.
_FLOOR = 2e-4


@dataclass(frozen=True, eq=False)
class Agreement:
    """Areas of the same stations two ways.

    Parameters
    ----------
    s : (n,) float64
        Along the path, mm.
    plane, level : (n,) float64
        mm2; ``plane`` is NaN where no closed section lies round the path.
    plane_error, level_error : (n,) float64
        Of the tilt of the path (estimate, second order); of the cells (difference from cells
        twice as large). What facets leave uncertain is common to both and not in them.
    differ : (n,) bool
        By more than both errors.
    trusted : tuple of str
        ``plane``; ``level`` where neighbouring planes cross in the bore or there is no section;
        per station.
    stagnant : (n,) float64
        Share of the plane section in which the flow is slower than a tenth of its stream's mean:
        a dead branch or pocket that the plane cuts along with the bore.
    """

    s: FloatArray
    plane: FloatArray
    level: FloatArray
    plane_error: FloatArray
    level_error: FloatArray
    differ: BoolArray
    trusted: tuple[Trusted, ...]
    stagnant: FloatArray


def compare(
    walls: Any, path: FlowPath, levels: Levels, potential: Potential, coarse: Potential | None
) -> Agreement:
    """Areas of a path's stations by planes and by levels.

    Parameters
    ----------
    walls : mesh or sequence of meshes
        Those the potential was solved in.
    path, levels, potential
        Of one outlet of a route.
    coarse : Potential or None
        The same potential on cells about twice as large, for the levels' error; without it the
        error is infinite.

    Raises
    ------
    InputError
        The levels belong to another path.
    """
    if abs(path.length - levels.length) > 1e-3 * path.length:
        raise InputError(
            f"the levels belong to a path of {levels.length:.2f} mm, not to one of "
            f"{path.length:.2f} mm",
            remedy="give the path and the levels of the same route",
        )
    surfaces = as_surfaces(walls)
    frames = path.frames(levels.s)
    count = len(levels.s)
    plane, tilt, stagnant = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    crossing = np.zeros(count, np.bool_)
    bend = _bend(path, levels.s)
    speed = _Speed(potential)
    for k, section in enumerate(cut(surfaces, frames)):
        region = Region(section, surfaces)
        if region.state != "measured":
            continue
        plane[k] = region.area[region.main]
        tilt[k] = gradient(region, [region.main], surfaces).excess
        xy = shapely.get_coordinates(region.polygon(region.main).exterior)
        inward = np.stack([frames[k, 3:6] @ bend[k], frames[k, 6:9] @ bend[k]])
        crossing[k] = bool((xy @ inward).max() >= 1.0)
        stagnant[k] = speed.stagnant(region.polygon(region.main), frames[k])
    error = np.full(count, np.inf) if coarse is None else level_error(levels, coarse)
    with np.errstate(invalid="ignore"):
        differ = np.abs(plane - levels.area) > tilt + error
    trusted = tuple(_trusted(plane[k], bool(crossing[k]), float(error[k])) for k in range(count))
    return Agreement(
        levels.s, plane, levels.area, tilt, error, np.asarray(differ), trusted, stagnant
    )


def _trusted(plane: float, crossing: bool, error: float) -> Trusted:
    if np.isfinite(plane) and not crossing:
        return "plane"
    return "level" if np.isfinite(error) else "neither"


def level_error(levels: Levels, coarse: Potential) -> FloatArray:
    """(n,) error of the levels' areas, mm2: the difference from larger cells, of the same levels.

    The greatest of a slice and its two neighbours on either side. The difference from cells twice
    as large is about three times the error where it falls with the square of the spacing.
    """
    edges = levels.edges
    rising = np.unique(edges)
    slices = Slices(coarse)
    (weight,) = slices.sums(rising, slices.weight)
    total = np.concatenate([[0.0], np.cumsum(weight)])
    low, high = np.searchsorted(rising, edges[:, 1]), np.searchsorted(rising, edges[:, 0])
    area = (total[high] - total[low]) / (edges[:, 0] - edges[:, 1])
    # Near a port the larger cells are cut by it: there the error further in stands.
    h = coarse.void.spacing
    clear = (levels.s > 3.0 * h) & (levels.s < levels.length - 3.0 * h)
    share = np.abs(area / levels.area - 1.0)
    if not clear.any():
        return np.full(len(share), np.inf)
    share[~clear] = share[clear].max()
    spread = np.pad(share, 2, mode="edge")
    share = np.max([spread[k : k + len(share)] for k in range(5)], axis=0)
    return np.asarray(np.maximum(share, _FLOOR) * levels.area)


def _bend(path: FlowPath, s: FloatArray) -> FloatArray:
    """(n, 3) curvature of the path towards its centre, 1/mm."""
    step = 1e-3 * path.length
    before, after = np.clip(s - step, 0, path.length), np.clip(s + step, 0, path.length)
    turn = path.frames(after)[:, 9:12] - path.frames(before)[:, 9:12]
    return np.asarray(turn / (after - before)[:, None])


class _Speed:
    """The size of the potential's gradient at points."""

    def __init__(self, potential: Potential) -> None:
        self.grid = potential.void.grid
        self.value = np.full(self.grid.size, np.nan)
        rows = potential.rows
        size = np.linalg.norm(potential.gradient[rows], axis=1)
        self.value[potential.cut.cells[rows]] = size

    def stagnant(self, polygon: Any, frame: FloatArray) -> float:
        """Share of a section's area where the flow all but stands still."""
        low, high = np.reshape(polygon.bounds, (2, 2))
        step = 0.5 * self.grid.h
        x, y = (np.arange(low[k] + 0.5 * step, high[k], step) for k in range(2))
        xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        shapely.prepare(polygon)
        xy = xy[shapely.contains_xy(polygon, xy[:, 0], xy[:, 1])]
        at = frame[:3] + xy @ frame[3:9].reshape(2, 3)
        place = np.round((at - self.grid.low) / self.grid.h).astype(int)
        shape = np.array(self.grid.shape)
        place = place[((place >= 0) & (place < shape)).all(axis=1)]
        speed = self.value[np.ravel_multi_index(tuple(place.T), self.grid.shape)]
        speed = speed[np.isfinite(speed)]
        if not len(speed) or not speed.any():
            return float("nan")
        stream = float((speed**2).sum() / speed.sum())
        return float((speed < STILL[0] * stream).mean())

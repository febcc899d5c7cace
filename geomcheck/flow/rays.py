"""Outlines of a duct's sections as rays from its path see them, and what stands out of them.

An opening in the wall shows on each ray that runs into it: the section reaches further there than
one before and one behind it, and its edge is steep. What widens gently belongs to the duct.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray
from geomcheck.flow.stations import Station

#: Rays, evenly round the path point.
RAYS = 180
#: An opening longer than so many diameters of the bore, along the path, is part of the duct; at an
#: end of the path, where only one of its edges shows, half as many.
LONG = 2.0
#: What stands out by less than this share of the bore's diameter is grain of the facets.
DEEP = 0.002
#: An edge of an opening is steeper than this (mm per mm along the path), over a step of at least
#: this share of the bore's diameter.
STEEP, _STEP = 0.2, 0.03
#: Rounds of cutting back at the ends: rays beside each other bound each other.
_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Rays:
    """How far the sections reach on every ray, and how far the bore does.

    Parameters
    ----------
    reach : (n, RAYS) float64
        Greatest distance of the open area from the path point, mm.
    bore : (n, RAYS) float64
        The same without openings: the least, over all pairs of a station before and one behind, of
        the greater reach of the two; ``reach`` where no opening is.
    out : (n, RAYS) bool
        Whether the ray runs into an opening.
    most : (n, RAYS) float64
        At least as far as the bore would reach with nothing in it.
    """

    reach: FloatArray
    bore: FloatArray
    out: BoolArray
    most: FloatArray


def look(rows: Sequence[Station], wide: float) -> Rays:
    """Rays of measured stations in order; ``wide``: diameter of the bore, mm."""
    s = np.array([row.s for row in rows])
    reach = np.array([_reach(row) for row in rows])
    broad = _broad(reach)
    bore, most = _between(broad, s, LONG * wide)
    deep = DEEP * wide
    bore[reach <= bore + deep] = np.inf
    rises = _steep(reach, s, max(_STEP * wide, 0.0), deep)
    falls = _steep(reach[::-1], -s[::-1], _STEP * wide, deep)[::-1]
    # Between a station and the next: by an edge that rises towards it or falls behind it.
    edge = np.zeros((len(s) + 1, reach.shape[1]), np.bool_)
    edge[:-1] |= rises
    edge[1:] |= falls
    bore[~_touching(np.isfinite(bore), edge)] = np.inf
    for _ in range(_ROUNDS):
        for flip in (slice(None), slice(None, None, -1)):
            steep = (falls if flip.step is None else rises)[flip]
            _at_end(bore[flip], reach[flip], broad[flip], np.abs(s - s[flip][0])[flip], steep, wide)
        # Beside a ray that is still open in the same opening, its bore is what counts.
        broad = _broad(np.minimum(reach, bore))
    out = np.isfinite(bore)
    most = np.where(out, bore, np.maximum(most, reach))
    return Rays(reach, np.where(out, bore, reach), out, most)


def _broad(reach: FloatArray) -> FloatArray:
    """Reach of rays and those beside them: the edge of a boss falls between two of them."""
    return np.maximum(reach, np.maximum(np.roll(reach, 1, axis=1), np.roll(reach, -1, axis=1)))


def _reach(row: Station) -> FloatArray:
    """(RAYS,) greatest distance of the open area from the path point, mm."""
    lines = row.region.outline(row.pieces).lines
    a, b = lines[:, :2], lines[:, 2:]
    # Rays that each line crosses: those between the angles of its ends, the shorter way round.
    step = 2.0 * np.pi / RAYS
    begin, end = np.arctan2(a[:, 1], a[:, 0]) / step, np.arctan2(b[:, 1], b[:, 0]) / step
    end = begin + (end - begin + 0.5 * RAYS) % RAYS - 0.5 * RAYS
    first = np.ceil(np.minimum(begin, end)).astype(int)
    counts = np.floor(np.maximum(begin, end)).astype(int) - first + 1
    segment = np.repeat(np.arange(len(a)), counts)
    within = np.arange(len(segment)) - np.repeat(np.cumsum(counts) - counts, counts)
    which = (first[segment] + within) % RAYS
    ray = np.stack([np.cos(which * step), np.sin(which * step)], axis=1)
    along = (b - a)[segment]
    # Where a + t along meets the ray: both crossed with the ray's direction.
    below = a[segment, 0] * ray[:, 1] - a[segment, 1] * ray[:, 0]
    slope = along[:, 0] * ray[:, 1] - along[:, 1] * ray[:, 0]
    flat = slope == 0.0
    share = np.where(flat, 0.0, -below / np.where(flat, 1.0, slope)).clip(0.0, 1.0)
    at = ((a[segment] + share[:, None] * along) * ray).sum(axis=1)
    far = np.zeros(RAYS)
    np.maximum.at(far, which, at)
    # Corners between two rays: an opening narrower than their distance shows by its own.
    nearest = np.round(begin).astype(int) % RAYS
    np.maximum.at(far, nearest, np.hypot(a[:, 0], a[:, 1]))
    return far


def _between(reach: FloatArray, s: FloatArray, long: float) -> tuple[FloatArray, FloatArray]:
    """Reach by pairs of stations before and behind, no further apart than ``long`` mm.

    Returns
    -------
    least, most : (n, RAYS) float64
        The least of the greater reach of two, infinite where there is no pair; and the lesser of
        the greatest reach before and the greatest behind.
    """
    least = np.full_like(reach, np.inf)
    most = np.full_like(reach, np.inf)
    for k in range(len(s)):
        a, b = np.searchsorted(s, [s[k] - long, s[k] + long])
        before, behind = reach[a:k][::-1], reach[k + 1 : b]  # nearest first
        for side in (before, behind):
            if len(side):
                np.minimum(most[k], side.max(axis=0), out=most[k])
        partner = np.searchsorted(s[k + 1 : b], s[a:k][::-1] + long, side="right") - 1
        fits = partner >= 0
        if fits.any():
            one = np.minimum.accumulate(before, axis=0)[fits]
            two = np.minimum.accumulate(behind, axis=0)[partner[fits]]
            least[k] = np.maximum(one, two).min(axis=0)
    return least, np.where(np.isfinite(most), most, 0.0)


def _steep(reach: FloatArray, s: FloatArray, step: float, deep: float) -> BoolArray:
    """(n, RAYS) whether a ray has grown steeply just before a station, by more than ``deep``."""
    out = np.zeros(reach.shape, np.bool_)
    for k in range(1, len(s)):
        a = min(k - 1, int(np.searchsorted(s, s[k] - step)))
        # Between stations far apart nobody knows how steep it is: it is taken for steep.
        allowed = reach[a:k] + STEEP * np.minimum(s[k] - s[a:k], step)[:, None]
        out[k] = reach[k] > allowed.min(axis=0) + deep
    return out


def _touching(out: BoolArray, edge: BoolArray) -> BoolArray:
    """Cells whose run of stations on a ray begins, ends or is crossed by an edge.

    ``edge`` (n + 1, RAYS): between a station and the one before it.
    """
    kept = out & (edge[:-1] | edge[1:])
    for order in (range(1, len(out)), range(len(out) - 2, -1, -1)):
        step = -1 if order.step > 0 else 1
        for k in order:
            kept[k] |= out[k] & kept[k + step]
    return kept


def _at_end(
    bore: FloatArray,
    reach: FloatArray,
    broad: FloatArray,
    inward: FloatArray,
    steep: BoolArray,
    wide: float,
) -> None:
    """Openings that the first station cuts, written into ``bore``: only their far edge shows.

    ``inward``: distance from the end, mm. ``steep``: where a ray has grown towards the end.
    """
    least = np.minimum.accumulate(reach, axis=0)
    for k in range(1, int(np.searchsorted(inward, 0.5 * LONG * wide))):
        # A little past its edge too: beside the tip of an opening the next ray is still open.
        past = min(int(np.searchsorted(inward, inward[k] - _STEP * wide)) - 1, k - 2)
        past = max(past, 0)
        deeper = least[past] > broad[k] + DEEP * wide
        closed = _with_beside(deeper, steep[past:k].any(axis=0))
        bore[:k, closed] = np.minimum(bore[:k, closed], broad[k, closed])
    bore[reach <= bore + DEEP * wide] = np.inf


def _with_beside(rays: BoolArray, some: Any) -> BoolArray:
    """(RAYS,) those of some rays that are in one run round the path with some of the others."""
    if rays.all():
        return rays if some.any() else np.zeros_like(rays)
    first = int(np.argmin(rays))
    rays, some = np.roll(rays, -first), np.roll(some, -first)
    run = np.cumsum(~rays)
    return np.roll(rays & np.isin(run, run[rays & some]), first)

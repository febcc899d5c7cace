"""The wall of a duct unrolled round its path, and the smooth wall under what stands inward of it.

The wall is taken as radii r(s, angle). Each angle is followed along the duct by a smooth curve
that does not heed what stands inward of it: a cubic, fitted again and again without that.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import shapely

from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.section import FloatArray, Section, Surface

#: Rays round the path.
RAYS = 180
#: Degree of the smooth curve along the duct; rounds of leaving out what stands inward of it.
_DEGREE, _ROUNDS = 3, 30
#: Rounds of the envelope, and the weight of what stands inward of it.
_ENVELOPE, _LIGHT = 12, 0.02
#: Inward by more than this share of the radius is a patch, not the grain of the facets.
_GRAIN = 0.004


def radii(part: Section, walls: Sequence[Surface]) -> tuple[FloatArray, FloatArray]:
    """Of each ray round the path: mm to where it first meets the wall, and what is open along it.

    The latter is the sum of far radius squared less near radius squared over its open stretches,
    mm2: behind a boss there may be more of the bore. NaN where the section is not measured.
    """
    region = Region(part, walls)
    if region.state != "measured":
        return np.full(RAYS, np.nan), np.full(RAYS, np.nan)
    polygon = region.polygon(region.main)
    far = 2.0 * float(np.abs(region.box[region.main]).max())
    turn = 2.0 * np.pi * np.arange(RAYS) / RAYS
    ends = far * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rays = shapely.linestrings(np.stack([np.zeros_like(ends), ends], axis=1))
    pieces, owner = shapely.get_parts(shapely.intersection(rays, polygon), return_index=True)
    lines = shapely.get_type_id(pieces) == 1
    pieces, owner = pieces[lines], owner[lines]
    ends = shapely.get_coordinates(pieces)
    reach = np.hypot(ends[:, 0], ends[:, 1]).reshape(-1, 2)
    near, beyond = reach.min(axis=1), reach.max(axis=1)
    first, squares = np.full(RAYS, np.nan), np.zeros(RAYS)
    np.add.at(squares, owner, beyond**2 - near**2)
    begun = near <= 1e-9 * far
    first[owner[begun]] = beyond[begun]
    return first, squares


def bridged(s: FloatArray, first: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Smooth radii (stations, rays), and where the wall stands inward of them.

    Tried on each ray's share of the usual radius of its station, so that a waist all round goes
    with the bore, and on the radii as they are, which patches round half of the bore do not change;
    and begun from the middle of them and from their outer envelope, which no long patch bends. What
    leaves least of the wall unexplained stands.
    """
    best: tuple[float, FloatArray, BoolArray] | None = None
    even = np.full(len(s), float(np.median(first)))
    for bore, outer in itertools.product((np.median(first, axis=1), even), (False, True)):
        shape = first / bore[:, None]
        smooth = _followed(s, shape, outer)
        odd = float((np.abs(smooth - shape) > _GRAIN).mean())
        if best is None or odd < best[0]:
            best = odd, smooth * bore[:, None], smooth - shape > _GRAIN
    assert best is not None
    return best[1:]


def _followed(s: FloatArray, shape: FloatArray, outer: bool) -> FloatArray:
    """A cubic along each ray that does not heed what stands inward of it, (stations, rays).

    What stands inward of the fit is left out, and it is fitted again.
    """
    x = 2.0 * (s - s[0]) / max(s[-1] - s[0], 1e-300) - 1.0
    basis = np.polynomial.chebyshev.chebvander(x, _DEGREE)
    smooth = np.empty_like(shape)
    for k in range(shape.shape[1]):
        keep = np.ones(len(s), np.bool_)
        fitted = basis @ np.linalg.lstsq(basis, shape[:, k], rcond=None)[0]
        for _ in range(_ENVELOPE if outer else 0):
            # Asymmetric least squares: what stands inward weighs next to nothing.
            weight = np.where(shape[:, k] < fitted - _GRAIN, _LIGHT, 1.0)[:, None]
            fitted = (
                basis @ np.linalg.lstsq(weight * basis, weight[:, 0] * shape[:, k], rcond=None)[0]
            )
        for _ in range(_ROUNDS):
            off = fitted - shape[:, k]
            worst = float(off[keep].max())
            # The deepest half goes first: a fit that heeds the patch bends towards it.
            after = keep & (off <= max(0.5 * worst, _GRAIN))
            if worst <= _GRAIN or after.sum() < max(2 * (_DEGREE + 1), 0.35 * len(s)):
                break
            keep = after
            fitted = basis @ np.linalg.lstsq(basis[keep], shape[keep, k], rcond=None)[0]
        smooth[:, k] = fitted
    return smooth

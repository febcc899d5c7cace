"""What the facets and the path's tilt leave uncertain in a section's area."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.flow.region import Outline, Region
from geomcheck.flow.section import FloatArray, Surface

#: A facet nearer than this to lying in the plane is taken at this slope (sine of the angle): the
#: outline on it can move far, but not without end.
_FLATTEST = 0.1


@dataclass(frozen=True, slots=True)
class Gradient:
    """Change of a section's area with the plane that cuts it.

    ``shift``: mm2 per mm along the normal. ``tilt_x``, ``tilt_y``: mm2 per radian about x and y
    through the centroid. ``angle``: degrees between the plane and the plane of least area, were
    the duct a straight pipe there. ``excess``: mm2 by which a straight pipe's area would be
    overstated by that angle.
    """

    shift: float
    tilt_x: float
    tilt_y: float
    angle: float
    excess: float


def slopes(outline: Outline, normal: FloatArray, surfaces: Sequence[Surface]) -> FloatArray:
    """(k,) cosine of the angle between each segment's facet normal and the plane's normal."""
    out = np.zeros(len(outline.part))
    for number in np.unique(outline.part):
        rows = outline.part == number
        out[rows] = surfaces[number].normals(outline.triangle[rows]) @ normal
    return out


def facet_reach(
    region: Region, pieces: Sequence[int], surfaces: Sequence[Surface]
) -> tuple[float, float]:
    """How much area the true surface may take from and add to some pieces, mm2.

    Each segment of the outline may be off by its facet's bound, divided by the sine of the
    facet's angle to the plane. Metal that bulges outward takes area; metal that lies inward of
    the facet, as on a bore drawn with chords, adds it.
    """
    if not any(surface.outward.any() or surface.inward.any() for surface in surfaces):
        return 0.0, 0.0
    outline = region.outline(pieces)
    cosine = slopes(outline, region.section.frame[9:12], surfaces)
    weight = outline.lengths / np.maximum(np.sqrt(np.clip(1.0 - cosine**2, 0, 1)), _FLATTEST)
    minus = plus = 0.0
    for number in np.unique(outline.part):
        rows = outline.part == number
        triangle = outline.triangle[rows]
        minus += float(weight[rows] @ surfaces[number].outward[triangle])
        plus += float(weight[rows] @ surfaces[number].inward[triangle])
    return minus, plus


def gradient(region: Region, pieces: Sequence[int], surfaces: Sequence[Surface]) -> Gradient:
    """Exact gradient of the area from the outline and the facets it lies on.

    dA / d(shift, tilt x, tilt y) is the integral along the outline of cot(beta) (1, y, -x), where
    beta is the angle between the facet and the plane: each element of a plane that moves by h
    moves the outline by h cot(beta). For a straight pipe of section A0 cut askew by t the area is
    A0 / cos t and its gradient A tan t, which gives ``angle`` and ``excess``; elsewhere both are
    estimates.
    """
    outline = region.outline(pieces)
    cosine = slopes(outline, region.section.frame[9:12], surfaces)
    cot = cosine / np.maximum(np.sqrt(np.clip(1.0 - cosine**2, 0.0, 1.0)), 1e-9)
    area = float(region.area[list(pieces)].sum())
    middle = np.zeros(2)
    for piece in pieces:
        centre = region.polygon(piece).centroid
        middle += region.area[piece] / area * np.array([centre.x, centre.y])
    at = 0.5 * (outline.lines[:, :2] + outline.lines[:, 2:]) - middle
    weight = cot * outline.lengths
    shift, tilt_x, tilt_y = float(weight.sum()), float(weight @ at[:, 1]), -float(weight @ at[:, 0])
    angle = math.atan2(math.hypot(tilt_x, tilt_y), area)
    return Gradient(shift, tilt_x, tilt_y, math.degrees(angle), area * (1.0 - math.cos(angle)))

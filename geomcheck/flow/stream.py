"""What a stretch of a duct leaves open along a line: a bound that no surface across can undercut.

A stream of strength 1 along a line goes wherever no facet stands in its way. It has no sources
(the unit tangents of lines parallel to a path have no divergence), so by the duality of flow and
cut every surface that parts the two ends of the stretch is at least as large as that stream is
wide (G. Strang, 1983, "Maximal flow through a domain"; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geomcheck.flow import between
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import FloatArray, Surface

#: A stretch is laid out in steps, so many that lines along it stray by no more than this (mm) in
#: one; most steps.
_STRAY, _STEPS = 0.02, 200
#: Straight lines whose directions differ by less are the same (radians).
_ALIKE = 1e-5


@dataclass(frozen=True, eq=False)
class Line:
    """A stretch of a path in steps.

    Parameters
    ----------
    frames : (m + 1, 12) float64
        Origin, u, v, tangent where steps begin and end.
    step, turning : (m,) float64
        Arc length (mm) and turning (radians) of each step.
    """

    frames: FloatArray
    step: FloatArray
    turning: FloatArray

    @classmethod
    def of(cls, path: FlowPath, begin: float, end: float) -> Line:
        """Of a path from one arc length (mm) to another."""
        turning = path.turning(np.array([begin, end]))
        # Lines stray by the length of a step times its turning, and both fall with the steps.
        stray = (end - begin) * float(turning[1] - turning[0])
        steps = int(np.clip(np.ceil(np.sqrt(stray / _STRAY)), 1, _STEPS))
        s = np.linspace(begin, end, steps + 1)
        return cls(path.frames(s), np.diff(s), np.diff(path.turning(s)))


@dataclass(frozen=True, eq=False)
class Open:
    """What is open along a line from one end or the other.

    ``low``: mm2, facets allowed for; 0 where nothing can be said because planes across the line
    meet within the bore. ``seen``: the open area it was seen from, mm2. ``hidden``: geometry that
    is not open, in the (x, y) of the line's frames.
    """

    low: float
    seen: float = 0.0
    hidden: Any = None


def same(one: Line, other: Line) -> bool:
    """Whether two straight lines run alike."""
    if len(one.step) > 1 or len(other.step) > 1:
        return False
    return bool(np.abs(one.frames[:, 9:12] - other.frames[:, 9:12]).max() < _ALIKE)


def open_along(
    surfaces: Sequence[Surface], line: Line, near: Any, far: Any, enough: float = np.inf
) -> Open:
    """Area that is open from the near to the far end of a line.

    Parameters
    ----------
    surfaces : sequence of Surface
    line : Line
    near, far : geometry
        Open area at the two ends, shapely, in the (x, y) of the line's first and last frame; what
        arrives beside the other end does not count.
    enough : float
        mm2: where that much is open seen from the near end, the other end is not asked.
    """
    boxes = np.array([near.bounds, far.bounds])
    steps = len(line.step)
    low = np.tile(boxes[:, :2].min(axis=0), (2, steps, 1))
    high = np.tile(boxes[:, 2:].max(axis=0), (2, steps, 1))
    rims = tuple(shapely.get_coordinates(shapely.convex_hull(end)) for end in (near, far))
    slabs = between.Slabs(
        line.frames[:-1], line.frames[1:], low, high, line.step, line.turning, rims
    )
    if slabs.planes_meet.any():
        return Open(0.0)
    tilt = float(np.cos(0.5 * slabs.angle.max()))
    best = Open(0.0)
    for sense, bore, end in ((1.0, near, far), (-1.0, far, near)):
        found = _from(surfaces, slabs, sense, bore, end, tilt)
        if found.low > best.low:
            best = found
        if best.low >= enough:
            break
    return best


def _from(
    surfaces: Sequence[Surface],
    slabs: between.Slabs,
    sense: float,
    bore: Any,
    end: Any,
    tilt: float,
) -> Open:
    shapely.prepare(bore)
    # What arrives beside the other end went another way: into a dead leg that crosses its plane.
    stray = max(float(slabs.margin(k).max()) for k in (0, 1))
    shades: list[Any] = [_faces(shapely.difference(bore, shapely.buffer(end, stray)))]
    lost, edge = 0.0, 0.0
    for k in range(len(slabs.step)):
        one = slabs.row(k)
        margin = float(one.margin(0)[0])
        for surface in surfaces:
            facets = between.shadows(surface, one, sense, bore)
            if not len(facets):
                continue
            facets = facets[shapely.dwithin(facets, bore, max(margin, 1e-6))]
            shade = _faces(shapely.union_all(facets))
            if shade.is_empty:
                continue
            if surface.outward.any():
                inside = shapely.intersection(shapely.boundary(shade), bore).length
                edge += inside * float(surface.outward.max())
            shades.append(shapely.buffer(shade, margin) if margin > 1e-6 else shade)
        lost += bore.area * float(one.stray[0])
    hidden = _overlap(shapely.union_all(shades), bore)
    low = bore.area - hidden.area / tilt - lost - edge
    return Open(max(low, 0.0), bore.area, hidden)


def _overlap(one: Any, other: Any) -> Any:
    """What two geometries share, on a grid of a nanometre where slivers defeat exact noding."""
    try:
        return shapely.intersection(one, other)
    except shapely.errors.GEOSException:
        one, other = shapely.make_valid(one), shapely.make_valid(other)
        return shapely.intersection(one, other, grid_size=1e-6)


def _faces(shape: Any) -> Any:
    """What of a geometry has an area."""
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    parts = shapely.get_parts(shape)
    return shapely.union_all(parts[shapely.area(parts) > 0.0])

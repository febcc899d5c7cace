"""The gap field: how far each point of a body is from the bodies round it.

The distance of a point to a body is exact (to the rounding of float64) and has a sign: less than
zero inside a solid. Between two points it changes by no more than their distance (it is
1-Lipschitz), so what is known at a point bounds it all round; :mod:`geomcheck.fit.cells` uses that
for the places between the vertices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fit.body import Body, FloatArray, IntArray
from geomcheck.mesh.query import point_distance


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """The nearest body of each point.

    Parameters
    ----------
    distance : (n,) float64
        Signed, mm: less than zero inside a solid; inf where nothing is within the limit, which is
        no measurement.
    nearest : (n,) int64
        Number of the nearest body as given; -1 beyond the limit.
    point : (n, 3) float64
        Its nearest point; NaN beyond the limit.
    triangle : (n,) int64
        The triangle it lies on; -1 beyond the limit.
    unsigned : tuple of int
        Bodies that are not solid: no point is known to be inside them.
    """

    distance: FloatArray
    nearest: IntArray
    point: FloatArray
    triangle: IntArray
    unsigned: tuple[int, ...]


def gap_field(points: FloatArray, bodies: Sequence[Body], limit: float) -> Field:
    """Distance of each point to the nearest of several bodies.

    Parameters
    ----------
    points : (n, 3) float
        mm; the vertices of a body, or any others.
    bodies : sequence of Body
        In place. Of bodies at the same distance the first counts.
    limit : float
        Largest distance of interest, mm. Inside a solid depths of any size are measured.

    Raises
    ------
    InputError
        The limit is negative or NaN, or the points are not finite or not (n, 3).
    """
    if not limit >= 0.0:
        raise InputError(f"a limit of {limit} mm makes no sense", remedy="State it in mm")
    at = np.ascontiguousarray(points, dtype=np.float64)
    if at.ndim != 2 or at.shape[1] != 3 or not np.isfinite(at).all():
        raise InputError("points must be finite and have the shape (n, 3)")
    n = len(at)
    out = Field(
        np.full(n, np.inf),
        np.full(n, -1, dtype=np.int64),
        np.full((n, 3), np.nan),
        np.full(n, -1, dtype=np.int64),
        tuple(number for number, body in enumerate(bodies) if not body.solid),
    )
    for number, body in enumerate(bodies):
        low, high = body.bounds
        outside = np.maximum(0.0, np.maximum(low - at, at - high))
        rows = np.flatnonzero(np.linalg.norm(outside, axis=1) <= limit)
        near = point_distance(body.tree, at[rows], limit)
        distance, foot, triangle = near.distance, near.point, near.triangle
        if body.solid:
            within = body.contains(np.ascontiguousarray(at[rows]))
            deep = within & ~np.isfinite(distance)
            if deep.any():
                again = point_distance(body.tree, at[rows[deep]], np.inf)
                distance[deep], foot[deep] = again.distance, again.point
                triangle[deep] = again.triangle
            distance = np.where(within, -distance, distance)
        better = distance < out.distance[rows]
        rows = rows[better]
        out.distance[rows] = distance[better]
        out.nearest[rows] = number
        out.point[rows] = foot[better]
        out.triangle[rows] = triangle[better]
    return out

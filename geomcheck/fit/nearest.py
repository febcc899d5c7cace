"""Where two bodies come nearest, for a question that has no other place to show."""

from __future__ import annotations

import numpy as np

from geomcheck.finding import Point
from geomcheck.fit.body import Body, as_point
from geomcheck.mesh.query import least_distance


def nearest_points(a: Body, b: Body) -> tuple[Point, Point]:
    """Nearest points of two bodies, as they stand, mates and all.

    Parameters
    ----------
    a, b : Body
        In place, mm.

    Returns
    -------
    (Point, Point)
        On the first and on the second, mm.

    Examples
    --------
    >>> import trimesh
    >>> a = trimesh.creation.box((10, 10, 10))
    >>> b = trimesh.creation.box((10, 10, 10)).apply_translation((14, 0, 0))
    >>> [point[0] for point in nearest_points(Body.of(a), Body.of(b))]
    [5.0, 9.0]
    """
    near = least_distance(a.tree, b.tree, cutoff=np.inf)
    if near is None:
        return as_point(a.vertices[a.faces[0, 0]]), as_point(b.vertices[b.faces[0, 0]])
    return as_point(near.point_a), as_point(near.point_b)

"""Whether a surface without an inside may come to hold part of a body that moves."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from geomcheck.fit.body import Body


def may_come_to_hold(inner: Body, outer: Body, margin: float) -> bool:
    """Whether a piece of ``inner`` may lie within the convex hull of ``outer`` in some pose.

    What an open surface is the skin of is taken to lie within its convex hull, as in
    :func:`geomcheck.fit.inside.may_hold`. A piece with a point that stands farther out of the
    hull than anything moves stays out of it in every pose.

    Parameters
    ----------
    inner, outer : Body
        In one pose.
    margin : float
        mm no point of either moves farther than, together, from there.
    """
    low, high = outer.bounds
    boxes = inner.component_bounds
    near = ((boxes[:, 0] >= low - margin) & (boxes[:, 1] <= high + margin)).all(axis=1)
    if not near.any():
        return False
    try:
        planes = ConvexHull(outer.vertices).equations
    except QhullError:
        return False  # flat: it encloses nothing
    for piece in np.flatnonzero(near):
        vertices = inner.vertices[np.unique(inner.faces[inner.component == piece])]
        blocks = np.array_split(vertices, max(1, len(vertices) * len(planes) // 4_000_000))
        if all((b @ planes[:, :3].T + planes[:, 3] <= margin).all() for b in blocks):
            return True
    return False

"""Whether something stands between a point and the camera."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geomcheck.mesh.query import first_hit
from geomcheck.mesh.tree import TriangleTree
from geomcheck.reports.still.camera import FloatArray


def hidden(trees: Sequence[TriangleTree], points: FloatArray, directions: FloatArray) -> FloatArray:
    """Fraction of the points that parts hide from cameras looking along each direction.

    Parameters
    ----------
    trees : sequence of TriangleTree
        Parts that may stand in the way.
    points : (n, 3) float
        mm.
    directions : (k, 3) float
        From the camera to the place.

    Returns
    -------
    (k,) float64
    """
    origins = np.tile(points, (len(directions), 1))
    back = -np.repeat(directions, len(points), axis=0)
    blocked = np.zeros(len(origins), dtype=np.bool_)
    for tree in trees:
        still = np.flatnonzero(~blocked)
        distance, _ = first_hit(tree, origins[still], back[still])
        blocked[still] = np.isfinite(distance)
    return np.asarray(blocked.reshape(len(directions), len(points)).mean(axis=1))

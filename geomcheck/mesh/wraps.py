"""How often a closed mesh wraps points; see ``geomcheck.kernels.columns``."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.kernels import columns
from geomcheck.mesh import threads
from geomcheck.mesh.given import as_points
from geomcheck.mesh.tree import as_tree

IntArray: TypeAlias = NDArray[np.int64]


def wraps(tree: Any, points: ArrayLike) -> IntArray:
    """Winding number of a closed mesh about each of (n, 3) points, a whole number.

    The same as :func:`geomcheck.mesh.query.winding_number`, at the cost of a ray instead of a sum
    over all triangles, but only for a mesh that closes: one whose every edge has as many
    triangles running one way along it as the other way, with bitwise equal corners. For any other
    the answer depends on where the openings are.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    points : (n, 3) float
        mm; finite. Points on the surface come out either way.

    Returns
    -------
    (n,) int64
        1 inside a solid that faces outwards, -1 in one turned inside out, 0 outside, 2 where two
        solids overlap.

    Raises
    ------
    InputError
        As :func:`geomcheck.mesh.query.point_distance`.
    """
    shape = as_tree(tree)
    at = as_points(points, "points")
    out = np.zeros(len(at), dtype=np.int64)
    low, high = shape.bounds
    inside = np.flatnonzero(((at >= low) & (at <= high)).all(axis=1))
    if len(inside):
        asked = np.ascontiguousarray(at[inside])
        ways = np.argmin(np.concatenate([high - asked, asked - low], axis=1), axis=1)
        found = np.zeros(len(asked), dtype=np.int64)
        threads.each(
            lambda begin, end: columns.wraps(
                shape.boxes, shape.triangles, shape.leaf, asked, ways, found, begin, end
            ),
            threads.chunks(len(asked), 4096),
        )
        out[inside] = found
    return out

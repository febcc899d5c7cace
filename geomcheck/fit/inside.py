"""Whether one body has swallowed another, where no two triangles meet.

Without contact a connected piece lies wholly inside or wholly outside another body's material, so
one of its points tells. A piece inside a hollow of the material (a bore, a void) is outside.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from geomcheck.fit.body import Body, FloatArray, IntArray
from geomcheck.mesh.query import point_distance

#: Corners of a piece tried when its surface may touch the other body.
TRIED = 16


def swallowed(a: Body, b: Body) -> IntArray:
    """Numbers of a's connected pieces that lie in the material of b.

    Parameters
    ----------
    a : Body
    b : Body
        Must be solid.

    Notes
    -----
    The piece's corner farthest from b's surface among a few is asked, so that a piece which
    touches b in a declared mate is judged by a point that does not lie on b.
    """
    candidates = boxed_pieces(a, b.bounds)
    if len(candidates) == 0:
        return candidates
    points = np.concatenate([_corners(a, int(piece)) for piece in candidates])
    owner = np.repeat(np.arange(len(candidates)), TRIED)
    away = point_distance(b.tree, np.ascontiguousarray(points), np.inf).distance
    order = np.lexsort((-away, owner))
    pick = order[np.searchsorted(owner[order], np.arange(len(candidates)))]
    return candidates[b.contains(np.ascontiguousarray(points[pick]))]


def may_hold(a: Body, b: Body) -> bool:
    """Whether a surface without an inside may be the skin of material that holds part of a.

    What b is the skin of is taken to lie within b's convex hull. A connected piece of a that
    reaches out of the hull without meeting b is not swallowed; one that lies wholly within may be.

    Parameters
    ----------
    a : Body
    b : Body
        Not solid.
    """
    candidates = boxed_pieces(a, b.bounds)
    if len(candidates) == 0:
        return False
    try:
        planes = ConvexHull(b.vertices).equations
    except QhullError:
        return False  # flat: it encloses nothing
    size = float(np.linalg.norm(b.bounds[1] - b.bounds[0]))
    for piece in candidates:
        faces = a.faces[a.component == piece]
        vertices = a.vertices[np.unique(faces)]
        few = np.unique(
            np.concatenate([vertices.argmin(axis=0), vertices.argmax(axis=0)])
        )  # most pieces that reach out do so at one of these
        if _within(vertices[few], planes, size) and _within(vertices, planes, size):
            return True
    return False


def _within(points: FloatArray, planes: FloatArray, size: float) -> bool:
    return all(
        bool((planes[:, :3] @ part.T + planes[:, 3:] <= 1e-9 * size).all())
        for part in np.array_split(points, max(1, len(points) * len(planes) // 4_000_000))
    )


def boxed_pieces(a: Body, bounds: FloatArray) -> IntArray:
    """Pieces of a whose box lies in a box."""
    if not ((a.bounds[0] <= bounds[1]) & (a.bounds[1] >= bounds[0])).all():
        return np.empty(0, dtype=np.int64)
    boxes = a.component_bounds
    inside = ((boxes[:, 0] >= bounds[0]) & (boxes[:, 1] <= bounds[1])).all(axis=1)
    return np.flatnonzero(inside)


def _corners(a: Body, piece: int) -> FloatArray:
    """``TRIED`` corners of one piece, spread over its triangles (repeated if there are fewer)."""
    rows = np.flatnonzero(a.component == piece)
    spread = rows[np.linspace(0, len(rows) - 1, TRIED).astype(np.int64)]
    corner = np.arange(TRIED) % 3
    return np.asarray(a.vertices[a.faces[spread, corner]])

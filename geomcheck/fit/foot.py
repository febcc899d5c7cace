"""Distance of points to triangles, one to one."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.body import FloatArray


def point_triangle(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """Distance of each (k, 3) point to its own (k, 3, 3) triangle, mm.

    Closest point by the regions of the barycentric plane (C. Ericson, Real-Time Collision
    Detection, 2005, section 5.1.5; from memory), taken as the least of the foot in the face, where
    it lies in the face, and the three sides.
    """
    best = np.full(len(points), np.inf)
    for corner in range(3):
        a = triangles[:, corner]
        side = triangles[:, (corner + 1) % 3] - a
        length = np.einsum("ij,ij->i", side, side)
        along = np.einsum("ij,ij->i", points - a, side) / np.where(length > 0.0, length, 1.0)
        foot = a + np.clip(along, 0.0, 1.0)[:, None] * side
        np.minimum(best, np.linalg.norm(points - foot, axis=1), out=best)
    a = triangles[:, 0]
    u = triangles[:, 1] - a
    v = triangles[:, 2] - a
    normal = np.cross(u, v)
    square = np.einsum("ij,ij->i", normal, normal)
    w = points - a
    safe = np.where(square > 0.0, square, 1.0)
    beta = np.einsum("ij,ij->i", np.cross(w, v), normal) / safe
    gamma = np.einsum("ij,ij->i", np.cross(u, w), normal) / safe
    over = (square > 0.0) & (beta >= 0.0) & (gamma >= 0.0) & (beta + gamma <= 1.0)
    height = np.abs(np.einsum("ij,ij->i", w, normal)) / np.sqrt(safe)
    best[over] = np.minimum(best[over], height[over])
    return best

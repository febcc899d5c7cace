"""Cut triangles at the planes of a convex region."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.body import BoolArray, FloatArray, IntArray
from geomcheck.fit.pieces import Piece


def cut(piece: Piece, flags: IntArray, planes: FloatArray, bit: int) -> tuple[Piece, IntArray]:
    """Cut triangles along a convex region and flag what lies in it.

    Parameters
    ----------
    piece : Piece
    flags : (k,) int64
        One bit field per triangle.
    planes : (p, 4) float
        Half-spaces ``x . planes[:, :3] <= planes[:, 3]`` whose common part is the region.
    bit : int
        Set in the flags of every triangle (or fragment of one) in the region.

    Returns
    -------
    Piece, (l,) int64
        Triangles that were not cut keep their corners; fragments cover the triangle they come
        from, whose number is their parent.
    """
    corners = piece.triangles
    height = np.einsum("ijk,pk->ijp", corners, planes[:, :3]) - planes[:, 3]
    # Clear of one plane is clear of the region; lying in a plane is not.
    outside = ((height >= 0.0).all(axis=1) & (height > 0.0).any(axis=1)).any(axis=1)
    inside = (height <= 0.0).all(axis=(1, 2))
    flags = np.where(inside, flags | bit, flags)
    torn = ~(inside | outside)
    if not torn.any():
        return piece, flags
    whole = ~torn
    new_corners = [corners[whole]]
    new_parent = [piece.parent[whole]]
    new_flags = [flags[whole]]
    for row in np.flatnonzero(torn):
        kept, dropped = _split(corners[row], planes)
        for polygons, flag in ((kept, flags[row] | bit), (dropped, flags[row])):
            for polygon in polygons:
                fan = _fan(polygon)
                new_corners.append(fan)
                new_parent.append(np.full(len(fan), piece.parent[row]))
                new_flags.append(np.full(len(fan), flag))
    return (
        Piece(np.ascontiguousarray(np.concatenate(new_corners)), np.concatenate(new_parent)),
        np.concatenate(new_flags),
    )


def _split(triangle: FloatArray, planes: FloatArray) -> tuple[list[FloatArray], list[FloatArray]]:
    """The part of a triangle in the region (at most one polygon) and the convex rest."""
    polygon = triangle
    dropped = []
    for plane in planes:
        height = polygon @ plane[:3] - plane[3]
        if (height <= 0.0).all():
            continue
        if (height >= 0.0).all():
            dropped.append(polygon)
            return [], dropped
        polygon, rest = _halve(polygon, height)
        dropped.append(rest)
    return [polygon], dropped


def _halve(polygon: FloatArray, height: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cut a convex polygon where ``height`` changes sign: the part below, the part above.

    After I. Sutherland and G. Hodgman, Reentrant polygon clipping, CACM 17, 1974 (from memory).
    """
    below: list[FloatArray] = []
    above: list[FloatArray] = []
    count = len(polygon)
    for i in range(count):
        p, q = polygon[i], polygon[(i + 1) % count]
        h, k = float(height[i]), float(height[(i + 1) % count])
        if h <= 0.0:
            below.append(p)
        if h >= 0.0:
            above.append(p)
        if h * k < 0.0:
            point = p + (q - p) * (h / (h - k))
            below.append(point)
            above.append(point)
    return np.array(below), np.array(above)


def _fan(polygon: FloatArray) -> FloatArray:
    """Triangles of a convex polygon, those without area left out unless all are."""
    count = len(polygon)
    fan = np.stack(
        [np.stack([polygon[0], polygon[i], polygon[i + 1]]) for i in range(1, count - 1)]
    )
    solid: BoolArray = (
        np.linalg.norm(np.cross(fan[:, 1] - fan[:, 0], fan[:, 2] - fan[:, 0]), axis=1) > 0.0
    )
    return fan[solid] if solid.any() else fan[:1]

"""Where on two bodies something is near: large triangles cut down to small pieces."""

from __future__ import annotations

import numpy as np

from geomcheck.fit.body import FloatArray
from geomcheck.fit.pieces import Pairing
from geomcheck.mesh.query import near_masks, point_distance
from geomcheck.mesh.tree import TriangleTree

#: Pieces with sides up to this length (mm) are not cut any further ...
SMALL = 2.0
#: ... nor are any, once there are so many.
MANY = 50_000


def near_pieces(pairing: Pairing, distance: float) -> tuple[FloatArray, FloatArray]:
    """Corners of small pieces that hold all of each body within a distance of the other.

    Parameters
    ----------
    pairing : Pairing
        What of the two bodies is measured.
    distance : float
        mm.

    Returns
    -------
    (k, 3) float64, (l, 3) float64
        Corner points of the pieces of the first and of the second body. Every point of a body
        that is within ``distance`` of what it is measured against lies in the triangle of three
        consecutive rows; pieces farther away than ``distance`` and their own size are left out.
    """
    near_a: list[FloatArray] = [np.empty((0, 3))]
    near_b: list[FloatArray] = [np.empty((0, 3))]
    for piece_a, piece_b in pairing.blocks:
        mask_a, mask_b = near_masks(piece_a.tree, piece_b.tree, distance)
        near_a.append(_cut(piece_a.triangles[mask_a], piece_b.tree, distance).reshape(-1, 3))
        near_b.append(_cut(piece_b.triangles[mask_b], piece_a.tree, distance).reshape(-1, 3))
    return np.concatenate(near_a), np.concatenate(near_b)


def _cut(triangles: FloatArray, other: TriangleTree, distance: float) -> FloatArray:
    """Triangles (k, 3, 3), quartered until they are small or clear of the other body."""
    kept: list[FloatArray] = [np.empty((0, 3, 3))]
    waiting = triangles
    while len(waiting):
        middle = waiting.mean(axis=1)
        radius = np.linalg.norm(waiting - middle[:, None], axis=2).max(axis=1)
        away = point_distance(other, middle, distance + float(radius.max())).distance
        waiting = waiting[away <= distance + radius]
        sides = np.linalg.norm(waiting - np.roll(waiting, 1, axis=1), axis=2).max(axis=1)
        small = sides <= SMALL
        kept.append(waiting[small])
        waiting = waiting[~small]
        if 4 * len(waiting) + sum(map(len, kept)) > MANY:
            kept.append(waiting)
            break
        waiting = _quarters(waiting)
    return np.concatenate(kept)


def _quarters(triangles: FloatArray) -> FloatArray:
    """Each triangle as four, cut between the middles of its sides."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    d, e, f = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    parts = [(a, d, f), (d, b, e), (f, e, c), (d, e, f)]
    return np.concatenate([np.stack(corners, axis=1) for corners in parts])

"""Put parts in place: turns and a move, a matrix, or the best fit of datum points; by own means."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geomcheck.project.entries import Place
from geomcheck.verify.plain.simple import FloatArray


def placed(place: Place, triangles: FloatArray) -> FloatArray:
    """Triangles moved as a ``place`` table says."""
    if place.matrix is not None:
        matrix = np.array(place.matrix)
        # Written with seven digits or so: the nearest rotation is meant.
        left, _, right = np.linalg.svd(matrix[:3, :3])
        laid: FloatArray = triangles @ (left @ right).T + matrix[:3, 3]
        return laid
    if place.datums:
        turn, shift = best_fit(
            np.array([pair.part for pair in place.datums]),
            np.array([pair.at for pair in place.datums]),
        )
        fitted: FloatArray = triangles @ turn.T + shift
        return fitted
    out = triangles
    for one in place.turns:
        about = np.array(one.about)
        out = (out - about) @ turned(one.axis, one.angle).T + about
    moved: FloatArray = out + np.array(place.move)
    return moved


def turned(axis: Any, degrees: float) -> FloatArray:
    """(3, 3) rotation, from its unit quaternion."""
    unit = np.asarray(axis, dtype=np.float64)
    half = math.radians(degrees) / 2.0
    w = math.cos(half)
    x, y, z = unit / np.linalg.norm(unit) * math.sin(half)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def best_fit(points: FloatArray, targets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rotation and shift that bring points nearest to targets, by Horn's quaternion.

    B. Horn, J. Opt. Soc. Am. A 4 (1987) 629: the eigenvector of the greatest eigenvalue.
    """
    p, q = points - points.mean(axis=0), targets - targets.mean(axis=0)
    s = p.T @ q
    d = np.array([s[1, 2] - s[2, 1], s[2, 0] - s[0, 2], s[0, 1] - s[1, 0]])
    matrix = np.zeros((4, 4))
    matrix[0, 0] = np.trace(s)
    matrix[0, 1:] = matrix[1:, 0] = d
    matrix[1:, 1:] = s + s.T - np.trace(s) * np.eye(3)
    w, x, y, z = np.linalg.eigh(matrix)[1][:, -1]
    turn = turned((1.0, 0.0, 0.0), 0.0)
    length = math.sqrt(x * x + y * y + z * z)
    if length > 0.0:
        turn = turned((x, y, z), math.degrees(2.0 * math.atan2(length, w)))
    return turn, targets.mean(axis=0) - turn @ points.mean(axis=0)

"""Directions round an axis."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def plane_axes(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """(2, 3) unit vectors square to a unit axis and to each other."""
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(axis)))] = 1.0
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    return np.stack([u, np.cross(axis, u)])


def share_of_turn(across: NDArray[np.float64], axis: NDArray[np.float64]) -> float:
    """Share of the turn that triangles (k, 3, 3) cover, seen along the axis."""
    if len(across) == 0:
        return 0.0
    flat = across @ plane_axes(axis).T
    angle = np.arctan2(flat[..., 1], flat[..., 0])
    turn = (angle - angle[:, :1] + math.pi) % (2.0 * math.pi) - math.pi
    low = (angle[:, 0] + turn.min(axis=1)) % (2.0 * math.pi)
    width = np.ptp(turn, axis=1)
    order = np.argsort(low)
    low, high = low[order], (low + width)[order]
    # Once round, with what runs over the start brought in front.
    reach = max(0.0, float(high.max()) - 2.0 * math.pi)
    free = 0.0
    for a, b in zip(low, high, strict=True):
        free += max(0.0, float(a) - reach)
        reach = max(reach, float(b))
    free += max(0.0, 2.0 * math.pi - reach)
    return min(1.0, max(0.0, 1.0 - free / (2.0 * math.pi)))

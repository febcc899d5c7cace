"""Solids and points made from a finding's details."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geomcheck.reports.still.camera import FloatArray

_TOOL_SIDES = 64


def tool_triangles(at: FloatArray, axis: FloatArray, profile: FloatArray) -> FloatArray:
    """(n, 3, 3) closed cylinders of a tool, mm.

    Parameters
    ----------
    at : (3,) float
        Where the tool rests.
    axis : (3,) float
        Unit vector, from the fastener towards the hand.
    profile : (rows, 3) float
        From, to (along the axis), diameter.
    """
    side = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(axis, side)
    angle = np.linspace(0.0, 2.0 * math.pi, _TOOL_SIDES, endpoint=False)
    ring = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * other
    found = []
    for begin, end, diameter in profile:
        low = at + axis * begin + 0.5 * diameter * ring
        high = at + axis * end + 0.5 * diameter * ring
        low_next, high_next = np.roll(low, -1, axis=0), np.roll(high, -1, axis=0)
        bottom = np.broadcast_to(at + axis * begin, low.shape)
        top = np.broadcast_to(at + axis * end, low.shape)
        found += [
            np.stack([low, low_next, high_next], axis=1),
            np.stack([low, high_next, high], axis=1),
            np.stack([bottom, low_next, low], axis=1),
            np.stack([top, high, high_next], axis=1),
        ]
    return np.concatenate(found)


def points_of(value: Any) -> FloatArray:
    """(n, 3) points from the JSON lists of a finding's details; none where there is nothing."""
    if value is None or len(value) == 0:
        return np.zeros((0, 3))
    return np.array(value, dtype=np.float64).reshape(-1, 3)

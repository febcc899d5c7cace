"""Solids and points made from a finding's details."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from geomcheck.reports.still.camera import FloatArray

_TOOL_SIDES = 64
#: Triangles of a box: corners 0 to 3 go round below, 4 to 7 above them, seen from above.
_BOX = np.array(
    [
        *((0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7)),
        *((0, 1, 5), (0, 5, 4), (1, 2, 6), (1, 6, 5)),
        *((2, 3, 7), (2, 7, 6), (3, 0, 4), (3, 4, 7)),
    ]
)


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


def bar_triangles(
    at: FloatArray, axis: FloatArray, toward: FloatArray, bars: FloatArray
) -> FloatArray:
    """(12 m, 3, 3) closed boxes of a tool's arms and handles, mm.

    Parameters
    ----------
    at, axis : (3,) float
        As for :func:`tool_triangles`.
    toward : (3,) float
        Unit vector along the bars, square to the axis.
    bars : (m, 5) float
        From, to (along the axis), width, inner and outer end (from the axis).
    """
    side = np.cross(axis, toward)
    found = []
    for low, high, width, inner, outer in bars:
        corners = np.array(
            [
                at + axis * z + toward * r + side * s
                for z in (low, high)
                for r, s in (
                    (inner, -0.5 * width),
                    (outer, -0.5 * width),
                    (outer, 0.5 * width),
                    (inner, 0.5 * width),
                )
            ]
        )
        found.append(corners[_BOX])
    return np.concatenate(found)


def fan(
    at: FloatArray, axis: FloatArray, toward: FloatArray, radius: float, arc: tuple[float, float]
) -> FloatArray:
    """(n, 3) outline of the sector that a handle sweeps, mm; ``arc`` in degrees from ``toward``."""
    side = np.cross(axis, toward)
    begin, end = arc
    count = max(2, math.ceil((end - begin) / 5.0) + 1)
    angle = np.radians(np.linspace(begin, end, count))[:, None]
    rim = at + radius * (np.cos(angle) * toward + np.sin(angle) * side)
    return rim if end - begin >= 360.0 else np.concatenate([at[None], rim])


def points_of(value: Any) -> FloatArray:
    """(n, 3) points from the JSON lists of a finding's details; none where there is nothing."""
    if value is None or len(value) == 0:
        return np.zeros((0, 3))
    return np.array(value, dtype=np.float64).reshape(-1, 3)


def tool_shape(
    tool: Mapping[str, Any], at: FloatArray, axis: FloatArray, profile: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Triangles of a tool with its handle, the fan of its free arc, and how far it reaches, mm.

    Parameters
    ----------
    tool : mapping
        ``details["tool"]`` of a finding.
    at, axis, profile
        As for :func:`tool_triangles`.
    """
    shapes = [tool_triangles(at, axis, profile)]
    base = tool.get("base")
    if isinstance(base, Mapping):
        foot, up = points_of([base["at"]])[0], points_of([base["axis"]])[0]
        rows = np.array(base["profile"], dtype=np.float64).reshape(-1, 3)
        shapes.append(tool_triangles(foot, up, rows))
    bars = np.array(tool.get("bars", ()), dtype=np.float64).reshape(-1, 5)
    swept = np.zeros((0, 3))
    if len(bars) == 0:
        return np.concatenate(shapes), swept, 0.0
    toward = points_of([tool["toward"]])[0]
    shapes.append(bar_triangles(at, axis, toward, bars))
    last = bars[int(np.argmax(bars[:, 4]))]
    if tool.get("arc") is not None:
        middle = at + 0.5 * float(last[0] + last[1]) * axis
        begin, end = (float(value) for value in tool["arc"])
        swept = fan(middle, axis, toward, float(last[4]), (begin, end))
    return np.concatenate(shapes), swept, float(last[4])

"""Outlines of holes as segments in a plane: which belong to the wall, how near, on which circle."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


def around(begin: FloatArray, end: FloatArray, facing: FloatArray, seen: IntArray) -> IntArray:
    """Segments of the wall that was seen, with those of it that lie between two looks."""
    far = np.maximum(np.hypot(*begin.T), np.hypot(*end.T))
    towards = (facing * (begin + end)).sum(axis=1) < 0.0
    rows = towards & (far <= far[seen].max())
    rows[seen] = True
    wall: IntArray = np.flatnonzero(rows)
    return wall


def distance(begin: FloatArray, end: FloatArray) -> FloatArray:
    """Distance of segments (n, 2) from the origin."""
    along = end - begin
    length = (along**2).sum(axis=1)
    t = -(begin * along).sum(axis=1) / np.where(length > 0.0, length, 1.0)
    place = begin + np.clip(t, 0.0, 1.0)[:, None] * along
    found: FloatArray = np.linalg.norm(place, axis=1)
    return found


def circle(begin: FloatArray, end: FloatArray) -> tuple[float, float]:
    """Radius of the circle through an outline's corners, and how far off the origin it is.

    Least squares (Kasa's linear form) over the corners: where a segment runs on straight into the
    next, as over a diagonal of a facet, there is no corner, and none is counted.
    """
    points = np.concatenate([begin, end])
    centre = points.mean(axis=0)
    order = np.argsort(np.arctan2(points[:, 1] - centre[1], points[:, 0] - centre[0]))
    points = points[order]
    step = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)
    points = points[step > 1e-6]
    if len(points) < 3:
        return float("nan"), float("nan")
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    along = after - before
    length = np.linalg.norm(along, axis=1)
    off = points - before
    bend = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / np.where(
        length > 0, length, 1
    )
    corner = points[bend > 1e-3 * np.maximum(length, 1e-3)]
    if len(corner) < 3:
        corner = points
    system = np.column_stack([2.0 * corner, np.ones(len(corner))])
    answer = np.linalg.lstsq(system, (corner**2).sum(axis=1), rcond=None)[0]
    offset = float(np.hypot(answer[0], answer[1]))
    return float(np.sqrt(max(answer[2] + offset**2, 0.0))), offset

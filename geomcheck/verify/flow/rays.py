"""Straight lines from one opening to another, against every triangle that could be in the way."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import ConvexHull
from shapely.geometry.base import BaseGeometry

from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray

#: Lines and triangles looked at in one go; bounds the memory.
BLOCK = 2_000_000
#: Lines begin and end this share of their length off the openings.
SHORT = 1e-6


def spread(shape: BaseGeometry, row: Station, count: int, rng: np.random.Generator) -> FloatArray:
    """(count, 3) points spread by chance over an opening of a section."""
    low_x, low_y, high_x, high_y = shape.bounds
    found: list[FloatArray] = []
    while sum(len(one) for one in found) < count:
        flat = rng.uniform((low_x, low_y), (high_x, high_y), (4 * count, 2))
        found.append(flat[shapely.contains_xy(shape, flat[:, 0], flat[:, 1])])
    return row.space(np.concatenate(found)[:count])


def between(triangles: FloatArray, points: FloatArray) -> FloatArray:
    """Triangles that are not wholly outside one side of the convex hull of points."""
    hull = ConvexHull(points)
    keep = np.ones(len(triangles), bool)
    for plane in np.unique(hull.equations.round(12), axis=0):
        keep &= (triangles @ plane[:3] + plane[3] <= 1e-6).any(axis=1)
    kept: FloatArray = triangles[keep]
    return kept


def free(begin: FloatArray, end: FloatArray, triangles: FloatArray) -> NDArray[np.bool_]:
    """Whether each line meets no triangle.

    T. Moller and B. Trumbore, "Fast, Minimum Storage Ray-Triangle Intersection", Journal of
    Graphics Tools 2 (1997) 21.
    """
    way = end - begin
    clear = np.ones(len(begin), bool)
    step = max(1, BLOCK // max(len(begin), 1))
    for first in range(0, len(triangles), step):
        block = triangles[first : first + step]
        a, e, f = block[:, 0], block[:, 1] - block[:, 0], block[:, 2] - block[:, 0]
        rows = np.flatnonzero(clear)
        p = np.cross(way[rows, None], f[None])
        det = (p * e).sum(axis=2)
        inverse = 1.0 / np.where(np.abs(det) > 1e-12, det, np.inf)
        t = begin[rows, None] - a
        u = (t * p).sum(axis=2) * inverse
        q = np.cross(t, e[None])
        v = (way[rows, None] * q).sum(axis=2) * inverse
        at = (f * q).sum(axis=2) * inverse
        hit = (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (at > SHORT) & (at < 1.0 - SHORT)
        clear[rows] = ~(hit & (np.abs(det) > 1e-12)).any(axis=1)
    return clear

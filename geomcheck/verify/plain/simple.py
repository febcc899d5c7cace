"""Geometry over all triangles, in plain numpy: slow, and short enough to be read in one go.

Points are (3,) or (n, 3), triangles (m, 3, 3), all mm and float64.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


def to_segments(points: FloatArray, begin: FloatArray, end: FloatArray) -> FloatArray:
    """(n,) distance of each point from its own segment."""
    along = end - begin
    square = np.einsum("ij,ij->i", along, along)
    t = np.einsum("ij,ij->i", points - begin, along) / np.where(square > 0.0, square, 1.0)
    foot = begin + np.clip(t, 0.0, 1.0)[:, None] * along
    distance: FloatArray = np.linalg.norm(points - foot, axis=1)
    return distance


def to_triangles(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """(m,) distance of each point (m, 3) from its own triangle: its face, else its edges."""
    a, b, c = (triangles[:, k] for k in range(3))
    best = np.minimum(to_segments(points, a, b), to_segments(points, b, c))
    best = np.minimum(best, to_segments(points, c, a))
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=1)
    flat = length > 0.0
    unit = normal / np.where(flat, length, 1.0)[:, None]
    over = flat.copy()
    for start, end in ((a, b), (b, c), (c, a)):
        side = np.einsum("ij,ij->i", np.cross(end - start, points - start), unit)
        over &= side >= 0.0
    height = np.abs(np.einsum("ij,ij->i", points - a, unit))
    distance: FloatArray = np.where(over, np.minimum(height, best), best)
    return distance


def distance_to(point: FloatArray, triangles: FloatArray) -> float:
    """Least distance of one point from all triangles."""
    rows = np.broadcast_to(point, (len(triangles), 3))
    return float(to_triangles(rows, triangles).min())


def winding(point: FloatArray, triangles: FloatArray) -> float:
    """Winding number of a surface about a point: the sum of all solid angles, over 4 pi.

    A. van Oosterom and J. Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125.
    """
    a, b, c = (triangles[:, k] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c))
    below = (
        la * lb * lc
        + np.einsum("ij,ij->i", a, b) * lc
        + np.einsum("ij,ij->i", b, c) * la
        + np.einsum("ij,ij->i", c, a) * lb
    )
    return float(np.arctan2(volume, below).sum() / (2.0 * np.pi))


def segments_apart(p: FloatArray, q: FloatArray, r: FloatArray, s: FloatArray) -> FloatArray:
    """(n,) distance of segment p-q from segment r-s, row by row."""
    best = np.minimum(to_segments(p, r, s), to_segments(q, r, s))
    best = np.minimum(best, np.minimum(to_segments(r, p, q), to_segments(s, p, q)))
    u, v, w = q - p, s - r, p - r
    uu, uv, vv = (np.einsum("ij,ij->i", x, y) for x, y in ((u, u), (u, v), (v, v)))
    uw, vw = np.einsum("ij,ij->i", u, w), np.einsum("ij,ij->i", v, w)
    det = uu * vv - uv * uv
    skew = det > 1e-14 * uu * vv
    safe = np.where(skew, det, 1.0)
    t, k = (uv * vw - vv * uw) / safe, (uu * vw - uv * uw) / safe
    between = skew & (t >= 0.0) & (t <= 1.0) & (k >= 0.0) & (k <= 1.0)
    gap = np.linalg.norm(w + t[:, None] * u - k[:, None] * v, axis=1)
    distance: FloatArray = np.where(between, np.minimum(best, gap), best)
    return distance


def triangles_apart(a: FloatArray, b: FloatArray) -> FloatArray:
    """(n,) distance of triangle a from triangle b, row by row; 0 where they cross."""
    best = np.full(len(a), np.inf)
    for k in range(3):
        best = np.minimum(best, to_triangles(a[:, k], b))
        best = np.minimum(best, to_triangles(b[:, k], a))
        for j in range(3):
            best = np.minimum(
                best,
                segments_apart(a[:, k], a[:, (k + 1) % 3], b[:, j], b[:, (j + 1) % 3]),
            )
    return np.where(pierced(a, b) | pierced(b, a), 0.0, best)


def pierced(a: FloatArray, b: FloatArray) -> NDArray[np.bool_]:
    """(n,) whether an edge of triangle a goes through triangle b, row by row."""
    normal = np.cross(b[:, 1] - b[:, 0], b[:, 2] - b[:, 0])
    height = np.einsum("nkj,nj->nk", a - b[:, :1], normal)
    found = np.zeros(len(a), dtype=bool)
    for k in range(3):
        h0, h1 = height[:, k], height[:, (k + 1) % 3]
        rows = np.flatnonzero((h0 > 0.0) != (h1 > 0.0))
        t = (h0[rows] / (h0[rows] - h1[rows]))[:, None]
        at = a[rows, k] + t * (a[rows, (k + 1) % 3] - a[rows, k])
        found[rows] |= to_triangles(at, b[rows]) <= 1e-9
    return found


def slice_segments(triangles: FloatArray, point: FloatArray, normal: FloatArray) -> FloatArray:
    """(k, 2, 3) segments in which a plane cuts the triangles, one triangle after the other.

    A corner on the plane counts as above it, so that each cut triangle gives one segment.
    """
    height = (triangles - point) @ normal
    above = height >= 0.0
    cut = above.any(axis=1) & ~above.all(axis=1)
    tri, h, up = triangles[cut], height[cut], above[cut]
    # The corner that is alone on its side, and the two others.
    alone = np.where(up.sum(axis=1) == 1, up.argmax(axis=1), (~up).argmax(axis=1))
    rows = np.arange(len(tri))
    ends = []
    for k in (1, 2):
        other = (alone + k) % 3
        h0, h1 = h[rows, alone], h[rows, other]
        t = (h0 / (h0 - h1))[:, None]
        ends.append(tri[rows, alone] + t * (tri[rows, other] - tri[rows, alone]))
    return np.stack(ends, axis=1)


def clip_slab(
    triangles: FloatArray, heights: FloatArray, low: float, high: float
) -> list[FloatArray]:
    """The parts of triangles between two heights, each as a polygon (k, 3)."""
    inside = (heights.max(axis=1) >= low) & (heights.min(axis=1) <= high)
    found = []
    for tri, h in zip(triangles[inside], heights[inside], strict=True):
        ring = list(zip(tri, h, strict=True))
        for level, sign in ((low, 1.0), (high, -1.0)):
            kept = []
            for k, (p, hp) in enumerate(ring):
                q, hq = ring[(k + 1) % len(ring)]
                if sign * (hp - level) >= 0.0:
                    kept.append((p, hp))
                if (hp - level) * (hq - level) < 0.0:
                    t = (level - hp) / (hq - hp)
                    kept.append((p + t * (q - p), level))
            ring = kept
        if ring:
            found.append(np.array([p for p, _ in ring]))
    return found


def axis_frame(axis: FloatArray) -> FloatArray:
    """(2, 3) two unit vectors square to a unit axis and to each other."""
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first)])


def nearest_to_axis(polygons: list[FloatArray], at: FloatArray, axis: FloatArray) -> float:
    """Least distance of polygons from a straight line; inf if there are none."""
    frame, best = axis_frame(axis), np.inf
    for polygon in polygons:
        flat = (polygon - at) @ frame.T
        after = np.roll(flat, -1, axis=0)
        turn = flat[:, 0] * after[:, 1] - flat[:, 1] * after[:, 0]
        if len(flat) > 2 and (bool((turn > 0.0).all()) or bool((turn < 0.0).all())):
            return 0.0
        zero = np.zeros_like(flat)
        best = min(best, float(to_segments(zero, flat, after).min()))
    return best


def halves(pieces: FloatArray) -> FloatArray:
    """(2 k, 3, 3) triangles cut across their longest sides."""
    side = np.linalg.norm(pieces - np.roll(pieces, -1, axis=1), axis=2)
    row, first = np.arange(len(pieces)), side.argmax(axis=1)
    a, b, c = (pieces[row, (first + k) % 3] for k in range(3))
    half = 0.5 * (a + b)
    both = [np.stack([a, half, c], axis=1), np.stack([half, b, c], axis=1)]
    return np.concatenate(both) if len(pieces) else pieces

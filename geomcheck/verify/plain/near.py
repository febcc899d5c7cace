"""Least distances between whole meshes in plain numpy: boxes of some tens of triangles, then pairs.

Triangles are sorted along a space-filling curve and bundled; a bundle's box says which bundles of
the other mesh can be near enough to matter. What is left is measured pair by pair. Points are
(n, 3), triangles (m, 3, 3), all mm and float64.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import numpy as np

from geomcheck.verify.plain.simple import FloatArray, IntArray, to_triangles, triangles_apart

#: Triangles in a bundle.
BUNDLE = 48
#: Distances (mm) that differ by less are the same.
TIE = 1e-12
#: Pairs measured in one go; bounds the memory.
BLOCK = 60_000
#: Pairs of boxes looked at in one go.
BOXES = 1_000_000


class Bundles:
    """Triangles, bundled with their neighbours.

    Parameters
    ----------
    triangles : (m, 3, 3) float
        mm; may be empty.
    """

    def __init__(self, triangles: FloatArray) -> None:
        order = _curve(triangles.mean(axis=1)) if len(triangles) else np.arange(0)
        #: (m,) number of each triangle in the order given.
        self.number: IntArray = order.astype(np.int64)
        self.triangles: FloatArray = np.ascontiguousarray(triangles[order])
        self.begin: IntArray = np.arange(0, len(order), BUNDLE)

    def __len__(self) -> int:
        return len(self.begin)

    @cached_property
    def low(self) -> FloatArray:
        """(k, 3) least corner of each bundle's box."""
        found: FloatArray = np.minimum.reduceat(self.triangles.min(axis=1), self.begin, axis=0)
        return found

    @cached_property
    def high(self) -> FloatArray:
        """(k, 3) greatest corner of each bundle's box."""
        found: FloatArray = np.maximum.reduceat(self.triangles.max(axis=1), self.begin, axis=0)
        return found

    def rows(self, bundles: IntArray) -> IntArray:
        """Places, in the sorted order, of the triangles of some bundles."""
        rows = (self.begin[bundles][:, None] + np.arange(BUNDLE)).ravel()
        return np.asarray(rows[rows < len(self.triangles)])


def _curve(points: FloatArray) -> IntArray:
    """Order of points along a Z-shaped curve through 1024 cells a side."""
    low, high = points.min(axis=0), points.max(axis=0)
    side = max(float((high - low).max()), 1e-9)
    cell = np.minimum((points - low) / side * 1024.0, 1023.0).astype(np.int64)
    code = np.zeros(len(points), dtype=np.int64)
    for bit in range(10):
        for axis in range(3):
            code |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return np.argsort(code, kind="stable")


def box_gaps(
    low: FloatArray, high: FloatArray, other_low: FloatArray, other_high: FloatArray
) -> FloatArray:
    """Distance of boxes from boxes, row by row or broadcast; 0 where they meet."""
    apart = np.maximum(np.maximum(other_low - high, low - other_high), 0.0)
    gap: FloatArray = np.sqrt((apart**2).sum(axis=-1))
    return gap


def moved(matrix: FloatArray | None, points: FloatArray) -> FloatArray:
    """Points (..., 3) carried by a (4, 4) matrix; unchanged without one."""
    if matrix is None:
        return points
    carried: FloatArray = points @ matrix[:3, :3].T + matrix[:3, 3]
    return carried


def candidates(
    a: Bundles, b: Bundles, limit: float, matrix: FloatArray | None = None
) -> Iterator[tuple[FloatArray, IntArray, IntArray]]:
    """Pairs of triangles that may be nearer than ``limit``, in blocks.

    Yields the first's triangles (n, 3, 3) as moved by ``matrix``, and the places of both in the
    sorted orders of ``a`` and ``b``. Every pair that is nearer than ``limit`` is among them.
    """
    if not len(a) or not len(b):
        return
    middle, half = 0.5 * (a.low + a.high), 0.5 * (a.high - a.low)
    at = moved(matrix, middle)
    radius = np.linalg.norm(half, axis=1)
    if matrix is not None:
        radius = radius * np.linalg.norm(matrix[:3, :3], ord=2)
    whole = box_gaps(at, at, b.low.min(axis=0), b.high.max(axis=0))
    some = np.flatnonzero(whole - radius <= limit)
    shares = np.array_split(some, -(-len(some) * len(b) // BOXES)) if len(some) else []
    for number, near in (pair for share in shares for pair in _near(at, radius, share, b, limit)):
        rows = a.rows(np.array([number]))
        tri = moved(matrix, a.triangles[rows])
        low, high = tri.min(axis=1), tri.max(axis=1)
        near = near[box_gaps(low.min(axis=0), high.max(axis=0), b.low[near], b.high[near]) <= limit]
        if not len(near):
            continue
        for share in np.array_split(near, -(-len(near) * BUNDLE * len(rows) // BLOCK)):
            cols = b.rows(share)
            there = b.triangles[cols]
            gap = box_gaps(low[:, None], high[:, None], there.min(axis=1), there.max(axis=1))
            i, j = np.nonzero(gap <= limit)
            keep = _faces_near(tri[i], there[j], limit)
            if keep.any():
                yield tri[i[keep]], rows[i[keep]], cols[j[keep]]


def _near(
    at: FloatArray, radius: FloatArray, share: IntArray, b: Bundles, limit: float
) -> Iterator[tuple[int, IntArray]]:
    """Each bundle of a share that has bundles of the other mesh within reach, with those."""
    gap = box_gaps(at[share][:, None], at[share][:, None], b.low, b.high)
    close = gap - radius[share][:, None] <= limit
    for row in np.flatnonzero(close.any(axis=1)):
        yield int(share[row]), np.flatnonzero(close[row])


def _faces_near(a: FloatArray, b: FloatArray, limit: float) -> np.ndarray:
    """Pairs that no plane of either triangle parts by more than ``limit``."""
    near = np.ones(len(a), dtype=bool)
    for one, other in ((a, b), (b, a)):
        normal = np.cross(one[:, 1] - one[:, 0], one[:, 2] - one[:, 0])
        length = np.linalg.norm(normal, axis=1)
        unit = normal / np.where(length > 0.0, length, 1.0)[:, None]
        height = np.einsum("nkj,nj->nk", other - one[:, :1], unit)
        near &= (height.min(axis=1) <= limit) & (height.max(axis=1) >= -limit)
    return near


def nearest_below(
    a: FloatArray | Bundles,
    b: FloatArray | Bundles,
    limit: float,
    budget: int,
    matrix: FloatArray | None = None,
) -> tuple[float | None, bool]:
    """Least distance of two meshes if it is below ``limit``, and whether all pairs were looked at.

    Parameters
    ----------
    a, b : (m, 3, 3) float or Bundles
    limit : float
        mm. Every pair of triangles that may be nearer is measured.
    budget : int
        Pairs measured, at most; beyond that the search is not complete.
    matrix : (4, 4) float, optional
        Carries the first mesh before it is measured.
    """
    first = a if isinstance(a, Bundles) else Bundles(a)
    second = b if isinstance(b, Bundles) else Bundles(b)
    least, measured = np.inf, 0
    for tri, _, cols in candidates(first, second, limit, matrix):
        measured += len(tri)
        if measured > budget:
            return (float(least) if least < limit else None), False
        least = min(least, float(triangles_apart(tri, second.triangles[cols]).min()))
    return (float(least) if least < limit else None), True


def least_distance(a: Bundles, b: Bundles, matrix: FloatArray | None = None) -> float:
    """Least distance of two meshes, whatever it is: a first guess, then nothing nearer."""
    some = moved(matrix, a.triangles[:: max(1, len(a.triangles) // 64)].mean(axis=1))
    limit = float(distances(some, b).min()) + 1e-9
    least = np.inf
    for tri, _, cols in candidates(a, b, limit, matrix):
        least = min(least, float(triangles_apart(tri, b.triangles[cols]).min()))
    return min(limit, float(least))


def distances(points: FloatArray, mesh: Bundles, limit: float = np.inf) -> FloatArray:
    """(n,) distance of points from a mesh; inf where it is more than ``limit``."""
    return _nearest(points, mesh, limit)[0]


def nearest(
    points: FloatArray, mesh: Bundles, limit: float = np.inf
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Distance, triangle (as given) and nearest point of a mesh for each point.

    Where several triangles are as near, the first counts. Beyond ``limit`` the distance is inf,
    and the other two say nothing.
    """
    distance, place = _nearest(points, mesh, limit)
    return distance, mesh.number[place], feet(points, mesh.triangles[place])


def _nearest(points: FloatArray, mesh: Bundles, limit: float) -> tuple[FloatArray, IntArray]:
    found = np.full(len(points), np.inf)
    place = np.zeros(len(points), dtype=np.int64)
    order = _curve(points) if len(points) > 1 else np.arange(len(points))
    step = 32
    for begin in range(0, len(order), step):
        rows = order[begin : begin + step]
        here = points[rows]
        gap = box_gaps(here.min(axis=0), here.max(axis=0), mesh.low, mesh.high)
        rank = np.argsort(gap, kind="stable")
        best = np.full(len(rows), np.inf)
        for few in np.array_split(rank, max(1, len(rank) // 2)):
            few = few[gap[few] <= min(float(best.max()), limit) + TIE]
            if not len(few):
                break
            cols = mesh.rows(few)
            i, j = np.divmod(np.arange(len(rows) * len(cols)), len(cols))
            away = to_triangles(here[i], mesh.triangles[cols[j]]).reshape(len(rows), -1)
            least = away.min(axis=1)
            # The first of those that are as near, by their numbers in the file.
            tied = np.where(away <= least[:, None] + TIE, mesh.number[cols], len(mesh.number))
            mine = cols[tied.argmin(axis=1)]
            same = (np.abs(least - best) <= TIE) & (mesh.number[mine] < mesh.number[place[rows]])
            better = (least < best - TIE) | same
            place[rows[better]] = mine[better]
            best = np.minimum(best, least)
        found[rows] = best
    found[found > limit] = np.inf
    return found, place


def feet(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """(n, 3) nearest point of its own triangle for each point."""
    a, b, c = (triangles[:, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    square = np.einsum("ij,ij->i", normal, normal)
    flat = square > 0.0
    safe = np.where(flat, square, 1.0)
    over = flat.copy()
    for start, end in ((a, b), (b, c), (c, a)):
        over &= np.einsum("ij,ij->i", np.cross(end - start, points - start), normal) >= 0.0
    best = points - (np.einsum("ij,ij->i", points - a, normal) / safe)[:, None] * normal
    away = np.where(over, 0.0, np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        along = end - start
        length = np.einsum("ij,ij->i", along, along)
        t = np.einsum("ij,ij->i", points - start, along) / np.where(length > 0.0, length, 1.0)
        foot = start + np.clip(t, 0.0, 1.0)[:, None] * along
        distance = np.linalg.norm(points - foot, axis=1)
        closer = distance < away
        best, away = np.where(closer[:, None], foot, best), np.where(closer, distance, away)
    return np.asarray(best)

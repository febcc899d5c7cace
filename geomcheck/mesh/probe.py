"""Questions about points and rays, asked of a triangle tree; see ``geomcheck.mesh.query``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import first_hit as rays
from geomcheck.kernels import points as feet
from geomcheck.kernels import winding
from geomcheck.mesh import threads
from geomcheck.mesh.given import as_points, check_length
from geomcheck.mesh.tree import as_tree, rounding

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class PointDistance:
    """Nearest points on a shape.

    Parameters
    ----------
    distance : (n,) float64
        Unsigned, mm; inf beyond the cutoff, which is "not within the cutoff", no measurement.
    point : (n, 3) float64
        The nearest point; NaN beyond the cutoff.
    triangle : (n,) int64
        Caller's number of the triangle it lies on; -1 beyond the cutoff.
    """

    distance: FloatArray
    point: FloatArray
    triangle: IntArray


def point_distance(tree: Any, points: ArrayLike, cutoff: float = np.inf) -> PointDistance:
    """Nearest point of a shape for each of (n, 3) points.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    points : (n, 3) float
        mm; finite.
    cutoff : float
        Largest distance of interest, mm. Points beyond it get inf, NaN and -1: that is an answer
        to "within the cutoff?", never a measurement.

    Raises
    ------
    InputError
        As ``least_distance``, and for points that are not finite or not (n, 3).
    """
    shape = as_tree(tree)
    at = as_points(points, "points")
    check_length("cutoff", cutoff)
    n = len(at)
    distance = np.full(n, np.inf)
    foot = np.full((n, 3), np.nan)
    number = np.full(n, -1, dtype=np.int64)
    if n:
        noise = max(rounding(shape), 8.0 * np.finfo(np.float64).eps * float(np.abs(at).max()))
        rank = _coherent(at)
        # Turned boxes pay when there are points enough to make up for making them.
        frames = shape.frames if 4 * n >= len(shape) else np.empty((0, 16))
        # About two leaves of a surface that fills its box once.
        size = float(np.linalg.norm(np.ptp(shape.bounds, axis=0)))
        room = 2.0 * size / (shape.first_leaf + 1) ** 0.5
        threads.each(
            lambda begin, end: feet.nearest(
                shape.boxes,
                frames,
                shape.triangles,
                shape.order,
                shape.leaf,
                at,
                rank,
                float(cutoff),
                8.0 * noise,
                room,
                np.empty(128, dtype=np.int64),
                np.empty(128),
                np.empty((6, feet.LANES)),
                np.empty((2, feet.LANES), dtype=np.int64),
                np.empty((feet.HELD * shape.leaf, feet.TERMS)),
                np.full(feet.HELD, -1),
                np.empty((5, 3)),
                distance,
                foot,
                number,
                begin,
                end,
            ),
            threads.chunks(n, 4096),
        )
    return PointDistance(distance, foot, number)


def winding_number(tree: Any, points: ArrayLike) -> FloatArray:
    """Generalised winding number of a shape about each of (n, 3) points.

    1 inside and 0 outside a closed surface with outward normals, whole numbers for any closed
    surface, in between near an open one. Meaningless for points on the surface.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    points : (n, 3) float
        mm; finite.

    Returns
    -------
    (n,) float64

    Raises
    ------
    InputError
        As ``point_distance``.
    """
    shape = as_tree(tree)
    at = as_points(points, "points")
    blocks = threads.chunks(len(shape), 1 << 14)
    parts = np.zeros((len(blocks), len(at)))

    def add(begin: int, end: int) -> None:
        for number in range(begin, end):
            first, last = blocks[number]
            winding.add(shape.triangles, first, last, at, parts[number], 0, len(at))

    threads.each(add, threads.chunks(len(blocks), 1))
    # Block by block, in an order that knows nothing of threads.
    total: FloatArray = parts.sum(axis=0)
    return total


def first_hit(
    tree: Any, origins: ArrayLike, directions: ArrayLike, limit: float = np.inf
) -> tuple[FloatArray, IntArray]:
    """First triangle each ray meets; rays do not slip between triangles that share an edge.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    origins : (n, 3) float
        mm; finite. A triangle through the origin is met at 0.
    directions : (n, 3) float
        Any length but 0.
    limit : float
        Longest ray of interest, mm.

    Returns
    -------
    t : (n,) float64
        Distance along the ray, mm; inf where nothing is met within the limit.
    triangle : (n,) int64
        Caller's number; -1 where nothing is met.

    Raises
    ------
    InputError
        As ``point_distance``, and for a direction of length 0.
    """
    shape = as_tree(tree)
    start = as_points(origins, "origins")
    along = as_points(directions, "directions")
    if len(start) != len(along):
        raise InputError(f"there are {len(start)} origins but {len(along)} directions")
    check_length("limit", limit)
    n = len(start)
    t = np.full(n, np.inf)
    number = np.full(n, -1, dtype=np.int64)
    if n:
        along = along / np.abs(along).max(axis=1, initial=1e-300)[:, None]
        length = np.linalg.norm(along, axis=1)
        if not (length > 0.5).all():
            raise InputError("a direction has no length", where=f"row {int(np.argmin(length))}")
        along = along / length[:, None]
        margin = max(rounding(shape), 8.0 * np.finfo(np.float64).eps * float(np.abs(start).max()))
        threads.each(
            lambda begin, end: rays.first(
                shape.boxes,
                shape.triangles,
                shape.order,
                shape.leaf,
                start,
                along,
                float(limit),
                margin,
                np.empty(128, dtype=np.int64),
                np.empty(128),
                np.empty((6, 3)),
                t,
                number,
                begin,
                end,
            ),
            threads.chunks(n, 2048),
        )
    return t, number


def _coherent(at: FloatArray) -> IntArray:
    """Order in which neighbouring points follow each other; the same on any thread count."""
    n = len(at)
    if n <= feet.LANES:
        return np.arange(n, dtype=np.int64)
    low = at.min(axis=0)
    side = float((at.max(axis=0) - low).max())
    scale = feet.CELLS / side if side > 0.0 else 0.0
    if not np.isfinite(scale):
        scale = 0.0
    shift = n.bit_length()
    keys = np.empty(n, dtype=np.uint64)
    threads.each(
        lambda begin, end: feet.curve_keys(at, low, scale, shift, keys, begin, end),
        threads.chunks(n, 1 << 16),
    )
    keys.sort()
    rank: IntArray = (keys & np.uint64((1 << shift) - 1)).astype(np.int64)
    return rank

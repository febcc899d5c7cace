"""Which triangles can matter to the least distance of two shapes, before any tree is built.

Runs of ``RUN`` triangles in the caller's order are bounded by boxes. Mesh files mostly list
neighbours near each other, so the boxes are small. Two corners near each other are sought; runs
farther apart than these are left out, and then triangles that are farther along the line through
the two corners. The answer stays exact; where the order is wild or the shapes are close all over,
nothing is left out.
"""

from __future__ import annotations

from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import tree as kernel
from geomcheck.mesh import threads
from geomcheck.mesh.tree import as_triangles, noise_of, sorted_numbers

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]

#: Triangles of a run.
RUN = 32
#: Runs, or groups of runs, in a group.
_FAN = 8
#: Most groups on the highest level.
_TOP = 64
#: Corners of each shape that are compared with each other.
_SOME = 128
#: Share of the groups of both shapes that are close, from which on looking on is no gain.
_CLOSE = 0.9
#: Pairs of groups looked at together; more are no gain over trees.
_MOST = 1 << 18
#: Triangles of both shapes below which trees cost less than looking.
_SMALL = 4_000


class NearParts(NamedTuple):
    """The parts of two shapes that can hold the nearest pair.

    ``a``, ``b`` : (n, 3, 3) triangles; ``rows_a``, ``rows_b`` : (n,) their numbers, ascending;
    ``noise`` : mm, the rounding of the whole shapes.
    """

    a: FloatArray
    rows_a: IntArray
    b: FloatArray
    rows_b: IntArray
    noise: float


def near_parts(a: Any, b: Any, cutoff: float, free: bool) -> NearParts | None:
    """The parts of two shapes that matter to a distance up to ``cutoff``, or None for all.

    Parameters
    ----------
    a, b : Trimesh or (n, 3, 3) float
    cutoff : float
        mm, may be inf.
    free : bool
        Whether every pair of triangles counts. If not, only the cutoff limits the search.

    Raises
    ------
    InputError
        A shape without triangles or of the wrong shape.
    """
    if not free and cutoff == np.inf:
        return None
    tri_a, tri_b = as_triangles(a), as_triangles(b)
    if len(tri_a) + len(tri_b) < _SMALL:
        return None
    boxes_a, boxes_b = _runs(tri_a), _runs(tri_b)
    largest = float(np.maximum(np.abs(boxes_a).max(), np.abs(boxes_b).max()))
    if not largest < 1e150:
        return None  # building the trees will say what is wrong
    noise = noise_of(largest)
    limit = cutoff
    line = None
    if free:
        point_a, point_b = _corners(tri_a, boxes_a, tri_b, boxes_b)
        length = float(np.linalg.norm(point_b - point_a))
        limit = min(limit, length)
        line = (point_b - point_a) / length if length > noise else None
    limit += 8.0 * noise  # far more than any rounding here
    runs_a, runs_b = np.arange(len(boxes_a)), np.arange(len(boxes_b))
    if line is not None:
        runs_a, runs_b = _facing(_farthest(tri_a, RUN, line), -_farthest(tri_b, RUN, -line), limit)
    found = _within(boxes_a[runs_a], boxes_b[runs_b], limit)
    if found is not None:
        runs_a, runs_b = runs_a[found[0]], runs_b[found[1]]
    if 2 * (len(runs_a) + len(runs_b)) > len(boxes_a) + len(boxes_b):
        return None
    rows_a, rows_b = _rows(runs_a, len(tri_a)), _rows(runs_b, len(tri_b))
    part_a, part_b = tri_a[rows_a], tri_b[rows_b]
    if line is not None:
        keep_a, keep_b = _facing(_farthest(part_a, 1, line), -_farthest(part_b, 1, -line), limit)
        part_a, rows_a, part_b, rows_b = (
            part_a[keep_a], rows_a[keep_a], part_b[keep_b], rows_b[keep_b]
        )  # fmt: skip
    return NearParts(part_a, rows_a, part_b, rows_b, noise)


def _facing(high_a: FloatArray, low_b: FloatArray, limit: float) -> tuple[IntArray, IntArray]:
    """What of a comes within ``limit`` of any of b along a line, and what of b of any such."""
    near_a = np.flatnonzero(high_a >= low_b.min(initial=np.inf) - limit)
    near_b = np.flatnonzero(low_b <= high_a[near_a].max(initial=-np.inf) + limit)
    return near_a, near_b


def _farthest(tri: FloatArray, size: int, line: FloatArray) -> FloatArray:
    """(k,) greatest coordinate along a line of runs of ``size`` triangles."""
    out = np.empty(-(-len(tri) // size))
    threads.each(
        lambda begin, end: kernel.farthest(tri, size, line, out, begin, end),
        threads.chunks(len(out), (1 << 17) // size),
    )
    return out


def _runs(tri: FloatArray) -> FloatArray:
    """(k, 6) boxes of runs of triangles; NaN where a coordinate is not finite."""
    boxes = np.empty((-(-len(tri) // RUN), 6))
    threads.each(
        lambda begin, end: kernel.bounds(tri, RUN, boxes, begin, end),
        threads.chunks(len(boxes), 4096),
    )
    return boxes


def _rows(runs: IntArray, count: int) -> IntArray:
    """Numbers of the triangles of runs."""
    rows: IntArray = (runs[:, None] * RUN + np.arange(RUN)).ravel()
    return rows[rows < count]


def _corners(
    tri_a: FloatArray, boxes_a: FloatArray, tri_b: FloatArray, boxes_b: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """A corner of each shape, near each other."""
    points_a, points_b = (np.ascontiguousarray(tri[::RUN, 0]) for tri in (tri_a, tri_b))
    some_a, some_b = (p[:: -(-len(p) // _SOME)] for p in (points_a, points_b))
    apart = ((some_a[:, None] - some_b) ** 2).sum(axis=2)
    point, best = some_a[int(np.argmin(apart)) // len(some_b)], np.inf
    partner, from_a = point, True  # whether the point is one of a
    other, one = (tri_b, boxes_b, points_b), (tri_a, boxes_a, points_a)
    for fine in (False, True):  # to and fro between one corner of each run, then all corners
        for _ in range(16):
            tri, boxes, corners = other
            if fine:
                aside = np.maximum(np.maximum(boxes[:, :3] - point, point - boxes[:, 3:]), 0.0)
                gaps = (aside**2).sum(axis=1)
                near = np.flatnonzero(gaps <= best)
                if len(near) > 32:
                    near = near[np.argpartition(gaps[near], 32)[:32]]
                corners = tri[_rows(near, len(tri))].reshape(-1, 3)
            squares = ((corners - point) ** 2).sum(axis=1)
            k = int(np.argmin(squares))
            if squares[k] >= best:
                break
            best, partner, point = float(squares[k]), point, corners[k]
            one, other = other, one
            from_a = not from_a
    return (point, partner) if from_a else (partner, point)


def _within(a: FloatArray, b: FloatArray, reach: float) -> tuple[IntArray, IntArray] | None:
    """Boxes of each set within ``reach`` of one of the other set; None if they are too many."""
    if not (len(a) and len(b)):
        return np.arange(0), np.arange(0)
    order_a, order_b = _order(a), _order(b)
    levels_a, levels_b = _levels(a[order_a]), _levels(b[order_b])
    i, j = len(levels_a) - 1, len(levels_b) - 1
    pairs = np.indices((len(levels_a[i]), len(levels_b[j]))).reshape(2, -1)
    while True:
        box_a, box_b = levels_a[i][pairs[0]], levels_b[j][pairs[1]]
        gaps = np.maximum(box_a[:, :3] - box_b[:, 3:], box_b[:, :3] - box_a[:, 3:])
        pairs = pairs[:, (np.maximum(gaps, 0.0) ** 2).sum(axis=1) <= reach * reach]
        kept = [np.unique(numbers) for numbers in pairs]
        if i == 0 and j == 0:
            return np.sort(order_a[kept[0]]), np.sort(order_b[kept[1]])
        if len(kept[0]) > _CLOSE * len(levels_a[i]) and len(kept[1]) > _CLOSE * len(levels_b[j]):
            return None
        down_a, down_b = i >= j, j >= i
        if pairs.shape[1] * (_FAN if down_a else 1) * (_FAN if down_b else 1) > _MOST:
            return None
        first, second = _children(pairs[0], down_a), _children(pairs[1], down_b)
        pairs = np.stack(
            [
                np.repeat(first, second.shape[1], axis=1).ravel(),
                np.tile(second, (1, first.shape[1])).ravel(),
            ]
        )
        i, j = i - down_a, j - down_b
        keep = (pairs[0] < len(levels_a[i])) & (pairs[1] < len(levels_b[j]))
        pairs = pairs[:, keep]


def _order(boxes: FloatArray) -> IntArray:
    """Boxes along a curve through space, so that those of a group are neighbours."""
    middle = 0.5 * (boxes[:, :3] + boxes[:, 3:])
    return sorted_numbers(np.repeat(middle[:, None], 3, axis=1))


def _children(numbers: IntArray, down: bool) -> IntArray:
    """(k, c) numbers one level down, or the same on the same level."""
    return numbers[:, None] * _FAN + np.arange(_FAN) if down else numbers[:, None]


def _levels(boxes: FloatArray) -> list[FloatArray]:
    """Boxes, then boxes of groups, of groups of groups, and so on."""
    levels = [boxes]
    while len(levels[-1]) > _TOP:
        begin = np.arange(0, len(levels[-1]), _FAN)
        levels.append(
            np.concatenate(
                [
                    np.minimum.reduceat(levels[-1][:, :3], begin),
                    np.maximum.reduceat(levels[-1][:, 3:], begin),
                ],
                axis=1,
            )
        )
    return levels

"""The walk of two trees together: seeds, shares of work, and putting the answers together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.kernels import nearest as kernel
from geomcheck.mesh import threads
from geomcheck.mesh.tree import TriangleTree, rounding

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

_NONE: BoolArray = np.zeros(0, dtype=np.bool_)
_ROOT: IntArray = np.zeros((1, 2), dtype=np.int64)

#: Triangles of both trees from which on the walk is cut into shares.
_LARGE = 20_000
#: Shares of a large walk; more than threads, so that uneven shares even out.
_SHARES = 8
#: Levels below the roots at which a large walk is cut.
_CUT = 4
#: Leaves of each tree whose terms are kept at hand.
_HELD = 64
#: Leaves that stand for a whole tree in the search for a first bound.
_SAMPLE = 64


@dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """The least distance between two shapes and where it is.

    Parameters
    ----------
    distance : float
        mm; exactly 0 where triangles meet.
    point_a, point_b : (3,) float64
        The two closest points; the same point where the distance is 0.
    triangle_a, triangle_b : int
        Caller's numbers of the triangles they lie on.
    """

    distance: float
    point_a: FloatArray
    point_b: FloatArray
    triangle_a: int
    triangle_b: int


class Pair:
    """Two trees to be walked together.

    Parameters
    ----------
    a, b : TriangleTree
    skip : pair of arrays, optional
        Flags as ``geomcheck.kernels.tree.node_flags`` gives them; a pair of triangles is left
        out when both are flagged.
    noise : float, optional
        Distances up to it are given as 0, mm; the rounding of the two if not given.
    """

    def __init__(
        self,
        a: TriangleTree,
        b: TriangleTree,
        skip: tuple[BoolArray, BoolArray] | None = None,
        noise: float | None = None,
    ) -> None:
        self.a = a
        self.b = b
        self.noise = rounding(a, b) if noise is None else noise
        self.skip_a, self.skip_b = skip if skip is not None else (_NONE, _NONE)

    def nearest(self, cutoff: float) -> tuple[Nearest | None, IntArray]:
        """The least distance up to ``cutoff``, and pairs left to exact arithmetic.

        The pairs, (k, 2) sorted numbers, may meet although their distance did not show it.
        """
        gap = _gaps(self.a, self.b, _ROOT)[0]
        if gap > (cutoff + self.noise) ** 2:
            return None, np.empty((0, 2), dtype=np.int64)
        if len(self.a) + len(self.b) < _LARGE:
            shares = [_ROOT]
            limit = cutoff
        else:
            # Made here, before the shares ask for them at once.
            _ = self.a.least_numbers, self.b.least_numbers
            limit = min(cutoff, self._bound(cutoff))
            shares = self._shares(limit)
        results: list[tuple[Nearest | None, IntArray]] = [(None, _ROOT[:0])] * len(shares)

        def task(begin: int, end: int) -> None:
            for k in range(begin, end):
                found, _, doubtful = self._walk(shares[k], limit)
                results[k] = found, doubtful

        threads.each(task, threads.chunks(len(shares), 1))
        found = [result for result, _ in results if result and result.distance <= cutoff]
        best = min(found, key=lambda r: (r.distance, r.triangle_a, r.triangle_b), default=None)
        return best, np.concatenate([doubtful for _, doubtful in results])

    def within(self, distance: float) -> tuple[BoolArray, BoolArray, IntArray]:
        """Marks of the sorted triangles within ``distance`` of the other tree, and open pairs."""
        marks_a = np.zeros(len(self.a), dtype=np.bool_)
        marks_b = np.zeros(len(self.b), dtype=np.bool_)
        doubtful = _ROOT[:0]
        if _gaps(self.a, self.b, _ROOT)[0] <= (distance + self.noise) ** 2:
            full_a = self.a.boxes[:, 0] > self.a.boxes[:, 3]
            full_b = self.b.boxes[:, 0] > self.b.boxes[:, 3]
            doubtful = self._walk(_ROOT, distance, full_a, marks_a, full_b, marks_b)[2]
            _spread(full_a, marks_a, self.a)
            _spread(full_b, marks_b, self.b)
        return marks_a, marks_b, doubtful

    def contact(self, i: int, j: int) -> Nearest:
        """Sorted triangles ``i`` and ``j``, known to meet: distance 0 at their nearest points."""
        pair = Pair(_one(self.a, i), _one(self.b, j))
        near, _, _ = pair._walk(_ROOT, np.inf)
        assert near is not None  # nothing is skipped and there is no limit
        return Nearest(
            0.0, near.point_a, near.point_a.copy(), int(self.a.order[i]), int(self.b.order[j])
        )

    def _walk(
        self,
        starts: IntArray,
        limit: float,
        full_a: BoolArray = _NONE,
        marks_a: BoolArray = _NONE,
        full_b: BoolArray = _NONE,
        marks_b: BoolArray = _NONE,
    ) -> tuple[Nearest | None, tuple[int, int], IntArray]:
        """The best pair from these starts, its sorted numbers, and pairs left open."""
        a, b = self.a, self.b
        # Work arrays; compiling their creation into the kernel would cost more.
        stack, bound = np.empty((512, 2), dtype=np.int64), np.empty(512)
        terms_a, held_a = np.empty((_HELD, 192)), np.full(_HELD, -1)
        terms_b, held_b = np.empty((_HELD, 192)), np.full(_HELD, -1)
        corners, out = np.empty((16, 3)), np.empty(20)
        box, apart, hits = np.empty(48), np.empty(64), np.empty(64, dtype=np.int64)
        gaps = _gaps(a, b, starts)
        result = np.zeros(9)
        size = 256
        while True:
            doubtful = np.empty((size, 2), dtype=np.int64)
            stack[: len(starts)] = starts[::-1]
            bound[: len(starts)] = gaps[::-1]
            ia, ib, doubts = kernel.walk(
                a.boxes,
                a.triangles,
                a.order,
                a.least_numbers,
                self.skip_a,
                full_a,
                marks_a,
                b.boxes,
                b.triangles,
                b.order,
                b.least_numbers,
                self.skip_b,
                full_b,
                marks_b,
                a.leaf,
                limit,
                self.noise,
                len(starts),
                stack,
                bound,
                terms_a,
                held_a,
                terms_b,
                held_b,
                box,
                apart,
                hits,
                corners,
                out,
                result,
                doubtful,
            )
            if doubts <= size:
                break
            size = doubts
        found = None
        if ia >= 0:
            point_a, point_b = result[1:4].copy(), result[4:7].copy()
            found = Nearest(float(result[0]), point_a, point_b, int(ia), int(ib))
        return found, (int(result[7]), int(result[8])), doubtful[:doubts]

    def _bound(self, limit: float) -> float:
        """A distance that is not less than the least one: of some leaves, then to and fro."""
        leaves = np.arange(self.b.first_leaf, self.b.first_leaf + -(-len(self.b) // self.b.leaf))
        sample = leaves[:: -(-len(leaves) // _SAMPLE)]
        near, at, _ = self._walk(_starts(0, sample), limit)
        if near is None:
            return limit
        best = near.distance
        for turn in range(12):  # all that is nearest to the leaf just found, then back
            if turn % 2 == 0:
                node_a, node_b = self.a.first_leaf + at[0] // self.a.leaf, 0
            else:
                node_a, node_b = 0, self.b.first_leaf + at[1] // self.b.leaf
            near, at, _ = self._walk(_starts(node_a, node_b), best)
            if near is None or near.distance >= 0.9999 * best:
                break
            best = near.distance
        return best + 8.0 * self.noise

    def _shares(self, limit: float) -> list[IntArray]:
        """Pairs of nodes some levels down, near ones first, dealt out in turn."""
        nodes_a, nodes_b = _level(self.a), _level(self.b)
        pairs = np.stack(np.meshgrid(nodes_a, nodes_b, indexing="ij"), axis=-1).reshape(-1, 2)
        gaps = _gaps(self.a, self.b, pairs)
        keep = np.flatnonzero(gaps <= (limit + self.noise) ** 2)
        keep = keep[np.argsort(gaps[keep], kind="stable")]
        return [np.ascontiguousarray(pairs[keep[k::_SHARES]]) for k in range(_SHARES)]


def _level(tree: TriangleTree) -> IntArray:
    """Nodes ``_CUT`` levels below the root, or the leaves if there are fewer levels."""
    p = min(1 << _CUT, tree.first_leaf + 1)
    return np.arange(p - 1, 2 * p - 1)


def _gaps(a: TriangleTree, b: TriangleTree, pairs: IntArray) -> FloatArray:
    """(k,) squared distances of the boxes of pairs of nodes; inf where one holds nothing."""
    box_a, box_b = a.boxes[pairs[:, 0]], b.boxes[pairs[:, 1]]
    apart = np.maximum(box_a[:, :3] - box_b[:, 3:], box_b[:, :3] - box_a[:, 3:])
    squared: FloatArray = (np.maximum(apart, 0.0) ** 2).sum(axis=1)
    return squared


def _starts(a: int | IntArray, b: int | IntArray) -> IntArray:
    """Pairs of nodes to begin with."""
    return np.stack(np.broadcast_arrays(np.atleast_1d(a), np.atleast_1d(b)), axis=1)


def _one(tree: TriangleTree, j: int) -> TriangleTree:
    """Tree of one sorted triangle."""
    return TriangleTree(tree.triangles[j : j + 1])


def _spread(full: BoolArray, marks: BoolArray, tree: TriangleTree) -> None:
    """Mark every triangle under a full node."""
    first = 0
    while first < tree.first_leaf:
        last = 2 * first + 1
        full[last : 2 * last + 1] |= np.repeat(full[first:last], 2)
        first = last
    marks |= np.repeat(full[tree.first_leaf :], tree.leaf)[: len(marks)]

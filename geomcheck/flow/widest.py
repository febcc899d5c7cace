"""The widest way through cells, and what no way through them can exceed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components

from geomcheck.errors import CannotDecide
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.flow.void import Void
from geomcheck.mesh.probe import point_distance

#: Half the diagonal of a cell, in cells.
DIAGONAL = 0.5 * 3.0**0.5
#: Half a slab across the narrowest place, in cells; its cells are cut into so many along each
#: edge; so many fine cells at most.
_SLAB, _FINER, _MOST_FINE = 3.0, 8, 2_000_000
#: By what share the greatest ball may be larger: the first of these that can be proved.
_PROVED = (0.002, 0.005, 0.01, 0.02, 0.05)


def links_of(near: Any) -> IntArray:
    """(m, 2) linked cells."""
    ahead = near[:, 1::2]
    rows, axis = np.nonzero(ahead >= 0)
    return np.stack([rows, ahead[rows, axis]], axis=1).astype(np.int64)


def widest(
    links: IntArray, width: FloatArray, room: FloatArray, ends: Sequence[IntArray]
) -> tuple[IntArray, float]:
    """A shortest of the ways between two sets of cells whose least width is greatest.

    ``width`` (m,) of each link, ``room`` (n,) of each cell. The cells of the way, and that width.
    """
    n = len(room)
    order = np.argsort(-width, kind="stable")
    links, width = links[order], width[order]

    def joined(count: int) -> bool:
        limit = width[count - 1]
        label = connected_components(_matrix(links[:count], n), directed=False)[1]
        begin, end = (label[e[room[e] >= limit]] for e in ends)
        return bool(np.isin(begin, end).any())

    low, high = 1, len(width)
    if not joined(high):
        raise CannotDecide(
            "no way leads from one port to the other",
            remedy="check the ports and the walls between them, or give a smaller spacing",
        )
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if joined(middle) else (middle + 1, high)
    limit = float(width[high - 1])
    begin, end = (e[room[e] >= limit] for e in ends)
    # One more cell, linked to the whole inlet, to start from.
    start = np.stack([np.full(len(begin), n), begin], axis=1)
    graph = _matrix(np.concatenate([links[:high], start]), n + 1)
    reached, before = breadth_first_order(graph, n, directed=False)
    first = reached[np.isin(reached, end)][0]
    way = [int(first)]
    while before[way[-1]] != n:
        way.append(int(before[way[-1]]))
    return np.array(way[::-1]), limit


def _matrix(links: IntArray, n: int) -> Any:
    return coo_matrix((np.ones(len(links), np.int8), (links[:, 0], links[:, 1])), shape=(n, n))


def proved(
    void: Void, links: IntArray, room: FloatArray, ends: Sequence[IntArray], way: FloatArray,
    narrow: int, radius: float,
) -> float:  # fmt: skip
    """Radius that no ball through the void can exceed: the least of some that is proved on cells.

    A ball of radius R gets through no cell whose centre is nearer than R to a wall, less half the
    diagonal. Where that leaves a way, the cells in a slab across the narrowest place are cut
    finer.
    """
    most = room + DIAGONAL * void.spacing
    width = np.minimum(most[links[:, 0]], most[links[:, 1]])
    coarse = widest(links, width, most, ends)[1]
    along = way[min(narrow + 1, len(way) - 1)] - way[max(narrow - 1, 0)]
    along = along / max(float(np.linalg.norm(along)), 1e-300)
    off = np.abs((void.centres() - way[narrow]) @ along)
    slab = off <= _SLAB * void.spacing
    for more in _PROVED:
        limit = radius * (1.0 + more)
        if limit >= coarse:
            break
        if _blocked(void, links, most >= limit, slab, ends, limit):
            return limit
    return coarse


def _blocked(
    void: Void, links: IntArray, open_: BoolArray, slab: BoolArray, ends: Sequence[IntArray],
    limit: float,
) -> bool:  # fmt: skip
    """Whether finer cells in a slab show that no ball of radius ``limit`` gets through."""
    n, h = len(open_), void.spacing
    outside = open_ & ~slab
    free = links[outside[links].all(axis=1)]
    label = connected_components(_matrix(free, n), directed=False)[1]
    up, down = (outside & np.isin(label, label[e[outside[e]]]) for e in ends)
    for end, side in zip(ends, (up, down), strict=True):
        side[end] |= open_[end]
    if (up & down).any():
        return False
    parents = np.flatnonzero(open_ & slab)
    if len(parents) * _FINER**3 > _MOST_FINE:
        return False
    part = (np.arange(_FINER) + 0.5) / _FINER - 0.5
    step = np.stack(np.meshgrid(part, part, part, indexing="ij"), axis=-1).reshape(-1, 3)
    points = (void.centres(void.cells[parents])[:, None] + h * step).reshape(-1, 3)
    room = point_distance(void.tree, points, limit).distance
    keep = np.flatnonzero(room + DIAGONAL * h / _FINER >= limit)
    if not len(keep):
        return True
    # Which coarse cells are linked: by number of the lower cell and axis.
    linked = np.unique(links[:, 0] * np.int64(n) + links[:, 1])
    grid = np.stack(np.unravel_index(void.cells[parents], void.inside.shape), axis=1)
    unit = np.stack(np.unravel_index(np.arange(_FINER**3), (_FINER,) * 3), axis=1)
    at = (grid[:, None] * _FINER + unit).reshape(-1, 3)[keep]
    owner = parents[keep // _FINER**3]
    size = np.array(void.inside.shape) * _FINER
    key = (at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2]
    order = np.argsort(key)
    key, owner = key[order], owner[order]
    pairs = []
    for stride in (size[1] * size[2], size[2], 1):
        other = np.minimum(np.searchsorted(key, key + stride), len(key) - 1)
        a = np.flatnonzero(key[other] == key + stride)
        b = other[a]
        same = owner[a] == owner[b]
        ahead = owner[a] * np.int64(n) + owner[b]
        row = np.minimum(np.searchsorted(linked, ahead), len(linked) - 1)
        pairs.append(np.stack([a, b], axis=1)[same | (linked[row] == ahead)])
    label = connected_components(_matrix(np.concatenate(pairs), len(key)), directed=False)[1]
    touch = []
    for side in (up, down):
        beside = side.copy()
        beside[links[side[links[:, 0]], 1]] = True
        beside[links[side[links[:, 1]], 0]] = True
        touch.append(label[beside[owner]])
    return not np.isin(touch[0], touch[1]).any()

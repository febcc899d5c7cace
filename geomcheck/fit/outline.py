"""Where an open mesh ends: its boundary edges, in connected outlines, told apart as rim or hole.

A boundary edge has one triangle; triangles that are there twice count once. Boundary edges that
share a corner make one outline. Of the outlines of one piece (triangles joined by edges) the
longest is the piece's outer rim if its box spans at least ``RIM_SHARE`` of the piece's: a sheet
or a bowl of scan. Every other outline is a hole: one within a sheet, the place of a missing
triangle in a solid, the open end of a hose.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray
from geomcheck.mesh.bodies import label_bodies
from geomcheck.mesh.edges import EdgeTable

#: Share of its piece that the longest outline spans if it is the outer rim.
RIM_SHARE = 0.5
#: Neighbouring boundary edges over which the direction beyond the edge is averaged, and how far.
AVERAGED, AVERAGE_REACH = 9, 5.0


@dataclass(frozen=True, eq=False)
class Outlines:
    """The boundary edges of a mesh.

    Parameters
    ----------
    ends : (k, 2, 3) float64
        mm.
    corners : (k, 2) int64
        The same as vertex numbers.
    triangle : (k,) int64
        The triangle each edge belongs to.
    beyond : (k, 3) float64
        Unit vectors along which the surface would go on, averaged over neighbouring edges.
    outline : (k,) int64
        Number of the outline each edge belongs to.
    rim : (n,) bool
        Whether outline i is the outer rim of its piece.
    low, high : (n, 3) float64
        Box of each outline, mm.
    """

    ends: FloatArray
    corners: IntArray
    triangle: IntArray
    beyond: FloatArray
    outline: IntArray
    rim: BoolArray
    low: FloatArray
    high: FloatArray


_KNOWN: WeakKeyDictionary[Body, Outlines] = WeakKeyDictionary()


def outlines(body: Body) -> Outlines:
    """Outlines of a body's mesh; the same object at every call."""
    if body not in _KNOWN:
        _KNOWN[body] = _find(body)
    return _KNOWN[body]


def _find(body: Body) -> Outlines:
    own = np.arange(len(body.faces))
    if body.soundness.duplicates:
        own = np.sort(np.unique(np.sort(body.faces, axis=1), axis=0, return_index=True)[1])
    faces = np.ascontiguousarray(body.faces[own])
    table = EdgeTable.of(faces, len(body.vertices))
    rows = np.flatnonzero(table.faces == 1)
    corners = table.ends[rows]
    local = table.order[table.start[rows]] // 3
    ends = body.vertices[corners]
    if len(rows) == 0:
        none = np.empty((0, 3))
        empty = np.empty(0, dtype=np.int64)
        return Outlines(
            ends, corners, empty, none, empty, np.empty(0, dtype=bool), none, none.copy()
        )
    outline = _joined(corners, len(body.vertices))
    low, high = _boxes(ends, outline)
    pieces, _ = label_bodies(faces, table)
    piece_low, piece_high = _boxes(body.vertices[faces[pieces >= 0]], pieces[pieces >= 0])
    span = np.linalg.norm(high - low, axis=1)
    whole = np.linalg.norm(piece_high - piece_low, axis=1)
    lengths = np.bincount(outline, weights=np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1))
    owner = np.zeros(len(span), dtype=np.int64)
    owner[outline] = pieces[local]
    rim = np.zeros(len(span), dtype=bool)
    order = np.lexsort((np.arange(len(span)), -lengths, owner))
    first = np.unique(owner[order], return_index=True)[1]
    longest = order[first]
    rim[longest] = span[longest] >= RIM_SHARE * whole[owner[longest]]
    opposite = faces[local].sum(axis=1) - corners.sum(axis=1)
    return Outlines(
        ends,
        corners,
        own[local],
        _beyond(ends, body.vertices[opposite], outline),
        outline,
        rim,
        low,
        high,
    )


def _joined(corners: IntArray, vertices: int) -> IntArray:
    """(k,) outline of each edge, numbered from 0 in the order of their first edge."""
    used, local = np.unique(corners, return_inverse=True)
    local = local.reshape(corners.shape)
    graph = coo_array(
        (np.ones(len(corners), dtype=np.int8), (local[:, 0], local[:, 1])), shape=(len(used),) * 2
    )
    label = connected_components(graph, directed=False)[1][local[:, 0]]
    _, first, number = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    out: IntArray = rank[number.reshape(-1)]
    return out


def _boxes(points: FloatArray, label: IntArray) -> tuple[FloatArray, FloatArray]:
    count = int(label.max()) + 1
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, label, points.min(axis=1))
    np.maximum.at(high, label, points.max(axis=1))
    return low, high


def _beyond(ends: FloatArray, opposite: FloatArray, outline: IntArray) -> FloatArray:
    """Unit vectors in each triangle's plane, square to its boundary edge and away from it."""
    side = ends[:, 1] - ends[:, 0]
    square = np.einsum("ij,ij->i", side, side)
    away = ends.mean(axis=1) - opposite
    along = np.einsum("ij,ij->i", away, side) / np.where(square > 0.0, square, 1.0)
    away -= along[:, None] * side
    length = np.linalg.norm(away, axis=1)
    away /= np.where(length > 0.0, length, 1.0)[:, None]
    middles = ends.mean(axis=1)
    count = min(AVERAGED, len(middles))
    _, near = cKDTree(middles).query(middles, k=count, distance_upper_bound=AVERAGE_REACH)
    near = near.reshape(len(middles), count)
    there = near < len(middles)
    near = np.where(there, near, 0)
    there &= outline[near] == outline[:, None]
    total = np.einsum("ik,ikj->ij", there * np.sqrt(square)[near], away[near])
    length = np.linalg.norm(total, axis=1)
    # Where the neighbours cancel out (round a small hole) the edge's own direction stays.
    weight = (there * np.sqrt(square)[near]).sum(axis=1)
    mean: FloatArray = np.where(
        (length > 0.5 * weight)[:, None], total / np.where(length > 0.0, length, 1.0)[:, None], away
    )
    return mean

"""Gaps between bodies of a wall that are too narrow for the cells to see.

Where neighbouring cells of the void have their nearest walls on two bodies that share no corner,
the two either meet there or leave a gap. Its width is found by projecting to and fro between
them. A gap is followed away from the void, along the middle between the two bodies: one that
closes, or leads back into the void, is a crevice; one that comes out elsewhere is a leak. A slit
between two parts of one body is not seen here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
from scipy.sparse.csgraph import connected_components

from geomcheck.flow.floods import Flood, Scene
from geomcheck.flow.section import FloatArray, IntArray
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.tree import TriangleTree

#: Cells whose walls are within this many spacings are looked at.
_NEAR = 1.5
#: Places looked at per pair of bodies, and of these followed outwards.
_PLACES, _FOLLOWED = 96, 6
#: Steps to and fro, and share of the width at which that ends.
_ROUNDS, _STILL = 60, 1e-6
#: Steps outwards, each of this share of a cell.
_STEPS, _STRIDE = 800, 0.25
#: Bodies nearer than this share of the greatest coordinate touch: the resolution of single
#: precision, with room for both.
_TOUCH = 2.0**-20


@dataclass(frozen=True, eq=False)
class Gap:
    """A gap that leads out of the void: a point in it (mm), and its least width (mm)."""

    point: FloatArray
    width: float
    between: tuple[str, str]


def gaps(scene: Scene, found: Flood) -> list[Gap]:
    """The widest gap between each two bodies that leads out of the void."""
    body, owner, triangles = _bodies(scene)
    if len(owner) < 2:
        return []
    grid = found.grid
    wet = found.cells
    near = point_distance(scene.tree, grid.centres(wet), _NEAR * grid.h)
    of = np.full(grid.size, -1, np.int64)
    seen = near.triangle >= 0
    of[wet[seen]] = body[near.triangle[seen]]
    foot = np.zeros((grid.size, 3))
    foot[wet[seen]] = near.point[seen]
    rows: dict[tuple[int, int], list[tuple[FloatArray, FloatArray]]] = {}
    for axis, step in enumerate(grid.steps):
        low = wet[found.links[axis, wet] & (of[wet] >= 0)]
        low = low[(of[low + step] >= 0) & (of[low + step] != of[low])]
        middle = grid.centres(low)
        middle[:, axis] += 0.5 * grid.h
        inward = 2.0 * middle - foot[low] - foot[low + step]
        pairs = np.sort(np.stack([of[low], of[low + step]], axis=1), axis=1)
        for pair in np.unique(pairs, axis=0):
            mine = (pairs == pair).all(axis=1)
            key = (int(pair[0]), int(pair[1]))
            rows.setdefault(key, []).append((middle[mine], inward[mine]))
    out = []
    for (a, b), listed in sorted(rows.items()):
        middle, inward = (np.concatenate(column) for column in zip(*listed, strict=True))
        every = -(-len(middle) // _PLACES)
        trees = TriangleTree(triangles[body == a]), TriangleTree(triangles[body == b])
        gap = _widest(scene, found, trees, middle[::every], inward[::every])
        if gap is not None:
            names = scene.surfaces[owner[a]].name, scene.surfaces[owner[b]].name
            out.append(Gap(*gap, names))
    return out


def _bodies(scene: Scene) -> tuple[IntArray, list[int], FloatArray]:
    """Body of each triangle of the scene's tree, the surface of each body, the triangles."""
    parts, owner, count = [], [], 0
    single = len(scene.surfaces) == 1 and not scene.caps
    for number, surface in enumerate(scene.surfaces):
        f = surface.faces
        n = len(surface.vertices)
        ends = np.concatenate([f[:, [0, 1]], f[:, [1, 2]]])
        graph = sparse.csr_matrix((np.ones(len(ends), np.int8), (ends[:, 0], ends[:, 1])), (n, n))
        _, label = connected_components(graph, directed=False)
        used, body = np.unique(label[f[:, 0]], return_inverse=True)
        body = body.reshape(-1) + count
        parts.append(body if single else body[surface.tree.order])
        owner += [number] * len(used)
        count += len(used)
    if single:
        surface = scene.surfaces[0]
        return parts[0], owner, surface.vertices[surface.faces]
    closed = sum(len(cap) for cap in scene.caps)
    return np.concatenate([*parts, np.full(closed, -1, np.int64)]), owner, scene.triangles


def _widest(
    scene: Scene,
    found: Flood,
    trees: tuple[TriangleTree, TriangleTree],
    start: FloatArray,
    inward: FloatArray,
) -> tuple[FloatArray, float] | None:
    """Point and least width of the widest gap between two bodies that leads out."""
    one, two = trees
    a = point_distance(one, start).point
    b = point_distance(two, a).point
    width = np.linalg.norm(a - b, axis=1)
    for _ in range(_ROUNDS):
        a = point_distance(one, b).point
        b = point_distance(two, a).point
        rest = np.linalg.norm(a - b, axis=1)
        still = bool((width - rest <= _STILL * width).all())
        width = rest
        if still:
            break
    reach = max(float(np.abs(tree.bounds).max()) for tree in trees)
    h = found.grid.h
    order = np.argsort(-width, kind="stable")
    order = order[(width[order] > _TOUCH * reach) & (width[order] < 2.0 * h)]
    best: tuple[FloatArray, float] | None = None
    every = max(1, len(order) // _FOLLOWED)
    for row in order[::every][:_FOLLOWED]:
        point = 0.5 * (a[row] + b[row])
        least = _follow(scene, found, trees, a[row], b[row], start[row] + inward[row])
        if least > _TOUCH * reach and (best is None or least > best[1]):
            best = point, least
    return best


def _follow(
    scene: Scene,
    found: Flood,
    trees: tuple[TriangleTree, TriangleTree],
    a: FloatArray,
    b: FloatArray,
    behind: FloatArray,
) -> float:
    """Least width of a gap followed away from a point in the void; 0 if it leads nowhere."""
    h = found.grid.h
    at = 0.5 * (a + b)
    across = b - a
    least = float(np.linalg.norm(across))
    way = at - behind
    way = way - (way @ across) / (across @ across) * across
    for _ in range(_STEPS):
        size = float(np.linalg.norm(way))
        if size == 0.0:
            return 0.0
        way = way / size
        ahead = (at + _STRIDE * h * way)[None]
        feet = [point_distance(tree, ahead).point[0] for tree in trees]
        across = feet[1] - feet[0]
        gap = float(np.linalg.norm(across))
        if not gap > 1e-3 * least:
            return 0.0
        room = float(point_distance(scene.tree, ahead).distance[0])
        if room > h or _out(scene, ahead[0]):
            return 0.0 if _wet(found, ahead[0]) else least
        middle = 0.5 * (feet[0] + feet[1])
        if float((middle - at) @ way) < 0.2 * _STRIDE * h:
            # The nearest points stay behind: at a mouth the gap opens out, straight ahead.
            middle = ahead[0]
            if gap < 2.0 * least and room < 0.25 * least:
                return 0.0
        else:
            least = min(least, gap)
        way, at = middle - at, middle
    return 0.0


def _out(scene: Scene, point: FloatArray) -> bool:
    low, high = scene.bounds
    return bool(((point < low) | (point > high)).any())


def _wet(found: Flood, point: FloatArray) -> bool:
    """Whether the cell round a point is in the flood."""
    grid = found.grid
    place = np.round((point - grid.low) / grid.h).astype(int)
    if (place < 0).any() or (place >= grid.shape).any():
        return False
    return bool(found.mark.reshape(grid.shape)[tuple(place)] == 1)

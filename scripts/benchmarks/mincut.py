"""A tilted throat without a path: the minimum cut on cells against its closed form and a graph cut.

Two half-cylinders of radius 25 stand on opposite walls of a 60 x 80 duct, 30 apart along it, and
the whole is turned against the cells. The smallest surface is 80 (sqrt(60^2 + 30^2) - 50) mm2.
The peer is scipy's maximum flow over the six links of a cell, on the same coarse cells; a graph
cut measures areas along the axes, and its error, printed in the note, does not go away with finer
cells.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import trimesh
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import maximum_flow

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Row, contestant, quick
from geomcheck.flow.cells import neighbours
from geomcheck.flow.mincut import smallest_surface
from geomcheck.flow.patches import exact_surface
from geomcheck.flow.ports import Port
from geomcheck.flow.section import Surface
from geomcheck.flow.void import Void, find_void

NAME = "mincut"
TRUTH = 80.0 * (np.hypot(60.0, 30.0) - 50.0)
TURN = trimesh.transformations.euler_matrix(0.5, 0.7, 0.3)


def _meshes() -> list[trimesh.Trimesh]:
    block = trimesh.creation.box((80, 100, 160))
    duct = trimesh.boolean.difference([block, trimesh.creation.box((60, 80, 320))])
    ends = [[(s * 30, -45, s * 15), (s * 30, 45, s * 15)] for s in (-1, 1)]
    bumps = [trimesh.creation.cylinder(25, segment=e, sections=128) for e in ends]
    return [mesh.apply_transform(TURN) for mesh in (duct, *bumps)]


def _void(meshes: list[trimesh.Trimesh], spacing: float | None, budget: int) -> Void:
    points = trimesh.transform_points([(0, 0, -60), (0, 0, 60)], TURN)
    ahead = TURN[:3, 2]
    ports = [Port.at(meshes, p, n) for p, n in zip(points, (-ahead, ahead), strict=True)]
    return find_void(meshes[:1], ports, obstacles=meshes[1:], spacing=spacing, budget=budget)


def _ours(budget: int) -> dict[str, float]:
    meshes = _meshes()
    smallest_surface(lambda h: _void(meshes, h, 5_000), budget=5_000)  # compiles
    begin = time.perf_counter()
    found = smallest_surface(lambda h: _void(meshes, h, budget), budget=3 * budget)
    seconds = time.perf_counter() - begin
    exact = exact_surface([Surface.of(mesh) for mesh in meshes], found)
    assert exact is not None
    return {
        "seconds": seconds,
        "error": 100.0 * (found.area.value / TRUTH - 1.0),
        "exact": 100.0 * (exact.area.value / TRUTH - 1.0),
    }


def _graph(budget: int) -> dict[str, float]:
    void = _void(_meshes(), None, budget)
    begin = time.perf_counter()
    near = neighbours(void)
    n = len(near)
    rows, side = np.nonzero(near >= 0)
    ends = [np.searchsorted(void.cells, void.port_cells(k)) for k in (0, 1)]
    a = np.concatenate([rows, np.full(len(ends[0]), n), ends[1]])
    b = np.concatenate([near[rows, side], ends[0], np.full(len(ends[1]), n + 1)])
    room = np.concatenate([np.ones(len(rows)), np.full(len(a) - len(rows), 10**6)])
    graph = coo_matrix((room.astype(np.int32), (a, b)), shape=(n + 2, n + 2)).tocsr()
    flow = maximum_flow(graph, n, n + 1).flow_value
    seconds = time.perf_counter() - begin
    return {"seconds": seconds, "error": 100.0 * (flow * void.spacing**2 / TRUTH - 1.0)}


def run() -> list[Row]:
    """One row: seconds, and errors in the note."""
    budget = 20_000 if quick() else 60_000
    module = str(Path(__file__).resolve())
    ours = contestant(module, "geomcheck", str(budget))
    peer = contestant(module, "scipy", str(budget))
    assert ours is not None
    assert peer is not None
    note = (
        f"error {ours['error']:+.2f} % on cells, {ours['exact']:+.3f} % put on planes; "
        f"graph cut {peer['error']:+.1f} %"
    )
    what = f"smallest surface, {budget} cells, then finer"
    return [Row(what, ours["seconds"], "scipy graph cut", peer["seconds"], note=note)]


if __name__ == "__main__":
    done = (_ours if sys.argv[1] == "geomcheck" else _graph)(int(sys.argv[2]))
    print(json.dumps(done))
    sys.exit(0)

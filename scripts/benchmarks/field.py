"""Distances of many points from a surface: 500,000 near it, and 500,000 far from a wavy panel.

Every contestant gets the mesh and the points in its own natural form and builds its tree before
the clock starts; what is timed is the distances, the nearest triangles and the nearest points of
all points. libigl and geomcheck work in float64, open3d and warp in float32.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Row, contestant, quick, timed
from benchmarks.distance import body

NAME = "field"
PEERS = ("libigl", "open3d", "warp")
CASES = ("near a wavy ball", "far from a wavy panel")


def panel(columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and faces of an open wavy sheet of 2 (columns - 1)^2 triangles, 400 mm wide."""
    at = np.linspace(-200.0, 200.0, columns)
    x, y = np.meshgrid(at, at, indexing="ij")
    z = 6.0 * np.sin(x / 17.0) * np.cos(y / 23.0) + 2.0 * np.sin(x / 5.0 + y / 7.0)
    vertices = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    i = (np.arange(columns - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    faces = np.concatenate(
        [
            np.stack([i, i + columns, i + 1], axis=1),
            np.stack([i + 1, i + columns, i + columns + 1], axis=1),
        ]
    )
    return vertices, faces


def scene(case: str, triangles: int, count: int) -> dict[str, np.ndarray]:
    """Mesh and points of a case, turned away from the axes of the file."""
    rng = np.random.default_rng(5)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    if case == CASES[0]:
        vertices, faces = body(round((triangles / 4.0) ** 0.5), 100.0, 0.0)
        pick = faces[rng.integers(len(faces), size=count)]
        weight = rng.dirichlet(np.ones(3), size=count)
        points = (vertices[pick] * weight[:, :, None]).sum(axis=1)
        points = points + rng.normal(size=points.shape) * 0.5
    else:
        vertices, faces = panel(round((triangles / 2.0) ** 0.5) + 1)
        points = rng.uniform([-150.0, -150.0, 60.0], [150.0, 150.0, 260.0], size=(count, 3))
    return {"v": vertices @ turn, "f": faces, "p": points @ turn}


def _geomcheck(data: dict[str, np.ndarray]) -> object:
    from geomcheck.mesh.query import point_distance
    from geomcheck.mesh.tree import TriangleTree

    tree = TriangleTree(data["v"][data["f"]])
    point_distance(tree, data["p"][:2000])  # compiles, or reads what was compiled

    def once() -> np.ndarray:
        return point_distance(tree, data["p"]).distance

    return once


def _libigl(data: dict[str, np.ndarray]) -> object:
    import igl

    tree = igl.AABB()
    faces = data["f"].astype(np.int64)
    tree.init(data["v"], faces)

    def once() -> np.ndarray:
        return np.sqrt(tree.squared_distance(data["v"], faces, data["p"])[0])

    return once


def _open3d(data: dict[str, np.ndarray]) -> object:
    import open3d

    world = open3d.t.geometry.RaycastingScene()
    world.add_triangles(
        open3d.core.Tensor(data["v"].astype(np.float32)),
        open3d.core.Tensor(data["f"].astype(np.uint32)),
    )
    points = data["p"].astype(np.float32)
    world.compute_closest_points(open3d.core.Tensor(points[:2000]))

    def once() -> np.ndarray:
        found = world.compute_closest_points(open3d.core.Tensor(points))
        return np.linalg.norm(found["points"].numpy() - points, axis=1)

    return once


def _warp(data: dict[str, np.ndarray]) -> object:
    import warp

    from benchmarks._warp_field import nearest

    warp.config.quiet = True
    warp.init()
    mesh = warp.Mesh(
        points=warp.array(data["v"].astype(np.float32), dtype=warp.vec3, device="cpu"),
        indices=warp.array(data["f"].astype(np.int32).ravel(), dtype=int, device="cpu"),
    )
    points = warp.array(data["p"].astype(np.float32), dtype=warp.vec3, device="cpu")
    out = warp.empty(len(points), dtype=float, device="cpu")

    def once() -> np.ndarray:
        warp.launch(nearest, len(points), inputs=[mesh.id, points, out], device="cpu")
        return out.numpy().copy()

    once()
    return once


def compete(name: str, file: str, repeats: int) -> int:
    """Time one contestant on one file; prints JSON, exit code 3 if it is not installed."""
    data = dict(np.load(file))
    makers = {"geomcheck": _geomcheck, "libigl": _libigl, "open3d": _open3d, "warp": _warp}
    try:
        once = makers[name](data)
    except ImportError:
        return 3
    distance, figures = timed(once, repeats)
    if name == "geomcheck":
        np.save(file + ".npy", distance)
        off = 0.0
    else:
        off = float(np.abs(distance - np.load(file + ".npy")).max())
    print(json.dumps({**figures, "off": off}))
    return 0


def run() -> list[Row]:
    """Rows of the comparison, each against the peer named."""
    rows = []
    triangles, count = (60_000, 100_000) if quick() else (300_000, 500_000)
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            file = str(Path(folder) / "field.npz")
            np.savez(file, **scene(case, triangles, count))
            ours = contestant(__file__, "geomcheck", file, "5")
            what = f"{case}, {count:,} points"
            for peer in PEERS:
                theirs = contestant(__file__, peer, file, "3")
                if theirs is None:
                    rows.append(Row(what, ours["seconds"], peer, None, missing=True))
                    continue
                note = f"cpu {ours['cpu']:.2f} s against {theirs['cpu']:.2f}"
                note += f"; at most {theirs['off']:.0e} mm between the answers"
                rows.append(Row(what, ours["seconds"], peer, theirs["seconds"], note=note))
    return rows


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], sys.argv[2], int(sys.argv[3])))

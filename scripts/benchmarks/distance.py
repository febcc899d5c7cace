"""From triangles in memory to the exact least distance with witness points, trees included.

Two closed wavy bodies of equal triangle counts: one pair well apart, one pair nested with a
running gap of half a millimetre all round. Each library gets its inputs in its own natural form,
loaded before the clock and the memory baseline start.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Memory, Row, contestant, quick

NAME = "distance"
PEERS = ("python-fcl", "coal")
PAIRS = ("apart", "running gap")
AGREE = 1e-9  # mm


def body(columns: int, radius: float, phase: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and faces of a wavy ball with 4 columns (columns - 1) triangles."""
    rows = columns
    polar = np.pi * (np.arange(1, rows)) / rows
    turn = np.pi * np.arange(2 * columns) / columns
    theta, phi = np.meshgrid(polar, turn, indexing="ij")
    unit = np.stack(
        [np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1
    ).reshape(-1, 3)
    unit = np.concatenate([unit, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]])
    wave = np.sin(6 * unit[:, 0] + phase) * np.cos(6 * unit[:, 1] + 0.5)
    vertices = unit * (radius * (1.0 + 0.03 * wave * np.sin(6 * unit[:, 2] + 1.0)))[:, None]
    ring = 2 * columns
    start = (np.arange(rows - 2)[:, None] * ring + np.arange(ring)).ravel()
    right = (np.arange(rows - 2)[:, None] * ring + (np.arange(ring) + 1) % ring).ravel()
    first = np.arange(ring)
    last = (rows - 2) * ring + first
    top, bottom = len(unit) - 2, len(unit) - 1
    faces = np.concatenate(
        [
            np.stack([start, start + ring, right], axis=1),
            np.stack([right, start + ring, right + ring], axis=1),
            np.stack([np.full(ring, top), first, np.roll(first, -1)], axis=1),
            np.stack([np.full(ring, bottom), np.roll(last, -1), last], axis=1),
        ]
    )
    return vertices, faces


def scene(pair: str, triangles: int) -> dict[str, np.ndarray]:
    """The two bodies of a pair, ``triangles`` in all."""
    columns = round((triangles / 8.0) ** 0.5)
    va, fa = body(columns, 100.0, 0.0)
    if pair == "apart":
        vb, fb = body(columns, 80.0, 2.0)
        vb = vb + np.array([150.0, 120.0, 90.0])
    else:
        vb, fb = body(columns, 100.5, 0.0)
    # A body is not aligned with the axes of the file.
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    return {"va": va @ turn, "fa": fa, "vb": vb @ turn, "fb": fb}


def _geomcheck(data: dict[str, np.ndarray]) -> object:
    from geomcheck.mesh.query import least_distance

    ta = np.ascontiguousarray(data.pop("va")[data.pop("fa")])
    tb = np.ascontiguousarray(data.pop("vb")[data.pop("fb")])
    least_distance(ta[:20000], tb[:20000])  # compiles, or reads what was compiled

    def once() -> tuple[float, np.ndarray, np.ndarray]:
        near = least_distance(ta, tb)
        return near.distance, near.point_a, near.point_b

    return once


def _fcl(data: dict[str, np.ndarray]) -> object:
    import fcl

    def once() -> tuple[float, np.ndarray, np.ndarray]:
        bodies = []
        for key in "ab":
            model = fcl.BVHModel()
            model.beginModel(len(data["v" + key]), len(data["f" + key]))
            model.addSubModel(data["v" + key], data["f" + key])
            model.endModel()
            bodies.append(fcl.CollisionObject(model))
        result = fcl.DistanceResult()
        distance = fcl.distance(*bodies, fcl.DistanceRequest(True), result)
        return distance, *result.nearest_points

    return once


def _coal(data: dict[str, np.ndarray]) -> object:
    import coal

    def once() -> tuple[float, np.ndarray, np.ndarray]:
        models = []
        for key in "ab":
            model = coal.BVHModelOBBRSS()
            model.beginModel(len(data["f" + key]), len(data["v" + key]))
            model.addVertices(data["v" + key])
            model.addTriangles(data["f" + key])
            model.endModel()
            models.append(model)
        result = coal.DistanceResult()
        still = coal.Transform3s()
        distance = coal.distance(models[0], still, models[1], still, coal.DistanceRequest(), result)
        return distance, result.getNearestPoint1(), result.getNearestPoint2()

    return once


def compete(name: str, file: str, repeats: int) -> int:
    """Time one contestant on one file; prints JSON, exit code 3 if it is not installed."""
    data = dict(np.load(file))
    try:
        once = {"geomcheck": _geomcheck, "python-fcl": _fcl, "coal": _coal}[name](data)
    except ImportError:
        return 3
    watch = Memory()
    times = []
    memory = 0.0
    for number in range(repeats):
        begin = time.perf_counter()
        distance, _, _ = once()
        times.append(time.perf_counter() - begin)
        if number == 0:
            memory = watch.used()
    print(
        json.dumps(
            {"seconds": statistics.median(times), "memory": memory, "distance": float(distance)}
        )
    )
    return 0


def run() -> list[Row]:
    """Rows of the comparison, each against the peer named."""
    rows = []
    sizes = (30_000, 300_000) if quick() else (300_000, 3_000_000)
    with tempfile.TemporaryDirectory() as folder:
        for triangles in sizes:
            for pair in PAIRS:
                file = str(Path(folder) / "pair.npz")
                np.savez(file, **scene(pair, triangles))
                ours = contestant(__file__, "geomcheck", file, "5")
                for peer in PEERS:
                    theirs = contestant(__file__, peer, file, "3")
                    what = f"{pair}, {triangles:,} triangles"
                    if theirs is None:
                        rows.append(Row(what, ours["seconds"], peer, None, missing=True))
                        continue
                    off = abs(ours["distance"] - theirs["distance"])
                    rows.append(
                        Row(
                            what,
                            ours["seconds"],
                            peer,
                            theirs["seconds"],
                            ours["memory"],
                            theirs["memory"],
                            f"{ours['distance']:.6f} mm"
                            + (
                                "" if off <= AGREE else f", the peer says {off:.1e} mm more or less"
                            ),
                        )
                    )
    return rows


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], sys.argv[2], int(sys.argv[3])))

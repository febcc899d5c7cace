"""Exact least distance with witness points: from triangles in memory, and with trees at hand.

Two closed wavy bodies of equal triangle counts: one pair well apart, one pair nested with a
running gap of a quarter of a millimetre all round. Three times each: everything from triangles in
memory ("at once", with the memory it takes), the trees or models alone, and the question alone
with these at hand. Each library gets its inputs in its own natural form, loaded before the clock
and the memory baseline start. The peers use one thread, geomcheck the two it uses by default.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeAlias

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Memory, Row, contestant, quick

Data: TypeAlias = dict[str, np.ndarray]
#: At once; building what is kept between questions; the question asked of that.
Contestant: TypeAlias = tuple[
    Callable[[], float], Callable[[], list[object]], Callable[[list[object]], float]
]

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
        vb, fb = body(columns, 100.25, 0.0)
    # A body is not aligned with the axes of the file.
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    return {"va": va @ turn, "fa": fa, "vb": vb @ turn, "fb": fb}


def _geomcheck(data: Data) -> Contestant:
    from geomcheck.mesh.query import least_distance
    from geomcheck.mesh.tree import TriangleTree

    ta = np.ascontiguousarray(data.pop("va")[data.pop("fa")])
    tb = np.ascontiguousarray(data.pop("vb")[data.pop("fb")])
    # Compiles, or reads what was compiled.
    least_distance(ta[:4000], tb[:4000])
    least_distance(TriangleTree(ta[:20000]), TriangleTree(tb[:20000]))

    def build() -> list[object]:
        trees = [TriangleTree(ta), TriangleTree(tb)]
        for tree in trees:
            _ = tree.least_numbers  # else made by the first question
        return trees

    return (
        lambda: least_distance(ta, tb).distance,
        build,
        lambda trees: least_distance(*trees).distance,
    )


def _fcl(data: Data) -> Contestant:
    import fcl

    def build() -> list[object]:
        bodies = []
        for key in "ab":
            model = fcl.BVHModel()
            model.beginModel(len(data["v" + key]), len(data["f" + key]))
            model.addSubModel(data["v" + key], data["f" + key])
            model.endModel()
            bodies.append(fcl.CollisionObject(model))
        return bodies

    def ask(bodies: list[object]) -> float:
        return fcl.distance(*bodies, fcl.DistanceRequest(True), fcl.DistanceResult())

    return lambda: ask(build()), build, ask


def _coal(data: Data) -> Contestant:
    import coal

    still = coal.Transform3s()

    def build() -> list[object]:
        models = []
        for key in "ab":
            model = coal.BVHModelOBBRSS()
            model.beginModel(len(data["f" + key]), len(data["v" + key]))
            model.addVertices(data["v" + key])
            model.addTriangles(data["f" + key])
            model.endModel()
            models.append(model)
        return models

    def ask(models: list[object]) -> float:
        request, result = coal.DistanceRequest(), coal.DistanceResult()
        return coal.distance(models[0], still, models[1], still, request, result)

    return lambda: ask(build()), build, ask


def _timed(task: Callable[[], object], repeats: int) -> tuple[float, object]:
    """Median of the seconds a task takes, and what it gave last."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        answer = task()
        times.append(time.perf_counter() - begin)
    return statistics.median(times), answer


def compete(name: str, file: str, repeats: int) -> int:
    """Time one contestant on one file; prints JSON, exit code 3 if it is not installed."""
    data = dict(np.load(file))
    try:
        once, build, ask = {"geomcheck": _geomcheck, "python-fcl": _fcl, "coal": _coal}[name](data)
    except ImportError:
        return 3
    watch = Memory()
    once()
    memory = watch.used()
    seconds, distance = _timed(once, repeats)
    building, built = _timed(build, repeats)
    asking, again = _timed(lambda: ask(built), repeats)
    if again != distance:
        raise RuntimeError(f"{name} says {distance!r} mm at once and {again!r} mm from trees")
    times = {"at once": seconds, "trees": building, "question": asking}
    print(json.dumps({**times, "memory": memory, "distance": float(distance)}))
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
                        rows.append(Row(what, ours["at once"], peer, None, missing=True))
                        continue
                    rows.extend(_rows(what, ours, peer, theirs))
    return rows


def _rows(what: str, ours: dict[str, float], peer: str, theirs: dict[str, float]) -> Iterator[Row]:
    off = abs(ours["distance"] - theirs["distance"])
    note = f"{ours['distance']:.6f} mm"
    if off > AGREE:
        note += f", the peer says {off:.1e} mm more or less"
    for part in ("at once", "trees", "question"):
        memory = (ours["memory"], theirs["memory"]) if part == "at once" else (None, None)
        yield Row(f"{what}, {part}", ours[part], peer, theirs[part], *memory, note)
        note = ""


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], sys.argv[2], int(sys.argv[3])))

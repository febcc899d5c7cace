"""1,000 rigid poses of a part of 100,000 triangles against one of 200,000.

Two questions: the least distance, of which geomcheck is told a cut-off of 5 mm (python-fcl and coal
know none for distances: they give all of it), and whether the parts meet at all. Poses along a
path, and poses all over the place, some in contact. Trees are built before the clock starts.
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

NAME = "poses"
PEERS = ("python-fcl", "coal")
CASES = ("along a path", "all over, near")
QUESTIONS = ("distance up to 5 mm", "whole distance", "meet or not")
CUTOFF = 5.0  # mm


def scene(case: str, triangles: int, count: int) -> dict[str, np.ndarray]:
    """Two wavy balls, the second with half the triangles, and where it goes."""
    from scipy.spatial.transform import Rotation

    va, fa = body(round((triangles / 4.0) ** 0.5), 100.0, 0.0)
    vb, fb = body(round((triangles / 8.0) ** 0.5), 60.0, 2.0)
    poses = np.tile(np.eye(4), (count, 1, 1))
    if case == CASES[0]:
        u = np.linspace(0.0, 1.0, count)
        angles = np.stack([20 * np.sin(7 * u), 30 * u, 40 * np.cos(5 * u)], axis=1)
        poses[:, :3, :3] = Rotation.from_euler("xyz", angles, degrees=True).as_matrix()
        away = 165.0 + 4.0 * np.sin(9.0 * u)
        poses[:, :3, 3] = np.stack([away * np.cos(u), away * np.sin(u), 10.0 * u], axis=1)
    else:
        rng = np.random.default_rng(2)
        poses[:, :3, :3] = Rotation.random(count, random_state=3).as_matrix()
        way = rng.normal(size=(count, 3))
        way *= (rng.uniform(155.0, 172.0, count) / np.linalg.norm(way, axis=1))[:, None]
        poses[:, :3, 3] = way
    return {"va": va, "fa": fa, "vb": vb, "fb": fb, "poses": poses}


def _geomcheck(data: dict[str, np.ndarray], question: str) -> object:
    from geomcheck.mesh.poses import pose_distances, poses_collide
    from geomcheck.mesh.tree import TriangleTree

    a, b = (TriangleTree(data["v" + key][data["f" + key]]) for key in "ab")
    pose_distances(a, b, data["poses"][:2], CUTOFF)  # compiles, or reads what was compiled

    def once() -> np.ndarray:
        if question == QUESTIONS[2]:
            return poses_collide(a, b, data["poses"]).astype(float)
        cutoff = CUTOFF if question == QUESTIONS[0] else np.inf
        return pose_distances(a, b, data["poses"], cutoff).distance

    return once


def _fcl(data: dict[str, np.ndarray], question: str) -> object:
    import fcl

    models = []
    for key in "ab":
        model = fcl.BVHModel()
        model.beginModel(len(data["v" + key]), len(data["f" + key]))
        model.addSubModel(data["v" + key], data["f" + key])
        model.endModel()
        models.append(model)
    still, moving = (fcl.CollisionObject(model) for model in models)
    maps = [fcl.Transform(pose[:3, :3], pose[:3, 3]) for pose in data["poses"]]

    def once() -> np.ndarray:
        out = np.empty(len(maps))
        for k, where in enumerate(maps):
            moving.setTransform(where)
            if question == QUESTIONS[2]:
                out[k] = fcl.collide(still, moving, fcl.CollisionRequest(), fcl.CollisionResult())
            else:
                out[k] = fcl.distance(still, moving, fcl.DistanceRequest(), fcl.DistanceResult())
        return np.maximum(out, 0.0)

    return once


def _coal(data: dict[str, np.ndarray], question: str) -> object:
    import coal

    models = []
    for key in "ab":
        model = coal.BVHModelOBBRSS()
        model.beginModel(len(data["f" + key]), len(data["v" + key]))
        model.addVertices(data["v" + key])
        model.addTriangles(data["f" + key])
        model.endModel()
        models.append(model)
    still = coal.Transform3s()
    maps = [coal.Transform3s(pose[:3, :3].copy(), pose[:3, 3].copy()) for pose in data["poses"]]

    def once() -> np.ndarray:
        out = np.empty(len(maps))
        for k, where in enumerate(maps):
            if question == QUESTIONS[2]:
                result = coal.CollisionResult()
                coal.collide(models[0], still, models[1], where, coal.CollisionRequest(), result)
                out[k] = result.isCollision()
            else:
                near = coal.DistanceResult()
                out[k] = coal.distance(
                    models[0], still, models[1], where, coal.DistanceRequest(), near
                )
        return np.maximum(out, 0.0)

    return once


def compete(name: str, file: str, question: str, repeats: int) -> int:
    """Time one contestant on one file; prints JSON, exit code 3 if it is not installed."""
    data = dict(np.load(file))
    try:
        once = {"geomcheck": _geomcheck, "python-fcl": _fcl, "coal": _coal}[name](data, question)
    except ImportError:
        return 3
    answer, figures = timed(once, repeats)
    if name == "geomcheck":
        np.save(file + ".npy", answer)
        off = 0.0
    else:
        ours = np.load(file + ".npy")
        near = np.isfinite(ours)
        off = float(np.abs(answer - ours)[near].max(initial=0.0))
    print(json.dumps({**figures, "off": off}))
    return 0


def run() -> list[Row]:
    """Rows of the comparison, each against the peer named."""
    rows = []
    triangles, count = (40_000, 200) if quick() else (200_000, 1_000)
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            file = str(Path(folder) / "poses.npz")
            np.savez(file, **scene(case, triangles, count))
            for question in QUESTIONS:
                ours = contestant(__file__, "geomcheck", file, question, "5")
                what = f"{case}, {question}, {count:,} poses"
                for peer in PEERS:
                    theirs = contestant(__file__, peer, file, question, "3")
                    if theirs is None:
                        rows.append(Row(what, ours["seconds"], peer, None, missing=True))
                        continue
                    note = f"cpu {ours['cpu']:.3f} s against {theirs['cpu']:.3f}"
                    note += f"; at most {theirs['off']:.0e} between the answers"
                    rows.append(Row(what, ours["seconds"], peer, theirs["seconds"], note=note))
    return rows


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])))

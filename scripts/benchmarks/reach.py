"""Tool access: 50 fasteners x 8 tools x 2,000 directions, with arcs, against a million triangles.

A wavy ball wound about with 40 pipes, fasteners on the ball, every tool a stack of cylinders with a
handle: does it stand in that direction, and does the handle turn by 60 degrees? The peer is asked
with its own cylinders for the first question ("stands"), and for both ("stands and turns") also
with a box for the handle every 5 degrees where the stack stands, which is less than is proved here.
It is timed on a sample and its time taken times the number of poses. The peer uses one thread,
geomcheck two; on a busy machine the rows of CPU time are the ones to read.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Row, contestant, quick
from benchmarks.distance import body

NAME = "reach"
PEER = "python-fcl"
FASTENERS, DIRECTIONS = 50, 2000
CONE = math.radians(45.0)
ARC = 60.0
SAMPLE = 400

#: Rows (from, to, radius) of each tool, and its handle (low, high, half width, from, to).
TOOLS = (
    ([(1, 80, 3.4)], (74, 80, 3.2, 3.4, 30)),
    ([(1, 160, 3.4)], (154, 160, 3.2, 3.4, 40)),
    ([(1, 26, 9.2), (26, 50, 16)], (34, 50, 8, 16, 180)),
    ([(1, 26, 9.2), (26, 90, 6), (90, 101, 9), (101, 125, 16)], (108, 124, 8, 16, 180)),
    ([(1, 26, 9.2), (26, 140, 6), (140, 151, 9), (151, 175, 16)], (158, 174, 8, 16, 180)),
    ([(1, 20, 3.5), (20, 52, 8.5), (52, 76, 16)], (60, 76, 8, 16, 180)),
    ([(1, 20, 3.5), (20, 52, 8.5), (52, 110, 6), (110, 121, 9), (121, 145, 16)],
     (128, 144, 8, 16, 180)),
    ([(1, 40, 6), (40, 60, 12)], (44, 56, 6, 12, 130)),
)  # fmt: skip


def _pipe(rng: np.random.Generator, triangles: int) -> np.ndarray:
    """A closed ring of round section somewhere about the origin."""
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    side = np.cross(axis, [0.3, 0.4, 0.86])
    side /= np.linalg.norm(side)
    large, small = rng.uniform(125, 190), rng.uniform(3, 9)
    rings = max(triangles // 80, 8)
    t = np.linspace(0, 2 * np.pi, rings, endpoint=False)[:, None, None]
    s = np.linspace(0, 2 * np.pi, 40, endpoint=False)[None, :, None]
    out = np.cos(t) * side + np.sin(t) * np.cross(axis, side)
    points = out * (large + small * np.cos(s)) + axis * (small * np.sin(s))
    right, up = np.roll(points, -1, axis=0), np.roll(points, -1, axis=1)
    both = np.roll(right, -1, axis=1)
    first = np.stack([points, right, both], axis=2).reshape(-1, 3, 3)
    return np.concatenate([first, np.stack([points, both, up], axis=2).reshape(-1, 3, 3)])


def _directions(normal: np.ndarray) -> np.ndarray:
    """Directions spread evenly over a cone, ring by ring, to and fro."""
    k = np.arange(DIRECTIONS) + 0.5
    cosine = 1 - (1 - math.cos(CONE)) * k / DIRECTIONS
    sine = np.sqrt(1 - cosine**2)
    turn = (np.pi * (1 + 5**0.5) * k) % (2 * np.pi)
    ring = (k / DIRECTIONS * 40).astype(int)
    order = np.lexsort((np.where(ring % 2, -1, 1) * turn, ring))
    local = np.column_stack([sine * np.cos(turn), sine * np.sin(turn), cosine])[order]
    u = np.cross(normal, [0.31, 0.2, 0.9])
    u /= np.linalg.norm(u)
    return local @ np.stack([u, np.cross(normal, u), normal])


def scene(triangles: int) -> dict[str, np.ndarray]:
    """Triangles and frames (fasteners * directions, 4, 3)."""
    rng = np.random.default_rng(5)
    vertices, faces = body(round((0.6 * triangles / 4) ** 0.5), 100.0, 0.0)
    pipes = [_pipe(rng, int(0.4 * triangles / 40)) for _ in range(40)]
    sites = vertices[rng.choice(len(vertices), FASTENERS, replace=False)]
    frames = []
    for site in sites:
        normal = site / np.linalg.norm(site)
        w = _directions(normal)
        u = np.cross(np.eye(3)[np.argmin(np.abs(w), axis=1)], w)
        u /= np.linalg.norm(u, axis=1)[:, None]
        origin = np.broadcast_to(site + 2 * normal, w.shape)
        frames.append(np.stack([origin, u, np.cross(w, u), w], axis=1))
    return {
        "triangles": np.concatenate([vertices[faces], *pipes]),
        "frames": np.concatenate(frames),
    }


def _geomcheck(data: dict[str, np.ndarray]) -> dict[str, float]:
    from geomcheck.fasten.arcs import Bar
    from geomcheck.fasten.batch import Pose, try_poses
    from geomcheck.fasten.obstacle import Obstacle
    from geomcheck.mesh.sagitta import Sagitta
    from geomcheck.mesh.tree import TriangleTree

    triangles, frames = data["triangles"], data["frames"]
    tree = TriangleTree(triangles)
    part = Obstacle("scene", tree, Sagitta.declared(0.0, len(triangles)), True)
    tools = [Pose(np.array(rows, dtype=float), [Bar(*bar)]) for rows, bar in TOOLS]
    bare = [Pose(tool.rows) for tool in tools]
    try_poses(frames[:4], tools, part, need_deg=ARC)  # compiles, or reads what was compiled
    out = {}
    for name, chosen in (("stands", bare), ("turns", tools)):
        begin, cpu = time.perf_counter(), time.process_time()
        found = try_poses(frames, chosen, part, need_deg=ARC)
        out[name] = time.perf_counter() - begin
        out[f"{name} cpu"] = time.process_time() - cpu
    out["standing"] = float(found.stands.mean())
    out["turning"] = float(found.turns.mean())
    pick = _picked(len(frames))
    np.savez(str(data["answers"]), stands=found.stands[pick], turns=found.turns[pick])
    return out


def _picked(count: int) -> np.ndarray:
    return np.sort(np.random.default_rng(3).choice(count, SAMPLE, replace=False))


def _fcl(data: dict[str, np.ndarray]) -> dict[str, float]:
    import fcl

    triangles, frames = data["triangles"], data["frames"]
    vertices, faces = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3)
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(faces))
    model.addSubModel(vertices, faces)
    model.endModel()
    still = fcl.CollisionObject(model, fcl.Transform())
    pick = _picked(len(frames))

    def meets(shape: object, turn: np.ndarray, place: np.ndarray) -> bool:
        body_ = fcl.CollisionObject(shape, fcl.Transform(turn, place))
        return fcl.collide(still, body_, fcl.CollisionRequest(), fcl.CollisionResult()) > 0

    stands = np.zeros((len(pick), len(TOOLS)), dtype=bool)
    shapes = [[(fcl.Cylinder(r, b - a), 0.5 * (a + b)) for a, b, r in rows] for rows, _ in TOOLS]
    begin, cpu = time.perf_counter(), time.process_time()
    for n, q in enumerate(pick):
        frame = frames[q]
        turn = frame[1:].T
        for k, stack in enumerate(shapes):
            stands[n, k] = not any(meets(s, turn, frame[0] + z * frame[3]) for s, z in stack)
    spent, spent_cpu = time.perf_counter() - begin, time.process_time() - cpu
    # The handles of those that stand, every 5 degrees.
    angles = np.radians(np.arange(0, 360, 5))
    begin, cpu = time.perf_counter(), time.process_time()
    for n, q in enumerate(pick):
        frame = frames[q]
        for k in np.flatnonzero(stands[n]):
            low, high, half, first, last = TOOLS[k][1]
            box = fcl.Box(last - first, 2 * half, high - low)
            for angle in angles:
                c, s = math.cos(angle), math.sin(angle)
                x = c * frame[1] + s * frame[2]
                y = c * frame[2] - s * frame[1]
                place = frame[0] + 0.5 * (first + last) * x + 0.5 * (low + high) * frame[3]
                meets(box, np.stack([x, y, frame[3]], axis=1), place)
    extra, extra_cpu = time.perf_counter() - begin, time.process_time() - cpu
    mine = np.load(str(data["answers"]))["stands"]
    poses = len(pick) * len(TOOLS)
    return {
        "stands": spent / poses,
        "turns": (spent + extra) / poses,
        "stands cpu": spent_cpu / poses,
        "turns cpu": (spent_cpu + extra_cpu) / poses,
        "disagree": float((mine != stands).sum()),
    }


def compete(name: str, file: str) -> int:
    """Time one contestant; prints JSON, exit code 3 if it is not installed."""
    data = dict(np.load(file))
    data["answers"] = np.array(str(Path(file).with_name("answers.npz")))
    try:
        print(json.dumps({"geomcheck": _geomcheck, PEER: _fcl}[name](data)))
    except ImportError:
        return 3
    return 0


def run() -> list[Row]:
    """Rows of the comparison."""
    triangles = 100_000 if quick() else 1_000_000
    poses = FASTENERS * DIRECTIONS * len(TOOLS)
    with tempfile.TemporaryDirectory() as folder:
        file = str(Path(folder) / "scene.npz")
        np.savez(file, **scene(triangles))
        ours = contestant(__file__, "geomcheck", file)
        theirs = contestant(__file__, PEER, file)
    rows = []
    share = f"{100 * ours['standing']:.1f} % stand, {100 * ours['turning']:.1f} % turn"
    for key, words in (("stands", "stands"), ("turns", "stands and turns")):
        what = f"{poses:,} poses, {words}, {triangles:,} triangles"
        peer = None if theirs is None else theirs[key] * poses
        note = share
        if theirs is not None and theirs["disagree"]:
            note += f"; {theirs['disagree']:.0f} of {SAMPLE * len(TOOLS)} disagree"
        rows.append(Row(what, ours[key], PEER, peer, note=note, missing=theirs is None))
        peer = None if theirs is None else theirs[f"{key} cpu"] * poses
        rows.append(Row(f"{what}, CPU time", ours[f"{key} cpu"], PEER, peer))
    return rows


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], sys.argv[2]))

"""The flow path of a bend found by itself: error against the centre line, and time.

There is no peer to run beside it: the rows give our time, and the errors in the note. Bends of
bore 80 and R/D 0.6, 1 and 1.5, about 200,000 cells; the closed form is the torus.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Row, contestant, quick
from geomcheck.flow.centreline import find_path
from geomcheck.flow.ports import Port

NAME = "path"
BORE, SIDES, RINGS = 40.0, 192, 181


def bend(radius: float) -> np.ndarray:
    """Triangles of the skin of a quarter bend about the origin in x-z, facing the void."""
    turn = np.linspace(0.0, np.pi / 2, RINGS)[:, None]
    round_ = 2 * np.pi * np.arange(SIDES) / SIDES
    r = radius + BORE * np.cos(round_)
    y = np.broadcast_to(BORE * np.sin(round_), (RINGS, SIDES))
    p = np.stack([r * np.cos(turn), y, r * np.sin(turn)], axis=2)
    q = np.roll(p, -1, axis=1)
    one = np.stack([p[:-1], q[:-1], q[1:]], axis=2).reshape(-1, 3, 3)
    two = np.stack([p[:-1], q[1:], p[1:]], axis=2).reshape(-1, 3, 3)
    triangles = np.concatenate([one, two])
    n = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    middle = triangles.mean(axis=1)
    ring = middle * (1, 0, 1)
    ring *= radius / np.linalg.norm(ring, axis=1)[:, None]
    outward = ((middle - ring) * n).sum(axis=1) > 0
    triangles[outward] = triangles[outward][:, ::-1]
    return triangles


def compete(radius: float, budget: int) -> int:
    """Time one bend; prints JSON."""
    triangles = bend(radius)
    ports = (
        Port.at(triangles, (radius, 0, 1e-3), (0, 0, -1)),
        Port.at(triangles, (1e-3, 0, radius), (-1, 0, 0)),
    )
    find_path(triangles, *ports, budget=budget)  # compiles, or reads the cache
    times, cpu = [], []
    for _ in range(3):
        begin, spent = time.perf_counter(), time.process_time()
        route = find_path(triangles, *ports, budget=budget)
        times.append(time.perf_counter() - begin)
        cpu.append(time.process_time() - spent)
    at = route.path.frames(np.linspace(0.0, route.path.length, 400))[:, :3]
    off = np.hypot(np.hypot(at[:, 0], at[:, 2]) - radius, at[:, 1]).max()
    area = SIDES / 2 * BORE**2 * np.sin(2 * np.pi / SIDES)
    wrong = 100.0 * np.abs(route.levels[0].area / area - 1.0).max()
    print(
        json.dumps(
            {
                "seconds": statistics.median(times),
                "cpu": statistics.median(cpu),
                "off": float(off),
                "area": float(wrong),
                "cells": len(route.void.cells),
            }
        )
    )
    return 0


def run() -> list[Row]:
    """A row per bend."""
    budget = 40_000 if quick() else 200_000
    module = str(Path(__file__).resolve())
    rows = []
    for radius in (48.0, 80.0, 120.0):
        found = contestant(module, str(radius), str(budget))
        assert found is not None
        note = (
            f"path within {found['off']:.4f} mm, level areas within {found['area']:.3f} %, "
            f"{found['cpu']:.2f} s of processor time, {found['cells']:.0f} cells"
        )
        rows.append(
            Row(f"path of a bend, R/D {radius / 80:g}", found["seconds"], "-", None, note=note)
        )
    return rows


if __name__ == "__main__":
    sys.exit(compete(float(sys.argv[1]), int(sys.argv[2])))

"""500 stations through a housing of a million triangles, against a loop of trimesh sections.

The housing is a tube whose wall is drawn finely, in a lattice of 400 balls, so that every plane
cuts several thousand triangles that do not belong to the bore. Ours is the whole way to the open
area: tree, sections, loops, which of them bound the bore. trimesh is timed on every tenth plane,
``section`` alone and with ``to_2D`` and ``area`` of the whole section, and multiplied by ten;
so is pyvista's cutter, ``slice`` alone and with ``strip``, which joins its lines to outlines.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from pathlib import Path

import numpy as np
import trimesh

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import Row, contestant, quick
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import Surface
from geomcheck.flow.stations import Stations

NAME = "sections"

STATIONS = 500
EVERY = 10
RADIUS, OUTER, LENGTH = 40.0, 46.0, 200.0


def _tube(around: int, along: int) -> trimesh.Trimesh:
    z = np.linspace(0.0, LENGTH, along)
    a = 2 * np.pi * np.arange(around) / around
    circle = np.column_stack([np.cos(a), np.sin(a)])
    rings = [
        np.column_stack([np.tile(r * circle, (along, 1)), np.repeat(z, around)])
        for r in (RADIUS, OUTER)
    ]
    i, j = (x.ravel() for x in np.meshgrid(np.arange(along - 1), np.arange(around), indexing="ij"))
    k = (j + 1) % around
    p, q, r, s = i * around + j, i * around + k, (i + 1) * around + k, (i + 1) * around + j
    shift = along * around
    j, k = np.arange(around), (np.arange(around) + 1) % around
    top = (along - 1) * around
    faces = [
        np.column_stack([p, r, q]), np.column_stack([p, s, r]),
        np.column_stack([p, q, r]) + shift, np.column_stack([p, r, s]) + shift,
        np.column_stack([j, k, k + shift]), np.column_stack([j, k + shift, j + shift]),
        np.column_stack([j, k + shift, k]) + top, np.column_stack([j, j + shift, k + shift]) + top,
    ]  # fmt: skip
    return trimesh.Trimesh(np.vstack(rings), np.vstack(faces), process=False)


def housing() -> trimesh.Trimesh:
    """About a million triangles, closed."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=4.0)
    parts = [_tube(256, 480)]
    for level in range(20):
        for n in range(20):
            turn = 2 * np.pi * (n + 0.5 * (level % 2)) / 20
            copy = ball.copy()
            copy.apply_translation(
                (60 * np.cos(turn), 60 * np.sin(turn), 5.3 + level * (LENGTH - 10.6) / 19)
            )
            parts.append(copy)
    return trimesh.util.concatenate(parts)


def _ours(stations: int) -> float:
    """Median seconds from vertices and faces to the open area at every station."""
    mesh = housing()
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    path = FlowPath([(0.0, 0.0, 0.0), (0.0, 0.0, LENGTH)])
    places = np.linspace(0.13, LENGTH - 0.17, stations)
    exact = 128 * RADIUS**2 * np.sin(2 * np.pi / 256)
    Stations([Surface(vertices, faces)], path).add(places[:40])  # compiles, or reads the cache
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        rows = Stations([Surface(vertices, faces)], path)
        rows.add(places)
        areas = np.array([row.area for row in rows.rows])
        times.append(time.perf_counter() - begin)
        if len(areas) != stations or not np.abs(areas / exact - 1.0).max() < 1e-9:
            raise RuntimeError("the bore's area is wrong")
    return statistics.median(times)


def _trimesh(stations: int, with_area: bool) -> float:
    """Seconds of a loop of trimesh sections, from every tenth plane."""
    mesh = housing()
    total = 0.0
    for s in np.linspace(0.13, LENGTH - 0.17, stations)[::EVERY]:
        begin = time.perf_counter()
        section = mesh.section(plane_origin=(0.0, 0.0, s), plane_normal=(0.0, 0.0, 1.0))
        if with_area:
            flat, _ = section.to_2D()
            if not flat.area > 0:
                raise RuntimeError("trimesh found no area")
        total += time.perf_counter() - begin
    return total * EVERY


def _pyvista(stations: int, joined: bool) -> float:
    """Seconds of a loop of pyvista slices, from every tenth plane; lines only, no area."""
    import pyvista

    mesh = pyvista.wrap(housing())
    total = 0.0
    for s in np.linspace(0.13, LENGTH - 0.17, stations)[::EVERY]:
        begin = time.perf_counter()
        lines = mesh.slice(normal=(0.0, 0.0, 1.0), origin=(0.0, 0.0, s))
        if joined:
            lines = lines.strip()
        total += time.perf_counter() - begin
        if lines.n_cells == 0:
            raise RuntimeError("pyvista found no section")
    return total * EVERY


def compete(name: str, stations: int) -> int:
    """Time one contestant; prints JSON."""
    if name == "geomcheck":
        seconds = _ours(stations)
    elif name.startswith("pyvista"):
        try:
            seconds = _pyvista(stations, name.endswith("joined"))
        except ImportError:
            return 3
    else:
        seconds = _trimesh(stations, name.endswith("area"))
    print(json.dumps({"seconds": seconds}))
    return 0


def run() -> list[Row]:
    """Rows against trimesh's section alone and with its area, and pyvista's slices."""
    stations = 100 if quick() else STATIONS
    what = f"{stations} stations, 1 M triangles"
    module = str(Path(__file__).resolve())
    ours = contestant(module, "geomcheck", str(stations))
    assert ours is not None
    rows = []
    peers = ("trimesh section", "trimesh section and area", "pyvista slice", "pyvista slice joined")
    for peer in peers:
        theirs = contestant(module, peer, str(stations))
        if theirs is None:
            rows.append(Row(what, ours["seconds"], peer, None, missing=True))
            continue
        note = f"peer timed on every {EVERY}th plane"
        rows.append(Row(what, ours["seconds"], peer, theirs["seconds"], note=note))
    return rows


if __name__ == "__main__":
    sys.exit(compete(sys.argv[1], int(sys.argv[2])))

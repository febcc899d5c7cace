"""500 stations through a housing of a million triangles, against a loop of trimesh sections.

The housing is a tube whose wall is drawn finely, in a lattice of 400 balls, so that every plane
cuts several thousand triangles that do not belong to the bore. Ours is the whole way to the open
area: tree, sections, loops, which of them bound the bore. trimesh is timed on every tenth plane
(``section``, ``to_2D``, ``area`` of the whole section) and its time is multiplied by ten.
"""

from __future__ import annotations

import time

import numpy as np
import trimesh

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


def run() -> list[dict[str, object]]:
    """One row: seconds of ours and of trimesh for all stations, and their ratio."""
    mesh = housing()
    path = FlowPath([(0.0, 0.0, 0.0), (0.0, 0.0, LENGTH)])
    places = np.linspace(0.13, LENGTH - 0.17, STATIONS)
    exact = 128 * RADIUS**2 * np.sin(2 * np.pi / 256)
    Stations([Surface.of(mesh.triangles[:100])], path).add(places[:40])  # compile
    best = np.inf
    for _ in range(3):
        begin = time.perf_counter()
        rows = Stations([Surface(mesh.vertices, mesh.faces)], path)
        rows.add(places)
        areas = np.array([row.area for row in rows.rows])
        best = min(best, time.perf_counter() - begin)
    if len(areas) != STATIONS or np.abs(areas / exact - 1.0).max() > 1e-9:
        raise RuntimeError("the bore's area is wrong")
    begin = time.perf_counter()
    for s in places[::EVERY]:
        section = mesh.section(plane_origin=(0.0, 0.0, s), plane_normal=(0.0, 0.0, 1.0))
        flat, _ = section.to_2D()
        if not flat.area > 0:
            raise RuntimeError("trimesh found no area")
    peer = (time.perf_counter() - begin) * EVERY
    return [
        {
            "work": f"{STATIONS} stations, {len(mesh.faces):,} triangles",
            "ours": best,
            "peer": "trimesh section",
            "theirs": peer,
            "ratio": peer / best,
            "least ratio": 10.0,
        }
    ]

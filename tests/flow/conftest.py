"""Ducts built from closed-form shapes: straight, stepped, tapered and bent tubes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh


def sweep_tube(
    centres: Any, tangents: Any, across: Any, inner: Any, outer: Any, sides: int
) -> trimesh.Trimesh:
    """Closed wall between two polygonal tubes round a line of ring centres.

    ``across``: unit vectors to the first corner of each ring. Radii per ring or one for all.
    """
    centres = np.asarray(centres, dtype=float)
    tangents, across = np.asarray(tangents, dtype=float), np.asarray(across, dtype=float)
    rings = len(centres)
    turn = 2 * np.pi * np.arange(sides) / sides
    third = np.cross(tangents, across)
    circle = (
        np.cos(turn)[None, :, None] * across[:, None, :]
        + np.sin(turn)[None, :, None] * third[:, None, :]
    )
    vertices = np.vstack(
        [
            (centres[:, None, :] + np.broadcast_to(r, rings)[:, None, None] * circle).reshape(-1, 3)
            for r in (inner, outer)
        ]
    )
    i, j = (x.ravel() for x in np.meshgrid(np.arange(rings - 1), np.arange(sides), indexing="ij"))
    k = (j + 1) % sides
    a, b, c, d = i * sides + j, i * sides + k, (i + 1) * sides + k, (i + 1) * sides + j
    o = rings * sides
    j, k = np.arange(sides), (np.arange(sides) + 1) % sides
    e = (rings - 1) * sides
    faces = np.vstack(
        [
            np.c_[a, c, b], np.c_[a, d, c], np.c_[a, b, c] + o, np.c_[a, c, d] + o,
            np.c_[j, k, k + o], np.c_[j, k + o, j + o],
            np.c_[e + j, e + k + o, e + k], np.c_[e + j, e + j + o, e + k + o],
        ]
    )  # fmt: skip
    return trimesh.Trimesh(vertices, faces, process=False)


@pytest.fixture
def tube() -> Callable[..., trimesh.Trimesh]:
    """``tube(inner, outer, z, sides=64)`` along z; radii may vary with the levels ``z``."""

    def make(inner: Any, outer: Any, z: Any, sides: int = 64) -> trimesh.Trimesh:
        z = np.asarray(z, dtype=float)
        zero, ones = np.zeros(len(z)), np.ones(len(z))
        return sweep_tube(
            np.c_[zero, zero, z], np.c_[zero, zero, ones], np.c_[ones, zero, zero], inner, outer,
            sides,
        )  # fmt: skip

    return make


@pytest.fixture
def bent() -> Callable[..., tuple[trimesh.Trimesh, np.ndarray]]:
    """``bent(radius, inner, outer, degrees, leg=0, sides=96, rings=91)``: duct and its centres.

    The bend turns in the x-z plane about the origin; straight legs stand before and after it.
    """

    def make(
        radius: float,
        inner: float,
        outer: float,
        degrees: float,
        leg: float = 0.0,
        sides: int = 96,
        rings: int = 91,
    ) -> tuple[trimesh.Trimesh, np.ndarray]:
        turn = np.radians(np.linspace(0, degrees, rings))
        out = np.c_[np.cos(turn), 0 * turn, np.sin(turn)]
        ahead = np.c_[-np.sin(turn), 0 * turn, np.cos(turn)]
        centres = radius * out
        if leg > 0:
            steps = np.linspace(0, leg, 16)[1:, None]
            centres = np.vstack(
                [centres[0] - steps[::-1] * ahead[0], centres, centres[-1] + steps * ahead[-1]]
            )
            ahead = np.vstack([np.tile(ahead[0], (15, 1)), ahead, np.tile(ahead[-1], (15, 1))])
            out = np.vstack([np.tile(out[0], (15, 1)), out, np.tile(out[-1], (15, 1))])
        return sweep_tube(centres, ahead, out, inner, outer, sides), centres

    return make


@pytest.fixture
def polygon() -> Callable[[float, int], float]:
    """Area of the regular n-gon inscribed in a circle (elementary geometry)."""

    def area(radius: float, sides: int) -> float:
        return float(sides / 2 * radius**2 * np.sin(2 * np.pi / sides))

    return area


@pytest.fixture
def bar() -> Callable[..., trimesh.Trimesh]:
    """``bar(radius, begin, end, sides=128)``: a solid cylinder from point to point."""

    def make(radius: float, begin: Any, end: Any, sides: int = 128) -> trimesh.Trimesh:
        return trimesh.creation.cylinder(radius, segment=[begin, end], sections=sides)

    return make


@pytest.fixture
def motion() -> Callable[[int], np.ndarray]:
    """``motion(seed)``: a rigid 4 x 4 matrix."""

    def make(seed: int) -> np.ndarray:
        rng = np.random.default_rng(seed)
        out = trimesh.transformations.quaternion_matrix(rng.normal(size=4))
        out[:3, 3] = rng.uniform(-300, 300, 3)
        return out

    return make

"""Shapes for the fasten room: a flange with a hole, seats, walls, tubes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh


def _box(low, high) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[low, high])


def _flange(hole: float = 4.5, radius: float = 30.0, thickness: float = 10.0) -> trimesh.Trimesh:
    """A disc with a hole about z, its top face at z = 0."""
    mesh = trimesh.creation.annulus(r_min=hole, r_max=radius, height=thickness, sections=48)
    mesh.apply_translation([0, 0, -thickness / 2])
    return mesh


def _open(mesh: trimesh.Trimesh, drop=(0,)) -> trimesh.Trimesh:
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[list(drop)] = False
    return trimesh.Trimesh(mesh.vertices, mesh.faces[keep], process=False)


@pytest.fixture
def box() -> Callable[..., trimesh.Trimesh]:
    return _box


@pytest.fixture
def flange() -> Callable[..., trimesh.Trimesh]:
    return _flange


@pytest.fixture
def opened() -> Callable[..., trimesh.Trimesh]:
    return _open

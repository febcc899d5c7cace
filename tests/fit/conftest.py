"""Solids whose true surface is known, tessellated with a known chord error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import trimesh


@dataclass(frozen=True)
class Solid:
    """A mesh inscribed in a smooth solid, and the chord error it has by construction, mm."""

    mesh: trimesh.Trimesh
    sagitta: float

    def at(self, matrix: np.ndarray) -> Solid:
        return Solid(self.mesh.copy().apply_transform(matrix), self.sagitta)

    def moved(self, *offset: float) -> Solid:
        return self.at(trimesh.transformations.translation_matrix(offset))


def _ball(radius: float, subdivisions: int = 3) -> Solid:
    mesh = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    planes = np.einsum("ij,ij->i", mesh.triangles[:, 0], mesh.face_normals)
    return Solid(mesh, float(radius - planes.min()))


def _torus(major: float, minor: float, around: int = 96, across: int = 48) -> Solid:
    mesh = trimesh.creation.torus(major, minor, major_sections=around, minor_sections=across)
    # The middle of a facet's longest side lies no more than the chord errors of both circles,
    # the outer one taken at its largest, under the surface.
    chord = (major + minor) * (1 - np.cos(np.pi / around)) + minor * (1 - np.cos(np.pi / across))
    return Solid(mesh, float(chord))


def _rod(radius: float, length: float, sides: int = 48) -> Solid:
    mesh = trimesh.creation.cylinder(radius=radius, height=length, sections=sides)
    return Solid(mesh, float(radius * (1 - np.cos(np.pi / sides))))


def _box(*size: float) -> Solid:
    return Solid(trimesh.creation.box(size), 0.0)


@pytest.fixture
def ball() -> Callable[..., Solid]:
    """``ball(radius, subdivisions=3)`` about the origin."""
    return _ball


@pytest.fixture
def torus() -> Callable[..., Solid]:
    """``torus(major, minor)`` about the z axis."""
    return _torus


@pytest.fixture
def rod() -> Callable[..., Solid]:
    """``rod(radius, length)`` along z, middle in the origin."""
    return _rod


@pytest.fixture(scope="session")
def box() -> Callable[..., Solid]:
    """``box(x, y, z)`` about the origin."""
    return _box


@pytest.fixture
def join() -> Callable[..., trimesh.Trimesh]:
    """``join(*meshes)``: their boolean union (manifold3d), for test parts of several blocks."""

    def make(*meshes: trimesh.Trimesh) -> trimesh.Trimesh:
        return trimesh.boolean.union(list(meshes), engine="manifold")

    return make


@pytest.fixture
def block() -> Callable[..., trimesh.Trimesh]:
    """``block((x0, x1), (y0, y1), (z0, z1))``: a box by its faces."""

    def make(*spans: tuple[float, float]) -> trimesh.Trimesh:
        return trimesh.creation.box(bounds=np.array(spans).T)

    return make

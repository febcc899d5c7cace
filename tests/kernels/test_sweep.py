"""Swept facets against trimesh's slicing of the same mesh, and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels import sweep as kernel
from geomcheck.mesh.tree import TriangleTree


def slab(near: float, far: float, window: tuple[float, float, float, float]) -> np.ndarray:
    out = np.zeros(22)
    out[2], out[5], out[8], out[11] = near, 1, far, 1
    out[12], out[16] = 1, 1
    out[18:] = window
    return out


def swept(mesh: trimesh.Trimesh, row: np.ndarray, sense: float) -> np.ndarray:
    tree = TriangleTree(mesh.triangles)
    return kernel.swept(tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, row[None], sense)[0]


def test_a_hemisphere_throws_the_shadow_of_its_great_circle() -> None:
    ball = trimesh.creation.icosphere(5, 10)
    row = slab(-20, 20, (-20, -20, 20, 20))
    for sense in (1.0, -1.0):
        assert swept(ball, row, sense)[0] == pytest.approx(np.pi * 100, rel=2e-3)
    assert swept(ball, row, 1.0)[1] == pytest.approx(ball.area, rel=1e-12)
    # Only the half that faces: material begins below the equator, ends above it.
    below = slab(-20, 0, (-20, -20, 20, 20))
    assert swept(ball, below, 1.0)[0] == pytest.approx(np.pi * 100, rel=2e-3)
    assert swept(ball, below, -1.0)[0] == pytest.approx(0.0, abs=1.0)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10**6))
def test_swept_equals_slicing_by_trimesh(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(1, 10)
    mesh.vertices += rng.normal(scale=0.5, size=mesh.vertices.shape)
    normals = np.array([0, 0, 1]) + rng.normal(scale=0.15, size=(2, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    origins = rng.uniform(-3, 3, (2, 3)) + np.array([[0, 0, -3], [0, 0, 3]])
    u = np.cross([0, 1, 0], normals.mean(axis=0))
    u /= np.linalg.norm(u)
    middle = normals.sum(axis=0) / np.linalg.norm(normals.sum(axis=0))
    v = np.cross(middle, u)
    window = np.r_[rng.uniform(-9, -2, 2), rng.uniform(2, 9, 2)]
    row = np.r_[origins[0], normals[0], origins[1], normals[1], u, v, window]
    cuts = [
        (normals[0], origins[0]), (-normals[1], origins[1]),
        (u, origins[0] + u * window[0]), (-u, origins[0] + u * window[2]),
        (v, origins[0] + v * window[1]), (-v, origins[0] + v * window[3]),
    ]  # fmt: skip
    # One facet at a time, since a facet counts with the greater of two slopes.
    expected = {1.0: 0.0, -1.0: 0.0}
    area = 0.0
    for triangle in mesh.triangles:
        part = trimesh.Trimesh(*trimesh.triangles.to_kwargs([triangle]).values(), process=False)
        for normal, origin in cuts:
            part = trimesh.intersections.slice_mesh_plane(part, normal, origin, cap=False)
            if len(part.faces) == 0:
                break
        if len(part.faces) == 0:
            continue
        vector = 0.5 * np.cross(
            part.triangles[:, 1] - part.triangles[:, 0], part.triangles[:, 2] - part.triangles[:, 0]
        ).sum(axis=0)
        area += np.linalg.norm(vector)
        for sense in expected:
            expected[sense] += max(0.0, *(-sense * (normals @ vector)))
    for sense, value in expected.items():
        found = swept(mesh, row, sense)
        assert found[0] == pytest.approx(value, rel=1e-6, abs=1e-6)
        assert found[1] == pytest.approx(area, rel=1e-6, abs=1e-6)


def test_shadows_are_the_outlines_of_what_is_swept() -> None:
    box = trimesh.creation.box((6, 4, 2))
    box.apply_translation([1, 0, 5])
    tree = TriangleTree(box.triangles)
    row = slab(3, 7, (-1, -1.5, 10, 10))
    corners, counts = np.empty((50, 12, 2)), np.empty(50, np.int64)
    for sense in (1.0, -1.0):
        found = kernel.shadows(
            tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, row, sense, corners, counts
        )
        shapes = [shapely.Polygon(corners[i, : counts[i]]) for i in range(found)]
        assert shapely.union_all(shapes).equals_exact(shapely.box(-1, -1.5, 4, 2), 1e-9) or (
            shapely.union_all(shapes).symmetric_difference(shapely.box(-1, -1.5, 4, 2)).area < 1e-9
        )
        assert swept(box, row, sense)[0] == pytest.approx(5 * 3.5)


def test_shadows_that_do_not_fit_are_counted() -> None:
    ball = trimesh.creation.icosphere(3, 10)
    tree = TriangleTree(ball.triangles)
    row = slab(-20, 20, (-20, -20, 20, 20))
    args = (tree.triangles, tree.boxes, tree.first_leaf, tree.leaf, row, 1.0)
    few = kernel.shadows(*args, np.empty((2, 12, 2)), np.empty(2, np.int64))
    many = kernel.shadows(*args, np.empty((2000, 12, 2)), np.empty(2000, np.int64))
    assert few == many > 500

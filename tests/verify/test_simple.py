"""The simple geometry against closed forms, trimesh and brute force by sampling."""

import math

import numpy as np
import pytest
import trimesh

from geomcheck.verify.flow.section import open_area
from geomcheck.verify.plain.near import nearest_below
from geomcheck.verify.plain.simple import (
    clip_slab,
    distance_to,
    nearest_to_axis,
    segments_apart,
    triangles_apart,
    winding,
)
from geomcheck.verify.scene import best_fit, turned


def test_distance_to_triangles_agrees_with_trimesh():
    rng = np.random.default_rng(3)
    mesh = trimesh.creation.icosphere(2, 10.0)
    points = rng.uniform(-15, 15, (40, 3))
    truth = trimesh.proximity.closest_point(mesh, points)[1]
    found = [distance_to(point, mesh.triangles) for point in points]
    assert found == pytest.approx(truth, abs=1e-9)


def test_distance_of_triangles_never_beats_dense_samples():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(30, 3, 3)), rng.normal(size=(30, 3, 3)) + np.array([4.0, 0.0, 0.0])
    found = triangles_apart(a, b)
    u, v = np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41))
    keep = u + v <= 1.0
    w = np.stack([1 - u[keep] - v[keep], u[keep], v[keep]], axis=1)
    for k in range(30):
        far = np.linalg.norm((w @ a[k])[:, None] - (w @ b[k])[None], axis=2).min()
        assert found[k] <= far + 1e-9
        assert far - found[k] < 0.2


def test_skew_and_parallel_segments():
    p, q = np.array([[0.0, 0, 0]]), np.array([[10.0, 0, 0]])
    assert segments_apart(p, q, np.array([[5.0, -3, 2]]), np.array([[5.0, 3, 2]])) == [2.0]
    assert segments_apart(p, q, np.array([[2.0, 3, 0]]), np.array([[8.0, 3, 0]])) == [3.0]


@pytest.mark.parametrize(
    ("point", "inside"), [((0, 0, 0), 1.0), ((9, 9, 9), 1.0), ((11, 0, 0), 0.0)]
)
def test_winding_number_of_a_box(point, inside):
    box = trimesh.creation.box((20, 20, 20)).triangles
    assert winding(np.array(point, float), box) == pytest.approx(inside, abs=1e-12)


def test_nothing_nearer_is_said_of_all_pairs():
    a = trimesh.creation.icosphere(3, 10.0).triangles
    b = trimesh.creation.icosphere(3, 10.0).apply_translation((23, 0, 0)).triangles
    assert nearest_below(a, b, 2.99, 10**7) == (None, True)
    least, complete = nearest_below(a, b, 4.0, 10**7)
    assert complete
    assert 3.0 <= least < 3.1
    assert nearest_below(a, b, 4.0, 10)[1] is False


def test_clipped_tube_and_axis():
    """A tube of inner radius 8: metal is 8 mm cos(pi / 64) off its axis in any slab."""
    tube = trimesh.creation.annulus(8.0, 12.0, 40.0, sections=64)
    heights = tube.triangles[..., 2]
    pieces = clip_slab(tube.triangles, heights, -5.0, 5.0)
    found = nearest_to_axis(pieces, np.zeros(3), np.array([0.0, 0, 1]))
    assert found == pytest.approx(8.0 * math.cos(math.pi / 64), abs=1e-9)
    lid = trimesh.creation.cylinder(5.0, 2.0)
    pieces = clip_slab(lid.triangles, lid.triangles[..., 2], -1.0, 1.0)
    assert nearest_to_axis(pieces, np.zeros(3), np.array([0.0, 0, 1])) == 0.0


def test_open_area_of_a_square_bore_with_a_bar_across():
    block = trimesh.creation.box((40, 40, 20))
    wall = trimesh.boolean.difference([block, trimesh.creation.box((10, 10, 30))]).triangles
    bar = trimesh.creation.box((60, 2, 3)).triangles
    at, axis = np.zeros(3), np.array([0.0, 0, 1])
    assert open_area([wall], [], at, axis) == pytest.approx(100.0, abs=1e-6)
    assert open_area([wall], [bar], at, axis) == pytest.approx(80.0, abs=1e-6)
    # A triangle of the bore's wall is missing: no number.
    sides = np.flatnonzero(np.abs(wall[:, :, :2]).max(axis=(1, 2)) < 5.001)
    assert (
        open_area([np.delete(wall, sides[0], axis=0)], [], at + np.array([0.1, 0.2, 0.3]), axis)
        is None
    )


def test_placement_of_its_own():
    matrix = trimesh.transformations.rotation_matrix(np.radians(50), (1, -2, 0.5))[:3, :3]
    assert turned((1, -2, 0.5), 50) == pytest.approx(matrix, abs=1e-12)
    points = np.array([[0.0, 0, 0], [10, 0, 0], [0, 20, 0], [0, 0, 5]])
    turn, shift = best_fit(points, points @ matrix.T + (1, 2, 3))
    assert turn == pytest.approx(matrix, abs=1e-9)
    assert shift == pytest.approx([1, 2, 3], abs=1e-9)

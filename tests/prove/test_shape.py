"""Altered meshes against closed forms."""

import math

import numpy as np
import pytest
import trimesh

from geomcheck.mesh.load import load_part
from geomcheck.prove import shape


@pytest.fixture
def box(tmp_path):
    """A box of 40 x 30 x 20 mm, placed 100 mm up and turned."""
    trimesh.creation.box((40, 30, 20)).export(tmp_path / "box.stl")
    matrix = trimesh.transformations.rotation_matrix(0.4, (1, 2, 3), (5, 6, 7))
    matrix[2, 3] += 100.0
    return load_part(tmp_path / "box.stl", name="box", role="housing", matrix=matrix, sagitta=0.01)


def test_a_grown_region_stays_closed_and_rises_by_its_height(box):
    at = box.placed([[3.0, 2.0, 10.0]])[0]
    grown = shape.grown(box, at, 0.5, 6.0)
    points = shape.in_file(grown)
    assert grown.closed
    assert points[:, 2].max() == pytest.approx(10.5, abs=1e-9)
    high = points[points[:, 2] > 10.0 + 1e-9]
    assert np.linalg.norm(high - (3.0, 2.0, 10.0), axis=1).max() < 6.0 + 0.5
    # Full within 3 mm, then half a cosine to 6 mm: the volume of that body of revolution.
    r = np.linspace(0.0, 6.0, 20001)
    height = 0.25 * (1.0 + np.cos(math.pi * np.clip((r / 6.0 - 0.5) / 0.5, 0.0, 1.0)))
    truth = float(np.trapezoid(2.0 * math.pi * r * height, r))
    assert grown.soundness.volume - box.soundness.volume == pytest.approx(truth, rel=0.1)
    # The box as it was is untouched.
    assert box.soundness.volume == pytest.approx(24000.0, rel=1e-6)


def test_halving_keeps_the_surface(box):
    vertices, faces = shape.halved(box.vertices, box.faces, box.vertices[0], 5.0, 1.0)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight
    assert mesh.area == pytest.approx(2 * (1200 + 800 + 600), rel=1e-6)
    near = np.linalg.norm(mesh.triangles.mean(axis=1) - box.vertices[0], axis=1) < 3.0
    assert mesh.edges_unique_length.max() > 5.0
    sides = np.linalg.norm(mesh.triangles[near] - np.roll(mesh.triangles[near], 1, axis=1), axis=2)
    assert sides.max() <= 1.0 + 1e-9


def test_a_box_is_its_own_mirror_image_and_a_bracket_is_not(box, tmp_path):
    assert shape.mirrored(box) is None
    corner = trimesh.creation.box(
        (10, 8, 6), trimesh.transformations.translation_matrix((25, 11, 7))
    )
    long = trimesh.creation.box((40, 30, 20))
    trimesh.boolean.union([long, corner]).export(tmp_path / "bracket.stl")
    bracket = load_part(tmp_path / "bracket.stl", name="bracket")
    image, axis = shape.mirrored(bracket)
    assert axis == 0
    assert image.closed
    assert image.soundness.volume == pytest.approx(bracket.soundness.volume)
    assert image.bounds == pytest.approx(bracket.bounds)


def test_scale_loss_and_shift(box):
    large = shape.scaled(box, 25.4)
    low, high = large.file_bounds
    assert high - low == pytest.approx([1016.0, 762.0, 508.0])
    lost = shape.without(box, 3)
    assert (lost.soundness.kind, len(lost.faces)) == ("open", 11)
    moved = shape.shifted(box, np.array([0.0, 0.0, 1.0]))
    assert moved.bounds - box.bounds == pytest.approx(np.array([[0, 0, 1.0]] * 2))


def test_the_far_side_of_a_thin_wall_stays(tmp_path):
    trimesh.creation.box((40, 30, 1)).export(tmp_path / "sheet.stl")
    sheet = load_part(tmp_path / "sheet.stl", name="sheet")
    grown = shape.grown(sheet, np.array([2.0, 3.0, 0.5]), 0.5, 6.0)
    assert grown.bounds[:, 2] == pytest.approx([-0.5, 1.0], abs=1e-9)

"""Places that moved between two revisions of a part, against how the parts were built."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest
import trimesh

from geomcheck.mesh.deviation_change import same_shape, shape_change
from geomcheck.mesh.load import load_part

SECTIONS = 64


def ring(radius):
    """Area of the regular polygon that stands for a circle."""
    return 0.5 * SECTIONS * radius**2 * math.sin(2.0 * math.pi / SECTIONS)


def boss(x, y, radius, top):
    return m3.Manifold.cylinder(top + 10.0, radius, radius, SECTIONS).translate((x, y, -10.0))


def plate(*bosses):
    body = m3.Manifold.cube((120.0, 80.0, 10.0), True).translate((0.0, 0.0, -5.0))
    for one in bosses:
        body = body + one
    return body


@pytest.fixture
def part(tmp_path):
    count = 0

    def make(body, sagitta=0.0, matrix=None):
        nonlocal count
        count += 1
        if isinstance(body, m3.Manifold):
            mesh = body.to_mesh64()
            body = trimesh.Trimesh(mesh.vert_properties, mesh.tri_verts.astype(np.int64))
        file = tmp_path / f"{count}.stl"
        body.export(file)
        place = np.eye(4) if matrix is None else matrix
        return load_part(
            file, name="p", role="housing", kind="", factor=1.0, matrix=place, sagitta=sagitta
        )

    return make


def only(change):
    (region,) = change.regions
    return region


def test_a_boss_raised(part):
    old, new = (part(plate(boss(20, 10, 8, h), boss(-30, 0, 6, 12))) for h in (15.0, 20.0))
    change = shape_change(old, new)
    region = only(change)
    assert region.how == "moved"
    assert region.shift == pytest.approx([0, 0, 5], abs=1e-4)
    assert region.added.value == pytest.approx(5 * ring(8), rel=1e-6)
    assert region.removed.value == pytest.approx(0.0, abs=1e-6)
    assert change.volume.low <= 5 * ring(8) <= change.volume.high
    assert change.greatest.low == pytest.approx(5.0, abs=1e-4)
    assert change.greatest.high <= 5.03
    assert region.low[:2] == pytest.approx([12, 2], abs=0.05)
    assert region.high == pytest.approx([28, 18, 20], abs=0.05)


def test_a_boss_grown_all_round(part):
    old, new = (part(plate(boss(0, 0, r, 25.0)), sagitta=0.01) for r in (8.0, 8.5))
    region = only(shape_change(old, new))
    assert region.how == "set out" and region.shift is None
    # Flats of the polygon lie cos(pi / n) nearer the axis than its corners.
    assert region.offset == pytest.approx(0.5 * math.cos(math.pi / SECTIONS), abs=2e-3)
    assert region.added.value == pytest.approx(25 * (ring(8.5) - ring(8)), rel=1e-6)
    assert region.removed.value == pytest.approx(0.0, abs=1e-6)
    assert region.greatest.value == pytest.approx(0.5, abs=5e-3)


def test_a_boss_moved_aside(part):
    old, new = (part(plate(boss(x, 0, 8, 20.0)), sagitta=0.005) for x in (0.0, 3.0))
    region = only(shape_change(old, new))
    assert region.how == "moved"
    assert region.shift == pytest.approx([3, 0, 0], abs=0.02)
    assert region.added.value == pytest.approx(region.removed.value, rel=1e-6)
    # The lune of two circles 3 apart (mathworld, Lens), but for the polygon.
    lens = 2 * 64 * math.acos(3 / 16) - 0.5 * 3 * math.sqrt(4 * 64 - 9)
    assert region.added.value == pytest.approx(20 * (math.pi * 64 - lens), rel=0.01)


def test_two_places_are_two_regions_and_an_end_face_is_named(part):
    old = part(plate(boss(-40, 0, 6, 10), m3.Manifold.cube((10, 30, 12)).translate((20, -10, -1))))
    rib = m3.Manifold.cube((10, 20, 12)).translate((20, -10, -1))
    hole = m3.Manifold.cylinder(30, 2, 2, SECTIONS).translate((-40, 0, -15))
    new = part(plate(boss(-40, 0, 6, 10), rib) - hole)
    first, second = shape_change(old, new).regions
    assert first.how == "moved" and first.shift == pytest.approx([0, -10, 0], abs=1e-3)
    assert first.removed.value == pytest.approx(10 * 10 * 11, rel=1e-6)
    assert second.how == "removed"
    assert second.removed.value == pytest.approx(20 * ring(2), rel=1e-6)


def test_moved_as_a_whole(part):
    body = plate(boss(20, 10, 8, 15))
    pose = trimesh.transformations.rotation_matrix(math.radians(7.0), (0, 0, 1), (10, 0, 0))
    change = shape_change(part(body), part(body, matrix=pose))
    assert change.motion == pytest.approx(pose, abs=1e-5)
    assert change.regions == ()
    assert change.volume.value == pytest.approx(0.0, abs=0.05)


def test_another_mesh_of_the_same_shape_has_not_moved(part):
    body = plate(boss(20, 10, 8, 15))
    mesh = body.to_mesh64()
    coarse = trimesh.Trimesh(mesh.vert_properties, mesh.tri_verts.astype(np.int64))
    old, new = part(coarse), part(coarse.subdivide().subdivide())
    assert not same_shape(old, new) and same_shape(old, old)
    change = shape_change(old, new)
    assert change.regions == () and change.motion is None
    assert change.greatest.low < 2e-6 and change.greatest.high < 0.1


def test_what_stays_inside_the_noise_band_is_no_region(part):
    rough, smooth = (trimesh.creation.icosphere(subdivisions=n, radius=20.0) for n in (3, 4))
    # Sagitta of a triangle inscribed in the sphere: less than e^2 / (6 r), e its side.
    edge = rough.edges_unique_length.max()
    change = shape_change(part(rough, edge**2 / (6 * 20)), part(smooth, 0.02))
    assert change.regions == () and change.greatest.low > 0.01


def test_a_mesh_that_does_not_close_has_no_volume(part):
    box = trimesh.creation.box((20, 20, 20))
    lid = box.submesh([np.flatnonzero(box.face_normals[:, 2] < 0.5)], append=True)
    taller = lid.copy()
    taller.vertices[taller.vertices[:, 2] > 0] += (0, 0, 2)
    change = shape_change(part(lid), part(taller))
    assert change.volume is None and change.added is None and "does not close" in change.note
    assert change.greatest.low == pytest.approx(2.0)
    assert all(region.added is None for region in change.regions)

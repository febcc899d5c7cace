"""Sections against closed forms, trimesh and pyvista."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.flow.section import Section, Surface, cut


def frame(origin: object, normal: object) -> np.ndarray:
    n = np.asarray(normal, dtype=float)
    n = n / np.linalg.norm(n)
    u = np.cross(n, np.eye(3)[np.argmin(np.abs(n))])
    u /= np.linalg.norm(u)
    return np.concatenate([np.asarray(origin, dtype=float), u, np.cross(n, u), n])[None]


def section(mesh: object, origin: object, normal: object = (0, 0, 1)) -> Section:
    return cut([Surface.of(mesh)], frame(origin, normal))[0]


def torus(sides: int) -> trimesh.Trimesh:
    return trimesh.creation.torus(40, 10, major_sections=sides, minor_sections=sides)


@pytest.mark.parametrize("sides", [8, 12, 16, 24, 32, 48, 64, 96, 128, 256])
def test_inscribed_polygon_to_the_last_digits(sides: int) -> None:
    mesh = trimesh.creation.cylinder(40, height=30, sections=sides)
    found = section(mesh, (0, 0, 1.234))
    assert found.area.tolist() == pytest.approx(
        [sides / 2 * 40**2 * np.sin(2 * np.pi / sides)], rel=1e-12
    )
    assert found.length.tolist() == pytest.approx(
        [2 * sides * 40 * np.sin(np.pi / sides)], rel=1e-12
    )
    assert len(found.open_lines) == 0


@pytest.mark.parametrize("degrees", [5, 10, 30])
def test_a_tilted_prism_section_grows_by_the_cosine(degrees: float) -> None:
    mesh = trimesh.creation.cylinder(40, height=300, sections=64)
    t = np.radians(degrees)
    found = section(mesh, (0, 0, 1), (np.sin(t) * 0.6, np.sin(t) * 0.8, np.cos(t)))
    assert found.area[0] == pytest.approx(32 * 40**2 * np.sin(np.pi / 32) / np.cos(t), rel=1e-12)


@pytest.mark.parametrize(
    ("origin", "normal", "area"),
    [
        # Torus R = 40, r = 10; closed forms and quadrature of elementary geometry.
        ((0, 0, 0), (0.3, 1, 0), 2 * np.pi * 10**2),
        ((0, 0, 6), (0, 0, 1), 4 * np.pi * 40 * 8),
        ((15, 0, 0), (1, 0, 0), 681.064263),
        ((40, 0, 0), (1, 0, 0), 1038.36521),
        ((45, 0, 0), (1, 0, 0), 613.114351),
        # The bitangent plane cuts two circles of radius R: 2 (pi R^2 - lens).
        ((0, 0, 0), (-np.sin(np.arcsin(0.25)), 0, np.cos(np.arcsin(0.25))), 3166.34697),
    ],
)
def test_torus_sections(origin: object, normal: object, area: float) -> None:
    # The inscribed mesh errs by a multiple of 1 / n^2, so twice as fine leaves a quarter.
    # Richardson's extrapolation of two meshes must hit the closed form. (Odd numbers of sides
    # would not: keep the plane's place among the facets the same.)
    coarse, fine = (section(torus(n), origin, normal).area.sum() for n in (256, 512))
    assert abs(fine / area - 1) < 3e-4
    assert (4 * fine - coarse) / 3 == pytest.approx(area, rel=3e-5)


@pytest.mark.parametrize("shape", ["sphere", "torus", "capsule"])
def test_areas_equal_trimesh_on_random_planes(shape: str) -> None:
    mesh = {
        "sphere": lambda: trimesh.creation.icosphere(3, 30),
        "torus": lambda: torus(48),
        "capsule": lambda: trimesh.creation.capsule(40, 12),
    }[shape]()
    rng = np.random.default_rng(7)
    for _ in range(12):
        origin, normal = rng.uniform(-8, 8, 3), rng.normal(size=3)
        path = mesh.section(plane_origin=origin, plane_normal=normal)
        if path is None:
            assert len(section(mesh, origin, normal).area) == 0
            continue
        flat, _ = path.to_2D()
        found = section(mesh, origin, normal)
        assert found.area.sum() == pytest.approx(flat.area, rel=1e-9)
        assert found.length.sum() == pytest.approx(path.length, rel=1e-9)


def test_areas_equal_pyvista_slices() -> None:
    pyvista = pytest.importorskip("pyvista")
    mesh = torus(48)
    faces = np.column_stack([np.full(len(mesh.faces), 3), mesh.faces])
    body = pyvista.PolyData(np.asarray(mesh.vertices), faces)
    rng = np.random.default_rng(3)
    for _ in range(5):
        origin, normal = rng.uniform(-5, 5, 3), rng.normal(size=3)
        outline = body.slice(normal=normal, origin=origin).compute_cell_sizes()
        length = np.asarray(outline.cell_data["Length"]).sum()
        # 4e-7: pyvista keeps the points of a slice in single precision.
        assert section(mesh, origin, normal).length.sum() == pytest.approx(length, rel=4e-7)


def test_a_plane_in_a_face_gives_the_section_behind_it() -> None:
    box = trimesh.creation.box((10, 20, 30))
    plane = frame((0, 0, 15), (0, 0, 1))
    top = cut([Surface.of(box)], plane, flush=1e-9)[0]
    assert top.area.tolist() == pytest.approx([200.0])
    assert top.flat == 2
    under = cut([Surface.of(box)], frame((0, 0, -15), (0, 0, 1)), flush=1e-9)[0]
    assert len(under.area) == 0
    assert under.flat == 2


def test_planes_through_vertices_and_edges_close() -> None:
    ball = trimesh.creation.icosphere(3, 10)
    for vertex in ball.vertices[:40]:
        found = section(ball, vertex * 0.5 + ball.vertices[7] * 0.5, np.cross(vertex, (1, 2, 3)))
        assert len(found.open_lines) == 0
        through = section(ball, vertex, (0.1, -0.7, 0.2))
        assert len(through.open_lines) == 0


def test_material_lies_on_the_left() -> None:
    outer, inner = trimesh.creation.box((20, 20, 20)), trimesh.creation.box((8, 8, 8))
    inner.invert()
    found = section(trimesh.util.concatenate([outer, inner]), (0, 0, 1))
    assert sorted(found.area.tolist()) == pytest.approx([-64.0, 400.0])


def test_a_missing_triangle_opens_the_outline() -> None:
    mesh = trimesh.creation.cylinder(40, height=30, sections=32)
    side = np.flatnonzero(np.abs(mesh.face_normals[:, 2]) < 0.5)[0]
    torn = trimesh.Trimesh(mesh.vertices, np.delete(mesh.faces, side, axis=0), process=False)
    found = section(torn, (0, 0, 1))
    assert len(found.area) == 0
    assert len(found.open_lines) == 63


def test_a_turned_triangle_opens_the_outline() -> None:
    mesh = trimesh.creation.cylinder(40, height=30, sections=32)
    side = np.flatnonzero(np.abs(mesh.face_normals[:, 2]) < 0.5)[0]
    mesh.faces[side] = mesh.faces[side][::-1]
    assert len(section(mesh, (0, 0, 1)).open_lines) > 0


def test_loose_triangles_are_joined_where_corners_are_equal() -> None:
    mesh = trimesh.creation.cylinder(40, height=30, sections=32)
    loose = section(np.asarray(mesh.triangles), (0, 0, 1))
    assert loose.area.tolist() == pytest.approx(section(mesh, (0, 0, 1)).area.tolist(), rel=1e-14)
    moved = np.array(mesh.triangles)
    moved[np.argmax(np.abs(mesh.face_normals[:, 0])), 0] += 1e-9
    assert len(section(moved, (0, 0, 1)).open_lines) > 0


def test_closed_is_told_from_the_edges() -> None:
    mesh = trimesh.creation.box((1, 1, 1))
    assert Surface.of(mesh).closed
    assert not Surface(mesh.vertices, mesh.faces[1:]).closed
    flipped = mesh.faces.copy()
    flipped[0] = flipped[0][::-1]
    assert not Surface(mesh.vertices, flipped).closed


def test_triangles_of_the_wrong_shape_are_refused() -> None:
    with pytest.raises(InputError, match="shape"):
        Surface.of(np.zeros((4, 3)))
    with pytest.raises(InputError, match="no triangles"):
        Surface.of(np.zeros((0, 3, 3)))


def test_many_planes_give_what_one_plane_gives() -> None:
    ball = Surface.of(trimesh.creation.icosphere(3, 10))
    planes = np.vstack([frame((0, 0, z), (0.1, 0.2, 1)) for z in np.linspace(-12, 12, 77)])
    together = cut([ball], planes)
    for plane, many in zip(planes, together, strict=True):
        single = cut([ball], plane[None])[0]
        np.testing.assert_array_equal(single.lines, many.lines)
        np.testing.assert_array_equal(single.triangle, many.triangle)
        np.testing.assert_array_equal(single.area, many.area)


def test_each_segment_lies_on_the_triangle_it_names() -> None:
    mesh = torus(24)
    found = section(mesh, (1, 2, 3), (0.2, 0.9, 0.4))
    ends = found.to_space(found.lines[:, :2])
    corners = mesh.triangles[found.triangle]
    bary = trimesh.triangles.points_to_barycentric(corners, ends)
    assert bary.min() > -1e-9
    back = trimesh.triangles.barycentric_to_points(corners, bary)
    np.testing.assert_allclose(back, ends, atol=1e-9)


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10**6))
def test_motion_order_and_subdivision_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(2, 20)
    mesh.vertices += rng.normal(scale=0.4, size=mesh.vertices.shape)
    origin, normal = rng.uniform(-6, 6, 3), rng.normal(size=3)
    area = section(mesh, origin, normal).area.sum()
    move = trimesh.transformations.quaternion_matrix(rng.normal(size=4))
    move[:3, 3] = rng.uniform(-100, 100, 3)
    moved = mesh.copy().apply_transform(move)
    there = trimesh.transform_points([origin], move)[0]
    turned = section(moved, there, move[:3, :3] @ normal)
    assert turned.area.sum() == pytest.approx(area, rel=1e-9)
    order = rng.permutation(len(mesh.faces))
    mixed = trimesh.Trimesh(mesh.vertices, np.roll(mesh.faces[order], 1, axis=1), process=False)
    assert section(mixed, origin, normal).area.sum() == pytest.approx(area, rel=1e-12)
    finer = mesh.subdivide()
    assert section(finer, origin, normal).area.sum() == pytest.approx(area, rel=1e-9)
    back = section(mesh, origin, -normal)
    assert back.area.sum() == pytest.approx(area, rel=1e-9)


def test_without_leaves_parts_out(tube: Callable[..., trimesh.Trimesh]) -> None:
    wall, rod = Surface.of(tube(40, 45, [0, 100])), Surface.of(trimesh.creation.box((4, 4, 300)))
    both = cut([wall, rod], frame((0, 0, 50), (0, 0, 1)))[0]
    assert sorted(both.part.tolist()) == [0, 0, 1]
    alone = both.without([1])
    assert alone.part.tolist() == [0, 0]
    assert len(alone.lines) == len(alone.triangle) == alone.offsets[-1] == 128 * 2

"""Open pieces of a section: winding numbers, unions, leaks, open outlines."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.flow.region import Region
from geomcheck.flow.section import Surface, cut

UP = np.r_[0, 0, 0, np.eye(3).ravel()].astype(float)


def region(*meshes: object, at: tuple[float, float, float] = (0, 0, 0)) -> Region:
    surfaces = [Surface.of(mesh) for mesh in meshes]
    frame = UP.copy()
    frame[:3] = at
    return Region(cut(surfaces, frame[None])[0], surfaces)


def block(low: tuple[float, float], high: tuple[float, float]) -> trimesh.Trimesh:
    """A box of height 20 about z = 0."""
    return trimesh.creation.box(bounds=[[*low, -10], [*high, 10]])


def frame_of(inner: float, outer: float) -> trimesh.Trimesh:
    """A square tube."""
    hole = block((-inner, -inner), (inner, inner))
    hole.vertices[:, 2] *= 2
    return trimesh.boolean.difference([block((-outer, -outer), (outer, outer)), hole])


def test_a_square_tube_has_one_piece() -> None:
    found = region(frame_of(10, 15))
    assert found.state == "measured"
    assert found.area.tolist() == pytest.approx([400.0])
    assert found.perimeter.tolist() == pytest.approx([80.0])


def test_what_stands_in_the_bore_is_taken_off_and_its_rim_is_wetted() -> None:
    found = region(frame_of(10, 15), block((2, 2), (5, 6)))
    assert found.area.tolist() == pytest.approx([400.0 - 12.0])
    assert found.perimeter.tolist() == pytest.approx([80.0 + 14.0])


@pytest.mark.parametrize("one_file", [True, False])
def test_overlapping_bodies_count_once(one_file: bool) -> None:
    bodies = [block((2, 2), (5, 6)), block((4, 3), (8, 9)), block((7, 2), (13, 4))]
    if one_file:
        bodies = [trimesh.util.concatenate(bodies)]
    found = region(frame_of(10, 15), *bodies)
    union = shapely.union_all(
        [shapely.box(2, 2, 5, 6), shapely.box(4, 3, 8, 9), shapely.box(7, 2, 13, 4)]
    ).intersection(shapely.box(-10, -10, 10, 10))
    assert found.area.sum() == pytest.approx(400.0 - union.area)
    assert found.state == "measured"


def test_a_body_drawn_twice_counts_once() -> None:
    body = block((2, 2), (5, 6))
    for extra in (trimesh.util.concatenate([body, body]), body):
        assert region(frame_of(10, 15), extra, body).area.sum() == pytest.approx(400.0 - 12.0)


def test_bodies_that_share_a_face_are_one() -> None:
    found = region(frame_of(10, 15), block((2, 2), (5, 6)), block((5, 2), (7, 6)))
    assert found.area.sum() == pytest.approx(400.0 - 20.0)
    assert found.perimeter[found.main] == pytest.approx(80.0 + 18.0)


def test_walls_of_two_half_shells_close_together() -> None:
    left = trimesh.boolean.difference([frame_of(10, 15), block((1, -20), (20, 20))])
    right = trimesh.boolean.difference([frame_of(10, 15), block((-20, -20), (-1, 20))])
    found = region(left, right)
    assert found.state == "measured"
    assert found.area[found.main] == pytest.approx(400.0)
    apart = region(left, right.copy().apply_translation([2.5, 0, 0]))
    assert apart.state == "leaking"
    assert apart.main == -1


def test_a_shaft_across_leaves_two_pieces_and_the_path_in_metal() -> None:
    found = region(frame_of(10, 15), block((-12, -2), (12, 2)))
    assert found.state == "path in metal"
    assert sorted(found.area.tolist()) == pytest.approx([160.0, 160.0])


def test_outside_is_leaking_not_a_number() -> None:
    found = region(frame_of(10, 15), at=(30, 0, 0))
    assert (found.state, found.main) == ("leaking", -1)
    nothing = region(frame_of(10, 15), at=(0, 0, 40))
    assert (nothing.state, len(nothing)) == ("leaking", 0)


def test_the_path_in_the_wall_is_in_metal() -> None:
    found = region(frame_of(10, 15), at=(12, 0, 0))
    assert (found.state, found.main) == ("path in metal", -1)
    assert found.area.tolist() == pytest.approx([400.0])


def torn(mesh: trimesh.Trimesh, point: tuple[float, float, float]) -> trimesh.Trimesh:
    near = np.linalg.norm(mesh.triangles_center - point, axis=1)
    return trimesh.Trimesh(
        mesh.vertices, np.delete(mesh.faces, near.argmin(), axis=0), process=False
    )


def test_a_hole_in_the_bore_is_open_a_hole_elsewhere_is_not() -> None:
    duct = frame_of(10, 15)
    assert region(torn(duct, (10, 0, 0))).state == "open"
    # The outer skin's hole lies outside the bore's outline: the area stands.
    outside = region(torn(duct, (15, 0, 0)))
    assert len(outside.section.open_lines) > 0
    assert outside.state == "measured"
    assert outside.area[outside.main] == pytest.approx(400.0)
    other = torn(block((40, -5), (50, 5)), (40, 0, 0))
    found = region(duct, other)
    assert len(found.section.open_lines) > 0
    assert found.state == "measured"
    assert found.area.tolist() == pytest.approx([400.0])
    stands_in = torn(block((2, 2), (5, 6)), (2, 4, 0))
    assert region(duct, stands_in).state == "open"


def test_an_inside_out_body_is_metal_all_the_same() -> None:
    body = block((2, 2), (5, 6))
    body.invert()
    assert region(frame_of(10, 15), body).area.sum() == pytest.approx(400.0 - 12.0)


def test_a_cavity_in_what_stands_in_the_bore_is_a_piece_of_its_own() -> None:
    hollow = frame_of(2, 4).copy().apply_translation([5, 0, 0])
    found = region(frame_of(10, 15), hollow, at=(-5, 0, 0))
    assert sorted(found.area.tolist()) == pytest.approx([16.0, 400.0 - 64.0])
    assert found.area[found.main] == pytest.approx(400.0 - 64.0)


def test_an_open_skin_that_faces_the_bore_bounds_it() -> None:
    # A scan of the bore alone: no thickness, no outside; metal lies behind the facets.
    skin = block((-10, -10), (10, 10))
    side = np.abs(skin.face_normals[:, 2]) < 0.5
    facing = trimesh.Trimesh(skin.vertices, skin.faces[side][:, ::-1], process=False)
    found = region(facing, block((2, 2), (5, 6)))
    assert found.state == "measured"
    assert found.area[found.main] == pytest.approx(400.0 - 12.0)
    away = trimesh.Trimesh(skin.vertices, skin.faces[side], process=False)
    assert region(away).state == "path in metal"


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 10**6))
def test_noded_and_nested_regions_agree_with_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    boxes = []
    for _ in range(rng.integers(1, 6)):
        low = rng.uniform(-11, 9, 2)
        boxes.append((tuple(low), tuple(low + rng.uniform(0.5, 7, 2))))
    bodies = [block(*corners) for corners in boxes]
    split = int(rng.integers(0, len(bodies)))
    meshes = [m for m in (trimesh.util.concatenate(bodies[:split]) if split else None,) if m]
    found = region(frame_of(10, 15), *meshes, *bodies[split:])
    metal = shapely.union_all([shapely.box(*low, *high) for low, high in boxes])
    void = shapely.difference(shapely.box(-10, -10, 10, 10), metal)
    expected = [piece for piece in shapely.get_parts(void) if piece.area > 1e-9]
    assert sorted(found.area.tolist()) == pytest.approx(sorted(p.area for p in expected))
    assert sorted(found.perimeter.tolist()) == pytest.approx(sorted(p.length for p in expected))
    holding = [p.area for p in expected if p.contains(shapely.Point(0, 0))]
    assert (found.state == "measured") == bool(holding)
    if holding:
        assert found.area[found.main] == pytest.approx(holding[0])
    for piece in range(len(found)):
        outline = found.outline([piece])
        assert outline.lengths.sum() == pytest.approx(found.perimeter[piece])
        assert found.polygon(piece).area == pytest.approx(found.area[piece])


def test_outlines_name_the_part_they_lie_on(bar: Callable[..., trimesh.Trimesh]) -> None:
    shaft = bar(2, (-30, 0, 0), (30, 0, 0))
    found = region(frame_of(10, 15), shaft)
    outline = found.outline(range(len(found)))
    assert sorted(set(outline.part)) == [0, 1]
    assert outline.lengths[outline.part == 1].sum() == pytest.approx(40.0, rel=1e-9)
    plain = region(frame_of(10, 15), block((2, 2), (5, 6)))
    outline = plain.outline([plain.main])
    assert outline.lengths[outline.part == 1].sum() == pytest.approx(14.0)


def test_rings_lie_in_the_plane() -> None:
    found = region(frame_of(10, 15), block((2, 2), (5, 6)), at=(0, 0, 3))
    rings = found.rings([found.main])
    assert len(rings) == 2
    for ring in rings:
        np.testing.assert_allclose(ring[:, 2], 3.0)
        np.testing.assert_array_equal(ring[0], ring[-1])

"""Ports: from a point and a normal, or picked on a flat ring; what is refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.ports import Port

UP, DOWN = (0, 0, 1), (0, 0, -1)


@pytest.fixture
def flange() -> trimesh.Trimesh:
    """A plate 120 x 80 x 12 with a mouth of 50 and four bolt holes of 9."""
    plate = trimesh.creation.box(bounds=[[-60, -40, 0], [60, 40, 12]])
    holes = [trimesh.creation.cylinder(25, height=40, sections=64)]
    for x in (-50, 50):
        for y in (-30, 30):
            hole = trimesh.creation.cylinder(4.5, height=40, sections=24)
            hole.apply_translation((x, y, 0))
            holes.append(hole)
    return trimesh.boolean.difference([plate, *holes])


def test_a_port_in_a_flange_face_is_the_mouth(
    flange: trimesh.Trimesh, polygon: Any, motion: Callable[[int], np.ndarray]
) -> None:
    for seed in range(4):
        move = np.eye(4) if seed == 0 else motion(seed)
        moved = flange.copy()
        moved.apply_transform(move)
        at = trimesh.transform_points([(3, 4, 12), (0, 0, 12)], move)
        n = move[:3, :3] @ np.array(UP)
        port = Port.at(moved, at[0], n, name="inlet")
        assert port.area == pytest.approx(polygon(25, 64), rel=1e-6)
        np.testing.assert_allclose(port.centroid, at[1], atol=1e-3)
        # Four times the area over the perimeter of the 64-gon.
        perimeter = 2 * 64 * 25 * np.sin(np.pi / 64)
        assert port.hydraulic_diameter == pytest.approx(4 * port.area / perimeter, rel=1e-6)


@pytest.mark.parametrize("near", [(0, 0, 12), (0, 30, 12.4), (24, 1, 13)])
def test_the_mouth_is_picked_from_one_point(
    flange: trimesh.Trimesh, polygon: Any, near: Any
) -> None:
    port = Port.pick(flange, near)
    np.testing.assert_allclose(port.normal, UP, atol=1e-12)
    np.testing.assert_allclose(port.centroid, (0, 0, 12), atol=1e-3)
    assert port.area == pytest.approx(polygon(25, 64), rel=1e-6)


def test_the_other_face_is_picked_on_the_other_side(flange: trimesh.Trimesh) -> None:
    port = Port.pick(flange, (2, 2, -1))
    np.testing.assert_allclose(port.normal, DOWN, atol=1e-12)


def test_a_bolt_hole_is_picked_when_pointed_at(flange: trimesh.Trimesh, polygon: Any) -> None:
    port = Port.pick(flange, (50, 30, 12))
    assert port.area == pytest.approx(polygon(4.5, 24), rel=1e-6)


def test_the_end_of_a_void_given_as_a_solid() -> None:
    solid = trimesh.creation.cylinder(25, height=80, sections=64)
    port = Port.pick(solid, (1, 2, 41), solid=True)
    assert port.area == pytest.approx(32 * 625 * np.sin(np.pi / 32), rel=1e-6)
    np.testing.assert_allclose(port.normal, UP, atol=1e-12)
    same = Port.at(solid, (0, 0, 40), UP, solid=True)
    assert same.area == pytest.approx(port.area, rel=1e-9)


def test_a_shaft_in_the_opening_is_left_out_of_it(flange: trimesh.Trimesh, polygon: Any) -> None:
    shaft = trimesh.creation.cylinder(5, height=60, sections=32)
    port = Port.at([flange, shaft], (15, 0, 6), UP)
    assert port.area == pytest.approx(polygon(25, 64) - polygon(5, 32), rel=1e-9)
    assert len(port.outline) == 2


def test_what_a_port_covers_and_how_far_points_lie_beyond(flange: trimesh.Trimesh) -> None:
    port = Port.at(flange, (0, 0, 6), UP)
    points = np.array([(0, 0, 9), (24, 0, 1), (26, 0, 6), (50, 30, 6)], dtype=float)
    np.testing.assert_allclose(port.beyond(points), [3, -5, 0, 0], atol=1e-9)
    assert port.covers(points).tolist() == [True, True, False, False]
    assert port.covers(points, 2.0).tolist() == [True, True, True, False]
    cap = port.cap()
    normal = np.cross(cap[:, 1] - cap[:, 0], cap[:, 2] - cap[:, 0])
    assert (normal[:, 2] < 0).all()  # it faces into the duct
    assert 0.5 * np.linalg.norm(normal, axis=1).sum() == pytest.approx(port.area, rel=1e-4)


def test_what_is_no_port_is_refused(flange: trimesh.Trimesh) -> None:
    with pytest.raises(InputError, match="inlet: the normal points into the duct"):
        Port.at(flange, (0, 0, 12), DOWN, name="inlet")
    with pytest.raises(InputError, match="lies in metal"):
        Port.at(flange, (40, 0, 6), UP)
    with pytest.raises(InputError, match="lies in no opening"):
        Port.at(flange, (200, 0, 6), UP)
    with pytest.raises(InputError, match="no length"):
        Port.at(flange, (0, 0, 6), (0, 0, 0))
    with pytest.raises(InputError, match='"point" must be three finite numbers'):
        Port.at(flange, (0, 0, np.nan), UP)
    with pytest.raises(InputError, match="no flat ring"):
        Port.pick(trimesh.creation.icosphere(3, 10.0), (0, 0, 10))


def test_a_rim_that_does_not_close_cannot_be_decided(flange: trimesh.Trimesh) -> None:
    middle = flange.triangles_center
    bore = np.flatnonzero(np.hypot(middle[:, 0], middle[:, 1]) < 25.1)
    torn = trimesh.Trimesh(flange.vertices, np.delete(flange.faces, bore[0], axis=0), process=False)
    low, high = np.sort(flange.vertices[flange.faces[bore[0]]][:, 2])[[0, 2]]
    with pytest.raises(CannotDecide, match="does not close"):
        Port.at(torn, (0, 0, 0.5 * (low + high)), UP)

"""The throat at any tilt, against closed forms of elementary geometry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.path import FlowPath
from geomcheck.flow.plane import Cut, follow, moved_to, section, tilted
from geomcheck.flow.section import Surface
from geomcheck.flow.stations import Stations
from geomcheck.flow.throat import begin_at, crossing, nearest, true_throat

Tube = Callable[..., trimesh.Trimesh]
Z = np.linspace(0, 200, 11)


def channel(height: float, width: float, length: float) -> trimesh.Trimesh:
    """Rectangular duct along z, height along x, both ends open."""
    block = trimesh.creation.box((height + 20, width + 20, length))
    return trimesh.boolean.difference([block, trimesh.creation.box((height, width, 2 * length))])


def bumps(height: float, width: float, radius: float, apart: float, sides: int = 128) -> list:
    """Two half-cylinders across the width, on opposite walls, ``apart`` along the duct."""
    reach = 0.5 * width + 5
    return [
        trimesh.creation.cylinder(
            radius,
            segment=[
                (sign * height / 2, -reach, sign * apart / 2),
                (sign * height / 2, reach, sign * apart / 2),
            ],
            sections=sides,
        )
        for sign in (1, -1)
    ]


def cut_rows(walls: list, path: object, step: float = 2.0, outward: float = 0.0) -> Stations:
    surfaces = [Surface.of(walls[0])]
    for mesh in walls[1:]:
        n = len(mesh.faces)
        surfaces.append(Surface(mesh.vertices, mesh.faces, outward=np.full(n, outward)))
    rows = Stations(surfaces, FlowPath(path))
    rows.add(np.arange(0.13, rows.path.length, step))
    return rows


@pytest.mark.parametrize(("apart", "tilt"), [(30.0, 26.565), (60.0, 45.0)])
def test_staggered_half_cylinders(apart: float, tilt: float) -> None:
    # W (sqrt(H^2 + dz^2) - 2 b): the line that joins the two axes, less two radii.
    truth = 80 * (np.hypot(60, apart) - 50)
    chord = 25 * (1 - np.cos(np.pi / 128))
    walls = [channel(60, 80, 240), *bumps(60, 80, 25, apart)]
    found = true_throat(cut_rows(walls, [(0, 0, -110), (0, 0, 110)], 4.0, chord))
    assert found.area.value == pytest.approx(truth, rel=1e-3)
    assert found.area.low <= truth <= found.area.high
    assert found.area.high - found.area.low < 3e-3 * truth
    # Facets make the arc a polygon: the least may lean by up to half a facet's angle.
    assert found.tilt == pytest.approx(tilt, abs=180 / 128)
    assert found.square_area > found.area.value
    assert found.s == pytest.approx(110, abs=0.5)
    np.testing.assert_allclose(found.point, 0, atol=0.5)
    assert abs(found.normal[1]) < 0.02
    assert found.ended_here >= 1
    if apart == 30.0:
        assert found.square_area == pytest.approx(1600, rel=0.02)


def test_a_shaft_across_the_bore_keeps_both_pieces(tube: Tube, bar: Callable) -> None:
    rod = bar(5, (-60, 0, 100.7), (60, 0, 100.7))
    rows = cut_rows([tube(40, 45, Z, 96), rod], [(0, 0, 0), (0, 0, 200)])
    found = true_throat(rows)
    blocked = 2 * (5 * np.sqrt(1600 - 25) + 1600 * np.arcsin(5 / 40))
    assert found.area.value == pytest.approx(np.pi * 1600 - blocked, rel=2e-3)
    assert found.tilt < 0.1
    assert len(found.outline) == 2
    assert found.s == pytest.approx(100.7, abs=0.1)


@pytest.mark.parametrize("degrees", [5.0, 20.0])
def test_a_plain_tube_on_a_tilted_path(tube: Tube, polygon: Callable, degrees: float) -> None:
    t = np.radians(degrees)
    ahead = np.array([np.sin(t), 0, np.cos(t)])
    rows = cut_rows([tube(40, 45, Z)], [(0, 0, 100) - 50 * ahead, (0, 0, 100) + 50 * ahead], 10.0)
    found = true_throat(rows)
    assert found.area.value == pytest.approx(polygon(40, 64), rel=1e-6)
    assert found.tilt == pytest.approx(degrees, abs=0.05)
    assert found.square_area == pytest.approx(polygon(40, 64) / np.cos(t), rel=1e-9)


def test_the_other_leg_of_a_u_bend_is_left_out(bent: Callable, polygon: Callable) -> None:
    # The waist stands in one leg; the planes there cut the other leg as well.
    duct, centres = bent(60, 20, 25, 180, leg=60, sides=48, rings=37)
    centre = centres[8]
    ring = trimesh.creation.box((60, 60, 6)).apply_translation(centre)
    hole = trimesh.creation.cylinder(15, 20, sections=96).apply_translation(centre)
    plate = trimesh.boolean.difference([ring, hole])
    found = true_throat(cut_rows([duct, plate], centres[::3], 3.0))
    assert found.area.value == pytest.approx(polygon(15, 96), rel=1e-6)


def test_motion_changes_nothing(motion: Callable) -> None:
    walls = [channel(60, 80, 240), *bumps(60, 80, 25, 30, 24)]
    path = np.array([(0, 0, -60.0), (0, 0, 60.0)])
    plain = true_throat(cut_rows(walls, path, 5.0))
    move = motion(7)
    moved = [w.copy().apply_transform(move) for w in walls]
    again = true_throat(cut_rows(moved, trimesh.transform_points(path, move), 5.0))
    assert again.area.value == pytest.approx(plain.area.value, rel=3e-4)
    twice = true_throat(cut_rows(walls, path, 5.0))
    assert twice.area == plain.area
    assert twice.normal == plain.normal


def test_a_piece_that_is_lost_on_the_way_is_noticed(tube: Tube) -> None:
    # The tube ends at z = 200: a plane carried past its end has nothing to follow.
    rows = cut_rows([tube(40, 45, Z)], [(0, 0, 0), (0, 0, 200)], 20.0)
    start = begin_at(rows)[0]
    frame, shapes = moved_to(start, start.centre())
    assert follow(rows.surfaces, frame, shapes, np.array([0, 0, 300.0])) is None
    near = follow(rows.surfaces, frame, shapes, np.array([0.2, 0, 5.0]))
    assert near is not None
    assert near.area == pytest.approx(start.area / np.cos(0.2), rel=1e-9)
    assert Cut.of(start.region, ()).area == np.inf


def test_frames_turn_rigidly() -> None:
    frame = np.concatenate([[1, 2, 3], np.eye(3).ravel()])
    turned = tilted(frame, np.array([0.3, -0.4, 2.0]))
    axes = turned[3:].reshape(3, 3)
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-14)
    assert np.arccos(axes[2, 2]) == pytest.approx(0.5)
    np.testing.assert_allclose(turned[:3], [1, 2, 3] + 2.0 * axes[2])
    # The axis of the turn lies still.
    np.testing.assert_allclose(0.6 * axes[0] - 0.8 * axes[1], [0.6, -0.8, 0], atol=1e-14)


def test_the_same_piece_is_found_from_another_origin(tube: Tube) -> None:
    rows = cut_rows([tube(40, 45, Z)], [(0, 0, 0), (0, 0, 200)], 20.0)
    start = begin_at(rows)[0]
    frame, shapes = moved_to(start, start.frame[:3] + 11.0 * start.frame[3:6])
    again = section(rows.surfaces, frame, shapes)
    assert again.area == pytest.approx(start.area, rel=1e-12)
    assert shapes[0].symmetric_difference(again.shapes()[0]).area < 1e-6


def test_places_along_a_path() -> None:
    path = FlowPath([(0, 0, 0), (0, 0, 50)])
    assert nearest(path, np.array([7.0, 1.0, 20.03])) == pytest.approx(20.03, abs=0.02)
    frame = np.concatenate([[0, 0, 30.0], np.eye(3).ravel()])
    assert crossing(path, frame, 25.0, 20.0) == pytest.approx(30.0)


def test_nothing_measured_and_bad_planes(tube: Tube) -> None:
    rows = cut_rows([tube(40, 45, Z)], [(100, 0, 0), (100, 0, 200)], 50.0)
    with pytest.raises(CannotDecide, match="no station"):
        true_throat(rows)
    rows = cut_rows([tube(40, 45, Z)], [(0, 0, 0), (0, 0, 200)], 50.0)
    with pytest.raises(InputError, match="not finite"):
        true_throat(rows, frames=np.full((1, 12), np.nan))

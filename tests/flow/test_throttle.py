"""Open share of a throttle: published closed form, projected meshes, and what a section shows."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from geomcheck.errors import InputError
from geomcheck.flow import throttle
from geomcheck.flow.section import Surface, cut

BORE, SHAFT, SHUT = 40.0, 0.12, 7.0


def blade(angle: float, thickness: float = 0.02, sides: int = 720) -> trimesh.Trimesh:
    """An elliptic blade that shuts the bore at SHUT degrees, turned about the x axis."""
    disc = trimesh.creation.cylinder(BORE, thickness, sections=sides)
    disc.apply_scale([1.0, 1.0 / np.cos(np.radians(SHUT)), 1.0])
    disc.apply_transform(trimesh.transformations.rotation_matrix(np.radians(angle), [1, 0, 0]))
    return disc


def shaft(sides: int = 720) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(
        SHAFT * BORE, segment=[(-60, 0, 0), (60, 0, 0)], sections=sides
    )


def circle(sides: int = 720) -> np.ndarray:
    turn = np.linspace(0.0, 2 * np.pi, sides + 1)
    return np.c_[BORE * np.cos(turn), BORE * np.sin(turn), np.full(sides + 1, -70.0)]


@pytest.mark.parametrize(
    ("angle", "fraction"),
    # The published form, computed elsewhere and checked there by projected outlines.
    [(20, 0.0532078465), (30, 0.127355347), (45, 0.287224859), (60, 0.495155034),
     (80, 0.812402447), (90, 0.847578744)],
)  # fmt: skip
def test_closed_form(angle: float, fraction: float) -> None:
    assert throttle.open_fraction(angle, SHUT, SHAFT) == pytest.approx(fraction, abs=1e-9)


@pytest.mark.parametrize(
    ("opening", "percent"),  # 1 - sin of the angle off wide open: Sandalci et al. 2010
    [(0, 100.0), (10, 82.64), (20, 65.8), (30, 50.0), (40, 35.72)],
)
def test_round_blade_without_a_shaft(opening: float, percent: float) -> None:
    assert 100 * throttle.open_fraction(90.0 - opening) == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize("angle", [15.0, 30.0, 45.0, 60.0, 80.0, 90.0])
def test_the_mesh_agrees_with_the_closed_form(angle: float) -> None:
    found = throttle.projected_fraction(circle(), (0, 0, 1), [blade(angle), shaft()])
    # A blade 0.02 mm thick hides 0.02 sin(angle) mm more on either side of 80: 5e-4 at most.
    assert found == pytest.approx(throttle.open_fraction(angle, SHUT, SHAFT), abs=6e-4)


def test_the_mesh_may_stand_anywhere_and_in_any_order() -> None:
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(3).random(3))
    turn[:3, 3] = (300.0, -120.0, 40.0)
    meshes = [blade(40.0).apply_transform(turn), shaft().apply_transform(turn)]
    ring = circle() @ turn[:3, :3].T + turn[:3, 3]
    for things in (meshes, meshes[::-1]):
        found = throttle.projected_fraction(ring, turn[:3, 2], things)
        expected = throttle.projected_fraction(circle(), (0, 0, 1), [blade(40.0), shaft()])
        assert found == pytest.approx(expected, abs=1e-7)


def test_an_open_blade_and_nothing_at_all() -> None:
    torn = blade(40.0)
    torn.update_faces(np.arange(len(torn.faces)) != 5)
    found = throttle.projected_fraction(circle(), (0, 0, 1), [torn])
    whole = throttle.projected_fraction(circle(), (0, 0, 1), [blade(40.0)])
    assert found == pytest.approx(whole, abs=2e-4)
    assert throttle.projected_fraction(circle(), (0, 0, 1), []) == 1.0


@pytest.mark.parametrize("angle", [20.0, 45.0, 70.0])
def test_a_plane_section_shows_more_than_is_open(angle: float) -> None:
    # Through the shaft's axis the plane cuts only a strip of the blade.
    plane = np.array([[0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1]], dtype=float)
    section = cut([Surface.of(blade(angle)), Surface.of(shaft())], plane)[0]
    rings = [
        shapely.Polygon(section.lines[a:b, :2])
        for a, b in zip(section.offsets, section.offsets[1:], strict=False)
    ]
    bore = shapely.Polygon(circle()[:, :2])
    least = 1.0 - shapely.intersection(bore, shapely.union_all(rings)).area / bore.area
    projected = throttle.projected_fraction(circle(), (0, 0, 1), [blade(angle), shaft()])
    assert least == pytest.approx(throttle.open_fraction(90.0, SHUT, SHAFT), abs=1e-3)
    assert least > projected + 0.1


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError):
        throttle.open_fraction(5.0, 7.0)
    with pytest.raises(InputError):
        throttle.open_fraction(45.0, 7.0, 1.0)
    with pytest.raises(InputError, match="no area"):
        throttle.projected_fraction(circle(), (1, 0, 0), [blade(30.0)])

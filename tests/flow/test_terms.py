"""Facet and tilt terms against finite differences and closed forms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from geomcheck.flow.region import Region
from geomcheck.flow.section import Surface, cut
from geomcheck.flow.terms import facet_reach, gradient

Tube = Callable[..., trimesh.Trimesh]


def looked_at(surfaces: list[Surface], frame: np.ndarray) -> Region:
    return Region(cut(surfaces, frame[None])[0], surfaces)


def tilted(frame: np.ndarray, middle: np.ndarray, x: float, y: float, shift: float) -> np.ndarray:
    """The plane turned about its x and y through ``middle`` and moved along its normal."""
    axes = frame[3:].reshape(3, 3)
    turn = Rotation.from_rotvec(x * axes[0] + y * axes[1]).as_matrix()
    origin = middle + turn @ (frame[:3] - middle) + shift * axes[2]
    return np.r_[origin, (axes @ turn.T).ravel()]


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6))
def test_gradient_is_the_change_of_the_area(seed: int) -> None:
    rng = np.random.default_rng(seed)
    void = trimesh.creation.icosphere(2, 30)
    void.vertices *= rng.uniform(0.7, 1.3, 3)
    void.vertices += rng.normal(scale=0.5, size=void.vertices.shape)
    void.invert()
    wall = trimesh.util.concatenate([trimesh.creation.box((120, 120, 120)), void])
    surfaces = [Surface.of(wall)]
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    q *= np.sign(np.linalg.det(q))
    frame = np.r_[rng.uniform(-8, 8, 3), q.T.ravel()]
    region = looked_at(surfaces, frame)
    slope = gradient(region, [region.main], surfaces)
    centre = region.polygon(region.main).centroid
    middle = region.section.to_space(np.array([[centre.x, centre.y]]))[0]

    def area(x: float, y: float, shift: float) -> float:
        moved = looked_at(surfaces, tilted(frame, middle, x, y, shift))
        return float(moved.area[moved.main])

    h = 1e-6
    scale = region.area[0]
    for exact, step in (
        (slope.shift, (0, 0, h)),
        (slope.tilt_x, (h, 0, 0)),
        (slope.tilt_y, (0, h, 0)),
    ):
        back = [-value for value in step]
        change = (area(*step) - area(*back)) / (2 * h)
        assert exact == pytest.approx(change, rel=1e-5, abs=1e-5 * scale)


@pytest.mark.parametrize("degrees", [0.0, 5.0, 10.0])
def test_a_straight_pipe_tells_its_tilt(tube: Tube, degrees: float) -> None:
    surfaces = [Surface.of(tube(40, 45, [0, 200]))]
    t = np.radians(degrees)
    frame = np.r_[0, 0, 100, np.cos(t), 0, -np.sin(t), 0, 1, 0, np.sin(t), 0, np.cos(t)]
    region = looked_at(surfaces, frame)
    slope = gradient(region, [region.main], surfaces)
    square = 32 * 1600 * np.sin(np.pi / 32)
    assert slope.angle == pytest.approx(degrees, abs=1e-6)
    assert region.area[0] - slope.excess == pytest.approx(square, rel=1e-9)


def test_a_cone_widens_as_it_should(tube: Tube) -> None:
    # r = 30 + z / 10, 256 sides: dA/dz = n/2 sin(2 pi / n) 2 r / 10.
    surfaces = [Surface.of(tube(np.array([30, 50.0]), 60, [0, 200], 256))]
    region = looked_at(surfaces, np.r_[0, 0, 100, np.eye(3).ravel()])
    slope = gradient(region, [region.main], surfaces)
    assert slope.shift == pytest.approx(128 * np.sin(np.pi / 128) * 2 * 40 / 10, rel=1e-9)
    assert slope.angle == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("sides", [16, 24, 64])
def test_facet_reach_holds_the_round_bore_and_the_round_rod(
    tube: Tube, bar: Tube, sides: int
) -> None:
    # Sagitta of a chord: r (1 - cos(pi / n)). The bore is truly wider, the rod truly thicker.
    wall, rod = tube(40, 45, [0, 200], sides), bar(8, (10, 0, -5), (10, 0, 205), sides)
    round_off = 1 - np.cos(np.pi / sides)
    surfaces = [
        Surface(wall.vertices, wall.faces, inward=np.full(len(wall.faces), 40 * round_off)),
        Surface(rod.vertices, rod.faces, outward=np.full(len(rod.faces), 8 * round_off)),
    ]
    region = looked_at(surfaces, np.r_[-10, 0, 100, np.eye(3).ravel()])
    minus, plus = facet_reach(region, [region.main], surfaces)
    area = region.area[region.main]
    low, high = area - minus, area + plus
    assert low < np.pi * (1600 - 64) < high
    assert plus == pytest.approx(80 * sides * np.sin(np.pi / sides) * 40 * round_off)
    assert minus == pytest.approx(16 * sides * np.sin(np.pi / sides) * 8 * round_off)


def test_facets_that_lie_askew_reach_further(tube: Tube) -> None:
    wall = tube(np.array([30, 50.0]), 60, [0, 20], 64)  # slope 1: 45 degrees
    surface = Surface(wall.vertices, wall.faces, inward=np.full(len(wall.faces), 0.1))
    region = looked_at([surface], np.r_[0, 0, 10, np.eye(3).ravel()])
    _, plus = facet_reach(region, [region.main], [surface])
    slant = np.cos(np.arctan(np.cos(np.pi / 64)))  # of the flat facets
    assert plus == pytest.approx(0.1 * region.perimeter[0] / slant, rel=1e-9)

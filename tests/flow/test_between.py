"""The bound between stations: never above the true area, and sharp where it can be."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.flow.between import Slabs
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import Surface
from geomcheck.flow.stations import FINEST, Stations
from geomcheck.flow.survey import duct_area

PATH = [(0, 0, 0), (0, 0, 200)]
Tube = Callable[..., trimesh.Trimesh]


def stations(path: FlowPath, places: object, *meshes: trimesh.Trimesh) -> Stations:
    rows = Stations([Surface.of(mesh) for mesh in meshes], path)
    rows.add(places)
    return rows


def test_a_straight_pipe_loses_nothing(tube: Tube) -> None:
    rows = stations(FlowPath(PATH), [20, 180], tube(40, 45, [0, 200]))
    pairs = rows.pairs()
    assert rows.floor(pairs)[0] == pytest.approx(rows.rows[0].area, rel=1e-9)


def test_what_stands_across_is_taken_off_by_its_shadow(tube: Tube) -> None:
    block = trimesh.creation.box((10, 12, 4)).apply_translation([3, 4, 100])
    rows = stations(FlowPath(PATH), [20, 180], tube(40, 45, [0, 200]), block)
    assert rows.floor(rows.pairs())[0] == pytest.approx(rows.rows[0].area - 120, rel=1e-9)


def test_a_step_costs_no_more_than_the_narrow_side(tube: Tube) -> None:
    z = np.r_[0, 100, 100, 200.0]
    wall = tube(np.array([40, 40, 30, 30.0]), 45, z)
    rows = stations(FlowPath(PATH), [90, 110], wall)
    assert rows.floor(rows.pairs())[0] == pytest.approx(rows.rows[1].area, rel=1e-9)


@settings(derandomize=True, deadline=None, max_examples=8)
@given(st.integers(0, 10**6))
def test_no_section_between_falls_below_the_floor(seed: int) -> None:
    # A bent, waisted, uneven duct with rods and balls in it; dense sections tell the truth.
    rng = np.random.default_rng(seed)
    turn = np.linspace(0, np.pi / 2, 46)
    out = np.c_[np.cos(turn), 0 * turn, np.sin(turn)]
    ahead = np.c_[-np.sin(turn), 0 * turn, np.cos(turn)]
    inner = 30 + np.cumsum(rng.normal(scale=0.4, size=46))
    from_conftest = _ring_tube(80 * out, ahead, out, inner, 50, 32)
    from_conftest.vertices += rng.normal(scale=0.15, size=from_conftest.vertices.shape)
    things = []
    for _ in range(3):
        at = 80 * out[rng.integers(6, 40)] + rng.uniform(-25, 25, 3)
        if rng.uniform() < 0.5:
            ball = trimesh.creation.icosphere(1, rng.uniform(1, 9))
            things.append(ball.apply_translation(at))
        else:
            rod = trimesh.creation.cylinder(rng.uniform(0.3, 3), 60, sections=7)
            rod.apply_transform(trimesh.transformations.random_rotation_matrix(rng.uniform(size=3)))
            things.append(rod.apply_translation(at))
    path = FlowPath(80 * out[::5])
    ends = np.linspace(3, path.length - 3, 9)
    rows = stations(path, ends, from_conftest, *things)
    pairs = rows.pairs()
    floor = rows.floor(pairs)
    rows._look_closely(pairs)
    closer = rows.floor(pairs)
    assert (closer >= floor - 1e-9).all()
    for (a, b), low in zip(pairs, closer, strict=True):
        dense = stations(path, np.linspace(a.s, b.s, 25), from_conftest, *things)
        areas = [row.area for row in dense.rows if row.state == "measured"]
        assert min(areas) >= low - 1e-6


def _ring_tube(
    centres: np.ndarray, ahead: np.ndarray, out: np.ndarray, inner: object, outer: float, sides: int
) -> trimesh.Trimesh:
    import importlib.util
    from pathlib import Path

    spec = importlib.util.spec_from_file_location("ducts", Path(__file__).parent / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    made: trimesh.Trimesh = module.sweep_tube(centres, ahead, out, inner, outer, sides)
    return made


@pytest.mark.parametrize("offset", [0.0, 0.37, 1.11, 2.2, 3.9])
@pytest.mark.parametrize("size", [0.8, 0.2])
def test_a_thin_rod_between_stations_is_found(
    tube: Tube, bar: Tube, offset: float, size: float
) -> None:
    rod = bar(size / 2, (-39, 0, 100 + offset), (39, 0, 100 + offset), sides=32)
    found = duct_area(tube(40, 45, [0, 200]), PATH, obstacles=rod, spacing=5)
    clear = 32 * 1600 * np.sin(np.pi / 32)
    assert found.throat.s == pytest.approx(100 + offset, abs=size / 4)
    # The rod's section at its middle is as long as the rod and as wide as its 32-gon.
    taken = clear - found.throat.area.value
    assert 78 * size * 0.95 < taken <= 78 * size * 1.0000001
    assert found.throat.area.low <= clear - 78 * size * np.cos(np.pi / 32) + 1e-9
    assert found.throat.area.value - found.throat.area.low < 5e-4 * clear


def test_the_least_area_is_certified_in_a_bend(
    bent: Callable[..., tuple[trimesh.Trimesh, np.ndarray]],
) -> None:
    duct, centres = bent(80, 40, 45, 90, sides=48, rings=31)
    found = duct_area(duct, centres[::3], spacing=4)
    dense = duct_area(duct, centres[::3], stations=2000, spacing=50)
    assert found.throat.area.low <= dense.area.min()
    assert found.throat.area.value == pytest.approx(dense.area.min(), rel=5e-4)
    assert found.throat.area.value - found.throat.area.low < 6e-4 * found.throat.area.value


def test_planes_that_meet_in_the_bore_bound_nothing() -> None:
    # The path turns on a radius of about 14 mm in a chamber 60 mm wide.
    room = trimesh.boolean.difference(
        [trimesh.creation.box((80, 80, 80)), trimesh.creation.box((60, 60, 60))]
    )
    turn = np.linspace(0, np.pi / 2, 7)
    found = duct_area(room, 14 * np.c_[np.cos(turn), 0 * turn, np.sin(turn)], spacing=2)
    assert found.unbounded
    assert not found.complete
    assert found.throat.area.low <= 0.0


def test_stations_come_no_nearer_than_the_grain(tube: Tube) -> None:
    # Flange faces that all but touch: the box round the bore holds them in its corners, the bore
    # itself does not.
    walls = [tube(40, 45, [0, 100.013]), tube(40, 45, [100.013, 200])]
    found = duct_area(walls, PATH, spacing=4)
    assert found.throat.area.low == pytest.approx(found.throat.area.value, rel=1e-6)
    assert np.diff(found.fine_s).min() < FINEST
    assert len(found.fine_s) < 80


def test_a_thin_blade_costs_a_wider_interval_not_time(
    tube: Tube, monkeypatch: pytest.MonkeyPatch
) -> None:
    blade = trimesh.creation.cylinder(39.9, 0.1, sections=64)
    blade.apply_transform(trimesh.transformations.rotation_matrix(np.radians(10), (1, 0, 0)))
    blade.apply_translation([0, 0, 100])
    plain = duct_area(tube(40, 45, [0, 200]), PATH, obstacles=blade, spacing=5)
    monkeypatch.setattr("geomcheck.flow.stations._CLOSE_WORK", 0)
    quick = duct_area(tube(40, 45, [0, 200]), PATH, obstacles=blade, spacing=5)
    assert quick.throat.area.value == pytest.approx(plain.throat.area.value, rel=1e-6)
    assert quick.throat.area.low <= plain.throat.area.low


@pytest.mark.parametrize(("radius", "meet"), [(42.0, False), (36.0, True)])
def test_planes_that_meet_beside_a_round_bore_bound_it(radius: float, meet: bool) -> None:
    # Two planes of a path on a circle meet in its axis: outside a bore of radius 40 or within.
    # The box round the bore, turned by half a right angle, would reach 40 sqrt(2) in any case.
    turn = np.radians([0.0, 3.0])
    frames = np.array(
        [
            np.concatenate([radius * c, -c @ t, -c @ s, np.cross(-c @ t, -c @ s)])
            for a in turn
            for c, t, s in [_corner(a)]
        ]
    )
    rim = 40 * np.c_[np.cos(np.linspace(0, 6.2, 60)), np.sin(np.linspace(0, 6.2, 60))]
    box = np.full((2, 1, 2), 40.0)
    slabs = Slabs(
        frames[:1], frames[1:], -box, box, np.array([radius * turn[1]]), turn[1:], (rim, rim)
    )
    assert bool(slabs.planes_meet[0]) is meet


def _corner(angle: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Direction from the axis (y), and a frame turned by 45 degrees about the path."""
    out = np.array([np.cos(angle), 0.0, np.sin(angle)])
    half = np.sqrt(0.5)
    up = np.array([0.0, 1.0, 0.0])
    # Rows that take ``out`` to the two axes of the plane.
    one = half * (np.outer(out, out) + np.outer(out, up))
    two = half * (np.outer(out, up) - np.outer(out, out))
    return out, one, two

"""Whole surveys: the closed-form ducts, ports, leaks, bad paths."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area

PATH = [(0, 0, 0), (0, 0, 200)]
Z = np.linspace(0, 200, 11)
Tube = Callable[..., trimesh.Trimesh]
Bent = Callable[..., tuple[trimesh.Trimesh, np.ndarray]]


def with_sagitta(mesh: trimesh.Trimesh, outward: float = 0.0, inward: float = 0.0) -> Surface:
    n = len(mesh.faces)
    return Surface(
        mesh.vertices, mesh.faces, outward=np.full(n, outward), inward=np.full(n, inward)
    )


def chord(radius: float, sides: int) -> float:
    return float(radius * (1 - np.cos(np.pi / sides)))


def test_a_plain_tube(tube: Tube, polygon: Callable[[float, int], float]) -> None:
    found = duct_area(tube(40, 45, Z), PATH, stations=41)
    assert found.station.shape == found.area.shape == (41,)
    np.testing.assert_allclose(found.area, polygon(40, 64), rtol=1e-12)
    np.testing.assert_allclose(found.perimeter, 128 * 40 * np.sin(np.pi / 64), rtol=1e-12)
    np.testing.assert_allclose(found.equivalent_diameter, 2 * np.sqrt(polygon(40, 64) / np.pi))
    np.testing.assert_allclose(found.hydraulic_diameter, 80 * np.cos(np.pi / 64), rtol=1e-12)
    np.testing.assert_allclose(found.percent_of_inlet, 100.0)
    assert found.restrictions == ()
    assert found.complete


# Duct bore a = 40 and what stands in it; closed forms of elementary geometry.
LENS = 670.844  # two circles of 22 and 40 whose centres lie 40 apart
SIDES = 192


@pytest.mark.parametrize(
    ("case", "throat"),
    [("ball boss", 4355.704), ("radial cylinder", 4441.149), ("full-span shaft", 4228.636)],
)
def test_throats_of_known_obstacles(tube: Tube, bar: Tube, case: str, throat: float) -> None:
    wall = with_sagitta(tube(40, 45, Z, SIDES), inward=chord(40, SIDES))
    if case == "ball boss":
        ball = trimesh.creation.icosphere(5, 22).apply_translation([40, 0, 100.7])
        # Facet edge e = 22 * 0.0346; sagitta of an equilateral facet e^2 / (6 R).
        thing = with_sagitta(ball, outward=float(ball.edges_unique_length.max() ** 2 / (6 * 22)))
    elif case == "radial cylinder":
        thing = with_sagitta(bar(12, (15, 0, 100.7), (60, 0, 100.7)), outward=chord(12, 128))
    else:
        thing = with_sagitta(bar(5, (-60, 0, 100.7), (60, 0, 100.7)), outward=chord(5, 128))
    found = duct_area(wall, PATH, obstacles=thing)
    assert found.throat.area.low <= throat <= found.throat.area.high
    assert found.throat.area.value == pytest.approx(throat, rel=5e-4)
    assert found.throat.area.high - found.throat.area.low < 3e-3 * throat
    assert found.throat.s == pytest.approx(100.7, abs=0.3)
    (dip,) = found.restrictions
    assert dip.surface == 1
    assert not dip.estimate
    assert dip.area_lost == pytest.approx(np.pi * 1600 - throat, rel=3e-3)
    assert dip.depth.low <= 100 * (1 - throat / (np.pi * 1600)) <= dip.depth.high


@pytest.mark.parametrize("ratio", [0.6, 1.0, 2.0])
def test_bends_keep_their_area(bent: Bent, ratio: float) -> None:
    duct, centres = bent(80 * ratio, 40, 45, 90)
    found = duct_area(with_sagitta(duct, inward=2 * chord(40, 96)), centres[::10])
    # Normal planes on a smooth curve through ten points: within 0.1 % (bend of R / D = 0.6).
    np.testing.assert_allclose(found.area, np.pi * 1600, rtol=1.5e-3)
    assert found.throat.area.low <= np.pi * 1600 <= found.throat.area.high
    assert found.restrictions == ()
    assert found.throat.gradient.angle < 0.5


def test_a_cone_is_cut_flat_and_is_no_restriction(tube: Tube) -> None:
    # Flat sections pi r^2; the caps of a level surface would be larger by 2 / (1 + cos alpha).
    found = duct_area(tube(np.linspace(40, 20, 11), 50, Z, 256), PATH, stations=[0, 50, 100, 200])
    radius = 40 - found.station / 10
    np.testing.assert_allclose(found.area, 128 * np.sin(np.pi / 128) * radius**2, rtol=1e-6)
    assert found.restrictions == ()
    assert found.throat.s == pytest.approx(200, abs=1e-3)
    assert found.loss(0, 200).value == pytest.approx(75.0, abs=1e-3)
    assert found.deepest.high < 0.1


def test_a_venturi_is_a_restriction_of_the_wall(tube: Tube) -> None:
    z = np.linspace(0, 200, 81)
    radius = 40 - 10 * np.exp(-(((z - 90) / 25) ** 2))
    found = duct_area(tube(radius, 50, z, 256), PATH)
    assert found.throat.s == pytest.approx(90, abs=1e-6)
    assert found.throat.area.value == pytest.approx(128 * np.sin(np.pi / 128) * 900, rel=1e-9)
    (dip,) = found.restrictions
    assert (dip.surface, dip.estimate) == (0, True)
    assert dip.depth.value == pytest.approx(100 * (1 - 900 / 1600), rel=1e-4)
    assert dip.area_lost == pytest.approx(np.pi * 700, rel=1e-3)


@pytest.mark.parametrize("degrees", [5.0, 10.0])
def test_a_tilted_path_is_told_and_held_by_the_interval(
    tube: Tube, degrees: float, polygon: Callable[[float, int], float]
) -> None:
    t = np.radians(degrees)
    ahead = np.array([np.sin(t), 0, np.cos(t)])
    found = duct_area(tube(40, 45, Z), [(0, 0, 100) - 60 * ahead, (0, 0, 100) + 60 * ahead])
    np.testing.assert_allclose(found.area, polygon(40, 64) / np.cos(t), rtol=1e-9)
    assert found.throat.gradient.angle == pytest.approx(degrees, abs=1e-6)
    assert found.throat.area.low <= polygon(40, 64) <= found.throat.area.high


def test_hydraulic_diameters(tube: Tube, bar: Tube) -> None:
    # 4 A / P: rectangle 2ab / (a + b), annulus D - d, semicircle 2 pi r / (pi + 2).
    box = trimesh.creation.box((90, 60, 200))
    hole = trimesh.creation.box((80, 50, 300))
    duct = trimesh.boolean.difference([box, hole])
    path = [(0, 0, -90), (0, 0, 90)]
    assert duct_area(duct, path, stations=2, spacing=60).hydraulic_diameter[0] == pytest.approx(
        61.5384615
    )
    rod = bar(6, (0, 0, -10), (0, 0, 210), sides=512)
    path = [(25, 0, 5), (25, 0, 195)]
    ring = duct_area(tube(40, 45, Z, 512), path, obstacles=rod, stations=2, spacing=60)
    assert ring.hydraulic_diameter[0] == pytest.approx(68.0, rel=1e-4)
    half = trimesh.creation.box(bounds=[[-60, -60, -10], [0, 60, 210]])
    found = duct_area(tube(40, 45, Z, 512), path, obstacles=half, stations=2, spacing=60)
    assert found.hydraulic_diameter[0] == pytest.approx(48.8812376, rel=1e-4)


def test_open_fractions_of_a_flat_and_a_round_boss(tube: Tube, bar: Tube) -> None:
    # Circle less a segment of height 8: 0.947955981 open. Lens of circles 40 and 12, centres 44
    # apart: 120.750802 mm2 blocked.
    flat = trimesh.creation.box(bounds=[[32, -60, 80], [60, 60, 120]])
    found = duct_area(tube(40, 45, Z, 512), PATH, obstacles=flat, stations=[0, 100], spacing=40)
    assert found.area[1] / found.area[0] == pytest.approx(0.947955981, rel=1e-4)
    boss = bar(12, (44, 0, 80), (44, 0, 120), sides=512)
    found = duct_area(tube(40, 45, Z, 512), PATH, obstacles=boss, stations=[0, 100], spacing=40)
    assert found.bore_area[1] - found.area[1] == pytest.approx(120.750802, rel=1e-3)


def test_a_step_face_in_the_plane_gives_both_sides(
    tube: Tube, polygon: Callable[[float, int], float]
) -> None:
    radius = np.array([40, 40, 30, 30.0])
    for wall in (
        tube(radius, 45, [0, 100, 100, 200]),
        tube(radius, 45, [0, 100 + 1e-13, 100, 200]),
    ):
        found = duct_area(wall, PATH, stations=[0, 99, 100, 101, 200])
        np.testing.assert_allclose(found.area[[1, 2, 3]], [polygon(40, 64), *[polygon(30, 64)] * 2])
        assert found.step[2] == pytest.approx(polygon(30, 64) - polygon(40, 64))
        assert found.step[[0, 1, 3, 4]].tolist() == [0, 0, 0, 0]
        assert found.throat.area.low == pytest.approx(polygon(30, 64), rel=1e-9)


@pytest.mark.parametrize("single", [False, True])
def test_ports_in_the_end_planes(
    tube: Tube, motion: Callable[[int], np.ndarray], single: bool
) -> None:
    for seed in range(6):
        move = motion(seed)
        wall = tube(40, 45, Z).apply_transform(move)
        if single:  # as an STL stores it
            wall.vertices = wall.vertices.astype(np.float32).astype(float)
        path = np.round(trimesh.transform_points(np.array(PATH, float), move), 3)
        found = duct_area(wall, path, spacing=10)
        assert set(found.state) == {"measured"}
        np.testing.assert_allclose(found.area, found.area[3], rtol=1e-4)


def test_a_path_that_begins_outside_its_port(tube: Tube) -> None:
    near = duct_area(tube(40, 45, Z), [(0, 0, -0.4), (0, 0, 200.7)], spacing=10)
    assert set(near.state) == {"measured"}
    cone = duct_area(
        tube(np.linspace(40, 30, 11), 45, Z), [(0, 0, -0.4), (0, 0, 200.7)], spacing=10
    )
    square = 32 * np.sin(np.pi / 32)
    np.testing.assert_allclose(cone.area[[0, -1]], [square * 1600, square * 900], rtol=5e-3)
    assert cone.inlet.value == cone.area[0]
    far = duct_area(tube(40, 45, Z), [(0, 0, -10), (0, 0, 203)], spacing=2)
    assert far.state[0] == far.state[-1] == "leaking"
    assert np.isnan(far.area[0])
    assert far.inlet is None
    wide = duct_area(tube(40, 45, Z), [(0, 0, -10), (0, 0, 200)], spacing=2, port=12)
    assert set(wide.state) == {"measured"}


@pytest.mark.parametrize("spacing", [1.0, 3.0, 7.0])
def test_a_flange_gap_leaks(tube: Tube, spacing: float) -> None:
    walls = [tube(40, 45, Z / 2), tube(40, 45, 100.2 + Z / 2)]
    found = duct_area(
        walls, [(0, 0, 0), (0, 0, 200.2)], stations=[0, 50, 100, 100.1, 150], spacing=spacing
    )
    # At 100 the plane lies in the front flange: closed behind it, leaking ahead of it.
    assert found.state == ("measured", "measured", "leaking", "leaking", "measured")
    assert np.isnan(found.area[[2, 3]]).all()
    unasked = duct_area(walls, [(0, 0, 0), (0, 0, 200.2)], spacing=spacing)
    assert "leaking" in unasked.fine_state


def test_a_joint_without_a_gap_does_not_leak(
    tube: Tube, polygon: Callable[[float, int], float]
) -> None:
    for gap in (0.0, -5.0):
        walls = [tube(40, 45, Z / 2), tube(40, 45, 100 + gap + Z / 2)]
        for shape in (walls, trimesh.util.concatenate(walls)):
            found = duct_area(shape, [(0, 0, 0), (0, 0, 195)])
            assert set(found.fine_state) == {"measured"}
            np.testing.assert_allclose(found.area, polygon(40, 64), rtol=1e-9)
            assert found.throat.area.low == pytest.approx(polygon(40, 64), rel=1e-6)


def test_a_missing_wall_triangle_is_open_and_never_a_number(tube: Tube) -> None:
    wall = tube(40, 45, Z)
    inner = np.linalg.norm(wall.triangles_center[:, :2], axis=1) < 41
    face = np.flatnonzero(inner & (np.abs(wall.triangles_center[:, 2] - 110) < 5))[0]
    torn = trimesh.Trimesh(wall.vertices, np.delete(wall.faces, face, axis=0), process=False)
    found = duct_area(torn, PATH)
    bad = np.array(found.state) == "open"
    assert bad.sum() == pytest.approx(10, abs=1)
    assert np.isnan(found.area[bad]).all()
    assert ((found.station[bad] >= 100) & (found.station[bad] <= 120)).all()
    np.testing.assert_allclose(found.area[~bad], 32 * 1600 * np.sin(np.pi / 32))
    assert not found.complete


def test_a_path_through_metal(tube: Tube) -> None:
    plug = trimesh.creation.cylinder(41, 1.0).apply_translation([0, 0, 101])
    found = duct_area(tube(40, 45, Z), PATH, obstacles=plug, spacing=5)
    assert "path in metal" in found.fine_state
    assert not found.complete


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ([(100, 0, 0), (100, 0, 200)], "outside the duct at every station .no wall"),
        ([(42.5, 0, 0), (42.5, 0, 200)], "outside the duct at every station .path in metal"),
    ],
)
def test_a_path_outside_the_duct_is_refused(tube: Tube, path: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        duct_area(tube(40, 45, Z), path)


def test_walls_that_close_nowhere_cannot_be_decided(tube: Tube) -> None:
    wall = tube(40, 45, [0, 200])
    inner = np.flatnonzero(np.linalg.norm(wall.triangles_center[:, :2], axis=1) < 41)
    torn = trimesh.Trimesh(wall.vertices, np.delete(wall.faces, inner[:1], axis=0), process=False)
    with pytest.raises(CannotDecide, match="do not close"):
        duct_area(torn, [(0, 0, 10), (0, 0, 190)])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"stations": 1}, "two or more stations"),
        ({"stations": [0, 250]}, "the path from 0 to 200"),
        ({"stations": [0, float("nan")]}, "arc lengths"),
        ({"spacing": 0.0}, "greater than zero"),
    ],
)
def test_stations_that_make_no_sense_are_refused(
    tube: Tube, options: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        duct_area(tube(40, 45, Z), PATH, **options)
    with pytest.raises(InputError, match="at least one wall"):
        duct_area([], PATH)


def test_losses(tube: Tube) -> None:
    found = duct_area(tube(np.linspace(40, 30, 11), 45, Z, 256), PATH, stations=[0, 100, 200])
    assert found.loss(0, 200).value == pytest.approx(100 * (1 - 9 / 16), rel=1e-4)
    assert found.loss(200, 0).value == pytest.approx(-100 * (16 / 9 - 1), rel=1e-4)
    assert found.percent_of_inlet[1] == pytest.approx(100 * (35 / 40) ** 2, rel=1e-5)


@settings(derandomize=True, deadline=None, max_examples=4)
@given(st.integers(0, 10**6))
def test_motion_order_and_subdivision_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    block = trimesh.creation.box((120, 120, 100))
    bore = trimesh.creation.cylinder(40, 140, sections=24)
    wall = trimesh.boolean.difference([block, bore])
    rod = trimesh.creation.cylinder(4, 130, sections=9)
    rod.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (0, 1, 0)))
    rod.apply_translation(rng.uniform(-20, 20, 3))
    path = np.array([(0, 0, -49), (3, 2, 0), (0, 0, 49.0)])
    plain = duct_area(wall, path, obstacles=rod, stations=9, spacing=9)
    move = trimesh.transformations.random_rotation_matrix(rng.uniform(size=3))
    move[:3, 3] = rng.uniform(-200, 200, 3)
    moved = duct_area(
        wall.copy().apply_transform(move),
        trimesh.transform_points(path, move),
        obstacles=rod.copy().apply_transform(move),
        stations=9,
        spacing=9,
    )
    np.testing.assert_allclose(moved.area, plain.area, rtol=1e-9)
    assert moved.throat.area.value == pytest.approx(plain.throat.area.value, rel=1e-4)
    order = rng.permutation(len(wall.faces))
    mixed = trimesh.Trimesh(wall.vertices, wall.faces[order], process=False)
    again = duct_area([rod, mixed], path, stations=9, spacing=9)
    np.testing.assert_allclose(again.area, plain.area, rtol=1e-12)
    finer = duct_area(wall.subdivide(), path, obstacles=rod.subdivide(), stations=9, spacing=9)
    np.testing.assert_allclose(finer.area, plain.area, rtol=1e-9)


def test_the_same_answer_twice(bent: Bent) -> None:
    duct, centres = bent(60, 20, 25, 120, sides=32, rings=31)
    one, two = (duct_area(duct, centres[::5]) for _ in range(2))
    np.testing.assert_array_equal(one.fine_s, two.fine_s)
    np.testing.assert_array_equal(one.fine_area, two.fine_area)
    assert one.throat.area == two.throat.area

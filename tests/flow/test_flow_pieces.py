"""Which pieces belong to the bore: shafts, webs, U-bends, dead ends."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.flow.survey import duct_area

PATH = [(0, 0, 0), (0, 0, 200)]
Z = np.linspace(0, 200, 11)
Tube = Callable[..., trimesh.Trimesh]


def test_a_shaft_splits_the_bore_and_both_pieces_count(
    tube: Tube, bar: Tube, polygon: Callable[[float, int], float]
) -> None:
    shaft = bar(5, (-60, 0, 100), (60, 0, 100))
    found = duct_area(tube(40, 45, Z, 256), PATH, obstacles=shaft, stations=[0, 95, 97, 100, 200])
    # 2 (w sqrt(a^2 - w^2) + a^2 asin(w / a)) is blocked, w the half width of the shaft there.
    for s, area in zip(found.station[1:4], found.area[1:4], strict=True):
        w = np.sqrt(max(0.0, 25 - (s - 100) ** 2))
        blocked = 2 * (w * np.sqrt(1600 - w * w) + 1600 * np.arcsin(w / 40))
        assert area == pytest.approx(np.pi * 1600 - blocked, abs=1.5)
    assert found.throat.area.value == pytest.approx(4228.636, abs=1.5)
    assert set(found.fine_state) == {"measured"}


@pytest.mark.parametrize("x", [-13.0, 0.0, 21.0])
def test_a_long_web_splits_the_bore_wherever_it_stands(
    tube: Tube, x: float, polygon: Callable[[float, int], float]
) -> None:
    web = trimesh.creation.box((2, 90, 60)).apply_translation([x, 0, 100])
    found = duct_area(tube(40, 45, Z, 256), PATH, obstacles=web)

    def part(d: float) -> float:  # of the circle beyond x = d
        return float(1600 * np.arccos(d / 40) - d * np.sqrt(1600 - d * d))

    expected = np.pi * 1600 - part(x - 1) + part(x + 1)
    inside = (found.station > 71) & (found.station < 129)
    np.testing.assert_allclose(found.area[inside], expected, rtol=3e-4)


def test_the_other_leg_of_a_u_bend_is_left_out(
    bent: Callable[..., tuple[trimesh.Trimesh, np.ndarray]],
) -> None:
    duct, centres = bent(70, 40, 45, 180, leg=120)
    found = duct_area(duct, centres[::6], spacing=8)
    np.testing.assert_allclose(found.area, np.pi * 1600, rtol=2e-3)
    # The plane does cut the other leg: the sum of all loops is far from the bore.
    plane = found.path.frames([30.0])[0]
    whole = duct.section(plane_origin=plane[:3], plane_normal=plane[9:12])
    assert len(whole.discrete) == 4


def bored_block(*tools: trimesh.Trimesh) -> trimesh.Trimesh:
    block = trimesh.creation.box(bounds=[[-60, -60, 0], [60, 60, 200]])
    return trimesh.boolean.difference([block, *tools])


def test_a_dead_end_branch_is_left_out_a_bypass_is_added(bar: Tube) -> None:
    bore = bar(20, (0, 0, -1), (0, 0, 201), sides=64)
    area = 32 * 400 * np.sin(np.pi / 32)
    blind = bar(8, (0, 0, 60), (45, 0, 120), sides=64)
    found = duct_area(bored_block(bore, blind), PATH, stations=[10, 105, 190])
    # 1e-7: the library that cuts the holes works in single precision.
    np.testing.assert_allclose(found.area, area, rtol=1e-7)
    back = bar(8, (45, 0, 119), (0, 0, 180), sides=64)
    through = duct_area(bored_block(bore, blind, back), PATH, stations=[10, 105, 190])
    assert through.area[0] == pytest.approx(area)
    # Both arms of the bypass lean at atan(45 / 60): its section is wider by 1 / cos.
    arm = 32 * 64 * np.sin(np.pi / 32) / np.cos(np.arctan2(45, 60))
    assert through.area[1] == pytest.approx(area + arm, rel=1e-6)


def test_a_passage_beside_the_bore_is_left_out(bar: Tube) -> None:
    bore = bar(20, (0, 0, -1), (0, 0, 201), sides=64)
    beside = bar(12, (40, 0, 20), (40, 0, 180), sides=64)
    found = duct_area(bored_block(bore, beside), PATH, spacing=20)
    np.testing.assert_allclose(found.area, 32 * 400 * np.sin(np.pi / 32), rtol=1e-7)


def test_pieces_at_a_blind_end_do_not_count(tube: Tube) -> None:
    # The web reaches the end of the path: nothing rejoins, and the path ends in metal.
    web = trimesh.creation.box((2, 90, 60)).apply_translation([0, 0, 180])
    found = duct_area(tube(40, 45, Z), PATH, obstacles=web, stations=[0, 100, 190])
    assert found.state == ("measured", "measured", "path in metal")
    assert np.isnan(found.area[2])


def test_half_the_bore_closed_by_a_plate_counts_the_other_half(tube: Tube) -> None:
    plate = trimesh.creation.box(bounds=[[3, -60, 100], [60, 60, 104]])
    found = duct_area(tube(40, 45, Z, 256), PATH, obstacles=plate, stations=[0, 102, 200])
    part = 1600 * np.arccos(3 / 40) - 3 * np.sqrt(1600 - 9)
    assert found.area[1] == pytest.approx(np.pi * 1600 - part, rel=2e-4)

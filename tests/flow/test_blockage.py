"""What takes area at a station, against closed forms and against the same shape left out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.blockage import cast_in, shares
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import Surface
from geomcheck.flow.shift import least_shift
from geomcheck.flow.stations import Stations

Tube = Callable[..., trimesh.Trimesh]
Z = np.linspace(0, 200, 41)
PATH = [(0, 0, 0), (0, 0, 200)]


def cut_rows(meshes: list[trimesh.Trimesh], places: object, path: object = PATH) -> Stations:
    rows = Stations([Surface.of(mesh) for mesh in meshes], FlowPath(path))
    rows.add(places)
    return rows


def test_shares_of_a_shaft_and_a_ball(tube: Tube, bar: Callable) -> None:
    shaft = bar(5, (-60, 0, 100), (60, 0, 100))
    ball = trimesh.creation.icosphere(4, 22).apply_translation((0, 40, 100))
    rows = cut_rows([tube(40, 45, Z, 192), shaft, ball], [60.0, 100.0, 140.0])
    found = shares(rows.rows[1], rows.surfaces, [1, 2])
    assert [share.surface for share in found] == [1, 2]
    blocked = 2 * (5 * np.sqrt(1600 - 25) + 1600 * np.arcsin(5 / 40))
    assert found[0].area.value == pytest.approx(blocked, rel=2e-3)  # 797.912
    assert found[1].area.value == pytest.approx(670.844, rel=3e-3)  # lens of 22 and 40
    assert found[1].percent == pytest.approx(100 * 670.844 / (1600 * np.pi - blocked), rel=3e-3)
    assert shares(rows.rows[0], rows.surfaces, [1, 2]) == []


def cast_boss(tube: Tube) -> trimesh.Trimesh:
    ball = trimesh.creation.icosphere(4, 22).apply_translation((40, 0, 100.7))
    skin = trimesh.creation.cylinder(44.9, 400, sections=128)
    inner = trimesh.boolean.intersection([ball, skin])
    return trimesh.boolean.union([tube(40, 45, Z, 128), inner])


def test_a_boss_cast_in_is_estimated(tube: Tube) -> None:
    rows = cut_rows([cast_boss(tube)], np.arange(4.3, 200, 8.0))
    (patch,) = cast_in(rows, 100.7)
    assert patch.area.low <= 670.844 <= patch.area.high
    assert patch.area.value == pytest.approx(670.844, rel=0.09)
    assert patch.height == pytest.approx(22, rel=0.03)
    assert np.linalg.norm(np.array(patch.point) - (40, 0, 100.7)) == pytest.approx(22, abs=0.5)
    assert patch.begin == pytest.approx(100.7 - 21, abs=5)
    assert patch.end == pytest.approx(100.7 + 21, abs=5)
    assert patch.direction == pytest.approx((1, 0, 0), abs=0.02)
    assert cast_in(rows, 30.0) == []


@pytest.mark.parametrize("law", ["straight", "cone", "venturi", "step", "oval"])
def test_smooth_ducts_have_no_patch(tube: Tube, law: str) -> None:
    z = np.linspace(0, 200, 101)
    radius = {
        "straight": 40 + 0 * z,
        "cone": 30 + 0.08 * z,
        "venturi": 40 - 10 * np.exp(-(((z - 100) / 30) ** 2)),
        "step": 35 + 4 * np.tanh((z - 100) / 20),
        "oval": 40 + 0 * z,
    }[law]
    duct = tube(radius, 60, z, 96)
    if law == "oval":  # round to oval, a smooth transition
        points = duct.vertices.copy()
        points[:, 0] *= 1 + 0.2 * (1 + np.tanh((points[:, 2] - 100) / 40))
        duct = trimesh.Trimesh(points, duct.faces, process=False)
    rows = cut_rows([duct], np.arange(4.3, 200, 8.0))
    for s in (70.0, 100.0, 130.0):
        assert all(patch.percent < 1.0 for patch in cast_in(rows, s))


def test_a_shaft_is_moved_out_sideways(tube: Tube, bar: Callable) -> None:
    # The nearest way out of a round bore is square to the shaft: by a + r.
    shaft = bar(5, (-100, 0, 100), (100, 0, 100), 64)
    rows = cut_rows([tube(40, 60, Z, 96), shaft], [60.0, 100.0, 140.0])
    shift = least_shift(rows.rows[1], rows.surfaces, 1)
    assert shift is not None
    assert shift.distance.value == pytest.approx(45, rel=2e-3)
    assert abs(shift.direction[1]) == pytest.approx(1, abs=1e-9)
    assert shift.area == pytest.approx(96 / 2 * 1600 * np.sin(2 * np.pi / 96), rel=1e-6)


def test_a_ball_is_moved_until_the_requirement_is_met(tube: Tube) -> None:
    # Ball of 22 centred 30 off the axis: radially outward to where the lens is what may be lost.
    ball = trimesh.creation.icosphere(5, 22).apply_translation((30, 0, 100))
    rows = cut_rows([tube(40, 60, Z, 192), ball], [60.0, 100.0, 140.0])

    def lens(d: float, r: float = 22.0, a: float = 40.0) -> float:
        return float(
            r * r * np.arccos((d * d + r * r - a * a) / (2 * d * r))
            + a * a * np.arccos((d * d + a * a - r * r) / (2 * d * a))
            - 0.5 * np.sqrt((-d + r + a) * (d + r - a) * (d - r + a) * (d + r + a))
        )

    bore = 96 * 1600 * np.sin(2 * np.pi / 192)
    shift = least_shift(rows.rows[1], rows.surfaces, 1, area=bore - lens(46.0))
    assert shift is not None
    assert shift.distance.value == pytest.approx(16, abs=0.1)
    np.testing.assert_allclose(np.abs(shift.direction), (1, 0, 0), atol=1e-9)
    nothing = least_shift(rows.rows[1], rows.surfaces, 1, area=100.0)
    assert nothing is not None
    assert nothing.distance.value == 0.0
    assert least_shift(rows.rows[1], rows.surfaces, 1, area=2 * bore) is None


def test_what_cannot_be_told(tube: Tube, bar: Callable) -> None:
    shaft = bar(5, (-60, 0, 100), (60, 0, 100))
    rows = cut_rows([tube(40, 45, Z), shaft], [60.0, 100.0], [(100, 0, 0), (100, 0, 200)])
    with pytest.raises(CannotDecide, match="has no area"):
        shares(rows.rows[0], rows.surfaces, [1])
    with pytest.raises(CannotDecide, match="no station"):
        cast_in(rows, 100.0)
    rows = cut_rows([tube(40, 45, Z), shaft], [60.0, 100.0, 140.0])
    with pytest.raises(InputError, match="number 7"):
        least_shift(rows.rows[0], rows.surfaces, 7)
    # A shaft hides the wall behind it: left in, the wall is not seen all round.
    with pytest.raises(CannotDecide, match="not seen all round"):
        cast_in(rows, 100.0)
    assert cast_in(rows, 100.0, left_out=[1]) == []

"""The potential between ports against closed forms and a direct solution."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.sparse as sparse
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.linalg import spsolve

from geomcheck.errors import InputError
from geomcheck.flow.cutcells import cut_cells, square_share
from geomcheck.flow.ports import Port
from geomcheck.flow.potential import solve
from geomcheck.flow.void import find_void

UP, DOWN = (0, 0, 1), (0, 0, -1)
#: Of a half plane, as far as matters: along its edge and into it.
CORNERS = [(9e3, 0), (-9e3, 0), (-9e3, 9e3), (9e3, 9e3)]


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_the_open_share_of_a_square_is_that_of_its_clipped_polygon(
    height: float, a: float, b: float
) -> None:
    # Reference: shapely's area of the square cut by the half plane height + a x + b y > 0.
    if np.hypot(a, b) < 1e-3:
        return
    n = np.array([a, b]) / np.hypot(a, b)
    foot = -height / np.hypot(a, b) * n
    t = np.array([-n[1], n[0]])
    half = shapely.Polygon([foot + f * t + g * n for f, g in CORNERS])
    expected = shapely.intersection(shapely.box(-0.5, -0.5, 0.5, 0.5), half).area
    found = square_share(np.array([height]), np.array([a]), np.array([b]))[0]
    assert found == pytest.approx(expected, abs=1e-9)


def test_a_straight_pipe_conducts_its_area_over_its_length(
    tube: Callable[..., trimesh.Trimesh], polygon: Any
) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 11), 96)
    void = find_void(pipe, [Port.at(pipe, (0, 0, 0), DOWN), Port.at(pipe, (0, 0, 100), UP)],
                     budget=20_000)  # fmt: skip
    found = solve(void)
    assert found.conductance == pytest.approx(polygon(40, 96) / 100, rel=2e-3)
    z = void.centres()[:, 2]
    np.testing.assert_allclose(found.u[: len(z)], 1 - z / 100, atol=1e-5)
    slope = found.gradient[: len(z)]
    np.testing.assert_allclose(slope, np.broadcast_to([0, 0, -0.01], slope.shape), atol=1e-5)
    back = solve(void, 1, 0)
    np.testing.assert_allclose(back.u, 1 - found.u, atol=1e-6)


@pytest.mark.parametrize("radius", [48.0, 80.0, 120.0])
def test_the_potential_of_a_bend_is_its_angle(bent: Any, polygon: Any, radius: float) -> None:
    # u = angle / total; flux = integral of dA / (r total) = 2 pi (R - sqrt(R^2 - a^2)) / total.
    duct, centres = bent(radius, 40, 45, 90, sides=128, rings=121)
    ports = [Port.at(duct, centres[0], DOWN), Port.at(duct, centres[-1], (-1, 0, 0))]
    void = find_void(duct, ports, budget=40_000)
    found = solve(void)
    exact = 4 * (radius - np.sqrt(radius**2 - 1600)) * polygon(40, 128) / (np.pi * 1600)
    assert found.conductance == pytest.approx(exact, rel=2e-3)
    at = void.centres()
    angle = np.arctan2(at[:, 2], at[:, 0]) / (np.pi / 2)
    off = np.abs(found.u[: len(at)] - (1 - angle))
    assert np.median(off) < 1e-4
    # At the inside of the tightest bend the wall's radius is 8 mm, two or three cells.
    assert off.max() < 0.03


def test_two_levels_and_a_direct_solution_agree(bent: Any) -> None:
    duct, centres = bent(60, 25, 30, 180, sides=32, rings=41)
    ports = [Port.at(duct, centres[0], DOWN), Port.at(duct, centres[-1], DOWN)]
    void = find_void(duct, ports, budget=3000)
    cut = cut_cells(void)
    found = solve(void, cut=cut)
    n = len(cut.cells)
    matrix = sparse.lil_matrix((n, n))
    b = np.zeros(n)
    for (i, j), w in zip(cut.pairs, cut.open, strict=True):
        matrix[i, i] += w
        matrix[j, j] += w
        matrix[i, j] -= w
        matrix[j, i] -= w
    for k, door in enumerate(cut.doors):
        for i, w in zip(door.rows, door.weight, strict=True):
            matrix[i, i] += w
            b[i] += w * (k == 0)
    rows = found.rows
    assert len(rows) > 0.9 * n
    exact = spsolve(matrix.tocsr()[rows][:, rows].tocsc(), b[rows])
    np.testing.assert_allclose(found.u[rows], exact, atol=1e-7)
    assert found.steps < 40


def test_the_two_legs_of_a_u_bend_do_not_conduct_through_a_thin_wall(
    bent: Any, polygon: Any
) -> None:
    # The wall between the legs, 0.6 mm thick in all, is a fraction of a cell.
    duct, centres = bent(20.3, 20, 20.2, 180, leg=120, sides=48, rings=61)
    ports = [Port.at(duct, centres[0], DOWN), Port.at(duct, centres[-1], DOWN)]
    void = find_void(duct, ports, budget=20_000)
    assert void.spacing > 1.2
    area = polygon(20, 48)
    # Two legs in series are an upper bound: the bend only adds resistance.
    assert solve(void).conductance < area / 240


def test_a_shut_branch_takes_part_only_as_a_pocket() -> None:
    block = trimesh.creation.box(bounds=[[-30, -30, 0], [60, 30, 120]])
    bore = trimesh.creation.box(bounds=[[-20, -20, -1], [20, 20, 121]])
    pocket = trimesh.creation.box(bounds=[[0, -5, 55], [50, 5, 65]])
    duct = trimesh.boolean.difference([block, bore, pocket])
    plain = trimesh.boolean.difference([block, bore])
    found = []
    for mesh in (plain, duct):
        ports = [Port.at(mesh, (0, 0, 0), DOWN), Port.at(mesh, (0, 0, 120), UP)]
        found.append(solve(find_void(mesh, ports, spacing=2.0)).conductance)
    assert found[0] == pytest.approx(1600 / 120, rel=2e-3)
    assert found[0] < found[1] < 1.02 * found[0]


def test_ports_are_numbered_and_not_both_ends(bent: Any) -> None:
    duct, centres = bent(60, 25, 30, 90, sides=16, rings=11)
    ports = [Port.at(duct, centres[0], DOWN), Port.at(duct, centres[-1], (-1, 0, 0))]
    void = find_void(duct, ports, budget=2000)
    with pytest.raises(InputError, match="both inlet and outlet"):
        solve(void, 0, 0)
    with pytest.raises(InputError, match="outlet must be the number"):
        solve(void, 0, 2)

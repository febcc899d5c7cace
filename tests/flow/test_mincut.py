"""The smallest separating surface against closed forms, and its own bounds on cells."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.finding import Quantity, Term
from geomcheck.flow.cells import neighbours
from geomcheck.flow.mincut import MinCut, min_cut, smallest_surface
from geomcheck.flow.patches import compare, exact_surface, parts
from geomcheck.flow.ports import Port
from geomcheck.flow.section import Surface
from geomcheck.flow.void import Void, find_void
from geomcheck.kernels import maxflow as kernel

Tube = Callable[..., trimesh.Trimesh]
TURN = trimesh.transformations.euler_matrix(0.5, 0.7, 0.3)
ENDS = np.array([(0, 0, -60.0), (0, 0, 60.0)])


def channel(height: float, width: float, length: float) -> trimesh.Trimesh:
    block = trimesh.creation.box((height + 20, width + 20, length))
    return trimesh.boolean.difference([block, trimesh.creation.box((height, width, 2 * length))])


def across(radius: float, x: float, z: float) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, segment=[(x, -45, z), (x, 45, z)], sections=64)


def staggered() -> list[trimesh.Trimesh]:
    return [channel(60, 80, 160), across(25, 30, -15), across(25, -30, 15)]


def plate() -> list[trimesh.Trimesh]:
    blade = trimesh.creation.box((2, 90, 50))
    blade.apply_transform(trimesh.transformations.rotation_matrix(np.radians(60), (0, 1, 0)))
    return [channel(60, 80, 160), blade]


def void_of(meshes: list[trimesh.Trimesh], spacing: float | None, turn: np.ndarray) -> Void:
    moved = [mesh.copy().apply_transform(turn) for mesh in meshes]
    points = trimesh.transform_points(ENDS, turn)
    ahead = turn[:3, 2]
    ports = [
        Port.at(moved, points[0], -ahead, name="in"),
        Port.at(moved, points[1], ahead, name="out"),
    ]
    return find_void(moved[:1], ports, obstacles=moved[1:], spacing=spacing, budget=20_000)


@pytest.mark.parametrize("turn", [np.eye(4), TURN], ids=["square", "turned"])
def test_a_straight_pipe_on_cells(tube: Tube, polygon: Callable, turn: np.ndarray) -> None:
    found = min_cut(void_of([tube(40, 45, np.linspace(-90, 90, 3), 64)], 5.0, turn))
    truth = polygon(40, 64)
    assert found.area.low <= truth <= found.area.high
    assert found.area.value == pytest.approx(truth, rel=0.015)
    assert found.lower <= found.area.value <= found.upper
    assert len(found.patches) == 1
    assert abs(found.patches[0].normal @ turn[:3, 2]) > 0.97
    assert found.patches[0].normal @ turn[:3, 2] > 0  # downstream


@pytest.mark.parametrize("turn", [np.eye(4), TURN], ids=["square", "turned"])
def test_staggered_half_cylinders_need_no_path(turn: np.ndarray) -> None:
    truth = 80 * (np.hypot(60, 30) - 50)  # W (sqrt(H^2 + dz^2) - 2 b)
    meshes = staggered()

    def make(spacing: float | None) -> Void:
        return void_of(meshes, 3.2 if spacing is None else spacing, turn)

    found = smallest_surface(make, budget=40_000)
    assert found.converged
    assert found.label == "smallest separating surface on cells"
    assert found.area.low <= truth <= found.area.high
    assert found.area.value == pytest.approx(truth, rel=0.02)
    surfaces = [Surface.of(mesh.copy().apply_transform(turn)) for mesh in meshes]
    exact = exact_surface(surfaces, found)
    assert exact is not None
    # Cylinders drawn with chords leave more room: by two sagittas at most.
    chords = 80 * 2 * 25 * (1 - np.cos(np.pi / 64))
    assert truth - 1e-6 <= exact.area.value <= truth + chords
    agreement = compare(exact.area, found, exact)
    assert agreement.agree
    assert agreement.area == exact.area


def test_two_gaps_round_a_tilted_plate_have_a_plane_each() -> None:
    truth = 80 * (60 - 50 * np.sin(np.radians(60)) - 2 * np.cos(np.radians(60)))  # 1255.90
    found = min_cut(void_of(plate(), 2.0, np.eye(4)))
    assert len(found.patches) == 2
    assert found.area.low <= truth <= found.area.high
    surfaces = [Surface.of(mesh) for mesh in plate()]
    exact = exact_surface(surfaces, found)
    assert exact is not None
    assert exact.area.value == pytest.approx(truth, rel=1e-5)
    assert [one.area for one in exact.cuts] == pytest.approx([truth / 2] * 2, rel=1e-5)
    # One plane cannot do it: 1418.8 was the best of any tilt.
    plane = Quantity.from_terms("plane", 1418.8, "mm2", (Term("facets", 0.1, 0.1, ""),))
    agreement = compare(plane, found, exact)
    assert agreement.trusted == "surface on planes"
    assert "2 separate gaps" in agreement.why
    assert agreement.area.value == exact.area.value
    # Half of it parts nothing.
    assert parts(found.void, exact.cuts)
    assert not parts(found.void, exact.cuts[:1])


def test_a_boss_opposite_a_side_opening_is_bounded(tube: Tube) -> None:
    # A blind side branch of the bore's own diameter opens opposite the boss, so that no plane
    # square to the bore sees less area. The uniform flow along the bore outside the boss's shadow
    # is a flow of strength 1: the surface cannot be smaller than pi a^2 less the lens of the two
    # circles; and the bore before the branch is a surface.
    a, b = 20.0, 11.0
    block = trimesh.creation.box((100, 60, 160))
    bore = trimesh.creation.cylinder(a, 200, sections=64)
    branch = trimesh.creation.cylinder(a, segment=[(0, 0, 0), (40, 0, 0)], sections=64)
    ball = trimesh.creation.icosphere(3, b).apply_translation((-a, 0, 0))
    wall = trimesh.boolean.difference([block, trimesh.boolean.union([bore, branch])])
    found = min_cut(void_of([wall, ball], 2.0, np.eye(4)))
    r, d = b, a
    lens = (
        r * r * np.arccos((d * d + r * r - a * a) / (2 * d * r))
        + a * a * np.arccos((d * d + a * a - r * r) / (2 * d * a))
        - 0.5 * np.sqrt((-d + r + a) * (d + r - a) * (d - r + a) * (d + r + a))
    )
    least, most = np.pi * a * a - lens, np.pi * a * a
    assert found.area.high >= least
    assert found.area.low <= most
    assert least * 0.98 < found.area.value < most * 1.01
    assert found.converged


def test_bounds_of_the_iteration_are_bounds() -> None:
    # A row of cells with a narrow place: by hand, the least weight parts the ends.
    n = 12
    near = np.full((n, 6), -1, np.int32)
    near[1:, 0], near[:-1, 1] = np.arange(n - 1), np.arange(1, n)
    weight = np.ones(n)
    weight[5] = weight[6] = 0.25
    side, plain, degree = np.empty((n, 4, 3), np.int8), np.empty(n, bool), np.empty(n)
    kernel.sides(near, kernel.CORNERS, side, plain, degree)
    assert not plain.any()
    assert degree[1:-1].tolist() == pytest.approx([8.0] * (n - 2), abs=2)
    assert set(side[:, :, 1:].ravel()) == {-1}
    fixed = np.zeros(n, bool)
    fixed[[0, -1]] = True
    u = np.full(n, 0.5)
    u[0], u[-1] = 1.0, 0.0
    ahead, flow, held = u.copy(), np.zeros((n, 4, 3)), np.empty((n, 4, 3))
    for _ in range(600):
        kernel.descend(near, side, plain, fixed, degree, u, ahead, flow, 0.3, 1.9, 0, n)
        kernel.ascend(near, side, weight, ahead, flow, 0.15, 1.9, 0, n)
        kernel.limited(weight, flow, held, 0, n)
        assert (np.linalg.norm(held, axis=2) <= 0.25 * weight[:, None] * (1 + 1e-12)).all()
        upper, lower = kernel.bounds(near, side, weight, fixed, u, held, 0, n)
        assert lower <= 0.25 + 1e-12
        assert upper >= 0.25 - 1e-12
    assert upper == pytest.approx(0.25, abs=1e-3)
    assert lower == pytest.approx(0.25, abs=1e-3)


def test_plain_cells_are_reckoned_as_any_others() -> None:
    # Random levels and flows on a block of cells with some links shut: the step of a cell must not
    # depend on whether it is taken for a plain one; and the gradient has the surplus as adjoint.
    rng = np.random.default_rng(3)
    m = 7
    number = np.arange(m**3).reshape(m, m, m)
    near = np.full((m**3, 6), -1, np.int32)
    for axis in range(3):
        low, high = np.take(number, range(m - 1), axis), np.take(number, range(1, m), axis)
        near[low.ravel(), 2 * axis + 1], near[high.ravel(), 2 * axis] = high.ravel(), low.ravel()
    for c in rng.choice(m**3, 12, replace=False).tolist():
        axis = int(rng.integers(3))
        other = near[c, 2 * axis + 1]
        if other >= 0:
            near[c, 2 * axis + 1] = near[other, 2 * axis] = -1
    n = len(near)
    side, plain, degree = np.empty((n, 4, 3), np.int8), np.empty(n, bool), np.empty(n)
    kernel.sides(near, kernel.CORNERS, side, plain, degree)
    assert 10 < plain.sum() < n
    flow, fixed = rng.normal(size=(n, 4, 3)), np.zeros(n, bool)
    flow[side < 0] = 0.0
    steps = []
    for plainly in (plain, np.zeros(n, bool)):
        u, ahead = np.full(n, 0.5), np.empty(n)
        kernel.descend(near, side, plainly, fixed, degree, u, ahead, flow, 1e3, 1.0, 0, n)
        steps.append((0.5 - u) * 1e3 * np.maximum(degree, 1.0))
    np.testing.assert_allclose(steps[0], steps[1], atol=1e-9)
    # <gradient of v, flow> = <v, surplus>, the gradient written out by hand.
    v = rng.normal(size=n)
    total = 0.0
    for c, g, a in zip(*np.nonzero(side >= 0), strict=True):
        s = side[c, g, a]
        total += (v[near[c, 2 * a + s]] - v[c]) * (1 if s else -1) * flow[c, g, a]
    assert total == pytest.approx(float(v @ steps[1]), rel=1e-9)
    assert degree.sum() == 2 * (side >= 0).sum()


def test_a_band_that_is_too_narrow_is_noticed() -> None:
    # The least section of two staggered half-cylinders, looked for 15 mm upstream of where it is.
    void = void_of(staggered(), 3.2, np.eye(4))
    whole = min_cut(void)
    assert not whole.at_edge
    points = whole.patches[0].middles
    near = min_cut(void, around=points, reach=12.0)
    assert not near.at_edge
    assert near.area.value == pytest.approx(whole.area.value, rel=2e-3)
    off = min_cut(void, around=points - (0, 0, 15.0), reach=12.0)
    assert off.at_edge
    assert off.area.value > whole.area.value


def test_neighbours_are_the_links(tube: Tube) -> None:
    void = void_of([tube(40, 45, [-90, 90], 32)], 8.0, np.eye(4))
    near, cells = neighbours(void), void.cells
    index = np.array(np.unravel_index(cells, void.inside.shape)).T
    for c in range(0, len(cells), 17):
        for side in range(6):
            axis, way = side // 2, 1 if side % 2 else -1
            low = index[c].copy()
            if way < 0:
                low[axis] -= 1
            linked = bool(void.links[(axis, *low)])
            assert (near[c, side] >= 0) == linked
            if linked:
                other = index[near[c, side]]
                step = np.zeros(3, int)
                step[axis] = way
                np.testing.assert_array_equal(other - index[c], step)


def test_a_cut_that_is_larger_or_smaller_than_the_plane(tube: Tube) -> None:
    found = min_cut(void_of([tube(40, 45, [-90, 90], 32)], 8.0, np.eye(4)))

    def plane(value: float) -> Quantity:
        return Quantity.from_terms("plane", value, "mm2", (Term("facets", 1.0, 1.0, ""),))

    low = compare(plane(0.5 * found.area.value), found, None)
    assert (low.agree, low.trusted) == (False, "plane")
    assert "too coarse" in low.why
    high = compare(plane(2.0 * found.area.value), found, None)
    assert (high.agree, high.trusted) == (False, "cut on cells")
    assert high.area == found.area
    same = compare(plane(found.area.value), found, None)
    assert (same.agree, same.trusted) == (True, "plane")


def test_the_same_answer_twice_and_bad_ports(tube: Tube) -> None:
    void = void_of([tube(40, 45, [-90, 90], 32)], 8.0, np.eye(4))
    one, two = min_cut(void), min_cut(void)
    assert one.area == two.area
    np.testing.assert_array_equal(one.upstream, two.upstream)
    assert isinstance(one, MinCut)
    for options in ({"inlet": 5}, {"outlets": []}, {"outlets": [0]}, {"outlets": [2]}):
        with pytest.raises(InputError, match="inlet and other ports"):
            min_cut(void, **options)

"""Paths found from walls and ports, and areas two ways, against closed forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.errors import InputError
from geomcheck.flow.agreement import Agreement, compare
from geomcheck.flow.centreline import Route, find_path
from geomcheck.flow.path import FlowPath
from geomcheck.flow.ports import Port
from geomcheck.flow.potential import solve
from geomcheck.flow.void import find_void

UP, DOWN = (0, 0, 1), (0, 0, -1)
SMALL = 40_000


def loft(inner: np.ndarray, thick: float = 0.12) -> trimesh.Trimesh:
    """Closed wall round rings of points (n, k, 3), thicker outwards by a share of their size."""
    n, k, _ = inner.shape
    middle = inner.mean(axis=1, keepdims=True)
    vertices = np.concatenate([inner, middle + (1 + thick) * (inner - middle)]).reshape(-1, 3)
    i, j = (x.ravel() for x in np.meshgrid(np.arange(n - 1), np.arange(k), indexing="ij"))
    nxt = (j + 1) % k
    a, b, c, d = i * k + j, i * k + nxt, (i + 1) * k + nxt, (i + 1) * k + j
    o, e = n * k, (n - 1) * k
    j, nxt = np.arange(k), (np.arange(k) + 1) % k
    faces = [
        np.c_[a, c, b], np.c_[a, d, c], np.c_[a, b, c] + o, np.c_[a, c, d] + o,
        np.c_[j, nxt, nxt + o], np.c_[j, nxt + o, j + o],
        np.c_[e + j, e + nxt + o, e + nxt], np.c_[e + j, e + j + o, e + nxt + o],
    ]  # fmt: skip
    mesh = trimesh.Trimesh(vertices, np.vstack(faces), process=False)
    if mesh.volume < 0:
        mesh.invert()
    return mesh


def stacked(shapes: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Rings (n, k, 3) from shapes (n, k, 2) at heights (n,)."""
    heights = np.broadcast_to(z[:, None, None], (*shapes.shape[:2], 1))
    return np.concatenate([shapes, heights], axis=2)


def bend_route(bent: Any, radius: float, degrees: float = 90, **more: Any) -> tuple[Any, ...]:
    """Wall, its ports and the route of a bend of bore 40 about the origin in x-z."""
    duct, centres = bent(radius, 40, 41, degrees, sides=128, rings=181)
    turn = np.radians(degrees)
    ports = (
        Port.at(duct, centres[0], DOWN, name="inlet"),
        Port.at(duct, centres[-1], (-np.sin(turn), 0, np.cos(turn)), name="outlet"),
    )
    return duct, ports, find_path(duct, *ports, **more)


def agreement(walls: Any, ports: Any, route: Route) -> Agreement:
    coarse = solve(find_void(walls, ports, spacing=2 * route.void.spacing))
    return compare(walls, route.path, route.levels[0], route.potentials[0], coarse)


@pytest.mark.parametrize(("radius", "degrees"), [(48, 90), (80, 90), (120, 90), (48, 180)])
def test_the_path_of_a_bend_is_its_centre_line(
    bent: Any, polygon: Any, radius: float, degrees: float
) -> None:
    duct, ports, route = bend_route(bent, radius, degrees, budget=SMALL)
    path = route.path
    s = np.linspace(0, path.length, 200)
    frames = path.frames(s)
    at, tangent = frames[:, :3], frames[:, 9:12]
    off = np.hypot(np.hypot(at[:, 0], at[:, 2]) - radius, at[:, 1])
    assert off.max() < 0.1
    assert path.length == pytest.approx(radius * np.radians(degrees), rel=1e-3)
    true = np.c_[-at[:, 2], 0 * s, at[:, 0]] / np.hypot(at[:, 0], at[:, 2])[:, None]
    assert np.degrees(np.arccos(np.clip((tangent * true).sum(axis=1), -1, 1))).max() < 0.3
    # Levels are the planes through the axis of the bend: round, of the bore's area.
    area = polygon(40, 128)
    np.testing.assert_allclose(route.levels[0].area, area, rtol=3e-3)
    found = agreement(duct, ports, route)
    np.testing.assert_allclose(found.plane, area, rtol=1e-3)
    assert (np.abs(found.level - area) < found.level_error).all()
    assert not found.differ.any()
    assert set(found.trusted) == {"plane"}
    assert found.stagnant.max() == 0.0


def test_at_the_default_resolution_a_tight_bend_is_met_ten_times_closer(
    bent: Any, polygon: Any
) -> None:
    *_, route = bend_route(bent, 48)
    at = route.path.frames(np.linspace(0, route.path.length, 200))[:, :3]
    assert np.hypot(np.hypot(at[:, 0], at[:, 2]) - 48, at[:, 1]).max() < 0.01
    np.testing.assert_allclose(route.levels[0].area, polygon(40, 128), rtol=1e-3)


def test_planes_that_cross_in_the_bore_are_not_trusted(bent: Any) -> None:
    # A path drawn on the outside of a bend of R 48, bore 40, curved tighter than the bore.
    duct, ports, route = bend_route(bent, 48, budget=SMALL)
    turn = np.linspace(0, np.pi / 2, 25)
    kinked = FlowPath(
        np.c_[48 - 22 + 22 * np.cos(turn), 0 * turn, 22 * np.sin(turn) + 26 * turn / 1.5708]
    )
    own = route.levels[0]
    with pytest.raises(InputError, match="belong to a path of"):
        compare(duct, kinked, own, route.potentials[0], None)
    scale = kinked.length / own.length
    levels = replace(own, s=own.s * scale, length=kinked.length)
    found = compare(duct, kinked, levels, route.potentials[0], None)
    assert "neither" in found.trusted  # without larger cells a level has no stated error
    coarse = solve(find_void(duct, ports, spacing=2 * route.void.spacing))
    found = compare(duct, kinked, levels, route.potentials[0], coarse)
    assert "level" in found.trusted


@pytest.mark.parametrize("square", [False, True])
def test_a_straight_pipe_has_a_straight_path(
    motion: Callable[[int], np.ndarray], square: bool
) -> None:
    turn = 2 * np.pi * (np.arange(96) + 0.5) / 96
    ring = np.c_[np.cos(turn), np.sin(turn)] * 20
    if square:
        ring /= np.abs(ring).max(axis=1)[:, None] / 20
    z = np.linspace(0, 150, 16)
    rings = stacked(np.broadcast_to(ring, (16, 96, 2)), z)
    duct = loft(rings)
    exact = 1600.0 if square else 48 * 400 * np.sin(2 * np.pi / 96)
    for seed in (None, 3):
        move = np.eye(4) if seed is None else motion(seed)
        moved = duct.copy()
        moved.apply_transform(move)
        a, b = trimesh.transform_points([(0, 0, 0), (0, 0, 150)], move)
        n = move[:3, 2]
        route = find_path(moved, Port.at(moved, a, -n), Port.at(moved, b, n), budget=SMALL)
        at = route.path.frames(np.linspace(0, route.path.length, 50))[:, :3]
        back = trimesh.transform_points(at, np.linalg.inv(move))
        assert np.hypot(back[:, 0], back[:, 1]).max() < 0.05
        assert route.path.length == pytest.approx(150, abs=1e-3)
        # Cells take a corner for a plane: 0.2 % at this resolution.
        np.testing.assert_allclose(route.levels[0].area, exact, rtol=4e-3 if square else 1e-3)


def test_the_levels_in_a_cone_are_caps() -> None:
    # A cap of a cone of half angle alpha is 2 / (1 + cos alpha) times the plane on its rim; its
    # area is 2 pi rho^2 (1 - cos alpha), and its centroid lies at rho (1 + cos alpha) / 2.
    alpha = np.radians(25)
    z = np.linspace(60, 240, 41)
    turn = 2 * np.pi * np.arange(128) / 128
    r = z * np.tan(alpha)
    rings = stacked(r[:, None, None] * np.c_[np.cos(turn), np.sin(turn)], z)
    duct = loft(rings)
    ports = Port.at(duct, (0, 0, 60), DOWN), Port.at(duct, (0, 0, 240), UP)
    route = find_path(duct, *ports, budget=100_000)
    levels = route.levels[0]
    facets = 64 * np.sin(2 * np.pi / 128) / np.pi
    middle = (levels.centroid[:, 2] > 130) & (levels.centroid[:, 2] < 165)
    rho = 2 * levels.centroid[middle, 2] / (1 + np.cos(alpha))
    caps = 2 * np.pi * rho**2 * (1 - np.cos(alpha)) * facets
    assert middle.sum() > 4
    np.testing.assert_allclose(levels.area[middle], caps, rtol=5e-3)
    at = route.path.frames(np.linspace(0, route.path.length, 50))[:, :3]
    assert np.hypot(at[:, 0], at[:, 1]).max() < 0.05
    # Caps and planes are two definitions: both are right, they differ, and the plane is trusted.
    found = agreement(duct, ports, route)
    assert found.differ[middle].all()
    assert set(found.trusted) == {"plane"}
    plane = np.pi * facets * (60 + found.s) ** 2 * np.tan(alpha) ** 2
    np.testing.assert_allclose(found.plane, plane, rtol=2e-3)


def test_a_venturi_has_its_throat_on_the_axis() -> None:
    z = np.linspace(0, 200, 81)
    r = 30 - 10 * np.sin(np.pi * z / 200) ** 4
    turn = 2 * np.pi * np.arange(96) / 96
    rings = stacked(r[:, None, None] * np.c_[np.cos(turn), np.sin(turn)], z)
    duct = loft(rings)
    ports = Port.at(duct, (0, 0, 0), DOWN), Port.at(duct, (0, 0, 200), UP)
    route = find_path(duct, *ports, budget=SMALL)
    at = route.path.frames(np.linspace(0, 200, 80))[:, :3]
    assert np.hypot(at[:, 0], at[:, 1]).max() < 0.03
    levels = route.levels[0]
    least = int(np.argmin(levels.area))
    assert levels.s[least] == pytest.approx(100, abs=2 * route.void.spacing)
    assert levels.area[least] == pytest.approx(48 * 400 * np.sin(2 * np.pi / 96), rel=5e-3)


def test_an_s_bend_from_round_to_rectangular_has_its_path_in_the_plane_of_symmetry() -> None:
    t = np.linspace(0, 1, 61)
    turn = 2 * np.pi * (np.arange(120) + 0.5) / 120
    circle = 30 * np.c_[np.cos(turn), np.sin(turn)]
    box = circle / np.maximum(np.abs(circle[:, 0]) / 40, np.abs(circle[:, 1]) / 18)[:, None]
    shape = (1 - t)[:, None, None] * circle + t[:, None, None] * box
    shape[:, :, 1] += 40 * (3 * t**2 - 2 * t**3)[:, None]
    rings = stacked(shape, 180 * t)
    duct = loft(rings)
    ports = Port.at(duct, (0, 0, 0), DOWN), Port.pick(duct, (43, 40, 180))
    assert ports[1].area == pytest.approx(80 * 36, rel=5e-3)
    route = find_path(duct, *ports, budget=SMALL)
    frames = route.path.frames(np.linspace(0, route.path.length, 60))
    assert np.abs(frames[:, 0]).max() < 0.03
    np.testing.assert_allclose(frames[0, :3], (0, 0, 0), atol=2e-3)
    np.testing.assert_allclose(frames[-1, :3], (0, 40, 180), atol=5e-2)
    for row in (0, -1):  # square to the ports
        assert frames[row, 11] > np.cos(np.radians(1.0))
    found = agreement(duct, ports, route)
    # Sheared sections are no planes square to the flow; the two ways agree within two per cent.
    np.testing.assert_allclose(found.plane, found.level, rtol=0.02)


def wye() -> tuple[trimesh.Trimesh, list[Port]]:
    """A block with a bore of 36 that parts into two of 26 at 30 degrees to either side."""
    legs = [(-1, (-60, 0, 150)), (1, (60, 0, 150))]
    bores = [trimesh.creation.cylinder(18, segment=[(0, 0, -1), (0, 0, 50)], sections=96)]
    bores.append(trimesh.creation.icosphere(4, 18.2))
    bores[-1].apply_translation((0, 0, 50))
    block = trimesh.creation.box(bounds=[[-120, -40, 0], [120, 40, 200]])
    ends = []
    for side, _ in legs:
        way = np.array([side * 0.5, 0, np.sqrt(0.75)])
        end = np.array([0, 0, 50]) + 120 * way
        bores.append(
            trimesh.creation.cylinder(13, segment=[(0, 0, 50), tuple(end + 60 * way)], sections=96)
        )
        ends.append((end, way))
    duct = trimesh.boolean.difference([block, *bores])
    ports = [Port.at(duct, (0, 0, 0), DOWN, name="inlet")]
    ports += [Port.at(duct, end, way, name=f"rotor {k}") for k, (end, way) in enumerate(ends)]
    return duct, ports


def test_two_outlets_get_a_path_each_and_mirror_each_other() -> None:
    duct, (inlet, *outlets) = wye()
    route = find_path(duct, inlet, outlets, budget=SMALL)
    left, right = route.paths
    assert left.length == pytest.approx(right.length, rel=2e-3)
    s = np.linspace(0, min(left.length, right.length), 60)
    a, b = left.frames(s)[:, :3], right.frames(s)[:, :3]
    np.testing.assert_allclose(a * (-1, 1, 1), b, atol=0.3)
    # Well down a leg the path runs on its axis, whatever the dead leg beside it does.
    late = s > 0.7 * left.length
    way = np.array([-0.5, 0, np.sqrt(0.75)])
    off = np.linalg.norm(np.cross(a[late] - (0, 0, 50), way), axis=1)
    assert off.max() < 0.1
    np.testing.assert_allclose(
        route.levels[0].area[-3:], 48 * 169 * np.sin(2 * np.pi / 96), rtol=5e-3
    )


def pocketed() -> trimesh.Trimesh:
    """A block with a bore of 40 along z and a blind bore of 30 towards +x, 60 deep from its rim."""
    block = trimesh.creation.box(bounds=[[-30, -30, 0], [90, 30, 160]])
    bore = trimesh.creation.cylinder(20, segment=[(0, 0, -1), (0, 0, 161)], sections=96)
    blind = trimesh.creation.cylinder(15, segment=[(0, 0, 80), (80, 0, 80)], sections=96)
    return trimesh.boolean.difference([block, bore, blind])


def test_a_dead_branch_does_not_draw_the_path_and_is_told_as_stagnant() -> None:
    duct = pocketed()
    ports = Port.at(duct, (0, 0, 0), DOWN), Port.at(duct, (0, 0, 160), UP)
    route = find_path(duct, *ports, budget=60_000)
    at = route.path.frames(np.linspace(0, route.path.length, 80))[:, :3]
    # The stream bulges into the mouth of the branch, by 7 mm where that is deepest.
    assert np.hypot(at[:, 0], at[:, 1]).max() < 1.5
    found = agreement(duct, ports, route)
    clear = np.abs(found.s - 80) > 30
    assert found.stagnant[clear].max() == 0.0
    # The plane through the branch's axis cuts bore and branch: pi 20^2 and 30 (80 - 20) and more.
    row = int(np.argmin(np.abs(found.s - 80)))
    assert found.plane[row] > np.pi * 400 + 1700
    assert 0.35 < found.stagnant[row] < 0.6
    shut = Port.at(duct, (21, 0, 80), (1, 0, 0), name="valve")
    closed = find_path(duct, *ports, closed=[shut], budget=60_000)
    at = closed.path.frames(np.linspace(0, closed.path.length, 80))[:, :3]
    assert np.hypot(at[:, 0], at[:, 1]).max() < 1.5


def test_an_obstacle_does_not_bend_the_path(bent: Any) -> None:
    duct, ports, route = bend_route(bent, 80, budget=20_000)
    boss = trimesh.creation.icosphere(3, 22)
    boss.apply_translation((60, 0, 60))
    same = find_path(duct, *ports, obstacles=boss, budget=20_000)
    assert np.array_equal(same.path.points, route.path.points)


def test_a_path_needs_an_outlet(bent: Any) -> None:
    duct, ports, _ = bend_route(bent, 80, budget=3000)
    with pytest.raises(InputError, match="needs an outlet"):
        find_path(duct, ports[0], ())

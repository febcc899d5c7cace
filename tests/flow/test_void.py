"""The void on cells: volumes in closed form, thin walls, bodies, leaks and where they are."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh
from scipy import ndimage

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.lattice import Grid, cross
from geomcheck.flow.ports import Port
from geomcheck.flow.section import Surface
from geomcheck.flow.void import find_void
from geomcheck.mesh.probe import point_distance
from geomcheck.mesh.wraps import wraps

Tube = Callable[..., trimesh.Trimesh]
UP, DOWN = (0, 0, 1), (0, 0, -1)
SMALL = 20_000  # cells: enough for these questions


def ends(walls: Any, length: float, **more: Any) -> list[Port]:
    """Ports at z = 0 and z = length."""
    return [
        Port.at(walls, (0, 0, 0), DOWN, name="inlet", **more),
        Port.at(walls, (0, 0, length), UP, name="outlet", **more),
    ]


def place(text: str) -> np.ndarray:
    """The place a message names."""
    found = re.search(r"at \(([-\d.]+), ([-\d.]+), ([-\d.]+)\)", text)
    assert found is not None, text
    return np.array([float(x) for x in found.groups()])


def width(text: str) -> float:
    found = re.search(r"opening about ([\d.]+) mm wide", text)
    assert found is not None, text
    return float(found.group(1))


def test_a_straight_pipe_is_filled_from_port_to_port(tube: Tube, polygon: Any) -> None:
    pipe = tube(40, 45, np.linspace(0, 200, 21), 96)
    void = find_void(pipe, ends(pipe, 200), budget=SMALL)
    assert void.volume == pytest.approx(polygon(40, 96) * 200, rel=0.01)
    at = void.centres()
    assert np.hypot(at[:, 0], at[:, 1]).max() < 40
    assert 0 < at[:, 2].min() < void.spacing
    assert 200 - void.spacing < at[:, 2].max() < 200
    assert len(void.port_cells(0)) * void.spacing**2 == pytest.approx(np.pi * 1600, rel=0.03)
    assert 0.7 * SMALL < len(void.cells) < 1.3 * SMALL


def test_the_distance_is_that_to_the_nearest_wall(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 11), 64)
    void = find_void(pipe, ends(pipe, 100), budget=SMALL)
    exact = point_distance(void.tree, void.centres()).distance
    found = void.distance[void.inside]
    assert np.isnan(void.distance[~void.inside]).all()
    near = exact < 2 * void.spacing
    np.testing.assert_allclose(found[near], exact[near], rtol=0, atol=1e-9)
    assert (found >= exact - 1e-9).all()
    assert (found - exact).max() < 0.25 * void.spacing


@pytest.mark.parametrize("spacing", [1.3, 4.7, 11.0])
def test_a_wall_thinner_than_a_cell_parts_its_two_sides(tube: Tube, spacing: float) -> None:
    # Two pipes side by side, walls 0.5 mm thick and 0.2 mm apart: the void is one of them.
    one = tube(20, 20.5, np.linspace(0, 60, 4), 48)
    two = one.copy()
    two.apply_translation((41.2, 0, 0))
    void = find_void([one, two], ends([one, two], 60), spacing=spacing)
    at = void.centres()
    assert np.hypot(at[:, 0], at[:, 1]).max() < 20
    assert len(at) > 50


def test_links_are_cut_where_a_segment_between_centres_meets_the_wall(tube: Tube) -> None:
    pipe = tube(20, 21, np.linspace(0, 30, 4), 12)
    pipe.apply_transform(trimesh.transformations.rotation_matrix(0.7, (1, 2, 3)))
    low, high = pipe.bounds
    grid = Grid.over(low, high, 3.1)
    found = cross(grid, [Surface.of(pipe)], [], False)
    # Brute force, by another algorithm: rays of trimesh's triangle-by-triangle caster.
    caster = trimesh.ray.ray_triangle.RayMeshIntersector(pipe)
    cells = np.arange(grid.size)
    centres = grid.centres(cells)
    for axis in range(3):
        way = np.zeros((1, 3))
        way[0, axis] = 1.0
        first = centres[np.isclose(centres[:, axis], grid.low[axis])]
        where, ray, _ = caster.intersects_location(first, np.repeat(way, len(first), axis=0))
        k = np.floor((where[:, axis] - grid.low[axis]) / grid.h).astype(int)
        ijk = np.round((first[ray] - grid.low) / grid.h).astype(int)
        ijk[:, axis] = k
        expected = np.ravel_multi_index(tuple(ijk.T), grid.shape) + axis * grid.size
        mine = found.link[found.link // grid.size == axis]
        assert set(mine.tolist()) == set(expected.tolist())
        assert len(mine) > 50


def test_overlapping_bodies_are_one_wall(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 60, 7), 64)
    pipe2 = tube(40, 46, np.linspace(50, 120, 7), 64)
    boss = trimesh.creation.box(bounds=[[20, -10, 40], [60, 10, 70]])
    walls = [trimesh.util.concatenate([pipe, pipe2]), boss]
    void = find_void(walls, ends(walls, 120), budget=SMALL)
    at = void.centres()
    for body in (pipe, pipe2, boss):  # none of them in metal, by winding number
        assert (wraps(body, at) == 0).all()
    boxed = (at[:, 0] > 20) & (np.abs(at[:, 1]) < 10) & (at[:, 2] > 40) & (at[:, 2] < 70)
    assert not boxed.any()


def test_a_void_given_as_a_solid_is_the_same_void(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 11), 64)
    plug = trimesh.creation.cylinder(40, height=100, sections=64)
    plug.apply_translation((0, 0, 50))
    walls = find_void(pipe, ends(pipe, 100), spacing=3.0)
    solid = find_void(plug, ends(plug, 100, solid=True), spacing=3.0, solid=True)
    assert solid.volume == pytest.approx(walls.volume, rel=0.03)


def test_overlapping_solids_of_a_void_are_united() -> None:
    def block(low: Any, high: Any) -> trimesh.Trimesh:
        return trimesh.creation.box(bounds=[low, high])

    solids = [
        block((-10, -10, 0), (10, 10, 42)),
        block((-10, -10, 30.5), (10, 10, 70)),
        block((-5, -5, 20), (30, 5, 50)),
    ]
    joined = trimesh.util.concatenate(solids)
    void = find_void(joined, ends(joined, 70, solid=True), spacing=1.0, solid=True)
    # 20 x 20 x 70 and the part of the third block beyond x = 10.
    assert void.volume == pytest.approx(28000 + 20 * 10 * 30, rel=0.02)
    with pytest.raises(CannotDecide, match="must be a closed mesh"):
        find_void(
            trimesh.Trimesh(joined.vertices, joined.faces[1:], process=False),
            void.ports, solid=True,
        )  # fmt: skip


def test_an_open_scan_of_the_bore_will_do(tube: Tube, polygon: Any) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 11), 64)
    middle = pipe.triangles_center
    skin = np.hypot(middle[:, 0], middle[:, 1]) < 40
    scan = trimesh.Trimesh(pipe.vertices, pipe.faces[skin], process=False)
    ports = [Port.at(scan, (0, 0, 2), DOWN), Port.at(scan, (0, 0, 97), UP)]
    void = find_void(scan, ports, budget=SMALL)
    assert void.volume == pytest.approx(polygon(40, 64) * 95, rel=0.02)
    scan.invert()  # it now faces away from the void, as the skin of a solid would
    with pytest.raises(InputError, match="lies in metal"):
        Port.at(scan, (0, 0, 2), DOWN)


@pytest.mark.parametrize("gap", [3.0, 0.5, 0.05])
def test_a_flange_gap_leaks_and_is_named(tube: Tube, gap: float) -> None:
    walls = [
        tube(40, 55, np.linspace(0, 100, 11), 64),
        tube(40, 55, np.linspace(100 + gap, 200, 11), 64),
    ]
    ports = ends(walls, 200)
    with pytest.raises(CannotDecide, match="leaks") as caught:
        find_void(walls, ports, budget=SMALL)
    where = place(str(caught.value))
    assert 100 - 0.01 <= where[2] <= 100 + gap + 0.01
    assert np.hypot(*where[:2]) >= 39.9
    assert width(str(caught.value)) == pytest.approx(gap, rel=0.02, abs=0.006)
    void = find_void(walls, ports, budget=SMALL, seal=1.2 * gap)
    assert len(void.sealed) == 1
    assert void.sealed[0].width == pytest.approx(gap, rel=0.02)
    assert 100 <= void.sealed[0].point[2] <= 100 + gap
    with pytest.raises(CannotDecide, match="leaks"):
        find_void(walls, ports, budget=SMALL, seal=0.8 * gap)


def test_flanges_that_touch_or_overlap_do_not_leak(tube: Tube) -> None:
    for end in (100.0, 99.0):
        walls = [
            tube(40, 55, np.linspace(0, 100, 11), 64),
            tube(40, 60, np.linspace(end, 200, 11), 48),
        ]
        void = find_void(walls, ends(walls, 200), budget=SMALL)
        assert void.sealed == ()


def test_a_hole_in_the_wall_is_found_not_measured_across(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 6), 24)
    middle = pipe.triangles_center
    inner = np.flatnonzero(np.hypot(middle[:, 0], middle[:, 1]) < 40)
    gone = int(inner[np.argmin(np.linalg.norm(middle[inner] - (0, 40, 50), axis=1))])
    holed = trimesh.Trimesh(pipe.vertices, np.delete(pipe.faces, gone, axis=0), process=False)
    with pytest.raises(CannotDecide, match="leaks through to the back of a wall") as caught:
        find_void(holed, ends(pipe, 100), budget=SMALL)
    assert np.linalg.norm(place(str(caught.value)) - middle[gone]) < 8
    # The largest circle in the triangle 20 x 10.44 (edges of the pipe) has diameter 7.5.
    assert 3 < width(str(caught.value)) < 12


def test_an_open_end_without_a_port_is_a_leak(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 6), 24)
    with pytest.raises(CannotDecide, match="the void leaks"):
        find_void(pipe, ends(pipe, 100)[:1], budget=SMALL)


def test_a_port_that_faces_into_the_duct_is_refused(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 6), 24)
    turned = Port.at(pipe, (0, 0, 10), UP, name="mouth")
    with pytest.raises(InputError, match='"mouth" points into the duct'):
        find_void(pipe, [turned, ends(pipe, 100)[1]], budget=SMALL)


def test_ports_that_do_not_meet_cannot_be_decided(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 6), 24)
    plate = trimesh.creation.box(bounds=[[-50, -50, 49.9], [50, 50, 50.1]])
    with pytest.raises(CannotDecide, match='does not reach from "inlet" to "outlet"'):
        find_void([pipe, plate], ends(pipe, 100), budget=SMALL)
    with pytest.raises(CannotDecide, match="does not reach"):
        find_void(pipe, ends(pipe, 100), obstacles=plate, budget=SMALL)


def test_the_void_ends_at_a_closed_branch(tube: Tube) -> None:
    branched = tee()
    ports = [
        Port.at(branched, (0, 0, 0), DOWN, name="inlet"),
        Port.at(branched, (0, 0, 120), UP, name="outlet"),
    ]
    with pytest.raises(CannotDecide, match="leaks"):
        find_void(branched, ports, budget=SMALL)
    valve = Port.at(branched, (40, 0, 60), (1, 0, 0), name="valve")
    void = find_void(branched, ports, closed=[valve], budget=SMALL)
    assert void.centres()[:, 0].max() < 40
    assert void.centres()[:, 0].max() > 40 - 1.01 * void.spacing
    # The cap is a wall to distances too.
    at = void.centres()
    row = int(np.argmin(np.abs(at[:, 1]) + np.abs(at[:, 2] - 60) + np.abs(at[:, 0] - 38)))
    assert void.distance[void.inside][row] == pytest.approx(40 - at[row, 0], abs=1e-9)


def tee() -> trimesh.Trimesh:
    """A block 60 x 60 x 120 with a bore of 40 along z and a side bore of 24 towards +x."""
    block = trimesh.creation.box(bounds=[[-30, -30, 0], [60, 30, 120]])
    bore = trimesh.creation.cylinder(20, segment=[(0, 0, -1), (0, 0, 121)], sections=64)
    side = trimesh.creation.cylinder(12, segment=[(0, 0, 60), (61, 0, 60)], sections=48)
    return trimesh.boolean.difference([block, bore, side])


def test_a_moved_duct_has_the_same_void_and_twice_gives_the_same(
    bent: Any, motion: Callable[[int], np.ndarray]
) -> None:
    duct, centres = bent(80, 40, 45, 90, sides=48, rings=31)
    volumes = []
    for seed in (None, 1, 2):
        move = np.eye(4) if seed is None else motion(seed)
        moved = duct.copy()
        moved.apply_transform(move)
        a, b = trimesh.transform_points(centres[[0, -1]], move)
        n, m = np.array([[0, 0, -1], [-1, 0, 0]]) @ move[:3, :3].T
        ports = [Port.at(moved, a, n), Port.at(moved, b, m)]
        void = find_void(moved, ports, budget=SMALL)
        volumes.append(void.volume)
        again = find_void(moved, ports, budget=SMALL)
        assert np.array_equal(void.inside, again.inside)
        assert np.array_equal(void.links, again.links)
        _, parts = ndimage.label(void.inside)
        assert parts == 1
    # Pappus: the section's area times the way of its centroid.
    exact = 48 / 2 * 1600 * np.sin(2 * np.pi / 48) * 80 * np.pi / 2
    np.testing.assert_allclose(volumes, exact, rtol=0.01)


def test_what_cannot_be_used_is_refused(tube: Tube) -> None:
    pipe = tube(40, 45, np.linspace(0, 100, 6), 24)
    ports = ends(pipe, 100)
    with pytest.raises(InputError, match="at least one port"):
        find_void(pipe, [])
    with pytest.raises(InputError, match="at least one wall"):
        find_void([], ports)
    with pytest.raises(InputError, match="spacing"):
        find_void(pipe, ports, spacing=0.0)
    with pytest.raises(InputError, match="larger spacing"):
        find_void(pipe, ports, spacing=0.02)
    with pytest.raises(InputError, match="budget"):
        find_void(pipe, ports, budget=10)
    with pytest.raises(InputError, match="negative"):
        find_void(pipe, ports, seal=-1.0)

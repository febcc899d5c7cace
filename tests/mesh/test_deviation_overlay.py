"""The tight bound between two meshes of one curved surface, and that it is never too low.

Outside truths: chord heights in closed form, the distance across a hole, dense samples measured
by trimesh, and libigl's figure.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.mesh.deviation import directed_deviation
from geomcheck.mesh.deviation_pieces import Target, first_pieces
from geomcheck.mesh.tree import TriangleTree


def directed(a, b, **more):
    return directed_deviation(a, TriangleTree(b.triangles), **more)


def both(a, b):
    found = directed(a, b), directed(b, a)
    return max(d.low for d in found), max(d.high for d in found)


def chord(mesh):
    """Greatest depth of a facet of an inscribed sphere of radius 100: by its plane."""
    return 100.0 - np.abs((mesh.face_normals * mesh.triangles[:, 0]).sum(axis=1)).min()


def turned(mesh, angle, axis=(0, 0, 1)):
    out = mesh.copy()
    out.apply_transform(trimesh.transformations.rotation_matrix(angle, axis))
    return out


def samples(a, b, count=4000, seed=1):
    """Greatest distance found by trimesh on ``a``: corners and points of its facets."""
    points, _ = trimesh.sample.sample_surface(a, count, seed=seed)
    points = np.concatenate([a.vertices, a.triangles_center, points])
    return float(trimesh.proximity.closest_point(b, points)[1].max())


@pytest.mark.parametrize(("one", "two"), [(4, 4), (3, 5), (5, 4)])
def test_two_meshes_of_one_sphere(one, two):
    a = trimesh.creation.icosphere(subdivisions=one, radius=100.0)
    b = turned(trimesh.creation.icosphere(subdivisions=two, radius=100.0), 0.3, (1, 2, 3))
    # Both lie between the sphere and their chord heights: no farther apart than the greater.
    most = max(chord(a), chord(b))
    low, high = both(a, b)
    assert 0.6 * most < low <= high <= most + 1e-3
    assert high - low <= 1e-3 + 0.005 * high
    assert high + 1e-9 >= max(samples(a, b), samples(b, a))


def test_a_fine_sphere_on_itself_turned():
    a = trimesh.creation.icosphere(subdivisions=6, radius=100.0)
    low, high = both(a, turned(a, 0.3, (1, 2, 3)))
    # Its chords are 0.0071 deep at most, its sides 1.5 long.
    assert 0.003 < low <= high <= chord(a) + 1e-3


@pytest.mark.parametrize("count", [24, 64])
def test_a_cylinder_turned_by_half_a_facet(count):
    a = trimesh.creation.cylinder(40.0, 100.0, sections=count).subdivide()
    b = turned(a, math.pi / count)
    # The corner lines of one lie over the middles of the other's flats.
    truth = 40.0 * (1.0 - math.cos(math.pi / count))
    low, high = both(a, b)
    assert low == pytest.approx(truth, rel=1e-9)
    assert truth <= high <= truth * 1.005 + 1e-3


def test_two_meshes_of_one_torus():
    counts = ((48, 24), (65, 30))
    a, b = (trimesh.creation.torus(60, 20, major_sections=n, minor_sections=m) for n, m in counts)
    most = sum(
        80.0 * (1 - math.cos(math.pi / n)) + 20.0 * (1 - math.cos(math.pi / m)) for n, m in counts
    )
    low, high = both(a, b)
    assert 0.1 < low <= high <= most
    assert high - low <= 1e-3 + 0.005 * high
    assert high + 1e-9 >= max(samples(a, b), samples(b, a))


def test_offset_spheres_meshed_apart():
    a = trimesh.creation.icosphere(subdivisions=4, radius=100.0)
    b = turned(trimesh.creation.icosphere(subdivisions=4, radius=103.0), 0.4, (1, 1, 0))
    low, high = both(a, b)
    deep = 1.03 * chord(a)
    assert low + deep >= 3.0 - 1e-9 and high <= 3.0 + deep + 0.015
    assert high - low <= 0.016


def plate(cells, gap=None):
    """Plate of 16 x 16 in the plane z = 0, cut into squares, with a square left out."""
    step = 16.0 / cells
    rows = []
    for i in range(cells):
        for j in range(cells):
            if gap is not None and i in gap and j in gap:
                continue
            x, y = i * step - 8.0, j * step - 8.0
            p = [(x, y, 0), (x + step, y, 0), (x + step, y + step, 0), (x, y + step, 0)]
            rows += [[p[0], p[1], p[2]], [p[0], p[2], p[3]]]
    return np.array(rows, dtype=float)


def whole(triangles, other):
    """Bounds of whole facets, none of them halved."""
    pieces = first_pieces(triangles, Target(TriangleTree(other)), None, 1e-3)
    return pieces.bound, pieces.mean


def test_a_hole_is_not_overlooked():
    full, holed = plate(1), plate(8, gap=(3, 4))
    # The middle of the hole of 4 x 4 is 2 from its rim.
    found = directed_deviation(full, TriangleTree(holed))
    assert found.low == pytest.approx(2.0, abs=0.02) and 2.0 <= found.high <= 2.011
    assert (whole(full, holed)[0] >= 2.0).all()
    # The volume under the distance: a pyramid.
    assert found.mean_high >= 4 * 4 * 2 / 3 / 256


@pytest.mark.parametrize("size", [1.0, 1e-3, 1e-9])
def test_an_island_under_the_middle_is_no_cover(size):
    full = plate(1)
    middles = full.mean(axis=1, keepdims=True)
    islands = middles + (full - middles) * size / 16.0
    bound, mean = whole(full, islands)
    far = np.linalg.norm(full - middles, axis=2).max(axis=1)
    assert (bound >= far - size).all() and (mean > 1.0).all()


def test_a_fold_is_no_cover():
    # The right half is folded back over the left one: from the side seen, half lies bare.
    full = plate(1)
    left = full[[0]].copy()
    folded = np.array([[[-8, -8, 0], [0, -8, 0], [0, 8, 0]], [[-8, -8, 0], [0, 8, 0], [-8, 8, 0]],
                       [[0, -8, 0], [-8, -8, 0.1], [0, 8, 0]],
                       [[0, 8, 0], [-8, -8, 0.1], [-8, 8, 0.1]]], dtype=float)  # fmt: skip
    assert (whole(left, folded)[0] >= 8.0).all()


def test_a_crack_and_t_junctions_cost_nothing():
    # Facets that do not share corners, as exporters leave them.
    coarse, fine = plate(1), plate(8)
    moved = fine + np.array([0.0, 0.0, 0.5])
    assert directed_deviation(coarse, TriangleTree(fine)).high < 1e-3
    mixed = np.concatenate([fine[fine.mean(axis=1)[:, 0] < 0], plate(6)[36:]])
    assert directed_deviation(coarse, TriangleTree(mixed)).high < 1e-3
    found = directed_deviation(coarse, TriangleTree(moved))
    assert found.low == pytest.approx(0.5) and found.high <= 0.501


def damaged(seed):
    """A mesh and another of nearly the same shape with faults that files have."""
    rng = np.random.default_rng(seed)
    shapes = (
        lambda: trimesh.creation.icosphere(subdivisions=int(rng.integers(1, 4)), radius=10.0),
        lambda: trimesh.creation.annulus(3.0, 9.0, 6.0, sections=int(rng.integers(7, 30))),
        lambda: trimesh.creation.torus(
            10, 4, major_sections=int(rng.integers(8, 30)), minor_sections=int(rng.integers(6, 16))
        ),
    )
    make = shapes[seed % 3]
    a, b = make().triangles.copy(), turned(make(), rng.choice([0.0, 0.2])).triangles.copy()
    faults = rng.integers(0, 2, 6)
    if faults[0]:
        b = b[rng.random(len(b)) > 0.03]
    if faults[1]:
        rows = rng.integers(0, len(a), 5)
        middle = a[rows].mean(axis=1, keepdims=True)
        b = np.concatenate([b, middle + (a[rows] - middle) * 10.0 ** -rng.integers(2, 8)])
    if faults[2]:
        back = rng.random(len(b)) < 0.03
        b[back] = b[back][:, ::-1]
    if faults[3]:
        cut = rng.random(len(b)) < 0.1
        t = b[cut]
        m = 0.5 * (t[:, 0] + t[:, 1]) + rng.normal(size=(len(t), 3)) * rng.choice([0.0, 1e-4])
        halves = [np.stack([t[:, 0], m, t[:, 2]], axis=1), np.stack([m, t[:, 1], t[:, 2]], axis=1)]
        b = np.concatenate([b[~cut], *halves])
    if faults[4]:
        b = b + rng.normal(size=b.shape) * 10.0 ** -rng.integers(3, 8)
    if faults[5]:
        a, b = (x.astype(np.float32).astype(np.float64) for x in (a, b))
    return a, b[rng.permutation(len(b))]


@pytest.mark.parametrize("seed", range(18))
def test_no_sample_is_farther_than_its_facets_bound(seed):
    a, b = damaged(seed)
    bound, mean = whole(a, b)
    weights = np.random.default_rng(seed).dirichlet([0.5] * 3, 30)
    points = np.einsum("kc,mcx->mkx", weights, a)
    shape = trimesh.Trimesh(b.reshape(-1, 3), np.arange(3 * len(b)).reshape(-1, 3), process=False)
    each = trimesh.proximity.closest_point(shape, points.reshape(-1, 3))[1].reshape(len(a), -1)
    assert (each.max(axis=1) <= bound + 1e-9).all()
    assert (mean <= bound + 1e-12).all()
    even = np.array([[i + 1 / 3, j + 1 / 3] for i in range(6) for j in range(6 - i)]) / 6.0
    points = np.einsum("kc,mcx->mkx", np.column_stack([even, 1 - even.sum(axis=1)]), a)
    level = trimesh.proximity.closest_point(shape, points.reshape(-1, 3))[1].reshape(len(a), -1)
    size = np.linalg.norm(a - np.roll(a, 1, axis=1), axis=2).max(axis=1)
    assert (level.mean(axis=1) <= mean + 0.1 * size).all()


def test_the_same_figure_as_libigl_on_meshes_made_anew():
    igl = pytest.importorskip("igl")
    a = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
    b = turned(trimesh.creation.uv_sphere(radius=10.0, count=[40, 60]), 0.5, (1, 0, 1))
    low, high = both(a, b)
    fine = [m.subdivide().subdivide() for m in (a, b)]
    # libigl takes the greatest over corners: the finer the corners, the nearer from below.
    theirs = igl.hausdorff(fine[0].vertices, fine[0].faces.astype(np.int64),
                           fine[1].vertices, fine[1].faces.astype(np.int64))  # fmt: skip
    assert theirs <= high + 1e-9 and high - theirs < 2e-3
    assert low == pytest.approx(theirs, abs=2e-3)


@settings(derandomize=True, deadline=None, max_examples=4)
@given(st.tuples(*[st.floats(-3, 3) for _ in range(6)]), st.integers(8, 24), st.integers(0, 10_000))
def test_rigid_motion_order_and_finer_facets_change_nothing(pose, count, seed):
    a = trimesh.creation.torus(10, 4, major_sections=16, minor_sections=10)
    b = trimesh.creation.torus(10, 4, major_sections=count, minor_sections=11)
    low, high = both(a, b)
    motion = trimesh.transformations.euler_matrix(*pose[:3])
    motion[:3, 3] = np.multiply(pose[3:], 30.0)
    for mesh in (a, b):
        mesh.apply_transform(motion)
    rng = np.random.default_rng(seed)
    a = a.subdivide()
    b = b.subdivide() if seed % 2 else b
    shuffled = b.triangles[rng.permutation(len(b.faces))]
    found = (
        directed_deviation(a.triangles[rng.permutation(len(a.faces))], TriangleTree(shuffled)),
        directed_deviation(shuffled, TriangleTree(a.triangles), faces=None),
    )
    again = max(d.low for d in found), max(d.high for d in found)
    assert again[0] <= high + 1e-9 and low <= again[1] + 1e-9
    assert again[1] - again[0] <= 1e-3 + 0.006 * high


def test_given_corner_numbers_and_found_ones_agree():
    a = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    b = turned(a, 0.3, (1, 2, 3))
    found, given_ = directed(a, b), directed(a, b, faces=b.faces)
    assert (found.low, found.high, found.mean_high) == (given_.low, given_.high, given_.mean_high)


@pytest.mark.parametrize("size", [1.0, 1e-5, 1e-7])
def test_laid_over_an_island_a_facet_stays_bare(size):
    full = plate(1)
    middles = full.mean(axis=1, keepdims=True)
    target = Target(TriangleTree(middles + (full - middles) * size / 16.0))
    feet = np.repeat(np.arange(2)[:, None], 4, axis=1)
    # A goal this low leaves no doubt that the facets are laid over it.
    most, mean, _ = target._overlaid(full, feet, np.full(2, 1e-3))
    far = np.linalg.norm(full - middles, axis=2).max(axis=1)
    assert (most >= far - size).all() and (mean > 1.0).all()


def test_two_facets_on_the_same_side_of_an_edge_do_not_carry_on():
    facet = np.array([[[-9, -9, 0], [9, -9, 0], [0, 9, 0]]], dtype=float)
    # Both run the same way along the line x = 1, and both lie to its left.
    twice = np.array([[[1, -40, 0], [1, 40, 0], [-80, 0, 0]],
                      [[1, -40, 0], [1, 40, 0], [-80, 0, 0.1]]], dtype=float)  # fmt: skip
    feet = np.zeros((1, 4), dtype=np.int64)
    most, _, _ = Target(TriangleTree(twice))._overlaid(facet, feet, np.full(1, 1e-3))
    assert most[0] >= 8.0

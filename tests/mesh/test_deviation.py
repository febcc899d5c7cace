"""Deviation between surfaces: closed forms, dense samples, and an independent library's figure."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.mesh.deviation import directed_deviation
from geomcheck.mesh.tree import TriangleTree


def directed(a, b, **more):
    return directed_deviation(a, TriangleTree(b.triangles), **more)


def dense(a, b, count=20_000, seed=3):
    """Distances of points sampled on ``a`` from ``b`` by trimesh, corners among them."""
    points, _ = trimesh.sample.sample_surface(a, count, seed=seed)
    points = np.concatenate([a.vertices, points])
    return trimesh.proximity.closest_point(b, points)[1]


def test_concentric_spheres():
    inner, outer = (trimesh.creation.icosphere(subdivisions=3, radius=r) for r in (10.0, 11.0))
    # The outer's corners lie on the rays of the inner's: r1 - r2 there, and nowhere more.
    out = directed(outer, inner)
    assert out.low == pytest.approx(1.0, abs=1e-9)
    assert out.high + 1e-12 >= 1.0 and out.high < 1.006
    # From inside, the farthest points are those of the inner's facets nearest the outer's
    # middles: between (r1 - r2) cos of half the facets' angle and r1 - r2.
    back = directed(inner, outer)
    assert 0.99 < back.low <= back.high < 1.0
    assert out.mean_low <= out.mean <= out.mean_high
    assert out.mean == pytest.approx(1.0, abs=0.006)


def test_a_shifted_box():
    box = trimesh.creation.box((20.0, 30.0, 40.0))
    moved = box.copy()
    moved.apply_translation((3.0, 0.0, 0.0))
    for a, b in ((box, moved), (moved, box)):
        found = directed(a, b)
        assert found.low == pytest.approx(3.0, abs=1e-9)
        assert 3.0 <= found.high <= 3.015
        # Behind: 3 over 30 x 40. Ahead, inside the other: the least of 3 and the way to the sides,
        # 3 - the mean over a rim: 3 h w - 3^2 (w + h) + 4/3 3^3 by summing level sets. Between:
        # a strip of the four sides sticks out, from 0 to 3, or lies inside it.
        ahead = 3 * 30 * 40 - 3**2 * (30 + 40) + 4 / 3 * 3**3
        strips = 2 * (30 + 40) * 3**2 / 2
        truth = (3 * 30 * 40 + ahead + strips) / (2 * (600 + 800 + 1200))
        assert found.mean_low <= truth <= found.mean_high
        assert found.mean == pytest.approx(truth, rel=0.01)


def test_the_farthest_point_is_no_corner():
    # A flat plate over a ridge: the plate's corners lie on the ridge's feet, its middle does not.
    plate = np.array([[[-10, -10, 0], [10, -10, 0], [10, 10, 0]],
                      [[-10, -10, 0], [10, 10, 0], [-10, 10, 0]]], dtype=float)  # fmt: skip
    ridge = np.array([
        [[-10, -10, 0], [0, -10, 5], [0, 10, 5]], [[-10, -10, 0], [0, 10, 5], [-10, 10, 0]],
        [[0, -10, 5], [10, -10, 0], [10, 10, 0]], [[0, -10, 5], [10, 10, 0], [0, 10, 5]],
    ], dtype=float)  # fmt: skip
    found = directed_deviation(plate, TriangleTree(ridge))
    # The middle line is 10 sin(atan(5 / 10)) from either slope.
    truth = 10.0 * 5.0 / np.hypot(10.0, 5.0)
    assert found.low <= truth + 1e-9 and truth <= found.high
    assert found.high - found.low <= 0.006 * truth
    assert abs(found.at[0]) < 0.1


def test_one_surface_meshed_twice_is_the_same():
    box = trimesh.creation.box((20.0, 30.0, 40.0))
    fine = box.subdivide().subdivide()
    for a, b in ((box, fine), (fine, box)):
        found = directed(a, b)
        assert found.low < 1e-9 and found.high < 2e-3
    cut = trimesh.creation.annulus(5.0, 20.0, 8.0, sections=48)
    turned = trimesh.creation.annulus(5.0, 20.0, 8.0, sections=48)
    turned.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 4, (0, 0, 1)))
    found = directed(cut, turned)
    assert found.high < 2e-3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_bounds_hold_against_dense_samples(seed):
    rng = np.random.default_rng(seed)
    a = trimesh.creation.icosphere(subdivisions=2, radius=8.0)
    b = trimesh.creation.box((12.0, 11.0, 14.0))
    a.vertices += rng.normal(0.0, 0.3, a.vertices.shape)
    b.apply_transform(trimesh.transformations.random_rotation_matrix(rng.random(3)))
    for one, two in ((a, b), (b, a)):
        found = directed(one, two)
        far = dense(one, two)
        assert far.max() <= found.high + 1e-9
        assert found.low >= far.max() - 0.15  # the samples' own spacing
        assert found.high - found.low <= 0.006 * found.high
        points, facet = trimesh.sample.sample_surface(one, 5000, seed=seed)
        each = trimesh.proximity.closest_point(two, points)[1]
        assert (each <= found.bound[facet] + 1e-9).all()
        assert (found.sampled <= found.bound).all()
        assert found.mean_low <= each.mean() + 0.03 and each.mean() - 0.03 <= found.mean_high


def test_the_same_figure_as_an_independent_library():
    igl = pytest.importorskip("igl")
    a = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    b = trimesh.creation.cylinder(9.0, 21.0, sections=64).subdivide().subdivide().subdivide()
    a = a.subdivide()
    both = [directed(a, b), directed(b, a)]
    # libigl takes the greatest over corners alone: a lower bound, near on a fine mesh.
    theirs = igl.hausdorff(a.vertices, a.faces.astype(np.int64), b.vertices,
                           b.faces.astype(np.int64))  # fmt: skip
    mine_low, mine_high = (max(getattr(d, n) for d in both) for n in ("low", "high"))
    assert mine_high >= theirs - 1e-9
    assert mine_low == pytest.approx(theirs, abs=0.02)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(
    st.tuples(*[st.floats(-3, 3) for _ in range(6)]), st.floats(0.2, 2.0), st.integers(0, 10_000)
)
def test_rigid_motion_and_order_change_nothing(pose, grown, seed):
    a = trimesh.creation.icosphere(subdivisions=1, radius=5.0)
    b = trimesh.creation.box((8.0, 8.0, 8.0 + grown))
    first = directed(a, b)
    motion = trimesh.transformations.euler_matrix(*pose[:3])
    motion[:3, 3] = np.multiply(pose[3:], 20.0)
    for mesh in (a, b):
        mesh.apply_transform(motion)
    rows = np.random.default_rng(seed).permutation(len(a.faces))
    again = directed_deviation(a.triangles[rows], TriangleTree(b.triangles))
    assert again.low <= first.high + 1e-6 and first.low <= again.high + 1e-6


def test_bands_are_decided_facet_by_facet():
    a = trimesh.creation.box((20.0, 20.0, 20.0)).subdivide()
    b = a.copy()
    b.vertices[b.vertices[:, 2] > 9.0] += (0.0, 0.0, 0.4)
    band = np.full(len(a.faces), 0.05)
    found = directed(b, a, band=band)
    up = b.triangles[:, :, 2].max(axis=1) > 10.0
    assert (found.sampled[up] > 0.05).all()
    assert (found.bound[~up] <= 0.05).all()


def test_what_cannot_be_asked():
    tree = TriangleTree(trimesh.creation.box().triangles)
    with pytest.raises(InputError, match="bands"):
        directed_deviation(np.zeros((2, 3, 3)), tree, band=[0.1])
    with pytest.raises(InputError, match="no triangles"):
        directed_deviation(np.zeros((0, 3, 3)), tree)
    with pytest.raises(InputError, match="not finite"):
        directed_deviation(np.full((1, 3, 3), np.nan), tree)

"""Free travel against every pair of triangles by shapely, however few are kept at first."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.mesh import travel as module
from geomcheck.mesh.travel import free_travel

BIG = 1e4


def half_plane(a, b, c):
    """Where a x + b y + c >= 0, as a large polygon; everything or nothing where a = b = 0."""
    size = math.hypot(a, b)
    if size < 1e-12:
        return shapely.box(-BIG, -BIG, BIG, BIG) if c >= 0.0 else shapely.Polygon()
    n = np.array([a, b]) / size
    side = np.array([-n[1], n[0]])
    foot = -c / size * n
    corners = [foot - BIG * side, foot + BIG * side]
    return shapely.Polygon([*corners, corners[1] + BIG * n, corners[0] + BIG * n])


def plane(tri):
    return np.linalg.solve(np.column_stack([tri[:, :2], np.ones(3)]), tri[:, 2])


def seen_area(tri):
    (ux, uy), (vx, vy) = tri[1, :2] - tri[0, :2], tri[2, :2] - tri[0, :2]
    return 0.5 * (ux * vy - uy * vx)


def every_meeting(a, b, way, allow):
    """(travel, polygon) of all pairs, from the rule as ``geomcheck.kernels.travel`` states it."""
    w = np.array(way) / np.linalg.norm(way)
    u = np.cross([0.3, -0.8, 0.1], w)
    u /= np.linalg.norm(u)
    frame = np.stack([u, np.cross(w, u), w])
    found = []
    for one in np.asarray(a.triangles) @ frame.T:
        if abs(seen_area(one)) < 1e-9:
            continue
        for two in np.asarray(b.triangles) @ frame.T:
            if abs(seen_area(two)) < 1e-9:
                continue
            runs = seen_area(one) > 0.0 > seen_area(two)
            least = -allow if runs else allow
            d = plane(two) - plane(one)
            shared = shapely.Polygon(one[:, :2]).intersection(shapely.Polygon(two[:, :2]))
            shared = shared.intersection(half_plane(d[0], d[1], d[2] - least))
            if shared.area < 1e-12:
                continue
            corners = shapely.get_coordinates(shared)
            t = float((corners @ d[:2] + d[2]).min())
            found.append((max(t, 0.0) + 1e-6 * (not runs), shared))
    return sorted(found, key=lambda pair: pair[0])


def holds(shapes, reach):
    joined = shapely.union_all(shapes, grid_size=1e-3 * reach).buffer(1e-3 * reach)
    return not joined.buffer(-reach, join_style="mitre").is_empty


def first_travel(found, reach):
    """The travel of the first meeting with which all up to it hold a disc; None where none do."""
    if not holds([shape for _, shape in found], reach):
        return None
    low, high = 0, len(found)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if holds([s for _, s in found[:middle]], reach) else (middle, high)
        )
    return found[high - 1][0]


def pin_and_hole(rng):
    # Slivers all round where the facets disagree, and now and then a small lid behind them.
    radius = rng.uniform(3.0, 5.0)
    n, m = rng.integers(6, 14, 2)
    pin = trimesh.creation.cylinder(radius=radius, height=20, sections=int(n))
    hole = trimesh.creation.annulus(r_min=radius, r_max=12, height=30, sections=int(m))
    if rng.random() < 0.7:
        x, y = rng.uniform(-5.0, 3.0, 2)
        lid = trimesh.creation.box(
            bounds=[[x, y, rng.uniform(16.0, 25.0)], [x + rng.uniform(0.1, 3.0), y + 1.0, 30.0]]
        ).subdivide()
        hole = trimesh.util.concatenate([hole, lid])
    return pin, hole, [0.0, 0.0, 1.0]


def slats(rng):
    # Thin slats at many heights: none is wide, together some are.
    body = trimesh.creation.box(bounds=[[0, 0, 0], [10, 10, 10]])
    rows, x = [], rng.uniform(-2.0, 9.0)
    for _ in range(int(rng.integers(1, 12))):
        width, z = rng.uniform(0.02, 0.3), rng.uniform(10.5, 30.0)
        rows.append(trimesh.creation.box(bounds=[[x, -1.0, z], [x + width, 11.0, z + 0.5]]))
        x += width if rng.random() < 0.7 else width + rng.uniform(0.1, 1.0)
    return body, trimesh.util.concatenate(rows), [0.0, 0.0, 1.0]


def nested(rng):
    # A body within a box that has walls on some sides; it starts free, or a little in a wall.
    body = trimesh.creation.box(bounds=[[-5, -5, -5], [5, 5, 5]])
    gap = rng.uniform(-0.15, 0.5, 3)
    rows = []
    for axis in range(3):
        for side in (-1.0, 1.0):
            if rng.random() < 0.5:
                continue
            low, high = np.full(3, -9.0), np.full(3, 9.0)
            near = 5.0 + gap[axis]
            low[axis], high[axis] = (near, near + 2.0) if side > 0 else (-near - 2.0, -near)
            rows.append(trimesh.creation.box(bounds=[low, high]))
    if not rows:
        rows.append(trimesh.creation.box(bounds=[[4.9, -9, 8], [9, 9, 10]]))
    way = np.zeros(3)
    way[int(rng.integers(3))] = rng.choice([-1.0, 1.0])
    return body, trimesh.util.concatenate(rows), way


def shards(rng):
    # Thin wedges at random before a random hull, seen in a random direction.
    body = trimesh.convex.convex_hull(rng.normal(size=(9, 3)) * 4.0)
    rows = []
    for _ in range(int(rng.integers(2, 7))):
        wedge = trimesh.creation.box(extents=[rng.uniform(3, 9), rng.uniform(0.02, 0.4), 3.0])
        wedge.apply_transform(trimesh.transformations.random_rotation_matrix(rng.random(3)))
        wedge.apply_translation([*rng.uniform(-4.0, 4.0, 2), rng.uniform(15.0, 30.0)])
        rows.append(wedge)
    return body, trimesh.util.concatenate(rows), [*rng.normal(size=2) * 0.1, 1.0]


@pytest.mark.parametrize("scene", [pin_and_hole, slats, nested, shards])
@given(seed=st.integers(0, 10_000))
@settings(derandomize=True, deadline=None, max_examples=10)
def test_every_pair_counts_however_few_are_kept(scene, seed):
    rng = np.random.default_rng(seed)
    a, b, way = scene(rng)
    allow = float(rng.uniform(0.05, 0.4))
    found = every_meeting(a, b, way, allow)
    early, late = (first_travel(found, k * allow) for k in (0.49, 0.51)) if found else (None, None)
    results = []
    for some, more in ((1 << 14, 4), (2, 2), (7, 3)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(module, "_SOME", some)
            patch.setattr(module, "_MORE", more)
            results.append(free_travel(a, b, way, allow=allow).read)
    for met in results:
        assert (met is None) == (results[0] is None)
        assert met is None or met.travel == pytest.approx(results[0].travel, abs=1e-9)
        assert met is None or met.overlap == results[0].overlap
    met = results[0]
    if early is None:
        assert met is None
    elif late is not None:
        assert met is not None
        if not met.overlap:
            assert early - 1e-6 <= met.travel <= late + 1e-6


def test_the_kept_ones_run_over_with_equal_travels():
    # A fine lid: hundreds of pairs meet at the very same travel, none alone is wide.
    lid = trimesh.creation.box(bounds=[[1, 1, 17], [2, 2, 18]])
    for _ in range(3):
        lid = lid.subdivide()
    body = trimesh.creation.box(bounds=[[0, 0, 0], [10, 10, 10]])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_SOME", 2)
        patch.setattr(module, "_MORE", 2)
        met = free_travel(body, lid, [0, 0, 1], allow=0.3).read
    assert met is not None
    assert met.travel == pytest.approx(7.0)
    assert not met.overlap


def test_the_last_of_two_halves_counts():
    # Each half of a strip 0.3 wide holds a disc of (0.3 + 3 - hypot(0.3, 3)) / 2 = 0.1425 only.
    corners = np.array([[0, 0, 20], [0.3, 0, 20], [0.3, 3, 20], [0, 3, 20.0]])
    strip = trimesh.Trimesh(corners, [[0, 1, 2], [0, 2, 3]], process=False)
    body = trimesh.Trimesh([[-9, -9, 0], [30, -9, 0], [-9, 30, 0]], [[0, 1, 2]], process=False)
    for allow, travel in ((0.28, 20.0), (0.295, 20.0), (0.31, None)):
        met = free_travel(body, strip, [0, 0, 1], allow=allow, sheets=(True, True)).read
        assert (None if met is None else met.travel) == travel

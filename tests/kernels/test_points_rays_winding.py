"""Nearest points, rays and winding numbers against closed forms and all triangles at once."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from geomcheck.errors import InputError
from geomcheck.mesh import threads
from geomcheck.mesh.query import first_hit, least_distance, point_distance, winding_number
from geomcheck.mesh.tree import TriangleTree


def box(*size):
    return np.array(trimesh.creation.box(size).triangles)


def ball(subdivisions=3, radius=10.0):
    return np.array(trimesh.creation.icosphere(subdivisions, radius).triangles)


def turned(seed):
    return np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]


# --- points ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("feature", "point", "distance", "nearest"),
    [
        ("corner", (4.0, 5.0, 6.0), 7.0710678118654755, (1, 1, 1)),  # sqrt(9 + 16 + 25)
        ("edge", (0.3, 5.0, 6.0), 6.4031242374328485, (0.3, 1, 1)),  # sqrt(16 + 25)
        ("face", (0.2, 0.3, 6.0), 5.0, (0.2, 0.3, 1)),
        ("inside", (0.2, 0.3, 0.4), 0.6, (0.2, 0.3, 1)),
        ("on it", (1.0, 0.3, 0.4), 0.0, (1, 0.3, 0.4)),
    ],
)
def test_point_to_box(feature, point, distance, nearest):
    found = point_distance(box(2, 2, 2), [point])
    assert_allclose(found.distance, [distance], rtol=1e-15)
    assert_allclose(found.point, [nearest], atol=1e-15)


def _nearest_in_triangle(p, t):
    """Independent of the kernel: minimise over the barycentric pieces by least squares."""
    best = np.inf
    for corners in ([0, 1, 2], [0, 1], [1, 2], [2, 0], [0], [1], [2]):
        base = t[corners[0]]
        span = (t[corners[1:]] - base).T
        if span.size:
            w, *_ = np.linalg.lstsq(span, p - base, rcond=None)
            if w.min() < -1e-12 or w.sum() > 1 + 1e-12:
                continue
            foot = base + span @ w
        else:
            foot = base
        best = min(best, np.linalg.norm(p - foot))
    return best


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 1, 2]))
def test_points_against_all_triangles(seed, kind):
    rng = np.random.default_rng(seed)
    tri = rng.normal(size=(rng.integers(1, 40), 3, 3)) * 3.0
    if kind == 1:
        tri = np.round(tri)  # degenerate and coplanar ones
    if kind == 2:
        tri[:, 2] = tri[:, 0] + 0.4 * (tri[:, 1] - tri[:, 0]) + 1e-8 * rng.normal(size=(1, 3))
    points = rng.normal(size=(6, 3)) * 4.0
    found = point_distance(tri, points)
    for k, p in enumerate(points):
        want = min(_nearest_in_triangle(p, t) for t in tri)
        assert_allclose(found.distance[k], want, atol=2e-8 if kind == 2 else 1e-12)
        dot = np.tile(found.point[k], (1, 3, 1))
        assert least_distance(dot, tri[found.triangle[k]][None]).distance < 1e-13
        assert_allclose(np.linalg.norm(p - found.point[k]), found.distance[k], rtol=1e-13)


def test_points_agree_with_a_second_route():
    """A point is a triangle without area: the walk of two trees must say the same."""
    rng = np.random.default_rng(0)
    shape = TriangleTree(ball() @ turned(1))
    points = rng.normal(size=(200, 3)) * 9.0
    found = point_distance(shape, points)
    other = [least_distance(np.tile(p, (1, 3, 1)), shape).distance for p in points]
    assert_allclose(found.distance, other, atol=1e-13)


def _nearest_on_all(points, tri):
    """(n, m) distances of points and triangles by another way: the foot of the point by a 2 x 2
    system, else the edges, each by itself (elementary vector algebra)."""
    p = points[:, None]
    best = np.full((len(points), len(tri)), np.inf)
    for k in range(3):
        a, d = tri[None, :, k], (tri[:, (k + 1) % 3] - tri[:, k])[None]
        dd = (d * d).sum(axis=2)
        t = np.clip(((p - a) * d).sum(axis=2) / np.where(dd > 0.0, dd, 1.0), 0.0, 1.0)
        foot = (1.0 - t)[..., None] * a + t[..., None] * (a + d)
        best = np.minimum(best, np.linalg.norm(p - foot, axis=2))
    u, v = tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]
    uu, uv, vv = (u * u).sum(axis=1), (u * v).sum(axis=1), (v * v).sum(axis=1)
    det = uu * vv - uv * uv
    thin = det <= 1e-9 * np.maximum(uu, vv) ** 2  # no 2 x 2 system tells these; edges are near
    det = np.where(thin, 1.0, det)
    w = p - tri[None, :, 0]
    ru, rv = (w * u).sum(axis=2), (w * v).sum(axis=2)
    s, t = (vv * ru - uv * rv) / det, (uu * rv - uv * ru) / det
    inside = (s >= 0.0) & (t >= 0.0) & (s + t <= 1.0) & ~thin
    foot = tri[None, :, 0] + s[..., None] * u + t[..., None] * v
    return np.where(inside, np.minimum(best, np.linalg.norm(p - foot, axis=2)), best)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["soup", "needles", "caps", "grid", "dots"]))
def test_blocks_of_points_against_all_triangles(seed, kind):
    """Clusters of points, some far away, so that blocks are whole, cut short and single."""
    rng = np.random.default_rng(seed)
    tri = rng.normal(size=(rng.integers(1, 90), 1, 3)) * 3.0 + rng.normal(size=(1, 3, 3))
    if kind == "needles":
        tri[:, 2] = tri[:, 1] + 1e-3 * rng.normal(size=(len(tri), 3))
    if kind == "caps":
        tri[:, 2] = 0.5 * (tri[:, 0] + tri[:, 1]) + 1e-2 * rng.normal(size=(len(tri), 3))
    if kind == "grid":
        tri = np.round(tri)  # ties, coplanar triangles, some without area
    if kind == "dots":
        tri[::2, 1:] = tri[::2, :1]
    middles = rng.normal(size=(30, 1, 3)) * rng.choice([1.0, 5.0, 200.0], size=(30, 1, 1))
    points = (middles + rng.normal(size=(30, 20, 3)) * 0.2).reshape(-1, 3)
    found = point_distance(tri, points)
    away = _nearest_on_all(points, tri)
    best = away.min(axis=1)
    assert_allclose(found.distance, best, rtol=1e-12, atol=1e-12)
    rows = np.arange(len(points))
    assert_allclose(away[rows, found.triangle], best, rtol=1e-12, atol=1e-12)
    off = np.linalg.norm(found.point - points, axis=1)
    assert_allclose(off, found.distance, rtol=1e-12, atol=1e-12)


def test_field_follows_the_shape_and_its_numbering():
    """Turned and moved with its points, reordered, subdivided: the same distances."""
    rng = np.random.default_rng(8)
    shape = ball(4) * [1.0, 0.7, 1.3]
    points = rng.normal(size=(3000, 3)) * 9.0
    first = point_distance(shape, points).distance
    turn, shift = turned(3), np.array([120.0, -40.0, 7.0])
    moved = point_distance(shape @ turn + shift, points @ turn + shift).distance
    assert_allclose(moved, first, atol=1e-12)
    rank = rng.permutation(len(shape))
    again = point_distance(shape[rank][:, [1, 2, 0]], points)
    assert_allclose(again.distance, first, atol=1e-14)
    middle = 0.5 * (shape + shape[:, [1, 2, 0]])
    corners = [np.stack([shape[:, k], middle[:, k], middle[:, k - 1]], axis=1) for k in range(3)]
    finer = point_distance(np.concatenate([*corners, middle]), points).distance
    assert_allclose(finer, first, atol=1e-12)


def test_field_of_a_ball_and_of_a_box():
    # | |p| - r | within the sagitta of the facets; a box: Euclidean norm of what sticks out.
    rng = np.random.default_rng(9)
    points = rng.normal(size=(4000, 3)) * 20.0
    radius = np.linalg.norm(points, axis=1)
    shape = ball(4)
    middle = shape.mean(axis=1)
    sagitta = 10.0 - np.linalg.norm(middle, axis=1).min() + 1e-9
    found = point_distance(shape, points).distance
    off = found - np.abs(radius - 10.0)
    assert np.abs(off).max() <= 1.01 * sagitta
    out = np.maximum(np.abs(points) - [5.0, 10.0, 15.0], 0.0)
    outside = out.any(axis=1)
    found = point_distance(box(10, 20, 30), points[outside]).distance
    assert_allclose(found, np.linalg.norm(out[outside], axis=1), rtol=1e-14)


def test_point_distance_to_a_torus():
    # hypot(rho - R, z) - r (elementary geometry), within the sagitta of the facets.
    torus = trimesh.creation.torus(40.0, 10.0, major_sections=256, minor_sections=128)
    found = point_distance(torus, [[60.0, 0.0, 30.0]])
    assert 0.0 <= found.distance[0] - 26.0555127546399 < 10.0 * (1 - np.cos(np.pi / 128)) + 0.01


def test_cutoff_is_an_answer_and_no_measurement():
    found = point_distance(box(2, 2, 2), [[0, 0, 3.0], [0, 0, 9.0]], cutoff=2.0)
    assert found.distance[0] == 2.0  # the limit belongs to it
    assert np.isinf(found.distance[1])
    assert found.triangle[1] == -1
    assert np.isnan(found.point[1]).all()


def test_points_in_any_order_on_any_threads(monkeypatch):
    rng = np.random.default_rng(3)
    shape = TriangleTree(np.concatenate([ball(), box(4, 4, 4)]))  # many exact ties
    points = np.concatenate([np.round(rng.normal(size=(9000, 3)) * 6.0), np.zeros((3, 3))])
    first = point_distance(shape, points)
    rank = rng.permutation(len(points))
    monkeypatch.setattr(threads, "THREADS", 1)
    again = point_distance(shape, points[rank])
    assert np.array_equal(first.distance[rank], again.distance)
    assert np.array_equal(first.triangle[rank], again.triangle)
    assert np.array_equal(first.point[rank], again.point)


def test_ties_of_points_and_rays_go_to_the_smallest_number():
    """A corner of a box is nearest on, and hit on, all triangles that meet there."""
    rng = np.random.default_rng(6)
    for _ in range(8):
        shape = np.concatenate([box(2, 2, 2), ball(2) + 40.0])  # more than one leaf
        shape = shape[rng.permutation(len(shape))]
        for corner in ([1.0, 1, 1], [-1.0, 1, -1]):
            sharing = np.flatnonzero((shape == corner).all(axis=2).any(axis=1))
            assert len(sharing) > 3
            at = np.array([corner])
            assert point_distance(shape, 3.0 * at).triangle[0] == sharing[0]
            t, number = first_hit(shape, 3.0 * at, -at)
            assert_allclose(t, np.sqrt(12.0), rtol=1e-15)
            assert number[0] == sharing[0]


# --- rays -----------------------------------------------------------------------------------------


def test_ray_into_a_box():
    t, number = first_hit(box(2, 4, 6), [[0, 0, -9.0], [0, 0, 0], [5, 0, 0]], [[0, 0, 3.0]] * 3)
    assert_allclose(t, [6.0, 3.0, np.inf])
    assert number[2] == -1
    assert number[0] >= 0


def test_limit_of_a_ray():
    t, number = first_hit(box(2, 2, 2), [[0, 0, -9.0]] * 2, [[0, 0, 1.0]] * 2, limit=7.999)
    assert np.isinf(t).all()
    assert (number == -1).all()
    assert first_hit(box(2, 2, 2), [[0, 0, -9.0]], [[0, 0, 1.0]], limit=8.0)[0][0] == 8.0


def test_rays_through_edges_and_corners_do_not_slip():
    """Rays aimed at points computed on edges, from inside: every one must meet the ball."""
    rng = np.random.default_rng(1)
    for seed in range(3):
        shape = ball(2, 10.0) @ turned(seed) + 50.0 * seed
        tree = TriangleTree(shape)
        share = rng.random((len(shape), 3, 1))
        on_edges = shape + share * (np.roll(shape, -1, axis=1) - shape)
        aims = np.concatenate([on_edges.reshape(-1, 3), shape.reshape(-1, 3)])
        start = np.full(3, 50.0 * seed) + rng.normal(size=3)
        t, number = first_hit(tree, np.tile(start, (len(aims), 1)), aims - start)
        assert (number >= 0).all()
        assert_allclose(t, np.linalg.norm(aims - start, axis=1), rtol=1e-12)


def test_rays_against_all_triangles():
    rng = np.random.default_rng(2)
    tri = rng.normal(size=(400, 3, 3)) + rng.normal(size=(400, 1, 3)) * 3.0
    start, along = rng.normal(size=(150, 3)) * 4.0, rng.normal(size=(150, 3))
    t, number = first_hit(tri, start, along)
    unit = along / np.linalg.norm(along, axis=1)[:, None]
    for k in range(150):
        # Cramer's rule on origin + t d = a + u (b - a) + v (c - a).
        lhs = np.stack(
            [np.tile(-unit[k], (400, 1)), tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]], -1
        )
        s = np.linalg.solve(lhs, (start[k] - tri[:, 0])[..., None])[..., 0]
        hit = (s[:, 0] >= 0) & (s[:, 1] >= 0) & (s[:, 2] >= 0) & (s[:, 1] + s[:, 2] <= 1)
        want = np.where(hit, s[:, 0], np.inf)
        if np.isfinite(want.min()):
            assert_allclose(t[k], want.min(), rtol=1e-9)
            assert number[k] == want.argmin()
        else:
            assert number[k] == -1


def test_ray_without_length_is_refused():
    with pytest.raises(InputError, match="no length"):
        first_hit(box(1, 1, 1), [[0, 0, 0]], [[0, 0, 0]])


def test_short_and_long_directions_are_the_same():
    for scale in (1e-200, 1e-3, 1.0, 1e200):
        t, _ = first_hit(box(2, 2, 2), [[0.1, 0.2, -9.0]], [[0.0, 0.0, scale]])
        assert t[0] == 8.0


# --- winding --------------------------------------------------------------------------------------


def test_winding_of_closed_bodies():
    one = ball(3) @ turned(5)
    two = np.concatenate([one, box(4, 4, 4)])  # the box wholly inside
    assert_allclose(winding_number(one, [[0, 0, 0], [30, 0, 0], [3, 4, 5]]), [1, 0, 1], atol=1e-12)
    assert_allclose(winding_number(two, [[0, 0, 0], [7, 0, 0], [0, 0, 30]]), [2, 1, 0], atol=1e-12)
    assert_allclose(winding_number(one[:, ::-1], [[0, 0, 0]]), [-1], atol=1e-12)


def test_winding_of_an_open_square():
    # Solid angle of a square of side 2 a from height h above its middle:
    # 4 asin(a^2 / (a^2 + h^2)) (elementary; a cube's face from its centre is 4 pi / 6).
    square = np.array(
        [[[-1.0, -1, 0], [1, -1, 0], [1, 1, 0]], [[-1, -1, 0], [1, 1, 0], [-1, 1, 0]]]
    )
    for h in (0.01, 1.0, 7.0):
        want = 4.0 * np.arcsin(1.0 / (1.0 + h * h)) / (4.0 * np.pi)
        assert_allclose(winding_number(square, [[0, 0, -h], [0, 0, h]]), [want, -want], rtol=1e-9)


def test_winding_near_the_surface_and_far_away():
    rng = np.random.default_rng(4)
    shape = ball(4) @ turned(2)
    at = rng.normal(size=(300, 3))
    at /= np.linalg.norm(at, axis=1)[:, None]
    for radius, want in ((9.9, 1), (10.001, 0), (1000.0, 0)):
        assert_allclose(winding_number(shape, at * radius), want, atol=1e-3)


def test_winding_on_any_threads(monkeypatch):
    shape, at = ball(5), np.random.default_rng(4).normal(size=(70, 3)) * 9.0
    first = winding_number(shape, at)
    monkeypatch.setattr(threads, "THREADS", 1)
    assert np.array_equal(first, winding_number(shape, at))

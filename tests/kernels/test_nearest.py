"""Distance of two triangles against exact rational arithmetic and closed forms."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from geomcheck.mesh import walk
from geomcheck.mesh.query import least_distance, near_masks, rounding
from geomcheck.mesh.tree import TriangleTree

# --- the reference: every pair of features, in rational numbers, independent of the kernel -------


def _sub(a, b):
    return [x - y for x, y in zip(a, b, strict=True)]


def _dot(a, b):
    return sum(x * y for x, y in zip(a, b, strict=True))


def _cross(a, b):
    return [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]


def _along(p, d, t):
    return [x + t * y for x, y in zip(p, d, strict=True)]


def _square(a):
    return _dot(a, a)


def _point_segment(x, p, q):
    d = _sub(q, p)
    t = _dot(_sub(x, p), d) / _square(d) if _square(d) else Fraction(0)
    return _square(_sub(x, _along(p, d, min(max(t, 0), 1))))


def _segments(p, q, r, s):
    u, v, w = _sub(q, p), _sub(s, r), _sub(r, p)
    a, b, c, d, e = _square(u), _dot(u, v), _square(v), _dot(u, w), _dot(v, w)
    best = min(
        _point_segment(p, r, s),
        _point_segment(q, r, s),
        _point_segment(r, p, q),
        _point_segment(s, p, q),
    )
    det = a * c - b * b
    if det:
        m, n = (d * c - b * e) / det, (b * d - a * e) / det
        if 0 <= m <= 1 and 0 <= n <= 1:
            best = min(best, _square(_sub(_along(p, u, m), _along(r, v, n))))
    return best


def _inside(x, t):
    n = _cross(_sub(t[1], t[0]), _sub(t[2], t[0]))
    return all(_dot(_cross(_sub(t[(k + 1) % 3], t[k]), _sub(x, t[k])), n) >= 0 for k in range(3))


def _to_face(x, t):
    n = _cross(_sub(t[1], t[0]), _sub(t[2], t[0]))
    if not any(n):
        return None
    h = _dot(_sub(x, t[0]), n) / _square(n)
    return h * h * _square(n) if _inside(_along(x, n, -h), t) else None


def _goes_through(p, q, t):
    n = _cross(_sub(t[1], t[0]), _sub(t[2], t[0]))
    h, k = _dot(_sub(p, t[0]), n), _dot(_sub(q, t[0]), n)
    return h * k < 0 and _inside(_along(p, _sub(q, p), h / (h - k)), t)


def exact(a, b):
    """Distance of two triangles; only the last square root is rounded."""
    a = [[Fraction(float(x)) for x in p] for p in a]
    b = [[Fraction(float(x)) for x in p] for p in b]
    best = None
    for s, t in ((a, b), (b, a)):
        for k in range(3):
            if _goes_through(s[k], s[(k + 1) % 3], t):
                return 0.0
            faces = [d for d in [_to_face(s[k], t)] if d is not None]
            edges = [_segments(s[k], s[(k + 1) % 3], t[j], t[(j + 1) % 3]) for j in range(3)]
            best = min([*faces, *edges] if best is None else [best, *faces, *edges])
    root = math.isqrt(int(best * 2**400))
    return float(Fraction(root, 2**200))


def distance(a, b):
    near = least_distance(np.asarray(a, float)[None], np.asarray(b, float)[None])
    assert_allclose(np.linalg.norm(near.point_a - near.point_b), near.distance, atol=1e-15)
    return near


def moved(shape, *by):
    return shape + np.array(by)


# --- one test per closest feature, each feature made the only one ---------------------------------

FLAT = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 10.0, 0.0]])


def test_vertex_to_face():
    tip = np.array([[2.0, 3.0, 4.0], [1.0, 3.0, 9.0], [3.0, 5.0, 9.0]])
    near = distance(FLAT, tip)
    assert near.distance == 4.0
    assert_allclose(near.point_a, [2, 3, 0], atol=1e-15)
    assert_allclose(near.point_b, [2, 3, 4])


def test_face_to_vertex():
    tip = np.array([[2.0, 3.0, 4.0], [1.0, 3.0, 9.0], [3.0, 5.0, 9.0]])
    near = distance(tip, FLAT)
    assert near.distance == 4.0
    assert_allclose(near.point_b, [2, 3, 0], atol=1e-15)


def test_edge_to_edge():
    # Two crossing edges 0.5 apart at mid-span, both triangles otherwise turned away.
    low = np.array([[-3.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 0.0, -5.0]])
    high = np.array([[1.0, -4.0, 0.5], [1.0, 4.0, 0.5], [1.0, 0.0, 6.0]])
    near = distance(low, high)
    assert near.distance == 0.5
    assert_allclose(near.point_a, [1, 0, 0], atol=1e-15)
    assert_allclose(near.point_b, [1, 0, 0.5], atol=1e-15)


def test_edge_to_edge_of_skew_lines():
    # |(p2 - p1) . (d1 x d2)| / |d1 x d2| = 1 / sqrt 2 for these lines (elementary geometry).
    d1, d2 = np.array([1.0, 0.0, 0.0]), np.array([1.0, 2.0, 2.0]) / 3.0
    n = np.cross(d1, d2) / np.linalg.norm(np.cross(d1, d2))
    p2 = np.array([3.0, 4.0, 5.0])
    n = n * np.sign(p2 @ n)
    a = np.array([-40.0 * d1, 40.0 * d1, -30.0 * n])
    b = np.array([p2 - 40.0 * d2, p2 + 40.0 * d2, p2 + 30.0 * n])
    assert_allclose(distance(a, b).distance, 0.70710678118654752, rtol=1e-14)


def test_vertex_to_edge():
    tip = np.array([[5.0, -3.0, 4.0], [4.0, -9.0, 9.0], [6.0, -9.0, 9.0]])
    near = distance(FLAT, tip)
    assert near.distance == 5.0
    assert_allclose(near.point_a, [5, 0, 0], atol=1e-15)


def test_vertex_to_vertex():
    tip = np.array([[-3.0, -4.0, 12.0], [-9.0, -9.0, 20.0], [-9.0, -7.0, 21.0]])
    near = distance(FLAT, tip)
    assert near.distance == 13.0  # 3, 4, 12
    assert_allclose(near.point_a, [0, 0, 0])


def test_parallel_edges():
    other = np.array([[2.0, -3.0, 4.0], [8.0, -3.0, 4.0], [5.0, -9.0, 9.0]])
    assert distance(FLAT, other).distance == 5.0


def test_parallel_faces():
    assert distance(FLAT, moved(FLAT, 1.0, 1.0, 0.25)).distance == 0.25


def test_through_the_face():
    # No vertex or edge is near: the long triangle goes through the middle of the big one.
    big = np.array([[-100.0, -100.0, 0.0], [200.0, -100.0, 0.0], [-100.0, 200.0, 0.0]])
    long = np.array([[0.0, 0.0, -50.0], [1.0, 0.0, 50.0], [0.0, 1.0, 50.0]])
    near = distance(big, long)
    assert near.distance == 0.0
    assert np.array_equal(near.point_a, near.point_b)
    assert abs(near.point_a[2]) < 1e-14
    assert np.all((near.point_a[:2] >= 0) & (near.point_a[:2] <= 0.5))


def test_corner_laid_on_a_face():
    tip = np.array([[2.0, 3.0, 0.0], [1.0, 3.0, 9.0], [3.0, 5.0, 9.0]])
    near = distance(FLAT, tip)
    assert near.distance == 0.0
    assert_allclose(near.point_a, [2, 3, 0])


def test_face_laid_on_a_face():
    assert distance(FLAT, moved(FLAT, 2.0, 2.0, 0.0)).distance == 0.0
    assert distance(FLAT, moved(FLAT[::-1], 11.0, 0.0, 0.0)).distance == 1.0


def test_gap_of_a_nanometre_is_a_gap():
    gap = 1e-6
    tip = np.array([[2.0, 3.0, gap], [1.0, 3.0, 9.0], [3.0, 5.0, 9.0]])
    assert_allclose(distance(FLAT, tip).distance, gap, rtol=1e-8)


def test_triangles_without_area():
    point = np.tile([[2.0, 3.0, 4.0]], (3, 1))
    assert distance(FLAT, point).distance == 4.0
    assert distance(point, moved(point, 0.0, 3.0, 4.0)).distance == 5.0
    line = np.array([[2.0, 3.0, 4.0], [2.0, 3.0, 9.0], [2.0, 3.0, 6.0]])
    assert distance(line, FLAT).distance == 4.0
    through = line - [0.0, 0.0, 6.0]
    assert distance(through, FLAT).distance == 0.0


# --- against exact arithmetic ---------------------------------------------------------------------

whole = st.integers(-3, 3).map(float)
corner = st.tuples(whole, whole, whole)
coarse = st.lists(st.tuples(corner, corner, corner), min_size=1, max_size=4)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(coarse, coarse, st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1e-13, 1e-9, 1e-4, 0.3]))
def test_small_sets_against_exact_arithmetic(a, b, seed, shake):
    """On a coarse grid everything touches, coincides, is parallel or degenerate."""
    rng = np.random.default_rng(seed)
    a = np.array(a) + shake * rng.normal(size=(len(a), 3, 3))
    b = np.array(b) + shake * rng.normal(size=(len(b), 3, 3)) + rng.choice([0.0, 2.5])
    table = np.array([[exact(s, t) for t in b] for s in a])
    near = least_distance(a, b)
    allow = 4.0 * rounding(TriangleTree(a), TriangleTree(b))
    assert abs(near.distance - table.min()) <= allow
    assert abs(table[near.triangle_a, near.triangle_b] - table.min()) <= allow
    assert exact(np.tile(near.point_a, (3, 1)), a[near.triangle_a]) <= 2.0 * allow
    assert exact(np.tile(near.point_b, (3, 1)), b[near.triangle_b]) <= 2.0 * allow
    limit = float(np.median(table))
    for marks, least in zip(near_masks(a, b, limit), (table.min(1), table.min(0)), strict=True):
        assert np.all(marks[least <= limit - allow])
        assert not np.any(marks[least > limit + allow])


def test_pairs_in_general_position_against_exact_arithmetic():
    """Apart by about their size, so that every kind of closest feature comes up often."""
    rng = np.random.default_rng(12)
    for _ in range(250):
        a = rng.normal(size=(3, 3))
        b = rng.normal(size=(3, 3)) + rng.normal(size=3) * 1.5
        assert abs(distance(a, b).distance - exact(a, b)) <= 1e-14


@pytest.mark.parametrize("angle", [1e-2, 1e-4, 1e-6, 1e-8, 1e-12, 0.0])
def test_nearly_parallel_edges(angle):
    """Long edges crossing at a small angle: the case that loses half the digits if done badly."""
    rng = np.random.default_rng(7)
    for lift in (0.0, 1e-9, 1e-3, 1.0):
        for _ in range(6):
            turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
            a = np.array([[-50.0, 0, 0], [50.0, 0, 0], [0, 0, -30.0]])
            ends = np.array([-50.0, 50.0])
            b = np.zeros((3, 3))
            b[:2, 0] = ends * math.cos(angle) + 3.0
            b[:2, 1] = ends * math.sin(angle) + rng.normal() * angle
            b[:, 2] = lift
            b[2] = [5.0, 0.0, 30.0]
            a, b = a @ turn, b @ turn
            assert abs(distance(a, b).distance - exact(a, b)) <= 1e-13


@pytest.mark.parametrize("width", [1e-2, 1e-5, 1e-8, 1e-11])
def test_needles_and_caps(width):
    rng = np.random.default_rng(11)
    needle = np.array([[-40.0, 0, 0], [40.0, 0, 0], [40.0, width, 0]])
    cap = np.array([[-40.0, 0, 0], [40.0, 0, 0], [0.3, width, 0]])
    for shape in (needle, cap):
        for lift in (0.0, 1e-10, 0.5):
            for _ in range(5):
                turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
                a = shape @ turn
                b = (rng.normal(size=(3, 3)) * 10.0 * [1, 1, 0] + [0, 0, lift]) @ turn
                assert abs(distance(a, b).distance - exact(a, b)) <= 2e-13


def test_thin_needle_is_not_slipped_past():
    """A needle goes through a face by less than the rounding of its own plane."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        shift = rng.normal(size=3) * 100.0
        needle = np.array([[-40.0, 0, -1e-7], [40.0, 1e-9, 1e-7], [40.0, 0, 1e-7]]) @ turn + shift
        face = np.array([[-9.0, -9, 0], [9.0, -9, 0], [0, 9, 0]]) @ turn + shift
        want = exact(needle, face)
        got = distance(needle, face).distance
        assert got == 0.0 if want == 0.0 else abs(got - want) < 1e-12


def test_crossing_that_floats_cannot_see():
    """A metre long and a tenth of a nanometre high: signs of heights over it are all rounding.

    The walk leaves such pairs open, and exact arithmetic must close them.
    """
    rng = np.random.default_rng(21)
    met = 0
    for _ in range(60):
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        cap = np.array([[-500.0, 0, 0], [500.0, 0, 0], [13.0, 1e-7, 0]]) @ turn
        at, up = rng.uniform(-50, 50), rng.uniform(-1e-7, 1e-7)
        blade = np.array([[at, up, -1e-3], [at + 1, up, 1e-3], [at - 1, up, 1e-3]]) @ turn
        want = exact(cap, blade)
        met += want == 0.0
        near = distance(cap, blade)
        assert near.distance == 0.0 if want == 0.0 else near.distance > 0.0
        masks = near_masks(cap[None], blade[None], 0.0)
        assert masks[0][0] == masks[1][0] == (want == 0.0)
    assert 10 < met < 60


# --- the walk -------------------------------------------------------------------------------------


def patch(rng, n, side=20):
    """A rough open surface of n triangles, coordinates in mm."""
    x = rng.uniform(0, side, size=(n, 1, 2)) + rng.normal(scale=0.5, size=(n, 3, 2))
    z = np.sin(0.4 * x[..., 0]) + np.cos(0.5 * x[..., 1])
    return np.concatenate([x, z[..., None]], axis=2)


@pytest.mark.parametrize("large", [1, 20_000], ids=["shared work", "one share"])
@pytest.mark.parametrize("lift", [0.7, 3.0, 40.0])
def test_walk_against_all_pairs(monkeypatch, large, lift):
    monkeypatch.setattr(walk, "_LARGE", large)
    rng = np.random.default_rng(3)
    a, b = patch(rng, 700), moved(patch(rng, 900), 0.3, 0.2, lift)
    near = least_distance(a, b)
    alone = min(
        found.distance
        for i in range(700)
        if (found := least_distance(a[i : i + 1], b, cutoff=near.distance * 1.5)) is not None
    )
    assert alone == near.distance


def test_skipped_pairs_against_all_pairs(monkeypatch):
    rng = np.random.default_rng(8)
    a, b = patch(rng, 60), moved(patch(rng, 50), 0.0, 0.0, 2.5)
    table = np.array([[least_distance(s[None], t[None]).distance for t in b] for s in a])
    for large in (1, 20_000):
        monkeypatch.setattr(walk, "_LARGE", large)
        for share in (0.2, 0.9, 1.0):
            skip_a, skip_b = rng.random(60) < share, rng.random(50) < share
            left = np.where(skip_a[:, None] & skip_b, np.inf, table)
            near = least_distance(a, b, skip_a=skip_a, skip_b=skip_b)
            if np.isinf(left.min()):
                assert near is None
            else:
                assert near.distance == left.min()
                assert left[near.triangle_a, near.triangle_b] == near.distance


def test_masks_against_all_pairs():
    rng = np.random.default_rng(9)
    a, b = patch(rng, 60), moved(patch(rng, 50), 0.0, 0.0, 2.5)
    table = np.array([[least_distance(s[None], t[None]).distance for t in b] for s in a])
    for limit in (0.0, 0.4, 1.5, 8.0, 100.0):
        mask_a, mask_b = near_masks(a, b, limit)
        assert np.array_equal(mask_a, (table <= limit).any(axis=1))
        assert np.array_equal(mask_b, (table <= limit).any(axis=0))

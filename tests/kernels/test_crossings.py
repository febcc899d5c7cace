"""Crossing triangles against exact rational arithmetic."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from geomcheck.kernels import crossings as kernel
from geomcheck.mesh.query import crossing_pairs, least_distance


def _volume(a, b, c, p):
    u, v, w = ([y - x for x, y in zip(a, q, strict=True)] for q in (b, c, p))
    return (
        u[0] * (v[1] * w[2] - v[2] * w[1])
        + u[1] * (v[2] * w[0] - v[0] * w[2])
        + u[2] * (v[0] * w[1] - v[1] * w[0])
    )


def _chord(t, heights, along):
    found = []
    for k in range(3):
        m = (k + 1) % 3
        here = sum(x * y for x, y in zip(along, t[k], strict=True))
        there = sum(x * y for x, y in zip(along, t[m], strict=True))
        if heights[k] == 0:
            found.append(here)
        if heights[k] * heights[m] < 0:
            found.append(here + heights[k] / (heights[k] - heights[m]) * (there - here))
    return (min(found), max(found)) if found else None


def exact(a, b):
    """Kind of a pair by the chords on the line common to both planes, in rational numbers."""
    a = [[Fraction(float(x)) for x in p] for p in a]
    b = [[Fraction(float(x)) for x in p] for p in b]
    s = [_volume(*b, p) for p in a]
    z = [_volume(*a, p) for p in b]
    if min(s) > 0 or max(s) < 0 or min(z) > 0 or max(z) < 0:
        return kernel.APART
    if not any(s) or not any(z):
        return kernel.FLAT
    n = []
    for t in (a, b):
        u, v = ([y - x for x, y in zip(t[0], q, strict=True)] for q in (t[1], t[2]))
        n.append([u[k - 2] * v[k - 1] - u[k - 1] * v[k - 2] for k in range(3)])
    along = [n[0][k - 2] * n[1][k - 1] - n[0][k - 1] * n[1][k - 2] for k in range(3)]
    first, second = _chord(a, s, along), _chord(b, z, along)
    if first is None or second is None:
        return kernel.APART
    low, high = max(first[0], second[0]), min(first[1], second[1])
    if low > high:
        return kernel.APART
    through = min(s) < 0 < max(s) and min(z) < 0 < max(z)
    return kernel.CROSSES if through and low < high else kernel.MEETS


def kinds(a, b):
    out = np.empty(len(a), dtype=np.int64)
    a, b = np.ascontiguousarray(a), np.ascontiguousarray(b)
    signs = np.empty((2, 3), dtype=np.int64)
    d, h = np.empty((3, 2, 3)), np.empty(200)
    kernel.classify(a, b, np.empty((6, 3)), signs[0], signs[1], d, h, out)
    return out


whole = st.integers(-2, 2).map(float)
corner = st.tuples(whole, whole, whole)
triangle = st.tuples(corner, corner, corner)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(triangle, triangle, st.sampled_from([0.0, 1e-16, 1e-13, 1e-3]), st.integers(0, 99))
def test_kinds_against_exact_arithmetic(a, b, shake, seed):
    """Whole coordinates make every degeneracy common; a shake of an ulp makes signs doubtful."""
    rng = np.random.default_rng(seed)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0] if seed % 2 else np.eye(3)
    a = np.array(a) @ turn + shake * rng.normal(size=(3, 3))
    b = np.array(b) @ turn + shake * rng.normal(size=(3, 3))
    assert kinds(a[None], b[None])[0] == exact(a, b)


def test_many_turned_grids_against_exact_arithmetic():
    rng = np.random.default_rng(2)
    a = rng.integers(0, 4, size=(800, 3, 3)).astype(float)
    b = rng.integers(0, 4, size=(800, 3, 3)).astype(float)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    for s, t in ((a, b), (a @ turn + 7.3, b @ turn + 7.3)):
        want = np.array([exact(x, y) for x, y in zip(s, t, strict=True)])
        assert np.array_equal(kinds(s, t), want)
        assert set(want) == {kernel.APART, kernel.MEETS, kernel.CROSSES, kernel.FLAT}


FACE = np.array([[[-9.0, -9, 0], [9.0, -9, 0], [0, 9, 0]]])


def test_segment_of_a_crossing():
    blade = np.array([[[-20.0, 1.0, -3.0], [20.0, 1.0, -3.0], [0.0, 1.0, 17.0]]])
    found = crossing_pairs(FACE, blade)
    assert found.pairs.tolist() == [[0, 0]]
    # On y = 1 the face reaches from -4 to 4, the blade (at z = 0) from -17 to 17.
    ends = found.segments[0][np.argsort(found.segments[0][:, 0])]
    assert_allclose(ends, [[-4, 1, 0], [4, 1, 0]], atol=1e-14)


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("face on face", FACE + np.array([1.0, 1.0, 0.0])),
        ("same triangle", FACE),
        ("corner on face", np.array([[[0.0, 0, 0], [1.0, 0, 5], [0, 1.0, 5]]])),
        ("edge on face", np.array([[[0.0, 0, 0], [1.0, 0, 0], [0, 1.0, 5]]])),
        ("corner on corner", np.array([[[9.0, -9, 0], [12.0, 0, 5], [12.0, 1.0, 5]]])),
        ("shared edge", np.array([[[-9.0, -9, 0], [9.0, -9, 0], [0, 0, 5.0]]])),
        ("edge through corner", np.array([[[9.0, -9, -1], [9.0, -9, 1], [20.0, -9, 0]]])),
        ("without area", np.array([[[0.0, 0, -1], [0.0, 0, 1], [0.0, 0, 3]]])),
    ],
)
def test_contact_is_no_crossing(name, other):
    assert len(crossing_pairs(FACE, other)) == 0
    assert len(crossing_pairs(other, FACE)) == 0
    assert least_distance(FACE, other).distance == 0.0


def test_faces_laid_on_one_another_and_turned():
    """A placement's rounding makes coplanar faces cross by an ulp: that is contact."""
    rng = np.random.default_rng(4)
    side = np.arange(6.0)
    x, y = np.meshgrid(side, side)
    flat = np.stack([x, y, 0 * x], axis=-1)
    quads = [flat[:-1, :-1], flat[1:, :-1], flat[1:, 1:], flat[:-1, 1:]]
    sheet = np.concatenate(
        [np.stack([quads[0], quads[1], quads[2]], 2), np.stack([quads[0], quads[2], quads[3]], 2)]
    ).reshape(-1, 3, 3)
    seen = 0
    for _ in range(20):
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        a, b = sheet @ turn + 300.0, (sheet + np.array([0.3, 0.4, 0.0])) @ turn + 300.0
        assert len(crossing_pairs(a, b)) == 0
        assert least_distance(a, b).distance == 0.0
        seen += len(crossing_pairs(a, b, noise=0.0))
        rise = 1e-6 * (1.5 - sheet[..., :1])  # a micrometre to either side is a crossing
        tilted = sheet + np.array([0.3, 0.4, 0.0]) + rise * np.array([0.0, 0.0, 1.0])
        assert len(crossing_pairs(a, tilted @ turn + 300.0)) > 0
    assert seen > 0


def test_pairs_against_all_pairs():
    rng = np.random.default_rng(6)
    a = rng.normal(size=(300, 3, 3)) * 0.4 + rng.normal(size=(300, 1, 3))
    b = rng.normal(size=(350, 3, 3)) * 0.4 + rng.normal(size=(350, 1, 3))
    i, j = np.indices((300, 350)).reshape(2, -1)
    want = kinds(a[i], b[j]) == kernel.CROSSES
    found = crossing_pairs(a, b)
    assert np.array_equal(found.pairs, np.stack([i[want], j[want]], axis=1))
    assert len(found) > 500
    # Each end of a segment lies on both triangles.
    for k in range(0, len(found), 40):
        for end in found.segments[k]:
            dot = np.tile(end, (1, 3, 1))
            for shape, number in ((a, found.pairs[k, 0]), (b, found.pairs[k, 1])):
                assert least_distance(dot, shape[number : number + 1]).distance < 1e-14


def test_swapping_swaps_the_pairs():
    rng = np.random.default_rng(6)
    a = rng.normal(size=(100, 3, 3))
    b = rng.normal(size=(100, 3, 3))
    there, back = crossing_pairs(a, b), crossing_pairs(b, a)
    assert {tuple(p) for p in there.pairs} == {tuple(p[::-1]) for p in back.pairs}

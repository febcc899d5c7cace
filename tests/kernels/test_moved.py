"""Poses, bounds and distances of moved triangles against trimesh, python-fcl and dense sampling."""

from __future__ import annotations

import fcl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.transformations import rotation_matrix, scale_matrix, translation_matrix

from geomcheck.kernels import moved as kernel

seeds = settings(derandomize=True, deadline=None, max_examples=40)


def turn(axis, about, side=0):
    return [*axis / np.linalg.norm(axis), *about, 0, 0, 0, 1, 0, side]


def shift(along, side=0):
    return [0, 0, 0, 0, 0, 0, *along, 0, 0, side]


def growth(about, side=0):
    return [0, 0, 0, *about, 0, 0, 0, 0, 1, side]


def way(axis, about, along, angle):
    return [*axis / np.linalg.norm(axis), *about, *along, angle, 0, 0]


def record(chain, middle, half, base=None):
    chain = np.array(chain, dtype=float)
    base = np.eye(4)[:3] if base is None else base[:3]
    out = np.zeros(kernel.HEAD + kernel.WIDE * len(chain))
    box = np.concatenate([middle, half]).astype(float)
    kernel.pose(chain, np.ascontiguousarray(base), box, out)
    return out


def maps(chain, values, base=None):
    out = record(chain, values, np.zeros(len(values)), base)
    return out[:12].reshape(3, 4), out[12:24].reshape(3, 4)


def random_chain(rng, length):
    """Shifts, then turns and ways, then at most one growth."""
    rows = [shift(rng.normal(size=3)) for _ in range(rng.integers(0, 2))]
    for _ in range(length):
        if rng.random() < 0.3:
            rows.append(way(rng.normal(size=3), *rng.normal(size=(2, 3)) * 5, rng.uniform(-2, 2)))
        else:
            rows.append(turn(rng.normal(size=3), rng.normal(size=3) * 10))
    if rng.random() < 0.5:
        rows.append(growth(rng.normal(size=3) * 10))
    return np.array(rows)


# --- poses ---------------------------------------------------------------------------------------


def test_a_pose_is_the_product_of_its_elements():
    """Against trimesh's matrices, the first element done last."""
    rng = np.random.default_rng(1)
    p, q, r, axis, other, along = rng.normal(size=(6, 3)) * 8
    chain = [shift(along), turn(axis, p), way(other, q, along, 0.7), growth(r), growth(p, side=1)]
    values = [0.3, 0.9, -1.2, 0.05, -0.1]
    base = translation_matrix([1, 2, 3]) @ rotation_matrix(0.4, [1, 1, 0])
    moving, still = maps(chain, values, base)
    screw = translation_matrix(-1.2 * along) @ rotation_matrix(-1.2 * 0.7, other, q)
    wanted = (
        translation_matrix(0.3 * along)
        @ rotation_matrix(0.9, axis, p)
        @ screw
        @ scale_matrix(1.05, r)
        @ base
    )
    assert np.allclose(moving, wanted[:3], atol=1e-12)
    assert np.allclose(still, scale_matrix(0.9, p)[:3], atol=1e-12)


def test_standing_still_changes_no_bit():
    moving, still = maps([turn(np.array([1.0, 2, 3]), [7.1, 8.2, 9.3]), growth([1, 2, 3])], [0, 0])
    assert np.array_equal(moving, np.eye(4)[:3]) and np.array_equal(still, np.eye(4)[:3])


# --- bounds on the displacement ------------------------------------------------------------------


def bound(rec, k, side, x, n, r=0.0):
    return kernel._cost(
        rec, k, side, np.asarray(x, float), r, np.asarray(n, float), 1.0, np.zeros(2 * k)
    )


@seeds
@given(st.integers(0, 2**32 - 1))
def test_no_pose_of_the_box_displaces_a_point_farther_than_the_bound(seed):
    rng = np.random.default_rng(seed)
    chain = random_chain(rng, int(rng.integers(1, 4)))
    k = len(chain)
    middle = rng.uniform(-1, 1, k) * np.where(chain[:, 10] > 0, 0.2, 1.0)
    half = (
        rng.uniform(0, 1, k) * 10.0 ** rng.uniform(-3, 0.3, k) * np.where(chain[:, 10] > 0, 0.2, 1)
    )
    rec = record(chain, middle, half)
    point = rng.normal(size=3) * 20
    n = rng.normal(size=3)
    n /= np.linalg.norm(n)
    begin = maps(chain, middle)[0] @ [*point, 1]
    corners = rng.choice([-1.0, 1.0], size=(60, k))
    insides = rng.uniform(-1, 1, size=(60, k))
    away = [
        maps(chain, middle + share * half)[0] @ [*point, 1] - begin
        for share in np.concatenate([corners, insides])
    ]
    assert np.linalg.norm(away, axis=1).max() <= bound(rec, k, 0, begin, np.zeros(3)) + 1e-9
    assert (away @ n).max() <= bound(rec, k, 0, begin, n) + 1e-9
    # A ball of points about it.
    near = point + (1.5 / np.sqrt(3)) * rng.uniform(-1, 1, 3)
    there = maps(chain, middle)[0] @ [*near, 1]
    radius = float(np.linalg.norm(there - begin))
    other = [
        maps(chain, middle + share * half)[0] @ [*near, 1] - there
        for share in np.concatenate([corners, insides])
    ]
    assert (other @ n).max() <= bound(rec, k, 0, begin, n, radius) + 1e-9


@pytest.mark.parametrize("half", [0.01, 0.5, 1.4, 2.5, 4.0])
@pytest.mark.parametrize("at", [0.0, 0.7, 2.0, 3.1])
def test_the_bound_for_one_turn_is_exact(half, at):
    """A point on a circle of 10 about z, seen along y: 10 (max of sin over the arc - sin at)."""
    rec = record([turn(np.array([0.0, 0, 1]), [0, 0, 0])], [0.0], [half])
    point = [10 * np.cos(at), 10 * np.sin(at), 3.0]
    arc = np.linspace(at - min(half, np.pi), at + min(half, np.pi), 200_001)
    exact = 10 * (np.sin(arc).max() - np.sin(at))
    assert bound(rec, 1, 0, point, [0, 1, 0]) == pytest.approx(exact, abs=1e-7)
    chord = 20 * np.sin(min(half, np.pi) / 2)
    assert bound(rec, 1, 0, point, [0, 0, 0]) == pytest.approx(chord)


def test_the_bounds_for_shift_and_growth_are_exact():
    rec = record([shift([3.0, 4, 0]), growth([1.0, 0, 0])], [0.0, 0.0], [2.0, 0.1])
    # 2 mm of (3, 4, 0) along x is 6; a tenth of the 10 mm from the point that stays is 1.
    assert bound(rec, 2, 0, [11, 0, 0], [1, 0, 0]) == pytest.approx(7.0)
    assert bound(rec, 2, 0, [11, 0, 0], [0, 0, 0]) == pytest.approx(11.0)
    still = record([shift([3.0, 4, 0]), growth([1.0, 0, 0], side=1)], [0.0, 0.0], [2.0, 0.1])
    assert bound(still, 2, 1, [11, 0, 0], [1, 0, 0]) == pytest.approx(1.0)
    assert bound(still, 2, 0, [11, 0, 0], [1, 0, 0]) == pytest.approx(6.0)


@seeds
@given(st.integers(0, 2**32 - 1))
def test_no_pose_of_the_box_brings_two_boxes_nearer_than_the_bound(seed):
    """Against the distance of the boxes by python-fcl, in many poses."""
    rng = np.random.default_rng(seed)
    rows = [*random_chain(rng, int(rng.integers(0, 3)))]
    if rng.random() < 0.6 or not rows:
        rows.append(growth(rng.normal(size=3) * 30, side=1))
    chain = np.array(rows)
    k = len(chain)
    scale = np.where(chain[:, 10] > 0, 0.2, 1.0)
    middle = rng.uniform(-1, 1, k) * scale
    half = rng.uniform(0, 1, k) * 10.0 ** rng.uniform(-3, -0.3, k) * scale
    rec = record(chain, middle, half)
    boxes = []
    for at in (np.zeros(3), rng.normal(size=3) * 30):
        low = at - rng.uniform(0, 8, 3)
        boxes.append(np.array([[*low, *(low + rng.uniform(0, 12, 3))]]))
    out, share = np.zeros(24), np.zeros(2 * k)
    low = kernel._node(boxes[0], 0, boxes[1], 0, rec, k, share, out, np.zeros(24))
    corners = [box[0].reshape(2, 3) for box in boxes]
    corners = [
        np.array([[c[i, 0], c[j, 1], c[m, 2]] for i, j, m in np.ndindex(2, 2, 2)]) for c in corners
    ]
    for case in range(12):
        values = middle + half * (rng.choice([-1.0, 1.0], k) if case % 2 else rng.uniform(-1, 1, k))
        moving, still = maps(chain, values)
        a = corners[0] @ still[:, :3].T + still[:, 3]
        b = corners[1] @ moving[:, :3].T + moving[:, 3]
        assert by_fcl(a[SKIN], b[SKIN]) >= low - 1e-6


#: Triangles of a box whose corners are in the order of np.ndindex(2, 2, 2).
_DIGITS = "013 032 467 475 045 051 237 276 026 064 157 173"
SKIN = np.array([int(digit) for digit in _DIGITS if digit != " "]).reshape(12, 3)


# --- pairs of triangles --------------------------------------------------------------------------


def pair(a, b):
    rec = record([shift([1.0, 0, 0])], [0.0], [0.0])
    out = np.zeros(24)
    pq = np.ascontiguousarray([b, a], dtype=float)
    distance, low = kernel._triangles(pq, rec, 1, 1e-12, np.zeros(2), out)
    return distance, low, out[:3], out[3:6]


def by_fcl(a, b):
    """Distance of two sets of triangles (n, 3, 3) by python-fcl; 0 where they meet."""
    shapes = []
    for triangles in (a, b):
        model = fcl.BVHModel()
        model.beginModel(len(triangles), 3 * len(triangles))
        faces = np.arange(3 * len(triangles)).reshape(-1, 3)
        model.addSubModel(np.asarray(triangles, float).reshape(-1, 3), faces)
        model.endModel()
        shapes.append(fcl.CollisionObject(model, fcl.Transform()))
    return max(0.0, fcl.distance(*shapes, fcl.DistanceRequest(), fcl.DistanceResult()))


def test_random_triangles_against_fcl():
    rng = np.random.default_rng(7)
    met = 0
    for case in range(400):
        a, b = rng.normal(size=(2, 3, 3)) * 3
        b = b + rng.normal(size=3) * (case % 4) * 2
        if case % 5 == 0:
            b[1] = b[0] + 1e-3 * (b[1] - b[0])  # a needle
        distance, low, on_a, on_b = pair(a, b)
        wanted = by_fcl(a[None], b[None])
        assert distance == pytest.approx(wanted, abs=1e-9)
        if distance > 0:
            assert np.linalg.norm(on_a - on_b) == pytest.approx(distance, abs=1e-12)
            # The separating direction proves what the closest points found.
            assert low == pytest.approx(distance, abs=1e-8)
        else:
            met += 1
            assert low == 0.0
    assert 40 < met < 200


FLAT = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0]])


@pytest.mark.parametrize(
    ("other", "wanted"),
    [
        ([[1, 1, 2], [2, 1, 3], [1, 2, 3]], 2.0),  # corner over face
        ([[5, 0, 3], [5, 4, 3], [9, 0, 9]], 10**0.5),  # corner beside an edge
        ([[-3, -4, 0], [-6, -4, 0], [-3, -8, 0]], 5.0),  # corner to corner
        ([[1, -2, 1], [1, -2, -1], [1, -9, 0]], 2.0),  # edge across edge
        ([[0, 0, 1], [4, 0, 1], [0, 4, 1]], 1.0),  # parallel and equal
        ([[1, 1, -1], [1, 1, 1], [9, 9, 0]], 0.0),  # through the face
        ([[1, 1, 0], [2, 1, 0], [1, 2, 0]], 0.0),  # in its plane
        ([[4, 0, 0], [8, 0, 0], [8, 0, 4]], 0.0),  # corner on corner
        ([[1, 1, 7], [1, 1, 7], [1, 1, 7]], 7.0),  # a point
        ([[5, 5, 0], [9, 9, 0], [7, 7, 0]], 3 * 2**0.5),  # a segment
    ],
)
def test_closest_features(other, wanted):
    other = np.array(other, dtype=float)
    assert pair(FLAT, other)[0] == pytest.approx(wanted, abs=1e-12)
    assert pair(other, FLAT)[0] == pytest.approx(wanted, abs=1e-12)

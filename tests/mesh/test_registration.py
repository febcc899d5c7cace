"""Rigid placement by point pairs: published and reference values, and how well it then stands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from geomcheck.errors import InputError
from geomcheck.mesh.registration import fit_datums

P = np.array([(0, 0, 0), (10, 0, 0), (0, 20, 0), (0, 0, 30)], dtype=float)
#: P turned by 90 degrees about z, then moved by (1, 2, 3).
Q = np.array([(1, 2, 3), (1, 12, 3), (-19, 2, 3), (1, 2, 33)], dtype=float)


def test_exact_pairs_give_the_exact_motion():
    fit = fit_datums(P, Q)
    assert fit.matrix == pytest.approx(
        np.array([(0, -1, 0, 1), (1, 0, 0, 2), (0, 0, 1, 3), (0, 0, 0, 1)]), abs=1e-12
    )
    assert fit.residuals == pytest.approx(np.zeros(4), abs=1e-12)
    assert fit.scale == pytest.approx(1.0) and not fit.flat and not fit.mirrored


def test_one_point_off():
    """The fourth point 0.4 mm too high; reference values computed apart with numpy."""
    off = Q.copy()
    off[3, 2] = 33.4
    fit = fit_datums(P, off)
    assert fit.rms == pytest.approx(0.169056, abs=1e-6)
    assert fit.residuals == pytest.approx((0.115869, 0.101491, 0.074420, 0.291643), abs=1e-6)
    assert fit.matrix[:3, 3] == pytest.approx((1.015247, 1.987933, 3.114225), abs=1e-6)


def test_umeyamas_example_without_scale():
    """The two-dimensional example of S. Umeyama (1991): a rotation of -33.690 degrees; without
    scale the shift (-0.980483, 0.296867) and the mean square 0.619755, computed apart.

    In space a flat mirror is a half turn. Two points far above and below the middle of each set
    forbid it, and move nothing else.
    """
    x = [(0, 0, 0), (1, 0, 0), (0, 2, 0), (1 / 3, 2 / 3, 50), (1 / 3, 2 / 3, -50)]
    y = [(0, 0, 0), (-1, 0, 0), (0, 2, 0), (-1 / 3, 2 / 3, 50), (-1 / 3, 2 / 3, -50)]
    fit = fit_datums(x, y)
    assert fit.matrix[:3, :3] == pytest.approx(
        np.array([(0.832050, 0.554700, 0), (-0.554700, 0.832050, 0), (0, 0, 1)]), abs=1e-6
    )
    assert fit.matrix[:3, 3] == pytest.approx((-0.980483, 0.296867, 0), abs=1e-6)
    assert (fit.residuals[:3] ** 2).mean() == pytest.approx(0.619755, abs=1e-6)


def test_against_scipys_documented_example():
    """scipy.spatial.transform.Rotation.align_vectors, docstring (no shift there, so each set is
    given with its mirror point, which leaves the middle in the origin)."""
    a = np.array([(0, 1, 0), (0, 1, 1), (0, 1, 1)], dtype=float)
    b = np.array([(1, 0, 0), (1, 1.1, 0), (1, 0.9, 0)], dtype=float)
    turn, rssd = Rotation.align_vectors(a, b)
    fit = fit_datums(np.concatenate([b[:2], -b[:2]]), np.concatenate([a[:2], -a[:2]]))
    known = Rotation.align_vectors(a[:2], b[:2])
    assert rssd == pytest.approx(0.141421356)
    assert turn.as_matrix() == pytest.approx(np.array([(0, 0, 1), (1, 0, 0), (0, 1, 0)]), abs=1e-9)
    assert fit.matrix[:3, :3] == pytest.approx(known[0].as_matrix(), abs=1e-9)
    assert np.sqrt((fit.residuals**2).sum() / 2) == pytest.approx(known[1])


coordinate = st.floats(-500, 500)
cloud = st.lists(st.tuples(coordinate, coordinate, coordinate), min_size=4, max_size=9)


@settings(derandomize=True, deadline=None, max_examples=120)
@given(points=cloud, seed=st.integers(0, 10**6), noise=st.sampled_from([0.0, 0.3, 20.0]))
def test_against_scipy(points, seed, noise):
    rng = np.random.default_rng(seed)
    p = np.array(points)
    turn = Rotation.random(random_state=rng)
    q = turn.apply(p) + rng.uniform(-100, 100, 3) + rng.normal(0, noise, p.shape)
    try:
        fit = fit_datums(p, q)
    except InputError:
        return
    best, rssd = Rotation.align_vectors(q - q.mean(axis=0), p - p.mean(axis=0))
    assert np.sqrt((fit.residuals**2).sum()) == pytest.approx(rssd, abs=1e-4)
    assert np.linalg.det(fit.matrix[:3, :3]) == pytest.approx(1.0)
    if noise < 1 and not fit.flat:
        assert fit.matrix[:3, :3] == pytest.approx(best.as_matrix(), abs=1e-6)
    placed = p @ fit.matrix[:3, :3].T + fit.matrix[:3, 3]
    assert np.linalg.norm(placed - q, axis=1) == pytest.approx(fit.residuals, abs=1e-9)


def test_best_scale_and_mirror_are_told_but_not_applied():
    rng = np.random.default_rng(2)
    p = rng.uniform(0, 300, (6, 3))
    inch = fit_datums(p / 25.4, p)
    assert inch.scale == pytest.approx(25.4) and inch.scaled_rms == pytest.approx(0.0, abs=1e-5)
    assert np.linalg.det(inch.matrix[:3, :3]) == pytest.approx(1.0)
    hand = fit_datums(p * (-1, 1, 1), p)
    assert hand.mirrored and hand.mirrored_rms == pytest.approx(0.0, abs=1e-5) and hand.rms > 10
    assert np.linalg.det(hand.matrix[:3, :3]) == pytest.approx(1.0)
    # Umeyama's scale, by its formula: what a least-squares scale about the middles would be.
    noisy = p + rng.normal(0, 1, p.shape)
    fit = fit_datums(p, noisy)
    x, y = p - p.mean(axis=0), noisy - noisy.mean(axis=0)
    x = x @ fit.matrix[:3, :3].T
    assert fit.scale == pytest.approx((x * y).sum() / (x * x).sum())
    assert abs(fit.scale - 1.0) < fit.scale_amount


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (P[:2], "2 datum pairs cannot place"),
        (P[:1], "1 datum pair cannot place"),
        ([(0, 0, 0), (1, 1, 1), (5, 5, 5)], "in one line"),
        ([(0, 0, 0), (100, 0.1, 0), (200, 0, 0), (300, 0, 0.2)], "in one line"),
        ([(0, 0, 0), (10, 0, 0), (10, 0, 0)], "pairs 2 and 3 have one and the same 'part' point"),
        ([(0, 0, 0), (1, 0, 0), (0, float("nan"), 0)], "not finite"),
    ],
)
def test_what_does_not_place_a_part_is_refused(points, words):
    at = np.array([(0, 0, 0), (10, 0, 0), (0, 20, 0), (5, 5, 9)], dtype=float)[: len(points)]
    with pytest.raises(InputError, match=words):
        fit_datums(points, at)


def test_places_in_one_line_and_unequal_numbers_are_refused():
    with pytest.raises(InputError, match=r"'at' points .* in one line"):
        fit_datums(P[:3], [(0, 0, 0), (1, 1, 1), (5, 5, 5)])
    with pytest.raises(InputError, match="4 datum points but 3 places"):
        fit_datums(P, Q[:3])


# --- how well it stands --------------------------------------------------------------------------


def test_target_registration_error_by_the_published_formula():
    """Fitzpatrick, West and Maurer (1998), from memory: the mean square error at a place is
    FLE^2 / n (1 + 1/3 sum d_k^2 / f_k^2), with d_k its distance from principal axis k and f_k the
    points' RMS distance from it; FLE^2 = 3 s^2. Summed over directions, so compare the trace."""
    p = np.array([(-60, -40, 0), (60, -40, 10), (60, 40, -10), (-60, 40, 0)], dtype=float)
    fit = fit_datums(p, p, accuracy=1.0)
    place = np.array([150.0, 30.0, 80.0])
    centred = p - p.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    q = place - p.mean(axis=0)
    share = 0.0
    for axis in axes.T:
        d2 = q @ q - (q @ axis) ** 2
        f2 = ((centred**2).sum(axis=1) - (centred @ axis) ** 2).mean()
        share += d2 / f2
    expected = 3.0 / len(p) * (1.0 + share / 3.0)
    cross = np.array([[0, q[2], -q[1]], [-q[2], 0, q[0]], [q[1], -q[0], 0]])
    lever = np.concatenate([cross, np.eye(3)], axis=1)
    cov = fit.alignment.covariance
    assert np.trace(lever @ cov @ lever.T) == pytest.approx(expected)
    largest = np.linalg.eigvalsh(lever @ cov @ lever.T)[-1]
    assert fit.alignment.amount(place[None])[0] == pytest.approx(np.sqrt(largest))


def test_amounts_hold_as_often_as_they_say():
    """Monte Carlo: the true place lies within the amount in each direction at least 95 % of the
    time, for points with normal scatter; by the least favourable direction it is more."""
    rng = np.random.default_rng(11)
    p = np.array([(0, 0, 0), (200, 0, 20), (0, 150, 0), (180, 160, -30)], dtype=float)
    place = np.array([[320.0, 80.0, 120.0]])
    inside = []
    for _ in range(1500):
        fit = fit_datums(p, p + rng.normal(0, 0.2, p.shape))
        off = place @ fit.matrix[:3, :3].T + fit.matrix[:3, 3] - place
        amount = fit.alignment.amount(place)[0]
        inside.append(np.abs(off[0, 2]) <= amount)
    assert np.mean(inside) > 0.94


def test_amounts_grow_with_the_lever_and_are_convex():
    off = Q.copy()
    off[3, 2] = 33.4
    alignment = fit_datums(P, off).alignment
    rng = np.random.default_rng(3)
    corners = rng.uniform(-400, 400, (50, 3, 3))
    inner = np.einsum("ij,njk->nik", rng.dirichlet((1, 1, 1), 20), corners)
    for triangle, points in zip(corners, inner, strict=True):
        assert alignment.amount(points).max() <= alignment.amount(triangle).max() + 1e-12
    middle = alignment.centre[None]
    assert alignment.amount(middle + 300)[0] > 3 * alignment.amount(middle)[0]
    # With slack: no less than anywhere within it.
    here = np.array([[50.0, -20.0, 70.0]])
    around = here + 8.0 * rng.normal(size=(500, 3)) / np.sqrt(3)
    around = around[np.linalg.norm(around - here, axis=1) <= 8.0]
    assert alignment.amount(here, 8.0)[0] >= alignment.amount(around).max()


def test_an_alignment_moves_with_the_axes():
    off = Q.copy()
    off[3, 2] = 33.4
    alignment = fit_datums(P, off).alignment
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.3, -1.2, 0.7]).as_matrix()
    matrix[:3, 3] = (5, 60, -7)
    points = np.random.default_rng(1).uniform(-100, 100, (20, 3))
    there = points @ matrix[:3, :3].T + matrix[:3, 3]
    assert alignment.moved(matrix).amount(there) == pytest.approx(alignment.amount(points))


def test_three_good_points_are_trusted_less_than_ten():
    rng = np.random.default_rng(4)
    p = rng.uniform(-100, 100, (10, 3))
    off = rng.normal(0, 0.1, p.shape)
    three, ten = fit_datums(p[:3], p[:3] + off[:3]), fit_datums(p, p + off)
    assert three.flat and not ten.flat
    # Student's factor with 3 degrees of freedom: 3.182; with 24: 2.064 (tables).
    for fit, factor, n in ((three, 3.1824, 3), (ten, 2.0639, 10)):
        middle = fit.alignment.amount(fit.alignment.centre[None])[0]
        assert middle == pytest.approx(factor * fit.scatter / np.sqrt(n), rel=1e-3)


def test_declared_accuracy_is_a_floor():
    assert fit_datums(P, Q, accuracy=0.5).alignment.amount(Q.mean(axis=0)[None])[
        0
    ] == pytest.approx(0.25)
    assert "declared accuracy" in fit_datums(P, Q, accuracy=0.5).alignment.source(P)
    assert fit_datums(P, Q).alignment.amount(Q)[0] < 1e-9

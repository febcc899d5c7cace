"""Bolt patterns: closed forms, a global search (scipy), and the worked example of ASME Y14.5."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import differential_evolution

from geomcheck.errors import InputError
from geomcheck.fasten.pattern import fit_pattern, fixed, floating, match_pattern
from geomcheck.fasten.pattern_moves import least_moves


def circle(n, radius=50.0, start=0.0):
    angle = start + 2 * math.pi * np.arange(n) / n
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def turned(points, degrees, shift=(0.0, 0.0)):
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return points @ np.array([[c, s], [-s, c]]) + np.array(shift)


def test_worked_example_of_the_formulas():
    # ASME Y14.5M-1994, appendix B (from memory): bolts of 6 mm, clearance holes of 6.44 mm.
    # Floating: T = H - F = 0.44 for each part. Two holes, each off by T / 2, are 0.44 apart.
    assert floating(6.44, 6.44, 6.0) == pytest.approx(0.44)
    # Fixed: T = (H - F) / 2 = 0.22 for each part, together T / 2 + T / 2 = 0.22.
    assert fixed(6.44, 6.0) == pytest.approx(0.22)
    # Both parts at the limit, against each other: it just goes together.
    limit = circle(4) + np.array([[0.11, 0], [0, 0.11], [-0.11, 0], [0, -0.11]])
    other = circle(4) - np.array([[0.11, 0], [0, 0.11], [-0.11, 0], [0, -0.11]])
    fit = fit_pattern(limit, other, fixed(6.44, 6.0))
    assert fit.excess == pytest.approx(0.0, abs=1e-9)


@given(st.floats(-180, 180), st.floats(-50, 50), st.floats(-50, 50), st.integers(2, 9))
@settings(derandomize=True, deadline=None, max_examples=25)
def test_a_moved_pattern_goes_on_without_error(angle, x, y, n):
    pattern = circle(n) * np.array([1.0, 0.7]) + np.array([20.0, -5.0])
    fit = fit_pattern(turned(pattern, angle, (x, y)), pattern, 0.25)
    assert fit.excess == pytest.approx(-0.25, abs=1e-6)
    assert fit.least_excess == pytest.approx(-0.25, abs=1e-9)
    assert (fit.angle + angle + 180) % 360 == pytest.approx(180, abs=1e-4)
    back = turned(turned(pattern, angle, (x, y)), fit.angle, fit.shift)
    assert np.allclose(back, pattern, atol=1e-5)


@pytest.mark.parametrize("n", [3, 4, 6, 8])
def test_a_pitch_circle_too_large(n):
    # By symmetry no shift or turn helps: every hole is off by the difference of the radii.
    fit = fit_pattern(turned(circle(n, 50.4), 11, (3, -4)), circle(n), 0.25)
    assert fit.excess == pytest.approx(0.15, abs=1e-9)
    # A place as good could be turned by up to 0.018 rad, which is worth 0.009 mm at most.
    assert 0.141 < fit.least_excess < 0.146
    assert np.allclose(fit.distances, 0.4, atol=1e-6)
    # Each hole moves inwards by what is over, as the part stands.
    moves = least_moves(turned(circle(n, 50.4), 11, (3, -4)), circle(n), 0.25)
    assert np.allclose(moves, turned(-0.15 * circle(n, 1.0), 11), atol=2e-3)


def test_two_holes_share_their_error_by_what_each_allows():
    # The distance is wrong by d: the best has excess (d - a1 - a2) / 2.
    fit = fit_pattern([[0, 0], [100.9, 0]], [[0, 0], [100, 0]], [0.1, 0.5])
    assert fit.excess == pytest.approx(0.15, abs=1e-9)
    assert fit.distances == pytest.approx([0.25, 0.65], abs=1e-9)


def test_least_squares_would_turn_a_good_part_down():
    # Three places in a row, one tight hole at an end: least squares spreads the error evenly.
    reference = np.array([[0.0, 0.0], [60.0, 0.0], [120.0, 0.0]])
    points = reference + np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.0]])
    allowed = np.array([0.05, 0.5, 0.5])
    even = points - reference - (points - reference).mean(axis=0)
    assert (np.abs(even[:, 0]) - allowed).max() > 0.2
    assert fit_pattern(points, reference, allowed).excess <= 0.0


@pytest.mark.parametrize("seed", range(8))
def test_against_a_global_search(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 11))
    q = rng.uniform(-80, 80, (n, 2))
    p = q + rng.normal(0, 0.3, (n, 2))
    a = rng.uniform(0.1, 0.5, n)
    fit = fit_pattern(p, q, a)

    def worst(x):
        there = turned(p, math.degrees(x[2]), x[:2])
        return float((np.hypot(*(there - q).T) - a).max())

    bounds = [(-2, 2), (-2, 2), (-0.02, 0.02)]
    found = differential_evolution(worst, bounds, seed=1, tol=1e-10, maxiter=600, popsize=12)
    assert fit.excess == pytest.approx(found.fun, abs=1e-6)
    # What is claimed of all places holds for all the search has seen, and is near.
    assert fit.excess - 0.02 < fit.least_excess <= found.fun + 1e-9
    assert worst([*fit.shift, math.radians(fit.angle)]) == pytest.approx(fit.excess, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_lower_bound_holds_everywhere(seed):
    rng = np.random.default_rng(100 + seed)
    q = rng.uniform(-10, 10, (5, 2))  # small and far off: turns matter
    p = q + rng.normal(0, 1.5, (5, 2))
    fit = fit_pattern(p, q, 0.2)
    for _ in range(4000):
        move = rng.normal(0, 1.0, 2) + fit.shift
        there = turned(p, fit.angle + rng.normal(0, 8.0), move)
        assert np.hypot(*(there - q).T).max() - 0.2 >= fit.least_excess - 1e-12


def test_dowels_leave_it_where_it_stands():
    points = circle(4) + np.array([0.3, 0.0])
    fit = fit_pattern(points, circle(4), 0.25, free=False)
    assert fit.excess == pytest.approx(0.05)
    assert np.allclose(least_moves(points, circle(4), 0.25, free=False), [-0.05, 0.0])
    assert np.allclose(least_moves(points, circle(4), 0.25), 0.0)
    assert fit_pattern(points, circle(4), 0.25).excess == pytest.approx(-0.25, abs=1e-6)


def test_a_bolt_too_thick_for_its_hole():
    fit = fit_pattern(circle(3), circle(3), [0.2, -0.1, 0.2])
    assert fit.excess == pytest.approx(0.1, abs=1e-6)
    assert fit.least_excess == pytest.approx(0.1, abs=1e-6)


def test_holes_find_their_places():
    rng = np.random.default_rng(5)
    pattern = np.array([[0.0, 0], [70, 0], [70, 40], [15, 55], [0, 30]])
    order = rng.permutation(5)
    near = match_pattern(pattern[order] + rng.normal(0, 0.2, (5, 2)), pattern, 3.0)
    assert (order[near] == np.arange(5)).all()
    moved = turned(pattern[order] + rng.normal(0, 0.2, (5, 2)), 131.0, (400, -90))
    assert (match_pattern(moved, pattern, 3.0) == -1).all()
    found = match_pattern(moved, pattern, 3.0, anywhere=True)
    assert (order[found] == np.arange(5)).all()
    # A missing hole leaves its place empty, a hole too many stays over.
    part = match_pattern(moved[order != 2], pattern, 3.0, anywhere=True)
    assert part[2] == -1 and (part >= 0).sum() == 4
    more = np.vstack([moved, moved.mean(axis=0)])
    assert set(match_pattern(more, pattern, 3.0, anywhere=True)) == set(range(5))


def test_a_mirrored_pattern_does_not_match():
    pattern = np.array([[0.0, 0], [70, 0], [70, 40], [15, 55], [0, 30]])
    mirrored = pattern * np.array([1.0, -1.0])
    assert (match_pattern(mirrored, pattern, 3.0, anywhere=True) >= 0).sum() < 5


def test_a_regular_pattern_takes_the_least_turn():
    found = match_pattern(turned(circle(6), 5.0), circle(6), 1.0, anywhere=True)
    assert list(found) == list(range(6))


def test_bad_input():
    with pytest.raises(InputError, match="cannot be laid together"):
        fit_pattern(circle(3), circle(4), 0.2)
    with pytest.raises(InputError, match="finite"):
        fit_pattern([[0, math.nan]], [[0, 0]], 0.2)
    assert list(match_pattern(np.empty((0, 2)), circle(2), 1.0)) == [-1, -1]


def test_only_the_bad_hole_moves():
    wrong = circle(6)
    wrong[1] += (0.0, 3.0)
    moves = least_moves(turned(wrong, 30, (5, 5)), circle(6), 0.25)
    assert np.allclose(moves[[0, 2, 3, 4, 5]], 0.0, atol=1e-4)
    # The others' clearance lets the part come along some way.
    assert 1.9 < np.hypot(*moves[1]) < 2.75
    mended = turned(wrong, 30, (5, 5)) + moves
    assert fit_pattern(mended, circle(6), 0.25).excess == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_moved_as_told_all_bolts_go_in(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 10))
    q = rng.uniform(-80, 80, (n, 2))
    p = turned(q + rng.normal(0, 0.6, (n, 2)), rng.uniform(-180, 180), rng.uniform(-9, 9, 2))
    a = rng.uniform(0.0, 0.4, n)
    moves = least_moves(p, q, a)
    assert fit_pattern(p + moves, q, a).excess < 1e-6
    # No more in all than from the place in which the worst is best.
    fit = fit_pattern(p, q, a)
    assert np.hypot(*moves.T).sum() <= np.clip(fit.distances - a, 0.0, None).sum() + 1e-6

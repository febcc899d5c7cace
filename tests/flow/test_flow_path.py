"""The flow path against lines, circles and helices (closed form)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.flow.path import FlowPath


def circle(degrees: float, points: int, radius: float = 80.0) -> np.ndarray:
    turn = np.radians(np.linspace(0, degrees, points))
    return radius * np.c_[np.cos(turn), 0 * turn, np.sin(turn)]


def test_collinear_points_give_the_exact_line() -> None:
    path = FlowPath([(1, 2, 3), (1, 2, 13), (1, 2, 14), (1, 2, 103)])
    frames = path.frames([0, 33.3, 100])
    assert path.straight
    assert path.length == 100.0
    np.testing.assert_array_equal(frames[:, :3], [[1, 2, 3], [1, 2, 36.3], [1, 2, 103]])
    np.testing.assert_array_equal(frames[:, 9:12], np.tile([0, 0, 1], (3, 1)))
    np.testing.assert_array_equal(path.curvature([5.0]), [0.0])


def test_circle_length_tangent_and_curvature() -> None:
    path = FlowPath(circle(90, 10))
    s = np.linspace(0, path.length, 41)
    frames = path.frames(s)
    turn = s / 80
    # Spline through points 10 degrees apart: h^4 error, a few parts in a million.
    assert path.length == pytest.approx(80 * np.pi / 2, rel=1e-5)
    np.testing.assert_allclose(np.linalg.norm(frames[:, :3], axis=1), 80, atol=3e-3)
    expected = np.c_[-np.sin(turn), 0 * turn, np.cos(turn)]
    np.testing.assert_allclose(frames[:, 9:12], expected, atol=1e-3)
    np.testing.assert_allclose(path.curvature(s[5:-5]), 1 / 80, rtol=5e-3)
    np.testing.assert_allclose(path.turning([path.length]), np.pi / 2, rtol=2e-3)


def test_arc_length_is_what_it_says() -> None:
    points = [(0, 0, 0), (0, 0, 60), (5, 0, 80), (60, 20, 120), (150, 20, 120), (160, 60, 90)]
    path = FlowPath(points)
    fine = path.frames(np.linspace(0, path.length, 20001))[:, :3]
    steps = np.linalg.norm(np.diff(fine, axis=0), axis=1)
    np.testing.assert_allclose(steps, path.length / 20000, rtol=1e-6)
    for point in points:
        assert np.linalg.norm(fine - point, axis=1).min() < path.length / 20000


def test_frames_do_not_turn_about_the_path() -> None:
    # On a helix the frame must turn against the Frenet frame by minus the torsion:
    # b / (a^2 + b^2) per unit length (any text on curves).
    a, b = 30.0, 10.0
    t = np.linspace(0, 4 * np.pi, 121)
    path = FlowPath(np.c_[a * np.cos(t), a * np.sin(t), b * t])
    s = np.linspace(0.2, 0.8, 61) * path.length
    frames = path.frames(s)
    turn = s / np.hypot(a, b)
    normal = -np.c_[np.cos(turn), np.sin(turn), 0 * turn]
    angle = np.arctan2((normal * frames[:, 6:9]).sum(axis=1), (normal * frames[:, 3:6]).sum(axis=1))
    rate = np.polyfit(s, np.unwrap(angle), 1)[0]
    assert rate == pytest.approx(b / (a**2 + b**2), rel=2e-3)


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 10**6))
def test_frames_are_right_handed_and_do_not_depend_on_the_stations(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.uniform(5, 40, (6, 3)), axis=0)
    path = FlowPath(points)
    s = np.sort(rng.uniform(0, path.length, 20))
    frames = path.frames(s)
    axes = frames[:, 3:].reshape(-1, 3, 3)
    np.testing.assert_allclose(
        axes @ axes.transpose(0, 2, 1), np.tile(np.eye(3), (20, 1, 1)), atol=1e-12
    )
    np.testing.assert_allclose(np.linalg.det(axes), 1.0, atol=1e-12)
    np.testing.assert_allclose(path.frames(s[7]), frames[7:8], atol=1e-12)
    # Neighbours hardly turn about the path.
    close = path.frames([s[3], s[3] + 1e-3])
    assert abs(close[0, 6:9] @ close[1, 3:6]) < 1e-6


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(0, 0, 0)], "two or more points"),
        ([(0, 0), (1, 1)], "two or more points"),
        ([(0, 0, 0), (0, 0, 0)], "points 1 and 2 are the same"),
        ([(0, 0, 0), (0, 0, 50), (0, 0, 50), (0, 0, 90)], "points 2 and 3 are the same"),
        ([(0, 0, 0), (0, 0, 50), (1, 0, 10)], "turns back by 179 degrees at point 2"),
        ([(0, 0, 0), (0, 0, 100), (0, 0, 50)], "turns back by 180 degrees at point 2"),
        ([(0, 0, 0), (0, float("nan"), 50)], "point 2 has a coordinate that is not finite"),
    ],
)
def test_points_that_make_no_path_are_refused(points: list[tuple[float, ...]], words: str) -> None:
    with pytest.raises(InputError, match=words):
        FlowPath(points)

"""Placements against scipy's Rotation (Rodrigues' formula written by others)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from geomcheck.errors import PlacementError
from geomcheck.mesh.placement import apply, check_rigid, compose, inverse, rigid

COORDINATE = st.floats(-1e3, 1e3)
POINT = st.tuples(COORDINATE, COORDINATE, COORDINATE)
AXIS = POINT.filter(lambda p: np.linalg.norm(p) > 1e-3)
ANGLE = st.floats(-720, 720)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(AXIS, ANGLE, POINT, POINT, POINT)
def test_one_turn_and_move(axis, angle, about, move, point):
    turn = Rotation.from_rotvec(np.radians(angle) * np.array(axis) / np.linalg.norm(axis))
    expected = turn.apply(np.array(point) - about) + about + move
    found = apply(rigid([(axis, angle, about)], move), [point])[0]
    np.testing.assert_allclose(found, expected, atol=1e-9)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(st.lists(st.tuples(AXIS, ANGLE, POINT), max_size=4), POINT)
def test_turns_go_one_after_the_other_and_stay_rigid(turns, move):
    matrix = rigid(turns, move)
    step = compose(*(rigid([turn]) for turn in turns), rigid(move=move))
    np.testing.assert_allclose(matrix, step, atol=1e-9)
    np.testing.assert_allclose(check_rigid(matrix), matrix, atol=1e-12)
    np.testing.assert_allclose(compose(matrix, inverse(matrix)), np.eye(4), atol=1e-9)
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1)


@pytest.mark.parametrize("quarters", range(-5, 6))
def test_quarter_turns_are_exact(quarters):
    matrix = rigid([((0, 0, 2), 90.0 * quarters, (0, 0, 0))])
    assert set(np.abs(matrix).ravel()) <= {0.0, 1.0}
    expected = Rotation.from_euler("z", 90 * quarters, degrees=True).as_matrix()
    np.testing.assert_allclose(matrix[:3, :3], expected, atol=1e-15)


def test_order_matters_and_is_the_one_given():
    x, z = ((1, 0, 0), 90, (0, 0, 0)), ((0, 0, 1), 90, (0, 0, 0))
    np.testing.assert_array_equal(apply(rigid([x, z]), [[0, 1, 0]])[0], [0, 0, 1])
    np.testing.assert_array_equal(apply(rigid([z, x]), [[0, 1, 0]])[0], [-1, 0, 0])


def test_the_identity_changes_no_bit_and_copies():
    points = np.array([[0.1, -0.0, 1e-300]])
    out = apply(rigid(), points)
    assert out.tobytes() == points.tobytes()
    assert out is not points


BAD = {
    "scales by 25.4": np.diag([25.4, 25.4, 25.4, 1]),
    "scales by 1, 1, 2 along": np.diag([1.0, 1, 2, 1]),
    "mirrors the part": np.diag([1.0, 1, -1, 1]),
    "scales by 2 (a scale of 1 is wanted) and mirrors": np.diag([-2.0, 2, 2, 1]),
    "shears": np.array([[1, 0.1, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1.0]]),
    "last row of a placement must be 0 0 0 1; the move": np.eye(4) + 5 * np.eye(4, k=-3),
    "must be 0 0 0 1": np.diag([1.0, 1, 1, 2]),
    "finite": np.full((4, 4), np.nan),
    "four rows of four": np.eye(3),
}


@pytest.mark.parametrize("words", BAD)
def test_what_is_not_rigid_is_refused(words):
    with pytest.raises(PlacementError) as info:
        check_rigid(BAD[words])
    assert words in info.value.what
    assert info.value.remedy


def test_seven_digits_are_rigid_enough_and_made_exact():
    exact = rigid([((1, 2, 3), 37.0, (0, 0, 0))], (1, 2, 3))
    out = check_rigid(np.round(exact, 7))
    np.testing.assert_allclose(out, exact, atol=2e-7)
    np.testing.assert_allclose(out[:3, :3].T @ out[:3, :3], np.eye(3), atol=1e-15)
    with pytest.raises(PlacementError):
        check_rigid(np.round(exact, 4))


@pytest.mark.parametrize(
    ("turn", "move", "words"),
    [
        (((0, 0, 0), 10, (0, 0, 0)), (0, 0, 0), "no length"),
        (((0, 0, 1), np.inf, (0, 0, 0)), (0, 0, 0), "finite"),
        (((0, 0, 1), 10, (0, np.nan, 0)), (0, 0, 0), "finite"),
        (((0, 0, 1), 10, (0, 0, 0)), (0, np.nan, 0), "finite"),
        (((0, 0, 1), 10, (0, 0, 0)), (0, 0), "three finite numbers"),
    ],
)
def test_turns_that_make_no_sense(turn, move, words):
    with pytest.raises(PlacementError, match=words):
        rigid([turn], move)

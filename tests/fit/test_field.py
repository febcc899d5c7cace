"""The gap field against closed forms and brute force."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.field import gap_field
from geomcheck.fit.foot import point_triangle


def box(low, high):
    return Body.of(trimesh.creation.box(bounds=np.array([low, high], dtype=float)))


def box_distance(points, low, high):
    """Signed distance to a box, by its closed form: outside by components, inside the least."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    q = np.maximum(low - points, points - high)
    outside = np.linalg.norm(np.maximum(q, 0.0), axis=1)
    return outside + np.minimum(q.max(axis=1), 0.0)


LOW, HIGH = (0, 0, 0), (30, 20, 10)


def test_distance_to_a_box_has_its_closed_form_inside_and_outside():
    points = np.random.default_rng(3).uniform(-20, 50, (2000, 3))
    field = gap_field(points, [box(LOW, HIGH)], 100.0)
    want = box_distance(points, LOW, HIGH)
    assert (want < 0).sum() > 20
    np.testing.assert_allclose(field.distance, want, atol=1e-12)
    away = np.linalg.norm(points - field.point, axis=1)
    np.testing.assert_allclose(away, np.abs(want), atol=1e-12)
    assert (field.nearest == 0).all() and ((field.triangle >= 0) & (field.triangle < 12)).all()


def test_the_nearest_of_several_bodies_is_named_and_the_first_of_two_as_near():
    left, right = box((-20, 0, 0), (-10, 10, 10)), box((10, 0, 0), (20, 10, 10))
    points = np.array([[-3.0, 5, 5], [4.0, 5, 5], [0.0, 5, 5]])
    field = gap_field(points, [left, right], 50.0)
    np.testing.assert_allclose(field.distance, [7, 6, 10])
    assert field.nearest.tolist() == [0, 1, 0]


def test_beyond_the_limit_there_is_no_measurement_but_depths_are_measured():
    block = box((-50, -50, -50), (50, 50, 50))
    points = np.array([[0.0, 0, 0], [52.0, 0, 0], [53.5, 0, 0]])
    field = gap_field(points, [block], 3.0)
    assert field.distance[0] == -50.0
    assert field.distance[1] == pytest.approx(2.0)
    assert np.isinf(field.distance[2]) and field.nearest[2] == -1 and field.triangle[2] == -1
    assert np.isnan(field.point[2]).all()


def test_points_just_within_the_limit_are_measured():
    box = Body.of(trimesh.creation.box((2, 2, 2)), 0.0)
    field = gap_field(np.array([[10.99, 0, 0], [11.01, 0, 0]]), [box], 10.0)
    assert field.distance[0] == pytest.approx(9.99) and field.nearest.tolist() == [0, -1]


def test_open_bodies_have_no_inside_and_are_named():
    shape = trimesh.creation.box((20, 20, 20))
    torn = Body.of(shape.triangles[1:])
    field = gap_field(np.array([[3.0, 0, 0]]), [torn], 30.0)
    assert field.distance[0] == pytest.approx(7.0)
    assert field.unsigned == (0,)
    assert gap_field(np.array([[3.0, 0, 0]]), [Body.of(shape)], 30.0).unsigned == ()


def test_vertices_of_one_body_against_another(ball):
    """Balls of 10 and 6, middles 20 apart: the vertex nearest has distance 4 at least."""
    a, b = Body.of(ball(10.0).mesh), Body.of(ball(6.0).moved(20.0, 0, 0).mesh)
    field = gap_field(a.vertices, [b], 100.0)
    true = np.linalg.norm(a.vertices - [20.0, 0, 0], axis=1) - 6.0
    sag = ball(6.0).sagitta
    assert (field.distance >= true - 1e-9).all() and (field.distance <= true + sag + 1e-9).all()


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6))
def test_against_every_triangle_tried_and_under_rigid_motion(seed):
    rng = np.random.default_rng(seed)
    soup = rng.uniform(-10, 10, (20, 3, 3))
    points = rng.uniform(-15, 15, (30, 3))
    brute = np.min([point_triangle(points, np.tile(t, (30, 1, 1))) for t in soup], axis=0)
    field = gap_field(points, [Body.of(soup)], 100.0)
    np.testing.assert_allclose(field.distance, brute, atol=1e-9)
    matrix = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    moved = gap_field(points @ matrix.T + 7.0, [Body.of(soup @ matrix.T + 7.0)], 100.0)
    np.testing.assert_allclose(moved.distance, field.distance, atol=1e-9)


def test_bad_limits_are_refused():
    block = box(LOW, HIGH)
    for limit in (-1.0, float("nan")):
        with pytest.raises(InputError):
            gap_field(np.zeros((1, 3)), [block], limit)
    with pytest.raises(InputError):
        gap_field(np.array([[np.nan, 0, 0]]), [block], 5.0)

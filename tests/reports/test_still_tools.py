"""Tools in pictures: handles as boxes, the arc as a fan."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.reports.still.shapes import bar_triangles, fan, tool_shape

AT = np.array([5.0, 6.0, 7.0])
AXIS = np.array([0.6, 0.0, 0.8])
TOWARD = np.array([0.8, 0.0, -0.6])


def solid(triangles):
    mesh = trimesh.Trimesh(triangles.reshape(-1, 3), np.arange(len(triangles) * 3).reshape(-1, 3))
    mesh.merge_vertices()
    return mesh


def test_a_bar_is_a_closed_box_that_faces_out():
    mesh = solid(bar_triangles(AT, AXIS, TOWARD, np.array([[30.0, 40.0, 8.0, 5.0, 90.0]])))
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(10.0 * 8.0 * 85.0)
    away = mesh.vertices - AT
    assert (away @ AXIS).min() == pytest.approx(30.0)
    assert (away @ TOWARD).max() == pytest.approx(90.0)


def test_the_fan_spans_the_arc():
    outline = fan(AT, AXIS, TOWARD, 90.0, (-30.0, 30.0))
    assert outline[0] == pytest.approx(AT)
    away = outline[1:] - AT
    assert np.linalg.norm(away, axis=1) == pytest.approx(90.0)
    assert away @ AXIS == pytest.approx(np.zeros(len(away)), abs=1e-9)
    assert (away @ TOWARD).min() == pytest.approx(90.0 * math.cos(math.radians(30.0)))
    assert len(fan(AT, AXIS, TOWARD, 90.0, (-180.0, 180.0))) == 73


def test_a_tool_is_drawn_with_its_base_and_handle():
    tool = {
        "name": "socket on a joint",
        "bars": [[30.0, 40.0, 8.0, 0.0, 90.0]],
        "toward": TOWARD.tolist(),
        "arc": [-15.0, 15.0],
        "base": {"at": [0, 0, 0], "axis": [0, 0, 1], "profile": [[0, 20, 18.0]]},
    }
    profile = np.array([[0.0, 45.0, 12.0]])
    shape, swept, reach = tool_shape(tool, AT, AXIS, profile)
    assert reach == 90.0
    assert swept[0] == pytest.approx(AT + 35.0 * AXIS)
    bare, none, zero = tool_shape({"name": "key"}, AT, AXIS, profile)
    assert len(shape) == len(bare) + 12 + len(bare)
    assert (len(none), zero) == (0, 0.0)

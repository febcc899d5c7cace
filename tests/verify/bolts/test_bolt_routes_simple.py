"""Pieces of the second routes of bolts by themselves, against closed forms."""

import math

import numpy as np
import pytest
import trimesh

from geomcheck.verify.fasten.axis import View
from geomcheck.verify.fasten.lean import _met
from geomcheck.verify.fasten.swing import Blade, Swing
from geomcheck.verify.fasten.walls import wall_at
from geomcheck.verify.plain.body import Body

UP = np.array([0.0, 0.0, 1.0])


def about(mesh, radius=200.0):
    return View({"part": Body(np.array(mesh.triangles))}, np.zeros(3), UP, radius)


def test_a_handle_inside_a_solid_is_not_free():
    """It touches no surface of the block about it."""
    swing = Swing(about(trimesh.creation.box((200, 200, 200))), [Blade(1, 9, 4, 0, 50)], 0.0)
    assert not swing.hits(0.0, 360.0)
    assert not swing.free(0.0, 360.0)
    assert swing.largest(60.0) == 0.0


def test_a_handle_beside_a_wall():
    """A bar 8 mm wide, 50 mm long with a round tip, and a wall 30 mm off the axis."""
    wall = trimesh.creation.box(bounds=[[30, -90, 0], [35, 90, 10]])
    swing = Swing(about(wall), [Blade(1, 9, 4.0, 0.0, 50.0)], 0.0)
    # Its far corner meets the wall where 50 cos(a - asin(4 / 50)) is 30.
    blocked = 2.0 * math.degrees(math.acos(0.6) + math.asin(4.0 / 50.0))
    assert swing.largest(300.0) == pytest.approx(360.0 - blocked, abs=0.12)
    assert swing.turns(250.0) is (360.0 - blocked >= 250.0)
    assert not swing.turns(300.0)


def test_a_point_stands_in_a_tool_for_all_of_a_cell():
    """30 mm up and on the axis: at most 30 sin(c) off any direction within c."""
    point, rows = np.array([[0.0, 0.0, 30.0]]), [(0.0, 60.0, 6.0)]
    edge = math.asin(0.1)
    assert _met(point, rows, 0.0, UP, edge - 1e-3)
    assert not _met(point, rows, 0.0, UP, edge + 1e-3)


def test_a_pin_is_no_hole():
    pin = Body(np.array(trimesh.creation.cylinder(4.0, 20.0, sections=32).triangles))
    assert wall_at(pin, np.zeros(3), UP, -5.0, 5.0, 4.0) is None
    tube = Body(np.array(trimesh.creation.annulus(4.0, 9.0, 20.0, sections=32).triangles))
    wall = wall_at(tube, np.array([0.2, 0.0, 0.0]), UP, -5.0, 5.0, 4.0, off=0.5)
    assert wall is not None
    assert wall.radius == pytest.approx(4.0, abs=1e-6)
    assert wall.off(np.zeros(3)) == pytest.approx(0.0, abs=1e-6)
    assert (wall.low, wall.high) == (pytest.approx(-10.0), pytest.approx(10.0))
    assert wall.nearest == pytest.approx(4.0 * math.cos(math.pi / 32), abs=1e-6)

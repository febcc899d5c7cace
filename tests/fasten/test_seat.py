"""Seats: found where there is metal under the head, and told apart where there is none.

The shapes are discs and boxes, so every expected figure is elementary.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.fasten import Fastener, Obstacle, examine_seat
from geomcheck.fasten.words import seat_fault


def bolt(at=(0, 0, 0), axis=(0, 0, 1), size="M8"):
    return Fastener.of("ISO 4762", size, at, axis, length=30, name="B3")


def look(mesh, fastener, **options):
    return examine_seat(fastener, Obstacle.of("flange", mesh), **options)


def test_a_flat_seat_about_a_hole(flange):
    seat = look(flange(), bolt())
    assert (seat.state, seat.share) == ("seated", 1.0)
    assert seat.height == pytest.approx(0.0, abs=1e-12)
    assert seat.tilt == pytest.approx(0.0, abs=1e-6)
    assert seat.sagitta < 1e-9


@pytest.mark.parametrize("offset", [-0.4, -0.1, 0.3])
def test_metal_near_the_stated_plane_counts_and_gives_the_height(flange, offset):
    seat = look(flange(), bolt(at=(0, 0, offset)))
    assert seat.state == "seated"
    assert seat.height == pytest.approx(-offset, abs=1e-12)


@pytest.mark.parametrize(("offset", "way"), [(4.0, -4.0), (0.6, -0.6)])
def test_a_fastener_in_the_air(flange, offset, way):
    fastener = bolt(at=(0, 0, offset))
    seat = look(flange(), fastener)
    assert seat.state == "in the air"
    assert seat.nearest == pytest.approx(way, abs=1e-12)
    what, remedy = seat_fault(fastener, "flange", seat)
    assert f"{-way:.2f} mm down the axis" in what
    assert "100 %" in what
    assert "seat point" in remedy


def test_a_fastener_buried_in_metal(flange):
    fastener = bolt(at=(0, 0, -3))
    seat = look(flange(), fastener)
    assert seat.state == "in the air"
    assert seat.nearest == pytest.approx(3.0, abs=1e-12)
    assert "3.00 mm up the axis" in seat_fault(fastener, "flange", seat)[0]


def test_a_fastener_beside_its_part(flange):
    fastener = bolt(at=(100, 0, 0))
    seat = look(flange(), fastener)
    assert (seat.state, seat.share, seat.nearest) == ("in the air", 0.0, None)
    assert "none along the axis either" in seat_fault(fastener, "flange", seat)[0]


def test_an_axis_into_the_wall_names_the_other_one(flange):
    fastener = bolt(axis=(0, 0, -1))
    seat = look(flange(), fastener)
    assert seat.state == "reversed"
    what, remedy = seat_fault(fastener, "flange", seat)
    assert "points into the material of flange" in what
    assert "axis = [0, 0, 1]" in remedy


def test_facing_counts_only_where_it_is_defined(flange, opened):
    # A scan's facing does not tell metal from air: both sides of a surface may carry a head.
    assert look(opened(flange()), bolt(axis=(0, 0, -1))).state == "seated"


def test_part_of_a_ring(box):
    # A straight edge through the seat's centre leaves half of the ring, one 2 mm off it more.
    half = box([0, -50, -10], [50, 50, 0])
    seat = look(half, bolt())
    assert seat.state == "in the air"
    assert seat.share == pytest.approx(0.5, abs=0.05)
    assert look(half, bolt(), share=0.4).state == "seated"
    more = look(half, bolt(at=(2.5, 0, 0)))
    # Share of three circles beyond the chord: arccos(d / r) / pi is left out of each.
    inner, outer = 4.5, 12.33 / 2
    radii = [inner + part * (outer - inner) for part in (0.25, 0.5, 0.75)]
    expected = 1 - np.mean([math.acos(2.5 / r) / math.pi for r in radii])
    assert more.share == pytest.approx(expected, abs=0.03)
    assert more.state == "seated"


def test_a_tilted_face_is_named(flange):
    fastener = bolt(axis=(math.sin(math.radians(12)), 0, math.cos(math.radians(12))))
    seat = look(flange(), fastener)
    assert seat.state == "in the air"
    assert seat.tilt == pytest.approx(12.0, abs=1e-6)
    assert "12.0 degrees off square" in seat_fault(fastener, "flange", seat)[0]
    steep = bolt(axis=(math.sin(math.radians(3)), 0, math.cos(math.radians(3))))
    tilted = look(flange(), steep)
    assert tilted.state == "seated"
    # The ring's highest place: its outermost radius times the sine, in the seat's direction.
    radius = 4.5 + 0.75 * (12.33 / 2 - 4.5)
    assert tilted.height == pytest.approx(radius * math.tan(math.radians(3)), abs=1e-9)


def test_a_seat_moves_with_its_part(flange):
    rng = np.random.default_rng(1)
    for _ in range(10):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        turn[:3, 3] = rng.uniform(-300, 300, 3)
        mesh = flange()
        mesh.apply_transform(turn)
        fastener = bolt(at=turn[:3, 3] - 0.2 * turn[:3, 2], axis=turn[:3, 2])
        seat = look(mesh, fastener)
        assert (seat.state, seat.share) == ("seated", 1.0)
        assert seat.height == pytest.approx(0.2, abs=1e-9)


def test_the_seat_brings_its_sagitta(flange):
    from geomcheck.mesh.sagitta import Sagitta
    from geomcheck.mesh.tree import TriangleTree

    mesh = flange()
    carrier = Obstacle(
        "flange", TriangleTree(mesh.triangles), Sagitta.declared(0.12, len(mesh.faces)), True
    )
    assert examine_seat(bolt(), carrier).sagitta == 0.12

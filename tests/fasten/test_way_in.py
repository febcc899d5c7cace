"""The way of a hand to a place, against closed forms: tubes, slots, domes."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.fasten.obstacle import as_obstacles
from geomcheck.fasten.way_in import LENGTH, way_in
from geomcheck.standards import hands

HAND = hands()[0]
UP = (0.0, 0.0, 1.0)
PLACE = (0.0, 0.0, 12.0)


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def come(*meshes, place=PLACE, axis=UP):
    return way_in(place, axis, as_obstacles({f"p{n}": mesh for n, mesh in enumerate(meshes)}))


def tube(radius):
    """Open at its top only, 300 mm high; its facets are outside the circle."""
    wide = radius / math.cos(math.pi / 64)
    mesh = trimesh.creation.annulus(r_min=wide, r_max=wide + 9, height=300.0, sections=64)
    mesh.apply_translation([0, 0, 150])
    return mesh, box([-800, -800, -9], [800, 800, 0])


def test_nothing_about_it():
    found = come(box([-50, -50, -9], [50, 50, 0]))
    assert (found.comes, found.width, found.part) == ("hand", HAND.width, "")
    assert found.direction is not None


@pytest.mark.parametrize(
    ("radius", "comes"),
    [
        (0.5 * HAND.width + 1.0, "hand"),
        (0.5 * HAND.width - 1.0, "finger"),
        (0.5 * HAND.finger + 0.5, "finger"),
        (0.5 * HAND.finger - 0.5, "nothing"),
    ],
)
def test_down_a_tube(radius, comes):
    wall, floor = tube(radius)
    found = come(wall, floor)
    assert found.comes == comes
    if comes == "nothing":
        assert found.direction is None and found.width == 0.0
        assert found.part in ("p0", "p1")
    else:
        assert found.direction == pytest.approx(UP, abs=0.1)


def test_between_two_plates_it_comes_from_the_side():
    # The place is 1 mm above the lower one: the way begins up the axis by what it needs.
    low, high = box([-800, -800, -9], [800, 800, 11]), box([-800, -800, 36], [800, 800, 40])
    found = come(low, high)
    assert found.comes == "finger"
    assert abs(found.direction[2]) < 0.1
    assert come(low, box([-800, -800, 28], [800, 800, 40])).comes == "nothing"


def test_it_does_not_begin_beyond_a_roof():
    # A thin roof between the place and where a way begins up the axis.
    cup = trimesh.boolean.difference(
        [box([-20, -20, 0], [20, 20, 15]), box([-18, -18, -1], [18, 18, 14])], engine="manifold"
    )
    assert come(cup, box([-90, -90, -9], [90, 90, 0])).comes == "nothing"


def test_inside_a_dome_and_inside_metal():
    dome = trimesh.boolean.difference(
        [box([-160, -160, -20], [160, 160, 310]), box([-150, -150, 0], [150, 150, 300])],
        engine="manifold",
    )
    assert come(dome).comes == "nothing"
    assert come(box([-800] * 3, [800] * 3)).comes == "nothing"
    far = LENGTH + 20.0
    room = trimesh.boolean.difference(
        [box([-far - 9] * 3, [far + 9] * 3), box([-far] * 3, [far] * 3)], engine="manifold"
    )
    assert come(room, place=(0.0, 0.0, 0.0)).comes == "hand"


def test_moved_as_one():
    rng = np.random.default_rng(5)
    wall, floor = tube(30.0)
    for _ in range(5):
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
        turn[:3, 3] = rng.normal(size=3) * 200
        moved = [mesh.copy().apply_transform(turn) for mesh in (wall, floor)]
        place = turn[:3, :3] @ PLACE + turn[:3, 3]
        axis = turn[:3, :3] @ UP
        assert come(*moved, place=tuple(place), axis=tuple(axis)).comes == "finger"

"""The largest ball through a duct, against closed forms of elementary geometry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow.passage import largest_ball
from geomcheck.flow.ports import Port
from geomcheck.flow.section import Surface
from geomcheck.flow.void import Void, find_void

Tube = Callable[..., trimesh.Trimesh]


def void_of(meshes: list[trimesh.Trimesh], spacing: float) -> Void:
    ports = [
        Port.at(meshes, (0, 0, -60), (0, 0, -1), name="in"),
        Port.at(meshes, (0, 0, 60), (0, 0, 1), name="out"),
    ]
    return find_void(meshes[:1], ports, obstacles=meshes[1:], spacing=spacing)


def with_chords(mesh: trimesh.Trimesh, chord: float) -> Surface:
    return Surface(mesh.vertices, mesh.faces, outward=np.full(len(mesh.faces), chord))


def test_a_plain_pipe(tube: Tube) -> None:
    found = largest_ball(void_of([tube(40, 45, [-90, 90], 48)], 4.0))
    truth = 80 * np.cos(np.pi / 48)  # circle in the 48-gon
    assert found.diameter.low <= truth <= found.diameter.high
    assert found.diameter.value == pytest.approx(truth, rel=1e-3)
    assert found.diameter.high - found.diameter.low < 0.02 * truth


def test_past_a_full_span_shaft(tube: Tube, bar: Callable) -> None:
    meshes = [tube(40, 45, [-90, 90], 192), bar(5, (-60, 0, 0), (60, 0, 0))]
    found = largest_ball(void_of(meshes, 4.0), surfaces=[Surface.of(m) for m in meshes])
    truth = 40 - 5  # diameter: (a - r) / 2 is the radius
    assert found.diameter.low <= truth <= found.diameter.high
    assert found.diameter.value == pytest.approx(truth, rel=2e-3)
    assert abs(found.point[0]) < 3
    assert abs(found.point[1]) == pytest.approx(22.5, abs=0.1)
    assert set(found.parts) == {0, 1}
    np.testing.assert_allclose(
        np.linalg.norm(found.contacts - found.point, axis=1), truth / 2, rtol=0.01
    )
    assert found.way[0][2] < -50
    assert found.way[-1][2] > 50


def test_between_staggered_bumps() -> None:
    block = trimesh.creation.box((80, 100, 160))
    duct = trimesh.boolean.difference([block, trimesh.creation.box((60, 80, 300))])
    ends = [[(s * 30, -45, s * 15), (s * 30, 45, s * 15)] for s in (1, -1)]
    meshes = [duct, *(trimesh.creation.cylinder(25, segment=e, sections=128) for e in ends)]
    found = largest_ball(void_of(meshes, 3.0))
    truth = np.hypot(60, 30) - 50  # 2 x 8.5410
    chord = 25 * (1 - np.cos(np.pi / 128))
    assert found.diameter.low <= truth + 2 * chord
    assert truth <= found.diameter.high
    n = [Surface.of(duct), *(with_chords(mesh, chord) for mesh in meshes[1:])]
    told = largest_ball(void_of(meshes, 3.0), surfaces=n).diameter
    assert told.low <= truth <= told.high
    assert found.diameter.value == pytest.approx(truth, rel=1e-3)
    np.testing.assert_allclose(
        [found.point[0], found.point[2]], 0, atol=0.6
    )  # a facet is 1.2 mm wide
    assert len(found.contacts) == 2


def test_cells_too_coarse_and_wrong_ports(tube: Tube, bar: Callable) -> None:
    plug = trimesh.boolean.difference(
        [trimesh.creation.cylinder(42, 10, sections=48), trimesh.creation.cylinder(5.0, 30)]
    )
    with pytest.raises(CannotDecide, match="smaller than cells"):
        largest_ball(void_of([tube(40, 45, [-90, 90], 48), plug], 5.0))
    void = void_of([tube(40, 45, [-90, 90], 24)], 8.0)
    for pair in ({"inlet": 0, "outlet": 0}, {"inlet": 0, "outlet": 4}):
        with pytest.raises(InputError, match="two ports"):
            largest_ball(void, **pair)


def test_the_same_answer_twice(tube: Tube) -> None:
    void = void_of([tube(40, 45, [-90, 90], 24)], 8.0)
    one, two = largest_ball(void), largest_ball(void)
    assert one.diameter == two.diameter
    np.testing.assert_array_equal(one.way, two.way)

"""Which parts stand about a fastener: boxes, so every distance is plain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geomcheck.fasten import Fastener, Surroundings
from geomcheck.mesh.part import Part, PartSet
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.soundness import judge

BOLT = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30)


@pytest.fixture
def surroundings(box):
    def make(*shapes, away=(), sagitta=0.0):
        parts = []
        for name, low, high in shapes:
            mesh = box(low, high)
            vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
            rough = Sagitta.declared(sagitta, len(faces))
            file = Path(f"{name}.stl")
            soundness = judge(vertices, faces)
            parts.append(Part(name, "neighbour", "", file, vertices, faces, soundness, rough))
        return Surroundings(PartSet(parts), frozenset(away))

    return make


CASTING = ("casting", [-20, -20, -10], [20, 20, 0])
BONNET = ("bonnet", [-200, -200, 120], [200, 200, 125])
RAIL = ("rail", [30, -200, 0], [40, 200, 60])


def names(found):
    return [part.name for part in found]


def test_parts_near_the_axis(surroundings):
    about = surroundings(CASTING, BONNET, RAIL)
    assert names(about.along(BOLT, 100.0, 15.0, "casting")) == ["casting"]
    assert names(about.along(BOLT, 100.0, 21.0, "casting")) == ["casting", "bonnet"]
    assert names(about.along(BOLT, 100.0, 31.0, "casting")) == ["casting", "bonnet", "rail"]
    assert names(about.along(BOLT, 119.0, 2.0, "casting")) == ["casting", "bonnet"]


def test_parts_that_may_meet_a_cylinder_on_the_axis(surroundings):
    about = surroundings(CASTING, BONNET, RAIL)
    assert names(about.across(BOLT, 1.0, 119.0, 29.0, "casting")) == []
    assert names(about.across(BOLT, 1.0, 119.0, 31.0, "casting")) == ["rail"]
    assert names(about.across(BOLT, 61.0, 121.0, 99.0, "casting")) == ["bonnet"]
    rng = np.random.default_rng(1)
    low, high = np.array(RAIL[1]), np.array(RAIL[2])
    for _ in range(200):
        at, axis = rng.uniform(-90, 90, 3), rng.normal(size=3)
        bolt = Fastener.of("ISO 4762", "M8", at, axis, length=30)
        way = np.array(bolt.axis)
        points = rng.uniform(low, high, (400, 3)) - at
        up = points @ way
        out = np.linalg.norm(points - up[:, None] * way, axis=1)
        if ((up > 5.0) & (up < 50.0) & (out < 20.0)).any():
            assert "rail" in names(about.across(bolt, 5.0, 50.0, 20.0, "casting"))


def test_parts_above_to_the_end_of_all(surroundings):
    about = surroundings(CASTING, BONNET, RAIL)
    assert names(about.above(BOLT, 0.0, 2.0, "casting")) == ["casting", "bonnet"]
    assert names(about.above(BOLT, 0.0, 31.0, "casting")) == ["casting", "bonnet", "rail"]
    away = surroundings(CASTING, ("far", [-1, -1, 9000], [1, 1, 9001]))
    assert names(away.above(BOLT, 0.0, 2.0, "casting")) == ["casting", "far"]


def test_what_may_stand_nearer_than_its_facets_is_near(surroundings):
    about = surroundings(CASTING, RAIL, sagitta=2.0)
    assert names(about.along(BOLT, 50.0, 28.5, "casting")) == ["casting", "rail"]


def test_parts_out_of_the_way_are_left_out_but_not_the_carrier(surroundings):
    about = surroundings(CASTING, BONNET, away=["bonnet", "casting"])
    assert names(about.along(BOLT, 200.0, 30.0, "casting")) == ["casting"]
    assert names(about.along(BOLT, 200.0, 30.0, "bonnet")) == ["bonnet"]


def test_the_span_leads_out_of_all_parts_in_any_direction(surroundings):
    about = surroundings(CASTING, BONNET, RAIL)
    rng = np.random.default_rng(0)
    corners = np.array([BONNET[1], BONNET[2], RAIL[1], RAIL[2]])
    for _ in range(50):
        at, axis = rng.uniform(-150, 150, 3), rng.normal(size=3)
        bolt = Fastener.of("ISO 4762", "M8", at, axis, length=30)
        reach = about.span(bolt)
        assert ((corners - at) @ np.array(bolt.axis) <= reach + 1e-9).all()
    assert about.span(BOLT) == pytest.approx(np.hypot(np.hypot(200, 200), 125))


def test_each_part_is_prepared_once(surroundings):
    about = surroundings(CASTING, BONNET)
    assert about["casting"] is about["casting"]
    assert about.along(BOLT, 200.0, 30.0, "casting")[0] is about["casting"]

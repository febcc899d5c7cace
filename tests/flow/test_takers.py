"""What takes area on a plane, and how far it must go, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide
from geomcheck.flow import taker_words
from geomcheck.flow.blockage import cast_in
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import Surface
from geomcheck.flow.stations import Stations
from geomcheck.flow.survey import duct_area
from geomcheck.flow.takers import at_station, near, on_plane, with_ways
from geomcheck.flow.throat import true_throat

Tube = Callable[..., trimesh.Trimesh]
Z = np.linspace(0, 200, 41)
PATH = [(0, 0, 0), (0, 0, 200)]


def lens(d: float, r: float, a: float = 40.0) -> float:
    """Area two circles of radii r and a share, their centres d apart (elementary geometry)."""
    return float(
        r * r * np.arccos((d * d + r * r - a * a) / (2 * d * r))
        + a * a * np.arccos((d * d + a * a - r * r) / (2 * d * a))
        - 0.5 * np.sqrt((-d + r + a) * (d + r - a) * (d - r + a) * (d + r + a))
    )


def ball(radius: float, x: float, y: float, z: float) -> trimesh.Trimesh:
    return trimesh.creation.icosphere(4, radius).apply_translation((x, y, z))


def cast(wall: trimesh.Trimesh, *things: trimesh.Trimesh) -> trimesh.Trimesh:
    skin = trimesh.creation.cylinder(44.9, 600, sections=128)
    return trimesh.boolean.union(
        [wall, *(trimesh.boolean.intersection([thing, skin]) for thing in things)]
    )


def rows_of(meshes: list[trimesh.Trimesh], places: object) -> Stations:
    rows = Stations([Surface.of(mesh) for mesh in meshes], FlowPath(PATH))
    rows.add(places)
    return rows


def channel() -> trimesh.Trimesh:
    block = trimesh.creation.box((80, 100, 160))
    return trimesh.boolean.difference([block, trimesh.creation.box((60, 80, 320))])


def half(x: float, z: float) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(25, segment=[(x, -45, z), (x, 45, z)], sections=64)


def test_a_ball_in_the_bore_takes_its_own_section(tube: Tube) -> None:
    # A plane d off the ball's middle cuts a circle: pi (R^2 - d^2).
    rows = rows_of([tube(40, 45, Z, 96), ball(15, 3, 0, 100.3)], np.arange(80, 121, 3.0))
    (taker,) = at_station(rows, 107.0, 1).found
    assert taker.surface == 1 and taker.patch is None
    truth = math.pi * (15**2 - 6.7**2)
    assert taker.area.value == pytest.approx(truth, rel=5e-3)
    bore = 48 * 1600 * math.sin(2 * math.pi / 96)
    assert taker.percent == pytest.approx(100 * truth / bore, rel=5e-3)
    # A place on it: on the circle cut out of the ball.
    x, y, z = taker.point
    assert math.hypot(x - 3, y) == pytest.approx(math.sqrt(15**2 - 6.7**2), rel=0.01)
    assert z == pytest.approx(107.0, abs=1e-6)
    assert at_station(rows, 119.0, 1).found == ()


def test_a_cylinder_from_wall_to_wall(tube: Tube, bar: Callable) -> None:
    # Two segments and the strip between: 2 (r sqrt(a^2 - r^2) + a^2 asin(r / a)).
    rows = rows_of([tube(40, 45, Z, 192), bar(5, (-60, 0, 100), (60, 0, 100))], Z[10:30] + 0.1)
    takers = at_station(rows, 100.1, 1)
    (taker,) = takers.found
    r = math.sqrt(25 - 0.01)
    truth = 2 * (r * math.sqrt(1600 - r * r) + 1600 * math.asin(r / 40))
    assert taker.area.value == pytest.approx(truth, rel=2e-3)
    (moved,) = with_ways(takers, rows, 100.1).found
    # All of it is won back where it leaves the bore: a + r square to itself.
    assert moved.way is not None and moved.enough
    assert moved.way.distance.value == pytest.approx(40 + r, rel=5e-3)
    assert abs(moved.way.direction[1]) == pytest.approx(1, abs=1e-6)


def test_as_far_as_the_lens_says(tube: Tube) -> None:
    bore = 96 * 1600 * math.sin(2 * math.pi / 192)
    rows = rows_of([tube(40, 60, Z, 192), ball(22, 30, 0, 100)], np.arange(61, 140, 3.0))
    takers = at_station(rows, 100.0, 1)
    (taker,) = with_ways(takers, rows, 100.0, wanted=bore - lens(46, 22)).found
    assert taker.way is not None and taker.enough
    # From 30 to 46 off the axis, straight outward.
    assert taker.way.distance.value == pytest.approx(16, abs=0.15)
    assert taker.way.distance.low <= taker.way.distance.value
    assert taker.way.direction == pytest.approx((1, 0, 0), abs=1e-6)
    assert taker.way.area == pytest.approx(bore - lens(46, 22), rel=1e-3)
    (never,) = with_ways(takers, rows, 100.0, wanted=1.1 * bore).found
    assert never.way is not None and not never.enough
    assert never.way.area == pytest.approx(bore, rel=1e-3)
    (done,) = with_ways(takers, rows, 100.0, wanted=1000.0).found
    assert done.way is None


def test_a_movement_is_tried_on_the_stations_beside_it(tube: Tube) -> None:
    # A bar that leans 45 degrees along the duct, its nose 10 into a bore of 40 at z = 110: at z =
    # 100 it takes less. Moved outward until that plane has its area, the nose still takes more.
    rod = trimesh.creation.cylinder(8, segment=[(20, 0, 110), (80, 0, 50)], sections=48)
    rows = rows_of([tube(40, 90, Z, 96), rod], np.arange(60.5, 140, 1.5))
    takers = at_station(rows, 98.0, 1)
    bore = 48 * 1600 * math.sin(2 * math.pi / 96)
    wanted = bore - 150
    (taker,) = with_ways(takers, rows, 98.0, wanted=wanted).found
    assert taker.way is not None and taker.enough
    moved = rod.copy().apply_translation(taker.way.distance.value * np.array(taker.way.direction))
    fresh = rows_of([tube(40, 90, Z, 96), moved], np.arange(60.5, 140, 1.5))
    assert min(row.area for row in fresh.rows) >= wanted * (1 - 2e-4)
    # In the plane alone it would have been less.
    assert taker.way.distance.low < taker.way.distance.value - 1.0


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_two_bosses_cast_in_are_told_apart(tube: Tube, turn: float) -> None:
    spin = trimesh.transformations.rotation_matrix(turn, (0, 0, 1))
    one = ball(22, 40, 0, 100.7)
    two = ball(15, -20, 40 * math.sin(math.radians(120)), 100.7)
    wall = cast(tube(40, 45, Z, 128), one, two).apply_transform(spin)
    rows = rows_of([wall], np.arange(4.3, 200, 8.0))
    found = at_station(rows, 100.3, 1).found
    assert [taker.patch is not None for taker in found] == [True, True]
    for taker, radius in zip(found, (22.0, 15.0), strict=True):
        cut = math.sqrt(radius**2 - 0.16)
        truth = lens(40, cut)
        assert taker.area.low <= truth <= taker.area.high
        assert taker.area.value == pytest.approx(truth, rel=0.03)
        assert taker.patch is not None
        assert taker.patch.height == pytest.approx(cut, rel=0.03)
    away = np.array(found[1].patch.direction)
    truth_away = spin[:3, :3] @ (-0.5, math.sin(math.radians(120)), 0)
    assert away @ truth_away == pytest.approx(1, abs=2e-3)


def test_a_pad_is_cut_back_as_deep_as_its_area_says(tube: Tube) -> None:
    # A pad with a round face, 10 high over 60 degrees: phi / 2 (a^2 - (a - h)^2), and cut back by
    # t it gives phi / 2 ((a - h + t)^2 - (a - h)^2).
    a, h, phi = 40.0, 10.0, math.radians(60)
    ring = trimesh.creation.annulus(a - h, 44.9, 40, sections=180)
    rim = [(0.0, 0.0), *((99 * math.cos(t), 99 * math.sin(t)) for t in (0, phi / 2, phi))]
    wedge = trimesh.convex.convex_hull([(x, y, z) for z in (-30, 30) for x, y in rim])
    pad = trimesh.boolean.intersection([ring, wedge]).apply_translation((0, 0, 100.2))
    rows = rows_of([trimesh.boolean.union([tube(a, 45, Z, 180), pad])], np.arange(4.3, 200, 8.0))
    takers = at_station(rows, 100.3, 1)
    (taker,) = takers.found
    full = phi / 2 * (a * a - (a - h) ** 2)
    # Rays stand 2 degrees apart: one of 30 may miss it.
    assert taker.area.value == pytest.approx(full, rel=0.04)
    assert taker.patch is not None
    for t in (2.0, 5.0, 8.0):
        part = phi / 2 * ((a - h + t) ** 2 - (a - h) ** 2)
        depth = taker.patch.relief(part)
        assert depth is not None
        assert depth.value == pytest.approx(t, rel=0.05)
        assert depth.low < t < depth.high
    assert taker.patch.relief(1.05 * taker.area.value) is None
    row = next(row for row in rows.rows if row.s == 100.3)
    wanted = row.area + phi / 2 * (35.0**2 - 30.0**2)
    (cut,) = with_ways(takers, rows, 100.3, wanted=wanted).found
    assert cut.way is not None and cut.enough
    assert cut.way.distance.value == pytest.approx(5.0, rel=0.05)
    (much,) = with_ways(takers, rows, 100.3, wanted=row.area + 2 * full).found
    assert much.way is not None and not much.enough


def test_cast_in_or_apart_the_same_is_told_of_a_leaning_throat() -> None:
    # Half-cylinders opposite each other at different places: as parts of their own they can be
    # left out exactly; cast in they are told from the trend of the wall on leaning planes.
    apart = [channel(), half(30, -15), half(-30, 15)]
    inside = trimesh.creation.box((79, 99, 159))
    bumps = [trimesh.boolean.intersection([bump, inside]) for bump in apart[1:]]
    whole = [trimesh.boolean.union([channel(), *bumps])]
    told = []
    for meshes in (apart, whole):
        survey = duct_area(meshes[:1], [(0, 0, -60), (0, 0, 60)], obstacles=meshes[1:])
        rows = near([Surface.of(mesh) for mesh in meshes], survey, 60.0)
        throat = true_throat(rows)
        takers = on_plane(rows, throat.cut, throat.s, 1)
        assert takers.unknown is None and len(takers.found) == 2
        told.append(with_ways(takers, rows, throat.s, cut=throat.cut, wanted=1500.0).found)
        assert all(taker.way is not None and taker.enough for taker in told[-1])
    for one, two in zip(*told, strict=True):
        assert two.area.value == pytest.approx(one.area.value, rel=0.02)
    # 80 (sqrt(60^2 + 30^2) - 50) is the throat: along the line between the axes, to 1500.
    far = told[0][0].way.distance.value
    assert far == pytest.approx(1500 / 80 + 50 - math.hypot(60, 30), abs=0.1)


def test_a_wall_that_is_not_seen_all_round_is_said_to_be(tube: Tube, bar: Callable) -> None:
    # A shaft cast across the bore: the path runs through metal.
    wall = trimesh.boolean.union([tube(40, 45, Z, 96), bar(6, (-42, 0, 100), (42, 0, 100), 48)])
    rows = rows_of([wall], np.arange(60.3, 140, 4.0))
    takers = at_station(rows, 100.3, 1)
    assert takers.unknown is not None and "not seen all round" in takers.unknown.what
    assert takers.found == ()
    assert taker_words.details(takers, ["casting"])["not_told"] == takers.unknown.what
    assert taker_words.taken_in_words(takers, ["casting"]) == ""
    empty = Stations([Surface.of(wall)], FlowPath([(200, 0, 0), (200, 0, 200)]))
    empty.add([100.0])
    with pytest.raises(CannotDecide, match="no station"):
        at_station(empty, 100.0, 1)


def test_words(tube: Tube) -> None:
    boss = cast(tube(40, 60, Z, 128), ball(22, 40, 0, 100.7))
    rows = rows_of([boss, ball(15, -40, 0, 100)], np.arange(60.3, 140, 4.0))
    takers = at_station(rows, 100.3, 1)
    names = ["casting", "bolt"]
    text = taker_words.taken_in_words(takers, names)
    assert text.startswith('; what is cast into "casting" takes about 67')
    assert 'and "bolt" takes 3' in text and "standing in by up to 2" in text
    area = next(row.area for row in rows.rows if row.s == 100.3)
    ways = taker_words.ways_in_words(with_ways(takers, rows, 100.3, wanted=area + 200.0), names)
    assert ways.startswith('Cut back what is cast into "casting" at (')
    assert "; or" not in ways and 'move "bolt" ' in ways and " mm along -x, to have " in ways
    ways = taker_words.ways_in_words(with_ways(takers, rows, 100.3, wanted=area + 2000.0), names)
    assert "each alone is not enough" in ways
    row = taker_words.details(takers, names)["taken"][1]
    assert row["part"] == "bolt" and not row["cast_in"] and row["percent"] > 5
    assert cast_in(rows, 100.3, left_out=[1])[0].surface == 0

"""A bolt's two ways, its shank and how it goes down with the housing: closed forms and properties.

All figures are elementary geometry: heights of plane faces, and the apothem R cos(pi / N) of a hole
of N facets.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.fasten import Fastener, Obstacle, examine_seat
from geomcheck.fasten.loading import loading, stand_free
from geomcheck.fasten.withdraw import washer_radius, withdraw
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

# Head 13.27 x 8 mm (ISO 4762), washer 16 mm (ISO 7089), clearance hole 9.0 mm (ISO 273, medium).
M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, name="B3")
WASHERED = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30, washer=1.6)


def ring(hole, top, bottom, sections=48):
    mesh = trimesh.creation.annulus(r_min=hole, r_max=30.0, height=top - bottom, sections=sections)
    mesh.apply_translation([0, 0, (top + bottom) / 2])
    return mesh


def slack(name, mesh, amount):
    return Obstacle(
        name, TriangleTree(mesh.triangles), Sagitta.declared(amount, len(mesh.faces)), True
    )


@pytest.fixture
def car(box):
    """A flange 10 mm thick on a manifold with a tapped hole, under a roof at ``roof``."""

    def make(roof=25.0, tapped=3.4, gap=0.0):
        bench = {"housing": ring(4.5, 0, -10)}
        place = bench | {
            "manifold": ring(tapped, -10 - gap, -60),
            "roof": box([-50, -50, roof], [50, 50, roof + 5]),
        }
        return place, bench

    return make


def test_it_goes_in_on_the_bench_only(car):
    place, bench = car(roof=30.5)
    found = loading(M8, place, bench, carrier="housing")
    # The head's top is at 8 mm: 22.5 mm to the roof, 30 wanted.
    assert (found.in_place.travel, found.in_place.blocker) == (22.5, "roof")
    assert found.on_bench.clear
    assert (found.goes_in_place, found.goes_on_bench, found.way) == ("no", "yes", "load first")
    # The tip, 30 mm under the seat, stands on the thread's mouth at -10 mm: raised by 20 mm.
    assert (found.raised.lift, found.raised.part) == (20.0, "manifold")
    assert found.raised.room == found.raised.room_low == 2.5
    assert found.stays_clear == "yes"


@pytest.mark.parametrize(
    ("roof", "room", "stays"), [(28.5, 0.5, "yes"), (27.5, -0.5, "no"), (28.0, 0.0, "yes")]
)
def test_it_may_keep_the_housing_from_going_down(car, roof, room, stays):
    place, bench = car(roof=roof)
    found = loading(M8, place, bench, carrier="housing")
    assert found.goes_on_bench == "yes"
    assert found.way == ("load first" if stays == "yes" else "no way")
    assert found.raised.room == pytest.approx(room, abs=1e-12)
    assert found.stays_clear == stays


def test_a_gasket_gap_and_a_washer_shift_the_mouth(car):
    place, bench = car(roof=31.6, gap=1.5)
    found = loading(WASHERED, place, bench, carrier="housing")
    # Tip 30 - 1.6 mm under the seat, mouth at 11.5 mm; head's top at 9.6 mm.
    assert found.raised.lift == pytest.approx(28.4 - 11.5)
    assert found.raised.room == pytest.approx(31.6 - 9.6 - 16.9)


def test_how_the_thread_is_modelled_does_not_matter(car):
    lifts = []
    for hole in (3.32, 3.4, 4.0, 4.4):
        place, bench = car(tapped=hole)
        lifts.append(loading(M8, place, bench).raised.lift)
    solid = car()[0] | {"manifold": trimesh.creation.box(bounds=[[-30, -30, -60], [30, 30, -10]])}
    lifts.append(loading(M8, solid, car()[1]).raised.lift)
    assert lifts == pytest.approx([20.0] * 5)


def test_a_bracket_it_passes_is_no_mouth(car, box):
    place, bench = car()
    bracket = ring(4.5, -10, -14)
    place = place | {"manifold": ring(3.4, -14, -60), "bracket": bracket}
    guess = loading(M8, place, bench, carrier="housing")
    told = loading(M8, place, bench, carrier="housing", into="manifold")
    assert (told.raised.lift, told.raised.part) == (pytest.approx(16.0), "manifold")
    # Not told which part has the thread, the nearest is taken: the greater lift.
    assert (guess.raised.lift, guess.raised.part) == (pytest.approx(20.0), "bracket")


def test_it_goes_in_nowhere(car, box):
    place, bench = car()
    lid = {"lid": box([-9, -9, 20], [9, 9, 22])}
    found = loading(M8, place | lid, bench | lid)
    assert found.way == "no way"
    assert (found.on_bench.blocker, found.on_bench.travel) == ("lid", 12.0)


def test_in_place_is_enough(car):
    place, bench = car(roof=38.0)
    found = loading(M8, place, bench, carrier="housing")
    assert (found.way, found.in_place.travel) == ("in place", 30.0)


def test_a_coarse_roof_decides_nothing(car, box):
    place, bench = car()
    place["roof"] = slack("roof", box([-50, -50, 38.1], [50, 50, 40]), 0.3)
    found = loading(M8, place, bench)
    assert (found.goes_in_place, found.goes_on_bench, found.way) == (
        "undecided",
        "yes",
        "undecided",
    )
    place["roof"] = slack("roof", box([-50, -50, 28.1], [50, 50, 40]), 0.3)
    found = loading(M8, place, bench)
    assert (found.goes_in_place, found.stays_clear, found.way) == ("no", "undecided", "undecided")
    assert found.raised.room_low == pytest.approx(-0.2)
    assert found.raised.room_high == pytest.approx(0.4)


def test_a_coarse_manifold_widens_the_lift(car):
    place, bench = car()
    place["manifold"] = slack("manifold", place["manifold"], 0.25)
    raised = loading(M8, place, bench).raised
    assert (raised.low, raised.lift, raised.high) == pytest.approx((19.75, 20.0, 20.25))
    assert raised.room_high - raised.room_low == pytest.approx(0.5)


# --- the shank --------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [12, 24, 64])
def test_room_about_the_shank_is_the_apothem(n):
    room = stand_free(M8, [Obstacle.of("housing", ring(4.5, 0, -10, n))])
    assert room.room == pytest.approx(4.5 * math.cos(math.pi / n) - 4.0, abs=1e-9)


@pytest.mark.parametrize("n", [12, 24, 64])
def test_a_hole_whose_facets_cut_into_the_shank_is_not_condemned(n):
    # The true hole is round, 0.002 mm wider than the shank; its facets stand in the shank's way,
    # and so do the edges of the flat faces where it ends.
    room = stand_free(M8, [Obstacle.of("housing", ring(4.002, 0, -10, n))])
    assert room.room < 0.0
    assert room.high >= 0.002 - 1e-9
    assert stand_free(M8, [Obstacle.of("housing", ring(3.5, 0, -10, n))]).high < 0.0


def test_a_rail_across_the_hole_stops_the_shank(car, box):
    place, bench = car(roof=200.0)
    rail = {"rail": box([3.0, -50, -20], [9, 50, -16])}
    assert loading(M8, place | rail, bench, carrier="housing").goes_in_place == "yes"
    found = loading(M8, place | rail, bench, carrier="housing", into="manifold")
    assert (found.goes_in_place, found.goes_on_bench) == ("no", "yes")
    assert (found.shank.room, found.shank.blocker) == (pytest.approx(-1.0), "rail")


def test_no_hole_in_the_way(car, box):
    place, bench = car(roof=200.0)
    full = {"housing": box([-30, -30, -10], [30, 30, 0])}
    found = loading(M8, place | full, bench | full, carrier="housing")
    assert found.way == "no way"
    assert found.shank.inside and found.shank.room == -4.0
    # With its thread in that very part nothing is said against it.
    held = loading(M8, place | full, bench | full, into="housing")
    assert held.bench_shank.clear


def test_a_coarse_hole_decides_nothing(car):
    place, bench = car(roof=200.0)
    hole = {"housing": slack("housing", ring(4.2, 0, -10), 0.25)}
    found = loading(M8, place | hole, bench | hole, carrier="housing")
    assert found.goes_in_place == found.goes_on_bench == "undecided"


# --- the washer -------------------------------------------------------------------------------


def test_the_washer_has_its_own_way(box):
    post = box([7.0, -5, 12], [20, 5, 60])
    assert withdraw(M8, post).clear
    found = withdraw(WASHERED, post)
    assert (found.travel, found.stops) == (pytest.approx(12 - 1.6), "washer")
    both = withdraw(WASHERED, {"post": post, "roof": box([-9, -9, 18], [9, 9, 20])})
    assert (both.travel, both.stops) == (pytest.approx(18 - 9.6), "head")


def test_washers_of_the_table_and_others():
    assert washer_radius(M8) == 0.0
    assert washer_radius(WASHERED) == 8.0  # ISO 7089, M8: 16 mm
    inch = Fastener.of("ASME B18.3", "1/4-20", [0, 0, 0], [0, 0, 1], length=25, washer=1.5)
    assert washer_radius(inch) == pytest.approx(2.25 * 6.35 / 2)


# --- properties -------------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    roof=st.floats(9.0, 60.0),
    grip=st.floats(3.0, 25.0),
    length=st.sampled_from([16.0, 20.0, 30.0, 45.0]),
    washer=st.sampled_from([0.0, 1.6]),
    seed=st.integers(0, 999),
)
def test_a_stack_of_plates_in_any_place(roof, grip, length, washer, seed):
    turn = trimesh.transformations.random_rotation_matrix(np.random.default_rng(seed).random(3))
    turn[:3, 3] = np.random.default_rng(seed).uniform(-300, 300, 3)
    bolt = Fastener.of(
        "ISO 4762", "M8", turn[:3, 3], turn[:3, 2], length=length, washer=washer, name="B"
    )
    bench = {"housing": ring(4.5, 0, -grip)}
    place = bench | {
        "manifold": ring(3.4, -grip, -grip - 60),
        "roof": trimesh.creation.box(bounds=[[-40, -40, roof], [40, 40, roof + 3]]),
    }
    place = {name: mesh.copy().apply_transform(turn) for name, mesh in place.items()}
    found = loading(bolt, place, {"housing": place["housing"]}, carrier="housing")
    travel = roof - 8.0 - washer
    lift = max(length - washer - grip, 0.0)
    assert found.in_place.travel == pytest.approx(travel, abs=1e-9)
    assert found.raised.lift == pytest.approx(lift, abs=1e-9)
    assert found.raised.room == pytest.approx(travel - lift, abs=1e-9)
    if abs(travel - length) > 1e-6:
        assert found.goes_in_place == ("yes" if travel > length else "no")
    assert found.goes_on_bench == "yes"
    # A way in place is a way on the bench: fewer parts never take room away.
    assert found.on_bench.travel >= found.in_place.travel or found.on_bench.clear


def test_order_and_subdivision_change_nothing(car):
    place, bench = car(roof=30.5)
    fine = {name: mesh.subdivide().subdivide() for name, mesh in place.items()}
    back = dict(reversed(list(fine.items())))
    one = loading(M8, place, bench, carrier="housing")
    two = loading(M8, back, {"housing": back["housing"]}, carrier="housing")
    assert two.in_place.travel == pytest.approx(one.in_place.travel, abs=1e-9)
    assert two.raised.lift == pytest.approx(one.raised.lift, abs=1e-9)
    assert two.shank.room == pytest.approx(one.shank.room, abs=1e-9)


def test_the_seat_found_is_where_it_starts(car):
    place, bench = car(roof=30.5)
    # Stated 0.2 mm under the face: heights are measured from the face that was found.
    bolt = Fastener.of("ISO 4762", "M8", [0, 0, -0.2], [0, 0, 1], length=30)
    seat = examine_seat(bolt, Obstacle.of("housing", place["housing"]))
    found = loading(bolt, place, bench, carrier="housing", seat=seat)
    assert found.in_place.travel == pytest.approx(22.5)
    assert found.raised.lift == pytest.approx(20.0)
    assert found.bench_shank.room > 0.4


def test_the_bench_has_no_strangers(car):
    place, bench = car()
    with pytest.raises(InputError, match="on the bench but not in place: lid"):
        loading(M8, place, bench | {"lid": place["roof"]})
    with pytest.raises(InputError, match="finite"):
        loading(M8, place, bench, margin=math.inf)

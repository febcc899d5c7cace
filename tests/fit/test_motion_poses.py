"""Movements that invite a false pass: against python-fcl in many poses, and closed forms."""

from __future__ import annotations

import math

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.fit.body import Body
from geomcheck.fit.motion_gap import least_gap
from geomcheck.fit.motion_kinds import box as mixture
from geomcheck.fit.motion_kinds import growth, shift, sweep, turn
from geomcheck.fit.motion_search import Search
from geomcheck.fit.motion_state import Stand
from geomcheck.mesh.placement import apply, rigid

X, Z, ORIGIN = (1, 0, 0), (0, 0, 1), (0, 0, 0)
seeds = settings(derandomize=True, deadline=None, max_examples=40)


def fcl_object(triangles):
    corners = triangles.reshape(-1, 3)
    model = fcl.BVHModel()
    model.beginModel(len(corners), len(triangles))
    model.addSubModel(corners, np.arange(len(corners)).reshape(-1, 3))
    model.endModel()
    return fcl.CollisionObject(model, fcl.Transform())


def by_fcl(a, b):
    """Distance of two arrays of triangles; -1 where they meet."""
    objects = fcl_object(a), fcl_object(b)
    if fcl.collide(*objects, fcl.CollisionRequest(), fcl.CollisionResult()):
        return -1.0
    return fcl.distance(*objects, fcl.DistanceRequest(), fcl.DistanceResult())


def any_shape(rng, at, size):
    """Boxes, thin rods, balls, rings, boxes with an open side, two pieces."""
    kind = int(rng.integers(0, 6))
    if kind == 0:
        mesh = trimesh.creation.box(extents=size * rng.uniform(0.05, 1, 3))
    elif kind == 1:
        mesh = trimesh.creation.cylinder(size * 0.02, size * 1.2, sections=8)
    elif kind == 2:
        mesh = trimesh.creation.icosphere(subdivisions=1, radius=size * 0.3)
    elif kind == 3:
        mesh = trimesh.creation.annulus(size * 0.6, size * 0.7, size * 0.5, sections=16)
    elif kind == 4:
        mesh = trimesh.creation.box(extents=size * rng.uniform(0.2, 1.2, 3))
        mesh.update_faces(np.arange(12) >= rng.integers(1, 4))
    else:
        pieces = [trimesh.creation.box(extents=size * rng.uniform(0.1, 0.4, 3)) for _ in range(2)]
        for piece in pieces:
            piece.apply_translation(rng.normal(size=3) * size * 0.5)
        mesh = trimesh.util.concatenate(pieces)
    mesh.apply_transform(trimesh.transformations.random_rotation_matrix(rng.uniform(0, 1, 3)))
    return mesh.apply_translation(at)


def any_motion(rng):
    """Ranges that need not hold zero, turns past 180 degrees, axes 10 m off, sweeps, growth."""
    grown = [
        growth(rng.normal(size=3) * 15, *np.sort(rng.uniform(-0.05, 0.1, 2)), of, of)
        for of in ("moving", "still")
        if rng.random() < 0.2
    ]
    if rng.random() < 0.25:
        moves = rng.normal(size=(int(rng.integers(2, 4)), 3)) * 8
        poses = [
            rigid([(rng.normal(size=3), rng.uniform(-85, 85), rng.normal(size=3) * 5)], move)
            for move in moves
        ]
        return sweep(poses, rng.normal(size=3) * 10).with_growth(grown)
    elements = []
    for number in range(int(rng.integers(1, 4))):
        if rng.random() < 0.4:
            ends = np.sort(rng.normal(size=2) * 6)
            elements.append(shift(rng.normal(size=3), *ends, f"s{number}"))
            continue
        far = float(rng.choice([0, 20, 1e4]))
        ends = np.sort(rng.normal(size=2) * (0.02 if far == 1e4 else rng.choice([5, 40, 250])))
        elements.append(turn(rng.normal(size=3), rng.normal(size=3) * far, *ends, f"t{number}"))
    return mixture([*elements, *grown])


def some_poses(rng, leg, count):
    low, high = leg.ranges
    for _ in range(count):
        inner = rng.random(len(low)) < 0.5
        share = np.where(inner, rng.random(len(low)), rng.integers(0, 2, len(low)))
        yield low + share * (high - low)


def placed(mesh, matrix):
    return apply(matrix, mesh.triangles.reshape(-1, 3)).reshape(-1, 3, 3)


@seeds
@given(st.integers(0, 2**32 - 1))
def test_no_pose_is_nearer_than_what_is_told(seed):
    rng = np.random.default_rng(seed)
    still = any_shape(rng, np.zeros(3), 20)
    moving = any_shape(rng, rng.normal(size=3) * 12, 14)
    motion = any_motion(rng)
    tolerance = float(rng.choice([0.01, 0.3, 5.0]))
    budget = int(rng.choice([1, 30, 1000, 300_000]))
    gap = least_gap(moving, still, motion, tolerance=tolerance, budget=budget)
    shown = math.inf
    for leg in motion.legs:
        for values in some_poses(rng, leg, 25):
            there, here = leg.maps(values)
            shown = min(shown, by_fcl(placed(moving, there), placed(still, here)))
    if shown < 0.0:
        assert gap.quantity.low <= 0.0
    if gap.state == "apart":
        assert gap.quantity.low <= max(shown, 0.0) + 1e-7
        assert gap.proved <= max(shown, 0.0) + 1e-7
        if gap.complete and shown >= 0.0:
            assert gap.quantity.value <= shown + tolerance + 1e-7
            assert gap.quantity.value - gap.proved <= tolerance + 1e-9


@seeds
@given(st.integers(0, 2**32 - 1))
def test_nothing_travels_farther_or_faster_than_the_bounds(seed):
    """Travel and speed by a leg's own maps; neither more than a few times too large."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(20, 3)) * 10 + rng.normal(size=3) * 20
    for leg in any_motion(rng).legs:
        for number, of in enumerate(("moving", "still")):
            begin = apply(leg.maps(leg.rest)[number], points)
            bound = leg.travel(points, leg.rest, of)
            for values in some_poses(rng, leg, 30):
                away = np.linalg.norm(apply(leg.maps(values)[number], points) - begin, axis=1)
                assert away.max() <= bound + 1e-6
            here, there = some_poses(rng, leg, 2)
            speed = leg.speed(points, here, there, of)
            way = [
                apply(leg.maps(here + share * (there - here))[number], points)
                for share in np.linspace(0, 1, 101)
            ]
            fastest = max(np.linalg.norm(np.diff(way, axis=0), axis=2).max() / 0.01, 0.0)
            assert fastest <= speed * (1 + 1e-6) + 1e-6


def test_a_small_turn_travels_as_far_as_its_arc():
    """100 mm from the axis, 2 degrees to either side: 2 x 100 sin(1 degree)."""
    (leg,) = mixture([turn(Z, ORIGIN, -2, 2)]).legs
    arm = np.array([[100.0, 0.0, 50.0]])
    wanted = 200 * math.sin(math.radians(1))
    assert leg.travel(arm, leg.rest, "moving") == pytest.approx(wanted, rel=1e-9)
    assert leg.travel(arm, leg.rest, "still") == 0.0
    # From end to end 4 degrees, so 100 x 4 degrees for the whole way; the bound is twice as wide.
    arc = 100 * math.radians(4)
    speed = leg.speed(arm, np.array([-2.0]), np.array([2.0]), "moving")
    assert arc <= speed <= 1.1 * arc


def test_swallowed_whole_in_the_middle_of_the_way(block):
    """A ball of 3 passes a wall of 30: outside at both ends, wholly within half way."""
    ball = trimesh.creation.icosphere(subdivisions=2, radius=3).apply_translation((-40, 0, 0))
    wall = block((-15, 15), (-50, 50), (-50, 50))
    for x in (0.0, 40.0, 80.0):  # no triangles meet in any of these
        assert by_fcl(ball.triangles + np.array([x, 0, 0]), wall.triangles) > 5.0
    gap = least_gap(ball, wall, mixture([shift(X, 0, 80, "x")]))
    assert gap.state in ("overlapping", "a inside b") and gap.quantity.high < 0.0
    assert gap.first.values[0] == pytest.approx(40 - 15 - 3, abs=0.02)
    # It begins within: the first of the poses, moved nowhere, already counts.
    inside = least_gap(ball, wall, mixture([shift(X, 38, 42, "x")]))
    assert inside.state == "a inside b" and inside.quantity.high < 0.0
    # The other way round the wall moves, and holds the ball.
    held = least_gap(wall, ball, mixture([shift(X, -42, -38, "x")]))
    assert held.state == "b inside a" and held.quantity.high < 0.0


def test_out_of_a_hollow_through_a_thin_wall(block):
    ball = trimesh.creation.icosphere(subdivisions=2, radius=3)
    can = trimesh.boolean.difference(
        [
            block((-20, 20), (-20, 20), (-20, 20)),
            block((-19.9, 19.9), (-19.9, 19.9), (-19.9, 19.9)),
        ],
        engine="manifold",
    )
    free = least_gap(ball, can, mixture([shift(X, 0, 16, "x")]))
    assert free.state == "apart" and free.quantity.value == pytest.approx(0.9, abs=1e-6)
    out = least_gap(ball, can, mixture([shift(X, 0, 40, "x")]))
    assert out.state == "overlapping"
    assert out.first.values[0] == pytest.approx(16.9, abs=0.02)
    # From outside of the wall to outside, with the ball's range beginning there, nothing is met.
    beyond = least_gap(ball, can, mixture([shift(X, 25, 40, "x")]))
    assert beyond.state == "apart" and beyond.quantity.value == pytest.approx(2.0, abs=1e-6)


def test_a_rod_thinner_than_any_step_through_an_open_sheet():
    """Half a millimetre of contact in a swing of 300 degrees."""
    rod = trimesh.creation.cylinder(0.02, 60, sections=6).apply_translation((80, 0, 0))
    corners = np.array([[[60, -9, 0.0], [90, -9, 0], [90, -9, 0.4]]])
    swing = mixture([turn(Z, ORIGIN, -20, 280)])
    steps = np.linspace(-20, 280, 201)
    away = [placed(rod, rigid([(Z, float(angle), ORIGIN)])) for angle in steps]
    assert min(by_fcl(there, corners) for there in away) > 0.0
    gap = least_gap(rod, corners, swing)
    assert gap.state != "apart" and gap.quantity.low <= 0.0 and gap.quantity.value <= 0.0
    # sin = (9 + 0.02) / 80 at the sheet's face, before it from below.
    assert gap.first.values[0] == pytest.approx(-math.degrees(math.asin(9.0 / 80)), abs=0.1)


def test_about_an_axis_a_kilometre_away(block):
    """An arc of 1e6 mm is as good as straight: 20 less 5, bowed by 5^2 / 2e6."""
    a, b = block((0, 10), (0, 10), (0, 10)), block((30, 40), (-50, 50), (-50, 50))
    radius = 1e6
    angle = math.degrees(5 / radius)
    far = mixture([turn(Z, (5, radius + 5, 0), 0, angle)])
    gap = least_gap(a, b, far)
    assert gap.complete and gap.quantity.value == pytest.approx(15.0, abs=1e-4)
    assert gap.quantity.value - gap.proved <= 0.01 + 1e-9
    assert gap.quantity.low <= 15.0 + 1e-5


def test_a_range_that_does_not_hold_the_place_it_stands_in(block):
    """Only poses of the range count: where it stands it would overlap by 5."""
    a, b = block((0, 10), (0, 10), (0, 10)), block((5, 40), (-50, 50), (-50, 50))
    gap = least_gap(a, b, mixture([shift(X, -30, -8, "x")]))
    assert gap.state == "apart" and gap.quantity.value == pytest.approx(3.0, abs=1e-9)
    assert gap.pose.values[0] == pytest.approx(-8.0)
    assert gap.at_rest[0] == pytest.approx(10.0) and gap.point_moving[0] == pytest.approx(2.0)
    # How far it comes from where it stands: 8 there, and 22 from then on.
    assert gap.travel == pytest.approx(30.0)


def test_two_turns_round_and_a_bit(block):
    """A bar of half diagonal hypot(20, 5) before a wall at 24, turned by 800 degrees."""
    bar = block((-20, 20), (-5, 5), (-5, 5))
    post = block((-100, 200), (24, 30), (-50, 50))
    gap = least_gap(bar, post, mixture([turn(Z, ORIGIN, -100, 700)]))
    assert gap.complete
    assert gap.quantity.value == pytest.approx(24 - math.hypot(20, 5), abs=0.01)


@pytest.mark.parametrize("budget", [1, 2, 5, 20])
def test_a_budget_of_next_to_nothing_never_hides_an_overlap(block, budget):
    """Contact lasts for 2 of 360 degrees: not found so soon, and not excluded either."""
    arm = block((0, 100), (-1, 1), (-5, 5))
    post = trimesh.creation.cylinder(0.05, 20, sections=16)
    post.apply_translation((60 * math.cos(2.0), 60 * math.sin(2.0), 0))
    gap = least_gap(arm, post, mixture([turn(Z, ORIGIN, 0, 360)]), budget=budget)
    assert gap.quantity.low < 0.0
    if gap.state == "apart":
        assert not gap.complete and gap.quantity.low < -1.0


def test_turns_are_done_in_the_order_given(block):
    """A quarter turn about z, then one about x, takes +x to +y to +z; the other way round to +y."""
    bar, lid = block((0, 30), (-1, 1), (-1, 1)), block((-50, 50), (-50, 50), (40, 50))
    first = turn(Z, ORIGIN, 90, 90.0001, "yaw"), turn(X, ORIGIN, 90, 90.0001, "roll")
    up = least_gap(bar, lid, mixture(first))
    assert up.quantity.value == pytest.approx(10.0, abs=1e-3)
    assert up.pose.words == "with the moving part yawed +90.00 degrees, rolled +90.00 degrees"
    flat = least_gap(bar, lid, mixture(first[::-1]))
    assert flat.quantity.value == pytest.approx(39.0, abs=1e-3)


def test_a_tolerance_wider_than_the_gap_still_tells_it_from_contact(block):
    a, b = block((0, 10), (0, 10), (0, 10)), block((14, 40), (-50, 50), (-50, 50))
    near = mixture([shift(X, -5, 1, "x"), turn(Z, (5, 5, 0), -1, 1)])
    gap = least_gap(a, b, near, tolerance=50.0)
    corner = 5 * math.sqrt(2) * math.cos(math.radians(45 - 1))
    assert gap.quantity.value == pytest.approx(14 - 1 - 5 - corner, abs=0.02)
    assert gap.complete and 0.0 < gap.proved <= gap.quantity.value


def test_where_the_budget_runs_out_coarser_proofs_still_bound_the_gap():
    """Two balls of 20, 20 apart, rolling and shifted by up to 4: 16 at least between facets."""
    a = trimesh.creation.icosphere(subdivisions=4, radius=20)
    b = trimesh.creation.icosphere(subdivisions=4, radius=20).apply_translation((60, 0, 0))
    shifts = [shift(axis, -4, 4, name) for axis, name in zip(np.eye(3), "xyz", strict=True)]
    rolling = mixture([turn((1, 2, 3), ORIGIN, -20, 20), *shifts])
    gap = least_gap(a, b, rolling, tolerance=0.01, budget=30_000)
    assert not gap.complete
    assert gap.quantity.value == pytest.approx(16.0, abs=0.2)
    one = Search(Body.of(b), Body.of(a), rolling, np.zeros(len(b.faces)), np.zeros(len(a.faces)))
    one.attack(0.01)
    fine, _, complete = one.prove(0.01, 30_000)
    assert not complete
    # The fine proof alone reached less: it went deep where it began.
    assert fine + 1.0 < gap.proved <= 16.0


def test_every_leg_of_a_way_counts(block):
    """Nearest in the first leg, half way; the second goes far off. The proof stays below both."""
    bar = block((-20, 20), (-5, 5), (-5, 5))
    post = block((-100, 200), (24, 30), (-50, 50))
    quarter = rigid([(Z, 90.0, ORIGIN)])
    way = sweep([rigid(), quarter, rigid(move=(0, -60, 0)) @ quarter], ORIGIN)
    wanted = 24 - math.hypot(20, 5)
    for tolerance in (2.0, 0.5, 0.01):
        gap = least_gap(bar, post, way, tolerance=tolerance)
        assert gap.pose.leg == 0 and gap.proved <= wanted + 1e-9
        assert wanted - 1e-9 <= gap.quantity.value <= wanted + tolerance


def test_what_grows_grows_its_errors_too(block):
    """Chord errors of 0.1 and an allowance of 0.3 on a part that grows by half: 0.15 and 0.45."""
    a = Body.of(block((0, 10), (0, 10), (0, 10)), sagitta=0.1)
    b = Body.of(block((30, 50), (-50, 50), (-50, 50)), sagitta=0.1)
    grown = growth((50, 0, 0), 0, 0.5, "stop", "still")
    plain = least_gap(a, b, mixture([grown]))
    assert plain.quantity.value == pytest.approx(10.0, abs=1e-6)
    assert plain.quantity.low == pytest.approx(10 - 0.25, abs=1e-6)
    # The other way round: the block grows by half, its near face from 5 to 7.5 about its middle.
    block_grown = growth((5, 5, 5), 0, 0.5, "block")
    other = least_gap(a, b, mixture([block_grown]))
    assert other.quantity.value == pytest.approx(17.5, abs=1e-6)
    assert other.quantity.low == pytest.approx(17.5 - 0.25, abs=1e-6)
    # A part that shrinks is no truer than it is drawn.
    shrunk = least_gap(a, b, mixture([growth((5, 5, 5), -0.4, -0.2, "block")]))
    assert shrunk.quantity.low == pytest.approx(shrunk.quantity.value - 0.2, abs=1e-6)
    stand = Stand(np.full(12, 0.3), ("print tolerance",))
    wide = least_gap(a, b, mixture([grown]), stand_still=stand)
    assert wide.quantity.low == pytest.approx(plain.quantity.low - 0.45, abs=0.011)
    assert wide.quantity.high == pytest.approx(plain.quantity.high + 0.45, abs=0.011)
    assert any("print tolerance" in term.name for term in wide.quantity.terms)


def test_no_overlap_is_told_deeper_than_the_bodies_are(block):
    """A shift of 80 cannot sink a plate of 4 deeper than 2, nor a block of 10 deeper than 5."""
    a, b = block((0, 10), (0, 10), (0, 10)), block((20, 24), (-50, 50), (-50, 50))
    far = mixture([shift(X, 0, 80, "x")])
    gap = least_gap(a, b, far)
    assert gap.state == "overlapping" and gap.quantity.low == pytest.approx(-5.0, abs=0.05)
    # Met face on face at 10, and no deeper where that way ends: it is found in between.
    assert gap.first.values[0] == pytest.approx(10.0, abs=0.02)
    assert gap.quantity.value < -2.0
    grown = least_gap(a, b, far.with_growth([growth(ORIGIN, 0, 0.2, "block")]))
    assert -6.05 <= grown.quantity.low < gap.quantity.low
    # A short travel says more than the size: touched at 10, 10.5 is the end of the way.
    near = least_gap(a, b, mixture([shift(X, 0, 10.5, "x")]))
    assert near.quantity.value == pytest.approx(-0.5, abs=1e-6)


# --- where contact is first met ------------------------------------------------------------------


def test_first_contact_counts_what_the_still_part_does(block):
    """A thin plate grows towards the block, 50 mm from its datum, as the block comes by 1 mm."""
    a, plate = block((0, 10), (0, 10), (0, 10)), block((13, 13.2), (-50, 50), (-50, 50))
    grown = growth((63, 0, 0), 0, 0.22, "plate", "still")
    gap = least_gap(a, plate, mixture([shift(X, 0, 1, "x"), grown]))
    x, strain = gap.first.values
    assert 63 - 50 * (1 + strain) - (10 + x) == pytest.approx(0.0, abs=0.02)
    assert gap.quantity.high < 0.0


def test_first_contact_is_sought_in_the_legs_before(block):
    """An arm swings past a thin post and back to stand in it: it was met the first time."""
    arm = block((0, 100), (-1, 1), (-5, 5))
    post = trimesh.creation.cylinder(0.05, 20, sections=16)
    post.apply_transform(rigid([(Z, 47.3, ORIGIN)]) @ rigid(move=(60, 0, 0)))
    angles = (0.0, 90.0, 47.3)
    way = sweep([rigid([(Z, angle, ORIGIN)]) for angle in angles], ORIGIN)
    gap = least_gap(arm, post, way)
    assert gap.quantity.high < 0.0
    assert gap.first.leg == 0
    first = 47.3 - math.degrees(math.asin(1.05 / 60))
    assert 90 * gap.first.values[0] == pytest.approx(first, abs=0.02)


@pytest.mark.parametrize("axis", [(1, 0, 0), (0, 1, 0), (0, 0, 1)])
@pytest.mark.parametrize("side", [-40.0, 40.0])
def test_an_open_tray_may_come_to_hold_what_begins_on_any_side(block, axis, side):
    tray = block((-20, 20), (-20, 20), (-20, 20))
    tray.update_faces(np.arange(12) != 0)
    ball = trimesh.creation.icosphere(subdivisions=1, radius=1)
    ball.apply_translation(side * np.array(axis))
    about = shift((1, 1, 1), -5, 5, "s")
    assert least_gap(ball, tray, mixture([about])).undecided == ()
    # An empty way of 30 mm across: too long to say that it stays out.
    wide = shift(np.roll(axis, 1), -30, 30, "s")
    assert "or may come to" in least_gap(ball, tray, mixture([wide])).undecided[0]

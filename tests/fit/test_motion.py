"""The least gap over a movement: closed forms, dense sampling, and what cannot be proved."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.motion import Motion
from geomcheck.fit.motion_gap import least_gap
from geomcheck.fit.motion_kinds import box as mixture
from geomcheck.fit.motion_kinds import growth, shift, sweep, turn
from geomcheck.fit.motion_search import Search
from geomcheck.fit.motion_state import Stand
from geomcheck.mesh.placement import apply, rigid
from geomcheck.mesh.query import least_distance

Z = (0, 0, 1)
ORIGIN = (0, 0, 0)


def roll(low, high, about=ORIGIN, axis=Z):
    return mixture([turn(axis, about, low, high, "roll")])


def at(mesh, matrix):
    return apply(matrix, mesh.triangles.reshape(-1, 3)).reshape(-1, 3, 3)


def check(gap, wanted, close=0.01):
    """Found and proved: the truth lies in the interval, and that is no wider than it may be."""
    assert gap.complete and gap.state == "apart"
    assert gap.quantity.value == pytest.approx(wanted, abs=close)
    assert gap.proved <= wanted + 1e-9
    assert gap.quantity.value - gap.proved <= 0.01 + 1e-9


# --- closed forms --------------------------------------------------------------------------------


def test_half_box_rolling_before_a_wall(block):
    """The corner (40, 30) swings to 36.8699 - 6 degrees: 60 - 50 cos 30.8699 deg."""
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    gap = least_gap(engine, wall, roll(-6, 6))
    wanted = 60 - 50 * math.cos(math.atan2(30, 40) - math.radians(6))
    assert wanted == pytest.approx(17.083270, abs=1e-6)
    check(gap, wanted, 1e-6)
    assert abs(gap.pose.values[0]) == pytest.approx(6.0)
    assert gap.pose.words in (
        "with the moving part rolled +6.00 degrees",
        "with the moving part rolled -6.00 degrees",
    )
    # The place on the engine as it stands, and the way to set its wall back.
    assert gap.at_rest[0] == pytest.approx(40) and abs(gap.at_rest[1]) == pytest.approx(30)
    assert gap.direction[0] == pytest.approx(-math.cos(math.radians(6)))
    # In the pose the two points are the gap apart.
    between = np.linalg.norm(np.subtract(gap.point_moving, gap.point_still))
    assert between == pytest.approx(gap.quantity.value)


def test_the_least_gap_inside_the_range_not_at_its_ends(block):
    """With the corner's whole arc in the range the crest counts: 60 - 50."""
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    gap = least_gap(engine, wall, roll(-60, 10))
    check(gap, 10.0)
    assert gap.pose.values[0] == pytest.approx(-36.8699, abs=1.2)


@pytest.mark.parametrize(("around", "wanted"), [((4.0, 0, 0), "own"), (ORIGIN, "outer")])
def test_eccentric_nested_cylinders(around, wanted):
    """Inner radius 20 about (4, 0), hole of radius 30 about the origin with 64 facets.

    Turned about its own axis a corner of the inner one passes (24, 0), turned about the hole's
    axis it runs round on a circle of 24 and passes the middle of a facet, 30 cos(pi / 64) out.
    """
    outer = trimesh.creation.annulus(30, 40, 60, sections=64)
    inner = trimesh.creation.cylinder(20, 40, sections=48)
    inner.apply_translation((4, 0, 0))
    gap = least_gap(inner, outer, roll(-20, 20, around))
    least = 30 * math.cos(math.pi / 64) - 24
    if wanted == "outer":
        check(gap, least)
    else:
        # On the way past (24, 0) the facet's corner may be there instead of its middle.
        assert least - 1e-9 <= gap.quantity.value <= 30 - 24 + 1e-9
        assert gap.complete and gap.proved >= least - 0.01


def test_square_shaft_turning_in_a_slot(block, join):
    """Half diagonal 10 sqrt 2 in a slot 15 to either side, the shaft 0.5 off the middle."""
    shaft = block((-10, 10), (-10, 10), (-30, 30))
    shaft.apply_translation((0.5, 0, 0))
    slot = join(block((15, 20), (-40, 40), (-40, 40)), block((-20, -15), (-40, 40), (-40, 40)))
    gap = least_gap(shaft, slot, roll(0, 360, (0.5, 0, 0)))
    check(gap, 14.5 - 10 * math.sqrt(2))


def test_hinged_panel_closing_over_a_ball():
    """A plane through its hinge: the ball's corners are rho sin(angle) over it."""
    panel = trimesh.creation.box(bounds=[[0, -80, -2], [200, 80, 0]])
    ball = trimesh.creation.icosphere(subdivisions=3, radius=20)
    ball.apply_translation((120, 5, -150))
    close = mixture([turn((0, 1, 0), ORIGIN, -25, 35, "hinge")])
    gap = least_gap(panel, ball, close)
    # Right-handed about y, +35 degrees takes the panel's end down: its lower face is then the
    # plane through (0, 0, -2) turned with it.
    angle = math.radians(35)
    normal = np.array([math.sin(angle), 0, math.cos(angle)])
    level = ball.vertices @ normal
    check(gap, float(-2 - level.max()))
    assert gap.pose.values[0] == pytest.approx(35, abs=0.05)
    # The true ball, whose facets lie inside it, is in the interval.
    true = -2 - (float(np.array([120, 5, -150]) @ normal) + 20)
    assert gap.quantity.low <= true <= gap.quantity.high


def test_growth_of_a_bar(block):
    """alpha L dT: 21.5e-6 x 500 x 120 = 1.29 mm."""
    bar, stop = block((0, 500), (-5, 5), (-5, 5)), block((503, 520), (-50, 50), (-50, 50))
    strain = 21.5e-6 * 120
    hot = mixture([growth(ORIGIN, 0, strain, "bar", alpha=21.5e-6, drawn_at=20)])
    gap = least_gap(bar, stop, hot)
    check(gap, 3 - 1.29, 1e-6)
    assert gap.pose.words == "with bar at 140.0 degrees Celsius"
    # From its other end the bar grows away; about its middle, by half.
    check(least_gap(bar, stop, mixture([growth((500, 0, 0), 0, strain, "bar")])), 3.0, 1e-6)
    check(least_gap(bar, stop, mixture([growth((250, 0, 0), 0, strain, "bar")])), 2.355, 1e-6)
    # The stop grows towards it, about a point behind it.
    grown = growth((603, 0, 0), 0, 0.01, "stop", "still")
    check(least_gap(bar, stop, mixture([grown])), 2.0, 1e-6)
    both = mixture([growth(ORIGIN, 0, strain, "bar"), grown])
    check(least_gap(bar, stop, both), 0.71, 1e-6)


def test_rock_while_hot(block):
    """Both at once: the corner's arm of 50 is 50 (1 + e) long."""
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    hot = roll(-6, 6).with_growth([growth(ORIGIN, -0.001, 0.004, "engine")])
    wanted = 60 - 50 * 1.004 * math.cos(math.atan2(30, 40) - math.radians(6))
    gap = least_gap(engine, wall, hot)
    check(gap, wanted, 1e-4)
    assert gap.pose.numbers["growth of engine"] == pytest.approx(0.004)


def test_shifts_of_two_blocks_part_by_axis(block):
    """Gaps of 4, 6 and 12 less shifts of up to 1, 4 and 12: sqrt(9 + 4 + 0)."""
    a, b = block((0, 10), (0, 10), (0, 10)), block((14, 20), (16, 20), (22, 30))
    shifts = mixture(
        [
            shift((1, 0, 0), -9, 1, "x"),
            shift((0, 1, 0), -9, 4, "y"),
            shift((0, 0, 1), -9, 12.5, "z"),
        ]
    )
    gap = least_gap(a, b, shifts)
    check(gap, math.sqrt(13), 1e-3)
    assert gap.pose.numbers["x"] == pytest.approx(1) and gap.pose.numbers["y"] == pytest.approx(4)


def test_six_numbers_at_once(block):
    """The corner swung by three turns and shifted: against the greatest x of a fine grid of poses.

    x of a corner is greatest at a corner of this box of poses (each derivative keeps its sign).
    """
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    elements = [
        turn((0, 0, 1), ORIGIN, -6, 6, "roll"),
        turn((1, 0, 0), ORIGIN, -3, 3, "pitch"),
        turn((0, 1, 0), ORIGIN, -3, 3, "yaw"),
        shift((1, 0, 0), -3, 3, "x"),
        shift((0, 1, 0), -3, 3, "y"),
        shift((0, 0, 1), -3, 3, "z"),
    ]
    motion = mixture(elements)
    highest = max(
        (motion.legs[0].maps(np.array(ends))[0] @ [40, y, z, 1])[0]
        for ends in product(*motion.legs[0].ranges.T)
        for y in (-30, 30)
        for z in (-50, 50)
    )
    check(least_gap(engine, wall, motion), 60 - highest)


def test_sweep_of_a_belt_past_a_post(block):
    """Straight at first, then turned: a bar turning about its middle has its half diagonal."""
    bar = block((-20, 20), (-5, 5), (-5, 5))
    post = block((-100, 200), (24, 30), (-50, 50))
    poses = [rigid(), rigid(move=(60, 0, 0)), rigid([(Z, 90.0, ORIGIN)], (60, 0, 0))]
    straight = sweep(poses[:2], ORIGIN)
    check(least_gap(bar, post, straight), 19.0, 1e-6)
    gap = least_gap(bar, post, sweep(poses, ORIGIN))
    check(gap, 24 - math.hypot(20, 5))
    assert gap.pose.leg == 1
    assert "of the way from pose 2 to pose 3" in gap.pose.words
    turned = math.degrees(math.atan2(20, 5))  # where the diagonal stands upright
    assert 90 * gap.pose.values[0] == pytest.approx(turned, abs=2.5)
    hot = sweep(poses, ORIGIN).with_growth([growth(ORIGIN, 0, 0.1, "bar")])
    check(least_gap(bar, post, hot), 24 - 1.1 * math.hypot(20, 5))


# --- contact -------------------------------------------------------------------------------------


def arm_and_post(block, radius, angle):
    arm = block((0, 100), (-1, 1), (-5, 5))
    post = trimesh.creation.cylinder(0.05, 20, sections=16)
    x, y = radius * math.cos(math.radians(angle)), radius * math.sin(math.radians(angle))
    post.apply_translation((x, y, 0))
    return arm, post


def test_contact_that_a_coarse_sampling_misses(block):
    """An arm swings past a thin post: contact over 2 degrees of 90."""
    arm, post = arm_and_post(block, 60, 47.3)
    swing = roll(0, 90)
    for angle in range(0, 91, 5):
        turned = at(arm, rigid([(Z, float(angle), ORIGIN)]))
        assert least_distance(turned, post.triangles).distance > 1.0
    gap = least_gap(arm, post, swing)
    assert gap.state == "overlapping"
    assert gap.quantity.value < 0 and gap.quantity.high < 0.0
    # First met when the arm's upper face reaches the post: 1 mm and its radius from its middle.
    first = 47.3 - math.degrees(math.asin(1.05 / 60))
    assert gap.first.values[0] == pytest.approx(first, abs=0.02)
    assert abs(gap.pose.values[0] - 47.3) < 1.1
    deepest = least_gap(arm, post, roll(47.3, 47.3001))
    assert gap.quantity.low <= deepest.quantity.value


def test_a_near_miss_inside_the_range_is_told_from_contact(block):
    """The arm's end passes a post with a corner: 101 - 0.05 sin-free less hypot(100, 1)."""
    arm = block((0, 100), (-1, 1), (-5, 5))
    wall = trimesh.creation.icosphere(subdivisions=2, radius=0.5)
    wall.apply_translation((0, 100.7, 0))
    wall.apply_transform(rigid([(Z, -52.0, ORIGIN)]))
    gap = least_gap(arm, wall, roll(0, 90))
    assert gap.state == "apart" and gap.complete
    nearest = least_distance(wall.triangles, np.zeros((1, 3, 3))).distance
    # No nearer than the circle of the arm's corners, no farther than a corner's way past it.
    assert gap.quantity.value >= nearest - math.hypot(100, 1) - 1e-9
    assert 0.15 < gap.proved <= gap.quantity.value < 0.21


def test_what_overlaps_as_it_stands(block):
    a, b = block((0, 10), (0, 10), (0, 10)), block((8, 20), (0, 10), (0, 10))
    gap = least_gap(a, b, mixture([shift((1, 0, 0), -1, 1, "x")]))
    assert gap.state == "overlapping" and gap.first.words == "as they stand"
    assert gap.quantity.value == pytest.approx(-3.0)  # at the far end of the way
    assert gap.direction == pytest.approx((-1, 0, 0))


def test_a_swallowed_part_is_not_apart(block):
    ball = trimesh.creation.icosphere(subdivisions=2, radius=3)
    outer = block((-20, 20), (-20, 20), (-20, 20))
    gap = least_gap(ball, outer, mixture([shift((1, 0, 0), -2, 2, "x")]))
    assert gap.state == "a inside b" and gap.quantity.value < 0
    hollow = trimesh.boolean.difference(
        [outer, block((-15, 15), (-15, 15), (-15, 15))], engine="manifold"
    )
    check(least_gap(ball, hollow, mixture([shift((1, 0, 0), -2, 2, "x")])), 10.0, 0.01)


def test_an_open_mesh_may_come_to_hold_a_part(block):
    tray = block((-20, 20), (-20, 20), (-20, 20))
    tray.update_faces(np.arange(12) != 0)
    ball = trimesh.creation.icosphere(subdivisions=1, radius=1)
    along = mixture([shift((1, 0, 0), -1, 1, "x")])
    inside = least_gap(ball, tray, along)
    assert "mesh of the still part is open" in inside.undecided[0]
    assert least_gap(ball, tray, along, shell_still=True).undecided == ()
    # 20 mm over it: a travel of 5 cannot bring it in, one of 30 is not looked at more closely.
    ball.apply_translation((0, 0, 40))
    assert least_gap(ball, tray, mixture([shift((1, 0, 0), -5, 5, "x")])).undecided == ()
    far = least_gap(ball, tray, mixture([shift((1, 0, 0), -30, 30, "x")]))
    assert "or may come to" in far.undecided[0]
    # The other way round: the tray moves.
    moved = least_gap(tray, ball.apply_translation((0, 0, -40)), along)
    assert "mesh of the moving part is open" in moved.undecided[0]


# --- what is proved ------------------------------------------------------------------------------


def lump(rng, middle, radius):
    mesh = trimesh.creation.icosphere(subdivisions=int(rng.integers(0, 3)), radius=radius)
    mesh.apply_transform(trimesh.transformations.random_rotation_matrix(rng.uniform(0, 1, 3)))
    return trimesh.Trimesh(mesh.vertices * rng.uniform(0.3, 1, 3) + middle, mesh.faces)


def any_motion(rng) -> Motion:
    elements = []
    for number in range(int(rng.integers(1, 4))):
        size = float(rng.uniform(0.05, 1))
        if rng.random() < 0.5:
            elements.append(shift(rng.normal(size=3), -3 * size, 2 * size, f"s{number}"))
        else:
            ends = -40 * size, 30 * size
            elements.append(turn(rng.normal(size=3), rng.normal(size=3) * 15, *ends, f"t{number}"))
    grown = []
    for of in ("moving", "still"):
        if rng.random() < 0.3:
            grown.append(growth(rng.normal(size=3) * 15, -0.02, 0.1, of, of))
    if rng.random() < 0.3:
        poses = [
            rigid([(rng.normal(size=3), rng.uniform(-50, 50), rng.normal(size=3) * 5)], move)
            for move in rng.normal(size=(3, 3)) * 3
        ]
        return sweep(poses, rng.normal(size=3) * 10).with_growth(grown)
    return mixture([*elements, *grown])


@settings(derandomize=True, deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_proved_is_never_above_and_found_never_below_what_poses_show(seed):
    """Against exact distances in many poses, corners of the box among them."""
    rng = np.random.default_rng(seed)
    still = lump(rng, np.zeros(3), 10)
    moving = lump(rng, rng.normal(size=3) * 5 + [24, 0, 0], 8)
    motion = any_motion(rng)
    tolerance = float(rng.choice([0.01, 0.3, 3.0]))
    a, b = Body.of(still), Body.of(moving)
    reach = rng.uniform(0, 0.4, len(a.faces)), rng.uniform(0, 0.4, len(b.faces))
    least = Search(a, b, motion, *reach).result(tolerance, 2_000_000)
    assert least.complete
    shown, shown_true = np.inf, np.inf
    for leg in motion.legs:
        low, high = leg.ranges
        for _ in range(25):
            share = np.where(
                rng.random(len(low)) < 0.5, rng.integers(0, 2, len(low)), rng.random(len(low))
            )
            there, here = leg.maps(low + share * (high - low))
            near = least_distance(at(still, here), at(moving, there))
            shown = min(shown, near.distance)
            true = near.distance - reach[0][near.triangle_a] - reach[1][near.triangle_b]
            shown_true = min(shown_true, true)
    assert least.proved <= shown + 1e-9
    assert least.distance <= shown + tolerance + 1e-9
    assert least.distance - least.proved <= tolerance + 1e-9
    if least.distance > 0:
        assert least.proved_true <= shown_true + 1e-9
    # The witness can be re-checked.
    there, here = motion.legs[least.leg].maps(least.values)
    near = least_distance(at(still, here), at(moving, there)).distance
    assert near <= least.distance + 1e-9 and near >= least.proved - 1e-9
    if tolerance < 0.1:
        assert near == pytest.approx(least.distance, abs=1e-9)


def test_a_budget_that_is_too_small_gives_true_bounds_and_says_so(block):
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    wanted = 60 - 50 * math.cos(math.atan2(30, 40) - math.radians(6))
    previous = -np.inf
    for budget in (1, 10, 40):
        gap = least_gap(engine, wall, roll(-6, 6), budget=budget, tolerance=1e-6)
        assert not gap.complete
        assert gap.quantity.low <= wanted <= gap.quantity.value + 1e-9
        assert gap.proved >= previous
        previous = gap.proved
    assert least_gap(engine, wall, roll(-6, 6), budget=100_000, tolerance=1e-6).complete


def test_facets_and_allowances_reach_into_the_interval(ball):
    """Two balls of 10 coming within 5 mm: 5 in truth, a little more between facets."""
    a, b = ball(10.0), ball(10.0).moved(30, 0, 0)
    near = mixture([shift((1, 0, 0), 0, 5, "x"), shift((0, 1, 0), -1, 1, "y")])
    first, second = Body.of(a.mesh, a.sagitta), Body.of(b.mesh, b.sagitta)
    gap = least_gap(first, second, near)
    assert gap.quantity.low <= 5.0 <= gap.quantity.value <= gap.quantity.high
    assert 5.0 - gap.quantity.low < 2 * (a.sagitta + b.sagitta) + 0.01
    stand = Stand(np.full(len(first.faces), 0.3), ("casting tolerance",))
    wider = least_gap(first, second, near, stand_moving=stand)
    assert wider.quantity.low == pytest.approx(gap.quantity.low - 0.3, abs=0.011)
    assert wider.quantity.high == pytest.approx(gap.quantity.high + 0.3, abs=0.011)
    assert any("casting tolerance" in term.name for term in wider.quantity.terms)


def test_the_answer_moves_with_the_parts(block):
    """A rigid motion of everything, the axis included, changes nothing but the places."""
    engine = block((0, 40), (-30, 30), (-50, 50))
    wall = block((60, 70), (-200, 200), (-200, 200))
    matrix = rigid([((1, 2, 3), 50.0, (4, 5, 6))], (100, -300, 20))
    axis = matrix[:3, :3] @ np.array(Z)
    moved = [trimesh.Trimesh(apply(matrix, m.vertices), m.faces) for m in (engine, wall)]
    there = least_gap(*moved, roll(-6, 6, matrix[:3, 3], axis))
    here = least_gap(engine, wall, roll(-6, 6))
    assert there.quantity.value == pytest.approx(here.quantity.value, abs=1e-6)
    # The same question asked again gives the same bits.
    again = least_gap(*moved, roll(-6, 6, matrix[:3, 3], axis))
    assert again.quantity == there.quantity and again.boxes == there.boxes
    assert again.point_moving == there.point_moving


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: turn(Z, ORIGIN, 6, -6), "reversed"),
        (lambda: turn(ORIGIN, ORIGIN, -6, 6), "no direction"),
        (lambda: shift(ORIGIN, -6, 6), "no direction"),
        (lambda: shift((1, 0, 0), 0, math.inf), "finite"),
        (lambda: growth(ORIGIN, -0.6, 0, "part"), "half"),
        (lambda: mixture([]), "moves nothing"),
        (lambda: mixture([growth(ORIGIN, 0, 0.1, "a"), growth(ORIGIN, 0, 0.1, "a")]), "twice"),
        (lambda: sweep([rigid()], ORIGIN), "two or more"),
        (lambda: sweep([rigid(), rigid()], ORIGIN), "nothing moves"),
        (lambda: sweep([rigid(), rigid([(Z, 180.0, ORIGIN)])], ORIGIN), "half a turn"),
        (lambda: sweep([rigid(), 2 * np.eye(4)], ORIGIN), "last row"),
    ],
)
def test_movements_that_are_none(make, words):
    with pytest.raises(InputError, match=words):
        make()


def test_tolerance_and_budget_are_positive(block):
    a, b = block((0, 1), (0, 1), (0, 1)), block((2, 3), (0, 1), (0, 1))
    for wrong in ({"tolerance": 0.0}, {"tolerance": math.nan}, {"budget": 0}):
        with pytest.raises(InputError, match="positive"):
            least_gap(a, b, roll(-1, 1), **wrong)

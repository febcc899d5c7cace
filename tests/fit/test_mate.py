"""Mating faces, and what the gap check leaves out because of them.

The parts: a flange of 60 x 60 on a stem of 20 x 20, face at z = 0 facing up; its partner the other
way up, face at z = 1.5, a gasket of 1.5 mm between them.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from trimesh.transformations import random_rotation_matrix, rotation_matrix

from geomcheck.errors import CannotDecide
from geomcheck.finding import Requirement, Verdict
from geomcheck.fit.body import Body
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.mate import check_mate, leave_out

AT = (20.0, 20.0, 0.0)
UP = (0.0, 0.0, 1.0)
GASKET = 1.5


@pytest.fixture
def lower(join, block):
    return join(block((-30, 30), (-30, 30), (-10, 0)), block((-10, 10), (-10, 10), (-100, -5)))


@pytest.fixture
def upper(join, block):
    return join(block((-30, 30), (-30, 30), (1.5, 11.5)), block((-10, 10), (-10, 10), (5, 100)))


def mate_of(a, b, **more):
    given = {"at": AT, "normal": UP, "gasket": GASKET} | more
    return check_mate(Body.of(a), Body.of(b), given.pop("at"), given.pop("normal"), **given)


def gap_beyond(a, b, required, **more):
    """The gap that is still measured; None where nothing is."""
    mate = mate_of(a, b, **more)
    pairing = leave_out(Body.of(a), Body.of(b), [mate], required)
    return measure_gap(Body.of(a), Body.of(b), pairing=pairing) if pairing.blocks else None


# --- the faces -----------------------------------------------------------------------------------


def test_two_flanges_a_gasket_apart(lower, upper):
    mate = mate_of(lower, upper)
    assert mate.holds
    assert mate.distance == pytest.approx(1.5)
    assert mate.area == pytest.approx(3600.0)
    assert mate.angle.value == pytest.approx(0.0, abs=1e-6)
    assert mate.departure.value == pytest.approx(0.0, abs=1e-9)
    assert mate.point_a == pytest.approx((0, 0, 0), abs=1e-9)
    assert mate.point_b == pytest.approx((0, 0, 1.5), abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_same_anywhere(seed, lower, upper):
    matrix = random_rotation_matrix(np.random.default_rng(seed).random(3))
    matrix[:3, 3] = (100, -50, 20)
    turned = [m.apply_transform(matrix) for m in (lower, upper)]
    at = trimesh.transform_points([AT], matrix)[0]
    mate = mate_of(*turned, at=at, normal=matrix[:3, 2])
    assert mate.holds
    assert mate.distance == pytest.approx(1.5)
    assert mate.area == pytest.approx(3600.0, rel=1e-6)


@pytest.mark.parametrize("lift", [-0.3, -0.05, 0.08, 0.5, 2.0])
def test_distance_off_the_gasket(lift, lower, upper):
    mate = mate_of(lower, upper.apply_translation((0, 0, lift)))
    assert mate.distance == pytest.approx(1.5 + lift)
    assert mate.departure.value == pytest.approx(abs(lift))
    assert mate.holds == (abs(lift) <= 0.1)


def test_tilt_counts_over_the_whole_footprint(lower, upper):
    """A face turned by 0.1 degrees about its middle is 30 tan(0.1 deg) = 0.0524 off at the rim."""
    tilted = upper.apply_transform(rotation_matrix(np.radians(0.1), (1, 0, 0), (0, 0, 1.5)))
    mate = mate_of(lower, tilted)
    assert mate.angle.value == pytest.approx(0.1)
    assert mate.departure.value == pytest.approx(30 * np.tan(np.radians(0.1)), rel=1e-3)
    assert mate.holds


def test_footprint_is_what_the_faces_have_in_common(lower, upper):
    mate = mate_of(lower, upper.apply_translation((25, 40, 0)))
    assert mate.area == pytest.approx(35 * 20)
    aside = mate_of(lower, upper.apply_translation((36, -40, 0)), at=(29, 0, 0))
    assert not aside.holds and aside.area == 0.0  # its edge is 2 mm beyond the lower one's


@pytest.mark.parametrize("at", [(20, 20, 12.0), (20, 20, -8.0), (200, 0, 0)])
def test_no_face_at_the_declared_place(at, lower, upper):
    with pytest.raises(CannotDecide, match="no face within 5 mm") as caught:
        mate_of(lower, upper, at=at)
    assert caught.value.where == "first part"


def test_no_face_of_the_declared_facing(lower, upper):
    with pytest.raises(CannotDecide, match="faces"):
        mate_of(lower, upper, normal=(0.0, 0.6, 0.8))
    with pytest.raises(CannotDecide) as caught:
        mate_of(lower, upper.apply_transform(rotation_matrix(0.3, (1, 0, 0), (0, 0, 1.5))))
    assert caught.value.where == "second part"


def test_a_curved_surface_is_no_face(upper):
    dome = trimesh.creation.icosphere(subdivisions=4, radius=20).apply_translation((0, 0, -20))
    try:
        mate = mate_of(dome, upper, at=(0, 0, 0))
    except CannotDecide:
        return
    assert mate.area < 20.0  # no more than the cap within the tolerance


def test_ring_face_with_a_groove_is_one_mate(upper, block):
    """A groove parts the face into rings; the point lies on the inner one, all of it counts."""
    rings = [
        trimesh.creation.annulus(r_min=r0, r_max=r1, height=10, sections=64)
        for r0, r1 in ((10, 14), (18, 28))
    ]
    base = trimesh.creation.annulus(r_min=10, r_max=28, height=10, sections=64)
    part = trimesh.boolean.union(
        [
            rings[0].apply_translation((0, 0, -5)),
            rings[1].apply_translation((0, 0, -5)),
            base.apply_translation((0, 0, -13)),
        ],
        engine="manifold",
    )
    mate = mate_of(part, upper, at=(12, 0, 0))
    # areas of regular 64-gons: n / 2 r^2 sin(2 pi / n)
    gon = 32 * np.sin(np.pi / 32)
    assert mate.area == pytest.approx(gon * (14**2 - 10**2 + 28**2 - 18**2), rel=1e-3)


def test_uneven_scanned_face_has_an_interval_of_its_noise(lower, upper):
    rng = np.random.default_rng(5)
    fine = lower.subdivide().subdivide().subdivide()
    noise = rng.uniform(-0.02, 0.02, len(fine.vertices))
    points = fine.vertices + np.outer(noise * (fine.vertices[:, 2] > -1e-6), UP)
    scan = trimesh.Trimesh(points, fine.faces[fine.triangles_center[:, 2] > -50], process=False)
    mate = mate_of(scan, upper)
    assert mate.departure.low <= 0.02 and 0.005 < mate.departure.high < 0.06
    assert mate.distance == pytest.approx(1.5, abs=0.01)


# --- what is left out ----------------------------------------------------------------------------


def test_flange_rim_alone_does_not_alarm(lower, upper, join, block):
    assert gap_beyond(lower, upper, 10.0) is None
    plate = join(upper, block((-100, 100), (-100, 100), (1.5, 11.5)))
    gap = gap_beyond(lower, plate, 10.0)
    assert gap.state == "apart" and gap.quantity.low >= 10.0


def test_round_flange_rim_alone_does_not_alarm():
    """The rim's true surface stands off its facets; the outline allows for it."""
    low, top = (trimesh.creation.cylinder(radius=r, height=10, sections=24) for r in (40, 60))
    low.apply_translation((0, 0, -5))
    top.apply_translation((0, 0, 6.5))
    gap = gap_beyond(low, top, 10.0)
    assert Requirement("at least", 10.0, "mm").decide(gap.quantity) is Verdict.PASS


def test_boss_beside_the_flange_that_reaches_across_is_found(lower, upper, join, block):
    """On the lower part, 2 mm beside the upper flange, 6 mm up past both faces."""
    boss = join(lower, block((32, 42), (-5, 5), (-9, 6)), block((25, 42), (-5, 5), (-9, -3)))
    gap = gap_beyond(boss, upper, 5.0)
    assert (gap.state, gap.distance) == ("apart", pytest.approx(2.0))
    assert gap.point_a[0] == pytest.approx(32.0)
    corners = Body.of(boss).triangles[gap.triangle_a]
    nearest = trimesh.triangles.closest_point(corners[None], np.array([gap.point_a]))
    assert np.abs(nearest - gap.point_a).max() < 1e-9


def test_boss_within_the_outline_that_reaches_across_is_found(lower, upper, join, block):
    """A pocket in the upper face with a boss of the lower part in it, 1 mm clear."""
    pocket = trimesh.boolean.difference(
        [upper, block((14, 26), (14, 26), (0, 8))], engine="manifold"
    )
    boss = join(lower, block((15, 25), (15, 25), (-5, 4)))
    gap = gap_beyond(boss, pocket, 5.0, at=(-20, -20, 0))
    assert gap.distance == pytest.approx(1.0)


def test_second_approach_200_mm_away_is_found(lower, upper, join, block):
    a = join(lower, block((0, 220), (-5, 5), (-40, -30)), block((200, 220), (-10, 10), (-40, 0)))
    b = join(upper, block((0, 220), (-5, 5), (40, 50)), block((200, 220), (-10, 10), (3, 50)))
    gap = gap_beyond(a, b, 10.0)
    assert gap.distance == pytest.approx(3.0)
    assert 200 <= gap.point_a[0] <= 220
    # Even where the second place lies in the very planes of the mating faces.
    b = join(upper, block((0, 220), (-5, 5), (40, 50)), block((200, 220), (-10, 10), (1.5, 50)))
    gap = gap_beyond(a, b, 10.0)
    assert gap.distance == pytest.approx(1.5) and gap.point_a[0] >= 200
    # A mate of its own leaves it out, too.
    first = mate_of(a, b)
    second = mate_of(a, b, at=(210, 0, 0))
    pairing = leave_out(Body.of(a), Body.of(b), [first, second], 10.0)
    if pairing.blocks:
        assert measure_gap(a, b, pairing=pairing).distance >= 10.0


@pytest.mark.parametrize("swapped", [False, True])
def test_one_part_outside_the_outline_is_measured_against_the_other_within(
    swapped, lower, upper, join, block
):
    """A lip of one part 8 mm beside the flange, a lug of the other 12 mm beside it, 1 mm below."""
    a = join(lower, block((42, 60), (-5, 5), (-9, -1)), block((0, 60), (-5, 5), (-9, -5)))
    b = join(upper, block((0, 38), (-5, 5), (2.5, 8)))
    if swapped:
        flip = rotation_matrix(np.pi, (1, 0, 0), (0, 0, 0.75))
        a, b = b.apply_transform(flip), a.apply_transform(flip)
    gap = gap_beyond(a, b, 10.0)
    assert gap.distance == pytest.approx(np.hypot(4.0, 3.5))


def test_two_mates_leave_out_each_its_own_pairs_only(lower, upper, join, block):
    """What lies behind one mate is still measured against what lies behind the other."""
    a = join(lower, block((0, 80), (-5, 5), (-40, -30)), block((60, 80), (-10, 10), (-40, 0)))
    b = join(upper, block((0, 80), (-5, 5), (40, 50)), block((60, 80), (-10, 10), (1.5, 50)))
    # Required 40: each outline takes in the other's pad, but only pairs of the same mate go.
    mates = [mate_of(a, b), mate_of(a, b, at=(70, 0, 0))]
    pairing = leave_out(Body.of(a), Body.of(b), mates, 2.0)
    assert pairing.blocks
    gap = measure_gap(a, b, pairing=pairing)
    assert gap.distance > 29.0  # pad to flange, across


def test_parts_that_overlap_at_the_mate_are_not_left_out(lower, upper):
    """1 mm into one another: the mate does not hold, so the gap check sees the overlap."""
    low = upper.apply_translation((0, 0, -2.5))
    mate = mate_of(lower, low)
    assert not mate.holds and mate.distance == pytest.approx(-1.0)
    gap = gap_beyond(lower, low, 10.0)
    assert gap.state == "overlapping" and gap.depth == pytest.approx(1.0)


def test_faces_in_contact_without_a_gasket(lower, upper, join, block):
    down = upper.apply_translation((0, 0, -1.5))
    assert gap_beyond(lower, down, 10.0, gasket=0.0) is None
    boss = join(lower, block((32, 42), (-5, 5), (-9, 6)), block((25, 42), (-5, 5), (-9, -3)))
    assert gap_beyond(boss, down, 5.0, gasket=0.0).distance == pytest.approx(2.0)
    deep = join(lower, block((28, 42), (-5, 5), (-9, 6)))
    gap = gap_beyond(deep, down, 5.0, gasket=0.0)
    assert gap.state == "overlapping" and gap.depth == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("seed", [1, 2])
def test_leaving_out_does_not_depend_on_place_or_order(seed, lower, upper, join, block):
    boss = join(lower, block((32, 42), (-5, 5), (-9, 6)), block((25, 42), (-5, 5), (-9, -3)))
    matrix = random_rotation_matrix(np.random.default_rng(seed).random(3))
    a, b = (m.copy().apply_transform(matrix) for m in (boss, upper))
    at, up = matrix[:3, :3] @ AT, matrix[:3, 2]
    assert gap_beyond(a, b, 5.0, at=at, normal=up).distance == pytest.approx(2.0)
    other = at + GASKET * up
    assert gap_beyond(b, a, 5.0, at=other, normal=-up).distance == pytest.approx(2.0)

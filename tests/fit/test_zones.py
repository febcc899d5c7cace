"""Zones under the required gap: areas, places and depths against closed forms and brute force."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.fit.body import Body
from geomcheck.fit.budget import Uniform
from geomcheck.fit.field import gap_field
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.mate import check_mate, leave_out
from geomcheck.fit.trim import turned
from geomcheck.fit.zones import find_zones


def exact(mesh):
    """A body whose facets are taken to be the part."""
    triangles = mesh if isinstance(mesh, np.ndarray) else mesh.triangles
    return Body.of(triangles, sagitta=0.0)


def panel(z, half=200.0):
    """Two triangles, open."""
    c = np.array([[-half, -half, z], [half, -half, z], [half, half, z], [-half, half, z]])
    return exact(c[[[0, 1, 2], [0, 2, 3]]])


def survey(a, b, required, **more):
    return find_zones(a, b, required, measure_gap(a, b), **more)


def holds(quantity, value):
    return quantity.low - 1e-9 <= value <= quantity.high + 1e-9


def sphere(radius, subdivisions=4, at=(0, 0, 0)):
    return trimesh.creation.icosphere(subdivisions, radius=radius).apply_translation(at)


# --- closed forms ---------------------------------------------------------------------------------

R, NEAR, NEED = 20.0, 5.0, 10.0


def test_cap_of_a_ball_under_a_panel():
    """The cap lower than ``need`` under a plane: 2 pi R h (Archimedes), here of the facets."""
    zones = survey(exact(sphere(R, 5)), panel(R + NEAR), NEED)
    assert zones.area.value == pytest.approx(2 * math.pi * R * (NEED - NEAR), rel=0.002)
    (zone,) = zones.zones
    assert zone.gap == pytest.approx(NEAR, abs=1e-9) and zone.lack == pytest.approx(5.0)
    assert np.dot(zone.direction, (0, 0, -1)) == pytest.approx(1.0) and zone.spread < 1e-6
    assert zone.certain and zone.place[2] == pytest.approx(R, abs=0.1)
    # The cap's rim is a circle of radius sqrt(R2 - (R - h)2).
    rim = 2 * math.sqrt(R**2 - (R - 5.0) ** 2)
    assert zone.size[0] == pytest.approx(rim, abs=0.6) and zone.size[1] == pytest.approx(
        rim, abs=0.6
    )


def test_disc_inside_one_large_triangle_of_a_panel_over_a_ball():
    """On the panel: points within R + need of the middle, a disc of (R + need)2 - (R + near)2."""
    flat = panel(R + NEAR)
    ball = exact(sphere(R, 5, (60.0, 20.0, 0)))
    zones = survey(flat, ball, NEED)
    want = math.pi * ((R + NEED) ** 2 - (R + NEAR) ** 2)
    assert zones.area.value == pytest.approx(want, rel=0.002)
    assert holds(zones.area, want)
    (zone,) = zones.zones
    # No vertex of the panel is anywhere near.
    assert np.isinf(gap_field(flat.vertices, [ball], NEED).distance).all()
    np.testing.assert_allclose(zone.place, (60.0, 20.0, R + NEAR), atol=0.1)
    np.testing.assert_allclose(zone.direction, (0, 0, 1), atol=5e-3)
    # The mean square of an angle under cos t = 25 / s, weighted by area 2 pi rho d rho.
    rho = np.linspace(0, math.sqrt(want / math.pi), 4001)
    angle = np.degrees(np.arctan2(rho, R + NEAR))
    assert zone.spread == pytest.approx(math.sqrt((angle**2 * rho).sum() / rho.sum()), abs=0.6)


def test_a_finer_resolution_narrows_the_interval_and_keeps_the_value():
    flat, ball = panel(R + NEAR), exact(sphere(R, 5))
    want = math.pi * ((R + NEED) ** 2 - (R + NEAR) ** 2)
    widths = []
    for resolution in (2.0, 0.5, 0.125):
        area = survey(flat, ball, NEED, resolution=resolution).area
        assert holds(area, want)
        widths.append(area.high - area.low)
        # A rim of cells on both sides of the circle: no wider than four cells' size.
        assert widths[-1] < 2 * math.pi * math.sqrt(want / math.pi) * 4 * resolution
    assert widths[0] > 2.5 * widths[1] > 6.25 * widths[2]


@pytest.mark.parametrize("side", [1, -1])
def test_two_bosses_under_a_panel_are_two_zones_the_worse_one_first(side):
    bosses = np.concatenate(
        [sphere(5.0, 3, (-30 * side, 0, 0)).triangles, sphere(6.0, 3, (30 * side, 0, 0)).triangles]
    )
    zones = survey(panel(25.0), exact(bosses), 22.0).zones
    assert [z.place[0] * side > 0 for z in zones] == [True, False]
    assert [z.gap for z in zones] == pytest.approx([19.0, 20.0], abs=1e-9)
    # Under 25 both discs grow together at radius 30: one zone, with the waist between them.
    assert len(survey(panel(25.0), exact(bosses), 34.0).zones) == 1


def test_two_places_nearer_to_each_other_than_their_triangles_are_large():
    """Two needles 3 mm apart under two triangles of 400 mm."""
    needles = [
        trimesh.creation.cone(0.5, 4.0, sections=8).apply_translation((x, 0, 0)) for x in (0, 3)
    ]
    zones = survey(panel(5.0), exact(trimesh.util.concatenate(needles)), 1.2).zones
    assert [z.gap for z in zones] == pytest.approx([1.0, 1.0])
    # A point at 1: discs of radius sqrt(1.44 - 1).
    assert [z.area.value for z in zones] == pytest.approx([math.pi * 0.44] * 2, rel=0.05)


def test_two_places_across_one_shared_side_stay_two():
    """Over both ends of the diagonal that the panel's two triangles have in common."""
    balls = [sphere(R, 4, (x, x, 0)) for x in (-70, 70)]
    zones = survey(panel(R + NEAR), exact(trimesh.util.concatenate(balls)), NEED).zones
    assert sorted(round(z.place[0]) for z in zones) == [-70, 70]
    assert zones[0].area.value == pytest.approx(zones[1].area.value, rel=0.001)


def test_box_before_a_box():
    """3 mm apart; the face past the other's edges, and the rims of two more faces."""
    a = exact(trimesh.creation.box(bounds=[[0, 0, 0], [10, 20, 30]]))
    b = exact(trimesh.creation.box(bounds=[[13, 5, -10], [30, 15, 40]]))
    face = (10 + 2 * 4) * 30
    # On the two ends, within 2 mm of the edge, and past the corners by a segment of a circle.
    segment = 0.5 * (4 * 3) + 12.5 * math.asin(4 / 5) - 12
    want = face + 2 * (10 * 2 + 2 * segment)
    zones = survey(a, b, 5.0)
    assert zones.area.value == pytest.approx(want, abs=0.3) and holds(zones.area, want)
    (zone,) = zones.zones
    assert zone.lack == pytest.approx(2.0)
    np.testing.assert_allclose(zone.size, (2, 18, 30), atol=0.26)
    coarse = survey(a, b, 5.0, resolution=1.0)
    assert holds(coarse.area, want)


def test_tilted_plate_over_a_wide_face():
    """Its lower edge 2 mm over the face; at s along it and u through it, z = 2 + s sin + u cos."""
    slope = math.radians(10.0)
    sin, cos = math.sin(slope), math.cos(slope)
    plate = trimesh.creation.box(bounds=[[0, -15, 0], [80, 15, 4]])
    plate.apply_transform(trimesh.transformations.rotation_matrix(-slope, (0, 1, 0)))
    plate.apply_translation((0, 0, 2.0))
    base = exact(trimesh.creation.box(bounds=[[-50, -50, -20], [150, 50, 0]]))
    zones = survey(exact(plate), base, 6.0)
    # Lower face to s = 4 / sin; all of the end, 4 thick; a little of the upper face; and on both
    # sides the triangle s sin + u cos < 4 without its tip at u > 4.
    upper = (4 - 4 * cos) / sin
    side = 0.5 * (4 / sin) * (4 / cos) - 0.5 * (4 / cos - 4) * upper
    want = 30 * (4 / sin + 4 + upper) + 2 * side
    assert zones.area.value == pytest.approx(want, rel=0.003) and holds(zones.area, want)
    (zone,) = zones.zones
    assert zone.lack == pytest.approx(4.0, abs=1e-9)
    np.testing.assert_allclose(zone.direction, (0, 0, 1), atol=1e-9)


def test_face_exactly_at_the_required_gap_is_no_zone():
    a = exact(trimesh.creation.box(bounds=[[0, 0, 0], [40, 40, 10]]))
    b = exact(trimesh.creation.box(bounds=[[0, 0, 15], [40, 40, 20]]))
    zones = survey(a, b, 5.0)
    assert zones.zones == () and (zones.area.value, zones.area.high) == (0.0, 0.0)
    assert survey(a, b, 5.0 + 1e-6).area.value == pytest.approx(1600.0, rel=1e-3)


# --- overlap --------------------------------------------------------------------------------------


def test_overlap_counts_as_nearer_than_nothing_and_gives_the_depth():
    a = exact(trimesh.creation.box(bounds=[[97, 5, 5], [130, 15, 25]]))
    b = exact(trimesh.creation.box(bounds=[[0, 0, 0], [100, 20, 30]]))
    zones = survey(a, b, 5.0)
    # The end face of 10 x 20, and the sides to 5 mm out of the face they go into.
    want = 200 + 60 * (3 + 5)
    assert zones.area.value == pytest.approx(want, rel=0.002) and holds(zones.area, want)
    (zone,) = zones.zones
    assert zone.gap == pytest.approx(-3.0) and zone.lack == pytest.approx(8.0)
    np.testing.assert_allclose(zone.direction, (1, 0, 0), atol=1e-6)


def test_an_overlap_that_facets_leave_open_is_nowhere_sure():
    """1 mm deep, and each part's facets may lie 2 mm too far out: the gap may be 3."""
    blocks = [trimesh.creation.box(bounds=[[x, 0, 0], [x + 21, 20, 30]]) for x in (0, 20)]
    for sagitta, sure in ((2.0, False), (0.01, True)):
        area = survey(*(Body.of(block, sagitta=sagitta) for block in blocks), 0.2).area
        assert area.value > 600.0 and (area.low > 0.0) is sure


def test_a_wall_in_contact_goes_back_into_its_own_material():
    a = exact(trimesh.creation.box(bounds=[[100, 0, 0], [130, 20, 30]]))
    b = exact(trimesh.creation.box(bounds=[[0, -50, -50], [100, 70, 80]]))
    (zone,) = survey(a, b, 0.5).zones
    assert zone.gap == 0.0 and zone.lack == pytest.approx(0.5)
    assert zone.direction[0] > 0.99


def test_overlap_where_contact_is_allowed_counts_only_what_is_inside():
    a = exact(trimesh.creation.box(bounds=[[0, 0, 0], [100, 20, 30]]))
    b = exact(trimesh.creation.box(bounds=[[97, 5, 5], [130, 15, 25]]))
    area = survey(a, b, 0.0).area
    assert area.value == pytest.approx(200.0, abs=8.0) and holds(area, 200.0)
    assert survey(b, a, 0.0).area.value == pytest.approx(200 + 60 * 3, abs=10.0)


def test_two_pegs_in_a_block_each_have_the_way_out():
    pegs = [((0, 10), 3.0), ((30, 40), 2.0)]
    a = exact(
        trimesh.boolean.union(
            [trimesh.creation.box(bounds=[[0, 0, 30], [40, 10, 40]])]
            + [trimesh.creation.box(bounds=[[x0, 0, -d], [x1, 10, 35]]) for (x0, x1), d in pegs],
            engine="manifold",
        )
    )
    b = exact(trimesh.creation.box(bounds=[[-50, -50, -40], [90, 60, 0]]))
    zones = survey(a, b, 0.5).zones
    assert [z.lack for z in zones] == pytest.approx([3.5, 2.5])
    for zone in zones:
        assert zone.direction[2] > 0.99


def test_needle_into_a_wall_needs_the_wall_set_back_past_its_tip():
    """A rod of radius 1 goes 12 mm into a block: no point of the block is 12 mm inside the rod."""
    rod = trimesh.creation.cylinder(1.0, 40.0, sections=16).apply_translation((0, 0, 28.0))
    block = exact(trimesh.creation.box(bounds=[[-30, -30, -20], [30, 30, 20]]))
    (zone,) = survey(block, exact(rod), 2.0).zones
    assert zone.lack == pytest.approx(14.0, abs=0.1)
    assert zone.direction[2] < -0.1


def test_swallowed_bodies():
    outer = exact(trimesh.creation.box((60, 60, 60)))
    inner = exact(trimesh.creation.box((4, 4, 4)))
    # All of the inner one is under any requirement; nothing of the outer one's skin is near.
    zones = survey(inner, outer, 5.0)
    assert zones.area.value == pytest.approx(96.0) and zones.area.low == pytest.approx(96.0)
    assert zones.zones[0].lack == pytest.approx(5.0 + 28.0, rel=0.01)
    assert len(zones.zones) == 1 and zones.zones[0].certain
    gap = turned(measure_gap(inner, outer))
    assert gap.state == "b inside a"
    assert find_zones(outer, inner, 5.0, gap).zones == ()


def test_an_open_neighbour_has_no_inside_and_it_is_said():
    shape = trimesh.creation.box((20, 20, 20))
    torn = exact(shape.triangles[1:])
    a = exact(trimesh.creation.box(bounds=[[5, -2, -2], [40, 2, 2]]))
    zones = survey(a, torn, 1.0)
    # Its wall goes 2 mm deep into the bar, and comes out past the required 1 mm.
    assert len(zones.zones) == 1 and zones.zones[0].lack == pytest.approx(3.0, rel=0.01)
    assert zones.area.value == pytest.approx(16 * 2.0, abs=0.5)
    assert "not closed" in zones.notes[0]


# --- what the facets and the tolerances leave open ------------------------------------------------


def test_area_holds_the_smooth_cap_with_the_facets_in_its_interval(ball):
    solid = ball(R, 3)
    zones = survey(Body.of(solid.mesh, sagitta=solid.sagitta), panel(R + NEAR), NEED)
    want = 2 * math.pi * R * (NEED - NEAR)
    assert zones.area.low < want < zones.area.high
    assert {t.name for t in zones.area.terms} == {
        "size of the cells at the rim",
        "facets and tolerances",
    }
    low = zones.area.value - sum(t.minus for t in zones.area.terms)
    high = zones.area.value + sum(t.plus for t in zones.area.terms)
    assert (low, high) == pytest.approx((zones.area.low, zones.area.high))


@pytest.mark.parametrize("split", [0, 1, 2])
def test_tolerances_make_the_sure_and_the_possible_cap(split):
    """0.4 and 0.3 mm: worst case the caps of 5 -+ 0.7, by squares those of 5 -+ 0.5.

    Whether one part has both or each has one.
    """
    a, b = exact(sphere(R, 5)), panel(R + NEAR)
    terms = [Uniform("casting", 0.4), Uniform("scan", 0.3)]
    on_a, on_b = terms[split:], terms[:split]
    for combine, slack in (("worst case", 0.7), ("root sum of squares", 0.5)):
        found = survey(a, b, NEED, on_a=on_a, on_b=on_b, combine=combine, resolution=0.2)
        area = found.area
        assert found.zones[0].area.high == pytest.approx(area.high)
        ring = 2 * math.pi * R
        assert area.value == pytest.approx(ring * 5.0, rel=0.002)
        assert area.low == pytest.approx(ring * (5.0 - slack), rel=0.04)
        assert area.low <= ring * (5.0 - slack)
        assert area.high == pytest.approx(ring * (5.0 + slack), rel=0.04)
        assert area.high >= ring * (5.0 + slack) * 0.999
    # What moves both moves neither against the other.
    same = [Uniform("alignment", 3.0)]
    alone = survey(a, b, NEED, on_a=same, on_b=same, resolution=0.2).area
    assert alone.low > ring * 4.8


class Sided:
    """3 mm to either side beyond x = 0, nothing before it."""

    name = "worse side"

    def amount(self, points, slack=0.0):
        return np.where(points[:, 0] + slack > 0.0, 3.0, 0.0)

    def check(self, points):
        pass

    def source(self, points):
        return "test"


def test_a_place_farther_off_that_is_less_true_may_be_too_near_as_well():
    """10.2 mm off and true; 12.5 mm off and true to 3 mm, so perhaps 9.5."""
    plates = [panel(z, 20.0).triangles + np.array([x, 0, 0]) for x, z in ((-40, 10.2), (40, 12.5))]
    a, b = Body.of(panel(0.0).triangles, sagitta=0.01), exact(np.concatenate(plates))
    area = survey(a, b, 10.0, on_b=[Sided()]).area
    assert area.value == area.low == 0.0
    assert area.high >= 1600.0


class Tilted:
    """Less true the farther from x = 0, as a part placed by points near there: 0.4 mm a mm."""

    name = "tilt"

    def amount(self, points, slack=0.0):
        return 0.4 * (np.abs(points[:, 0]) + slack)

    def check(self, points):
        pass

    def source(self, points):
        return "test"


def test_what_is_sure_ends_where_the_part_is_no_longer_true_enough():
    """5 mm apart and 10 required: sure to x = +-12.5 only, though each facet is 40 mm wide."""
    a, b = panel(0.0, 20.0), panel(5.0, 20.0)
    for who in ({"on_a": [Tilted()]}, {"on_b": [Tilted()]}):
        area = survey(a, b, 10.0, **who).area
        assert area.value == pytest.approx(1600.0)
        assert 900.0 < area.low <= 1000.0


def test_facets_of_either_part_may_bring_it_too_near():
    """10.1 mm apart, and one of the two may stand off its facets by 0.3 mm."""
    for sagittas in ((0.3, 0.0), (0.0, 0.3)):
        a, b = (
            Body.of(panel(z, 20.0).triangles, sagitta=s)
            for z, s in zip((0.0, 10.1), sagittas, strict=True)
        )
        area = survey(a, b, 10.0).area
        assert (area.value, area.low, area.high) == pytest.approx((0.0, 0.0, 1600.0))


def test_the_least_area_claimed_is_never_more_than_there_is():
    """A disc of 1.57 mm2 in cells of 10 mm: the ball is 0.01 mm too near."""
    near, need = 5.0, 5.01
    area = survey(panel(0.0), exact(sphere(R, 5, (0, 0, R + near))), need, resolution=10.0).area
    true = math.pi * ((R + need) ** 2 - (R + near) ** 2)
    assert 0.0 < area.low <= true <= area.high


def test_value_is_that_of_the_meshes_however_much_is_left_open():
    zones = survey(panel(R + NEAR), exact(sphere(R, 5)), NEED, on_b=[Uniform("scan", 150.0)])
    want = math.pi * ((R + NEED) ** 2 - (R + NEAR) ** 2)
    assert zones.area.value == pytest.approx(want, rel=0.002)
    assert zones.area.low == 0.0 and zones.area.high > 50_000.0


def test_chord_errors_leave_a_flat_face_open_or_not():
    """9.5 apart and 10 required: 0.3 on each side may be 10.1, 0.2 is 9.9 at most."""
    for sagitta, sure in ((0.3, 0.0), (0.2, 1600.0)):
        a, b = (Body.of(panel(z, 20.0).triangles, sagitta=sagitta) for z in (0, 9.5))
        area = survey(a, b, 10.0).area
        assert (area.value, area.low, area.high) == pytest.approx((1600.0, sure, 1600.0))


def test_zone_that_only_may_be():
    a, b = exact(sphere(R, 4)), panel(R + NEED + 0.1)
    zones = survey(a, b, NEED, on_b=[Uniform("scan", 0.3)])
    assert zones.area.value == 0.0 and zones.area.low == 0.0
    assert zones.area.high == pytest.approx(2 * math.pi * R * 0.2, rel=0.3)
    (zone,) = zones.zones
    assert not zone.certain and zone.gap == pytest.approx(NEED + 0.1)
    assert survey(a, b, NEED).zones == ()


def test_a_fail_by_a_hair_has_an_area_above_nothing():
    """The tip of a cone 0.001 mm too near: far less than a cell, and not lost."""
    cone = trimesh.creation.cone(20.0, 10.0, sections=24)
    zones = survey(exact(cone), panel(14.999), 5.0)
    assert zones.area.low > 0.0 and len(zones.zones) == 1
    assert zones.zones[0].lack == pytest.approx(0.001, abs=1e-9)


# --- mates ----------------------------------------------------------------------------------------


def flanged(join, block):
    """Two blocks on a common face z = 0, one with an ear that hangs beside the other."""
    upper = join(block((-40, 40), (-20, 20), (0, 30)), block((40, 60), (-5, 5), (-15, 30)))
    lower = block((-40, 38), (-20, 20), (-30, 0))
    return exact(upper), exact(lower)


def test_mating_faces_are_left_out_by_the_same_rule_as_in_the_gap(join, block):
    a, b = flanged(join, block)
    mate = check_mate(a, b, (0, 0, 0), (0, 0, -1))
    assert mate.holds
    need = 4.0
    pairing = leave_out(a, b, [mate], need)
    gap = measure_gap(a, b, pairing=pairing)
    assert gap.distance == pytest.approx(2.0)
    zones = find_zones(a, b, need, gap, pairing=pairing)
    (zone,) = zones.zones
    assert zone.gap == pytest.approx(2.0) and zone.place[0] > 38.0
    # All of the face but the rim beside the ear is left out, and with it the area of 3,200 mm2.
    assert zones.area.value < 600.0
    whole = survey(a, b, need)
    assert whole.area.high > 3000.0


def test_cut_triangles_still_hang_together(join, block):
    """A wall near all along its length, its triangles cut at the mate's outline: one zone."""
    a = exact(join(block((-40, 40), (-20, 20), (0, 30)), block((-40, 40), (20.0, 26.0), (-20, 30))))
    b = exact(block((-40, 40), (-20, 18), (-30, 0)))
    mate = check_mate(a, b, (0, 0, 0), (0, 0, -1))
    pairing = leave_out(a, b, [mate], 3.0)
    assert len(pairing.blocks) > 1 or len(pairing.free_a) > len(a.faces)
    zones = find_zones(a, b, 3.0, measure_gap(a, b, pairing=pairing), pairing=pairing)
    assert len(zones.zones) == 1
    assert zones.zones[0].size[0] == pytest.approx(80.0, abs=0.01)


# --- properties and brute force -------------------------------------------------------------------


def shapes(seed):
    """A lump of facets over another, and a gap that is 1 to 5 mm more than there is."""
    rng = np.random.default_rng(seed)
    a = sphere(8.0, 1)
    a.vertices += rng.uniform(-1.5, 1.5, a.vertices.shape)
    b = trimesh.creation.box((18, 14, 4))
    b.vertices += rng.uniform(-1.5, 1.5, b.vertices.shape)
    b.apply_transform(trimesh.transformations.random_rotation_matrix(rng.random(3)))
    b.apply_translation((0, 0, a.bounds[1, 2] + rng.uniform(1.0, 4.0) - b.bounds[0, 2]))
    one, two = exact(a), exact(b)
    return one, two, measure_gap(one, two).distance + rng.uniform(1.0, 5.0)


@settings(derandomize=True, deadline=None, max_examples=12)
@given(st.integers(0, 10**6))
def test_dense_samples_lie_within_the_stated_bounds(seed):
    """Points strewn over the surface, each with its exact distance: an independent area."""
    a, b, need = shapes(seed)
    mesh = trimesh.Trimesh(a.vertices, a.faces, process=False)
    points, _ = trimesh.sample.sample_surface(mesh, 20_000, seed=seed % 1000)
    near = gap_field(np.asarray(points), [b], need).distance < need
    share = near.mean()
    spread = 4.0 * math.sqrt(max(share * (1 - share), 1e-4) / len(points)) * mesh.area
    zones = survey(a, b, need, resolution=0.4)
    assert zones.area.low - spread <= share * mesh.area <= zones.area.high + spread
    assert zones.area.value == pytest.approx(share * mesh.area, abs=spread + 0.02 * mesh.area)
    # Every sample that is too near lies in a zone, and the least gap is the pair's own.
    cells = np.concatenate([z.corners for z in zones.zones])
    off = gap_field(np.asarray(points)[near], [exact(cells)], 1.0).distance
    assert off.max(initial=0.0) < 1e-9
    assert min(z.gap for z in zones.zones) == pytest.approx(measure_gap(a, b).distance)


@settings(derandomize=True, deadline=None, max_examples=6)
@given(st.integers(0, 10**6))
def test_rigid_motion_subdivision_and_order_change_nothing(seed):
    a, b, need = shapes(seed)
    zones = survey(a, b, need)
    rng = np.random.default_rng(seed)
    matrix = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = rng.uniform(-100, 100, 3)
    moved = survey(
        exact(a.triangles @ matrix.T + shift), exact(b.triangles @ matrix.T + shift), need
    )
    finer = survey(
        exact(trimesh.Trimesh(a.vertices, a.faces).subdivide()),
        exact(trimesh.Trimesh(b.vertices, b.faces).subdivide()),
        need,
    )
    mixed = survey(exact(rng.permutation(a.triangles)), exact(rng.permutation(b.triangles)), need)
    for other in (moved, finer, mixed):
        assert len(other.zones) == len(zones.zones)
        assert other.area.value == pytest.approx(zones.area.value, rel=0.01)
        assert other.area.low <= zones.area.high and zones.area.low <= other.area.high
        for one, two in zip(zones.zones, other.zones, strict=True):
            assert two.gap == pytest.approx(one.gap, abs=1e-9)
    first, again = zones.zones[0], moved.zones[0]
    np.testing.assert_allclose(matrix @ first.direction, again.direction, atol=0.02)


def test_swapped_bodies_have_the_same_least_gap_each_on_its_own_side():
    a, b, need = shapes(11)
    here, there = survey(a, b, need), survey(b, a, need)
    assert here.zones[0].gap == pytest.approx(there.zones[0].gap, abs=1e-12)
    np.testing.assert_allclose(here.zones[0].point_a, there.zones[0].point_b, atol=1e-9)
    assert np.dot(here.zones[0].direction, there.zones[0].direction) < 0.0


def test_the_same_twice():
    a, b, need = shapes(5)
    one, two = survey(a, b, need), survey(a, b, need)
    assert one.area == two.area
    assert [z.place for z in one.zones] == [z.place for z in two.zones]


def test_soup_hangs_together_where_its_sides_meet_without_common_corners():
    """A strip of triangles beside one of half their width: corners in the middle of sides."""

    def strip(cuts, y0, y1):
        x = np.linspace(0, 40, cuts + 1)
        quads = [
            [[(p, y0, 5), (q, y0, 5), (q, y1, 5)], [(p, y0, 5), (q, y1, 5), (p, y1, 5)]]
            for p, q in pairwise(x)
        ]
        return np.array(quads, dtype=float).reshape(-1, 3, 3)

    floor = exact(trimesh.creation.box(bounds=[[-50, -50, -10], [90, 90, 0]]))
    joined = exact(np.concatenate([strip(4, 0, 10), strip(7, 10, 20)]))
    zones = survey(joined, floor, 6.0)
    assert len(zones.zones) == 1 and zones.area.value == pytest.approx(800.0)
    apart = exact(np.concatenate([strip(4, 0, 10), strip(7, 10.5, 20)]))
    assert len(survey(apart, floor, 6.0).zones) == 2


@pytest.mark.parametrize("required", [-1.0, math.nan, math.inf])
def test_bad_requirements_are_refused(required):
    a, b, _ = shapes(1)
    with pytest.raises(InputError, match="required"):
        find_zones(a, b, required, measure_gap(a, b))


@pytest.mark.parametrize("resolution", [0.0, -0.1, math.nan, math.inf])
def test_bad_resolutions_are_refused(resolution):
    a, b, need = shapes(1)
    with pytest.raises(InputError, match="resolution"):
        survey(a, b, need, resolution=resolution)

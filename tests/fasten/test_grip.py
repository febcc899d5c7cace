"""What a bolt clamps and the hole under it: closed forms, motion, subdivision, brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import Fastener, Obstacle, Seat, examine_seat
from geomcheck.fasten.bore import LOOSE
from geomcheck.fasten.column import Column, depth_frame
from geomcheck.fasten.grip import examine_grip
from geomcheck.fasten.joints import Gasket
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree
from geomcheck.standards import clearance_hole

SEATED = Seat("seated", 1.0)
DRILL = math.tan(math.radians(59.0))


def turned(rows, sections=48):
    return trimesh.creation.revolve(np.array(rows, dtype=float), sections=sections)


def plate(top, bottom, hole=4.5, radius=30.0, sections=48):
    rows = [(hole, bottom), (radius, bottom), (radius, top), (hole, top), (hole, bottom)]
    return turned(rows, sections)


def block(top=-13.5, depth=22.0, hole=3.4, radius=30.0, thick=60.0, sections=48):
    floor = top - depth
    rows = [(0, top - thick), (radius, top - thick), (radius, top), (hole, top), (hole, floor)]
    return turned([*rows, (0, floor - hole / DRILL)], sections)


def bolt(size="M8", length=30.0, at=(0, 0, 0), axis=(0, 0, 1), **more):
    return Fastener.of("ISO 4762", size, at, axis, length=length, name="B1", **more)


def grip_of(parts, fastener=None, **options):
    shapes = [Obstacle.of(name, mesh) for name, mesh in parts.items()]
    return examine_grip(fastener or bolt(), shapes, seat=SEATED, **options)


def test_grip_and_blind_depth():
    found = grip_of({"flange": plate(0, -12), "block": block()})
    assert found.thickness == pytest.approx(12.0 + 1.5)
    assert found.into == "block"
    assert found.bore.pieces == (pytest.approx((13.5, 35.5)),)
    assert found.bore.end - found.bore.start == pytest.approx(22.0)
    assert found.bore.blind
    # A thousandth of the diameter beside the axis, and facets under 118 degrees.
    assert found.bore.floor == pytest.approx(35.5 + 3.4 / DRILL, abs=0.01)
    assert found.stack.parts == ("flange", "block")
    assert found.joints[0].air == pytest.approx(1.5)
    assert found.beyond is None


@pytest.mark.parametrize("floor", [0.2, 2.0, 20.0])
def test_a_thin_floor_of_large_facets_closes_the_hole(floor):
    """Its far side has no corner near the axis, and nothing is behind it."""
    body = trimesh.creation.box(bounds=[(-90, -70, -35.5 - floor), (80, 60, -13.5)])
    hole = trimesh.creation.cylinder(3.4, segment=[(0, 0, -35.5), (0, 0, -10)], sections=48)
    found = grip_of({"flange": plate(0, -13.5), "block": body.difference(hole)})
    assert found.bore.pieces == (pytest.approx((13.5, 35.5)),)
    assert found.bore.blind
    assert found.bore.floor == pytest.approx(35.5)


@pytest.mark.parametrize("sections", [8, 12, 16, 24, 32, 64])
@pytest.mark.parametrize(("size", "hole"), [("M6", 2.5), ("M8", 3.3235), ("M10", 4.25), ("M8", 4)])
def test_the_drawn_diameter_is_that_of_the_corners(sections, size, hole):
    fastener = bolt(size)
    flange = plate(0, -12, fastener.hole_radius)
    found = grip_of({"flange": flange, "block": block(hole=hole, sections=sections)}, fastener)
    assert found.bore.kind == "thread"
    assert found.bore.diameter == pytest.approx(2 * hole, abs=1e-9)
    assert found.bore.free == pytest.approx(hole * math.cos(math.pi / sections), abs=1e-9)
    assert (found.bore.start, found.bore.end) == pytest.approx((13.5, 35.5))


def test_a_stack_of_plates():
    tops = [0.0, -5.0, -6.25, -14.0]
    parts = {
        "a": plate(0, -5, 4.5, 30, 24),
        "b": plate(-5, -6.25, 4.6, 28, 32),
        "c": plate(-6.5, -14, 5.0, 40, 64),
        "d": block(-14),
    }
    found = grip_of(parts, into="d")
    assert found.stack.parts == ("a", "b", "c", "d")
    assert [held.air for held in found.joints] == pytest.approx([0.0, 0.25, 0.0])
    assert found.thickness == pytest.approx(-tops[-1])
    # The narrowest hole: 4.5 with 24 facets.
    assert found.shank.value == pytest.approx(4.5 * math.cos(math.pi / 24) - 4.0)
    assert found.shank.part == "a"


def test_a_recess_under_the_head_is_no_gap():
    rows = [
        (0, -70),
        (30, -70),
        (30, -12),
        (6.9, -12),
        (6.9, -15),
        (3.4, -15),
        (3.4, -35),
        (0, -35),
    ]
    found = grip_of({"flange": plate(0, -12), "block": turned(rows)})
    assert found.joints[0].air == pytest.approx(0.0)
    assert found.thickness == pytest.approx(12.0)
    assert found.bore.pieces == (pytest.approx((15.0, 35.0)),)


def test_the_gasket_of_a_mate():
    joint = Gasket("joint", frozenset(("flange", "block")), (20, 0, -12), (0, 0, -1), 1.5, 0.1)
    parts = {"flange": plate(0, -12), "block": block()}
    held = grip_of(parts, gaskets=[joint]).joints[0]
    assert (held.gasket, held.air) == (joint, pytest.approx(0.0, abs=1e-9))
    # One between other parts, at another place, or square to the axis, is not this joint's.
    for other in (
        Gasket("j", frozenset(("flange", "pump")), (20, 0, -12), (0, 0, -1), 1.5, 0.1),
        Gasket("j", frozenset(("flange", "block")), (20, 0, -40), (0, 0, -1), 1.5, 0.1),
        Gasket("j", frozenset(("flange", "block")), (20, 0, -12), (1, 0, 0), 1.5, 0.1),
    ):
        assert grip_of(parts, gaskets=[other]).joints[0].gasket is None


def test_a_through_hole_and_what_lies_beyond():
    wall = trimesh.creation.box(bounds=[[2.0, -20, -70], [20, 20, -31]])
    parts = {"flange": plate(0, -12), "block": plate(-12, -26, 3.4), "wall": wall}
    found = grip_of(parts, into="block")
    assert not found.bore.blind
    assert found.bore.end == pytest.approx(26.0)
    assert (found.beyond.value, found.beyond.part) == (pytest.approx(31.0), "wall")
    # Beside the bolt's radius of 4 mm it is no obstacle.
    parts["wall"] = trimesh.creation.box(bounds=[[4.01, -20, -70], [20, 20, -31]])
    assert grip_of(parts, into="block").beyond.part is None


def test_a_countersink_at_the_far_end_is_no_obstacle():
    rows = [(5.0, -26), (30, -26), (30, -12), (3.4, -12), (3.4, -24.4), (5.0, -26)]
    found = grip_of({"flange": plate(0, -12), "block": turned(rows)})
    assert found.bore.end == pytest.approx(24.4)
    assert not found.bore.blind
    assert found.beyond.part is None


def test_a_cross_drilled_thread_counts_only_its_walls():
    # Two rings, 6 mm apart: a thread interrupted by a passage, then a solid floor.
    rows = [(0, -60), (30, -60), (30, -12), (3.4, -12), (3.4, -20), (9, -20), (9, -26), (3.4, -26)]
    found = grip_of({"flange": plate(0, -12), "block": turned([*rows, (3.4, -40), (0, -40)])})
    assert found.bore.pieces == (pytest.approx((12, 20)), pytest.approx((26, 40)))
    assert found.bore.blind


def test_a_passage_under_a_thread_is_looked_through():
    rows = [(0, -60), (30, -60), (30, -12), (3.4, -12), (3.4, -24), (9, -24), (9, -33), (0, -33)]
    found = grip_of({"flange": plate(0, -12), "block": turned(rows)})
    assert (found.bore.end, found.bore.blind) == (pytest.approx(24.0), False)
    assert found.beyond.value == pytest.approx(33.0)


def test_a_thin_web_in_the_hole_is_not_missed():
    hollow = plate(-12, -50, 3.4)
    web = trimesh.creation.box(bounds=[[-3.5, 1.0, -30.0001], [3.5, 1.2, -30]])
    both = trimesh.util.concatenate([hollow, web])
    found = grip_of({"flange": plate(0, -12), "block": both}, into="block")
    assert found.bore.blind
    assert found.bore.end == pytest.approx(30.0, abs=1e-3)


@pytest.mark.parametrize("angle", [0.5, 1.0, 2.0])
def test_a_tilted_hole_begins_where_it_is_all_round(angle):
    # The block turned about the middle of the hole's mouth: the wall's ends, circles of radius r,
    # reach r sin(angle) up and down along the axis.
    tilt = math.radians(angle)
    turn = trimesh.transformations.rotation_matrix(tilt, [0, 1, 0], [0, 0, -13.5])
    mesh = block(depth=22.0, sections=64).apply_transform(turn)
    found = grip_of({"flange": plate(0, -12.0 - 0.05), "block": mesh}, into="block")
    reach = 3.4 * math.sin(tilt)
    assert found.bore.start == pytest.approx(13.5 + reach, abs=0.01)
    # Its end is looked for to within the tilted rim.
    assert abs(found.bore.end - 13.5 - 22.0 * math.cos(tilt)) <= reach + 0.01
    assert found.bore.offset == pytest.approx(22.0 * math.sin(tilt), abs=0.05)
    # The bolt's flat end meets the floor where that stands highest.
    highest = 13.5 + 22.0 * math.cos(tilt) - reach
    assert found.bore.end - found.bore.slack_end <= highest + 0.01
    assert found.bore.slack_end < 3.0 * reach + 0.01
    straight = grip_of({"flange": plate(0, -12.0), "block": block(depth=22.0)}, into="block")
    # No more than what the facets of the drill's cone leave.
    assert straight.bore.slack_end < 0.006


@pytest.mark.parametrize("size", ["M3", "M4", "M5", "M6", "M8", "M10", "M12", "M16"])
def test_no_clearance_hole_counts_as_tapped(size):
    # ISO 273 fine, the least there is, against the widest hole that is taken for a thread.
    nominal = float(size[1:])
    assert clearance_hole(size, "fine").diameter > nominal * (1.0 + 2.0 * LOOSE) + 1e-6


def test_a_hole_off_the_axis():
    for shift in (0.1, 0.4, 1.0):
        mesh = block().apply_translation([shift, 0, 0])
        found = grip_of({"flange": plate(0, -12), "block": mesh})
        assert found.bore.offset == pytest.approx(shift, abs=1e-9)


def test_a_nut_takes_the_last_face():
    parts = {"flange": plate(0, -12), "bracket": plate(-12, -16)}
    found = grip_of(parts, nut_height=6.8)
    assert (found.thickness, found.into, found.bore) == (pytest.approx(16.0), None, None)
    with pytest.raises(CannotDecide, match="no face for the nut"):
        grip_of({"flange": plate(0, -12), "block": block(thick=500.0)}, nut_height=6.8)


def test_a_slot_clamped_by_its_own_part():
    # A pinch clamp: the upper lug with a clear hole, a slot of 2 mm, the lower lug tapped.
    lug = trimesh.util.concatenate([plate(0, -10), plate(-12, -30, 3.4)])
    found = grip_of({"clamp": lug}, into="clamp")
    assert found.stack.parts == ("clamp", "clamp")
    assert found.thickness == pytest.approx(12.0)
    assert found.bore.pieces == (pytest.approx((12, 30)),)


def test_what_cannot_be_told():
    flange = plate(0, -12)
    with pytest.raises(CannotDecide, match="nothing is clamped"):
        grip_of({"flange": flange})
    with pytest.raises(InputError, match="nowhere under the head"):
        grip_of({"flange": flange, "block": block()}, into="pump")
    aside = trimesh.creation.box(bounds=[[7.5, -20, -40], [30, 20, -12]])
    with pytest.raises(CannotDecide, match="aside has no metal under the head"):
        grip_of({"flange": flange, "aside": aside, "block": block()}, into="aside")
    half = trimesh.creation.box(bounds=[[0.3, -20, -12], [30, 20, -10]])
    with pytest.raises(CannotDecide, match="layers under the head"):
        pieces = {"flange": plate(0, -10), "block": block(), "half": half}
        quarter = trimesh.creation.box(bounds=[[-20, 0.3, -12], [0.2, 20, -10.5]])
        grip_of(pieces | {"quarter": quarter}, into="block")
    opened = block()
    opened.update_faces(np.arange(len(opened.faces)) != 7)
    with pytest.raises(CannotDecide, match="not closed"):
        grip_of({"flange": flange, "block": opened})


def test_declared_sagitta_widens_what_is_measured():
    mesh = block()
    part = Obstacle(
        "block", TriangleTree(mesh.triangles), Sagitta.declared(0.2, len(mesh.faces)), True
    )
    found = examine_grip(bolt(), [Obstacle.of("flange", plate(0, -12)), part], seat=SEATED)
    assert found.bore.slack >= 0.2
    assert found.bore.slack_end >= 0.2
    assert found.slack >= 0.2


def _everything(parts, fastener):
    found = grip_of(parts, fastener, into="d")
    return np.array(
        [
            found.thickness,
            found.bore.start,
            found.bore.end,
            found.bore.diameter,
            found.shank.value,
            *(held.air for held in found.joints),
        ]
    )


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10**6))
def test_plates_at_random_however_they_stand(seed):
    rng = np.random.default_rng(seed)
    depth, parts, gaps, sections = 0.0, {}, [], int(rng.integers(8, 65))
    for name in "abc"[: rng.integers(1, 4)]:
        thick = rng.uniform(2, 9)
        parts[name] = plate(-depth, -depth - thick, rng.uniform(4.4, 4.6), 30, sections)
        gap = float(rng.choice([0.0, rng.uniform(0.05, 2.0)]))
        depth += thick + gap
        gaps.append(gap)
    hole, deep = float(rng.uniform(3.3, 4.0)), float(rng.uniform(10, 30))
    parts["d"] = block(-depth, deep, hole, sections=sections)
    expected = [depth, depth, depth + deep, 2 * hole]
    found = _everything(parts, bolt(length=depth + 8.0))
    assert found[:4] == pytest.approx(expected, abs=1e-6)
    assert found[5:] == pytest.approx(gaps, abs=1e-6)

    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    turn[:3, 3] = rng.uniform(-500, 500, 3)
    moved = {}
    for name, mesh in parts.items():
        fine = mesh.subdivide() if rng.random() < 0.5 else mesh
        faces = rng.permutation(fine.faces)
        moved[name] = trimesh.Trimesh(fine.vertices, faces, process=False).apply_transform(turn)
    moved = {name: moved[name] for name in rng.permutation(list(moved))}
    there = bolt(length=depth + 8.0, at=turn[:3, 3], axis=turn[:3, 2])
    assert _everything(moved, there) == pytest.approx(found, abs=1e-3)


def test_rays_meet_what_a_reference_ray_caster_meets(box):
    """All hits of trimesh's ray caster, on a lumpy solid."""
    rng = np.random.default_rng(5)
    ball = trimesh.creation.icosphere(subdivisions=3, radius=9.0)
    lumpy = trimesh.Trimesh(
        ball.vertices * rng.uniform(0.9, 1.1, (len(ball.vertices), 1)), ball.faces
    )
    both = trimesh.util.concatenate([lumpy, box([-5, -5, 15], [5, 5, 20])])
    fastener = bolt(at=(0.3, 0.2, 25), axis=(0.1, 0.2, 1.0))
    frame = depth_frame(fastener)
    column = Column.of(Obstacle.of("lump", both), frame, 6.0, -5.0, 80.0)
    places = rng.uniform(-4, 4, (60, 2))
    ray, depth, sign, _ = column.crossings(places)
    starts = frame[0] + places @ frame[1:3] - 5.0 * frame[3]
    points, rays, _ = both.ray.intersects_location(
        starts, np.tile(frame[3], (60, 1)), multiple_hits=True
    )
    expected = sorted(zip(rays, np.round((points - frame[0]) @ frame[3], 6), strict=True))
    assert [r for r, _ in expected] == ray.tolist()
    assert [d for _, d in expected] == pytest.approx(depth, abs=1e-6)
    for number in range(60):
        assert (np.diff(sign[ray == number]) != 0).all()


def test_the_column_gathers_what_brute_force_gathers():
    rng = np.random.default_rng(7)
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    part = Obstacle.of("ball", mesh)
    for _ in range(10):
        axis = rng.normal(size=3)
        frame = depth_frame(bolt(at=rng.uniform(-10, 10, 3), axis=axis))
        column = Column.of(part, frame, 8.0, -2.0, 60.0)
        local = (mesh.triangles - frame[0]) @ frame[1:].T
        inside = (np.hypot(local[..., 0], local[..., 1]) <= 8.0) & (
            (local[..., 2] >= -2.0) & (local[..., 2] <= 60.0)
        )
        must = local[inside.any(axis=1)]
        have = {tuple(np.round(row.ravel(), 6)) for row in column.corners}
        assert all(tuple(np.round(row.ravel(), 6)) in have for row in must)
        assert len(column) < len(mesh.faces) / 4


def test_a_seat_that_stands_higher_moves_the_depths():
    flange = plate(0.2, -12)
    parts = [Obstacle.of("flange", flange), Obstacle.of("block", block())]
    seat = examine_seat(bolt(), parts[0])
    assert seat.height == pytest.approx(0.2)
    assert examine_grip(bolt(), parts, seat=seat).thickness == pytest.approx(13.7)


def test_a_cone_cut_fine_is_no_thread():
    floor, cone = -35.5, np.linspace(0.0, 1.0, 60)
    wall = [(0, -80), (30, -80), (30, -13.5), (3.4, -13.5)]
    tip = [(3.4 * (1 - t), floor - 3.4 * t / DRILL) for t in cone]
    found = grip_of({"flange": plate(0, -12), "block": turned(wall + tip)})
    assert found.bore.pieces[0][0] == pytest.approx(13.5)
    # No farther than where the cone has taken 0.005 of the diameter off the radius.
    assert 35.5 - 1e-6 <= found.bore.end <= 35.5 + 0.04 / DRILL + 3.4 / DRILL / 59


def test_a_taper_is_no_thread():
    # From 4.1 to 3.3 mm over 20 mm in one stretch: in the middle as wide as a thread.
    rows = [(0, -60), (30, -60), (30, -12), (4.1, -12), (3.3, -32), (0, -32)]
    found = grip_of({"flange": plate(0, -12), "block": turned(rows)}, into="block")
    assert found.bore.kind != "thread"

"""Free arcs of handles: closed forms, intervals from the sagitta, bars inside solids, margins."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten import Fastener, Obstacle
from geomcheck.fasten.turning import Bar, arc_margin, free_arc
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

M8 = Fastener.of("ISO 4762", "M8", [0, 0, 0], [0, 0, 1], length=30)
UPRIGHT = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=float)
BAR = Bar(5, 10, 4, 10, 80)
HALF = math.degrees(math.atan2(5, 50) + math.asin(4 / math.hypot(50, 5)))


def faceted(name, mesh, sagitta):
    tree = TriangleTree(np.array(mesh.triangles))
    return Obstacle(name, tree, Sagitta.declared(sagitta, len(mesh.faces)), True)


def test_a_post_and_what_ends_the_arc(box):
    post = box([50, -5, 0], [60, 5, 20])
    found = free_arc(UPRIGHT, [BAR], {"post": post})
    assert math.radians(found.largest_deg) == pytest.approx(5.924473, abs=5e-7)
    assert found.free == (pytest.approx((HALF, 360 - HALF), abs=1e-9),)
    assert found.low_deg == found.largest_deg == found.high_deg
    arc = found.largest
    assert (arc.from_edge.part, arc.to_edge.part) == ("post", "post")
    assert arc.from_edge.point[:2] == pytest.approx((50, 5))
    assert arc.to_edge.point[:2] == pytest.approx((50, -5))
    assert arc.middle_deg == pytest.approx(180.0)
    assert (found.doubt, found.shares, found.all_round) == ("", (), False)


def test_an_arc_through_angle_0_between_two_parts(box):
    left, right = box([-60, 20, 0], [60, 25, 20]), box([-60, -30, 0], [60, -25, 20])
    found = free_arc(UPRIGHT, [Bar(5, 10, 4, 10, 50)], {"left": left, "right": right})
    # At the tip: asin(a / L) - asin(w / L), on either side.
    up = math.degrees(math.asin(20 / 50) - math.asin(4 / 50))
    down = math.degrees(math.asin(25 / 50) - math.asin(4 / 50))
    assert len(found.arcs) == 2
    ahead = found.arcs[1]
    assert (ahead.from_deg, ahead.to_deg) == pytest.approx((360 - down, 360 + up), abs=1e-9)
    assert (ahead.from_edge.part, ahead.to_edge.part) == ("right", "left")
    assert found.largest_deg == pytest.approx(up + down)


def test_the_frame_of_a_fastener(box):
    tilted = Fastener.of("ISO 4762", "M8", [3, 4, 5], [1, 1, 1], length=30)
    post = box([50, -5, 0], [60, 5, 20])
    frame = tilted.frame()
    post.vertices = frame[0] + post.vertices @ frame[1:]
    found = free_arc(frame, [BAR], {"post": post})
    assert found.free == (pytest.approx((HALF, 360 - HALF), abs=1e-7),)


def test_the_sagitta_moves_both_ends(box):
    post = faceted("post", box([50, -5, 0], [60, 5, 20]), 0.2)
    found = free_arc(UPRIGHT, [BAR], post)
    assert found.largest_deg == pytest.approx(360 - 2 * HALF)
    for value, more in ((found.low_deg, 0.2), (found.high_deg, -0.2)):
        grown = Bar(5 - more, 10 + more, 4 + more, 10 - more, 80 + more)
        exact = free_arc(UPRIGHT, [grown], box([50, -5, 0], [60, 5, 20])).largest_deg
        assert value == pytest.approx(exact, abs=1e-9)
    assert found.doubt == "post"
    clear = free_arc(UPRIGHT, [Bar(5, 10, 4, 10, 49.9)], post)
    assert clear.all_round
    assert clear.low_deg < 360.0


def test_nothing_free_says_which_part_blocks(box):
    ring = trimesh.creation.annulus(r_min=30, r_max=40, height=30, sections=64)
    stub = box([15, -2, 0], [20, 2, 20])
    found = free_arc(UPRIGHT, [BAR], {"stub": stub, "ring": ring})
    assert (found.arcs, found.largest_deg, found.largest) == ((), 0.0, None)
    assert [share.part for share in found.shares] == ["ring", "stub"]
    assert found.shares[0].blocked_deg == pytest.approx(360.0)
    half = math.degrees(math.atan2(2, 15) + math.asin(4 / math.hypot(15, 2)))
    assert found.shares[1].blocked_deg == pytest.approx(2 * half, abs=1e-9)


def test_a_bar_inside_a_solid_does_not_turn(box, opened):
    block = box([-300, -300, -50], [300, 300, 90])
    found = free_arc(UPRIGHT, [BAR], {"block": block})
    assert found.arcs == ()
    assert (found.shares[0].part, found.shares[0].edge.triangle) == ("block", None)
    # An open surface has no inside.
    assert free_arc(UPRIGHT, [BAR], {"block": opened(block)}).all_round
    cavity = box([-200, -200, 1], [200, 200, 80])
    cavity.invert()
    shell = trimesh.util.concatenate([block, cavity])
    assert free_arc(UPRIGHT, [BAR], {"block": shell}).all_round


def test_nothing_is_looked_at_below_start(box):
    curb = box([20, -5, 0], [30, 5, 6])
    assert not free_arc(UPRIGHT, [BAR], curb).all_round
    assert free_arc(UPRIGHT, [BAR], curb, start=6.1).all_round
    assert not free_arc(UPRIGHT, [BAR], curb, start=5.9).all_round
    with pytest.raises(CannotDecide):
        free_arc(UPRIGHT, [BAR], curb, start=11.0)


def test_short_arcs_are_left_out_where_one_needs_more(box):
    posts = {f"post {k}": box([40, -5, 0], [50, 5, 20]) for k in range(6)}
    for k, post in enumerate(posts.values()):
        turn = trimesh.transformations.rotation_matrix(math.radians(40 * k), [0, 0, 1])
        post.apply_transform(turn)
    every = free_arc(UPRIGHT, [BAR], posts)
    assert len(every.arcs) == 6
    long = free_arc(UPRIGHT, [BAR], posts, need_deg=60.0)
    assert long.arcs == (every.largest,)
    none = free_arc(UPRIGHT, [BAR], posts, need_deg=300.0)
    assert (none.arcs, none.largest_deg) == ((), 0.0)
    assert len(none.shares) == 6


def test_the_margin_of_an_arc(box):
    # Between two walls 2 a apart the handle turns by asin((a) / (L + m)) - asin((w + m) / (L + m)),
    # twice: the margin for 20 degrees solves it.
    walls = {"a": box([-200, 30, 0], [200, 40, 20]), "b": box([-200, -40, 0], [200, -30, 20])}
    found = arc_margin(UPRIGHT, [BAR], walls, 20.0)
    assert found.turns
    m = found.margin
    arc = 2 * (math.asin(30 / (80 + m)) - math.asin((4 + m) / (80 + m)))
    assert math.degrees(arc) == pytest.approx(20.0, abs=1e-5)
    assert found.low == found.margin == found.high
    stuck = arc_margin(UPRIGHT, [BAR], walls, 60.0)
    assert (stuck.turns, stuck.margin) == (False, 0.0)
    assert arc_margin(UPRIGHT, [BAR], box([500, 0, 0], [510, 9, 9]), 60.0).margin == 25.0


def test_bars_that_make_no_sense_are_refused(box):
    for wrong in ((5, 5, 4, 0, 9), (0, 5, 0, 0, 9), (0, 5, 4, 9, 9), (0, 5, 4, -1, 9)):
        with pytest.raises(InputError):
            Bar(*wrong)
    with pytest.raises(InputError):
        Bar(0, math.inf, 4, 0, 9)
    block = box([0, 0, 0], [1, 1, 1])
    for given in ({"bars": []}, {"bars": [BAR], "grow": -1.0}, {"bars": [BAR], "need_deg": 400.0}):
        bars = given.pop("bars")
        with pytest.raises(InputError):
            free_arc(UPRIGHT, bars, block, **given)

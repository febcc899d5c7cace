"""Terms beyond the facets: closed-form gaps between solids moved within their allowances."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Term
from geomcheck.fit.body import Body
from geomcheck.fit.budget import Casting, Uniform, widen
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.split import near_pieces


def box(*spans):
    return Body.of(trimesh.creation.box(bounds=np.array(spans, dtype=float).T))


def term(gap, name) -> Term:
    return next(t for t in gap.quantity.terms if t.name == name)


def both(a, b, on_a=(), on_b=(), **more):
    return widen(measure_gap(a, b), a, b, on_a, on_b, **more)


A = box((0, 10), (0, 10), (0, 10))
B = box((15, 25), (0, 10), (0, 10))


# --- how terms combine ---------------------------------------------------------------------------


def test_worst_case_adds():
    gap = both(A, B, [Uniform("print", 0.3)], [Uniform("noise", 0.4)])
    assert (gap.quantity.value, gap.quantity.low, gap.quantity.high) == pytest.approx((5, 4.3, 5.7))
    assert gap.notes == ()


def test_root_sum_of_squares():
    """3, 4, 5: the rule of the GUM for uncorrelated terms."""
    gap = both(
        A, B, [Uniform("print", 0.3)], [Uniform("noise", 0.4)], combine="root sum of squares"
    )
    assert (gap.quantity.low, gap.quantity.high) == pytest.approx((4.5, 5.5))
    assert "root sum of squares" in gap.notes[0]


def test_the_chord_error_is_added_in_full_either_way(ball):
    near, far = ball(10), ball(10).moved(25, 0, 0)
    a, b = Body.of(near.mesh, near.sagitta), Body.of(far.mesh, far.sagitta)
    plain = measure_gap(a, b).quantity
    wide = both(
        a, b, [Uniform("p", 0.3)], [Uniform("n", 0.4)], combine="root sum of squares"
    ).quantity
    assert plain.low - wide.low == pytest.approx(0.5)
    assert wide.high - plain.high == pytest.approx(0.5)


def test_nothing_declared_changes_nothing():
    gap = measure_gap(A, B)
    assert widen(gap, A, B, (), ()) is gap


def test_what_moves_both_parts_together_is_left_out():
    shared = Uniform("alignment of the scan", 2.0)
    gap = both(A, B, [shared], [shared, Uniform("noise", 0.1)])
    assert gap.quantity.low == pytest.approx(4.9)
    # An equal amount of another origin is not the same thing.
    gap = both(A, B, [Uniform("x", 2.0)], [Uniform("x", 2.0)])
    assert gap.quantity.low == pytest.approx(1.0)


# --- casting -------------------------------------------------------------------------------------


def test_worked_value_of_the_standard():
    """320 mm in DCTG 8: 2.2 mm in all, +-1.1 (worked example on published tables)."""
    rail = box((300, 320), (-5, 5), (-5, 5))
    pin = Body.of(trimesh.creation.icosphere(3, radius=2.0).apply_translation((330, 0, 0)))
    cast = Casting("casting", "DCTG 8", (0.0, 0.0, 0.0), rail.vertices)
    gap = both(rail, pin, [cast])
    assert gap.quantity.value == pytest.approx(8.0)
    found = term(gap, "casting")
    assert (found.minus, found.plus) == pytest.approx((1.1, 1.1))
    assert "DCTG 8 at 320" in found.source and "2.2 mm in all" in found.source
    assert "confirmed" in found.source


def test_a_place_farther_off_but_cast_worse_counts():
    """Gap 5 at 20 mm from the datum (+-0.85, DCTG 9), 5.2 at 300 mm (+-1.6): it may be 3.6."""
    near, far = box((0, 30), (0, 10), (0, 20)), box((0, 30), (290, 300), (0, 19.8))
    both_blocks = Body.of(np.concatenate([near.triangles, far.triangles]))
    panel = box((-50, 50), (-50, 400), (25, 26))
    cast = Casting("casting", "DCTG 9", (0.0, 0.0, 20.0), both_blocks.vertices)
    gap = both(both_blocks, panel, [cast])
    assert gap.quantity.value == pytest.approx(5.0)
    assert gap.quantity.low <= 5.2 - 1.6
    assert term(gap, "casting").minus == pytest.approx(1.6)
    # The high end is that of the place measured.
    assert term(gap, "casting").plus <= 0.9


def test_a_large_triangle_counts_only_where_it_is_near():
    """A wall 600 mm long of two triangles, a ball at its near end."""
    wall = box((0, 600), (0, 600), (-1, 0))
    ball = Body.of(trimesh.creation.icosphere(3, radius=5).apply_translation((30, 30, 10)))
    cast = Casting("casting", "DCTG 9", (0.0, 0.0, 0.0), wall.vertices)
    gap = both(wall, ball, [cast])
    # 42.4 mm from the datum: 2.0 in all. The wall's far corner: 848 mm, 4 in all.
    assert term(gap, "casting").minus == pytest.approx(1.0)


def test_a_grade_that_ends_before_the_part_does_is_refused():
    wall = box((0, 600), (0, 10), (-1, 0))
    with pytest.raises(InputError, match=r"reaches 600.* DCTG 3 ends at 400 mm"):
        Casting("casting", "DCTG 3", (0.0, 0.0, 0.0), wall.vertices)
    with pytest.raises(InputError, match="no casting tolerance grade"):
        Casting("casting", "DCTG 17", (0.0, 0.0, 0.0), wall.vertices)


def test_where_the_grade_has_no_value_nothing_is_decided():
    """DCTG 14 has none up to 16 mm; elsewhere on the same part it has."""
    cast = Casting("casting", "DCTG 14", (0.0, 0.0, 0.0), box((0, 100), (0, 10), (0, 10)).vertices)
    long = box((0, 100), (0, 10), (0, 10))
    with pytest.raises(CannotDecide, match=r"no tolerance for dimensions up to 16 mm"):
        both(long, box((0, 5), (0, 5), (12, 14)), [cast])
    ball = Body.of(trimesh.creation.icosphere(3, radius=1).apply_translation((104, 5, 5)))
    gap = both(long, ball, [cast])
    assert term(gap, "casting").minus == pytest.approx(6.0)


def test_ranges_hold_their_upper_end():
    """Over 160 up to and including 250 mm: 2.8 in DCTG 9; over 250: 3.2."""
    cast = Casting("c", "DCTG 9", (0.0, 0.0, 0.0), np.array([[300.0, 0.0, 0.0]]))
    points = np.array([(250.0, 0, 0), (250.001, 0, 0), (0, 0, 0)])
    assert cast.amount(points) == pytest.approx((1.4, 1.6, 0.75))


def test_slack_does_not_reach_beyond_the_part():
    """DCTG 3 ends at 400 mm, the part at 399: no place of it is farther off."""
    cast = Casting("c", "DCTG 3", (0.0, 0.0, 0.0), np.array([[399.0, 0.0, 0.0]]))
    assert cast.amount(np.array([[390.0, 0.0, 0.0]]), 50.0) == pytest.approx((0.2,))
    # Within the part it counts: 240 and 20 reach over 250 mm.
    assert cast.amount(np.array([[240.0, 0.0, 0.0]])) == pytest.approx((0.17,))
    assert cast.amount(np.array([[240.0, 0.0, 0.0]]), 20.0) == pytest.approx((0.2,))


def test_coarse_facets_farther_off_count_once_an_allowance_brings_them_near():
    """A flat 5 mm off, exact; a coarse ball 5.3 mm off, whose facets hide 0.2 mm or so."""
    ball = trimesh.creation.icosphere(2, radius=10).apply_translation((0, 40, -5.3))
    ball.apply_translation((0, 0, -ball.bounds[1, 2] - 5.3))
    flat = trimesh.creation.box(bounds=[(-10, -10, -20), (10, 10, -5)])
    a = Body.of(np.concatenate([flat.triangles, ball.triangles]))
    b = box((-60, 60), (-60, 60), (0, 5))
    plain, wide = measure_gap(a, b), both(a, b, [Uniform("print", 0.5)])
    name = "facets of the first part"
    assert plain.quantity.value == pytest.approx(5.0)
    assert term(plain, name).minus == 0.0 < 0.05 < term(wide, name).minus


# --- overlap and contact -------------------------------------------------------------------------


def test_overlap_may_be_deeper_and_less_deep():
    b = box((8, 25), (0.5, 9), (0.5, 9))
    plain = measure_gap(A, b)
    gap = both(A, b, [Uniform("print", 0.3)], [Uniform("noise", 0.4)])
    assert plain.state == gap.state == "overlapping"
    assert plain.quantity.low - gap.quantity.low == pytest.approx(0.7)
    assert gap.quantity.high - plain.quantity.high == pytest.approx(0.7)


def test_contact_may_be_a_gap_or_an_overlap():
    gap = both(A, box((10, 25), (0, 10), (0, 10)), [Uniform("print", 0.3)])
    assert gap.quantity.low <= -0.3 and gap.quantity.high == pytest.approx(0.3)


# --- the claim itself ----------------------------------------------------------------------------


@settings(derandomize=True, deadline=None, max_examples=40)
@given(
    grow=st.floats(-1, 1),
    shift=st.tuples(*[st.floats(-1, 1)] * 3),
    at=st.tuples(st.floats(18, 40), st.floats(-25, 25), st.floats(-25, 25)),
)
def test_the_true_gap_lies_in_the_interval(grow, shift, at):
    """Two balls (closed form: distance of the middles less both radii), one cast up to 0.4 mm
    too large or small all round, the other placed up to 0.25 mm off."""
    here, there = np.zeros(3), np.array(at)
    small = trimesh.creation.icosphere(3, radius=8.0)
    planes = np.einsum("ij,ij->i", small.triangles[:, 0], small.face_normals)
    chord = 8.0 - planes.min()
    a = Body.of(small, chord)
    b = Body.of(small.copy().apply_translation(there), chord)
    off = np.array(shift) * (0.25 / np.sqrt(3))
    truth = np.linalg.norm(there + off - here) - 16.0 - 0.4 * grow
    gap = both(a, b, [Uniform("cast", 0.4)], [Uniform("placed", 0.25)])
    assert gap.quantity.low - 1e-9 <= truth <= gap.quantity.high + 1e-9


@settings(derandomize=True, deadline=None, max_examples=8)
@given(seed=st.integers(0, 10**6), distance=st.floats(0.5, 8))
def test_pieces_hold_every_point_that_is_near(seed, distance):
    """Brute force: points scattered on a, those near b lie in a piece."""
    rng = np.random.default_rng(seed)
    a = Body.of(rng.uniform(-10, 10, (6, 3, 3)))
    b = Body.of(rng.uniform(-10, 10, (6, 3, 3)) + np.array([6.0, 0.0, 0.0]))
    pairing = Pairing.whole(a, b)
    pieces = near_pieces(pairing, distance)[0].reshape(-1, 3, 3)
    weights = rng.dirichlet((1, 1, 1), 150)
    points = np.einsum("ij,njk->nik", weights, a.triangles).reshape(-1, 3)
    away = trimesh.proximity.closest_point_naive(
        trimesh.Trimesh(b.vertices, b.faces, process=False), points
    )[1]
    inside = points[away <= distance]
    if len(inside):
        assert len(pieces)
        soup = trimesh.Trimesh(pieces.reshape(-1, 3), np.arange(3 * len(pieces)).reshape(-1, 3))
        off = trimesh.proximity.closest_point(soup, inside)[1]
        assert off.max() < 1e-6


def test_amounts_of_a_casting_are_greatest_at_the_corners():
    rng = np.random.default_rng(5)
    triangles = rng.uniform(-300, 300, (200, 3, 3))
    cast = Casting("c", "DCTG 11", (20.0, 0.0, 0.0), triangles.reshape(-1, 3))
    for corners in triangles:
        inner = rng.dirichlet((1, 1, 1), 50) @ corners
        assert cast.amount(inner).max() <= cast.amount(corners).max()

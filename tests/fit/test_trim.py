"""How deep a neighbour has to be cut: what its gaps lack."""

from __future__ import annotations

import pytest
import trimesh

from geomcheck.errors import CannotDecide
from geomcheck.fit.body import Body
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.trim import depth_of_cut, doubts, swallowed, turned


def block(low, high, sagitta=0.0):
    return Body.of(trimesh.creation.box(bounds=[low, high]), sagitta=sagitta)


A = block((0, 0, 0), (10, 10, 10))


def test_a_gap_turned_is_the_gap_measured_the_other_way_round():
    for b in (
        block((13, 2, 2), (20, 9, 9)),
        block((8, 2, 2), (20, 9, 9)),
        block((4, 4, 4), (6, 6, 6)),
    ):
        gap, want = turned(measure_gap(A, b)), measure_gap(b, A)
        assert (gap.state, gap.distance, gap.depth) == (want.state, want.distance, want.depth)
        assert gap.point_a == pytest.approx(want.point_a)
        assert gap.point_b == pytest.approx(want.point_b)
        assert gap.direction == pytest.approx(want.direction)
        assert (gap.triangle_a, gap.triangle_b) == (want.triangle_a, want.triangle_b)
        assert turned(gap) == measure_gap(A, b)


def test_depth_is_what_the_worst_gap_lacks_with_its_interval_turned_round():
    near = measure_gap(A, block((14, 0, 0), (20, 10, 10), 0.25))
    far = measure_gap(A, block((0, 0, 19), (10, 10, 30), 0.25))
    depth = depth_of_cut([(10.0, near), (10.0, far)])
    assert depth.value == pytest.approx(6.0)
    assert (depth.low, depth.high) == pytest.approx((5.75, 6.25))
    assert depth_of_cut([(10.0, far)]).value == pytest.approx(1.0)
    kept = depth_of_cut([(3.0, near)])
    assert (kept.value, kept.low, kept.high) == (0.0, 0.0, 0.0)
    assert depth_of_cut([]) is None


def test_an_overlap_is_cut_past_its_deepest_point():
    gap = measure_gap(A, block((8, 2, 2), (20, 9, 9)))
    assert depth_of_cut([(5.0, gap)]).value == pytest.approx(7.0)
    assert not swallowed(gap)
    assert swallowed(measure_gap(A, block((4, 4, 4), (6, 6, 6))))


def test_doubts_name_the_parts():
    trouble = CannotDecide("the second part has no such face", remedy="mend the mate")
    assert doubts(None, trouble, "housing", "bonnet") == ["Bonnet has no such face"]
    assert doubts(measure_gap(A, A), None, "housing", "bonnet") == []

"""Casting tolerances of ISO 8062-3: worked values, the shape of the table, its gaps."""

from __future__ import annotations

import itertools

import pytest

from geomcheck import standards
from geomcheck.errors import InputError

GRADES = [f"DCTG {n}" for n in range(1, 17)]


@pytest.mark.parametrize(
    ("grade", "nominal", "width"),
    [
        # Worked examples on published tolerance tables: 320 mm in DCTG 8 is +-1.1, in DCTG 10
        # +-2.2; 85 mm in DCTG 7 is +-0.55.
        ("DCTG 8", 320.0, 2.2),
        ("DCTG 10", 320.0, 4.4),
        ("DCTG 7", 85.0, 1.1),
        # Both ends of a range: over 250 up to and including 400.
        ("DCTG 9", 250.0, 2.8),
        ("DCTG 9", 250.001, 3.2),
        ("DCTG 9", 400.0, 3.2),
        ("DCTG 1", 0.0, 0.09),
        ("DCTG 16", 10000.0, 64.0),
    ],
)
def test_published_values(grade, nominal, width):
    row = standards.casting_tolerance(grade, nominal)
    assert row.width == width
    assert row.half == pytest.approx(width / 2)
    assert "8062-3" in row.source and row.status


def test_grades_are_in_order():
    assert list(standards.casting_grades()) == GRADES


def test_ranges_join_and_tolerances_rise_with_size_and_grade():
    for grade in GRADES:
        rows = standards.casting_tolerances(grade)
        for row, following in itertools.pairwise(rows):
            assert row.to == following.over
            assert row.width < following.width
    for finer, coarser in itertools.pairwise(GRADES):
        coarse = {row.to: row.width for row in standards.casting_tolerances(coarser)}
        for row in standards.casting_tolerances(finer):
            if row.to in coarse:
                # Grades step by about the square root of two, less at the coarse end.
                assert 1.19 < coarse[row.to] / row.width < 1.7


@pytest.mark.parametrize(
    ("grade", "nominal"),
    [("DCTG 1", 161.0), ("DCTG 3", 401.0), ("DCTG 13", 16.0), ("DCTG 16", 10001.0)],
)
def test_where_the_standard_has_no_value_there_is_none(grade, nominal):
    with pytest.raises(InputError, match=f"{grade} has no tolerance .* {nominal:.2f} mm"):
        standards.casting_tolerance(grade, nominal)


@pytest.mark.parametrize("grade", ["DCTG 17", "DCTG 0", "CT 8", "8", ""])
def test_a_grade_that_does_not_exist_is_refused_with_those_that_do(grade):
    with pytest.raises(InputError, match=r"no casting tolerance grade.*DCTG 1, .*DCTG 16"):
        standards.casting_tolerance(grade, 100.0)


@pytest.mark.parametrize("nominal", [-1.0, float("nan"), float("inf")])
def test_a_dimension_that_is_none_has_no_tolerance(nominal):
    with pytest.raises(InputError):
        standards.casting_tolerance("DCTG 8", nominal)

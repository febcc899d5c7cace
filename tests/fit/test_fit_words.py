"""Gaps in words: ends of an interval rounded outwards, as beside the numbers of a report."""

from __future__ import annotations

import random

import pytest

from geomcheck.finding import Quantity, Requirement
from geomcheck.fit.words import interval
from geomcheck.reports.words import format_quantity

NEED = Requirement("at least", 10.0, "mm")


@pytest.mark.parametrize(
    ("value", "low", "high", "wanted"),
    [
        (10.7013, 10.2910, 11.0011, "10.70 mm (10.29 to 11.01)"),
        (6.0, 5.8719, 6.1201, "6.00 mm (5.87 to 6.13)"),
        # No end is written on the other side of the limit, or on it unless it lies there.
        (10.5, 9.9999, 11.0, "10.50 mm (9.99 to 11.00)"),
        (10.5, 10.0004, 11.0, "10.50 mm (10.0004 to 11.00)"),
        (9.5, 9.0, 9.9996, "9.50 mm (9.00 to 9.9996)"),
        (10.5, 10.0, 11.0, "10.50 mm (10.00 to 11.00)"),
        (-0.4917, -84.1351, -0.3636, "-0.49 mm (-84.14 to -0.36)"),
        (7.0, 7.0, 7.0, "7.00 mm"),
    ],
)
def test_ends_are_rounded_outwards(value, low, high, wanted):
    assert interval(Quantity("gap", value, "mm", low, high), NEED) == wanted


def test_the_sentence_and_the_number_beside_it_say_the_same():
    """Against the reports' own writer, which was made from decimals: wherever two suffice."""
    rng = random.Random(3)
    same = 0
    for _ in range(3000):
        value = 10 + rng.choice([30, 1, 0.01]) * rng.uniform(-2, 2)
        low, high = value - rng.random() * 0.2, value + rng.random() * 0.2
        quantity = Quantity("gap", value, "mm", low, high)
        beside = format_quantity(quantity, NEED)
        if len(beside.split(" ")[0].split(".")[1]) == 2:
            same += 1
            assert interval(quantity, NEED) == beside.replace(" .. ", " to ")
    assert same > 2000

"""Numbers as words: what is printed must never look better than what was measured."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.finding import SEVERITY, Finding, Quantity, Requirement, Verdict
from geomcheck.reports import words


def gap(value: float, low: float, high: float) -> Quantity:
    return Quantity("gap", value, "mm", low, high)


def test_a_quantity_prints_value_unit_and_interval():
    assert words.format_quantity(gap(6.0312, 5.9841, 6.0655)) == "6.03 mm (5.98 .. 6.07)"
    assert words.format_quantity(gap(6.0, 6.0, 6.0)) == "6.00 mm"
    area = Quantity("area", 4355.704, "mm2", 4350.0, 4360.0)
    assert words.format_quantity(area) == "4355.7 mm² (4350.0 .. 4360.0)"
    assert words.format_quantity(area, ascii_only=True) == "4355.7 mm2 (4350.0 .. 4360.0)"
    assert words.format_quantity(Quantity("loss", 3.04, "%", 3.0, 3.1)) == "3.0% (3.0 .. 3.1)"


def test_a_mach_number_has_no_unit():
    mach = Quantity("greatest Mach number", 0.12, "Mach", 0.114, 0.1949)
    for plain in (False, True):
        assert words.format_quantity(mach, ascii_only=plain) == "0.120 (0.114 .. 0.195)"
    assert words.format_requirement(Requirement("at most", 0.25, "Mach")) == "at most 0.250"


def test_units_in_messages_are_written_as_beside_the_numbers():
    text = '"mm2" takes 557.53 mm2 there; 240 mm3 in common, 3 mm'
    assert words.format_text(text) == '"mm2" takes 557.53 mm² there; 240 mm³ in common, 3 mm'
    assert words.format_text(text, ascii_only=True) == text


def test_no_number_is_rounded_onto_or_across_the_limit():
    need = Requirement("at least", 10.0, "mm")
    assert words.format_quantity(gap(9.9996, 9.9993, 9.9998), need) == (
        "9.9996 mm (9.9993 .. 9.9998)"
    )
    assert words.format_quantity(gap(10.0, 10.0, 10.0), need) == "10.00 mm"


@settings(derandomize=True, deadline=None)
@given(
    low=st.floats(-1e4, 1e4),
    below=st.floats(0, 50),
    above=st.floats(0, 50),
)
def test_printed_bounds_hold_the_true_interval(low, below, above):
    q = gap(low + below, low, low + below + above)
    text = words.format_quantity(q)
    if "(" in text:
        shown_low, shown_high = text[text.index("(") + 1 : -1].split(" .. ")
        assert Decimal(shown_low) <= Decimal(repr(round(q.low, 9)))
        assert Decimal(shown_high) >= Decimal(repr(round(q.high, 9)))


def test_binary_noise_does_not_move_a_bound():
    assert words.format_quantity(gap(10.0, 9.989999999999998, 10.010000000000002)) == (
        "10.00 mm (9.99 .. 10.01)"
    )


def test_there_is_no_minus_nought():
    assert words.format_point((-0.001, 0.0, -3.5)) == "(0.00, 0.00, -3.50)"


def test_a_requirement_keeps_the_decimals_the_user_gave():
    assert words.format_requirement(Requirement("at least", 10.0, "mm")) == "at least 10.00 mm"
    assert words.format_requirement(Requirement("at most", 0.125, "mm")) == "at most 0.125 mm"


def test_symbols_differ_in_shape_for_every_verdict():
    for ascii_only in (False, True):
        symbols = [words.verdict_symbol(v, ascii_only=ascii_only) for v in Verdict]
        assert len(set(symbols)) == len(Verdict)
    assert all(words.verdict_symbol(v, ascii_only=True).isascii() for v in SEVERITY)


@pytest.mark.parametrize(
    ("verdicts", "text"),
    [
        ([], "No questions were asked."),
        (["pass"], "1 question: 1 passed."),
        (
            ["pass", "fail", "undecided", "fail"],
            "4 questions: 2 failed, 1 could not be decided, 1 passed.",
        ),
    ],
)
def test_the_run_in_one_sentence(verdicts, text):
    found = [Finding("x", Verdict(v), "van", "s", (), "m") for v in verdicts]
    assert words.sentence_of_counts(found) == text


def test_every_exit_code_has_a_meaning():
    assert all(words.exit_meaning(code) for code in range(5))

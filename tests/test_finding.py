"""Verdicts and exit codes.

The decision rule is that of ISO 14253-1 (conformance proved only inside the limit by more than
the uncertainty); from memory of the standard.
"""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.finding import (
    SEVERITY,
    Finding,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    exit_code,
)


def found(verdict: Verdict, *, vehicle: str = "v", about_input: bool = False) -> Finding:
    return Finding("c", verdict, vehicle, "s", (), "m", about_input=about_input)


@pytest.mark.parametrize(
    ("sense", "low", "high", "verdict"),
    [
        ("at least", 10.0, 10.4, Verdict.PASS),
        ("at least", 10.1, 10.4, Verdict.PASS),
        ("at least", 9.9, 10.1, Verdict.UNDECIDED),
        ("at least", 9.6, 10.0, Verdict.UNDECIDED),
        ("at least", 9.6, 9.99, Verdict.FAIL),
        ("at most", 9.6, 10.0, Verdict.PASS),
        ("at most", 9.9, 10.1, Verdict.UNDECIDED),
        ("at most", 10.0, 10.1, Verdict.UNDECIDED),
        ("at most", 10.01, 10.1, Verdict.FAIL),
    ],
)
def test_verdict_is_proved_by_the_whole_interval(sense, low, high, verdict):
    need = Requirement(sense, 10.0, "mm")
    assert need.decide(Quantity("gap", (low + high) / 2, "mm", low, high)) is verdict


@settings(derandomize=True, deadline=None)
@given(st.floats(-1e3, 1e3), st.floats(0, 10), st.floats(0, 10), st.floats(-1e3, 1e3))
def test_a_pass_or_fail_holds_for_every_value_of_the_interval(value, minus, plus, limit):
    quantity = Quantity.from_terms("gap", value, "mm", (Term("t", minus, plus, "test"),))
    for sense in ("at least", "at most"):
        verdict = Requirement(sense, limit, "mm").decide(quantity)
        inside = [
            x >= limit if sense == "at least" else x <= limit
            for x in (quantity.low, quantity.value, quantity.high)
        ]
        assert (verdict is Verdict.PASS) == all(inside)
        assert (verdict is Verdict.FAIL) == (not any(inside))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_quantity_is_never_a_sentinel(bad):
    with pytest.raises(ValueError, match="sentinel"):
        Quantity("gap", bad, "mm", 0.0, 1.0)
    with pytest.raises(ValueError, match="sentinel"):
        Quantity("gap", 0.5, "mm", 0.0, bad)


def test_a_value_outside_its_interval_is_refused():
    with pytest.raises(ValueError, match="outside its interval"):
        Quantity("gap", 2.0, "mm", 0.0, 1.0)


@pytest.mark.parametrize("minus", [-0.1, math.nan])
def test_an_uncertainty_is_not_negative(minus):
    with pytest.raises(ValueError, match="negative or NaN"):
        Term("t", minus, 0.0, "test")


def test_units_are_not_mixed():
    with pytest.raises(ValueError, match="mm2"):
        Requirement("at least", 1.0, "mm").decide(Quantity("area", 1.0, "mm2", 1.0, 1.0))


RANK = {
    Verdict.ERROR: 2,
    Verdict.FAIL: 1,
    Verdict.UNDECIDED: 4,
    Verdict.PASS: 0,
    Verdict.WAIVED: 0,
    Verdict.NOT_APPLICABLE: 3,
}


@pytest.mark.parametrize("verdicts", list(itertools.product(Verdict, repeat=2)))
def test_the_worst_outcome_wins(verdicts):
    order = [2, 1, 4, 0, 3]  # a pass beside "not applicable" is still a pass
    expected = min((RANK[v] for v in verdicts), key=order.index)
    assert exit_code([found(v) for v in verdicts]) == expected


def test_nothing_asked_is_not_a_pass():
    assert exit_code([]) == 3
    assert exit_code([found(Verdict.PASS, about_input=True)]) == 3
    assert Result("p", "f", "0", (), {}, ()).exit_code == 3


def test_a_vehicle_of_which_nothing_was_asked_is_not_hidden_by_another():
    findings = (
        found(Verdict.PASS, vehicle="a"),
        found(Verdict.PASS, vehicle="b", about_input=True),
    )
    assert Result("p", "f", "0", ("a", "b"), {}, findings).exit_code == 3
    assert Result("p", "f", "0", ("a",), {}, findings[:1]).exit_code == 0


def test_every_verdict_has_a_place_in_the_order():
    assert sorted(SEVERITY) == sorted(Verdict)


@pytest.mark.parametrize(
    ("level", "codes"),
    [
        ("undecided", {"pass": 0, "waived": 0, "not applicable": 0}),
        ("waived", {"pass": 0, "waived": 1, "not applicable": 0}),
        ("remark", {"pass": 0, "waived": 1, "not applicable": 1}),
    ],
)
def test_a_stricter_level_fails_more_and_none_lets_a_fail_through(level, codes):
    for verdict in Verdict:
        findings = [found(Verdict.PASS), found(verdict)]
        always = {"fail": 1, "undecided": 4, "error": 2}
        assert exit_code(findings, level) == (always | codes)[verdict.value]
        result = Result("p", "f", "0", ("v",), {}, tuple(findings), level)
        assert result.exit_code == exit_code(findings, level)

"""A comparison as a modeller reads it: what is gone, what is undecided, what is said once."""

from __future__ import annotations

from geomcheck.compare.changes import compare
from geomcheck.finding import Finding, Quantity, Requirement, Result, Term, Verdict
from geomcheck.reports.changes import comparison_lines, sentence
from geomcheck.reports.changes_words import there


def gap(value, spread=0.1, verdict=Verdict.PASS, vehicle="hatch", code="fit-gap"):
    term = Term("mesh", spread, spread, "made up")
    return Finding(
        code, verdict, vehicle, "housing / brace", ("housing", "brace"), "m",
        quantity=Quantity.from_terms("gap", value, "mm", (term,)),
        requirement=Requirement("at least", 5.0, "mm"),
    )  # fmt: skip


def result(*findings):
    return Result("p", "p.toml", "0", tuple({f.vehicle: None for f in findings}), {}, findings)


def text(old, new):
    return "\n".join(line.text for line in comparison_lines(compare(old, new)))


def test_a_finding_that_is_gone_does_not_read_as_if_it_still_failed():
    told = text(result(gap(3.0, verdict=Verdict.FAIL)), result(gap(8.0, code="fit-other")))
    assert "gap was 3.00 mm (2.90 .. 3.10), fail; not in the new result; required" in told
    assert "✖" not in told


def test_a_change_inside_the_uncertainty_is_undecided():
    comparison = compare(result(gap(8.0)), result(gap(8.1)))
    assert sentence(comparison) == "1 undecided, 0 the same."
    told = "\n".join(line.text for line in comparison_lines(comparison))
    assert "undecided, inside the uncertainty" in told and "change +0.10 mm" in told


def duct(vehicle, area):
    return Finding(
        "flow-area", Verdict.PASS, vehicle, 'duct "inlet"', ("housing",), "m",
        details={
            "curve": {"s": [0.0, 10.0], "area": [500.0, area], "state": ["measured"] * 2},
            "path": [(0.0, 0.0, 0.0), (10.0, 0.0, 0.0)],
        },
    )  # fmt: skip


def test_what_is_true_of_two_vehicles_is_said_once():
    old, new = (result(duct("hatch", a), duct("van", a)) for a in (400.0, 420.0))
    told = text(old, new)
    assert told.count("gains most at 10.00 mm along the path: 20.0 mm") == 1
    assert 'hatch, van, duct "inlet":' in told
    other = text(old, result(duct("hatch", 420.0), duct("van", 430.0)))
    assert other.count("gains most") == 2


def test_at_a_place_new_and_gone_findings_are_told_with_their_figures():
    old, new = result(gap(3.0)), result(gap(4.5, code="fit-other"))
    told = there(compare(old, new).changes)
    assert told == [
        "housing / brace: gap 4.50 mm, new [hatch]",
        "housing / brace: gap was 3.00 mm, not in the new result [hatch]",
    ]

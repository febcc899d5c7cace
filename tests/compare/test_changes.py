"""Two results side by side: interval arithmetic by hand, matching by place, exit codes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.compare.areas import curves
from geomcheck.compare.changes import Kind, compare, difference
from geomcheck.finding import Finding, Quantity, Requirement, Result, Verdict, Witness

NEED = Requirement("at least", 10.0, "mm")


def gap(value, spread=0.1, *, need=NEED, subject="housing / bonnet", at=(0, 0, 0), **more):
    quantity = Quantity("gap", value, "mm", value - spread, value + spread)
    verdict = need.decide(quantity) if need else Verdict.NOT_APPLICABLE
    return Finding(
        "fit-gap",
        more.pop("verdict", verdict),
        "hatch",
        subject,
        ("housing", "bonnet"),
        f"Gap of {value:.2f} mm.",
        quantity=quantity,
        requirement=need,
        witnesses=(Witness("here", "bonnet", at),),
        **more,
    )


def result(*findings):
    return Result("p", "p.toml", "0", ("hatch",), {}, findings)


def kinds(old, new):
    return [change.kind for change in compare(result(*old), result(*new)).changes]


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        (12.0, 9.0, Kind.BROKEN),
        (9.0, 12.0, Kind.MENDED),
        (12.0, 10.05, Kind.BROKEN),  # 9.95 to 10.15: undecided now
        (12.0, 11.5, Kind.WORSE),
        (11.5, 12.0, Kind.BETTER),
        (9.0, 8.5, Kind.WORSE),
        (8.5, 9.0, Kind.BETTER),
        (12.0, 11.9, Kind.UNCLEAR),  # -0.1, between -0.3 and +0.1
        (12.0, 12.0, Kind.SAME),
        (9.0, 9.0, Kind.SAME),
    ],
)
def test_kind_of_a_change(old, new, kind):
    assert kinds([gap(old)], [gap(new)]) == [kind]


def test_at_most_turns_the_sides_round():
    need = Requirement("at most", 10.0, "mm")
    assert kinds([gap(8.0, need=need)], [gap(9.0, need=need)]) == [Kind.WORSE]
    assert kinds([gap(9.0, need=need)], [gap(8.0, need=need)]) == [Kind.BETTER]
    assert kinds([gap(9.0, need=None)], [gap(8.0, need=None)]) == [Kind.CHANGED]


def test_the_requirement_alone_may_break_it():
    harder = Requirement("at least", 15.0, "mm")
    assert kinds([gap(12.0)], [gap(12.0, need=harder)]) == [Kind.BROKEN]


@settings(derandomize=True, deadline=None)
@given(*[st.floats(-50, 50) for _ in range(2)], *[st.floats(0, 5) for _ in range(4)])
def test_the_change_holds_every_difference_of_the_truths(a, b, a_low, a_high, b_low, b_high):
    old = Quantity("gap", a, "mm", a - a_low, a + a_high)
    new = Quantity("gap", b, "mm", b - b_low, b + b_high)
    change = difference(old, new)
    if change.low == change.high == 0.0 and (a_low or a_high):
        return  # one and the same
    for then in (old.low, old.value, old.high):
        for now in (new.low, new.value, new.high):
            assert change.low - 1e-9 <= now - then <= change.high + 1e-9


def test_other_units_have_no_difference():
    area = Quantity("area", 1.0, "mm2", 1.0, 1.0)
    assert difference(area, Quantity("gap", 1.0, "mm", 1.0, 1.0)) is None
    assert difference(None, area) is None


def test_findings_of_one_subject_are_matched_by_place():
    old = [gap(9.0, at=(0, 0, 0)), gap(8.0, at=(100, 0, 0))]
    new = [gap(7.0, at=(101, 0, 0)), gap(9.5, at=(1, 0, 0)), gap(6.0, at=(500, 0, 0))]
    changes = compare(result(*old), result(*new)).changes
    found = {(c.old and c.old.quantity.value, c.new and c.new.quantity.value) for c in changes}
    assert found == {(9.0, 9.5), (8.0, 7.0), (None, 6.0)}


def test_order_of_findings_does_not_matter():
    old = [gap(9.0), gap(12.0, subject="housing / belt"), gap(20.0, subject="housing / pump")]
    new = [gap(12.0), gap(9.0, subject="housing / belt"), gap(19.0, subject="housing / pump")]
    one = compare(result(*old), result(*new)).changes
    assert one == compare(result(*old[::-1]), result(*new[::-1])).changes
    assert [c.kind for c in one] == [Kind.BROKEN, Kind.WORSE, Kind.MENDED]


@pytest.mark.parametrize(
    ("old", "new", "code", "strict"),
    [
        ([gap(12.0)], [gap(12.0)], 0, 0),
        ([gap(9.0)], [gap(9.0)], 0, 0),  # there before, and no worse
        ([gap(9.0)], [gap(8.0)], 1, 1),
        ([gap(12.0)], [gap(11.0)], 0, 1),
        ([gap(12.0)], [gap(10.0)], 4, 4),
        ([gap(12.0)], [gap(9.0)], 1, 1),
        ([], [gap(9.0)], 1, 1),
        ([], [gap(12.0)], 0, 0),
        ([gap(9.0)], [], 0, 0),
        ([gap(12.0)], [gap(12.0, verdict=Verdict.ERROR)], 2, 2),
        ([gap(9.0), gap(12.0, subject="x")], [gap(9.5), gap(10.0, subject="x")], 4, 4),
    ],
)
def test_exit_codes(old, new, code, strict):
    comparison = compare(result(*old), result(*new))
    assert comparison.exit_code() == code
    assert comparison.exit_code(worse_fails=True) == strict


# --- curves --------------------------------------------------------------------------------------


def duct(radius, shift=0.0, stations=51):
    """A cone's area, pi r(s)^2, along a straight path of 100 mm."""
    s = [100.0 * k / (stations - 1) for k in range(stations)]
    area = [math.pi * radius(x) ** 2 for x in s]
    details = {
        "curve": {"s": s, "area": area, "state": ["measured"] * stations},
        "path": [[shift, 0.0, x] for x in s],
    }
    quantity = Quantity("least area", min(area), "mm2", min(area), min(area))
    return Finding(
        "flow-area", Verdict.PASS, "hatch", 'duct "inlet"', (), "m",
        quantity=quantity, details=details,
    )  # fmt: skip


def test_the_stations_that_changed_most():
    old = duct(lambda s: 40.0)
    new = duct(lambda s: 40.0 - (s == 30.0) + 2.0 * (s == 70.0))
    (curve,) = curves(compare(result(old), result(new)))
    assert curve.comparable
    assert curve.loss == pytest.approx((30.0, -math.pi * 79, -100 * 79 / 1600))
    assert curve.gain == pytest.approx((70.0, math.pi * 164, 100 * 164 / 1600))


def test_other_stations_of_the_same_path_are_read_between():
    old, new = duct(lambda s: 40.0 - 0.1 * s, stations=401), duct(lambda s: 39.0 - 0.1 * s)
    (curve,) = curves(compare(result(old), result(new)))
    # pi (r1 + r2) (r2 - r1), largest at the wide end.
    assert curve.loss[:2] == pytest.approx((0.0, -math.pi * 79.0), rel=1e-4)
    assert curve.gain is None


def test_other_paths_have_no_stations_in_common():
    (curve,) = curves(compare(result(duct(lambda s: 40.0)), result(duct(lambda s: 39.0, 1.0))))
    assert not curve.comparable and curve.loss is None and curve.gain is None


def test_stations_without_a_number_are_passed_over():
    old, new = duct(lambda s: 40.0), duct(lambda s: 39.0)
    new.details["curve"]["area"][3] = None
    (curve,) = curves(compare(result(old), result(new)))
    assert curve.loss[1] == pytest.approx(-math.pi * 79)
    same = duct(lambda s: 40.0)
    assert curves(compare(result(old), result(same))) == []

"""Tools a screw lost or won, and estimates whose common terms cancel, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geomcheck.compare.changes import compare
from geomcheck.compare.flows import flow_changes
from geomcheck.compare.tools import tool_changes
from geomcheck.finding import Finding, Quantity, Result, Term, Verdict
from geomcheck.flow.asked import MassFlow
from geomcheck.flow.difference import difference
from geomcheck.flow.estimate import Estimate, Share
from geomcheck.flow.estimate_words import details
from geomcheck.flow.gas import Air
from geomcheck.reports.changes_words import flow_words, flows_told, tool_words, tools_told


def result(*findings):
    return Result("p", "p.toml", "0", tuple({f.vehicle: None for f in findings}), {}, findings)


def screw(vehicle="hatch", **tools):
    rows = [
        {"tool": name.replace("_", " "), "verdict": verdict, "stopped": stopped}
        for name, (verdict, stopped) in tools.items()
    ]
    return Finding(
        "fasten-reach", Verdict.PASS, vehicle, 'bolt "M5"', ("housing",), "m",
        details={"tools": rows},
    )  # fmt: skip


def test_tools_lost_and_won():
    old = screw(
        hex_key=("pass", ""), socket=("pass", ""), ratchet=("fail", "turning, by rib"),
        joint=("not asked", "a rigid tool serves"),
    )  # fmt: skip
    new = screw(
        hex_key=("fail", "standing, by boss"), socket=("undecided", "turning, by rib"),
        ratchet=("pass", ""), joint=("fail", "leaning, by boss"),
    )  # fmt: skip
    (change,) = tool_changes(compare(result(old), result(new)))
    assert change.lost == (
        ("hex key", "standing, by boss"),
        ("socket", "turning, by rib (not sure)"),
    )
    assert change.won == (("ratchet", "turning, by rib"),)
    assert change.left == 1
    lost, won = tool_words(change)
    assert "loses hex key (standing, by boss)" in lost and "1 tool still" in lost
    assert won == "wins ratchet (was stopped: turning, by rib)"
    assert tool_changes(compare(result(old), result(old))) == []


def test_the_last_tool_comes_first_and_vehicles_go_together():
    old = [screw(v, key=("pass", ""), long=("pass", "")) for v in ("a", "b", "c")]
    new = [
        screw("a", key=("fail", "x"), long=("pass", "")),
        screw("b", key=("fail", "x"), long=("pass", "")),
        screw("c", key=("fail", "x"), long=("fail", "x")),
    ]
    comparison = compare(result(*old), result(*new))
    assert [change.vehicle for change in tool_changes(comparison)] == ["c", "a", "b"]
    told = tools_told(comparison)
    assert [names for names, _, _ in told] == ["c", "a, b"]
    assert "no tool is left" in told[0][2][0]


def share(name, kind, grid, figures, areas):
    corners = np.array(grid, dtype=float)
    value = float(corners.mean())
    terms = (
        Term("coefficients", value - corners.min(), corners.max() - value, ""),
        Term("areas", *areas, ""),
    )
    return Share(
        name,
        kind,
        0.0,
        10.0,
        Quantity.from_terms("loss", value, "kPa", terms),
        figures,
        "s",
        corners,
    )


def made(bend, step, figures=(0.2, 0.3), mach=((0.2, 0.3), (0.22, 0.33)), flow=(0.1, 0.15)):
    """An estimate with a bend and a step, each of some loss at the corners of its bands."""
    shares = (
        share("bend", "bend", bend, figures, (0.01, 0.02)),
        share("step", "widening", step, (0.5, 0.9), (0.005, 0.005)),
    )
    total = sum(s.loss.value for s in shares)
    loss = Quantity("loss", total, "kPa", total - 1.0, total + 1.0, (Term("areas", 0.1, 0.1, ""),))
    grid = np.array(mach, dtype=float)
    middle = float(grid.mean())
    greatest = Quantity.from_terms("mach", middle, "Mach", (Term("areas", 0.001, 0.002, ""),))
    return Estimate(
        flow=MassFlow(*flow), air=Air(), s=np.zeros(1), state="passes", mach=None, velocity=None,
        pressure=None, greatest=greatest, greatest_at=0.0,
        margin=Quantity.from_terms("margin", 40.0, "%", ()), loss=loss, shares=shares,
        mach_corners=grid, margin_corners=100.0 - 100.0 * grid,
    )  # fmt: skip


def laid(before, after):
    one, two = (
        Finding(
            "flow-estimate", Verdict.PASS, "hatch", 'duct "inlet", loss', (), "m",
            details=details(e),
        )
        for e in (before, after)
    )  # fmt: skip
    return compare(result(one), result(two))


BEND, STEP = [[0.1, 0.2], [0.3, 0.6]], [[0.2, 0.4], [0.5, 1.0]]


def test_read_back_from_details_it_is_the_difference_of_the_estimates():
    before = made(BEND, STEP)
    after = made(np.multiply(BEND, 0.9), np.multiply(STEP, 0.5))
    (change,) = flow_changes(laid(before, after))
    exact = difference(before, after).loss
    assert (change.loss.low, change.loss.value, change.loss.high) == pytest.approx(
        (exact.low, exact.value, exact.high), abs=1e-6
    )
    assert change.subject == 'duct "inlet"' and change.shared == 2 and change.same_flow
    assert change.loss.high < 0.0
    text = " ".join(flow_words(change))
    assert "loses less total pressure" in text and "common terms cancel" in text
    assert "2 of 2 losses" in text


def test_mach_at_matching_corners():
    lower = ((0.19, 0.28), (0.21, 0.30))
    (change,) = flow_changes(laid(made(BEND, STEP), made(BEND, STEP, mach=lower)))
    # Corner by corner 0.01 to 0.03 less, and the areas of both on top: 0.002 + 0.001 either way.
    assert change.mach.low == pytest.approx(-0.03 - 0.003)
    assert change.mach.high == pytest.approx(-0.01 + 0.003)
    assert "greatest Mach number is lower" in " ".join(flow_words(change))
    # Another bend in it: only the flow is shared.
    (other,) = flow_changes(laid(made(BEND, STEP), made(BEND, STEP, (0.4, 0.6), mach=lower)))
    assert other.shared == 1
    assert other.mach.low == pytest.approx(min(0.19 - 0.22, 0.28 - 0.33) - 0.003)
    assert other.mach.high == pytest.approx(max(0.21 - 0.20, 0.30 - 0.30) + 0.003)
    # Nothing is shared at another flow.
    (free,) = flow_changes(laid(made(BEND, STEP), made(BEND, STEP, mach=lower, flow=(0.1, 0.2))))
    assert free.mach.low == pytest.approx(0.19 - 0.33 - 0.003)
    assert not free.same_flow and free.shared == 0


def test_a_flow_that_may_choke_is_not_compared():
    before = made(BEND, STEP)
    choked = replace(before, loss=None, state="may choke", mach_corners=None)
    (change,) = flow_changes(laid(before, choked))
    assert change.loss is None and "may choke" in change.why
    assert flows_told(laid(before, choked))[0][2] == [f"Not compared: {change.why}."]
    assert flow_changes(laid(before, before)) == []

"""The page of a comparison: names escaped, both curves drawn, the same bytes twice."""

from __future__ import annotations

from dataclasses import replace

from geomcheck.compare.changes import compare
from geomcheck.finding import Finding, Quantity, Requirement, Result, Verdict
from geomcheck.reports.changes import comparison_lines
from geomcheck.reports.changes_page import write_comparison


def result(name, area):
    s = [0.0, 50.0, 100.0]
    quantity = Quantity("least area", area, "mm2", area, area)
    need = Requirement("at least", 4000.0, "mm2")
    details = {
        "curve": {"s": s, "area": [5000.0, area, 5000.0], "state": ["measured"] * 3},
        "path": [[0.0, 0.0, x] for x in s],
    }
    finding = Finding(
        "flow-area", need.decide(quantity), "van <1>", 'duct "inlet"', ("housing",), "m",
        quantity=quantity, requirement=need, details=details,
    )  # fmt: skip
    return Result(name, f"{name}.toml", "0", ("van <1>",), {}, (finding,))


def test_a_page_with_both_curves(tmp_path):
    comparison = compare(result("rev <b>", 4200.0), result("rev <c>", 3900.0))
    pages = []
    for name in ("a.html", "b.html"):
        write_comparison(comparison, tmp_path / name, 1)
        pages.append((tmp_path / name).read_text(encoding="utf-8"))
    assert pages[0] == pages[1]
    text = pages[0]
    assert text.count("data:image/svg+xml;base64,") == 1
    assert "rev &lt;b&gt;" in text and "rev <b>" not in text and "van <1>" not in text
    assert "now fails" in text and "-300.0 mm²" in text
    assert "loses most at 50.00 mm along the path: 300.0 mm² (7.14 %)" in text


def test_two_vehicles_with_one_curve_share_a_picture(tmp_path):
    def both(name, area):
        one = result(name, area)
        found = tuple(replace(one.findings[0], vehicle=v) for v in ("hatch", "van"))
        return replace(one, vehicles=("hatch", "van"), findings=found)

    write_comparison(compare(both("b", 4200.0), both("c", 3900.0)), tmp_path / "a.html", 1)
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert text.count("data:image/svg+xml;base64,") == 1
    assert "hatch, van, duct &#34;inlet&#34;" in text or 'hatch, van, duct "inlet"' in text


def test_the_lines_say_the_same():
    comparison = compare(result("b", 4200.0), result("c", 3900.0))
    lines = [line.text for line in comparison_lines(comparison, ascii_only=True)]
    assert any("now fails  flow-area" in line for line in lines)
    assert any(
        "loses most at 50.00 mm along the path: 300.0 mm2 (7.14 %)" in line for line in lines
    )
    assert all(line.isascii() for line in lines)
    assert compare(result("b", 1.0), result("b", 1.0)).changes[0].new.verdict is Verdict.FAIL

"""A re-check as text: what is wrong comes first, what is open with its reasons, like with like."""

import io

from geomcheck.finding import Finding, Verdict
from geomcheck.verify.claims import Claim, Recheck, Report, Status
from geomcheck.verify.show import show_rechecks


def one(code, subject, *claims):
    finding = Finding(code, Verdict.PASS, "van", subject, (), "")
    return Recheck(finding, tuple(claims))


GOOD = Claim("value", Status.CONFIRMED, "3.000000 mm against 3.000000 mm")
WRONG = Claim("value", Status.CONTRADICTED, "3.000000 mm against 4.000000 mm")


def left(words):
    return Claim("a way in", Status.OPEN, words)


def shown(report, **how):
    out = io.StringIO()
    show_rechecks(report, out, **how)
    return out.getvalue()


REPORT = Report(
    (Claim("counts", Status.CONFIRMED, "of the findings"),),
    (
        one("fit-gap", "housing / bonnet", GOOD),
        one("fit-gap", "housing / loom", GOOD, left("1200 pairs were too many")),
        one("fasten-order", "order of work", left("4000 pairs were too many")),
        one("fit-gap", "housing / tray", left("7.5 mm of M8 is not looked at")),
        one("fit-gap", "housing / strut", left("8.5 mm of M8 is not looked at")),
        one("fit-gap", "housing / pipe", left("8.5 mm of M10 is not looked at")),
        one("flow-area", 'duct "inlet"', GOOD, WRONG),
    ),
)


def test_what_is_wrong_comes_first_and_figures_do_not_part_like_reasons():
    text = shown(REPORT)
    lines = text.splitlines()
    assert "flow-area" in lines[0] and "contradicted" in lines[0]
    # Of a finding that is wrong only what is wrong.
    assert "against 4.000000 mm" in lines[1] and "against 3.000000 mm" not in text
    assert "   2 x fit-gap, a way in: ... mm of M8 is not looked at" in text
    assert "   1 x fit-gap, a way in: 8.5 mm of M10 is not looked at" in text
    assert "   1 x fasten-order, a way in: 4000 pairs were too many" in text
    table = [line.split() for line in lines if line.startswith(("fit-", "flow-", "fasten-"))]
    assert table == [
        ["flow-area", "1", "0", "0"],
        ["fit-gap", "0", "4", "1"],
        ["fasten-order", "0", "1", "0"],
    ]
    assert lines[-1].startswith(
        "7 findings, 10 claims: 1 contradicted, 5 not re-checked or not in full, 1 confirmed."
    )
    assert "Exit code 1" in lines[-1]


def test_every_claim_where_asked():
    text = shown(REPORT, show_all=True)
    assert "against 3.000000 mm" in text and "housing / bonnet" in text


def test_all_is_well():
    text = shown(Report((), REPORT.findings[:1]))
    assert "Not re-checked" not in text
    assert text.endswith("Exit code 0: all is confirmed.\n")

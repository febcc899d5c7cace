"""Figures that must agree with each other: interval, verdict, counts, exit code, limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from geomcheck.finding import Finding, Quantity, Requirement, Result, Verdict
from geomcheck.project.load import Project
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.questions import left_out

#: Figures are written to a millionth; what differs by less agrees.
WRITTEN = 3e-6
_EXIT = {"error": 2, "fail": 1, "undecided": 4}
_WORST_FIRST = (2, 1, 4, 3, 0)


def figures(finding: Finding) -> Iterator[Claim]:
    """Claims of one finding that need no mesh."""
    quantity, need = finding.quantity, finding.requirement
    if quantity is None:
        return
    yield confirm("interval from its terms", _adds_up(quantity), _told(quantity))
    if need is not None and finding.verdict in (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED):
        yield confirm(
            "verdict from interval and limit",
            _agrees(finding.verdict, quantity, need),
            f"{finding.verdict}: {_told(quantity)}, {need.sense} {need.limit:g} {need.unit}",
        )


def _told(quantity: Quantity) -> str:
    return f"{quantity.value:.6g} ({quantity.low:.6g} .. {quantity.high:.6g}) {quantity.unit}"


def _adds_up(quantity: Quantity) -> bool:
    """Whether the ends lie between the terms added in full and by squares."""
    if not quantity.terms:
        return True
    slack = WRITTEN * (1 + len(quantity.terms))
    for side, off in (
        ("minus", quantity.value - quantity.low),
        ("plus", quantity.high - quantity.value),
    ):
        amounts = [getattr(term, side) for term in quantity.terms]
        if not math.hypot(*amounts) - slack <= off <= math.fsum(amounts) + slack:
            return False
    return True


def _agrees(verdict: Verdict, quantity: Quantity, need: Requirement) -> bool:
    """Whether a verdict may stand: a pass needs all of the interval on the right side.

    Undecided and fail may have reasons beyond the interval, such as holes in a scan or a mouth
    that is there but not covered; only a verdict better than the interval allows is wrong.
    """
    if quantity.unit != need.unit:
        return False
    sign = 1.0 if need.sense == "at least" else -1.0
    worst, best = sorted((sign * quantity.low, sign * quantity.high))
    limit = sign * need.limit
    if verdict is Verdict.PASS:
        return worst >= limit - WRITTEN
    if verdict is Verdict.UNDECIDED:
        return best >= limit - WRITTEN
    return True


def whole(result: Result, data: Mapping[str, Any], project: Project) -> Iterator[Claim]:
    """Claims of the result as a whole.

    Parameters
    ----------
    result : Result
    data : mapping
        The JSON as it was read.
    project : Project
    """
    verdicts = [str(finding.verdict) for finding in result.findings]
    counted = {str(verdict): verdicts.count(str(verdict)) for verdict in Verdict}
    yield confirm("counts", dict(data["counts"]) == counted, "of the findings by verdict")
    code = _exit_code(result)
    yield confirm("exit code", data["exit_code"] == code, f"{data['exit_code']}, should be {code}")
    known = set(project.vehicles)
    strange = [name for name in result.vehicles if name not in known]
    yield confirm("vehicles", not strange, f"of the project: {', '.join(strange) or 'all'}")
    yield from left_out(result, project)


def _exit_code(result: Result) -> int:
    codes = set()
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        found = {_EXIT.get(str(finding.verdict), 0) for finding in mine}
        extra = {"waived": ("waived",), "remark": ("waived", "not applicable")}
        if any(str(f.verdict) in extra.get(result.fail_level, ()) for f in mine):
            found.add(1)
        good = any(str(f.verdict) in ("pass", "waived") and not f.about_input for f in mine)
        worst = next((code for code in (2, 1, 4) if code in found), 0 if good else 3)
        codes.add(worst)
    return next((code for code in _WORST_FIRST if code in codes), 3)

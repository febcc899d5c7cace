"""A re-check as text for the terminal and as JSON."""

from __future__ import annotations

import json
from typing import Any, TextIO

from geomcheck.verify.claims import Claim, Recheck, Report, Status

_SIGN = {Status.CONTRADICTED: "▼", Status.OPEN: "◆", Status.CONFIRMED: "●"}


def show_rechecks(report: Report, out: TextIO, *, show_all: bool = False) -> None:
    """Write a re-check: what is contradicted in full, the rest as one row for each check.

    Parameters
    ----------
    report : Report
    out : text stream
    show_all : bool
        Every claim of every finding.
    """
    for claim in report.whole:
        if show_all or claim.status is not Status.CONFIRMED:
            out.write(f"{_claim(claim)}\n")
    for one in report.findings:
        if show_all or one.status is Status.CONTRADICTED:
            _finding(one, out, show_all)
    out.write(f"{'check':<18}{'confirmed':>11}{'contradicted':>14}{'not re-checked':>16}  \n")
    for code in sorted({one.finding.code for one in report.findings}):
        mine = [one.status for one in report.findings if one.finding.code == code]
        counts = [mine.count(s) for s in (Status.CONFIRMED, Status.CONTRADICTED, Status.OPEN)]
        out.write(f"{code:<18}{counts[0]:>11}{counts[1]:>14}{counts[2]:>16}\n")
    reasons = _reasons(report)
    if reasons:
        out.write("\nNot re-checked, and not counted as confirmed:\n")
        for (code, what, why), count in reasons.items():
            out.write(f"  {count:>4} x {code}, {what}: {why}\n")
    out.write(f"\n{_summary(report)}\n")


def _finding(one: Recheck, out: TextIO, show_all: bool) -> None:
    finding = one.finding
    out.write(
        f"{_SIGN[one.status]} {one.status}  {finding.code}  {finding.vehicle}: "
        f"{finding.subject} ({finding.verdict})\n"
    )
    for claim in one.claims:
        if show_all or claim.status is not Status.CONFIRMED:
            out.write(f"    {_claim(claim)}\n")


def _claim(claim: Claim) -> str:
    return f"{_SIGN[claim.status]} {claim.status}: {claim.what}, {claim.words}"


def _reasons(report: Report) -> dict[tuple[str, str, str], int]:
    """Why claims were left open, with how often; figures taken out so that like goes with like."""
    found: dict[tuple[str, str, str], int] = {}
    for one in report.findings:
        for claim in one.claims:
            if claim.status is Status.OPEN:
                key = (one.finding.code, claim.what, claim.words)
                found[key] = found.get(key, 0) + 1
    return dict(sorted(found.items()))


def _summary(report: Report) -> str:
    counts = {status: len(report.of(status)) for status in Status}
    wrong = counts[Status.CONTRADICTED] + sum(c.status is Status.CONTRADICTED for c in report.whole)
    text = (
        f"{len(report.findings)} findings: {counts[Status.CONFIRMED]} confirmed, "
        f"{wrong} contradicted, {counts[Status.OPEN]} not re-checked or not in full. "
    )
    if report.exit_code == 1:
        return text + "Exit code 1: the result does not agree with the meshes."
    if report.exit_code == 3:
        return text + "Exit code 3: there is nothing to re-check."
    if report.exit_code == 4:
        return text + "Exit code 4: nothing is contradicted, but not all could be re-checked."
    return text + "Exit code 0: all is confirmed."


def rechecks_text(report: Report) -> str:
    """The re-check as indented JSON text, ending in a line feed."""
    data: dict[str, Any] = {
        "schema": "geomcheck recheck",
        "schema_version": 1,
        "exit_code": report.exit_code,
        "counts": {str(status): len(report.of(status)) for status in Status},
        "whole": [_claim_data(claim) for claim in report.whole],
        "findings": [
            {
                "code": one.finding.code,
                "vehicle": one.finding.vehicle,
                "subject": one.finding.subject,
                "verdict": str(one.finding.verdict),
                "status": str(one.status),
                "claims": [_claim_data(claim) for claim in one.claims],
            }
            for one in report.findings
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _claim_data(claim: Claim) -> dict[str, str]:
    return {"what": claim.what, "status": str(claim.status), "words": claim.words}

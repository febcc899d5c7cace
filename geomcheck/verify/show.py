"""A re-check as text for the terminal and as JSON."""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import Any, TextIO

from geomcheck.verify.claims import Claim, Recheck, Report, Status

#: A figure in a sentence.
_FIGURE = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?![\w.]*\w)")
_SIGN = {Status.CONTRADICTED: "▼", Status.OPEN: "◆", Status.CONFIRMED: "●"}


def show_rechecks(report: Report, out: TextIO, *, show_all: bool = False) -> None:
    """Write a re-check, worst first: what is contradicted, what stays open and why, what holds.

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
    for status in Status:
        for one in report.of(status):
            if show_all or status is Status.CONTRADICTED:
                _finding(one, out, show_all)
    reasons = _reasons(report)
    if reasons:
        out.write("Not re-checked, and not counted as confirmed:\n")
        for count, words in reasons:
            out.write(f"  {count:>4} x {words}\n")
        out.write("\n")
    _table(report, out)
    out.write(f"\n{_summary(report)}\n")


def _table(report: Report, out: TextIO) -> None:
    """One row for each check, the worst first."""
    wide = 2 + max((len(one.finding.code) for one in report.findings), default=16)
    out.write(f"{'check':<{wide}}{'contradicted':>13}{'not re-checked':>16}{'confirmed':>11}\n")
    rows: list[tuple[str, int, int, int]] = []
    for code in sorted({one.finding.code for one in report.findings}):
        mine = [one.status for one in report.findings if one.finding.code == code]
        wrong, left, good = (mine.count(status) for status in Status)
        rows.append((code, wrong, left, good))
    for code, wrong, left, good in sorted(rows, key=lambda row: (-row[1], -row[2], row[0])):
        out.write(f"{code:<{wide}}{wrong:>13}{left:>16}{good:>11}\n")


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


def _reasons(report: Report) -> list[tuple[int, str]]:
    """Why claims were left open, most often first; what differs in figures alone goes together."""
    found: dict[str, Counter[str]] = {}
    for one in report.findings:
        for claim in one.claims:
            if claim.status is Status.OPEN:
                words = f"{one.finding.code}, {claim.what}: {claim.words}"
                found.setdefault(_FIGURE.sub("...", words), Counter())[words] += 1
    rows = [(told.total(), next(iter(told)) if len(told) == 1 else k) for k, told in found.items()]
    return sorted(rows, key=lambda row: (-row[0], row[1]))


def _summary(report: Report) -> str:
    counts = {status: len(report.of(status)) for status in Status}
    wrong = counts[Status.CONTRADICTED] + sum(c.status is Status.CONTRADICTED for c in report.whole)
    claims = len(report.whole) + sum(len(one.claims) for one in report.findings)
    text = (
        f"{len(report.findings)} findings, {claims} claims: {wrong} contradicted, "
        f"{counts[Status.OPEN]} not re-checked or not in full, "
        f"{counts[Status.CONFIRMED]} confirmed. "
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

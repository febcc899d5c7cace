"""The result as SARIF 2.1.0 (OASIS standard, 27 March 2020), for code-review and CI servers.

One result for each finding that did not pass. Code-scanning servers take every result for an
alert, whatever its kind: passes and remarks are counted in the run's properties, and stand in the
JSON result. What the standard calls the kind of a result says the verdict: ``fail`` with
level ``error`` for a fail or an error, ``open`` for an undecided question ("insufficient
information to decide", 3.27.9). A waived finding is
a fail that is suppressed, with its reason. Each is anchored at the line of the project file that
asked. The fingerprint holds what was asked, never a value or a line: it stays the same while a
gap grows, or while lines are added above the entry.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any
from urllib.parse import quote

from geomcheck.finding import SEVERITY, Finding, Result, Verdict
from geomcheck.reports.json import rounded
from geomcheck.reports.words import (
    count_verdicts,
    exit_meaning,
    format_quantity,
    format_requirement,
)

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json"
#: Part of a fingerprint's name: raised when its recipe changes.
FINGERPRINT = "geomcheckQuestion/v1"

#: Most results of a run that code-scanning servers accept; of more they refuse the whole file
#: (docs.github.com, "SARIF support for code scanning", read in November 2026).
MOST_RESULTS = 25_000

_KIND = {
    Verdict.FAIL: "fail",
    Verdict.ERROR: "fail",
    Verdict.WAIVED: "fail",
    Verdict.UNDECIDED: "open",
}


def to_sarif(result: Result, checks: Mapping[str, tuple[str, str]], *, uri: str = "") -> str:
    """The result as SARIF text, ending in a line feed.

    Parameters
    ----------
    result : Result
    checks : mapping of str to (str, str)
        Title and explanation of each check, by code.
    uri : str
        The project file's path as the server knows it: relative to the root of the repository,
        with forward slashes. Default: the file's name.
    """
    codes = sorted({*checks, *(finding.code for finding in result.findings)})
    where = quote(uri or result.file, safe="/", errors="surrogateescape")
    told = sorted(
        (finding for finding in result.findings if finding.verdict in _KIND),
        key=lambda finding: SEVERITY.index(finding.verdict),
    )
    invocation: dict[str, Any] = {
        "executionSuccessful": result.exit_code != 2,
        "exitCode": result.exit_code,
        "exitCodeDescription": exit_meaning(result.exit_code),
    }
    if len(told) > MOST_RESULTS:
        text = (
            f"{len(told)} findings did not pass; the worst {MOST_RESULTS} are told here, as many "
            "as code-scanning servers take. The JSON result has all."
        )
        invocation["toolExecutionNotifications"] = [{"level": "warning", "message": {"text": text}}]
    run = {
        "tool": {
            "driver": {
                "name": "geomcheck",
                "version": result.version,
                "rules": [_rule(code, *checks.get(code, (code, code))) for code in codes],
            }
        },
        "columnKind": "unicodeCodePoints",
        "artifacts": [{"location": {"uri": where}}],
        "invocations": [invocation],
        "results": [
            _result(finding, codes.index(finding.code), where) for finding in told[:MOST_RESULTS]
        ],
        "properties": {
            "verdicts": {
                verdict.value: count for verdict, count in count_verdicts(result.findings).items()
            }
        },
    }
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}
    return json.dumps(log, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def fingerprint(finding: Finding) -> str:
    """What was asked, as a hash: check, vehicle, subject and part, but no value and no line.

    Findings that share all of these (restrictions of one duct, say) share it too.
    """
    blamed = finding.parts[-1] if finding.parts else ""
    asked = json.dumps([finding.code, finding.vehicle, finding.subject, blamed])
    return hashlib.sha256(asked.encode("utf-8", "surrogateescape")).hexdigest()[:32]


def _rule(code: str, title: str, text: str) -> dict[str, Any]:
    return {
        "id": code,
        "name": title,
        "shortDescription": {"text": title},
        "fullDescription": {"text": text.partition("\n")[0] or title},
        "help": {"text": text or title},
        "defaultConfiguration": {"level": "error"},
    }


def _result(finding: Finding, rule: int, uri: str) -> dict[str, Any]:
    kind = _KIND[finding.verdict]
    location: dict[str, Any] = {
        "physicalLocation": {"artifactLocation": {"uri": uri, "index": 0}},
        "logicalLocations": [
            {"name": name, "fullyQualifiedName": f"{finding.vehicle}/{name}", "kind": "object"}
            for name in finding.parts
        ],
    }
    entry = finding.entry
    if entry is not None:
        if entry.line is not None:
            location["physicalLocation"]["region"] = {"startLine": entry.line}
        location["message"] = {"text": entry.entry}
    found: dict[str, Any] = {
        "ruleId": finding.code,
        "ruleIndex": rule,
        "kind": kind,
        "level": "error" if kind == "fail" else "none",
        "message": {"text": _text(finding)},
        "locations": [location],
        "partialFingerprints": {FINGERPRINT: fingerprint(finding)},
        "properties": _properties(finding),
    }
    if finding.verdict is Verdict.WAIVED:
        reason = finding.details.get("waiver")
        said = reason.get("reason", "") if isinstance(reason, Mapping) else ""
        found["suppressions"] = [
            {"kind": "external", "status": "accepted", "justification": said or "waived"}
        ]
    return found


def _text(finding: Finding) -> str:
    parts = [f"{finding.vehicle}, {finding.subject}: {finding.verdict.value}. {finding.message}"]
    if finding.remedy:
        parts.append(f"Do: {finding.remedy}")
    if finding.caution:
        parts.append(f"Caution: {finding.caution}")
    return " ".join(parts)


def _properties(finding: Finding) -> dict[str, Any]:
    data: dict[str, Any] = {
        "verdict": str(finding.verdict),
        "vehicle": finding.vehicle,
        "subject": finding.subject,
        "witnesses": [asdict(witness) for witness in finding.witnesses],
    }
    if finding.quantity is not None:
        quantity = finding.quantity
        data["measured"] = format_quantity(quantity, finding.requirement, ascii_only=True)
        data["quantity"] = {
            "name": quantity.name,
            "value": quantity.value,
            "unit": quantity.unit,
            "low": quantity.low,
            "high": quantity.high,
        }
    if finding.requirement is not None:
        data["required"] = format_requirement(finding.requirement, ascii_only=True)
    rounded_data: dict[str, Any] = rounded(data)
    return rounded_data

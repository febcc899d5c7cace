"""Results as JSON data and back, to the last bit.

The JSON report rounds its numbers; what is kept here must not. A result of a run passes through
these functions whether it is kept or not, so that one that was recalled has the very same types.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from geomcheck.finding import (
    EntryRef,
    Finding,
    PartSummary,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    Witness,
)


def to_findings(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    """Findings as JSON data, as it comes back from disk; see :func:`from_findings`."""
    found = [_finding(finding) for finding in findings]
    data: list[dict[str, Any]] = json.loads(json.dumps(found, default=_number))
    return data


def from_findings(data: Iterable[Mapping[str, Any]]) -> tuple[Finding, ...]:
    """Findings from data; KeyError, TypeError or ValueError where it is none."""
    return tuple(_read(one) for one in data)


def to_result(result: Result) -> dict[str, Any]:
    """A result as data, but for its fail level, which each run chooses."""
    return {
        "project": result.project,
        "file": result.file,
        "version": result.version,
        "vehicles": list(result.vehicles),
        "parts": {name: [asdict(part) for part in rows] for name, rows in result.parts.items()},
        "findings": to_findings(result.findings),
    }


def from_result(data: Mapping[str, Any]) -> Result:
    """A result from data; KeyError, TypeError or ValueError where it is none."""
    return Result(
        project=data["project"],
        file=data["file"],
        version=data["version"],
        vehicles=tuple(data["vehicles"]),
        parts={
            name: tuple(PartSummary(**row | {"size": tuple(row["size"])}) for row in rows)
            for name, rows in data["parts"].items()
        },
        findings=from_findings(data["findings"]),
    )


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "verdict": finding.verdict.value,
        "vehicle": finding.vehicle,
        "subject": finding.subject,
        "parts": list(finding.parts),
        "message": finding.message,
        "remedy": finding.remedy,
        "quantity": None if finding.quantity is None else asdict(finding.quantity),
        "requirement": None if finding.requirement is None else asdict(finding.requirement),
        "witnesses": [
            [witness.label, witness.part, *map(float, witness.point)]
            for witness in finding.witnesses
        ],
        "view": None if finding.view is None else [float(x) for x in finding.view],
        "entry": None if finding.entry is None else asdict(finding.entry),
        "caution": finding.caution,
        "about_input": bool(finding.about_input),
        "details": finding.details if type(finding.details) is dict else dict(finding.details),
    }


def _read(data: Mapping[str, Any]) -> Finding:
    quantity, requirement = data["quantity"], data["requirement"]
    return Finding(
        code=data["code"],
        verdict=Verdict(data["verdict"]),
        vehicle=data["vehicle"],
        subject=data["subject"],
        parts=tuple(data["parts"]),
        message=data["message"],
        remedy=data["remedy"],
        quantity=None
        if quantity is None
        else Quantity(**quantity | {"terms": tuple(Term(**term) for term in quantity["terms"])}),
        requirement=None if requirement is None else Requirement(**requirement),
        witnesses=tuple(
            Witness(label, part, (x, y, z)) for label, part, x, y, z in data["witnesses"]
        ),
        view=None if data["view"] is None else _point(data["view"]),
        entry=None if data["entry"] is None else EntryRef(**data["entry"]),
        caution=data["caution"],
        about_input=data["about_input"],
        details=data["details"],
    )


def _point(data: Any) -> tuple[float, float, float]:
    x, y, z = data
    return (x, y, z)


def _number(value: Any) -> Any:
    """A number of numpy's as one of Python's."""
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{value!r} is no JSON type")

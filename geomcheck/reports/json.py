"""The result as JSON, by the schema in ``result.schema.json`` beside this file.

Numbers are rounded to a millionth of their unit, keys stand in a fixed order, and there is no
time stamp: the same input gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from importlib import resources
from typing import Any

from geomcheck.finding import Finding, Quantity, Result, Verdict

#: Raised when a key changes its meaning or goes; new keys alone do not raise it.
SCHEMA_VERSION = 1
DECIMALS = 6


def to_json(result: Result) -> str:
    """The whole result as indented JSON text, ending in a line feed.

    Examples
    --------
    >>> text = to_json(Result("p", "p.toml", "0", (), {}, ()))
    >>> '"exit_code": 3' in text
    True
    """
    return json.dumps(to_data(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def to_data(result: Result) -> dict[str, Any]:
    """The result in JSON types; ``result.schema.json`` documents every key."""
    counts = {str(verdict): 0 for verdict in Verdict}
    for finding in result.findings:
        counts[str(finding.verdict)] += 1
    return {
        "schema": "geomcheck result",
        "schema_version": SCHEMA_VERSION,
        "geomcheck": result.version,
        "project": result.project,
        "file": result.file,
        "exit_code": result.exit_code,
        "counts": counts,
        "units": {"length": "mm", "angle": "deg", "frame": "housing"},
        "vehicles": list(result.vehicles),
        "parts": {
            vehicle: [_rounded(asdict(part)) for part in parts]
            for vehicle, parts in result.parts.items()
        },
        "findings": [_finding(finding) for finding in result.findings],
    }


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) the output follows."""
    text = resources.files(__package__).joinpath("result.schema.json").read_text("utf-8")
    data: dict[str, Any] = json.loads(text)
    return data


def _finding(finding: Finding) -> dict[str, Any]:
    requirement = finding.requirement
    data = {
        "code": finding.code,
        "verdict": str(finding.verdict),
        "vehicle": finding.vehicle,
        "subject": finding.subject,
        "parts": list(finding.parts),
        "message": finding.message,
        "remedy": finding.remedy,
        "caution": finding.caution,
        "about_input": finding.about_input,
        "quantity": _quantity(finding.quantity) if finding.quantity else None,
        "requirement": asdict(requirement) if requirement else None,
        "witnesses": [asdict(witness) for witness in finding.witnesses],
        "view": finding.view,
        "entry": asdict(finding.entry) if finding.entry else None,
        "details": dict(finding.details),
    }
    rounded: dict[str, Any] = _rounded(data)
    return rounded


def _quantity(quantity: Quantity) -> dict[str, Any]:
    return {
        "name": quantity.name,
        "value": quantity.value,
        "unit": quantity.unit,
        "low": quantity.low,
        "high": quantity.high,
        "terms": [asdict(term) for term in quantity.terms],
    }


def _rounded(value: Any) -> Any:
    """Round every float; -0.0 becomes 0.0, so that a sign of nothing cannot change the bytes."""
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0
    if isinstance(value, Mapping):
        return {str(key): _rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(inner) for inner in value]
    return value

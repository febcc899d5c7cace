"""The gap that a project file requires of two parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geomcheck.finding import Finding
from geomcheck.project.load import Project


def limit_of_gap(project: Project, finding: Finding) -> float | None:
    """The gap the project file requires of a pair, mm; None where it says nothing."""
    table: Mapping[str, Any] = project.document.check.get("fit-gap", {})
    for pair in _rows(table.get("pair")):
        here = pair.get("vehicle") in (None, finding.vehicle)
        if here and set(pair.get("parts", ())) == set(finding.parts):
            return float(pair["required"])
    document = project.document
    for part in (
        *document.parts,
        *(p for v in document.vehicles if v.name == finding.vehicle for p in v.parts),
    ):
        if part.name == finding.parts[-1]:
            required: Any = table.get("required", {})
            return float(required[part.kind]) if part.kind in required else None
    return None


def _rows(value: Any) -> list[Mapping[str, Any]]:
    return list(value) if isinstance(value, list | tuple) else []

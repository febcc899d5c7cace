"""What changed between two results, as JSON, and as a page with the area curves laid over."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from geomcheck.compare.areas import curves
from geomcheck.compare.changes import Change, Comparison, Kind
from geomcheck.finding import Finding, Quantity
from geomcheck.reports.cards import style_of
from geomcheck.reports.changes import MARKS, STYLES, curve_words, row, sentence
from geomcheck.reports.files import write_text
from geomcheck.reports.json import rounded
from geomcheck.reports.page import data_address, render
from geomcheck.reports.words import format_text

SCHEMA_VERSION = 1


def comparison_json(comparison: Comparison, exit_code: int) -> str:
    """A comparison as JSON text; every change, in the order of the comparison."""
    data = {
        "schema": "geomcheck comparison",
        "schema_version": SCHEMA_VERSION,
        "exit_code": exit_code,
        "old": {"project": comparison.old.project, "file": comparison.old.file},
        "new": {"project": comparison.new.project, "file": comparison.new.file},
        "changes": [_data(change) for change in comparison.changes],
        "curves": [
            {
                "vehicle": c.vehicle,
                "subject": c.subject,
                "comparable": c.comparable,
                "loss": c.loss,
                "gain": c.gain,
            }
            for c in curves(comparison)
        ],
    }
    text = json.dumps(rounded(data), indent=2, ensure_ascii=False, allow_nan=False)
    return f"{text}\n"


def _data(change: Change) -> dict[str, Any]:
    finding = change.finding
    return {
        "kind": change.kind.value,
        "code": finding.code,
        "vehicle": finding.vehicle,
        "subject": finding.subject,
        "old": _side(change.old),
        "new": _side(change.new),
        "change": None if change.change is None else _bounds(change.change),
    }


def _side(finding: Finding | None) -> dict[str, Any] | None:
    if finding is None:
        return None
    return {
        "verdict": str(finding.verdict),
        "quantity": None if finding.quantity is None else _bounds(finding.quantity),
        "requirement": None if finding.requirement is None else asdict(finding.requirement),
        "message": finding.message,
    }


def _bounds(quantity: Quantity) -> dict[str, Any]:
    return {key: getattr(quantity, key) for key in ("name", "value", "unit", "low", "high")}


def write_comparison(comparison: Comparison, path: Path, exit_code: int) -> None:
    """Write the page of a comparison, whole or not at all.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    from geomcheck.reports.curves import area_curve

    drawn = []
    for curve in curves(comparison):
        svg = area_curve(curve.finding, earlier=curve.old) or ""
        picture = data_address(svg.encode("utf-8"), "image/svg+xml")
        drawn.append((curve, format_text(curve_words(curve)), picture))
    vehicles = dict.fromkeys([*comparison.new.vehicles, *comparison.old.vehicles])
    changed = [change for change in comparison.changes if change.kind is not Kind.SAME]
    tables = [
        (vehicle, [row(change) for change in changed if change.finding.vehicle == vehicle])
        for vehicle in vehicles
    ]
    text = render(
        "compare.html",
        old=comparison.old,
        new=comparison.new,
        sentence=sentence(comparison),
        exit_code=exit_code,
        worst=style_of(STYLES[changed[0].kind]) if changed else "pass",
        symbol=MARKS[changed[0].kind][0] if changed else "●",
        tables=tables,
        curves=drawn,
    )
    write_text(path, text)

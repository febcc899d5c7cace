"""What changed between two results, as JSON, and as a page with the area curves laid over."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from geomcheck.compare.areas import curves
from geomcheck.compare.changes import Change, Comparison, Kind
from geomcheck.compare.flows import flow_changes
from geomcheck.compare.shapes import PartChange
from geomcheck.compare.tools import tool_changes
from geomcheck.finding import Finding
from geomcheck.project.assembly import Assembly
from geomcheck.reports.cards import style_of
from geomcheck.reports.changes import MARKS, STYLES, curve_words, row, sentence
from geomcheck.reports.changes_data import bounds, flow_data, part_data, tool_data
from geomcheck.reports.changes_words import (
    MOST,
    amounts,
    flows_told,
    headline,
    there,
    title,
    tools_told,
    what,
)
from geomcheck.reports.files import write_text
from geomcheck.reports.json import rounded
from geomcheck.reports.page import data_address, render
from geomcheck.reports.still.pair import HEIGHT, WIDTH, before_and_after, change_pictures
from geomcheck.reports.words import format_text

SCHEMA_VERSION = 1
#: Changes elsewhere than in a moved region that get pictures.
_WORST = 6


def comparison_json(
    comparison: Comparison, exit_code: int, parts: Sequence[PartChange] = ()
) -> str:
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
        "parts": [part_data(part) for part in parts],
        "tools": [tool_data(tool) for tool in tool_changes(comparison)],
        "flows": [flow_data(flow) for flow in flow_changes(comparison)],
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
        "change": bounds(change.change),
    }


def _side(finding: Finding | None) -> dict[str, Any] | None:
    if finding is None:
        return None
    return {
        "verdict": str(finding.verdict),
        "quantity": bounds(finding.quantity),
        "requirement": None if finding.requirement is None else asdict(finding.requirement),
        "message": finding.message,
    }


def write_comparison(
    comparison: Comparison,
    path: Path,
    exit_code: int,
    *,
    parts: Sequence[PartChange] = (),
    assemblies: tuple[Mapping[str, Assembly], Mapping[str, Assembly]] | None = None,
) -> None:
    """Write the page of a comparison, whole or not at all.

    Parameters
    ----------
    comparison : Comparison
    path : Path
    exit_code : int
    parts : sequence of PartChange
    assemblies : (mapping, mapping) or None
        Of both revisions, by vehicle, for the pictures; None for none.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    from geomcheck.reports.curves import area_curve

    # Vehicles whose curves are the same go together.
    alike: dict[tuple[str, str, str], list[str]] = {}
    for curve in curves(comparison):
        svg = area_curve(curve.finding, earlier=curve.old) or ""
        picture = data_address(svg.encode("utf-8"), "image/svg+xml")
        key = (curve.subject, format_text(curve_words(curve)), picture)
        alike.setdefault(key, []).append(curve.vehicle)
    drawn = [(", ".join(names), *key) for key, names in alike.items()]
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
        pair_width=WIDTH,
        pair_height=HEIGHT,
        parts=[_part(part, assemblies) for part in parts],
        tools=[(*told[:2], [format_text(t) for t in told[2]]) for told in tools_told(comparison)],
        flows=[(*told[:2], [format_text(t) for t in told[2]]) for told in flows_told(comparison)],
        elsewhere=_elsewhere(comparison, parts, assemblies),
    )
    write_text(path, text)


def _part(
    part: PartChange, assemblies: tuple[Mapping[str, Assembly], Mapping[str, Assembly]] | None
) -> dict[str, Any]:
    """A part as the page shows it: words, and of each region a picture of then and of now."""
    shown = []
    for number, moved in enumerate(part.moved[:MOST], 1):
        pictures = None if assemblies is None else before_and_after(part, moved, *assemblies)
        shown.append(
            {
                "number": number,
                "title": title(moved),
                "what": format_text(what(moved.region)),
                "there": [format_text(text) for text in there(moved.changes)],
                "pictures": None
                if pictures is None
                else [data_address(png, "image/png") for png in pictures],
            }
        )
    return {
        "name": part.name,
        "headline": format_text(headline(part)),
        "amounts": [format_text(text) for text in amounts(part)],
        "regions": shown,
        "left_out": max(0, len(part.moved) - MOST),
    }


def _elsewhere(
    comparison: Comparison,
    parts: Sequence[PartChange],
    assemblies: tuple[Mapping[str, Assembly], Mapping[str, Assembly]] | None,
) -> list[tuple[str, str, list[str]]]:
    """The worst changes that no picture of a region shows: title, words, two pictures."""
    if assemblies is None:
        return []
    shown = {id(c) for part in parts for moved in part.moved[:MOST] for c in moved.changes}
    found: list[tuple[str, str, list[str]]] = []
    drawn: set[tuple[str, frozenset[str]]] = set()
    for change in comparison.of(Kind.BROKEN, Kind.NEW, Kind.WORSE):
        finding = change.finding
        # One place is drawn once, whatever else is asked of the same parts.
        here = (finding.vehicle, frozenset(finding.parts))
        if id(change) in shown or here in drawn or len(found) == _WORST:
            continue
        pictures = change_pictures(change, *assemblies)
        if pictures is not None:
            drawn.add(here)
            words = row(change)
            head = f"{words.vehicle}, {words.subject}: {words.word}"
            found.append(
                (head, words.message, [data_address(png, "image/png") for png in pictures])
            )
    return found

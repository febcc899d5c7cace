"""Which screw lost or won which tool."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geomcheck.compare.changes import Comparison
from geomcheck.finding import Finding

_PASS = "pass"
#: Verdicts of a tool that was asked.
_ASKED = (_PASS, "fail", "undecided")


@dataclass(frozen=True)
class ToolChange:
    """Tools of one screw that served and do not now, or the other way.

    Parameters
    ----------
    finding : Finding
        Of the later result.
    lost : tuple of (str, str)
        Tool, and what stops it now, ending in ``(not sure)`` where that is undecided.
    won : tuple of (str, str)
        Tool, and what stopped it.
    left : int
        Tools that serve now.
    """

    finding: Finding
    lost: tuple[tuple[str, str], ...]
    won: tuple[tuple[str, str], ...]
    left: int

    @property
    def vehicle(self) -> str:
        """The finding's vehicle."""
        return self.finding.vehicle

    @property
    def subject(self) -> str:
        """The finding's subject."""
        return self.finding.subject


def tool_changes(comparison: Comparison) -> list[ToolChange]:
    """Screws of which a tool that was asked in both results changed sides; most lost first."""
    found = []
    for change in comparison.changes:
        if change.old is None or change.new is None:
            continue
        was, now = _tools(change.old), _tools(change.new)
        both = [name for name in now if name in was]
        lost = tuple(
            (name, _stopped(now[name]))
            for name in both
            if was[name]["verdict"] == _PASS and now[name]["verdict"] != _PASS
        )
        won = tuple(
            (name, _stopped(was[name]))
            for name in both
            if was[name]["verdict"] != _PASS and now[name]["verdict"] == _PASS
        )
        if lost or won:
            left = sum(row["verdict"] == _PASS for row in now.values())
            found.append(ToolChange(change.new, lost, won, left))
    found.sort(key=lambda c: (c.left > 0 or not c.lost, -len(c.lost), c.vehicle, c.subject))
    return found


def _tools(finding: Finding) -> dict[str, Mapping[str, Any]]:
    """Rows of the tools that were asked, by name."""
    rows = finding.details.get("tools") if finding.code == "fasten-reach" else None
    if not isinstance(rows, list | tuple):
        return {}
    return {
        str(row["tool"]): row
        for row in rows
        if isinstance(row, Mapping) and row.get("verdict") in _ASKED and "tool" in row
    }


def _stopped(row: Mapping[str, Any]) -> str:
    text = str(row.get("stopped") or "")
    return f"{text} (not sure)".strip() if row["verdict"] == "undecided" else text

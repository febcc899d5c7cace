"""The result as text for a person at a terminal.

What needs doing comes first and in full; the passes of a check are one line, with the one nearest
to its limit. On a terminal the text is
wrapped and coloured (``NO_COLOR`` is honoured); piped output is plain lines, never cropped.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TextIO

from geomcheck.finding import EntryRef, Finding, Result, Verdict
from geomcheck.reports.matrix import ROOMS, Cell, matrix
from geomcheck.reports.words import (
    exit_meaning,
    format_quantity,
    format_requirement,
    format_text,
    plural,
    sentence_of_counts,
    verdict_symbol,
    verdict_word,
)

_STYLE = {
    Verdict.PASS: "cyan",
    Verdict.FAIL: "bold yellow",
    Verdict.UNDECIDED: "bold magenta",
    Verdict.WAIVED: "blue",
    Verdict.ERROR: "bold reverse",
    Verdict.NOT_APPLICABLE: "dim",
}
# Names come from users' files; control characters in them could rewrite the screen.
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)


@dataclass(frozen=True)
class Line:
    """One line: its text, how far it is indented, and how it looks on a terminal."""

    text: str
    indent: int = 0
    style: str = ""


def show(result: Result, stream: TextIO, *, show_all: bool = False) -> None:
    """Print the result to ``stream``: wrapped and coloured on a terminal, else plain.

    Parameters
    ----------
    result : Result
    stream : text stream
    show_all : bool
        Show every pass and remark in full, too.
    """
    write_lines(report_lines(result, show_all=show_all, ascii_only=needs_ascii(stream)), stream)


def needs_ascii(stream: TextIO) -> bool:
    """Whether a stream cannot show the signs of the verdicts and units."""
    return not _can_show(stream, "".join(verdict_symbol(v) for v in Verdict) + "\u00b2")


def write_lines(lines: Iterable[Line], stream: TextIO) -> None:
    """Print lines: wrapped and coloured on a terminal, else plain."""
    lines = [replace(line, text=_CONTROL.sub("?", line.text)) for line in lines]
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        for line in lines:
            stream.write((" " * line.indent + line.text).rstrip() + "\n")
        return
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(file=stream, highlight=False)
    for line in lines:
        console.print(Padding(Text(line.text, style=line.style), (0, 0, 0, line.indent)))


def report_lines(
    result: Result, *, show_all: bool = False, ascii_only: bool = False
) -> Iterator[Line]:
    """The report, line by line."""
    yield Line(f"{result.project} ({result.file}, geomcheck {result.version})", style="bold")
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        yield Line("")
        yield Line(f"{vehicle}: {sentence_of_counts(mine)}", style="bold")
        yield from _vehicle(mine, show_all, ascii_only)
    if len(result.vehicles) > 1:
        yield Line("")
        yield from _matrix(result, ascii_only)
    yield Line("")
    yield Line(
        f"{sentence_of_counts(result.findings)} Exit code {result.exit_code}: "
        f"{exit_meaning(result.exit_code)}.",
        style="bold",
    )


def _matrix(result: Result, ascii_only: bool) -> Iterator[Line]:
    """Vehicles against rooms, the worst vehicle first: the worst verdict of each, how many open."""
    laid = matrix(result)
    rows: list[list[str]] = [["", *(ROOMS[room] for room in laid.rooms)]]
    for row in laid.rows:
        rows.append([row.vehicle, *(_cell(cell, ascii_only) for cell in row.cells)])
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    for texts in rows:
        yield Line("  ".join(f"{x:<{w}}" for x, w in zip(texts, widths, strict=True)).rstrip())


def _cell(cell: Cell, ascii_only: bool) -> str:
    if cell.worst is None:
        return "not asked"
    symbol = verdict_symbol(cell.worst, ascii_only=ascii_only)
    count = f"{cell.open} of {cell.asked}" if cell.open else f"{cell.asked}"
    return f"{symbol} {verdict_word(cell.worst)}, {count}"


def _vehicle(findings: list[Finding], show_all: bool, ascii_only: bool) -> Iterator[Line]:
    full = [finding for finding in findings if show_all or finding.verdict in _OPEN]
    brief = [finding for finding in findings if finding not in full]
    for finding in full:
        yield Line("")
        yield _headline(finding, ascii_only)
        yield from _body(finding, ascii_only)
    passed = [finding for finding in brief if finding.verdict is Verdict.PASS]
    others = [finding for finding in brief if finding.verdict is not Verdict.PASS]
    if brief:
        yield Line("")
    for finding in others:
        yield _headline(finding, ascii_only)
    for code in sorted({finding.code for finding in passed}):
        yield _passes([finding for finding in passed if finding.code == code], ascii_only)


def _passes(findings: list[Finding], ascii_only: bool) -> Line:
    """All passes of one check on one line, with the one nearest to its limit."""
    symbol = verdict_symbol(Verdict.PASS, ascii_only=ascii_only)
    code = findings[0].code
    text = f"{symbol} {verdict_word(Verdict.PASS)}  {code:<15}  {plural(len(findings), 'question')}"
    tightest = min(findings, key=_margin)
    if _margin(tightest) < math.inf:
        nearest = "" if len(findings) == 1 else "nearest to its limit: "
        text += f"; {nearest}{tightest.subject}, {_measured(tightest, ascii_only)}"
    return Line(text, 2, _STYLE[Verdict.PASS])


def _margin(finding: Finding) -> float:
    """How far inside its limit a pass is, as a share of the limit; infinite without numbers."""
    if finding.quantity is None or finding.requirement is None:
        return math.inf
    limit = finding.requirement.limit
    if finding.requirement.sense == "at least":
        inside = finding.quantity.low - limit
    else:
        inside = limit - finding.quantity.high
    return inside / abs(limit) if limit else inside


def _measured(finding: Finding, ascii_only: bool) -> str:
    """What was measured and what is required; empty where the question has no number."""
    if finding.quantity is None:
        return ""
    measured = format_quantity(finding.quantity, finding.requirement, ascii_only=ascii_only)
    text = f"{finding.quantity.name} {measured}"
    if finding.requirement is not None:
        text += f", required {format_requirement(finding.requirement, ascii_only=ascii_only)}"
    return text


def _headline(finding: Finding, ascii_only: bool) -> Line:
    symbol = verdict_symbol(finding.verdict, ascii_only=ascii_only)
    text = f"{symbol} {verdict_word(finding.verdict)}  {finding.code}  {finding.subject}"
    measured = _measured(finding, ascii_only)
    return Line(f"{text}  {measured}".rstrip(), 2, _STYLE[finding.verdict])


def _body(finding: Finding, ascii_only: bool) -> Iterator[Line]:
    yield Line(format_text(finding.message, ascii_only=ascii_only), 6)
    if finding.remedy:
        yield Line(f"Do: {format_text(finding.remedy, ascii_only=ascii_only)}", 6)
    if finding.caution:
        yield Line(f"Caution: {finding.caution}", 6, "italic")
    if finding.entry is not None:
        yield Line(f"asked in {_place(finding.entry)}", 6, "dim")


def _place(entry: EntryRef) -> str:
    line = f", line {entry.line}" if entry.line is not None else ""
    return f"{entry.file}{line}: {entry.entry}"


def _can_show(stream: TextIO, text: str) -> bool:
    try:
        text.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True

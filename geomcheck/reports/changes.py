"""What changed between two results, in words, and as text for a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TextIO

from geomcheck.compare.areas import CurveChange, curves
from geomcheck.compare.changes import Change, Comparison, Kind
from geomcheck.compare.shapes import PartChange
from geomcheck.finding import Finding, Quantity, Verdict
from geomcheck.reports.cards import style_of
from geomcheck.reports.changes_words import (
    MOST,
    amounts,
    flows_told,
    headline,
    merged,
    there,
    title,
    tools_told,
    what,
)
from geomcheck.reports.terminal import Line, needs_ascii, write_lines
from geomcheck.reports.words import (
    DECIMALS,
    format_number,
    format_quantity,
    format_requirement,
    format_text,
    format_unit,
    plural,
    verdict_word,
)

#: A mark that differs in shape for each kind, and the same in ASCII.
MARKS: dict[Kind, tuple[str, str]] = {
    Kind.BROKEN: ("▼", "X"),
    Kind.NEW: ("✚", "+"),
    Kind.WORSE: ("↘", "v"),
    Kind.UNCLEAR: ("◐", "?"),
    Kind.CHANGED: ("↔", "~"),
    Kind.BETTER: ("↗", "^"),
    Kind.MENDED: ("●", "="),
    Kind.GONE: ("○", "-"),
    Kind.SAME: ("–", " "),
}
STYLES: dict[Kind, Verdict] = {
    Kind.BROKEN: Verdict.FAIL,
    Kind.NEW: Verdict.WAIVED,
    Kind.WORSE: Verdict.FAIL,
    Kind.UNCLEAR: Verdict.UNDECIDED,
    Kind.CHANGED: Verdict.WAIVED,
    Kind.BETTER: Verdict.PASS,
    Kind.MENDED: Verdict.PASS,
    Kind.GONE: Verdict.WAIVED,
    Kind.SAME: Verdict.NOT_APPLICABLE,
}
_TERMINAL: dict[Verdict, str] = {
    Verdict.FAIL: "bold yellow",
    Verdict.UNDECIDED: "bold magenta",
    Verdict.PASS: "cyan",
    Verdict.WAIVED: "blue",
    Verdict.NOT_APPLICABLE: "dim",
}
_NOW: dict[Verdict, str] = {
    Verdict.FAIL: "now fails",
    Verdict.UNDECIDED: "now undecided",
    Verdict.ERROR: "now in error",
}


@dataclass(frozen=True)
class Row:
    """One change in words."""

    mark: str
    word: str
    style: str
    vehicle: str
    code: str
    subject: str
    was: str
    now: str
    change: str
    message: str


def row(change: Change, *, ascii_only: bool = False) -> Row:
    """A change in the words that text and page share."""
    finding = change.finding
    return Row(
        mark=MARKS[change.kind][1 if ascii_only else 0],
        word=_word(change),
        style=style_of(STYLES[change.kind]),
        vehicle=finding.vehicle,
        code=finding.code,
        subject=finding.subject,
        was=_measured(change.old, ascii_only),
        now=_measured(change.new, ascii_only),
        change="" if change.change is None else _signed(change.change, ascii_only),
        message=format_text(finding.message, ascii_only=ascii_only),
    )


def _word(change: Change) -> str:
    if change.new is not None and change.kind is Kind.BROKEN:
        return _NOW[change.new.verdict]
    if change.new is not None and change.kind is Kind.NEW:
        return f"new, {verdict_word(change.new.verdict)}"
    if change.kind is Kind.UNCLEAR:
        return f"undecided, {change.kind.value}"
    return change.kind.value


def _measured(finding: Finding | None, ascii_only: bool) -> str:
    if finding is None:
        return ""
    word = verdict_word(finding.verdict)
    if finding.quantity is None:
        return word
    value = format_quantity(finding.quantity, finding.requirement, ascii_only=ascii_only)
    return f"{value}, {word}"


def _signed(change: Quantity, ascii_only: bool) -> str:
    """``-0.50 mm (-0.62 .. -0.38)``."""
    unit = format_unit(change.unit, ascii_only=ascii_only)
    decimals = DECIMALS.get(change.unit, 3)
    ends = (change.value, change.low, change.high)
    while decimals < 6 and any(x != 0.0 and abs(x) < 0.5 * 10.0**-decimals for x in ends):
        decimals += 1
    value, low, high = (f"{'+' if x > 0 else ''}{format_number(x, decimals)}" for x in ends)
    space = "" if unit in ("°", "%", "") else " "
    return f"{value}{space}{unit} ({low} .. {high})"


def sentence(comparison: Comparison) -> str:
    """How many findings changed in which way."""
    counts = Counter(
        _word(change).partition(",")[0]
        for change in comparison.changes
        if change.kind is not Kind.SAME
    )
    same = len(comparison.of(Kind.SAME))
    if not counts:
        return f"Nothing changed in {plural(same, 'question')}."
    parts = [f"{count} {word}" for word, count in counts.items()]
    return f"{', '.join(parts)}, {same} the same."


def curve_words(curve: CurveChange) -> str:
    """The station that lost most area, and the one that won most."""
    if not curve.comparable:
        return "The paths differ, so stations do not answer to one another; see the least areas."
    texts = []
    for found, word in ((curve.loss, "loses"), (curve.gain, "gains")):
        if found is not None:
            s, area, percent = found
            texts.append(
                f"{word} most at {s:.2f} mm along the path: {abs(area):.1f} mm2 "
                f"({abs(percent):.2f} %)"
            )
    if not texts:
        return "No station's area changed."
    return f"Read from the meshes, the duct {' and '.join(texts)}."


def areas_told(comparison: Comparison) -> list[tuple[str, str, list[str]]]:
    """Vehicles, duct, and which of its stations lost and won most."""
    return merged((c.vehicle, c.subject, [curve_words(c)]) for c in curves(comparison))


def comparison_lines(
    comparison: Comparison,
    *,
    parts: Sequence[PartChange] = (),
    show_all: bool = False,
    ascii_only: bool = False,
) -> Iterator[Line]:
    """The comparison, line by line, worst first."""
    old, new = comparison.old, comparison.new
    yield Line(f"{old.project} ({old.file})  ->  {new.project} ({new.file})", style="bold")
    yield Line(sentence(comparison), style="bold")
    for part in parts:
        for line in _part_lines(part):
            yield Line(format_text(line.text, ascii_only=ascii_only), line.indent, line.style)
    vehicles = dict.fromkeys([*new.vehicles, *old.vehicles])
    for vehicle in vehicles:
        mine = [change for change in comparison.changes if change.finding.vehicle == vehicle]
        shown = [change for change in mine if show_all or change.kind is not Kind.SAME]
        if not shown:
            continue
        yield Line("")
        yield Line(f"{vehicle}:", style="bold")
        for change in shown:
            yield from _change_lines(change, ascii_only)
    for kind, told in (
        ("", areas_told),
        (", tools", tools_told),
        (", flow estimate", flows_told),
    ):
        for names, subject, texts in told(comparison):
            yield Line("")
            yield Line(f"{names}, {subject}{kind}:", style="bold")
            for text in texts:
                yield Line(format_text(text, ascii_only=ascii_only), 2)
    yield Line("")


def _part_lines(part: PartChange) -> Iterator[Line]:
    yield Line("")
    yield Line(headline(part), style="bold")
    for text in amounts(part):
        yield Line(text, 2)
    for number, moved in enumerate(part.moved[:MOST], 1):
        yield Line(f"{number}. {title(moved)}: {what(moved.region)}", 2, "bold")
        for text in there(moved.changes):
            yield Line(text, 6)
    if len(part.moved) > MOST:
        yield Line(f"and {len(part.moved) - MOST} smaller places", 2)


def _change_lines(change: Change, ascii_only: bool) -> Iterator[Line]:
    words = row(change, ascii_only=ascii_only)
    style = _TERMINAL[STYLES[change.kind]]
    yield Line(f"{words.mark} {words.word}  {words.code}  {words.subject}", 2, style)
    quantity = change.finding.quantity
    name = f"{quantity.name} " if quantity is not None else ""
    if change.old is not None and change.new is not None:
        text = f"{name}{words.now}; was {words.was}"
        if words.change:
            text += f"; change {words.change}"
    else:
        gone = change.new is None
        text = f"{name}was {words.was}; not in the new result" if gone else f"{name}{words.now}"
    need = change.finding.requirement
    if need is not None:
        text += f"; required {format_requirement(need, ascii_only=ascii_only)}"
    yield Line(text, 6)
    if change.open and change.kind in (Kind.BROKEN, Kind.NEW):
        yield Line(words.message, 6)


def show_comparison(
    comparison: Comparison,
    stream: TextIO,
    *,
    parts: Sequence[PartChange] = (),
    show_all: bool = False,
) -> None:
    """Print a comparison: wrapped and coloured on a terminal, else plain lines."""
    lines = comparison_lines(
        comparison, parts=parts, show_all=show_all, ascii_only=needs_ascii(stream)
    )
    write_lines(lines, stream)

"""The result as Markdown, short enough for the summary of a CI job or a comment on a review."""

from __future__ import annotations

import re
from collections.abc import Iterator

from geomcheck.finding import Finding, Result, Verdict
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

#: Open findings shown in full; the others are counted.
MOST = 25
_OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)
#: Bytes of a summary that servers take of one step; of a longer one they show nothing
#: (docs.github.com, "Workflow commands", step isolation and limits).
LARGEST = 1_048_576
#: Letters of one text.
_LONGEST = 2_000
_MARKS = re.compile(r"([\\`*_\[\]<>#|~&@])")
#: Signs that make a list or a rule at the beginning of a line only.
_FIRST = re.compile(r"^(\s*|\s*\d+(?=[.)]))([-+=.)])")
_ESCAPED = r"\1\\\2"


def to_markdown(result: Result, *, most: int = MOST) -> str:
    """The result as Markdown text, ending in a line feed.

    Parameters
    ----------
    result : Result
    most : int
        Open findings shown; what is left out is counted, by verdict.
    """
    lines = [f"{line}\n" for line in _lines(result, most)]
    if sum(len(line.encode("utf-8", "replace")) for line in lines) <= LARGEST:
        return "".join(lines)
    kept: list[str] = []
    room = LARGEST - 400
    for line in lines:
        room -= len(line.encode("utf-8", "replace"))
        if room < 0:
            break
        kept.append(line)
    left = len(lines) - len(kept)
    kept.append(
        f"\n**Cut here: {plural(left, 'line')} left out, as a CI server takes no more than 1 MiB. "
        f"The JSON result has all {plural(len(result.findings), 'finding')}.**\n"
    )
    return "".join(kept)


def _lines(result: Result, most: int) -> Iterator[str]:
    yield f"## {_plain(result.project)}"
    yield ""
    code = result.exit_code
    yield f"**Exit code {code}: {exit_meaning(code)}.** {sentence_of_counts(result.findings)}"
    yield ""
    yield from _matrix(result)
    unsettled = [finding for finding in result.findings if finding.verdict in _OPEN]
    if unsettled:
        yield ""
        yield from _table(unsettled[:most])
    if len(unsettled) > most:
        yield ""
        yield f"And {plural(len(unsettled) - most, 'more finding')} that did not pass."
    waived = [finding for finding in result.findings if finding.verdict is Verdict.WAIVED]
    if waived:
        yield ""
        yield f"Waived: {', '.join(_plain(f'{f.vehicle}, {f.code} {f.subject}') for f in waived)}."
    cautions = dict.fromkeys(f.caution for f in unsettled[:most] if f.caution)
    for caution in cautions:
        yield ""
        yield f"> {_FIRST.sub(_ESCAPED, _plain(caution))}"
    yield ""
    yield f"`{_code(result.file)}`, geomcheck {_plain(result.version)}"


def _matrix(result: Result) -> Iterator[str]:
    laid = matrix(result)
    yield f"| vehicle | {' | '.join(ROOMS[room] for room in laid.rooms)} |"
    yield f"|---{'|---' * len(laid.rooms)}|"
    for row in laid.rows:
        yield f"| {_plain(row.vehicle)} | {' | '.join(_cell(cell) for cell in row.cells)} |"


def _cell(cell: Cell) -> str:
    if cell.worst is None:
        return "not asked"
    count = f"{cell.open} of {cell.asked}" if cell.open else str(cell.asked)
    return f"{verdict_symbol(cell.worst)} {verdict_word(cell.worst)} ({count})"


def _table(findings: list[Finding]) -> Iterator[str]:
    yield "| verdict | vehicle | question | measured | required | what was found, what to do |"
    yield "|---|---|---|---|---|---|"
    for finding in findings:
        need, got = finding.requirement, finding.quantity
        text = _plain(format_text(finding.message))
        if finding.remedy:
            text += f"<br>**Do:** {_plain(format_text(finding.remedy))}"
        cells = [
            f"{verdict_symbol(finding.verdict)} {verdict_word(finding.verdict)}",
            _plain(finding.vehicle),
            f"{finding.code}<br>{_plain(finding.subject)}",
            _plain(format_quantity(got, need)) if got else "",
            _plain(format_requirement(need)) if need else "",
            text,
        ]
        yield f"| {' | '.join(cells)} |"


def _plain(text: str) -> str:
    """Text that no Markdown reader takes for marks, in one line."""
    one_line = re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+", " ", text)
    if len(one_line) > _LONGEST:
        one_line = one_line[:_LONGEST] + "… (cut)"
    return _MARKS.sub(r"\\\1", one_line)


def _code(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f-\x9f`|]+", " ", text)

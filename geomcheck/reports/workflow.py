"""Findings as workflow commands, the lines by which a CI server marks a file in its log.

One line a finding that is open, worst first: ``::error file=project.toml,line=12,title=...::text``.
A fail and an error are errors, an undecided question is an error too (it counts as not passed), a
waived finding is a notice.

Servers mark the first ten errors of a step only (from memory, no source); where there are more, the
first line counts them, so that none is lost without a word.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from geomcheck.finding import SEVERITY, Finding, Result, Verdict
from geomcheck.reports.words import plural

_COMMAND = {
    Verdict.ERROR: "error",
    Verdict.FAIL: "error",
    Verdict.UNDECIDED: "error",
    Verdict.WAIVED: "notice",
}

#: Errors of a step that servers mark (from memory, no source).
MOST_MARKED = 10
# A log may be shown on a terminal, which acts on such signs.
_CONTROL = re.compile(r"[\x00-\x09\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def workflow_commands(result: Result, *, path: str = "") -> Iterator[str]:
    """One line for each finding that is open or waived, the worst first.

    Parameters
    ----------
    result : Result
    path : str
        The project file as the server knows it; default its name.
    """
    shown = [finding for finding in result.findings if finding.verdict in _COMMAND]
    unsettled = [finding for finding in shown if finding.verdict is not Verdict.WAIVED]
    if len(unsettled) > MOST_MARKED:
        vehicles = Counter(finding.vehicle for finding in unsettled)
        told = ", ".join(f"{name} {count}" for name, count in vehicles.items())
        place = _property(path or result.file)
        text = (
            f"{plural(len(unsettled), 'question')} did not pass ({told}). The server may mark "
            f"only the first {MOST_MARKED} lines, the worst; the log has all."
        )
        yield f"::error file={place},title=geomcheck::{_escaped(text)}"
    for finding in sorted(shown, key=lambda finding: SEVERITY.index(finding.verdict)):
        yield _line(finding, path or result.file)


def _line(finding: Finding, path: str) -> str:
    place = {"file": path}
    if finding.entry is not None and finding.entry.line is not None:
        place["line"] = str(finding.entry.line)
    place["title"] = f"{finding.verdict.value}: {finding.code} {finding.subject}"
    told = ",".join(f"{key}={_property(value)}" for key, value in place.items())
    text = f"{finding.vehicle}: {finding.message}"
    if finding.remedy:
        text += f" Do: {finding.remedy}"
    if finding.caution:
        text += f" Caution: {finding.caution}"
    return f"::{_COMMAND[finding.verdict]} {told}::{_escaped(text)}"


def _escaped(text: str) -> str:
    """Text of a command; a line end would end it, and what follows could be another."""
    return _CONTROL.sub("?", text).replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _escaped(text).replace(":", "%3A").replace(",", "%2C")

"""Findings as workflow commands, the lines by which a CI server marks a file in its log.

One line a finding that is open, worst first: ``::error file=project.toml,line=12,title=...::text``.
A fail and an error are errors, an undecided question is an error too (it counts as not passed), a
waived finding is a notice. Servers show only the first few of each run.
"""

from __future__ import annotations

from collections.abc import Iterator

from geomcheck.finding import SEVERITY, Finding, Result, Verdict

_COMMAND = {
    Verdict.ERROR: "error",
    Verdict.FAIL: "error",
    Verdict.UNDECIDED: "error",
    Verdict.WAIVED: "notice",
}


def workflow_commands(result: Result, *, path: str = "") -> Iterator[str]:
    """One line for each finding that is open or waived, the worst first.

    Parameters
    ----------
    result : Result
    path : str
        The project file as the server knows it; default its name.
    """
    shown = [finding for finding in result.findings if finding.verdict in _COMMAND]
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
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _escaped(text).replace(":", "%3A").replace(",", "%2C")

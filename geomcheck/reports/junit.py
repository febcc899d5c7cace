"""The result as JUnit XML, for a CI server's test view.

One suite per vehicle, one case per finding. The format knows passed, failed, error and skipped:
a fail is a failure; an error and an undecided question are errors, so that neither can be taken
for a pass; a remark (not applicable) and a waiver are skipped, with their reason.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from geomcheck.finding import Finding, Result, Verdict

_TAG = {
    Verdict.FAIL: "failure",
    Verdict.ERROR: "error",
    Verdict.UNDECIDED: "error",
    Verdict.WAIVED: "skipped",
    Verdict.NOT_APPLICABLE: "skipped",
}
# Characters XML 1.0 cannot hold even when escaped (W3C XML 1.0, production 2).
_FORBIDDEN = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def to_junit(result: Result) -> str:
    """The result as an XML document, ending in a line feed."""
    root = ET.Element("testsuites", {"name": _clean(result.project), **_counts(result.findings)})
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        suite = ET.SubElement(
            root, "testsuite", {"name": _clean(vehicle), **_counts(mine), "time": "0"}
        )
        for finding in mine:
            _case(suite, finding)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=False).join(
        ('<?xml version="1.0" encoding="UTF-8"?>\n', "\n")
    )


def _case(suite: ET.Element, finding: Finding) -> None:
    case = ET.SubElement(
        suite, "testcase", classname=finding.code, name=_clean(finding.subject), time="0"
    )
    if finding.entry is not None:
        case.set("file", _clean(finding.entry.file))
        if finding.entry.line is not None:
            case.set("line", str(finding.entry.line))
    text = " ".join(t for t in (finding.message, finding.remedy, finding.caution) if t)
    tag = _TAG.get(finding.verdict)
    if tag is None:
        ET.SubElement(case, "system-out").text = _clean(text)
        return
    outcome = ET.SubElement(case, tag, message=_clean(finding.message))
    if tag != "skipped":
        outcome.set("type", str(finding.verdict))
        outcome.text = _clean(text)


def _counts(findings: list[Finding] | tuple[Finding, ...]) -> dict[str, str]:
    tags = [_TAG.get(finding.verdict) for finding in findings]
    return {
        "tests": str(len(tags)),
        "failures": str(tags.count("failure")),
        "errors": str(tags.count("error")),
        "skipped": str(tags.count("skipped")),
    }


def _clean(text: str) -> str:
    return _FORBIDDEN.sub("\ufffd", text)

"""The result as JUnit XML, for a CI server's test view.

One suite per vehicle, one case per finding. The format knows passed, failed, error and skipped:
a fail is a failure; an error and an undecided question are errors, so that neither can be taken
for a pass; a remark (not applicable) and a waiver are skipped, with their reason. Elements and
attributes are those of the schema that the xUnit plugins of CI servers check (junit-10.xsd), which
knows no place of a case: the entry that asked stands in the text.
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
    counts = _counts(result.findings)
    # The schema has no count of skipped cases here; each suite has its own.
    del counts["skipped"]
    root = ET.Element("testsuites", {"name": _clean(result.project), **counts})
    for vehicle in result.vehicles:
        mine = [finding for finding in result.findings if finding.vehicle == vehicle]
        told = {"name": _clean(vehicle), **_counts(mine), "time": "0", "file": _clean(result.file)}
        suite = ET.SubElement(root, "testsuite", told)
        # Readers take cases of one name for one: the second restriction of a duct says so.
        taken: set[tuple[str, str]] = set()
        for finding in mine:
            name, number = _clean(finding.subject), 1
            while (finding.code, name) in taken:
                number += 1
                name = f"{_clean(finding.subject)} ({number})"
            taken.add((finding.code, name))
            _case(suite, finding, name)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=False).join(
        ('<?xml version="1.0" encoding="UTF-8"?>\n', "\n")
    )


def _case(suite: ET.Element, finding: Finding, name: str) -> None:
    case = ET.SubElement(suite, "testcase", classname=_clean(finding.code), name=name, time="0")
    parts = [finding.message, finding.remedy, finding.caution]
    if finding.entry is not None:
        line = f", line {finding.entry.line}" if finding.entry.line is not None else ""
        parts.append(f"Asked in {finding.entry.file}{line}: {finding.entry.entry}.")
    text = "\n".join(part for part in parts if part)
    tag = _TAG.get(finding.verdict)
    if tag is None:
        ET.SubElement(case, "system-out").text = _clean(text)
        return
    outcome = ET.SubElement(case, tag, message=_clean(finding.message))
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

"""Waivers: findings a team accepts, each with a bound, a reason, an owner and a last day.

A waiver holds for the finding it names while four things are so: the finding's place lies within
the waiver's radius, the surfaces of its parts about that place still have the shape they had when
it was waived, the measured value is no worse than the accepted bound, and the last day has not
passed. Where one of these fails the finding stays what it is, and says why. A renamed file keeps
its waiver, a moved wall loses it. What is in error is never waived, nor whether a mesh can be used;
an undecided question only by a waiver that says so.

A waiver that nothing needs any more is a remark (code ``waiver``).
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from geomcheck.errors import InputError, ProjectError
from geomcheck.finding import Finding, Quantity, Requirement, Verdict
from geomcheck.mesh.part import Part
from geomcheck.project.lines import LineMap
from geomcheck.project.settling import WaiverEntry
from geomcheck.release.marks import mark, same

CODE = "waiver"
#: The same shape with other facets may differ by its chord error, but by no more than this, mm: a
#: coarse mesh exported anew may lose its waiver, a moved wall must.
FACETS = 0.05


def apply_waivers(
    findings: Iterable[Finding],
    waivers: tuple[WaiverEntry, ...],
    parts: Mapping[str, Mapping[str, Part]],
    lines: LineMap,
    *,
    today: datetime.date,
    asked: frozenset[str],
) -> tuple[Finding, ...]:
    """The findings with those waived that may be, and remarks on waivers that nothing needs.

    Parameters
    ----------
    findings : iterable of Finding
    waivers : tuple of WaiverEntry
    parts : mapping of str to mapping of str to Part
        Placed parts by name, by vehicle.
    lines : LineMap
        For the line of a waiver in the project file.
    today : date
    asked : frozenset of str
        Codes of the checks that were run: only their waivers can be said to be needless.

    Raises
    ------
    ProjectError
        A waiver's mark of a surface is damaged; names its line.
    """
    used: set[int] = set()
    settled = []
    for finding in findings:
        mine = [
            (number, waiver)
            for number, waiver in enumerate(waivers)
            if (waiver.code, waiver.vehicle, waiver.subject)
            == (finding.code, finding.vehicle, finding.subject)
            and finding.verdict in (Verdict.FAIL, Verdict.UNDECIDED)
        ]
        used.update(number for number, _ in mine)
        settled.append(_settled(finding, mine, parts, today, lines))
    for number, waiver in enumerate(waivers):
        if number not in used and waiver.code in asked and waiver.vehicle in parts:
            settled.append(_needless(waiver, lines, number))
    return tuple(settled)


def waiver_of(
    finding: Finding,
    parts: Mapping[str, Part],
    *,
    reason: str,
    owner: str,
    expires: datetime.date,
    radius: float,
) -> WaiverEntry:
    """The waiver that accepts a finding as it is now.

    Raises
    ------
    InputError
        The finding needs no waiver, may not be waived, or has no place to bind a waiver to.
    """
    if finding.verdict not in (Verdict.FAIL, Verdict.UNDECIDED) or finding.about_input:
        raise InputError(
            f"{finding.code} {finding.subject} is {finding.verdict.value}: only what failed or "
            "could not be decided can be waived, and not whether a mesh can be used"
        )
    bound_to = _bound_to(finding, parts)
    if not finding.witnesses or not bound_to:
        raise InputError(f"{finding.code} {finding.subject} names no place to bind a waiver to")
    # As it will stand in the file: the marks are made about that very place.
    x, y, z = (round(number, 4) + 0.0 for number in finding.witnesses[0].point)
    at = (x, y, z)
    low, high = _bound(finding.quantity, finding.requirement)
    return WaiverEntry(
        code=finding.code,
        vehicle=finding.vehicle,
        subject=finding.subject,
        at=at,
        radius=radius,
        at_least=low,
        at_most=high,
        undecided=finding.verdict is Verdict.UNDECIDED,
        reason=reason,
        owner=owner,
        expires=expires,
        shape={part.name: mark(part.tree, at, radius) for part in bound_to},
    )


def _bound(
    quantity: Quantity | None, requirement: Requirement | None
) -> tuple[float | None, float | None]:
    """The accepted bound as (at least, at most), rounded away from the value to a hundredth."""
    if quantity is None or requirement is None:
        return None, None
    if requirement.sense == "at least":
        return math.floor(quantity.low * 100.0) / 100.0, None
    return None, math.ceil(quantity.high * 100.0) / 100.0


def _bound_to(finding: Finding, parts: Mapping[str, Part]) -> list[Part]:
    """Parts a waiver is bound to: those the finding's places lie on, else those it names."""
    names = [w.part for w in finding.witnesses if w.part in parts] or list(finding.parts)
    return [parts[name] for name in dict.fromkeys(names) if name in parts]


def _settled(
    finding: Finding,
    waivers: list[tuple[int, WaiverEntry]],
    parts: Mapping[str, Mapping[str, Part]],
    today: datetime.date,
    lines: LineMap,
) -> Finding:
    """A finding in the light of the waivers that name it: the first that holds decides."""
    reasons = []
    for number, waiver in waivers:
        try:
            why = _why_not(finding, waiver, parts[finding.vehicle], today)
        except InputError as error:
            ref = lines.entry(("waiver", number, "shape"))
            raise ProjectError(
                error.what, remedy=error.remedy, file=lines.file, line=ref.line, entry=ref.entry
            ) from error
        if not why:
            return _waived(finding, waiver)
        reasons.append(why)
    if not reasons:
        return finding
    return replace(
        finding,
        message=f"{finding.message} Its waiver does not hold: {'; '.join(dict.fromkeys(reasons))}.",
        details={**finding.details, "waiver_does_not_hold": reasons},
    )


def _waived(finding: Finding, waiver: WaiverEntry) -> Finding:
    until = waiver.expires.isoformat()
    told = {
        "reason": waiver.reason,
        "owner": waiver.owner,
        "expires": until,
        "at_least": waiver.at_least,
        "at_most": waiver.at_most,
        "verdict": finding.verdict.value,
    }
    return replace(
        finding,
        verdict=Verdict.WAIVED,
        message=f"{finding.message} Waived until {until} by {waiver.owner}: {waiver.reason}",
        details={**finding.details, "waiver": told},
    )


def _why_not(
    finding: Finding, waiver: WaiverEntry, parts: Mapping[str, Part], today: datetime.date
) -> str:
    """Why a waiver does not hold for a finding; empty if it does."""
    if finding.about_input:
        return "whether a mesh can be used is never waived"
    if finding.verdict is Verdict.UNDECIDED and not waiver.undecided:
        return "it does not say undecided = true"
    if today > waiver.expires:
        return f"it expired on {waiver.expires.isoformat()}"
    if not finding.witnesses:
        return "the finding names no place"
    if math.dist(finding.witnesses[0].point, waiver.at) > waiver.radius:
        return f"the place is more than {waiver.radius:g} mm from the waiver's"
    worse = _worse(finding.quantity, waiver)
    if worse:
        return worse
    named = {part.name for part in _bound_to(finding, parts)}
    for name in sorted(named - set(waiver.shape)):
        return f"{name} takes part and the waiver does not name it"
    for name, text in waiver.shape.items():
        if name not in parts:
            return f"there is no part {name}"
        part = parts[name]
        allowance = min(part.sagitta.largest, FACETS)
        if not same(text, part.tree, waiver.at, waiver.radius, allowance):
            return f"the surface of {name} there is not what it was when it was waived"
    return ""


def _worse(quantity: Quantity | None, waiver: WaiverEntry) -> str:
    if waiver.at_least is None and waiver.at_most is None:
        return "" if quantity is None else "it states no bound"
    if quantity is None:
        return "nothing was measured to hold against its bound"
    if waiver.at_least is not None and quantity.low < waiver.at_least:
        return f"{quantity.low:.2f} {quantity.unit} is less than its bound, {waiver.at_least:g}"
    if waiver.at_most is not None and quantity.high > waiver.at_most:
        return f"{quantity.high:.2f} {quantity.unit} is more than its bound, {waiver.at_most:g}"
    return ""


def _needless(waiver: WaiverEntry, lines: LineMap, number: int) -> Finding:
    return Finding(
        code=CODE,
        verdict=Verdict.NOT_APPLICABLE,
        vehicle=waiver.vehicle,
        subject=f"{waiver.code} {waiver.subject}",
        parts=tuple(waiver.shape),
        message=f"Nothing of {waiver.vehicle} needs the waiver of {waiver.code} for "
        f'"{waiver.subject}" any more.',
        remedy="Take the waiver out of the project file.",
        entry=lines.entry(("waiver", number)),
        about_input=True,
    )

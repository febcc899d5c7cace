"""What a check says, the findings of a run, and the exit code they come to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from geomcheck.quantity import SEVERITY, Quantity, Requirement, Term, Verdict

__all__ = [
    "FAIL_LEVELS",
    "SEVERITY",
    "EntryRef",
    "FailLevel",
    "Finding",
    "PartSummary",
    "Point",
    "Quantity",
    "Requirement",
    "Result",
    "Term",
    "Verdict",
    "Witness",
    "exit_code",
    "rank",
]

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Witness:
    """A point (mm, housing frame) that anyone can re-check, and the part it lies on."""

    label: str
    part: str
    point: Point


@dataclass(frozen=True, slots=True)
class EntryRef:
    """Where in the project file a finding's question was asked."""

    file: str
    line: int | None
    entry: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer to one question.

    Parameters
    ----------
    code : str
        The check, such as ``fit-gap``; ``geomcheck explain CODE`` tells about it.
    verdict : Verdict
    vehicle : str
        The vehicle the assembly belongs to.
    subject : str
        What was asked about, short: ``housing / bonnet``, ``duct "inlet"``, ``bolt "B3"``.
    parts : tuple of str
        Parts that take part, the one to blame last.
    message : str
        One or two sentences with the numbers, as a modeller would say them.
    remedy : str
        What to do; empty for a pass.
    quantity, requirement
        What the verdict rests on; both None where the question has no number.
    witnesses : tuple of Witness
        Points (mm, housing frame). The first is the place shown in pictures.
    view : Point or None
        A direction (unit vector, from the camera to the place) from which the place is well
        seen; None lets the picture choose.
    entry : EntryRef or None
        The entry of the project file that asked.
    caution : str
        Safety words where the part can hurt someone.
    about_input : bool
        The finding judges an input (is this mesh usable?), not the design; passes of this kind
        alone do not make a run pass.
    details : Mapping
        Further numbers, JSON types only; keys documented by the check's docstring.
    """

    code: str
    verdict: Verdict
    vehicle: str
    subject: str
    parts: tuple[str, ...]
    message: str
    remedy: str = ""
    quantity: Quantity | None = None
    requirement: Requirement | None = None
    witnesses: tuple[Witness, ...] = ()
    view: Point | None = None
    entry: EntryRef | None = None
    caution: str = ""
    about_input: bool = False
    details: Mapping[str, Any] = field(default_factory=dict)


def rank(finding: Finding) -> tuple[int, str, str, str, str]:
    """Sort key of findings in a result: worst first, then vehicle, check and subject."""
    return (
        SEVERITY.index(finding.verdict),
        finding.vehicle,
        finding.code,
        finding.subject,
        finding.message,
    )


_WORST_FIRST = (2, 1, 4, 3, 0)

FailLevel = Literal["undecided", "waived", "remark"]
#: What else counts as a fail at each level. None is laxer than the first: what failed or could not
#: be decided never counts as passed.
FAIL_LEVELS: Mapping[FailLevel, tuple[Verdict, ...]] = {
    "undecided": (),
    "waived": (Verdict.WAIVED,),
    "remark": (Verdict.WAIVED, Verdict.NOT_APPLICABLE),
}


def exit_code(
    findings: tuple[Finding, ...] | list[Finding], fail_level: FailLevel = "undecided"
) -> int:
    """Exit code of a run: the worst outcome wins in the order 2, 1, 4, 3, 0.

    0 every question decided and passed (or waived); 1 something failed; 2 an input was wrong;
    3 nothing was checked; 4 something could not be decided.

    Parameters
    ----------
    findings : sequence of Finding
    fail_level : {"undecided", "waived", "remark"}
        ``waived``: a waived finding counts as a fail. ``remark``: so does a remark.
    """
    verdicts = {finding.verdict for finding in findings}
    if Verdict.ERROR in verdicts:
        return 2
    if Verdict.FAIL in verdicts or not verdicts.isdisjoint(FAIL_LEVELS[fail_level]):
        return 1
    if Verdict.UNDECIDED in verdicts:
        return 4
    good = (Verdict.PASS, Verdict.WAIVED)
    if not any(f.verdict in good and not f.about_input for f in findings):
        return 3
    return 0


@dataclass(frozen=True, slots=True)
class PartSummary:
    """What a report says of a part: name, file, class and size."""

    name: str
    file: str
    role: str
    kind: str
    mesh: str
    triangles: int
    size: Point


@dataclass(frozen=True, slots=True)
class Result:
    """Everything one run found, ready for any report.

    Findings stand in the order of ``SEVERITY``, then vehicle, code and subject.
    """

    project: str
    file: str
    version: str
    vehicles: tuple[str, ...]
    parts: Mapping[str, tuple[PartSummary, ...]]
    findings: tuple[Finding, ...]
    fail_level: FailLevel = "undecided"

    @property
    def exit_code(self) -> int:
        """Exit code of the run: the worst of its vehicles', by :func:`exit_code`.

        Each vehicle is judged alone, so that one of which nothing was asked is not hidden
        behind the passes of another.
        """
        codes = {
            exit_code(
                [finding for finding in self.findings if finding.vehicle == vehicle],
                self.fail_level,
            )
            for vehicle in self.vehicles
        }
        return next((code for code in _WORST_FIRST if code in codes), 3)

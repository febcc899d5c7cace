"""What a check says: measured quantities with their interval, verdicts, findings.

A quantity is never a bare number. Its interval holds every value the true part could have,
given what the mesh supports. The verdict follows the decision rule of ISO 14253-1 (from memory
of the standard; the rule itself is common practice): inside the requirement by more than the
uncertainty is a pass, outside by more is a fail, between the two nothing is decided.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

Point = tuple[float, float, float]


class Verdict(StrEnum):
    """Outcome of one question."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    WAIVED = "waived"
    ERROR = "error"
    NOT_APPLICABLE = "not applicable"


#: Worst first; also the order of reports.
SEVERITY: tuple[Verdict, ...] = (
    Verdict.ERROR,
    Verdict.FAIL,
    Verdict.UNDECIDED,
    Verdict.WAIVED,
    Verdict.PASS,
    Verdict.NOT_APPLICABLE,
)


@dataclass(frozen=True, slots=True)
class Term:
    """One contribution to a quantity's uncertainty.

    ``minus`` and ``plus`` are the amounts (>= 0, in the quantity's unit) by which the true value
    may lie below and above the value read from the mesh. ``source`` says where they come from.
    """

    name: str
    minus: float
    plus: float
    source: str

    def __post_init__(self) -> None:
        if not (self.minus >= 0.0 and self.plus >= 0.0):
            raise ValueError(f"term {self.name!r} must not be negative or NaN")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with the interval the truth lies in.

    Parameters
    ----------
    name : str
        What was measured, in the trade's word: ``gap``, ``area``, ``room``.
    value : float
        The value read from the mesh.
    unit : str
        ``mm``, ``mm2``, ``mm3``, ``deg``, ``%``.
    low, high : float
        Bounds, ``low <= value <= high``; finite.
    terms : tuple of Term
        Where the interval comes from.
    """

    name: str
    value: float
    unit: str
    low: float
    high: float
    terms: tuple[Term, ...] = ()

    def __post_init__(self) -> None:
        if not all(math.isfinite(x) for x in (self.value, self.low, self.high)):
            raise ValueError(f"{self.name}: a quantity must be finite, not a sentinel")
        if not self.low <= self.value <= self.high:
            raise ValueError(
                f"{self.name}: {self.value} is outside its interval {self.low} .. {self.high}"
            )

    @classmethod
    def from_terms(cls, name: str, value: float, unit: str, terms: tuple[Term, ...]) -> Quantity:
        """Combine terms worst-case: the amounts below and above are added.

        Examples
        --------
        >>> q = Quantity.from_terms("gap", 10.0, "mm", (Term("facets", 0.5, 0.25, "declared"),))
        >>> (q.low, q.high)
        (9.5, 10.25)
        """
        return cls(
            name,
            value,
            unit,
            value - math.fsum(t.minus for t in terms),
            value + math.fsum(t.plus for t in terms),
            terms,
        )

    @classmethod
    def from_independent(
        cls,
        name: str,
        value: float,
        unit: str,
        bounds: tuple[Term, ...],
        independent: tuple[Term, ...],
    ) -> Quantity:
        """Combine independent terms by root sum of squares, and add the bounds to that.

        The rule for uncorrelated contributions of equal weight is that of the GUM (JCGM 100:2008,
        5.1.2, from memory): the squares add. It holds for the amounts as it does for standard
        deviations where all are stated at one coverage, and the result has that coverage. A bound
        that always lies to one side, such as a chord error, is no such contribution: it is added
        in full.

        Examples
        --------
        >>> scan, cast = Term("scan noise", 0.3, 0.3, ""), Term("casting", 0.4, 0.4, "")
        >>> q = Quantity.from_independent("gap", 10.0, "mm", (), (scan, cast))
        >>> (q.low, q.high)
        (9.5, 10.5)
        """
        return cls(
            name,
            value,
            unit,
            value
            - math.fsum(t.minus for t in bounds)
            - math.hypot(*(t.minus for t in independent)),
            value + math.fsum(t.plus for t in bounds) + math.hypot(*(t.plus for t in independent)),
            (*bounds, *independent),
        )


@dataclass(frozen=True, slots=True)
class Requirement:
    """A limit and on which side of it the part must lie.

    ``source`` says where the limit comes from, for instance ``class "hot part"``.
    """

    sense: Literal["at least", "at most"]
    limit: float
    unit: str
    source: str = ""

    def decide(self, quantity: Quantity) -> Verdict:
        """Verdict on a quantity by the decision rule above.

        Examples
        --------
        >>> need = Requirement("at least", 10.0, "mm")
        >>> need.decide(Quantity("gap", 10.0, "mm", 9.9, 10.1))
        <Verdict.UNDECIDED: 'undecided'>
        """
        if quantity.unit != self.unit:
            raise ValueError(f"{quantity.unit} measured against a limit in {self.unit}")
        if self.sense == "at least":
            if quantity.low >= self.limit:
                return Verdict.PASS
            return Verdict.FAIL if quantity.high < self.limit else Verdict.UNDECIDED
        if quantity.high <= self.limit:
            return Verdict.PASS
        return Verdict.FAIL if quantity.low > self.limit else Verdict.UNDECIDED


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

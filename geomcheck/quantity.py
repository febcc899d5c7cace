"""Measured quantities with their interval, requirements, verdicts.

A quantity is never a bare number. Its interval holds every value the true part could have,
given what the mesh supports. The verdict follows the decision rule of ISO 14253-1 (from memory
of the standard; the rule itself is common practice): inside the requirement by more than the
uncertainty is a pass, outside by more is a fail, between the two nothing is decided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal


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

"""What a re-check says: claim by claim, finding by finding, and of the whole result."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from geomcheck.errors import visible
from geomcheck.finding import Finding


class Status(StrEnum):
    """Outcome of a re-check; worst first."""

    CONTRADICTED = "contradicted"
    OPEN = "not re-checked"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing that a finding says, and what the second route says of it.

    Parameters
    ----------
    what : str
        Such as ``witness on housing``, ``distance of the witnesses``, ``nothing nearer``.
    status : Status
    words : str
        The figures, or why it was not re-checked.
    """

    what: str
    status: Status
    words: str = ""


@dataclass(frozen=True, slots=True)
class Recheck:
    """A finding and its claims."""

    finding: Finding
    claims: tuple[Claim, ...]

    @property
    def status(self) -> Status:
        """The worst of its claims'; open where it makes none."""
        found = {claim.status for claim in self.claims}
        return next((status for status in Status if status in found), Status.OPEN)


@dataclass(frozen=True, slots=True)
class Report:
    """A result, re-checked.

    Parameters
    ----------
    whole : tuple of Claim
        On the result as a whole: its counts, its exit code, questions left out.
    findings : tuple of Recheck
    """

    whole: tuple[Claim, ...]
    findings: tuple[Recheck, ...]

    def of(self, status: Status) -> tuple[Recheck, ...]:
        """The findings with a status."""
        return tuple(one for one in self.findings if one.status is status)

    @property
    def exit_code(self) -> int:
        """1 something is contradicted; 3 nothing to re-check; 4 something was not; 0 all is."""
        found = {one.status for one in self.findings} | {one.status for one in self.whole}
        if Status.CONTRADICTED in found:
            return 1
        if not self.findings:
            return 3
        return 4 if Status.OPEN in found else 0


def confirm(what: str, holds: bool, words: str) -> Claim:
    """A claim that holds or is contradicted."""
    return Claim(what, Status.CONFIRMED if holds else Status.CONTRADICTED, visible(words))


def left_open(what: str, why: str) -> Claim:
    """A claim that this route cannot answer."""
    return Claim(what, Status.OPEN, visible(why))

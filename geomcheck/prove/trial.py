"""What became of a fault; as data, so that one process can tell another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from geomcheck.compare.changes import Change, Kind, difference
from geomcheck.finding import Finding
from geomcheck.prove.faults import Fault
from geomcheck.store.codec import from_findings, to_findings


class Outcome(StrEnum):
    """What became of a fault; worst first."""

    MISSED = "not caught"
    HIDDEN = "hidden"
    CAUGHT = "caught"


@dataclass(frozen=True)
class Trial:
    """A fault and what the gate said.

    Parameters
    ----------
    fault : Fault
    outcome : Outcome
        ``caught``: a finding that names the part or bolt is new, worse, or open and was not.
        ``hidden``: none is, and a question about it was open before and cannot get worse for
        certain. ``not caught``: none is, and nothing hides it.
    by : Change or None
        What caught it: the worst such finding.
    hides : Finding or None
        What hides it.
    unnamed : Change or None
        Where it is not caught: a finding that is new or worse but does not name it.
    moved : tuple of Change
        Measured values that changed and stayed within what is required, those with the least to
        spare first.
    stopped : str
        The message, where the run stopped at the fault.
    seconds : float
    """

    fault: Fault
    outcome: Outcome
    by: Change | None = None
    hides: Finding | None = None
    unnamed: Change | None = None
    moved: tuple[Change, ...] = ()
    stopped: str = ""
    seconds: float = 0.0

    @property
    def worse(self) -> Iterator[Change]:
        """Of the values that changed, those that are nearer to what is required, or have no side.

        By how much is in their ``change``; see :func:`towards`.
        """
        return (one for one in self.moved if towards(one) > 0.0)


def towards(change: Change) -> float:
    """How far a value moved to its bad side; any way counts where nothing is required."""
    assert change.new is not None and change.change is not None
    need = change.new.requirement
    if need is None:
        return abs(change.change.value)
    return -change.change.value if need.sense == "at least" else change.change.value


def spare(finding: Finding) -> float:
    """What a value has left, mm (or its unit); infinite where nothing is required."""
    value, need = finding.quantity, finding.requirement
    if value is None or need is None:
        return float("inf")
    return value.low - need.limit if need.sense == "at least" else need.limit - value.high


def to_data(trial: Trial) -> dict[str, Any]:
    """A trial as JSON data, but for its fault."""
    return {
        "outcome": str(trial.outcome),
        "by": _change(trial.by),
        "hides": to_findings([] if trial.hides is None else [trial.hides]),
        "unnamed": _change(trial.unnamed),
        "moved": [_change(one) for one in trial.moved],
        "stopped": trial.stopped,
        "seconds": trial.seconds,
    }


def from_data(data: Mapping[str, Any], fault: Fault) -> Trial:
    """A trial from data, and the fault it is about."""
    moved = (_read(one) for one in data["moved"])
    return Trial(
        fault,
        Outcome(data["outcome"]),
        by=_read(data["by"]),
        hides=next(iter(from_findings(data["hides"])), None),
        unnamed=_read(data["unnamed"]),
        moved=tuple(one for one in moved if one is not None),
        stopped=data["stopped"],
        seconds=data["seconds"],
    )


def _change(change: Change | None) -> dict[str, Any] | None:
    if change is None:
        return None
    rows = [change.old, change.new]
    return {
        "kind": str(change.kind),
        "rows": [None if one is None else to_findings([one])[0] for one in rows],
    }


def _read(data: Mapping[str, Any] | None) -> Change | None:
    if data is None:
        return None
    old, new = (None if row is None else from_findings([row])[0] for row in data["rows"])
    both = old is not None and new is not None
    moved = difference(old.quantity, new.quantity) if both and old and new else None
    return Change(Kind(data["kind"]), old, new, moved)

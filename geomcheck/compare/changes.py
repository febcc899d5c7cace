"""What changed between two results: which findings are new, gone, better, worse.

Two results are laid side by side, finding by finding: same check, same vehicle, same subject. The
change of a measured value is an interval, from the lower end of the new less the upper end of the
old to the upper end of the new less the lower end of the old: no part of either uncertainty is
taken to cancel, so "worse" and "better" are said only where that holds for every value the two
intervals allow. What lies between is a change inside the uncertainty, and is called that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import zip_longest

import numpy as np

from geomcheck.finding import Finding, Quantity, Result, Verdict

#: Values of a result are written to a millionth: what differs by less is the same.
_SAME = 2e-6
_OPEN = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)


class Kind(StrEnum):
    """How a finding changed; worst first."""

    BROKEN = "broken"
    NEW = "new"
    WORSE = "worse"
    UNCLEAR = "inside the uncertainty"
    CHANGED = "changed"
    BETTER = "better"
    MENDED = "mended"
    GONE = "gone"
    SAME = "same"


@dataclass(frozen=True)
class Change:
    """One finding, then and now.

    Parameters
    ----------
    kind : Kind
        ``broken``: failed, undecided or in error now, and was not. ``mended``: the other way.
        ``new``, ``gone``: asked in one of the results only. ``worse``, ``better``: the verdict
        is as open as it was, and the value moved to that side for certain. ``changed``: the value
        moved for certain, and nothing says which side is better.
    old, new : Finding or None
    change : Quantity or None
        New value less old, with its interval; None where one of them has no number or another
        unit.
    """

    kind: Kind
    old: Finding | None
    new: Finding | None
    change: Quantity | None = None

    @property
    def finding(self) -> Finding:
        """The finding as it is now, or as it was where it is gone."""
        found = self.new or self.old
        assert found is not None
        return found

    @property
    def open(self) -> bool:
        """Whether it needs somebody's attention now."""
        return self.new is not None and self.new.verdict in _OPEN


@dataclass(frozen=True)
class Comparison:
    """Two results side by side.

    Parameters
    ----------
    old, new : Result
    changes : tuple of Change
        Worst first; unchanged ones are among them.
    """

    old: Result
    new: Result
    changes: tuple[Change, ...]

    def of(self, *kinds: Kind) -> tuple[Change, ...]:
        """The changes of some kinds."""
        return tuple(change for change in self.changes if change.kind in kinds)

    def exit_code(self, *, worse_fails: bool = False) -> int:
        """Exit code of the comparison.

        2 where the new result has errors that the old had not; 1 where something fails that did
        not, or a new question fails, or something that fails got worse (with ``worse_fails``:
        where anything got worse); 4 where something is undecided that was decided; else 0. A
        fault that was there before and is no worse does not count: ``geomcheck check`` says it.
        """
        codes = {_code(change, worse_fails) for change in self.changes}
        return next((code for code in (2, 1, 4) if code in codes), 0)


def compare(old: Result, new: Result) -> Comparison:
    """Lay two results side by side.

    Parameters
    ----------
    old, new : Result

    Examples
    --------
    >>> empty = Result("p", "p.toml", "0", (), {}, ())
    >>> compare(empty, empty).exit_code()
    0
    """
    before, after = _grouped(old.findings), _grouped(new.findings)
    changes = []
    for key in sorted({*before, *after}):
        for was, now in _matched(before.get(key, []), after.get(key, [])):
            changes.append(_change(was, now))
    order = list(Kind)
    changes.sort(
        key=lambda c: (order.index(c.kind), c.finding.vehicle, c.finding.code, c.finding.subject)
    )
    return Comparison(old, new, tuple(changes))


def _grouped(findings: Iterable[Finding]) -> dict[tuple[str, str, str], list[Finding]]:
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        key = (finding.vehicle, finding.code, finding.subject)
        groups.setdefault(key, []).append(finding)
    return groups


def _matched(
    old: Sequence[Finding], new: Sequence[Finding]
) -> list[tuple[Finding | None, Finding | None]]:
    """Pairs of findings with one subject: the nearest places together, the rest alone."""
    if len(old) <= 1 and len(new) <= 1:
        return list(zip_longest(old, new))
    far = np.array([[_apart(a, b) for b in new] for a in old]).reshape(len(old), len(new))
    pairs: list[tuple[Finding | None, Finding | None]] = []
    left_old, left_new = set(range(len(old))), set(range(len(new)))
    for flat in np.argsort(far, axis=None, kind="stable"):
        i, j = divmod(int(flat), len(new))
        if i in left_old and j in left_new:
            pairs.append((old[i], new[j]))
            left_old.remove(i)
            left_new.remove(j)
    pairs += [(old[i], None) for i in sorted(left_old)]
    pairs += [(None, new[j]) for j in sorted(left_new)]
    return pairs


def _apart(a: Finding, b: Finding) -> float:
    """Distance of the places of two findings, mm; large where one has none."""
    if not a.witnesses or not b.witnesses:
        return 0.0 if not (a.witnesses or b.witnesses) else 1e9
    return float(np.linalg.norm(np.subtract(a.witnesses[0].point, b.witnesses[0].point)))


def _change(old: Finding | None, new: Finding | None) -> Change:
    if old is None:
        return Change(Kind.NEW, old, new)
    if new is None:
        return Change(Kind.GONE, old, new)
    moved = difference(old.quantity, new.quantity)
    if new.verdict in _OPEN and old.verdict not in _OPEN:
        return Change(Kind.BROKEN, old, new, moved)
    if old.verdict in _OPEN and new.verdict not in _OPEN:
        return Change(Kind.MENDED, old, new, moved)
    if moved is None:
        same = old.verdict is new.verdict and (old.quantity is None) == (new.quantity is None)
        # Words alone may hold places; a question without a number changed by its verdict only.
        return Change(Kind.SAME if same else _by_verdict(old, new), old, new)
    assert old.quantity is not None and new.quantity is not None
    if _equal(old.quantity, new.quantity) and old.verdict is new.verdict:
        return Change(Kind.SAME, old, new, moved)
    if moved.low <= 0.0 <= moved.high:
        return Change(Kind.UNCLEAR, old, new, moved)
    need = new.requirement or old.requirement
    if need is None:
        return Change(Kind.CHANGED, old, new, moved)
    better = moved.low > 0.0 if need.sense == "at least" else moved.high < 0.0
    return Change(Kind.BETTER if better else Kind.WORSE, old, new, moved)


def _by_verdict(old: Finding, new: Finding) -> Kind:
    order = (Verdict.ERROR, Verdict.FAIL, Verdict.UNDECIDED)
    if old.verdict in order and new.verdict in order and old.verdict is not new.verdict:
        worse = order.index(new.verdict) < order.index(old.verdict)
        return Kind.WORSE if worse else Kind.BETTER
    return Kind.CHANGED


def difference(old: Quantity | None, new: Quantity | None) -> Quantity | None:
    """New value less old, with the interval it lies in; None where there is none.

    Parameters
    ----------
    old, new : Quantity or None

    Examples
    --------
    >>> old, new = Quantity("gap", 8.0, "mm", 7.5, 8.25), Quantity("gap", 9.0, "mm", 8.5, 9.0)
    >>> change = difference(old, new)
    >>> change.low, change.value, change.high
    (0.25, 1.0, 1.5)
    """
    if old is None or new is None or old.unit != new.unit:
        return None
    value = new.value - old.value
    low, high = new.low - old.high, new.high - old.low
    if _equal(old, new):
        # The same question of the same meshes: nothing moved.
        value = low = high = 0.0
    return Quantity(f"change of {new.name}", value, new.unit, low, high)


def _equal(a: Quantity, b: Quantity) -> bool:
    pairs = ((a.value, b.value), (a.low, b.low), (a.high, b.high))
    return all(abs(x - y) <= _SAME * max(1.0, abs(x) * 1e-3) for x, y in pairs)


def _code(change: Change, worse_fails: bool) -> int:
    if change.kind is Kind.WORSE and worse_fails:
        return 1
    if not change.open or change.kind not in (Kind.BROKEN, Kind.NEW, Kind.WORSE):
        return 0
    assert change.new is not None
    return {Verdict.ERROR: 2, Verdict.FAIL: 1}.get(change.new.verdict, 4)

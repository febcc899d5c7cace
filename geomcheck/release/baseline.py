"""The baseline: measured values a team has accepted, which must not get worse.

The file is JSON, sorted and rounded, made to be read in a review and committed. ``geomcheck
accept`` writes it and ``geomcheck prune`` takes out what no question asks any more; a check only
reads it. For each check the project names, every measured value is held against its entry:

- no entry: a fail, since nobody has accepted the value;
- a gap or a least area that nothing measures any more: a fail until it is pruned;
- worse than the entry by no more than the noise: a pass. Where nothing says which side is worse
  (a value without a requirement), any change counts;
- worse by more: a fail if that is so for all values both intervals allow, else undecided.

Each answer is a finding of its own (code ``baseline``): the measured question keeps its verdict.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, NoReturn

from geomcheck.errors import InputError
from geomcheck.files import read_plain
from geomcheck.finding import EntryRef, Finding, Quantity, Requirement, Term, Verdict
from geomcheck.project.settling import BaselineEntry
from geomcheck.wording import capital

CODE = "baseline"
_FORMAT = "geomcheck baseline"
_VERSION = 1
#: Decimals kept of a value: finer than any uncertainty, coarser than rounding noise.
DECIMALS = 4

# Told of everything that is asked: one is gone only where less is asked (a part left out).
_ALWAYS_TOLD = frozenset(
    {("fit-gap", "gap"), ("flow-area", "least area"), ("flow-throat", "least area at any tilt")}
)


@dataclass(frozen=True, order=True)
class Accepted:
    """One accepted value.

    Parameters
    ----------
    vehicle, code, subject, part : str
        The question; ``part`` is the part to blame, empty if none.
    name, unit, value, low, high
        Of the measured quantity.
    """

    vehicle: str
    code: str
    subject: str
    part: str
    name: str
    unit: str
    value: float
    low: float
    high: float

    @property
    def question(self) -> tuple[str, str, str, str, str]:
        """What it is the answer to."""
        return (self.vehicle, self.code, self.subject, self.part, self.name)


Baseline = Mapping[tuple[str, str, str, str, str], Accepted]


def read_baseline(path: Path) -> Baseline:
    """Read a baseline.

    Raises
    ------
    InputError
        The file cannot be read, is no baseline, is of a later layout, or asks one thing twice.
    """

    def refuse(what: str) -> NoReturn:
        raise InputError(
            what, where=str(path), remedy="'geomcheck accept PROJECT' writes the baseline"
        )

    try:
        data = json.loads(read_plain(path).decode("utf-8"), parse_constant=_no_number)
    except OSError as error:
        refuse(f"the baseline cannot be read: {error.strerror}")
    except (ValueError, RecursionError):
        refuse("this is not JSON")
    if not isinstance(data, dict) or data.get("format") != _FORMAT:
        refuse("this is no baseline of geomcheck")
    if data.get("version") != _VERSION:
        refuse(f"this baseline has layout {data.get('version')!r:.40}, not {_VERSION}")
    try:
        if not isinstance(data["entries"], list):
            raise TypeError("a list of entries expected")
        entries = [_read(entry) for entry in data["entries"]]
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        refuse(f"this baseline is damaged ({type(error).__name__}: {str(error)[:200]})")
    found = {entry.question: entry for entry in entries}
    if len(found) < len(entries):
        refuse("this baseline answers a question twice")
    return found


def _read(entry: Any) -> Accepted:
    texts = {key: entry[key] for key in ("vehicle", "code", "subject", "part", "name", "unit")}
    if not all(isinstance(text, str) for text in texts.values()):
        raise TypeError("text expected")
    numbers = [entry[key] for key in ("low", "value", "high")]
    if any(isinstance(x, bool) or not isinstance(x, int | float) for x in numbers):
        raise TypeError("number expected")
    low, value, high = map(float, numbers)
    if not -math.inf < low <= value <= high < math.inf:
        raise ValueError(f"{low} <= {value} <= {high} does not hold")
    return Accepted(**texts, value=value, low=low, high=high)


def _no_number(text: str) -> NoReturn:
    """Refuse NaN and Infinity, which are no JSON."""
    raise ValueError(f"{text} is no number")


def to_text(entries: Iterable[Accepted]) -> str:
    """The baseline as JSON text: one entry a line, sorted, ending in a line feed."""
    lines = ",\n".join(
        "    " + json.dumps(asdict(entry), ensure_ascii=False, allow_nan=False)
        for entry in sorted(entries)
    )
    body = f"[\n{lines}\n  ]" if lines else "[]"
    return f'{{\n  "format": "{_FORMAT}",\n  "version": {_VERSION},\n  "entries": {body}\n}}\n'


def accepted(findings: Iterable[Finding], entry: BaselineEntry) -> tuple[Accepted, ...]:
    """The values of a run that a baseline may hold, as they would stand in it.

    Raises
    ------
    InputError
        Two findings answer the same question; the baseline could not tell them apart.
    """
    found: dict[tuple[str, str, str, str, str], Accepted] = {}
    for finding in findings:
        if finding.code not in entry.checks or finding.quantity is None:
            continue
        one = _accepted(finding, finding.quantity)
        if one.question in found and found[one.question] != one:
            raise InputError(
                f"{one.code} {one.subject} of {one.vehicle} has two values of one name",
                remedy="leave this check out of the baseline",
            )
        found[one.question] = one
    return tuple(sorted(found.values()))


def _accepted(finding: Finding, quantity: Quantity) -> Accepted:
    value, low, high = (
        round(number, DECIMALS) + 0.0 for number in (quantity.value, quantity.low, quantity.high)
    )
    return Accepted(
        finding.vehicle,
        finding.code,
        finding.subject,
        finding.parts[-1] if finding.parts else "",
        quantity.name,
        quantity.unit,
        value,
        min(low, value),
        max(high, value),
    )


def against_baseline(
    findings: Iterable[Finding],
    baseline: Baseline,
    entry: BaselineEntry,
    *,
    ref: EntryRef,
    vehicles: Iterable[str],
    asked: frozenset[str],
) -> tuple[Finding, ...]:
    """Findings on how a run stands against the baseline.

    Parameters
    ----------
    findings, baseline, entry, ref
    vehicles : iterable of str
        The vehicles that were run; nothing is said of others.
    asked : frozenset of str
        The checks that were run.
    """
    answers = []
    met, subjects, run = set(), set(), frozenset(vehicles)
    for finding in findings:
        subjects.add((finding.vehicle, finding.code, finding.subject))
        if finding.code not in entry.checks or finding.quantity is None:
            continue
        now = _accepted(finding, finding.quantity)
        met.add(now.question)
        then = baseline.get(now.question)
        answers.append(_answer(finding, finding.quantity, then, entry, ref))
    for question, then in baseline.items():
        if question not in met and then.vehicle in run and then.code in asked:
            told = (then.code, then.name) in _ALWAYS_TOLD
            answers.append(_obsolete(then, ref, lost=told and question[:3] not in subjects))
    return tuple(answers)


def _answer(
    finding: Finding,
    now: Quantity,
    then: Accepted | None,
    entry: BaselineEntry,
    ref: EntryRef,
) -> Finding:
    def answer(
        verdict: Verdict, message: str, remedy: str = "", worse: Quantity | None = None
    ) -> Finding:
        return Finding(
            code=CODE,
            verdict=verdict,
            vehicle=finding.vehicle,
            subject=f"{finding.code} {finding.subject}, {now.name}",
            parts=finding.parts,
            message=message,
            remedy=remedy,
            witnesses=finding.witnesses,
            view=finding.view,
            entry=ref,
            quantity=worse,
            requirement=None if worse is None else need,
        )

    noise = entry.noise.get(now.unit, 0.0)
    need = Requirement("at most", noise, now.unit, f'baseline, noise for "{now.unit}"')
    accept = "Mend it, or let 'geomcheck accept' take the new value into the baseline."
    what = f"{now.name} of {finding.subject}"
    if then is None:
        return answer(Verdict.FAIL, f"The {what} is in no entry of the baseline.", accept)
    if then.unit != now.unit:
        return answer(
            Verdict.FAIL, f"The {what} is in {now.unit}; the baseline has {then.unit}.", accept
        )
    worse = _worse(now, then, finding.requirement)
    told = f"{what}: {now.value:.6g} {now.unit}, accepted {then.value:.6g}"
    # The same mesh gives the same value: what both were read as is compared without their
    # intervals, and a difference within the noise, or within what the file rounds off, is none.
    read = worse.value if abs(worse.value) > 0.5 * 10.0**-DECIMALS else 0.0
    if read <= noise:
        exact = Quantity(worse.name, read, worse.unit, read, read)
        return answer(Verdict.PASS, f"{told}.", "", exact)
    if worse.low > noise:
        return answer(Verdict.FAIL, f"{told}: {_by(worse)}.", accept, worse)
    return answer(
        Verdict.UNDECIDED,
        f"{told}: {_by(worse)}, which lies inside the uncertainty of the two.",
        accept,
        worse,
    )


def _by(worse: Quantity) -> str:
    return f"{worse.name} by {worse.value:.4g} {worse.unit} ({worse.low:.4g} to {worse.high:.4g})"


def _worse(now: Quantity, then: Accepted, requirement: Requirement | None) -> Quantity:
    """By how much a value is worse than accepted, as a quantity; negative where it is better."""
    up, fell = now.value - then.value, then.value - now.value
    spread = (now.high - now.value) + (then.value - then.low)
    drop = (now.value - now.low) + (then.high - then.value)
    sense = requirement.sense if requirement is not None else None
    if sense == "at most" or (sense is None and up >= 0.0):
        value, plus, minus = up, spread, drop
    else:
        value, plus, minus = fell, drop, spread
    if sense is None:
        minus = min(minus, value)
    name = "change" if sense is None else "worse"
    term = Term("both intervals", max(minus, 0.0), max(plus, 0.0), "taken as independent")
    return Quantity.from_terms(name, value, now.unit, (term,))


def _obsolete(then: Accepted, ref: EntryRef, *, lost: bool) -> Finding:
    prune = "let 'geomcheck prune' take it out of the baseline."
    return Finding(
        CODE,
        Verdict.FAIL if lost else Verdict.NOT_APPLICABLE,
        then.vehicle,
        f"{then.code} {then.subject}, {then.name}, obsolete",
        (then.part,) if then.part else (),
        f"No question asks for the {then.name} of {then.subject} any more.",
        f"Ask for it again; or, where that is meant, {prune}" if lost else capital(prune),
        entry=ref,
        about_input=not lost,
    )

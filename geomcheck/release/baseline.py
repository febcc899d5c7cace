"""The baseline: measured values a team has accepted, which must not get worse.

The file is JSON, sorted and rounded, made to be read in a review and committed. ``geomcheck
accept`` writes it and ``geomcheck prune`` takes out what no question asks any more; a check only
reads it.
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
from geomcheck.finding import Finding, Quantity
from geomcheck.project.settling import BaselineEntry

CODE = "baseline"
_FORMAT = "geomcheck baseline"
_VERSION = 1
#: Decimals kept of a value: finer than any uncertainty, coarser than rounding noise.
DECIMALS = 4


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
        one = value_of(finding, finding.quantity)
        if one.question in found and found[one.question] != one:
            raise InputError(
                f"{one.code} {one.subject} of {one.vehicle} has two values of one name",
                remedy="leave this check out of the baseline",
            )
        found[one.question] = one
    return tuple(sorted(found.values()))


def value_of(finding: Finding, quantity: Quantity) -> Accepted:
    """A measured value as the baseline's file would hold it, rounded."""
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

"""The result as JSON, by the schema in ``result.schema.json`` beside this file.

Numbers are rounded to a millionth of their unit, keys stand in a fixed order, and there is no
time stamp: the same input gives the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any, Literal, NoReturn

from geomcheck.errors import InputError
from geomcheck.files import read_plain
from geomcheck.finding import (
    FAIL_LEVELS,
    EntryRef,
    FailLevel,
    Finding,
    PartSummary,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    Witness,
)

#: Raised when a key changes its meaning or goes; new keys alone do not raise it.
SCHEMA_VERSION = 1
DECIMALS = 6


def to_json(result: Result) -> str:
    """The whole result as indented JSON text, ending in a line feed.

    Examples
    --------
    >>> text = to_json(Result("p", "p.toml", "0", (), {}, ()))
    >>> '"exit_code": 3' in text
    True
    """
    return json.dumps(to_data(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def to_data(result: Result) -> dict[str, Any]:
    """The result in JSON types; ``result.schema.json`` documents every key."""
    counts = {str(verdict): 0 for verdict in Verdict}
    for finding in result.findings:
        counts[str(finding.verdict)] += 1
    return {
        "schema": "geomcheck result",
        "schema_version": SCHEMA_VERSION,
        "geomcheck": result.version,
        "project": result.project,
        "file": result.file,
        "exit_code": result.exit_code,
        "fail_level": result.fail_level,
        "counts": counts,
        "units": {"length": "mm", "angle": "deg", "frame": "housing"},
        "vehicles": list(result.vehicles),
        "parts": {
            vehicle: [rounded(asdict(part)) for part in parts]
            for vehicle, parts in result.parts.items()
        },
        "findings": [_finding(finding) for finding in result.findings],
    }


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) the output follows."""
    text = resources.files(__package__).joinpath("result.schema.json").read_text("utf-8")
    data: dict[str, Any] = json.loads(text)
    return data


def read_result(path: Path) -> Result:
    """Read a result that :func:`to_json` wrote.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        The file cannot be read, is no result of geomcheck, is of a later layout, or does not
        hold what a result holds.
    """

    def refuse(
        what: str, remedy: str = "give a file that 'geomcheck check --json' wrote"
    ) -> NoReturn:
        raise InputError(what, where=str(path), remedy=remedy)

    try:
        data = json.loads(read_plain(path).decode("utf-8"), parse_constant=_no_number)
    except OSError as error:
        refuse(f"cannot be read: {error.strerror}")
    except (ValueError, RecursionError):
        refuse("this is not JSON")
    if not isinstance(data, dict) or data.get("schema") != "geomcheck result":
        refuse("this is no result of geomcheck")
    if data.get("schema_version") != SCHEMA_VERSION:
        refuse(
            f"this result has layout {data.get('schema_version')!r:.40}, not {SCHEMA_VERSION}",
            "write it again with this version of geomcheck",
        )
    try:
        result = from_data(data)
        told = [data["exit_code"], *(data["counts"].get(str(verdict), 0) for verdict in Verdict)]
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        refuse(f"this result is damaged ({type(error).__name__}: {str(error)[:200]})")
    # A finding that was lost or changed on the way must not go unseen.
    verdicts = [finding.verdict for finding in result.findings]
    if told != [result.exit_code, *(verdicts.count(verdict) for verdict in Verdict)]:
        refuse("this result is damaged (its counts are not those of its findings)")
    return result


def from_data(data: Mapping[str, Any]) -> Result:
    """The result that :func:`to_data` wrote; KeyError, TypeError or ValueError where it is none."""
    return Result(
        project=_text(data["project"]),
        file=_text(data["file"]),
        version=_text(data["geomcheck"]),
        vehicles=tuple(_text(name) for name in _list(data["vehicles"])),
        parts={
            vehicle: tuple(_read_part(part) for part in _list(parts))
            for vehicle, parts in data["parts"].items()
        },
        findings=tuple(_read_finding(finding) for finding in _list(data["findings"])),
        fail_level=_level(data.get("fail_level", "undecided")),
    )


def _level(value: Any) -> FailLevel:
    if value not in FAIL_LEVELS:
        raise ValueError(f"{value!r} is no fail level")
    level: FailLevel = value
    return level


def _read_finding(data: Mapping[str, Any]) -> Finding:
    quantity, requirement = data["quantity"], data["requirement"]
    return Finding(
        code=_text(data["code"]),
        verdict=Verdict(data["verdict"]),
        vehicle=_text(data["vehicle"]),
        subject=_text(data["subject"]),
        parts=tuple(_text(name) for name in _list(data["parts"])),
        message=_text(data["message"]),
        remedy=_text(data["remedy"]),
        caution=_text(data["caution"]),
        about_input=_truth(data["about_input"]),
        quantity=None if quantity is None else _read_quantity(quantity),
        requirement=None if requirement is None else _read_requirement(requirement),
        witnesses=tuple(
            Witness(_text(w["label"]), _text(w["part"]), _point(w["point"]))
            for w in _list(data["witnesses"])
        ),
        view=None if data["view"] is None else _point(data["view"]),
        entry=None if data["entry"] is None else _read_entry(data["entry"]),
        details=_table(data["details"]),
    )


def _read_quantity(data: Mapping[str, Any]) -> Quantity:
    terms = tuple(
        Term(_text(t["name"]), _number(t["minus"]), _number(t["plus"]), _text(t["source"]))
        for t in _list(data["terms"])
    )
    low, value, high = (_number(data[key]) for key in ("low", "value", "high"))
    # Rounding may put a bound a millionth past the value.
    slack = 2.0 * 10.0**-DECIMALS
    if not low - slack <= value <= high + slack:
        raise ValueError(f"{value:g} is not between {low:g} and {high:g}")
    return Quantity(
        _text(data["name"]), value, _text(data["unit"]), min(low, value), max(high, value), terms
    )


def _read_requirement(data: Mapping[str, Any]) -> Requirement:
    sense: Literal["at least", "at most"] = data["sense"]
    if sense not in ("at least", "at most"):
        raise ValueError(f"{sense!r} is no sense of a requirement")
    return Requirement(sense, _number(data["limit"]), _text(data["unit"]), _text(data["source"]))


def _read_entry(data: Mapping[str, Any]) -> EntryRef:
    line = data["line"]
    if line is not None and type(line) is not int:
        raise TypeError(f"{line!r} is no line")
    return EntryRef(_text(data["file"]), line, _text(data["entry"]))


def _read_part(data: Mapping[str, Any]) -> PartSummary:
    name, file, role, kind, mesh = (
        _text(data[k]) for k in ("name", "file", "role", "kind", "mesh")
    )
    triangles = data["triangles"]
    if type(triangles) is not int:
        raise TypeError(f"{triangles!r} is no count")
    return PartSummary(name, file, role, kind, mesh, triangles, _point(data["size"]))


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise TypeError(f"{value!r} is no list")
    return value


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"{value!r} is neither true nor false")
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} is not a number")
    if not math.isfinite(value):
        raise ValueError("a number past all bounds")
    return float(value)


def _table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise TypeError(f"{value!r:.200} is no table")
    _bounded(value)
    return dict(value)


def _bounded(value: Any) -> None:
    """Refuse numbers that are not finite, however deep: 1e999 is JSON and reads as infinite."""
    if isinstance(value, dict):
        for inner in value.values():
            _bounded(inner)
    elif isinstance(value, list):
        for inner in value:
            _bounded(inner)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        _number(value)


def _no_number(text: str) -> NoReturn:
    """Refuse NaN and Infinity, which are no JSON."""
    raise ValueError(f"{text} is no number")


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not text")
    return value


def _point(value: Any) -> tuple[float, float, float]:
    x, y, z = (_number(number) for number in _list(value))
    return (x, y, z)


def _finding(finding: Finding) -> dict[str, Any]:
    requirement = finding.requirement
    data = {
        "code": finding.code,
        "verdict": str(finding.verdict),
        "vehicle": finding.vehicle,
        "subject": finding.subject,
        "parts": list(finding.parts),
        "message": finding.message,
        "remedy": finding.remedy,
        "caution": finding.caution,
        "about_input": finding.about_input,
        "quantity": _quantity(finding.quantity) if finding.quantity else None,
        "requirement": asdict(requirement) if requirement else None,
        "witnesses": [asdict(witness) for witness in finding.witnesses],
        "view": finding.view,
        "entry": asdict(finding.entry) if finding.entry else None,
        "details": dict(finding.details),
    }
    written: dict[str, Any] = rounded(data)
    return written


def _quantity(quantity: Quantity) -> dict[str, Any]:
    return {
        "name": quantity.name,
        "value": quantity.value,
        "unit": quantity.unit,
        "low": quantity.low,
        "high": quantity.high,
        "terms": [asdict(term) for term in quantity.terms],
    }


def rounded(value: Any) -> Any:
    """Round every float; -0.0 becomes 0.0, so that a sign of nothing cannot change the bytes."""
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0
    if isinstance(value, Mapping):
        return {str(key): rounded(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(inner) for inner in value]
    return value

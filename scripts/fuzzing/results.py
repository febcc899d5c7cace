"""Damaged results and baselines: each is refused, or all of it is read and every report made."""

from __future__ import annotations

import io
import json
import random
from pathlib import Path
from typing import Any

from fuzzing.judged import FaultError, refused
from fuzzing.mutate import damage, tables
from geomcheck.compare.changes import compare
from geomcheck.errors import InputError
from geomcheck.finding import (
    EntryRef,
    Finding,
    PartSummary,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    Witness,
)
from geomcheck.release.baseline import Accepted, read_baseline
from geomcheck.release.baseline import to_text as baseline_text
from geomcheck.reports.changes import show_comparison
from geomcheck.reports.json import read_result, to_json
from geomcheck.reports.junit import to_junit
from geomcheck.reports.markdown import to_markdown
from geomcheck.reports.sarif import to_sarif
from geomcheck.reports.terminal import show
from geomcheck.reports.workflow import workflow_commands


def _finding(verdict: Verdict, gap: float, **more: Any) -> Finding:
    return Finding(
        code="fit-gap",
        verdict=verdict,
        vehicle="hatch",
        subject=f"housing / bonnet {gap:g}",
        parts=("housing", "bonnet"),
        message=f"The gap is {gap:.2f} mm at (1.00, 2.00, 3.00).",
        remedy="Move it.",
        quantity=Quantity.from_terms("gap", gap, "mm", (Term("facets", 0.1, 0.0, "estimated"),)),
        requirement=Requirement("at least", 10.0, "mm", 'class "body panel"'),
        witnesses=(Witness("nearest", "housing", (1.0, 2.0, 3.0)),),
        view=(0.0, 0.0, 1.0),
        entry=EntryRef("project.toml", 14, 'vehicle "hatch" > part "bonnet"'),
        **more,
    )


RESULT = Result(
    project="block",
    file="project.toml",
    version="0.1",
    vehicles=("hatch",),
    parts={"hatch": (PartSummary("housing", "h.stl", "housing", "", "closed", 12, (4, 3, 2)),)},
    findings=(
        _finding(Verdict.FAIL, 6.0),
        _finding(Verdict.UNDECIDED, 10.05),
        _finding(Verdict.WAIVED, 9.0, details={"waiver": {"owner": "B", "expires": "2030-01-01"}}),
        _finding(Verdict.PASS, 12.0, caution="Mind the fuel line."),
    ),
)
_RESULT = to_json(RESULT)
_BASELINE = baseline_text(
    Accepted("hatch", "fit-gap", f"housing / {n}", n, "gap", "mm", 6.0, 5.9, 6.0)
    for n in ("bonnet", "grille", "hose")
)


def make(rng: random.Random, text: str) -> tuple[str, bytes]:
    """Ending and content of damaged JSON."""
    if rng.random() < 0.5:
        return ".json", damage(rng, text.encode(), (text.encode(),))
    changed = tables(rng, json.loads(text))
    return ".json", json.dumps(changed, default=str, indent=2).encode("utf-8", "replace")


def make_result(rng: random.Random) -> tuple[str, bytes]:
    """A damaged result."""
    return make(rng, _RESULT)


def make_baseline(rng: random.Random) -> tuple[str, bytes]:
    """A damaged baseline."""
    return make(rng, _BASELINE)


def judge_result(file: Path, content: bytes) -> str:
    """What became of a result; FaultError where that must not be."""
    try:
        result = read_result(file)
    except InputError as error:
        return refused(error, file)
    written = json.loads(to_json(result))
    given = json.loads(content)
    same = written == json.loads(_RESULT)
    for key in ("exit_code", "counts", "vehicles", "parts", "findings"):
        if key == "counts":
            given[key] = {k: v for k, v in given[key].items() if k in written[key] and v}
            written[key] = {k: v for k, v in written[key].items() if v}
        _within(written[key], given[key], key)
    compared = compare(RESULT, result)
    compared.exit_code(worse_fails=True)
    show_comparison(compared, io.StringIO(), show_all=True)
    show(result, io.StringIO(), show_all=True)
    for write in (to_junit, to_markdown):
        write(result)
    to_sarif(result, {"fit-gap": ("gaps", "Remedy: none")}, uri="project.toml")
    list(workflow_commands(result, path="project.toml"))
    return "read, as it was" if same else "read whole"


def _within(written: Any, given: Any, where: str) -> None:
    """Refuse where something written again is other than what was given."""
    if isinstance(written, dict) and isinstance(given, dict):
        if set(written) - set(given):
            raise FaultError(f"{where}: made up {sorted(set(written) - set(given))}")
        for key, value in written.items():
            _within(value, given[key], f"{where}.{key}")
    elif isinstance(written, list) and isinstance(given, list) and len(written) == len(given):
        for number, (value, other) in enumerate(zip(written, given, strict=True)):
            _within(value, other, f"{where}.{number}")
    elif isinstance(written, float) and isinstance(given, int | float):
        if not abs(written - given) <= 2e-6 + 1e-12 * abs(given):
            raise FaultError(f"{where}: {given!r} became {written!r}")
    elif written != given:
        raise FaultError(f"{where}: {given!r} became {written!r}")


def judge_baseline(file: Path, content: bytes) -> str:
    """What became of a baseline; FaultError where that must not be."""
    try:
        entries = read_baseline(file)
    except InputError as error:
        return refused(error, file)
    written = json.loads(baseline_text(entries.values()))["entries"]
    given = json.loads(content)["entries"]
    given.sort(key=lambda entry: [str(entry[key]) for key in written[0]] if written else [])
    written.sort(key=lambda entry: [str(value) for value in entry.values()])
    _within(written, given, "entries")
    return "read, as it was" if written == json.loads(_BASELINE)["entries"] else "read whole"

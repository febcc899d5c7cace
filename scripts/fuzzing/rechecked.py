"""Damaged results put to ``geomcheck verify``: refused, contradicted or left open, or unharmed.

The project is the one of the tests in which every check has something to say. One finding of its
result is damaged, byte by byte or in its tables, with the counts put right as a forger would; or
one of its figures is changed by far more than any two routes may differ, which must be told.
"""

from __future__ import annotations

import copy
import importlib.util
import io
import json
import math
import random
from functools import cache
from pathlib import Path
from typing import Any

from fuzzing.judged import FaultError, refused
from fuzzing.mutate import damage, tables
from geomcheck.errors import InputError
from geomcheck.finding import Finding, Result
from geomcheck.project.load import Project, load
from geomcheck.reports.json import from_data, read_result, to_json
from geomcheck.verify import recheck
from geomcheck.verify.claims import Recheck, Report, Status
from geomcheck.verify.recheck import claims_of
from geomcheck.verify.scene import Scene
from geomcheck.verify.show import rechecks_text, show_rechecks

#: In place of a recipe: no damage.
PLAIN = b"plain"
_TESTS = Path(__file__).resolve().parents[2] / "tests" / "verify" / "test_witnesses.py"
#: Bodies of the parts, read and placed once a process.
_BODIES: dict[Any, Any] = {}
#: Fewer whole results than single findings: a whole one takes seconds.
_WHOLE = 0.03


@cache
def _told(folder: Path) -> tuple[Project, dict[str, Any]]:
    """The project in a folder, and its honest result as JSON."""
    spec = importlib.util.spec_from_file_location("witnesses", _TESTS)
    assert spec is not None
    assert spec.loader is not None
    witnesses = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(witnesses)
    folder.mkdir(exist_ok=True)
    findings, _ = witnesses.checked(folder, "exact")
    project = load(folder / "project.toml")
    name, vehicles = project.document.name, tuple(project.vehicles)
    result = Result(name, "project.toml", "0", vehicles, {}, tuple(findings))
    return project, json.loads(to_json(result))


def make(rng: random.Random) -> tuple[str, bytes]:
    """Ending and a recipe: the damage is done where the meshes are."""
    return ".json", str(rng.getrandbits(64)).encode()


def judge(file: Path, content: bytes) -> str:
    """What became of a damaged result; FaultError where that must not be."""
    project, honest = _told(file.parent / "asked")
    if content == PLAIN:
        file.write_text(json.dumps(honest), "utf-8")
        report = recheck(file, project.file)
        if report.exit_code not in (0, 4):
            return f"{len(report.of(Status.CONTRADICTED))} honest findings contradicted"
        held = len(report.of(Status.CONFIRMED))
        return "passed, all answered" if held > 30 else f"no more than {held} confirmed"
    rng = random.Random(content)
    data = copy.deepcopy(honest)
    number = rng.randrange(len(data["findings"]))
    figure = rng.random() < 0.3 and falsified(rng, data["findings"][number])
    if not figure:
        _damaged(rng, data, number)
    _put_right(data)
    # A number past all bounds is legal JSON, unlike the word for it.
    text = json.dumps(data, default=str).replace("Infinity", "1e999")
    if rng.random() < _WHOLE:
        file.write_bytes(damage(rng, text.encode("utf-8", "replace")))
        return _whole(file, project)
    file.write_text(text, "utf-8", "replace")
    return _one(file, project, honest, number, figure)


def _damaged(rng: random.Random, data: dict[str, Any], number: int) -> None:
    """Hurt a finding's tables or text, or put another in its place."""
    finding, way = data["findings"][number], rng.random()
    if way < 0.1:
        other = rng.choice(data["findings"])
        for key in rng.sample(sorted(finding), 3):
            finding[key] = copy.deepcopy(other[key])
    elif way < 0.4:
        try:
            hurt = json.loads(damage(rng, json.dumps(finding).encode()))
        except (ValueError, RecursionError):
            hurt = None
        data["findings"][number] = hurt
    elif way < 0.7:
        finding["details"] = tables(rng, finding["details"])
    else:
        data["findings"][number] = tables(rng, finding)


def falsified(rng: random.Random, finding: dict[str, Any]) -> str:
    """Change one figure past any tolerance, the rest in step; what it was, empty if none."""
    quantity = finding["quantity"]
    ways = ["witness"] if finding["witnesses"] else []
    if quantity is not None and finding["verdict"] != "not applicable":
        ways += ["value", "limit"] if finding["requirement"] is not None else ["value"]
    if not ways:
        return ""
    way = rng.choice(ways)
    if way == "witness":
        place = rng.choice(finding["witnesses"])
        place["point"][rng.randrange(3)] += rng.choice((-7.3, 5.9, 1e4))
    elif way == "limit":
        finding["requirement"]["limit"] *= rng.choice((0.25, 4.0))
        finding["requirement"]["limit"] += 0.37
    else:
        size = max(1.0, abs(quantity["value"]))
        off = size * rng.choice((-0.6, 0.6, 3.0))
        for key in ("low", "value", "high"):
            quantity[key] += off
    return way


def _put_right(data: dict[str, Any]) -> None:
    """Counts and exit code as the findings say, where they can be read at all."""
    try:
        result = from_data(data)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return
    counts = dict.fromkeys(data["counts"], 0)
    for finding in result.findings:
        counts[str(finding.verdict)] += 1
    data["counts"], data["exit_code"] = counts, result.exit_code


def _one(
    file: Path, project: Project, honest: dict[str, Any], number: int, figure: str | bool
) -> str:
    """What the second route says of the damaged finding alone."""
    try:
        result: Result = read_result(file)
        finding: Finding = result.findings[number]
        scene = Scene(project, result.findings)
        scene._known = _BODIES
        one = Recheck(finding, claims_of(scene, finding, file))
    except InputError as error:
        # A vehicle or part that the project does not have is told with the project file.
        return refused(error, project.file if project.file.name in error.text else file)
    report = Report((), (one,))
    rechecks_text(report)
    show_rechecks(report, io.StringIO(), show_all=True)
    if not all(map(_printable, (c.words for c in one.claims))):
        raise FaultError(f"words that are not one line: {[c.words for c in one.claims]!r:.300}")
    if figure and one.status is Status.CONFIRMED:
        raise FaultError(f"{finding.code} {finding.subject}: {figure} falsified, yet confirmed")
    if math.isnan(sum(w.point[0] for w in finding.witnesses)):
        raise FaultError("a witness nowhere")
    said = "falsified, " if figure else ""
    same = json.loads(to_json(result))["findings"][number] == honest["findings"][number]
    return f"{said}{one.status}{' (unharmed)' if same else ''}"


def _printable(words: str) -> bool:
    return len(words) < 5000 and len(words.splitlines()) <= 1


def _whole(file: Path, project: Project) -> str:
    """The command's own way, over all findings."""
    try:
        report = recheck(file, project.file)
    except InputError as error:
        return refused(error, file)
    rechecks_text(report)
    show_rechecks(report, io.StringIO())
    return f"whole, exit code {report.exit_code}"

"""Damaged projects put to the gate: what still passes must answer every question it asks.

The questions are counted in the tables themselves, by another route than the checks': each
vehicle's part must be met in a gap, each fastener, duct, mate and port in a finding of its own.
"""

from __future__ import annotations

import datetime
import random
import tomllib
from pathlib import Path
from typing import Any

import trimesh

from fuzzing.judged import FaultError, refused
from fuzzing.mutate import damage, tables, to_toml
from geomcheck import session
from geomcheck.errors import InputError
from geomcheck.finding import Result
from geomcheck.reports.json import to_json

TEXT = """\
format = 1
name = "block"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
size = [60, 60, 40]
on_surface = [[30, 5, 10], [-30, 5, 10], [28, 5, 20]]

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
[[vehicle.part]]
name = "tray"
file = "tray.stl"
class = "body panel"

[[vehicle]]
name = "van"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"

[[fastener]]
name = "B1"
part = "housing"
at = [22, -22, 20]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20

[check.fit-gap.required]
"body panel" = 10
"""
#: Checks whose answers are counted; others take their time and are damaged in the reader's tests.
ONLY = ("fit-gap", "fasten-reach")
TODAY = datetime.date(2026, 1, 1)
#: In place of a recipe: no damage.
PLAIN = b"plain"
#: Worked out once a process.
_WAIVER: list[str] = []


def write_meshes(folder: Path) -> None:
    """The parts beside the project file."""
    box = trimesh.creation.box((60, 60, 40))
    notch = trimesh.creation.box((10, 10, 10)).apply_translation((-30, 5, 20))
    bore = trimesh.creation.cylinder(15, 60, sections=24)
    parts = {
        "housing": trimesh.boolean.difference([box, bore, notch], engine="manifold"),
        "bonnet": trimesh.creation.box((80, 80, 2)).apply_translation((0, 0, 301)),
        "tray": trimesh.creation.box((80, 80, 2)).apply_translation((0, 0, -26)),
    }
    for name, part in parts.items():
        if not (folder / f"{name}.stl").exists():
            part.export(folder / f"{name}.stl")


def text(folder: Path) -> str:
    """The undamaged project, with a waiver bound to the meshes in ``folder``."""
    if not _WAIVER:
        file = folder / "plain.toml"
        file.write_text(TEXT, "utf-8")
        waiver = session.waiver(
            file, _silent, code="fit-gap", subject="housing / tray", vehicle="hatch",
            reason="agreed", owner="B. Smith", expires=datetime.date(2030, 12, 31), radius=10.0,
        )  # fmt: skip
        _WAIVER.append(waiver)
    return TEXT + _WAIVER[0]


def _silent(_what: str, _done: int, _total: int) -> None:
    """Progress that nobody looks at."""


def make(rng: random.Random) -> tuple[str, bytes]:
    """Ending and a recipe: the damage is done where the meshes are."""
    return ".toml", str(rng.getrandbits(64)).encode()


def judge(file: Path, content: bytes) -> str:
    """What became of a project at the gate; FaultError where that must not be."""
    write_meshes(file.parent)
    rng = random.Random(content)
    whole = text(file.parent)
    if content == PLAIN:
        damaged = whole.encode()
    elif rng.random() < 0.3:
        damaged = damage(rng, whole.encode(), ())
    else:
        damaged = to_toml(tables(rng, tomllib.loads(whole))).encode("utf-8", "replace")
    file.write_bytes(damaged)
    try:
        run = session.run(file, _silent, only=ONLY, today=TODAY)
    except InputError as error:
        return refused(error, file)
    to_json(run.result)
    if run.result.exit_code != 0:
        return f"exit code {run.result.exit_code}"
    unanswered(tomllib.loads(damaged.decode("utf-8-sig")), run.result)
    return "passed, all answered"


def unanswered(data: dict[str, Any], result: Result) -> None:
    """Refuse a pass that leaves something unanswered."""
    vehicles = data.get("vehicle", data.get("vehicles", []))
    names = [vehicle["name"] for vehicle in vehicles] or ["bench"]
    if list(result.vehicles) != names:
        raise FaultError(f"asked of {names}, answered for {result.vehicles}")
    for vehicle in vehicles:
        for part in vehicle.get("part", vehicle.get("parts", [])):
            said = {part.get("gap", True), part.get("role", "neighbour") == "neighbour"}
            if False not in said:
                _met(result, "fit-gap", vehicle["name"], part["name"])
    for fastener in data.get("fastener", data.get("fasteners", [])):
        for name in names:
            if fastener.get("vehicle") in (None, name):
                _met(result, "fasten-reach", name, fastener["name"])


def _met(result: Result, code: str, vehicle: str, name: str) -> None:
    for finding in result.findings:
        asked = finding.code == code and finding.vehicle == vehicle
        if asked and (name in finding.subject or name in finding.parts):
            if finding.verdict.value in ("pass", "waived"):
                return
            raise FaultError(f"{code} of {name} is {finding.verdict} in a run that passed")
    raise FaultError(f"{code} says nothing of {name} in {vehicle}")

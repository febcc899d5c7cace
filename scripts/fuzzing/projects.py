"""Damaged project files: each is refused, or every key of it has reached the settings.

The text is damaged byte by byte, or its tables are changed and written again.
"""

from __future__ import annotations

import math
import random
import tomllib
from pathlib import Path
from typing import Any

from fuzzing.judged import FaultError, refused
from fuzzing.mutate import damage, tables, to_toml
from geomcheck import gate
from geomcheck.errors import InputError
from geomcheck.project.load import load

#: One of every table.
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
casting = { grade = "DCTG 9", datum = [0, 0, 0] }

[[part]]
name = "blade"
file = "blade.stl"
role = "carried"
class = "throttle"
gap = false
place = { move = [0, 0, 5], turn = [{ axis = [1, 0, 0], angle = 40, about = [0, 0, 20] }] }

[[vehicle]]
name = "hatch"
place = { move = [1, 2, 3] }
[[vehicle.part]]
name = "bonnet"  # over it
file = "bonnet.stl"
class = "body panel"
scan = { noise = 0.1, alignment = 0.3 }
trim = "never"
[[vehicle]]
name = 'van'
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"
sagitta = 0.05

[[mate]]
name = "flange"
parts = ["housing", "blade"]
at = [0, 0, 20]
normal = [0, 0, 1]
gasket = 0.5

[[duct]]
name = "bore"
walls = ["housing"]
obstacles = ["blade"]
path = [[0, 0, -19], [0, 0, 19]]
least_area = 600
states = ["open"]
[duct.flow]
mass_flow = 0.2
most_loss = 3

[[state]]
name = "open"
[[state.part]]
name = "blade"
place = { turn = [{ axis = [1, 0, 0], angle = 90, about = [0, 0, 20] }] }

[[fastener]]
name = "B1"
part = "housing"
at = [22, -22, 20]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20
tools = ["stubby"]
engagement = "1.5d"

[[tool]]
name = "stubby"
kind = "ratchet"
drive = "hexagon socket"
across_flats = 5
profile = [[0, 26, 18], [26, 50, 30]]
handle = [[30, 46, 20, 0, 90]]
arc = 13

[[pattern]]
name = "ring"
parts = ["housing", "bonnet"]
at = [0, 0, 20]
normal = [0, 0, 1]
within = 40
bolt = 6
diameters = [5, 9]

[[movement]]
name = "engine roll"
required = 4
against = ["bonnet"]
rock = { turn = [{ axis = [1, 0, 0], about = [0, 0, 0], angle = [-3, 3] }], x = [-1, 1] }

[[connector]]
name = "plug"
part = "housing"
at = [30, 5, 10]
axis = [1, 0, 0]
stroke = 12
length = 30
box = [20, 14]
up = [0, 0, 1]

[[service]]
name = "filler"
part = "housing"
at = [30, 5, 10]
axis = [1, 0, 0]
head = "ISO 4762"
size = "M6"

[order]
allow = 0.2

[[waiver]]
code = "fit-gap"
vehicle = "hatch"
subject = "housing / bonnet"
at = [0, 0, 20]
at_least = 5.5
reason = "agreed"
owner = "B. Smith"
expires = 2030-12-31
shape = { housing = "00ff", bonnet = "00ff" }

[baseline]
file = "baseline.json"
checks = ["fit-gap"]
noise = { mm = 0.02 }

[check.fit-gap]
combine = "worst case"
[check.fit-gap.required]
"body panel" = 10
"""


def make_text(rng: random.Random) -> tuple[str, bytes]:
    """Ending and content of a project file with damaged bytes."""
    return ".toml", damage(rng, TEXT.encode(), (TEXT.encode(),))


def make_tables(rng: random.Random) -> tuple[str, bytes]:
    """Ending and content of a project file with changed tables."""
    return ".toml", to_toml(tables(rng, tomllib.loads(TEXT))).encode("utf-8", "replace")


def judge(file: Path, content: bytes) -> str:
    """What became of a project file; FaultError where that must not be."""
    try:
        project = load(file)
        gate.asked(project)
        settings = {
            code: project.settings(code, check.Settings)
            for code, check in gate.discover().items()
            if code in project.document.check
        }
    except InputError as error:
        return refused(error, file)
    data = tomllib.loads(content.decode("utf-8-sig"))
    checks = data.pop("check", {})
    compare(data, project.document.model_dump(by_alias=True, exclude_unset=True), "")
    for code, raw in checks.items():
        compare(raw, settings[code].model_dump(by_alias=True, exclude_unset=True), code)
    same = data == {k: v for k, v in tomllib.loads(TEXT).items() if k != "check"}
    return "taken in, the same tables" if same else "taken in whole"


def compare(given: Any, taken: Any, where: str) -> None:
    """Refuse settings that say other than the tables; ``where`` for the message."""
    if isinstance(given, dict):
        if not isinstance(taken, dict):
            raise FaultError(f"{where}: {given!r} became {taken!r}")
        # Either name of a field may be given.
        lost = {k for k in given if k not in taken and k.rstrip("s") not in taken and k != "kind"}
        if lost or len(given) > len(taken):
            raise FaultError(f"{where}: lost {sorted(lost) or sorted(set(given) ^ set(taken))}")
        for key, value in given.items():
            other = taken.get(key, taken.get(key.rstrip("s"), taken.get("class")))
            compare(value, other, f"{where}.{key}")
    elif isinstance(given, list):
        if not isinstance(taken, list | tuple) or len(given) != len(taken):
            raise FaultError(f"{where}: {given!r} became {taken!r}")
        length = _length(given)
        if length and where.endswith(("axis", "normal", "along", "direction", "up", "view")):
            given = [x / length for x in given]
        for number, (value, other) in enumerate(zip(given, taken, strict=True)):
            compare(value, other, f"{where}.{number}")
    elif isinstance(given, bool) or isinstance(taken, bool):
        if given is not taken:
            raise FaultError(f"{where}: {given!r} became {taken!r}")
    elif isinstance(given, int | float):
        if not (isinstance(taken, int | float) and math.isclose(given, taken, rel_tol=1e-12)):
            raise FaultError(f"{where}: {given!r} became {taken!r}")
    elif str(given) != str(taken):
        raise FaultError(f"{where}: {given!r} became {taken!r}")


def _length(values: list[Any]) -> float:
    if len(values) == 3 and all(isinstance(x, int | float) for x in values):
        return math.hypot(*values)
    return 0.0

"""A finding taken out of a result is missed, whichever question of the project file it answered."""

from dataclasses import replace

import pytest
import trimesh
from trimesh.creation import box

from geomcheck.finding import Verdict
from geomcheck.project.load import load
from geomcheck.reports.json import read_result
from geomcheck.verify import Status
from geomcheck.verify.questions import left_out

PROJECT = """\
format = 1
name = "questions"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.0

[[part]]
name = "cover"
file = "cover.stl"
role = "carried"
sagitta = 0.0
gap = false

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "panel"
sagitta = 0.0
trim = 5.0

[[vehicle.part]]
name = "tray"
file = "tray.stl"
class = "panel"
sagitta = 0.0
place = { datums = [
  { part = [0, 0, 0], at = [0, 0, 0] },
  { part = [30, 0, 0], at = [30.1, 0, 0] },
  { part = [0, 30, 0], at = [0, 30.1, 0] },
  { part = [30, 30, 5], at = [30, 30, 5] },
] }

[[vehicle]]
name = "van"

[[vehicle.part]]
name = "wall"
file = "wall.stl"
class = "panel"
sagitta = 0.0

[[mate]]
name = "joint"
parts = ["housing", "cover"]
at = [12.0, 12.0, 10.0]
normal = [0, 0, 1]
tolerance = 0.1

[[port_joint]]
name = "port"
mate = "joint"
at = [0, 0, 10]
flow = "first to second"
overhang = 0.1
land = 2.0
step = 1.0

[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -9], [0, 0, 9]]
least_area = 90
least_ball = 5.0
loss = [{ begin = 2, end = 12, percent = 5 }]

[duct.flow]
mass_flow = 0.001
most_mach = 0.9
least_margin = 1.0
most_loss = 100.0

[duct.turn]

[[fastener]]
name = "B1"
part = "cover"
at = [14.0, 14.0, 14.0]
axis = [0, 0, 1]
size = "M4"
head = "ISO 4762"
length = 12
into = "housing"

[[service]]
name = "filler"
kind = "filler"
part = "tray"
at = [0.0, 50.0, -20.0]
axis = [0, 0, 1]
diameter = 8.0
length = 10.0
vehicle = "hatch"

[[movement]]
name = "down"
parts = ["bonnet"]
rock = { z = [-1, 0] }
against = ["housing"]
required = 0.5
vehicle = "hatch"

[[movement]]
name = "rock"
group = "housing"
rock = { z = [-1, 1] }
required = 0.0

[check.fit-gap]
required = { panel = 2 }
pair = [{ parts = ["cover", "bonnet"], required = 0.5, vehicle = "hatch" }]

[check.fasten-holes]
"""


def at(size, *centre):
    return box(size).apply_translation(centre)


def bored(size, *centre):
    return trimesh.boolean.difference([at(size, *centre), box((10, 10, 90))])


@pytest.fixture(scope="module")
def told(tmp_path_factory, check_project):
    meshes = {
        "housing": bored((40, 40, 20), 0, 0, 0),
        "cover": bored((40, 40, 4), 0, 0, 12),
        "bonnet": at((60, 60, 4), 35, 0, 18),
        "wall": at((4, 80, 80), 60, 0, 0),
        "tray": at((20, 140, 4), 0, 0, -22),
    }
    made = check_project(tmp_path_factory.mktemp("asked"), PROJECT, meshes)
    result = read_result(made.folder / "result.json")
    return result, load(made.folder / "project.toml")


#: What only a mesh tells that it is there: bends, dips, holes nobody declared.
FROM_MESHES = ("restriction", "bend", "holes", "behind", "tight")


def test_nothing_is_missed_in_an_honest_result(told):
    claims = list(left_out(*told))
    assert all(claim.status is Status.CONFIRMED for claim in claims), claims
    codes = {claim.what.removeprefix("left out of ") for claim in claims}
    assert codes >= {
        "pairs left out", "part-sound", "part-placed", "fit-mate", "fit-ports", "fit-movement",
        "fit-trim", "flow-area", "flow-throat", "flow-turn", "flow-estimate", "fasten-reach",
        "fasten-withdraw", "fasten-length", "fasten-holes", "fasten-service",
    }  # fmt: skip


def test_each_finding_taken_out_is_missed(told):
    result, project = told
    codes = [finding.code for finding in result.findings]
    missed = []
    for number, finding in enumerate(result.findings):
        if any(word in finding.subject for word in FROM_MESHES):
            continue
        rest = replace(result, findings=result.findings[:number] + result.findings[number + 1 :])
        claims = [c for c in left_out(rest, project) if c.status is Status.CONTRADICTED]
        # The last finding of a check that may be left out altogether: see the next test.
        alone = codes.count(finding.code) == 1
        missed.append(bool(claims))
        assert claims or alone, (finding.code, finding.subject)
    assert sum(missed) > 40


def test_a_whole_check_taken_out_is_not_confirmed(told):
    result, project = told
    for code in {finding.code for finding in result.findings}:
        rest = tuple(finding for finding in result.findings if finding.code != code)
        claims = list(left_out(replace(result, findings=rest), project))
        wrong = [c for c in claims if c.status is not Status.CONFIRMED and code in c.what]
        if code == "fit-gap":
            wrong = [c for c in claims if c.what == "pairs left out"]
        elif code == "fit-zones":
            continue  # it is only asked for where a gap fails
        status = Status.CONTRADICTED if code.startswith("part-") else Status.OPEN
        assert [c.status for c in wrong] == [status], code


def test_a_check_that_ended_early_is_not_asked_for_the_rest(told):
    result, project = told
    kept = [finding for finding in result.findings if finding.code != "fit-mate"]
    one = next(finding for finding in result.findings if finding.code == "fit-mate")
    stopped = [replace(one, vehicle=name, verdict=Verdict.ERROR, parts=(), subject="mating faces")
               for name in result.vehicles]  # fmt: skip
    claims = left_out(replace(result, findings=(*kept, *stopped)), project)
    assert all(claim.status is Status.CONFIRMED for claim in claims)

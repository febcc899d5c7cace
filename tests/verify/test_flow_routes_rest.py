"""Routes of what goes wrong in a duct: a misplaced blade, a flow that chokes, too tight a path.

Truths: a disc across a round bore at 30 degrees off edge-on hides sin 30 = half of the bore; the
choked flow of an area (A. H. Shapiro); two straight lines and a bend of 10 mm in a room of 80 mm.
"""

import copy
import json

import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, to_data
from geomcheck.verify import Status
from geomcheck.verify.figures import figures
from geomcheck.verify.flow.routes import ROUTES
from geomcheck.verify.scene import Scene

SIDES = 32
PROJECT = """\
format = 1
name = "rest"
unit = "mm"

[[part]]
name = "tube"
file = "tube.stl"
role = "housing"

[[part]]
name = "blade"
file = "blade.stl"
role = "carried"
gap = false

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "room"
file = "room.stl"
class = "body panel"
gap = false

[[duct]]
name = "throttle"
walls = ["tube"]
obstacles = ["blade"]
path = [[0, 0, 2], [0, 0, 158]]
spacing = 8.0

[duct.flow]
mass_flow = 0.03
most_loss = 5.0

[[duct.flow.blade]]
part = "blade"
angle = 10
shaft = 4.0

[[duct]]
name = "choked"
walls = ["tube"]
path = [[0, 0, 2], [0, 0, 158]]
spacing = 8.0

[duct.flow]
mass_flow = 3.0
most_mach = 0.5

[[duct]]
name = "tight"
walls = ["room"]
path = [[-35, 0, 0], [-12, 0, 0], [-4, 0, 1.5], [0, 0, 6], [1, 0, 14], [1, 0, 35]]
spacing = 4.0
vehicle = "hatch"
"""
BLADE = 'duct "throttle", blade "blade"'
CHOKED = 'duct "choked", Mach number'
TIGHT = 'duct "tight", tight bend'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    at = tmp_path_factory.mktemp("rest")
    (at / "project.toml").write_text(PROJECT, encoding="utf-8")
    profile = [(40, 0), (46, 0), (46, 160), (40, 160), (40, 0)]
    trimesh.creation.revolve(profile, sections=SIDES).export(at / "tube.stl")
    blade = trimesh.creation.cylinder(39.5, 1.0, sections=SIDES)
    turn = trimesh.transformations.rotation_matrix(np.radians(90 + 30), (1, 0, 0))
    blade.apply_transform(turn).apply_translation((0, 0, 80)).export(at / "blade.stl")
    block = trimesh.creation.box((120, 120, 120))
    trimesh.boolean.difference([block, trimesh.creation.box((80, 80, 80))]).export(at / "room.stl")
    return at


@pytest.fixture(scope="module")
def sound(folder):
    return json.loads(json.dumps(to_data(gate.run(load(folder / "project.toml")).result)))


@pytest.fixture(scope="module")
def scene(folder):
    return Scene(load(folder / "project.toml"))


def one(data, code, subject):
    return next(f for f in data["findings"] if (f["code"], f["subject"]) == (code, subject))


def claims_on(scene, data, code, subject):
    told = from_data(data)
    scene.findings = told.findings
    finding = next(f for f in told.findings if (f.code, f.subject) == (code, subject))
    return [*figures(finding), *ROUTES[code](scene, finding)]


def contradicted(claims):
    return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}


@pytest.mark.parametrize(
    "about", [("flow-estimate", BLADE), ("flow-estimate", CHOKED), ("flow-area", TIGHT)]
)
def test_a_sound_finding_is_confirmed(scene, sound, about):
    found = claims_on(scene, sound, *about)
    assert found
    assert [claim for claim in found if claim.status is not Status.CONFIRMED] == []


def blades(key, by):
    def change(data):
        for finding in data["findings"]:
            for row in finding["details"].get("blades", ()):
                row[key] += by

    return change


def passes(data):
    one(data, "flow-estimate", BLADE)["verdict"] = "pass"


def state(data):
    one(data, "flow-estimate", CHOKED)["details"]["state"] = "passes"


def slower(data):
    finding = one(data, "flow-estimate", CHOKED)
    finding["quantity"] |= {"value": 0.4, "low": 0.4, "high": 0.4, "terms": []}


def elsewhere(data):
    finding = one(data, "flow-area", TIGHT)
    finding["witnesses"][0]["point"] = [-33.0, 0.0, 0.0]


@pytest.mark.parametrize(
    "case",
    [
        ("flow-estimate", BLADE, blades("open_share", 0.05), "open share"),
        ("flow-estimate", BLADE, blades("closed_form", 0.05), "closed form"),
        ("flow-estimate", BLADE, passes, "stands otherwise"),
        ("flow-estimate", CHOKED, state, "state"),
        ("flow-estimate", CHOKED, slower, "greatest Mach number"),
    ],
    ids=lambda case: case[3],
)
def test_a_falsified_claim_is_contradicted(scene, sound, case):
    code, subject, change, what = case
    data = copy.deepcopy(sound)
    change(data)
    assert what in contradicted(claims_on(scene, data, code, subject))


def test_a_tight_bend_told_where_the_path_is_straight_is_contradicted(scene, sound):
    data = copy.deepcopy(sound)
    elsewhere(data)
    assert contradicted(claims_on(scene, data, "flow-area", TIGHT)) & {
        "place",
        "bends more tightly than it is wide",
    }

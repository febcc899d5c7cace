"""Routes of ports in joints: plates with round ports of known place and size.

Truths: for circles of radius R and r, s apart, the edge stands R - r + s into the flow; the land is
the distance to the next edge. Ports are polygons of many sides.
"""

import copy
import json

import pytest
import trimesh

from geomcheck import gate
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, to_data
from geomcheck.verify import Status
from geomcheck.verify.figures import figures
from geomcheck.verify.flow.routes import ROUTES
from geomcheck.verify.scene import Scene

PROJECT = """\
format = 1
name = "ports"
unit = "mm"

[[part]]
name = "casting"
file = "casting.stl"
role = "housing"
sagitta = 0.02

[[part]]
name = "cover"
file = "cover.stl"
role = "carried"
gap = false

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "manifold"
file = "manifold.stl"
class = "engine-mounted part"
sagitta = 0.02

[[mate]]
name = "inlet"
parts = ["casting", "manifold"]
at = [45, 45, 0]
normal = [0, 0, -1]
gasket = 1.5

[[mate]]
name = "top"
parts = ["casting", "cover"]
at = [45, 45, 10]
normal = [0, 0, 1]

[[port_joint]]
name = "port 1"
mate = "inlet"
at = [0, 0, 0]
flow = "first to second"
overhang = 0.5
step = 3.0
land = 8.0

[[port_joint]]
name = "shut"
mate = "top"
at = [0, 0, 10]
land = 8.0
"""
EDGE, WIDER, LAND = (f'port "port 1": {what}' for what in ("edge in the flow", "widening", "land"))
SHUT = 'port "shut"'


def plate(bottom, top, *holes, sides=96):
    block = trimesh.creation.box(bounds=[[-50, -50, bottom], [50, 50, top]])
    tools = [
        trimesh.creation.cylinder(r, top - bottom + 4, sections=sides).apply_translation(
            [x, y, 0.5 * (top + bottom)]
        )
        for x, y, r in holes
    ]
    return trimesh.boolean.difference([block, *tools]) if tools else block


def write(at, *, boss=False):
    """The casting's port of 20; the manifold's of 19, 0.5 aside, with a bolt hole near it."""
    (at / "project.toml").write_text(PROJECT, encoding="utf-8")
    plate(0, 10, (0, 0, 20)).export(at / "casting.stl")
    lower = plate(-12, -1.5, (0.5, 0, 19), (0, 33, 4))
    if boss:
        # A spigot that stands up beyond the face, round half of the port.
        spigot = trimesh.creation.annulus(17.0, 18.5, 12.5, sections=96)
        spigot.apply_translation([0.5, 0, -5.75])
        lower = trimesh.util.concatenate([lower, spigot])
    lower.export(at / "manifold.stl")
    plate(10, 14).export(at / "cover.stl")
    return to_data(gate.run(load(at / "project.toml")).result)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("ports")


@pytest.fixture(scope="module")
def sound(folder):
    return json.loads(json.dumps(write(folder)))


@pytest.fixture(scope="module")
def scene(folder, sound):
    return Scene(load(folder / "project.toml"))


def one(data, subject):
    return next(f for f in data["findings"] if (f["code"], f["subject"]) == ("fit-ports", subject))


def claims_on(scene, data, subject):
    told = from_data(data)
    scene.findings = told.findings
    finding = next(f for f in told.findings if (f.code, f.subject) == ("fit-ports", subject))
    return [*figures(finding), *ROUTES["fit-ports"](scene, finding)]


def contradicted(claims):
    return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}


@pytest.mark.parametrize("subject", [EDGE, WIDER, LAND, SHUT])
def test_a_sound_finding_is_confirmed(scene, sound, subject):
    found = claims_on(scene, sound, subject)
    assert found
    assert [c for c in found if c.status is not Status.CONFIRMED] == []


def test_the_sound_values_are_the_closed_forms(sound):
    assert one(sound, EDGE)["quantity"]["value"] == pytest.approx(1.5, abs=0.02)
    assert one(sound, WIDER)["quantity"]["value"] == pytest.approx(0.0, abs=0.02)
    # From the common opening, which ends at the casting's edge there, to the bolt hole.
    assert one(sound, LAND)["quantity"]["value"] == pytest.approx(33 - 4 - 20, abs=0.02)
    assert one(sound, SHUT)["verdict"] == "fail"


def value(by):
    def change(finding):
        for key in ("value", "low", "high"):
            finding["quantity"][key] += by

    return change


def limit(by):
    def change(finding):
        finding["requirement"]["limit"] += by

    return change


def witness(x, y, number=0):
    def change(finding):
        point = finding["witnesses"][number]["point"]
        point[0] += x
        point[1] += y

    return change


def detail(key, to):
    def change(finding):
        finding["details"][key] = to(finding["details"][key])

    return change


def passes(finding):
    finding["verdict"] = "pass"


def narrow(finding):
    quantity = finding["quantity"]
    quantity["low"] = quantity["high"] = quantity["value"]


def turned(finding):
    x, y, z = finding["details"]["outward"]
    finding["details"]["outward"] = [-x, -y, z]


FALSE = [
    (EDGE, value(-1.2), "step"),
    (EDGE, limit(2.0), "limit"),
    (EDGE, passes, "verdict from interval and limit"),
    (EDGE, narrow, "interval from its terms"),
    (EDGE, witness(2.0, 0.0), "place"),
    (EDGE, witness(0.0, 10.0), "place"),
    (EDGE, detail("area", lambda old: [old[0] + 9, old[1]]), "areas of the openings"),
    (EDGE, detail("covered", lambda old: old + 9), "area covered"),
    (EDGE, turned, "way back"),
    (WIDER, value(1.0), "step"),
    (WIDER, limit(-1.0), "limit"),
    (LAND, value(2.0), "land"),
    (LAND, limit(-4.0), "limit"),
    (LAND, witness(0.0, 2.0), "ends of the land"),
    (LAND, witness(0.0, 2.0, number=1), "ends of the land"),
    (LAND, detail("area", lambda old: [old[0], old[1] - 9]), "areas of the openings"),
]


@pytest.mark.parametrize("case", FALSE, ids=lambda c: f"{c[0].rsplit(': ', 1)[1]} {c[2]}")
def test_a_falsified_claim_is_contradicted(scene, sound, case):
    subject, change, what = case
    data = copy.deepcopy(sound)
    change(one(data, subject))
    assert what in contradicted(claims_on(scene, data, subject))


def test_a_port_said_to_be_shut_that_is_open_is_contradicted(scene, sound):
    data = copy.deepcopy(sound)
    finding = one(data, SHUT)
    finding["subject"] = 'port "port 1"'
    assert "no opening" in contradicted(claims_on(scene, data, 'port "port 1"'))


def test_other_meshes_than_the_ones_checked_are_told(sound, tmp_path):
    write(tmp_path)
    plate(-12, -1.5, (0.0, 0, 19.6), (0, 32, 4)).export(tmp_path / "manifold.stl")
    plate(10, 14, (0, 0, 20)).export(tmp_path / "cover.stl")
    scene = Scene(load(tmp_path / "project.toml"))
    for subject in (EDGE, WIDER, LAND):
        assert contradicted(claims_on(scene, sound, subject)), subject
    assert "no opening" in contradicted(claims_on(scene, sound, SHUT))


def test_what_stands_up_beyond_a_face_is_no_part_of_it(tmp_path):
    """A spigot is metal in a cut through the joint; the facets of the face tell the opening."""
    data = json.loads(json.dumps(write(tmp_path, boss=True)))
    scene = Scene(load(tmp_path / "project.toml"))
    for subject in (EDGE, LAND):
        found = claims_on(scene, data, subject)
        assert not contradicted(found), subject
        assert any("facets in the faces" in claim.words for claim in found)

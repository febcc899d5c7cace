"""Routes of a path found by itself, of a void given as a solid, and of the largest ball.

Truths: a torus bend of bore 40 has polygons of N sides as sections, N/2 r^2 sin(2 pi / N), whose
levels of the potential are planes too; past a rod of radius 8, 5 mm off the middle of a bore of
40, a ball of (40 + 5 - 8) mm less the facets' sagitta gets through.
"""

import copy
import json
import math

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
POLYGON = 0.5 * SIDES * math.sin(2 * math.pi / SIDES)
PROJECT = """\
format = 1
name = "found"
unit = "mm"

[[part]]
name = "tube"
file = "tube.stl"
role = "housing"

[[part]]
name = "elbow"
file = "elbow.stl"
role = "carried"
gap = false

[[part]]
name = "rod"
file = "rod.stl"
role = "carried"
gap = false

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "void"
file = "void.stl"
class = "body panel"
gap = false

[[duct]]
name = "elbow"
walls = ["elbow"]
inlet = { at = [0, 0, 0], normal = [0, 0, -1] }
outlet = [{ at = [80, 0, 80], normal = [1, 0, 0] }]
spacing = 8.0
least_area = 4900.0

[duct.turn]
least_inner_radius = 30.0

[[duct]]
name = "rodded"
walls = ["tube"]
obstacles = ["rod"]
path = [[0, 0, 2], [0, 0, 98]]
spacing = 8.0
least_ball = 30.0

[[duct]]
name = "narrow"
walls = ["tube"]
obstacles = ["rod"]
path = [[0, 0, 2], [0, 0, 98]]
spacing = 8.0
least_ball = 38.0

[[duct]]
name = "void"
walls = ["void"]
void = true
path = [[0, 0, 1], [0, 0, 149]]
spacing = 8.0
least_area = 2500.0
vehicle = "hatch"
"""
ELBOW, VOID = 'duct "elbow"', 'duct "void"'
WAYS = f"{ELBOW}, two ways"
BALL, NARROW = 'duct "rodded", passage', 'duct "narrow", passage'


def elbow(radius=80.0):
    around = np.linspace(0, 2 * np.pi, SIDES + 1)[:-1]
    along = np.radians(np.linspace(0, 90, 31))
    rings = []
    for r in (40.0, 46.0):
        out = radius - r * np.cos(around)
        x, z = radius - np.outer(np.cos(along), out), np.outer(np.sin(along), out)
        y = np.tile(r * np.sin(around), (len(along), 1))
        rings.append(np.stack([x, y, z], axis=-1).reshape(-1, 3))
    n, m = len(along), SIDES
    faces = []
    for i in range(n - 1):
        for j in range(m):
            a, b, c, d = i * m + j, i * m + (j + 1) % m, (i + 1) * m + j, (i + 1) * m + (j + 1) % m
            faces += [[a, c, b], [b, c, d]]
            a, b, c, d = (k + n * m for k in (a, b, c, d))
            faces += [[a, b, c], [b, d, c]]
    for row in (0, n - 1):
        for j in range(m):
            a, b = row * m + j, row * m + (j + 1) % m
            c, d = a + n * m, b + n * m
            faces += [[a, b, c], [b, d, c]] if row == 0 else [[a, c, b], [b, c, d]]
    made = trimesh.Trimesh(np.concatenate(rings), faces, process=False)
    if made.volume < 0:
        made.invert()
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    at = tmp_path_factory.mktemp("found")
    (at / "project.toml").write_text(PROJECT, encoding="utf-8")
    profile = [(40, 0), (46, 0), (46, 100), (40, 100), (40, 0)]
    trimesh.creation.revolve(profile, sections=SIDES).export(at / "tube.stl")
    elbow().export(at / "elbow.stl")
    rod = trimesh.creation.cylinder(8.0, 90.0, sections=SIDES)
    rod.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
    rod.apply_translation((5, 0, 50)).export(at / "rod.stl")
    solid = trimesh.creation.cylinder(30.0, 150.0, sections=SIDES)
    solid.apply_translation((0, 0, 75)).export(at / "void.stl")
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


def test_all_sound_findings_are_confirmed(scene, sound):
    seen = set()
    for finding in sound["findings"]:
        code, subject = finding["code"], finding["subject"]
        if code in ROUTES:
            found = claims_on(scene, sound, code, subject)
            wrong = [claim for claim in found if claim.status is not Status.CONFIRMED]
            assert found
            assert not wrong, (code, subject, wrong)
            seen.add((code, subject))
    assert seen >= {
        ("flow-area", ELBOW), ("flow-throat", ELBOW), ("flow-turn", f"{ELBOW}, bend 1"),
        ("flow-agreement", WAYS), ("flow-throat", BALL), ("flow-throat", NARROW),
        ("flow-area", VOID), ("flow-throat", VOID),
    }  # fmt: skip


def test_the_sound_values_are_the_closed_forms(sound):
    area = one(sound, "flow-area", ELBOW)["quantity"]["value"]
    assert area == pytest.approx(POLYGON * 1600, rel=3e-3)
    for name in ("plane", "level"):
        told = np.array(one(sound, "flow-agreement", WAYS)["details"][name], dtype=float)
        assert told == pytest.approx(POLYGON * 1600, rel=5e-3)
    least = one(sound, "flow-area", VOID)["quantity"]["value"]
    assert least == pytest.approx(POLYGON * 900, rel=1e-6)
    # Begun next to the solid's end, a plane that leans through the end is no section of it.
    least = one(sound, "flow-throat", VOID)["quantity"]["value"]
    assert least == pytest.approx(POLYGON * 900, rel=1e-4)
    assert one(sound, "flow-throat", BALL)["verdict"] == "pass"
    assert one(sound, "flow-throat", NARROW)["verdict"] == "fail"
    across = one(sound, "flow-throat", BALL)["quantity"]["value"]
    assert across == pytest.approx(40 + 5 - 8, abs=0.25)


def value(by):
    def change(finding):
        for key in ("value", "low", "high"):
            finding["quantity"][key] += by

    return change


def limit(by):
    def change(finding):
        finding["requirement"]["limit"] += by

    return change


def witness(*by, number=0):
    def change(finding):
        point = finding["witnesses"][number]["point"]
        for k in range(3):
            point[k] += by[k]

    return change


def column(key, to):
    def change(finding):
        finding["details"][key] = [to(x) for x in finding["details"][key]]

    return change


def path(finding):
    """A path that stands off the ports it is asked between."""
    finding["details"]["path"] = [[x + 70.0, y, z] for x, y, z in finding["details"]["path"]]


def by_an_end(finding):
    """A plane that cuts through the end of the solid, and is small for that."""
    lean = np.array([math.sin(math.radians(40)), 0.0, math.cos(math.radians(40))])
    finding["details"]["plane"] |= {"point": [0.0, 0.0, 5.0], "normal": lean.tolist()}


FALSE = [
    ("flow-area", ELBOW, value(90.0), "area at the throat"),
    ("flow-area", ELBOW, limit(-900.0), "limit"),
    ("flow-area", VOID, value(90.0), "area at the throat"),
    ("flow-throat", ELBOW, value(90.0), "value"),
    ("flow-throat", VOID, by_an_end, "from wall to wall"),
    ("flow-throat", VOID, witness(0.0, 5.0, 0.0), "place"),
    ("flow-turn", f"{ELBOW}, bend 1", value(9.0), "inner radius"),
    ("flow-agreement", WAYS, column("plane", lambda x: 1.01 * x), "areas by planes"),
    ("flow-agreement", WAYS, column("level", lambda x: 1.1 * x), "areas by levels"),
    ("flow-agreement", WAYS, column("trusted", lambda x: "level"), "which one is trusted"),
    ("flow-agreement", WAYS, witness(0.0, 5.0, 0.0), "farthest apart"),
    ("flow-throat", BALL, value(3.0), "ball where it sticks"),
    ("flow-throat", BALL, limit(-9.0), "limit"),
    ("flow-throat", BALL, witness(4.0, 0.0, 0.0), "ball where it sticks"),
    ("flow-throat", BALL, witness(0.0, 0.0, 9.0, number=1), "touches "),
    ("flow-throat", BALL, witness(0.0, 0.0, 9.0, number=1), "witness on "),
]


@pytest.mark.parametrize("case", FALSE, ids=lambda c: f"{c[0]} {c[1].split(chr(34), 1)[1]} {c[3]}")
def test_a_falsified_claim_is_contradicted(scene, sound, case):
    code, subject, change, what = case
    data = copy.deepcopy(sound)
    change(one(data, code, subject))
    found = contradicted(claims_on(scene, data, code, subject))
    assert any(claim.startswith(what) for claim in found), found


def test_a_path_beside_its_ports_is_contradicted(folder, sound):
    data = copy.deepcopy(sound)
    path(one(data, "flow-area", ELBOW))
    scene = Scene(load(folder / "project.toml"))
    assert {"path", "areas along the path"} <= contradicted(
        claims_on(scene, data, "flow-area", ELBOW)
    )


def test_a_ball_that_finds_no_way_is_not_confirmed(folder, scene, sound):
    """A pass is told of a ball too large for the bore beside the rod: no way is found for it."""
    data = copy.deepcopy(sound)
    finding = one(data, "flow-throat", NARROW)
    finding["verdict"] = "pass"
    value(3.0)(finding)
    found = {claim.what: claim.status for claim in claims_on(scene, data, "flow-throat", NARROW)}
    assert found["way of the ball"] is Status.OPEN
    # And more room than is told of it leaves open that there is no larger one.
    data = copy.deepcopy(sound)
    finding = one(data, "flow-throat", BALL)
    value(-4.0)(finding)
    found = {claim.what: claim.status for claim in claims_on(scene, data, "flow-throat", BALL)}
    assert found["no larger ball"] is Status.OPEN
    assert found["ball where it sticks"] is Status.CONTRADICTED

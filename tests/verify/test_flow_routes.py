"""Routes of ducts: closed forms are confirmed, and every claim is contradicted when falsified.

Truths: polygons of N sides for the sections (N/2 r^2 sin(2 pi / N)), the inner radius R - r of a
torus bend, the cone 2 atan(dr / dl), all lines free in a straight pipe.
"""

import copy
import json
import math
import shutil

import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.project.ducts import DuctEntry
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, read_result, to_json
from geomcheck.verify import Status
from geomcheck.verify.figures import figures
from geomcheck.verify.flow import throat as flow_throat
from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.line import Line
from geomcheck.verify.flow.routes import ROUTES
from geomcheck.verify.scene import Scene

SIDES = 48
POLYGON = 0.5 * SIDES * math.sin(2 * math.pi / SIDES)
ARC = [
    [round(80 - 80 * math.cos(t), 4), 0.0, round(80 * math.sin(t), 4)]
    for t in np.radians(np.linspace(0, 90, 13))
]
PROJECT = f"""\
format = 1
name = "ducts"
unit = "mm"

[[part]]
name = "venturi"
file = "venturi.stl"
role = "housing"

[[part]]
name = "elbow"
file = "elbow.stl"
role = "carried"
gap = false

[[part]]
name = "tube"
file = "tube.stl"
role = "carried"
gap = false

[[part]]
name = "blade"
file = "blade.stl"
role = "carried"
sagitta = 0.02
gap = false

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "holed"
file = "holed.stl"
class = "body panel"
gap = false

[[state]]
name = "part-open"

[[state.part]]
name = "blade"
place = {{ turn = [{{ axis = [1, 0, 0], angle = 30, about = [0, 0, 100] }}] }}

[[duct]]
name = "venturi"
walls = ["venturi"]
path = [[0, 0, 2], [0, 0, 198]]
spacing = 4.0
least_area = 2500.0
restriction = 5.0
allow_restrictions = false

[[duct.loss]]
from = 10.0
to = 98.0
percent = 50.0

[duct.flow]
mass_flow = 0.1
most_mach = 0.5
most_loss = 5.0
least_margin = 10.0
inlet_edge = 5.0

[duct.turn]
least_inner_radius = 10.0
most_cone = 45.0
least_sight = 10.0

[[duct]]
name = "elbow"
walls = ["elbow"]
path = {ARC}
spacing = 4.0
least_area = 4900.0

[duct.flow]
displacement = 1.0
speed = 6000
volumetric_efficiency = [0.8, 0.9]
most_loss = 5.0

[duct.turn]
least_inner_radius = 30.0
least_sight = 5.0

[[duct]]
name = "throttle"
walls = ["tube"]
obstacles = ["blade"]
path = [[0, 0, 2], [0, 0, 198]]
spacing = 4.0
states = ["part-open"]
least_area = 1000.0

[duct.flow]
mass_flow = 0.03
most_loss = 5.0

[[duct.flow.blade]]
part = "blade"
angle = {{ "part-open" = 30 }}

[[duct]]
name = "holed"
walls = ["holed"]
vehicle = "hatch"
path = [[0, 0, 2], [0, 0, 198]]
spacing = 4.0
"""


def ring(profile):
    return trimesh.creation.revolve(profile, sections=SIDES)


def elbow(radius=80.0):
    """A quarter torus, bore 40 about a circle in the plane of x and z, wall 6."""
    around = np.linspace(0, 2 * np.pi, SIDES + 1)[:-1]
    along = np.radians(np.linspace(0, 90, 46))
    sheets = []
    for r in (40.0, 46.0):
        out = radius - r * np.cos(around)
        x, z = radius - np.outer(np.cos(along), out), np.outer(np.sin(along), out)
        y = np.tile(r * np.sin(around), (len(along), 1))
        sheets.append(np.stack([x, y, z], axis=-1).reshape(-1, 3))
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
    made = trimesh.Trimesh(np.concatenate(sheets), faces, process=False)
    if made.volume < 0:
        made.invert()
    assert made.is_watertight
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A bore of 40 narrowed to 30, an elbow, a tube with a blade, a tube with a hole; checked."""
    at = tmp_path_factory.mktemp("ducts")
    (at / "project.toml").write_text(PROJECT, encoding="utf-8")
    profile = [(40, 0), (60, 0), (60, 200), (40, 200), (40, 180), (30, 110), (30, 90), (40, 60)]
    ring([*profile, (40, 0)]).export(at / "venturi.stl")
    tube = ring([(40, 0), (46, 0), (46, 200), (40, 200), (40, 0)])
    tube.export(at / "tube.stl")
    holed = ring([(40, 0), (46, 0), (46, 200), (40, 200), (40, 110), (40, 90), (40, 0)])
    middle = holed.triangles_center
    inner = np.hypot(middle[:, 0], middle[:, 1]) < 41
    gone = np.flatnonzero(inner & (middle[:, 0] > 38) & (abs(middle[:, 2] - 100) < 9))[0]
    holed.update_faces(np.arange(len(holed.faces)) != gone)
    holed.export(at / "holed.stl")
    elbow().export(at / "elbow.stl")
    blade = trimesh.creation.cylinder(39.0, 3.0, sections=SIDES)
    blade.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
    blade.apply_translation((0, 0, 100)).export(at / "blade.stl")
    (at / "result.json").write_text(
        to_json(gate.run(load(at / "project.toml")).result), encoding="utf-8"
    )
    return at


@pytest.fixture(scope="module")
def scene(folder):
    return Scene(load(folder / "project.toml"))


@pytest.fixture(scope="module")
def sound(folder):
    return json.loads((folder / "result.json").read_text("utf-8"))


def one(data, code, subject):
    return next(f for f in data["findings"] if (f["code"], f["subject"]) == (code, subject))


def claims_on(scene, data, code, subject):
    """Claims on one finding of a result, with those that need no mesh."""
    told = from_data(data)
    scene.findings = told.findings
    finding = next(f for f in told.findings if (f.code, f.subject) == (code, subject))
    return [*figures(finding), *ROUTES[code](scene, finding)]


def test_all_sound_findings_are_confirmed(scene, sound):
    seen = set()
    for finding in sound["findings"]:
        if finding["code"] not in ROUTES:
            continue
        found = claims_on(scene, sound, finding["code"], finding["subject"])
        seen.add((finding["code"], finding["subject"]))
        wrong = [c for c in found if c.status is not Status.CONFIRMED]
        assert found
        assert not wrong, (finding["code"], finding["subject"], wrong)
    assert seen == {
        ("flow-area", 'duct "venturi"'),
        ("flow-area", 'duct "venturi", restriction'),
        ("flow-area", 'duct "venturi", 10 to 98 mm'),
        ("flow-area", 'duct "elbow"'),
        ("flow-area", 'duct "throttle", state "part-open"'),
        ("flow-area", 'duct "throttle", state "part-open", restriction'),
        ("flow-area", 'duct "holed"'),
        ("flow-area", 'duct "holed", open'),
        ("flow-throat", 'duct "venturi"'),
        ("flow-throat", 'duct "elbow"'),
        ("flow-throat", 'duct "throttle", state "part-open"'),
        ("flow-turn", 'duct "venturi", bends'),
        ("flow-turn", 'duct "venturi", widening'),
        ("flow-turn", 'duct "venturi", sight'),
        ("flow-turn", 'duct "elbow", bend 1'),
        ("flow-turn", 'duct "elbow", widening'),
        ("flow-turn", 'duct "elbow", sight'),
        ("flow-estimate", 'duct "venturi", Mach number'),
        ("flow-estimate", 'duct "venturi", margin to choking'),
        ("flow-estimate", 'duct "venturi", loss of total pressure'),
        ("flow-estimate", 'duct "elbow", loss of total pressure'),
        ("flow-estimate", 'duct "throttle", state "part-open", loss of total pressure'),
    }


def test_the_sound_values_are_the_closed_forms(sound):
    """So that what is confirmed is true, and not only told twice."""
    least = one(sound, "flow-area", 'duct "venturi"')["quantity"]["value"]
    assert least == pytest.approx(POLYGON * 900, rel=1e-6)
    loss = one(sound, "flow-area", 'duct "venturi", 10 to 98 mm')["quantity"]["value"]
    assert loss == pytest.approx(100 * (1 - 9 / 16), abs=1e-3)
    radius = one(sound, "flow-turn", 'duct "elbow", bend 1')["quantity"]["value"]
    assert radius == pytest.approx(40.0, abs=0.3)
    cone = one(sound, "flow-turn", 'duct "venturi", widening')["quantity"]["value"]
    scale = math.sqrt(POLYGON / math.pi)
    assert cone == pytest.approx(2 * math.degrees(math.atan(scale / 7)), rel=0.01)


def value(by):
    def change(finding, data):
        for key in ("value", "low", "high"):
            finding["quantity"][key] += by

    return change


def low_up(finding, data):
    """An interval without the allowance for facets, its terms to match."""
    quantity = finding["quantity"]
    quantity["low"] = quantity["high"] = quantity["value"]
    quantity["terms"] = []


def askew_forgotten(finding, data):
    """The low end as the plane has it, what lies askew forgotten."""
    quantity = finding["quantity"]
    quantity["terms"] = [t for t in quantity["terms"] if t["name"] in ("facets", "search")]
    quantity["low"] = quantity["value"] - sum(t["minus"] for t in quantity["terms"])


def limit(by):
    def change(finding, data):
        finding["requirement"]["limit"] += by

    return change


def asked_the_other_way(finding, data):
    sense = {"at least": "at most", "at most": "at least"}
    finding["requirement"]["sense"] = sense[finding["requirement"]["sense"]]


def passes(finding, data):
    finding["verdict"] = "pass"


def no_limit(finding, data):
    finding["requirement"] = None
    finding["verdict"] = "not applicable"


def witness(*by, number=0):
    def change(finding, data):
        point = finding["witnesses"][number]["point"]
        for k in range(3):
            point[k] += by[k]

    return change


def detail(*keys, to=None, by=None):
    def change(finding, data):
        here = finding["details"]
        for key in keys[:-1]:
            here = here[key]
        here[keys[-1]] = to if by is None else here[keys[-1]] + by

    return change


def view(finding, data):
    finding["view"] = [math.sin(0.02), 0.0, math.cos(0.02)]


def told_smaller(finding, data):
    """One station of the path told narrower than it is."""
    finding["details"]["curve"]["area"][5] -= 5.0


def hidden_throat(finding, data):
    """The throat told at a wide place, and all that is said of that place is right."""
    quantity = finding["quantity"]
    curve = finding["details"]["curve"]
    quantity |= {"value": curve["area"][3], "low": curve["area"][3] - 9, "high": curve["area"][3]}
    quantity["terms"] = [{"name": "facets", "minus": 9.0, "plus": 0.0, "source": "told"}]
    finding["witnesses"][0]["point"] = finding["details"]["path"][3]


def other_shoulder(finding, data):
    """A shoulder told where the duct is not at its widest."""
    main = one(data, "flow-area", 'duct "venturi"')
    finding["details"]["shoulder"] = next(s for s in main["details"]["curve"]["s"] if s > 70.0)


def bend_gone(finding, data):
    """The only bend, told as a duct without one."""
    finding["subject"] = 'duct "elbow", bends'
    finding["quantity"] = finding["requirement"] = None


def share_dropped(kind):
    def change(finding, data):
        shares = finding["details"]["shares"]
        shares[:] = [share for share in shares if share["kind"] != kind]

    return change


def share(kind, key, to):
    def change(finding, data):
        row = next(one for one in finding["details"]["shares"] if one["kind"] == kind)
        row[key] = to(row[key])

    return change


def times(factor):
    return lambda old: [factor * x for x in old] if isinstance(old, list) else factor * old


V, E, T = 'duct "venturi"', 'duct "elbow"', 'duct "throttle", state "part-open"'
MACH, LOSS = ", Mach number", ", loss of total pressure"
FALSE = [
    # What is told of the least area.
    ("flow-area", V, value(60), "area at the throat"),
    ("flow-area", V, low_up, "facets"),
    ("flow-area", V, passes, "verdict from interval and limit", limit(4000.0)),
    ("flow-area", V, limit(-400.0), "limit"),
    ("flow-area", V, no_limit, "limit"),
    ("flow-area", V, asked_the_other_way, "sense"),
    ("flow-area", V, witness(0.5, 0, 0), "throat on the path"),
    ("flow-area", V, view, "throat on the path"),
    ("flow-area", V, told_smaller, "areas along the path"),
    ("flow-area", V, detail("curve", "bore_area", 4, by=9.0), "areas along the path"),
    ("flow-area", V, detail("curve", "hydraulic_diameter", 4, by=1.0), "areas along the path"),
    ("flow-area", V, detail("curve", "state", 4, to="leaking"), "areas along the path"),
    ("flow-area", V, detail("path", 4, 0, by=0.1), "path"),
    ("flow-area", V, detail("inlet_area", by=9.0), "area at the inlet"),
    ("flow-area", V, hidden_throat, "no narrower station"),
    ("flow-area", T, askew_forgotten, "open as seen along the path"),
    # Restrictions, losses, stations without a number.
    ("flow-area", f"{V}, restriction", value(1.0), "depth"),
    ("flow-area", f"{V}, restriction", limit(5.0), "limit"),
    ("flow-area", f"{V}, restriction", witness(0, 0, 1.0), "place"),
    ("flow-area", f"{V}, restriction", other_shoulder, "a dip on both sides"),
    ("flow-area", f"{V}, restriction", detail("s", by=0.5), "restriction"),
    ("flow-area", f"{V}, restriction", detail("area_lost", by=50.0), "area that venturi takes"),
    ("flow-area", f"{T}, restriction", detail("area_lost", by=9.0), "area that blade takes"),
    ("flow-area", f"{V}, 10 to 98 mm", value(-1.0), "loss"),
    ("flow-area", f"{V}, 10 to 98 mm", limit(5.0), "limit"),
    ("flow-area", f"{V}, 10 to 98 mm", asked_the_other_way, "sense"),
    ("flow-area", f"{V}, 10 to 98 mm", witness(0, 0, 5.0), "places"),
    # The true throat.
    ("flow-throat", V, value(60), "value"),
    ("flow-throat", V, detail("plane", "area", by=9.0), "area at the throat"),
    ("flow-throat", V, detail("plane", "s", by=5.0), "plane"),
    ("flow-throat", V, detail("plane", "tilt_degrees", by=5.0), "plane"),
    ("flow-throat", V, witness(0, 5.0, 0), "place"),
    ("flow-throat", V, limit(-500.0), "limit"),
    ("flow-throat", V, low_up, "facets"),
    ("flow-throat", T, askew_forgotten, "open as seen along the path"),
    # Bends, widening, sight.
    ("flow-turn", f"{E}, bend 1", value(5.0), "inner radius"),
    ("flow-turn", f"{E}, bend 1", limit(-5.0), "limit"),
    ("flow-turn", f"{E}, bend 1", detail("turn_degrees", by=5.0), "turn"),
    ("flow-turn", f"{E}, bend 1", detail("path_radius", by=5.0), "radius of the path"),
    ("flow-turn", f"{E}, bend 1", witness(0, 3.0, 0), "inner wall"),
    ("flow-turn", f"{E}, bend 1", witness(0.2, 0, -0.2), "witness on a wall such as elbow"),
    (
        "flow-turn",
        f"{E}, bend 1",
        detail("inner_radius_over_diameter", by=0.05),
        "nowhere tighter",
    ),
    ("flow-turn", f"{E}, bend 1", detail("path", 50, 1, by=0.1), "path"),
    ("flow-turn", f"{E}, bend 1", detail("begin", by=500.0), "bend"),
    ("flow-turn", f"{V}, widening", value(-3.0), "cone"),
    ("flow-turn", f"{V}, widening", value(-3.0), "nowhere faster"),
    ("flow-turn", f"{V}, widening", detail("rate", by=9.0), "rate"),
    ("flow-turn", f"{V}, widening", limit(5.0), "limit"),
    ("flow-turn", f"{V}, widening", witness(0, 0, 3.0), "place"),
    ("flow-turn", f"{V}, sight", value(12.0), "share in straight sight"),
    ("flow-turn", f"{E}, sight", value(8.0), "share in straight sight"),
    ("flow-turn", f"{V}, sight", detail("view_factor", by=2.0), "view factor"),
    ("flow-turn", f"{V}, sight", limit(-5.0), "limit"),
    ("flow-turn", f"{V}, sight", witness(0, 0, 150.0), "inlet"),
    # Flow estimates.
    ("flow-estimate", V + MACH, value(-0.02), "greatest Mach number"),
    ("flow-estimate", V + MACH, limit(0.1), "limit"),
    ("flow-estimate", V + MACH, asked_the_other_way, "sense"),
    ("flow-estimate", V + MACH, witness(0, 0, 60.0), "fastest place"),
    ("flow-estimate", V + LOSS, value(-0.05), "loss of total pressure"),
    ("flow-estimate", f"{V}, margin to choking", value(3.0), "margin to choking"),
    ("flow-estimate", f"{V}, margin to choking", limit(-3.0), "limit"),
]


def first_of(data, head):
    """The finding that carries the figures of a duct's flow."""
    return next(
        f
        for f in data["findings"]
        if f["code"] == "flow-estimate"
        and f["subject"].startswith(head)
        and "shares" in f["details"]
    )


FIGURES = [
    (V, detail("mass_flow", 0, by=-0.01), "mass flow"),
    (E, detail("mass_flow", 1, by=0.01), "mass flow"),
    (V, detail("air", "pressure", by=500.0), "air"),
    (V, detail("air", "temperature", by=5.0), "air"),
    (V, detail("state", to="may choke"), "state"),
    (V, detail("least", 1, by=50.0), "least area"),
    (V, detail("facets", to=[0.0, 0.0]), "facets"),
    (V, detail("mach", "value", 8, by=0.01), "Mach numbers along the path"),
    (V, detail("shares", 0, "value", by=0.01), "shares of the loss"),
    (V, share("restriction", "plain", times(0.5)), "coefficients of restriction"),
    (V, share("restriction", "widen", times(0.5)), "coefficients of restriction"),
    (V, share("restriction", "sharp", lambda old: old + 0.5), "edges of restriction"),
    (V, share("restriction", "vena", lambda old: 0.5), "edges of restriction"),
    (V, share("entry", "plain", times(0.5)), "coefficients of entry, edge radius 5 mm"),
    (V, share_dropped("restriction"), "no change of area left out"),
    (E, share_dropped("bend"), "no bend left out"),
    (E, share("bend", "plain", times(0.8)), "coefficients of bend of 90 degrees, R/D 1.00"),
    (
        T, share("blade", "plain", times(0.8)),
        'coefficients of "blade", 30 degrees off wide open',
    ),
    (T, share("blade", "opening", times(1.2)), "opening at blade"),
    (T, share("blade", "from", lambda old: old + 9.0), "place of blade"),
]  # fmt: skip


def contradicted(claims):
    return {claim.what for claim in claims if claim.status is Status.CONTRADICTED}


@pytest.mark.parametrize("case", FALSE, ids=lambda c: f"{c[0]} {c[1].split(chr(34), 1)[1]} {c[3]}")
def test_a_falsified_claim_is_contradicted(scene, sound, case):
    code, subject, change, what, *more = case
    data = copy.deepcopy(sound)
    for step in (change, *more):
        step(one(data, code, subject), data)
    assert what in contradicted(claims_on(scene, data, code, subject))


@pytest.mark.parametrize("case", FIGURES, ids=lambda c: f"{c[0].split(chr(34))[1]} {c[2]}")
def test_a_falsified_figure_of_an_estimate_is_contradicted(scene, sound, case):
    head, change, what = case
    data = copy.deepcopy(sound)
    finding = first_of(data, head)
    change(finding, data)
    assert what in contradicted(claims_on(scene, data, "flow-estimate", finding["subject"]))


def test_a_bend_left_out_is_contradicted(scene, sound):
    data = copy.deepcopy(sound)
    bend_gone(one(data, "flow-turn", 'duct "elbow", bend 1'), data)
    found = claims_on(scene, data, "flow-turn", 'duct "elbow", bends')
    assert "bends" in contradicted(found)


def test_a_restriction_left_out_is_contradicted(scene, sound):
    """None deeper than 1 % is said to be there."""
    data = copy.deepcopy(sound)
    finding = one(data, "flow-area", f"{V}, restriction")
    finding["details"] = {}
    finding["quantity"] |= {"value": 0.0, "low": 0.0, "high": 1.0, "terms": []}
    finding["verdict"] = "pass"
    found = claims_on(scene, data, "flow-area", f"{V}, restriction")
    assert "no deeper dip" in contradicted(found)


def test_a_station_that_can_be_measured_is_contradicted(scene, sound):
    """Said to be open where nothing is wrong with the wall."""
    data = copy.deepcopy(sound)
    finding = one(data, "flow-area", 'duct "holed", open')
    finding["subject"] = 'duct "venturi", open'
    finding["witnesses"][0]["point"] = [0.0, 0.0, 50.0]
    found = claims_on(scene, data, "flow-area", 'duct "venturi", open')
    assert "no section there" in contradicted(found)


def test_a_smaller_section_at_a_tilt_is_found():
    """Two half-round bosses opposite each other, 30 mm apart along a duct of 60 by 80 mm.

    The least plane section leans by atan(30 / 60) and has 80 (sqrt(60^2 + 30^2) - 2 x 25) mm2; a
    plane square to the duct has 80 x 35. Closed form; see the room's own tests.
    """
    block = trimesh.creation.box((120, 100, 300))
    void = trimesh.creation.box((60, 80, 320))
    bosses = []
    for x, z in ((-30, -15), (30, 15)):
        rod = trimesh.creation.cylinder(25.0, 90.0, sections=96)
        rod.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
        bosses.append(rod.apply_translation((x, 0, z)))
    wall = trimesh.boolean.union([trimesh.boolean.difference([block, void]), *bosses])
    line = Line.through([[0, 0, -140], [0, 0, 140]])
    entry = DuctEntry(name="askew", walls=("wall",), path=((0, 0, -140), (0, 0, 140)))
    duct = Duct(entry, [wall.triangles], [], ("wall",), line, {"wall": 0.0})
    square = duct.at(125.0)
    assert square.area == pytest.approx(80 * 35, rel=1e-3)
    least = 80 * (math.sqrt(60**2 + 30**2) - 50)
    found = flow_throat._none_smaller(duct, square, 80 * 34.0)
    assert found.status is Status.CONTRADICTED
    found = flow_throat._none_smaller(duct, square, least * 0.999)
    assert found.status is Status.CONFIRMED


def test_other_meshes_than_the_ones_checked_are_told(folder, tmp_path):
    there = tmp_path / "copy"
    shutil.copytree(folder, there)
    for name in ("venturi", "elbow", "tube"):
        mesh = trimesh.load(there / f"{name}.stl")
        mesh.apply_scale([1.02, 1.02, 1.0] if name != "elbow" else [1.0, 1.02, 1.0])
        mesh.export(there / f"{name}.stl")
    shutil.copy(folder / "tube.stl", there / "holed.stl")
    told = read_result(there / "result.json")
    scene = Scene(load(there / "project.toml"), told.findings)
    same = {f"{V}, bends", f"{V}, sight", f"{V}, 10 to 98 mm", f"{E}, sight", f"{E}, widening"}
    for finding in told.findings:
        if finding.code in ROUTES and finding.subject not in same and finding.quantity:
            claims = ROUTES[finding.code](scene, finding)
            wrong = any(claim.status is Status.CONTRADICTED for claim in claims)
            assert wrong, (finding.code, finding.subject)
    closed = next(f for f in told.findings if f.subject == 'duct "holed", open')
    assert "no section there" in contradicted(ROUTES["flow-area"](scene, closed))

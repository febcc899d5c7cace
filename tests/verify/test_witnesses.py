"""Every finding that is no pass names a place that anyone can look at, on its part."""

import copy
import json

import numpy as np
import pytest
import trimesh

from geomcheck import gate
from geomcheck.finding import Result, Verdict
from geomcheck.project.load import load
from geomcheck.reports.json import from_data, to_json
from geomcheck.verify import Status, recheck
from geomcheck.verify.recheck import claims_of
from geomcheck.verify.scene import Scene

PROJECT = """\
format = 1
name = "open questions"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
expect = "{expect}"
sagitta = {sagitta}
size = [41.0, 40.0, 20.0]
size_tolerance = 0.5
on_surface = [[20.0, 0.0, 0.0], [0.0, 3.0, 0.0]]

[[part]]
name = "elbow"
file = "elbow.stl"
role = "carried"
sagitta = 0.0
gap = false

[[part]]
name = "gutter"
file = "gutter.stl"
role = "carried"
sagitta = {sagitta}
gap = false
place = {{ move = [0, 0, 70] }}

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "bonnet"
file = "plate.stl"
class = "body panel"
sagitta = {sagitta}
trim = 1.0
place = {{ move = [0, 0, 14] }}

[[vehicle.part]]
name = "tray"
file = "plate.stl"
class = "body panel"
sagitta = {sagitta}
place = {{ datums = [
  {{ part = [0, 0, 0], at = [0, 0, -12] }},
  {{ part = [20, 0, 0], at = [20.4, 0, -12] }},
  {{ part = [0, 20, 0], at = [0, 20.4, -12] }},
  {{ part = [20, 20, 0], at = [20, 20, -12] }},
] }}

[[mate]]
name = "joint"
parts = ["housing", "tray"]
at = [12.0, 12.0, -10.0]
normal = [0, 0, -1]
gasket = 1.0
tolerance = 0.1

[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -9], [0, 0, 9]]
least_area = 100.5

[duct.flow]
mass_flow = 0.1
most_mach = 0.01
most_loss = 0.001

[[duct]]
name = "torn"
walls = ["gutter"]
path = [[0, 0, 55], [0, 0, 85]]
least_area = 10.0
least_ball = 5.0
turn = {{ least_inner_radius = 10.0, least_sight = 5.0 }}

[duct.flow]
mass_flow = 0.1
most_mach = 0.3

[[fastener]]
name = "B1"
part = "housing"
at = [14.0, 14.0, 10.0]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20

[[movement]]
name = "drop"
parts = ["bonnet"]
hinge = {{ axis = [0, 1, 0], about = [-15, 0, 14], angle = [0, 2] }}
against = ["housing"]
required = 1.8

[[pattern]]
name = "holes"
parts = ["housing", "tray"]
at = [0, 0, -10]
normal = [0, 0, 1]
within = 60.0
bolt = 6.0
fixed = "tray"
diameters = [5.0, 8.0]
count = 4

[[port_joint]]
name = "port"
mate = "joint"
at = [0, 0, -10]
flow = "first to second"
overhang = 0.1
land = 8.0

[[connector]]
name = "plug"
part = "housing"
at = [0.0, 17.0, 10.0]
axis = [0, 0, 1]
stroke = 15.0
length = 28.0
box = [16.0, 12.0]
up = [0, 1, 0]
straight = 30.0
cable = 10.0

[[service]]
name = "filler"
kind = "filler"
part = "tray"
at = [10.0, 9.0, -10.0]
axis = [0, 0, 1]
diameter = 8.0
length = 15.0

[[fastener]]
name = "B2"
part = "housing"
at = [-14.0, -14.0, 10.0]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20
into = "tray"

[order]

[[order.move]]
name = "housing"
parts = ["housing"]
directions = [[0, 0, 1]]

[[duct]]
name = "found"
walls = ["housing"]
inlet = {{ at = [0, 0, -10] }}
outlet = [{{ at = [0, 0, 10] }}]
least_area = 100.5
least_ball = 12.0

[[duct]]
name = "elbow"
walls = ["elbow"]
path = [
  [200, 0, 19], [200, 0, 8], [200.6, 0, 3], [203, 0, 0.6], [208, 0, 0], [219, 0, 0],
]

[duct.turn]
least_inner_radius = 30.0

[check.fasten-holes]
undeclared = "fail"

[check.part-placed]
residual = 0.1

[check.fit-gap.required]
"body panel" = 2
"""


#: Checks that are never open here: a duct measured two ways is remarked on, or not measurable.
NEVER_OPEN = {"flow-agreement"}


def checked(folder, case):
    """Findings and parts: exact meshes, coarse ones (much undecided), and an open housing."""
    block = trimesh.creation.box((40, 40, 20))
    housing = trimesh.boolean.difference([block, trimesh.creation.box((10, 10, 30))])
    if case == "open":
        housing = trimesh.Trimesh(housing.vertices, housing.faces[2:], process=False)
    housing.export(folder / "housing.stl")
    trimesh.creation.box((30, 30, 4)).export(folder / "plate.stl")
    pipe = trimesh.creation.cylinder(6.0, 40.0, sections=24)
    side = pipe.faces[np.abs(pipe.face_normals[:, 2]) < 0.5]
    trimesh.Trimesh(pipe.vertices, side[6:], process=False).export(folder / "gutter.stl")
    down = trimesh.creation.box((8, 8, 24)).apply_translation((0, 0, 8))
    across = trimesh.creation.box((24, 8, 8)).apply_translation((8, 0, 0))
    bore = trimesh.boolean.union([down, across])
    elbow = trimesh.boolean.difference([trimesh.creation.box((40, 40, 40)), bore])
    elbow.apply_translation((200, 0, 0)).export(folder / "elbow.stl")
    text = PROJECT.format(
        sagitta={"exact": 0.0, "coarse": 0.3, "open": 0.1}[case],
        expect="open" if case == "open" else "closed",
    )
    (folder / "project.toml").write_text(text, encoding="utf-8")
    run = gate.run(load(folder / "project.toml"))
    return run.result.findings, run.assemblies["hatch"].parts


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    return {case: tmp_path_factory.mktemp(case) for case in ("exact", "coarse", "open")}


@pytest.fixture(scope="module")
def all_checked(folders):
    return {case: checked(folder, case) for case, folder in folders.items()}


def open_ones(findings):
    asked = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.ERROR)
    return [one for one in findings if one.verdict in asked]


def test_every_check_has_open_findings_here(all_checked):
    """Not vacuous: each check fails, or cannot decide, somewhere in these projects."""
    codes = {one.code for found, _ in all_checked.values() for one in open_ones(found)}
    assert codes == set(gate.discover()) - NEVER_OPEN


@pytest.mark.parametrize("case", ["exact", "coarse", "open"])
def test_open_findings_have_a_witness(all_checked, case):
    found, parts = all_checked[case]
    for one in open_ones(found):
        where = f"{one.code} {one.subject}"
        assert one.witnesses, where
        for witness in one.witnesses:
            assert witness.part in parts, where
            assert np.isfinite(witness.point).all(), where
            if one.code.startswith(("fit-", "part-")):
                # On its part, or a point given in the project file that is near it.
                low, high = parts[witness.part].bounds
                off = np.maximum(np.maximum(low - witness.point, witness.point - high), 0.0)
                assert np.linalg.norm(off) < 10.0, where


def test_a_duct_of_which_nothing_can_be_told_shows_its_inlet(all_checked):
    found, _ = all_checked["exact"]
    torn = [one for one in open_ones(found) if one.subject.startswith('duct "torn"')]
    assert {"flow-area", "flow-throat", "flow-turn", "flow-estimate"} <= {one.code for one in torn}
    assert {one.witnesses[0].point for one in torn} == {(0.0, 0.0, 55.0)}


def told(folder, findings):
    """The project and the file that its result was written to."""
    project = load(folder / "project.toml")
    name, vehicles = project.document.name, tuple(project.vehicles)
    result = Result(name, "project.toml", "0", vehicles, {}, tuple(findings))
    file = folder / "result.json"
    file.write_text(to_json(result), encoding="utf-8")
    return project, file


@pytest.mark.parametrize("case", ["exact", "coarse", "open"])
def test_no_honest_finding_is_contradicted(all_checked, folders, case):
    """Faces that touch, faces at the gap itself, straight walls, stations alike, loose outlines."""
    project, file = told(folders[case], all_checked[case][0])
    report = recheck(file, project.file)
    wrong = [
        f"{one.finding.code} {one.finding.subject}: {claim.what}, {claim.words}"
        for one in report.findings
        for claim in one.claims
        if claim.status is Status.CONTRADICTED
    ]
    assert not wrong
    assert report.exit_code in (0, 4)
    confirmed = sum(one.status is Status.CONFIRMED for one in report.findings)
    assert confirmed > 0.5 * len(report.findings)


def moved(axis, by, number=0):
    def change(finding):
        finding["witnesses"][number]["point"][axis] += by

    return change


def all_zones(**more):
    def change(finding):
        for row in finding["details"]["zones"]:
            row.update(more)

    return change


def roomier(finding):
    for key in ("low", "value", "high"):
        finding["quantity"][key] += 13.798990
    for row in finding["details"]["tools"]:
        if abs(row["room"] + 2.835) < 1e-6:
            row["room"] = 10.963990


#: Each hurts what is let pass only because it lies at a tie: the code, the subject's end, the harm.
FALSE = [
    ("fasten-reach", '"B1"', roomier),
    ("fasten-reach", '"B1"', moved(2, 0.5)),
    ("fit-zones", "tray", moved(2, 0.01)),
    ("fit-zones", "tray", all_zones(least_gap=0.5, depth=1.5)),
    ("fit-zones", "tray", all_zones(least_gap=-0.5, depth=2.5)),
    ("flow-turn", "bend 2", moved(0, 0.3)),
    ("flow-turn", "bend 2", moved(2, -0.3)),
    ("flow-turn", "bend 1", moved(2, -0.3)),
    ("flow-agreement", '"found", two ways', moved(0, 0.2)),
    ("flow-agreement", '"found", two ways', moved(2, 0.2)),
]


@pytest.mark.parametrize(("code", "end", "harm"), FALSE)
def test_a_false_figure_at_a_tie_is_contradicted(all_checked, folders, code, end, harm):
    project, file = told(folders["exact"], all_checked["exact"][0])
    data = json.loads(file.read_text("utf-8"))
    number = next(
        k
        for k, one in enumerate(data["findings"])
        if one["code"] == code and one["subject"].endswith(end)
    )
    false = copy.deepcopy(data)
    harm(false["findings"][number])
    findings = from_data(false).findings
    claims = claims_of(Scene(project, findings), findings[number], file)
    assert Status.CONTRADICTED in {claim.status for claim in claims}


def test_a_station_that_differs_less_is_not_the_farthest_apart(all_checked, folders):
    """Areas alike may be shown at any station; one that is nearer by a hundredth may not."""
    project, file = told(folders["exact"], all_checked["exact"][0])
    data = json.loads(file.read_text("utf-8"))
    one = next(f for f in data["findings"] if f["subject"].endswith('"found", two ways'))
    one["details"]["level"][3] += 0.01
    findings = from_data(data).findings
    finding = next(f for f in findings if f.subject.endswith('"found", two ways'))
    claims = claims_of(Scene(project, findings), finding, file)
    bad = [claim.what for claim in claims if claim.status is Status.CONTRADICTED]
    assert bad == ["farthest apart"]

"""The order of work by a second route: sound plans confirmed, falsified ones contradicted.

Truths: a flange on a block with a bolt through both, a plug beside it, and a roof that hangs over
the rim of the flange on one vehicle; what is in whose way follows from their boxes.
"""

import json
import shutil

import pytest
import trimesh
from click.testing import CliRunner

from geomcheck.cli import cli
from geomcheck.verify import Status, recheck

PROJECT = """\
format = 1
name = "order"
unit = "mm"

[[part]]
name = "flange"
file = "flange.stl"
role = "housing"
sagitta = 0.01

[[part]]
name = "lid"
file = "lid.stl"
role = "carried"
sagitta = 0.01

[[vehicle]]
name = "van"

[[vehicle.part]]
name = "block"
file = "block.stl"
gap = false
sagitta = 0.01

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "block"
file = "block.stl"
gap = false
sagitta = 0.01

[[vehicle.part]]
name = "roof"
file = "roof.stl"
gap = false
sagitta = 0.01

[[fastener]]
name = "B1"
part = "flange"
into = "block"
at = [0, 0, 0]
axis = [0, 0, 1]
size = "M8"
head = "ISO 4762"
length = 30

[[connector]]
name = "sensor"
part = "flange"
at = [-60, 0, 0]
axis = [0, 0, 1]
stroke = 12
length = 25
diameter = 16

[order]
rule = [{ first = "sensor", then = "lid" }]

[[order.move]]
name = "flange"
parts = ["flange"]
directions = [[0, 0, 1]]

[[order.move]]
name = "lid"
parts = ["lid"]
via = [[0, 0, 5], [40, 0, 5]]
"""


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def ring(inner, outer, low, high):
    mesh = trimesh.creation.annulus(r_min=inner, r_max=outer, height=high - low, sections=48)
    mesh.apply_translation([0, 0, 0.5 * (low + high)])
    return mesh


def check(folder):
    done = CliRunner().invoke(
        cli, ["check", str(folder / "project.toml"), "--json", str(folder / "result.json")]
    )
    assert (folder / "result.json").exists(), done.output


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """The lid stands on posts over the bolt, and goes up 5 mm, then aside."""
    folder = tmp_path_factory.mktemp("order")
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    pad = box([-80, -20, -10], [-31, 20, 0])
    trimesh.util.concatenate([ring(4.5, 30, -10, 0), pad]).export(folder / "flange.stl")
    ring(3.4, 40, -60, -10).export(folder / "block.stl")
    box([-20, -20, 20], [20, 20, 30]).export(folder / "lid.stl")
    box([24, -40, 90], [60, 40, 100]).export(folder / "roof.stl")
    check(folder)
    return folder


def tampered(folder, tmp_path, change):
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    data = json.loads((copy / "result.json").read_text("utf-8"))
    change(data)
    counts = data["counts"]
    data["exit_code"] = 2 if counts["error"] else 1 if counts["fail"] else 0
    (copy / "result.json").write_text(json.dumps(data), encoding="utf-8")
    return recheck(copy / "result.json", copy / "project.toml")


def of(report, vehicle):
    return next(
        one
        for one in report.findings
        if one.finding.code == "fasten-order" and one.finding.vehicle == vehicle
    )


def plan(data, vehicle):
    return next(
        one
        for one in data["findings"]
        if one["code"] == "fasten-order" and one["vehicle"] == vehicle
    )


def wrong(again):
    return [claim.what for claim in again.claims if claim.status is Status.CONTRADICTED]


def not_confirmed(again):
    return [claim for claim in again.claims if claim.status is not Status.CONFIRMED]


def test_a_sound_plan_and_a_sound_no_are_confirmed(checked):
    report = recheck(checked / "result.json", checked / "project.toml")
    van, hatch = of(report, "van"), of(report, "hatch")
    assert van.finding.verdict == "pass"
    assert [row["kind"] for row in van.finding.details["steps"]] == [
        "set", "put in", "tighten", "plug in", "set",
    ]  # fmt: skip
    assert not not_confirmed(van)
    # The rim of the flange reaches 30 mm, the roof begins at 24.
    assert hatch.finding.verdict == "fail"
    assert not not_confirmed(hatch)
    assert any("met on its way" in claim.what for claim in hatch.claims)


def steps(data):
    return plan(data, "van")["details"]["steps"]


def tightened_early(data):
    rows = steps(data)
    rows[1], rows[2] = rows[2], rows[1]


def lid_before_the_bolt(data):
    """With the lid over it the bolt neither goes in nor is reached."""
    rows = steps(data)
    rows.insert(1, rows.pop())
    for row in rows[1:]:
        row["absent"] = []


def step_lost(data):
    steps(data).pop(1)


def step_twice(data):
    steps(data).append(dict(steps(data)[2]))


def wrong_way(data):
    steps(data)[0]["direction"] = [0.0, 0.0, 1.0]


def tilted_way(data):
    steps(data)[0]["direction"] = [0.0, -0.6, -0.8]


def strange_tool(data):
    steps(data)[2]["tool"] = "hex key 5"


def not_there_yet(data):
    steps(data)[1]["absent"] = []


def elsewhere(data):
    steps(data)[1]["at"][0][0] += 10.0


def bench_bolt(data):
    steps(data)[1]["kind"] = "load"


@pytest.mark.parametrize(
    ("change", "claim"),
    [
        (tightened_early, "sequence"),
        (lid_before_the_bolt, "sequence"),
        (step_lost, "everything is put on once"),
        (step_twice, "everything is put on once"),
        (wrong_way, "step 1, set flange"),
        (tilted_way, "step 1, set flange"),
        (strange_tool, "step 3, tighten B1"),
        (not_there_yet, "what the steps say"),
        (elsewhere, "what the steps say"),
        (bench_bolt, "step 2, load B1"),
    ],
)
def test_a_falsified_plan_is_contradicted(checked, tmp_path, change, claim):
    report = tampered(checked, tmp_path, change)
    assert report.exit_code == 1
    assert claim in wrong(of(report, "van"))


def test_an_order_that_geometry_forbids_is_contradicted(checked, tmp_path):
    """Without the rule the sequence may be told so; then the lid is in the bolt's way."""
    text = PROJECT.replace('rule = [{ first = "sensor", then = "lid" }]', "")

    def change(data):
        (tmp_path / "copy" / "project.toml").write_text(text, encoding="utf-8")
        lid_before_the_bolt(data)

    found = wrong(of(tampered(checked, tmp_path, change), "van"))
    assert "step 3, put in B1" in found
    assert "step 4, tighten B1, stands" in found


def pass_for_the_hatch(data):
    finding = plan(data, "hatch")
    finding["verdict"] = "pass"
    finding["witnesses"] = []
    finding["details"] = plan(data, "van")["details"]
    data["counts"]["fail"] -= 1
    data["counts"]["pass"] += 1


def other_place(data):
    plan(data, "hatch")["witnesses"][0]["point"][2] += 3.0


def place_of_no_meeting(data):
    """A place on the roof that the flange does not come by."""
    for row in plan(data, "hatch")["details"]["ways"]:
        if row["item"] == "flange":
            row["point"] = [60.0, 40.0, 90.0]


def other_part(data):
    for row in plan(data, "hatch")["details"]["ways"]:
        if row["item"] == "flange":
            row |= {"stopped_by": "block", "point": [40.0, 0.0, -10.0]}


def way_lost(data):
    details = plan(data, "hatch")["details"]
    details["ways"] = [row for row in details["ways"] if row["item"] != "flange"]


def rests_on_what_is_off(data):
    for row in plan(data, "hatch")["details"]["ways"]:
        row["while"] = ["lid"]


@pytest.mark.parametrize(
    ("change", "claim"),
    [
        (pass_for_the_hatch, "set flange"),
        (other_place, "witness on roof"),
        (place_of_no_meeting, "met on its way"),
        (other_part, "met on its way"),
        (way_lost, "all ways of what is stuck"),
        (rests_on_what_is_off, "what stops it stays"),
    ],
)
def test_a_falsified_no_is_contradicted(checked, tmp_path, change, claim):
    report = tampered(checked, tmp_path, change)
    assert report.exit_code == 1
    assert any(claim in what for what in wrong(of(report, "hatch")))


def test_other_meshes_contradict_both(checked, tmp_path):
    """The roof taken aside opens the way; a lid hung lower shuts the bolt in."""
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    for name, way in (("roof", (40.0, 0.0, 0.0)), ("block", (0.0, 0.0, 30.0))):
        mesh = trimesh.load(copy / f"{name}.stl")
        mesh.apply_translation(way).export(copy / f"{name}.stl")
    report = recheck(copy / "result.json", copy / "project.toml")
    assert any("met on its way" in what for what in wrong(of(report, "hatch")))
    assert "step 1, set flange" in wrong(of(report, "van"))


def test_a_bolt_loaded_first(tmp_path):
    """A pipe over the bolt: it goes in on the bench, stands raised, and goes down with its part."""
    folder = tmp_path / "load"
    folder.mkdir()
    text = PROJECT.replace('head = "ISO 4762"', 'head = "ISO 4762"\nload = "first"')
    text = text.replace("length = 30", "length = 12")
    (folder / "project.toml").write_text(text, encoding="utf-8")
    pad = box([-80, -20, -10], [-31, 20, 0])
    trimesh.util.concatenate([ring(4.5, 30, -10, 0), pad]).export(folder / "flange.stl")
    ring(3.4, 40, -60, -10).export(folder / "block.stl")
    box([-20, -20, 160], [20, 20, 170]).export(folder / "lid.stl")
    box([24, 50, 90], [60, 60, 100]).export(folder / "roof.stl")
    check(folder)
    again = of(recheck(folder / "result.json", folder / "project.toml"), "van")
    assert again.finding.details["load_first"] == ["B1"]
    assert not not_confirmed(again)
    down = [claim for claim in again.claims if "lets its part down" in claim.what]
    assert len(down) == 1

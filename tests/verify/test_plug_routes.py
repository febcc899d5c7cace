"""Plugs and service points: sound findings confirmed, falsified ones contradicted.

Truths: boxes beside a cylinder, whose room is known in closed form.
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
name = "plugs"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.0

[[part]]
name = "throttle body"
file = "body.stl"
role = "carried"
sagitta = 0.0

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "rail"
file = "rail.stl"
gap = false
sagitta = 0.1

[[vehicle.part]]
name = "roof"
file = "roof.stl"
gap = false
sagitta = 0.1

[[vehicle.part]]
name = "tank"
file = "tank.stl"
gap = false
sagitta = 0.0

[[vehicle.part]]
name = "clamp"
file = "clamp.stl"
gap = false
sagitta = 0.0

[[connector]]
name = "beside"
part = "throttle body"
at = [0, 0, 0]
axis = [0, 0, 1]
stroke = 12
length = 25
diameter = 16
straight = 30
cable = 8

[[connector]]
name = "under"
part = "throttle body"
at = [0, 100, 0]
axis = [0, 0, 1]
stroke = 12
length = 25
box = [16, 12]
up = [0, 1, 0]
straight = 30
cable = 8

[[connector]]
name = "pinched"
part = "throttle body"
at = [100, 0, 0]
axis = [0, 0, 1]
stroke = 12
length = 25
diameter = 16

[[service]]
name = "filler"
part = "tank"
at = [0, 300, 0]
axis = [0, 0, 1]
diameter = 40
length = 100

[[service]]
name = "cap"
part = "tank"
at = [0, 360, 0]
axis = [0, 0, 1]
diameter = 20
length = 100

[[service]]
name = "drain"
part = "tank"
at = [-60, 330, 0]
axis = [0, 0, 1]
drive = "hexagon"
across_flats = 13
height = 8
tools = ["socket"]
"""


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """A rail 12 mm beside one plug, a roof 57 mm over the next, the third between two plates."""
    folder = tmp_path_factory.mktemp("plugs")
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    # A lip of the housing hangs 12 mm beside the filler's axis, 20 mm up.
    lip = box([12, 280, 20], [40, 320, 40])
    trimesh.util.concatenate([box([300, 0, 0], [360, 60, 60]), lip]).export(folder / "housing.stl")
    box([-40, -40, -40], [140, 140, 0]).export(folder / "body.stl")
    box([12, -50, 1], [20, 50, 90]).export(folder / "rail.stl")
    box([-50, 70, 57], [50, 130, 62]).export(folder / "roof.stl")
    box([-100, 270, -40], [40, 400, 0]).export(folder / "tank.stl")
    ring = [([109, -40], [114, 40]), ([86, -40], [91, 40]), ([91.5, 9], [108.5, 14])]
    ring.append(([91.5, -14], [108.5, -9]))
    walls = [box([*low, 8], [*high, 36]) for low, high in ring]
    trimesh.util.concatenate(walls).export(folder / "clamp.stl")
    done = CliRunner().invoke(
        cli, ["check", str(folder / "project.toml"), "--json", str(folder / "result.json")]
    )
    assert done.exit_code == 1, done.output
    return folder


def tampered(folder, tmp_path, change):
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    data = json.loads((copy / "result.json").read_text("utf-8"))
    change(data)
    (copy / "result.json").write_text(json.dumps(data), encoding="utf-8")
    return recheck(copy / "result.json", copy / "project.toml")


def of(report, subject):
    return next(one for one in report.findings if subject in one.finding.subject)


def one(data, subject):
    return next(f for f in data["findings"] if subject in f["subject"])


def wrong(again):
    return [claim.what for claim in again.claims if claim.status is Status.CONTRADICTED]


def test_sound_findings_are_confirmed(checked):
    report = recheck(checked / "result.json", checked / "project.toml")
    assert not report.of(Status.CONTRADICTED), [
        (one.finding.subject, claim) for one in report.of(Status.CONTRADICTED)
        for claim in one.claims if claim.status is Status.CONTRADICTED
    ]  # fmt: skip
    # The rail is 12 mm from the axis, the body has 8 mm of radius; fingers go across it.
    beside = of(report, '"beside"')
    assert beside.finding.details["in_place"]["body"]["room"] == 4.0
    assert beside.finding.verdict == "pass"
    assert beside.status is Status.CONFIRMED
    # 25 + 12 + 30 mm reach 67 mm up, the roof stands at 57.
    under = of(report, '"under"')
    assert under.finding.verdict == "fail"
    assert under.finding.details["way"] == "plug in first"
    assert under.finding.details["pull"] == 2.0
    assert under.status is Status.CONFIRMED
    # 1 mm beside a body of 8 mm of radius there is no room for a finger of 18 mm, either way.
    pinched = of(report, '"pinched"')
    assert pinched.finding.verdict == "fail"
    assert pinched.status is Status.CONFIRMED
    assert any("no other direction" in claim.what for claim in pinched.claims)


def room_up(data):
    one(data, '"beside"')["details"]["in_place"]["body"] |= {"room": 5.0, "low": 4.9, "high": 5.1}


def body_clear(data):
    row = {"room": 25.0, "low": 25.0, "high": 25.0, "at_least": True, "nearest": None}
    one(data, '"beside"')["details"]["in_place"]["body"] |= row | {"point": None}


def place_moved(data):
    one(data, '"beside"')["details"]["in_place"]["body"]["point"][1] += 60.0


def interval_shrunk(data):
    row = one(data, '"beside"')["details"]["in_place"]["body"]
    row["low"] = row["high"] = row["room"]


def fingers_left_out(data):
    del one(data, '"pinched"')["details"]["in_place"]["fingers"]


def begins_high(data):
    one(data, '"beside"')["details"]["start"] = 20.0


def pulled_out(data):
    one(data, '"under"')["details"]["pull"] = 12.0


def way_up(data):
    one(data, '"under"')["details"]["way"] = "in place"


def limit_up(data):
    one(data, '"beside"')["requirement"]["limit"] = -1.0


def fail_turned(data):
    """A fail made a pass, its interval with it."""
    finding = one(data, '"under"')
    finding["verdict"] = "pass"
    finding["quantity"] = None
    finding["details"]["way_in"] = {"comes": "hand", "direction": [0.0, 0.0, 1.0]}
    data["counts"]["fail"] -= 1
    data["counts"]["pass"] += 1


def pass_turned(data):
    finding = one(data, '"beside"')
    finding["verdict"] = "fail"
    finding["quantity"] |= {"value": -1.0, "low": -1.0, "high": -1.0, "terms": []}
    data["counts"]["fail"] += 1
    data["counts"]["pass"] -= 1


def hand_into_the_rail(data):
    way = one(data, '"beside"')["details"]["way_in"]
    way |= {"comes": "hand", "direction": [1.0, 0.0, 0.0]}


@pytest.mark.parametrize(
    ("change", "subject", "claim"),
    [
        (room_up, '"beside"', "room at the witness, body in place"),
        (room_up, '"beside"', "nothing nearer, body in place"),
        (body_clear, '"beside"', "nothing nearer, body in place"),
        (place_moved, '"beside"', "room at the witness, body in place"),
        (interval_shrunk, '"beside"', "interval, body in place"),
        (fingers_left_out, '"pinched"', "all that moves is asked"),
        (begins_high, '"beside"', "where looking begins"),
        (pulled_out, '"under"', "how far it is pulled"),
        (way_up, '"under"', "way"),
        (limit_up, '"beside"', "limit"),
        (fail_turned, '"under"', "verdict from the rooms"),
        (pass_turned, '"beside"', "verdict from the rooms"),
        (hand_into_the_rail, '"beside"', "way in for a hand"),
    ],
)
def test_a_falsified_plug_is_contradicted(checked, tmp_path, change, subject, claim):
    report = tampered(checked, tmp_path, change)
    assert report.exit_code == 1
    assert claim in wrong(of(report, subject))


def test_service_points_are_confirmed(checked):
    report = recheck(checked / "result.json", checked / "project.toml")
    # A lip of the housing stands 12 mm from the axis of a way of 20 mm of radius.
    filler = of(report, '"filler"')
    assert filler.finding.verdict == "fail"
    assert filler.finding.details["served"][0]["after"]["room"] == -8.0
    assert filler.status is Status.CONFIRMED
    # 40 mm beyond the lip: nothing near.
    cap = of(report, '"cap"')
    assert cap.finding.verdict == "pass"
    assert cap.status is Status.CONFIRMED


def test_a_point_that_a_tool_turns_is_confirmed(checked):
    report = recheck(checked / "result.json", checked / "project.toml")
    drain = of(report, '"drain"')
    assert drain.finding.verdict == "pass"
    assert [claim for claim in drain.claims if claim.status is not Status.CONFIRMED] == []
    assert any(claim.what.endswith("serves") for claim in drain.claims)


def tool_wider(data):
    one(data, '"drain"')["details"]["served"][0]["after"]["room"] -= 2.0


def tool_lost(data):
    finding = one(data, '"drain"')
    finding["verdict"] = "fail"
    finding["details"]["state"] = "lost"
    for served in finding["details"]["served"]:
        served |= {"was": "yes", "now": "no", "state": "lost"}
    data["counts"]["fail"] += 1
    data["counts"]["pass"] -= 1


def strange_tool(data):
    one(data, '"drain"')["details"]["served"][0]["name"] = "socket 15, 3/8 drive"


@pytest.mark.parametrize(
    ("change", "claim"),
    [
        (tool_wider, "room of "),
        (tool_lost, "does not serve"),
        (strange_tool, "tools that may be used"),
    ],
)
def test_a_falsified_tool_is_contradicted(checked, tmp_path, change, claim):
    report = tampered(checked, tmp_path, change)
    assert any(claim in what for what in wrong(of(report, '"drain"')))


def row(data, subject):
    return one(data, subject)["details"]["served"][0]


def kept_after_all(data):
    finding = one(data, '"filler"')
    finding["verdict"] = "pass"
    finding["quantity"] = None
    finding["details"]["state"] = "kept"
    after = {"room": 25.0, "low": 25.0, "high": 25.0, "at_least": True, "nearest": None}
    row(data, '"filler"').update(
        state="kept", now="yes", lost_mm=0.0, after=after | {"point": None, "inside": False}
    )
    data["counts"]["fail"] -= 1
    data["counts"]["pass"] += 1


def never_served(data):
    """The vehicle's own parts blamed."""
    finding = one(data, '"filler"')
    finding["verdict"] = "not applicable"
    finding["quantity"] = finding["requirement"] = None
    finding["details"]["state"] = "never"
    found = row(data, '"filler"')
    found.update(state="never", was="no", before=dict(found["after"]), lost_mm=0.0)
    data["counts"]["fail"] -= 1
    data["counts"]["not applicable"] += 1


def other_part_blamed(data):
    row(data, '"filler"')["after"]["nearest"] = "tank"


def less_lost(data):
    row(data, '"filler"')["lost_mm"] = 1.0


def narrower_way(data):
    row(data, '"filler"')["name"] = "a clear way of 10 x 100 mm"


def begins_over_it(data):
    one(data, '"filler"')["details"]["start"] = 50.0


def point_moved(data):
    one(data, '"filler"')["witnesses"][-1]["point"][0] += 5.0


def said_kept(data):
    one(data, '"filler"')["details"]["state"] = "kept"


def hand_through_the_tank(data):
    one(data, '"cap"')["details"]["way_in"] |= {"comes": "hand", "direction": [0.0, 0.0, -1.0]}


@pytest.mark.parametrize(
    ("change", "subject", "claim"),
    [
        (kept_after_all, '"filler"', "nothing nearer, after"),
        (never_served, '"filler"', "room at the witness, before"),
        (other_part_blamed, '"filler"', "witness on tank"),
        (less_lost, '"filler"', "room that is lost"),
        (narrower_way, '"filler"', "what is asked"),
        (begins_over_it, '"filler"', "where looking begins"),
        (point_moved, '"filler"', "service point"),
        (said_kept, '"filler"', "what became of it"),
        (hand_through_the_tank, '"cap"', "way in for a hand"),
    ],
)
def test_a_falsified_service_point_is_contradicted(checked, tmp_path, change, subject, claim):
    report = tampered(checked, tmp_path, change)
    assert report.exit_code == 1
    assert claim in wrong(of(report, subject))


def test_another_mesh_contradicts_what_was_found(checked, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(checked, copy)
    for name, way in (("rail", (1.0, 0.0, 0.0)), ("housing", (-1.0, 0.0, 0.0))):
        mesh = trimesh.load(copy / f"{name}.stl")
        mesh.apply_translation(way).export(copy / f"{name}.stl")
    report = recheck(copy / "result.json", copy / "project.toml")
    for subject in ('"beside"', '"filler"'):
        assert of(report, subject).status is Status.CONTRADICTED

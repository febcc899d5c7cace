"""Second routes of movements whose least gaps are closed forms.

A table's top is the plane z = 0. A lid 30 long turns down on a hinge 20 over it: at 30 degrees its
tip is 20 - 30 sin 30 = 5 mm over the table. A rod of 100 mm that stays at one end grows by a
hundredth, 1 mm of 6. A carriage 10 over it rocks by -3 to 2 mm and 2 degrees. A shuttle goes from
pose to pose, 4 mm over it at the lowest. A flap turns into the table: it meets it at 30 degrees.
"""

import math

import numpy as np
import pytest
from trimesh.creation import box

from geomcheck.project.movements import MovementEntry
from geomcheck.verify import Status
from geomcheck.verify.fit.poses import legs_of

PROJECT = """\
format = 1
name = "movements"
unit = "mm"

[[part]]
name = "table"
file = "table.stl"
role = "housing"
sagitta = 0.0

[[vehicle]]
name = "rig"

[[vehicle.part]]
name = "lid"
file = "lid.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "rod"
file = "rod.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "post"
file = "post.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "carriage"
file = "carriage.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "shuttle"
file = "shuttle.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "flap"
file = "flap.stl"
class = "panel"
sagitta = 0.0

[[movement]]
name = "let down"
parts = ["lid"]
hinge = { axis = [0, 1, 0], about = [0, 0, 20], angle = [0, 30] }
against = ["table"]
required = 4.0

[[movement]]
name = "hot"
parts = ["rod"]
growth = [{ alpha = 20.0, about = [0, 200, 30], temperature = [20, 520] }]
against = ["post"]
required = 4.0

[[movement]]
name = "rock"
parts = ["carriage"]
rock = { turn = [{ axis = [1, 0, 0], about = [-60, 0, 15], angle = [-2, 2] }], z = [-3, 2] }
against = ["table"]
required = 5.0

[[movement]]
name = "shuttle"
parts = ["shuttle"]
sweep = { about = [60, 0, 14], pose = [{}, { move = [0, 20, -6] }, { move = [0, 40, 0] }] }
against = ["table"]
required = 3.0

[[movement]]
name = "drop"
parts = ["flap"]
hinge = { axis = [0, 1, 0], about = [0, 100, 15], angle = [0, 35] }
against = ["table"]
required = 1.0

[check.fit-gap]
required = { panel = 0 }
"""


def at(size, *centre):
    return box(size).apply_translation(centre)


MESHES = {
    "table": at((300, 500, 20), 0, 0, -10).subdivide().subdivide(),
    # Their undersides lie in the plane of the hinge.
    "lid": at((30, 20, 2), 15, 0, 21),
    "flap": at((30, 20, 2), 15, 100, 16),
    "rod": at((100, 4, 4), 50, 200, 30),
    "post": at((10, 20, 20), 111, 200, 30),
    "carriage": at((20, 20, 10), -60, 0, 15),
    "shuttle": at((10, 10, 8), 60, 0, 14),
}


@pytest.fixture(scope="module")
def rig(tmp_path_factory, check_project):
    return check_project(tmp_path_factory.mktemp("rig"), PROJECT, MESHES)


def test_the_truths(rig):
    value = {
        name: rig.finding("fit-movement", name)["quantity"]["value"]
        for name in ("let down", "hot", "rock", "shuttle", "drop")
    }
    assert value["let down"] == pytest.approx(20.0 - 30.0 * math.sin(math.radians(30)), abs=2e-5)
    assert value["hot"] == pytest.approx(5.0, abs=2e-5)
    # Its lower edge, 5 mm under and 10 beside the axis, goes down by the turn and the shift.
    turn = math.radians(2.0)
    low = 15.0 - 3.0 - 5.0 * math.cos(turn) - 10.0 * math.sin(turn)
    assert value["rock"] == pytest.approx(low, abs=2e-5)
    assert value["shuttle"] == pytest.approx(4.0, abs=2e-5)
    assert value["drop"] == pytest.approx(15.0 - 30.0 * math.sin(math.radians(35)), abs=2e-5)


def test_all_is_confirmed_and_samples_are_called_so(rig):
    report = rig.report()
    for one in report.findings:
        left = [claim for claim in one.claims if claim.status is not Status.CONFIRMED]
        assert not left, (one.finding.subject, left)
    said = [
        claim.words
        for one in report.findings
        for claim in one.claims
        if claim.what in ("no worse pose", "none before it")
    ]
    assert len(said) == 5
    assert all("sampled" in words for words in said)


def more(by):
    def change(finding):
        for name in ("value", "low", "high"):
            finding["quantity"][name] += by

    return change


def limit(finding):
    finding["requirement"]["limit"] = 0.1


def place(number):
    def change(finding):
        finding["witnesses"][number]["point"][2] += 70.0

    return change


def detail(key, value):
    def change(finding):
        finding["details"][key] = value

    return change


def pose(value):
    """The whole finding moved to another pose than the worst; value and witnesses with it."""

    def change(finding):
        turn = math.radians(value)
        finding["details"]["pose"] = {"hinge": value}
        finding["details"]["maps"]["lid"] = [
            [math.cos(turn), 0.0, math.sin(turn), -20.0 * math.sin(turn)],
            [0.0, 1.0, 0.0, 0.0],
            [-math.sin(turn), 0.0, math.cos(turn), 20.0 - 20.0 * math.cos(turn)],
            [0.0, 0.0, 0.0, 1.0],
        ]
        x, z = 30.0 * math.cos(turn), 20.0 - 30.0 * math.sin(turn)
        y = finding["witnesses"][0]["point"][1]
        finding["witnesses"][0]["point"] = [30.0, y, 20.0]
        finding["witnesses"][1]["point"] = [x, y, z]
        finding["witnesses"][2]["point"] = [x, y, 0.0]
        more(z - finding["quantity"]["value"])(finding)

    return change


def lifted(finding):
    """Both points of the pose: as far apart as before, and clear of both parts."""
    place(1)(finding)
    place(2)(finding)


def shifted(finding):
    finding["details"]["maps"]["lid"][2][3] += 1.0


def verdict(word):
    def change(finding):
        finding["verdict"] = word

    return change


def nothing_told(finding):
    finding["quantity"] = finding["requirement"] = None
    finding["verdict"] = "pass"


FALSE = [
    ("let down", more(1.0), "value in that pose"),
    ("let down", pose(25.0), "no worse pose"),
    ("let down", limit, "limit"),
    ("let down", place(0), "witness on lid"),
    ("let down", place(1), "witness on lid, in that pose"),
    ("let down", place(1), "goes there"),
    ("let down", place(2), "witness on table, in that pose"),
    ("let down", shifted, "map of lid"),
    ("let down", detail("pose", {"hinge": 40.0}), "pose in its ranges"),
    ("let down", detail("pose", {"roll": 30.0}), "pose"),
    ("let down", lambda finding: finding.update(witnesses=[]), "witnesses"),
    ("let down", nothing_told, "movement"),
    ("drop", verdict("pass"), "verdict from interval and limit"),
    ("drop", more(0.5), "value in that pose"),
    ("drop", lifted, "inside"),
    ("drop", detail("first_contact", {"hinge": 20.0}), "first contact"),
    ("drop", detail("first_contact", {"hinge": 34.0}), "none before it"),
    ("drop", detail("first_contact", {"roll": 34.0}), "first contact"),
]


@pytest.mark.parametrize(("name", "change", "what"), FALSE)
def test_a_falsified_movement(rig, tmp_path, name, change, what):
    assert what in rig.wrong(tmp_path, "fit-movement", name, change)


@pytest.mark.parametrize(
    ("part", "mesh", "name", "what"),
    [
        ("lid", at((31, 20, 2), 15.5, 0, 21), "let down", "no worse pose"),
        ("rod", at((101, 4, 4), 50.5, 200, 30), "hot", "no worse pose"),
        ("carriage", at((22, 22, 10), -60, 0, 15), "rock", "no worse pose"),
        ("shuttle", at((10, 10, 10), 60, 0, 14), "shuttle", "no worse pose"),
        ("post", at((300, 300, 300), 100, 200, 0), "hot", "neither inside the other"),
        ("flap", at((40, 20, 2), 20, 100, 16), "drop", "none before it"),
    ],
)
def test_a_mesh_changed_under_the_result(rig, tmp_path, part, mesh, name, what):
    wrong = rig.wrong(tmp_path, "fit-movement", name, lambda finding: None, {part: mesh})
    assert what in wrong


def test_poses_of_turns_shifts_and_growth():
    """Growth first, then the turns in the order given, then the shifts."""
    entry = MovementEntry.model_validate(
        {
            "name": "m",
            "parts": ["a"],
            "required": 1.0,
            "rock": {
                "turn": [
                    {"axis": [0, 0, 1], "about": [1, 0, 0], "angle": [0, 90]},
                    {"axis": [1, 0, 0], "about": [0, 0, 0], "angle": [0, 90]},
                ],
                "x": [0, 5],
            },
            "growth": [{"alpha": 100, "about": [1, 1, 1], "temperature": [20, 1020]}],
        }
    )
    (leg,) = legs_of(entry, "a", "b")
    moving, still = leg.maps({"growth of a": 0.1, "roll": 90.0, "turn 2": 90.0, "x": 5.0})
    # (2, 1, 1) grows to (2.1, 1, 1), turns to (0, 1.1, 1) about (1, 0), then up to (0, -1, 1.1).
    assert (moving @ [2.0, 1.0, 1.0, 1.0])[:3] == pytest.approx([5.0, -1.0, 1.1])
    assert np.array_equal(still, np.eye(4))


def test_a_way_from_pose_to_pose_goes_straight_and_turns_evenly():
    turn = {"axis": [0, 0, 1], "angle": 90}
    entry = MovementEntry.model_validate(
        {
            "name": "m",
            "parts": ["a"],
            "required": 1.0,
            "sweep": {"about": [1, 0, 0], "pose": [{}, {"turn": [turn], "move": [3, 0, 0]}]},
        }
    )
    (leg,) = legs_of(entry, "a", "b")
    name = "from pose 1 to pose 2"
    half = leg.maps({name: 0.5})[0]
    # The leading point goes from (1, 0, 0) to (3, 1, 0): half of the way is (2, 0.5, 0).
    assert (half @ [1.0, 0.0, 0.0, 1.0])[:3] == pytest.approx([2.0, 0.5, 0.0])
    side = math.sqrt(0.5)
    assert half[:3, 0] == pytest.approx([side, side, 0.0])
    assert leg.maps({name: 1.0})[0][:3, 0] == pytest.approx([0.0, 1.0, 0.0])

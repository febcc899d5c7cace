"""Second routes of gaps, overlaps, mates, zones and trims on boxes whose figures are closed forms.

A block 40 x 40 x 20 stands in the origin. Round it: a plate 1 mm over it that needs 2 (an area of
``a^2 + 4 a w + pi w^2`` of its top is too near, ``w^2 = 2^2 - 1^2``), a clip half in its side (2 mm
deep), a pin right inside it, a flange 1 mm under it behind a gasket, a far rail.
"""

import math

import pytest
import trimesh
from trimesh.creation import box

from geomcheck.verify import Status

PROJECT = """\
format = 1
name = "boxes"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
sagitta = 0.0

[[vehicle]]
name = "hatch"

[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "panel"
sagitta = 0.0
trim = 5.0

[[vehicle.part]]
name = "clip"
file = "clip.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "pin"
file = "pin.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "flange"
file = "flange.stl"
class = "panel"
sagitta = 0.0

[[vehicle.part]]
name = "rail"
file = "rail.stl"
class = "panel"
sagitta = 0.0

[[mate]]
name = "joint"
parts = ["housing", "flange"]
at = [12.0, 12.0, -10.0]
normal = [0, 0, -1]
gasket = 1.0
tolerance = 0.1
area = 1000.0

[check.fit-gap.required]
"panel" = 2
"""


def at(size, *centre):
    return box(size).apply_translation(centre)


def fine(mesh, times=2):
    """The same shape in more triangles."""
    for _ in range(times):
        mesh = mesh.subdivide()
    return mesh


MESHES = {
    "housing": fine(box((40, 40, 20))),
    "bonnet": at((30, 30, 4), 0, 0, 13),
    "clip": at((4, 4, 4), 20, 0, 0),
    "pin": at((2, 2, 2), 0, 0, 2),
    # It goes on beyond the joint to one side.
    "flange": at((70, 30, 6), 15, 0, -14),
    "rail": at((10, 100, 10), 50, 0, 0),
}


@pytest.fixture(scope="module")
def boxes(tmp_path_factory, check_project):
    return check_project(tmp_path_factory.mktemp("boxes"), PROJECT, MESHES)


def test_the_truths(boxes):
    """What was checked has the figures of the closed forms, so that the routes confirm those."""
    gap = {name: boxes.finding("fit-gap", f"/ {name}") for name in MESHES if name != "housing"}
    assert gap["bonnet"]["quantity"]["value"] == pytest.approx(1.0, abs=1e-5)
    assert gap["clip"]["quantity"]["value"] == pytest.approx(-2.0, abs=1e-5)
    # A corner of the pin at z = 1 is nearest to the top, 7 mm from it at its other end.
    assert gap["pin"]["details"]["state"] == "pin inside housing"
    assert gap["flange"]["verdict"] == "pass"
    assert gap["flange"]["details"]["mates"] == ["joint"]
    assert gap["rail"]["quantity"]["value"] == pytest.approx(25.0, abs=1e-5)
    wide = math.sqrt(3.0)
    area = 30.0**2 + 4 * 30.0 * wide + math.pi * wide**2
    zone = boxes.finding("fit-zones", "bonnet")["quantity"]
    assert zone["value"] == pytest.approx(area, rel=0.01)
    assert boxes.finding("fit-trim", "trim of bonnet")["quantity"]["value"] == pytest.approx(1.0)


def test_all_is_confirmed(boxes):
    report = boxes.report()
    for one in report.findings:
        open_ones = [claim for claim in one.claims if claim.status is not Status.CONFIRMED]
        assert not open_ones, (one.finding.code, one.finding.subject, open_ones)
    assert report.exit_code == 0
    what = {claim.what for one in report.findings for claim in one.claims}
    assert what >= {
        "nothing nearer", "rail not inside housing", "no deeper in housing", "depth", "inside",
        "area", "number of places", "one inside the other", "no deeper cut for housing",
        "area near housing", "gaps kept", "in the way", "departure", "footprint", "angle",
    }  # fmt: skip


def more(key="value", by=1.0):
    def change(finding):
        quantity = finding["quantity"]
        for name in ("value", "low", "high"):
            quantity[name] += by

    return change


def limit(finding):
    finding["requirement"]["limit"] = 0.5


def place(number, axis=0, by=90.0):
    def change(finding):
        finding["witnesses"][number]["point"][axis] += by

    return change


def detail(key, value):
    def change(finding):
        finding["details"][key] = value

    return change


def verdict(word):
    def change(finding):
        finding["verdict"] = word

    return change


def zone_row(key, value):
    def change(finding):
        finding["details"]["zones"][0][key] = value

    return change


def elsewhere(finding):
    """A distance and two witnesses that agree with each other and with both parts."""
    points = ([20.0, 12.0, 0.0], [45.0, 12.0, 0.0]), ([20.0, 12.0, 0.0], [55.0, 12.0, 0.0])
    for witness, point in zip(finding["witnesses"], points[1], strict=True):
        witness["point"] = list(point)
    more(by=10.0)(finding)


def shallow(finding):
    """A depth of half of what it is, at a point that has it."""
    for witness in finding["witnesses"]:
        witness["point"] = [19.0 if witness["part"] == "clip" else 20.0, 0.0, 0.0]
    more(by=1.0)(finding)


def apart(finding):
    """The pin told to be clear of the block round it."""
    finding["details"]["state"] = "apart"
    finding["details"]["depth"] = None
    quantity = finding["quantity"]
    value = -quantity["value"]
    quantity |= {"value": value, "low": value, "high": value, "terms": []}
    finding["verdict"] = "pass"


def nothing_told(finding):
    finding["quantity"] = finding["requirement"] = None
    finding["witnesses"] = []
    finding["verdict"] = "pass"


GAP = [
    ("/ rail", more(), "distance of the witnesses"),
    ("/ rail", limit, "limit"),
    ("/ rail", place(0), "witness on housing"),
    ("/ rail", place(1), "witness on rail"),
    ("/ rail", elsewhere, "nothing nearer"),
    ("/ rail", detail("mates", ["joint"]), "mates left out"),
    ("/ rail", nothing_told, "gap"),
    ("/ bonnet", verdict("pass"), "verdict from interval and limit"),
    ("/ clip", more(by=0.5), "depth"),
    ("/ clip", shallow, "no deeper in housing"),
    ("/ pin", apart, "pin not inside housing"),
    ("/ flange", detail("mates", []), "nothing nearer"),
    ("/ flange", detail("mates", ["seam"]), "mates left out"),
    ("/ flange", more(), "distance of the witnesses"),
]


@pytest.mark.parametrize(("subject", "change", "what"), GAP)
def test_a_falsified_gap(boxes, tmp_path, subject, change, what):
    assert what in boxes.wrong(tmp_path, "fit-gap", subject, change)


MATE = [
    (more(by=0.05), "departure"),
    (limit, "limit"),
    (place(0, 2), "witness in the face of housing"),
    (place(1, 2), "witness in the face of flange"),
    (place(0), "in the middle"),
    (detail("distance", 1.05), "distance"),
    (detail("gasket", 1.2), "gasket"),
    (detail("angle", 0.5), "angle"),
    (detail("footprint", 900.0), "footprint"),
    (detail("unevenness", {"housing": 0.01, "flange": 0.0}), "unevenness of housing"),
    (verdict("fail"), "reason to fail"),
    (lambda finding: finding.update(parts=["flange", "housing"]), "parts"),
    (nothing_told, "a face is missing"),
]


@pytest.mark.parametrize(
    ("change", "what"),
    [(more(by=20.0), "area"), (limit, "limit"), (place(0), "in the middle"),
     (place(1, 2), "witness in the face of flange")],
)  # fmt: skip
def test_a_falsified_common_area(boxes, tmp_path, change, what):
    """Both faces cover 40 x 30 mm2, 1 mm from each other."""
    told = boxes.finding("fit-mate", ", area")
    assert told["quantity"]["value"] == pytest.approx(1200.0, abs=0.01)
    assert what in boxes.wrong(tmp_path, "fit-mate", ", area", change)


@pytest.mark.parametrize(("change", "what"), MATE)
def test_a_falsified_mate(boxes, tmp_path, change, what):
    assert what in boxes.wrong(tmp_path, "fit-mate", "joint", change)


ZONES = [
    ("bonnet", more(by=90.0), "area"),
    ("bonnet", more(by=-90.0), "area"),
    ("bonnet", zone_row("required", 1.5), "limit"),
    ("bonnet", limit, "area allowed"),
    ("bonnet", zone_row("least_gap", 0.9), "distance of the witnesses"),
    ("bonnet", zone_row("place", [0.0, 0.0, 9.0]), "places on the part"),
    ("bonnet", zone_row("place", [19.5, 19.5, 10.0]), "places in them"),
    ("bonnet", zone_row("depth", 2.0), "depths"),
    ("bonnet", zone_row("area", 900.0), "area at (-0.00, 0.00, 10.00)"),
    ("bonnet", detail("smaller", 1), "number of places"),
    ("bonnet", place(0), "distance of the witnesses"),
    ("bonnet", lambda finding: finding.update(witnesses=[]), "witnesses"),
    ("pin", place(0), "witness on housing"),
    ("pin", lambda finding: finding.update(witnesses=[]), "witnesses"),
    ("pin", verdict("undecided"), "one inside the other"),
]


@pytest.mark.parametrize(("subject", "change", "what"), ZONES)
def test_falsified_zones(boxes, tmp_path, subject, change, what):
    if what.startswith("area at"):
        x, y, z = boxes.finding("fit-zones", subject)["details"]["zones"][0]["place"]
        what = f"area at ({x:.2f}, {y:.2f}, {z:.2f})"
    assert what in boxes.wrong(tmp_path, "fit-zones", subject, change)


def test_zones_listed_twice_or_out_of_order(boxes, tmp_path):
    def change(finding):
        row = finding["details"]["zones"][0]
        finding["details"]["zones"].append({**row, "least_gap": 0.5})

    wrong = boxes.wrong(tmp_path, "fit-zones", "bonnet", change)
    assert wrong >= {"the worst first", "number of places"}


def test_a_zone_told_of_a_pair_that_has_none(boxes, tmp_path):
    """The pin lies deep: a finding without a place is one with nothing near."""

    def change(finding):
        finding["details"]["zones"] = []

    wrong = boxes.wrong(tmp_path, "fit-zones", "bonnet", change)
    assert wrong >= {"no place within the gap", "one inside the other"}


def trimmed(key, value):
    def change(finding):
        finding["details"]["trimmed"][0][key] = value

    return change


RAIL = {"part": "rail", "depth": 0.0, "area": 0, "allowed": "never"}
TRIM = [
    ("trim of bonnet", more(by=0.5), "depth of cut"),
    ("trim of bonnet", more(by=-0.5), "no deeper cut for housing"),
    ("trim of bonnet", limit, "limit"),
    ("trim of bonnet", lambda finding: finding.update(requirement=None), "limit"),
    ("trim of bonnet", detail("allowed", 9.0), "allowed"),
    ("trim of bonnet", zone_row("area", 700.0), "area near housing"),
    ("trim of bonnet", place(0, 2), "witness on bonnet"),
    ("trim of bonnet", nothing_told, "depth of cut"),
    ("modification", detail("kept", 3), "gaps kept"),
    ("modification", detail("in_the_way", []), "in the way"),
    ("modification", detail("open", [RAIL]), "open"),
    ("modification", detail("trimmed", []), "trimmed"),
    ("modification", trimmed("depth", 0.5), "depth of bonnet"),
    ("modification", trimmed("allowed", 9.0), "allowed of bonnet"),
    ("modification", trimmed("area", 9.0), "area of bonnet"),
    ("modification", place(0, 2), "witness on clip"),
    ("modification", lambda finding: finding.update(witnesses=[]), "witness"),
    ("modification", verdict("pass"), "verdict"),
]  # fmt: skip


@pytest.mark.parametrize(("subject", "change", "what"), TRIM)
def test_a_falsified_trim(boxes, tmp_path, subject, change, what):
    if what == "witness on clip":
        part = boxes.finding("fit-trim", "modification")["witnesses"][0]["part"]
        what = f"witness on {part}"
    assert what in boxes.wrong(tmp_path, "fit-trim", subject, change)


@pytest.mark.parametrize(
    ("name", "mesh", "code", "subject", "what"),
    [
        ("rail", at((10, 100, 10), 45, 0, 0), "fit-gap", "rail", "nothing nearer"),
        ("clip", at((4, 4, 4), 19, 0, 0), "fit-gap", "clip", "no deeper in housing"),
        ("flange", at((70, 30, 6), 15, 0, -13.8), "fit-mate", "joint", "departure"),
        ("flange", at((20, 30, 6), 15, 0, -14), "fit-mate", "joint", "footprint"),
        ("bonnet", at((20, 30, 4), 0, 0, 13), "fit-zones", "bonnet", "area"),
        ("bonnet", at((30, 30, 4), 0, 0, 12.5), "fit-trim", "trim", "no deeper cut for housing"),
    ],
)  # fmt: skip
def test_a_mesh_changed_under_the_result(boxes, tmp_path, name, mesh, code, subject, what):
    wrong = boxes.wrong(tmp_path, code, subject, lambda finding: None, {name: mesh})
    assert what in wrong


def test_a_lug_beside_a_joint_is_near(boxes, tmp_path):
    """What reaches beyond the mating face is no part of the joint: 0.5 mm beside the block."""
    flange = trimesh.util.concatenate(MESHES["flange"], at((2, 6, 8), 21.5, 0, -9))
    wrong = boxes.wrong(tmp_path, "fit-gap", "/ flange", lambda finding: None, {"flange": flange})
    assert "nothing nearer" in wrong

"""The movement check: passes, fails, cannot be decided; who moves against what."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import trimesh

from geomcheck.checks import fit_movement
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code

ROCK = {"turn": [{"axis": [0, 0, 1], "about": [0, 0, 0], "angle": [-6, 6]}]}
#: 60 - 50 cos(30.8699 deg), see tests/fit/test_motion.py.
LEAST = 17.083270


def block(*spans):
    return trimesh.creation.box(bounds=np.array(spans, dtype=float).T)


@pytest.fixture
def casting(part):
    """A half box of 40 x 60 x 100 on the z axis."""
    return part("casting", block((0, 40), (-30, 30), (-50, 50)), role="housing")


@pytest.fixture
def wall(part):
    return part("inner wing", block((60, 70), (-200, 200), (-200, 200)), kind="body panel")


def run(assembly):
    return list(fit_movement.run(assembly, fit_movement.Settings()))


def only(assembly):
    (finding,) = run(assembly)
    return finding


def movement(**more):
    return {"name": "rock", "required": 15.0, "rock": ROCK} | more


def refused(assembly, words):
    with pytest.raises(ProjectError, match=words) as caught:
        run(assembly)
    assert caught.value.line is not None and "movement" in caught.value.entry
    return caught.value


# --- pass, fail, undecided -----------------------------------------------------------------------


def test_rock_that_stays_clear_passes_with_its_pose(casting, wall, assembly):
    finding = only(assembly(casting, wall, movements=[movement()]))
    assert finding.verdict is Verdict.PASS and finding.remedy == ""
    assert finding.quantity.value == pytest.approx(LEAST, abs=1e-5)
    assert LEAST - 0.0101 <= finding.quantity.low <= LEAST + 1e-6
    assert finding.subject == "rock: casting / inner wing"
    assert finding.parts == ("casting", "inner wing")
    assert (
        "17.08 mm" in finding.message
        and "casting rolled" in finding.message
        and "6.00 degrees" in finding.message
    )
    assert finding.requirement.source == 'movement "rock"'
    assert finding.entry.entry == 'movement "rock"'
    assert "local codes" in finding.caution
    details = finding.details
    assert abs(details["pose"]["roll"]) == pytest.approx(6) and details["complete"]
    assert details["found"] - details["proved"] <= 0.01 + 1e-9 and details["boxes"] > 0
    assert exit_code([finding]) == 0
    json.dumps(details)


def test_rock_that_comes_too_near_fails_and_says_where_to_set_back(casting, wall, assembly):
    finding = only(assembly(casting, wall, movements=[movement(required=20.0)]))
    assert finding.verdict is Verdict.FAIL
    assert "20.00 mm required" in finding.message
    assert "2.92 mm along (-0.99, " in finding.remedy and "as it stands" in finding.remedy
    first, second, third = finding.witnesses
    assert first.point[0] == pytest.approx(40)  # on the part's own corner
    assert first.part == second.part == "casting" and third.part == "inner wing"
    between = np.linalg.norm(np.subtract(second.point, third.point))
    assert between == pytest.approx(LEAST, abs=1e-5)
    # The maps take the places the parts stand in to those of the pose.
    maps = {name: np.array(rows) for name, rows in finding.details["maps"].items()}
    assert (maps["casting"] @ [*first.point, 1])[:3] == pytest.approx(second.point)
    assert np.array_equal(maps["inner wing"], np.eye(4))


def test_facets_within_the_limit_are_undecided(casting, part, assembly):
    ball = trimesh.creation.icosphere(subdivisions=2, radius=10).apply_translation((80.0, 0, 0))
    shaking = movement(rock={"x": [-1, 2]}, required=27.97)
    finding = only(assembly(casting, part("sensor", ball, kind="body panel"), movements=[shaking]))
    assert finding.verdict is Verdict.UNDECIDED
    assert finding.quantity.low < 27.97 < finding.quantity.high
    assert "finer chord error" in finding.remedy
    assert exit_code([finding]) == 4


def test_budget_that_runs_out_is_undecided_with_the_bounds(casting, wall, assembly):
    tiny = movement(required=17.0, budget=10, tolerance=1e-6)
    finding = only(assembly(casting, wall, movements=[tiny]))
    assert finding.verdict is Verdict.UNDECIDED
    assert "budget of 10 boxes" in finding.message and "budget" in finding.remedy
    assert not finding.details["complete"]
    assert finding.details["proved"] <= LEAST <= finding.details["found"] + 1e-6
    # Decided all the same where the bounds reached suffice.
    assert (
        only(assembly(casting, wall, movements=[tiny | {"required": 30.0}])).verdict is Verdict.FAIL
    )


def test_contact_on_the_way_fails_with_the_pose_it_is_first_met_in(casting, part, assembly):
    near = part("strut", block((48, 70), (-200, 200), (-200, 200)), kind="body panel")
    (turn,) = ROCK["turn"]
    swing = movement(rock={"turn": [turn | {"angle": [-30, 30], "name": "torque"}]})
    finding = only(assembly(casting, near, movements=[swing]))
    assert finding.verdict is Verdict.FAIL
    # The corner reaches x = 48 where 50 cos(36.8699 - t) = 48.
    first = math.degrees(math.atan2(30, 40) - math.acos(48 / 50))
    assert abs(finding.details["first_contact"]["torque"]) == pytest.approx(first, abs=0.05)
    assert "On the way there they first meet with casting turned" in finding.message
    assert "degrees (torque)" in finding.message
    # Deepest at 30 degrees.
    deepest = 50 * math.cos(math.atan2(30, 40) - math.radians(30)) - 48
    assert finding.details["depth"] == pytest.approx(deepest, abs=1e-6)
    assert "by at least" in finding.remedy


def test_the_allowances_of_the_parts_count(casting, wall, assembly):
    entries = {"casting": {"casting": {"grade": "DCTG 9", "datum": [0, 0, 0]}}}
    need = movement(required=16.5)
    assert only(assembly(casting, wall, movements=[need])).verdict is Verdict.PASS
    finding = only(assembly(casting, wall, entries=entries, movements=[need]))
    assert finding.verdict is Verdict.UNDECIDED
    assert finding.quantity.low < 16.5
    assert any("casting tolerance" in term.name for term in finding.quantity.terms)
    # Those of the part that stays, too.
    entries = {"inner wing": {"scan": {"noise": 0.7}}}
    finding = only(assembly(casting, wall, entries=entries, movements=[need]))
    assert finding.verdict is Verdict.UNDECIDED
    assert finding.quantity.low == pytest.approx(LEAST - 0.7, abs=0.011)


# --- kinds ---------------------------------------------------------------------------------------


def test_hinged_panel(casting, part, assembly):
    """Panel under z = 200 closing from 60 degrees open onto 120 mm over the casting."""
    panel = part("bonnet", block((-100, 100), (-90, 90), (170, 172)), kind="body panel")
    hinge = {"axis": [0, 1, 0], "about": [-100, 0, 170], "angle": [-60, 0]}
    closing = {"name": "closing", "parts": ["bonnet"], "required": 119.0, "hinge": hinge}
    finding = only(assembly(casting, panel, movements=[closing]))
    assert finding.verdict is Verdict.PASS and finding.quantity.value == pytest.approx(120)
    assert "as they stand" in finding.message
    # Slammed 10 degrees too far: the lower face passes the casting's near edge (40, 50).
    slam = closing | {"hinge": hinge | {"angle": [-60, 10]}}
    finding = only(assembly(casting, panel, movements=[slam]))
    wanted = 120 * math.cos(math.radians(10)) - 140 * math.sin(math.radians(10))
    assert finding.verdict is Verdict.FAIL
    assert finding.quantity.value == pytest.approx(wanted, abs=0.01)
    assert "with bonnet turned +10.00 degrees on its hinge" in finding.message
    # It is the casting that is set back: across the panel as it then stands, 10 degrees off -z.
    assert "At (40.00, " in finding.remedy and "set the wall of casting back" in finding.remedy
    down = math.sin(math.radians(10)), math.cos(math.radians(10))
    assert f"along ({-down[0]:.2f}, 0.00, {-down[1]:.2f}), away from bonnet" in finding.remedy


def test_sweep_of_a_belt(casting, part, assembly):
    belt = part("belt", block((-60, -50), (-5, 5), (60, 62)), kind="moving part")
    way = {"about": [-55, 0, 61], "pose": [{}, {"move": [75, 0, -5]}, {"move": [150, 0, 0]}]}
    entry = {"name": "run", "parts": ["belt"], "required": 4.0, "sweep": way}
    finding = only(assembly(casting, belt, movements=[entry]))
    assert finding.verdict is Verdict.PASS and finding.quantity.value == pytest.approx(
        5.0, abs=0.01
    )
    bad = entry | {"sweep": way | {"pose": [{}, {}]}}
    refused(assembly(casting, belt, movements=[bad]), "nothing moves from pose 1")
    turned = {"turn": [{"axis": [0, 0, 1], "about": [0, 0, 0], "angle": 180}]}
    bad = entry | {"sweep": way | {"pose": [{}, turned]}}
    refused(assembly(casting, belt, movements=[bad]), "half a turn")


def test_a_hinge_or_a_point_nowhere_near_its_part_is_refused(casting, part, assembly):
    """Most likely given in the vehicle's axes; a wrong arm would pass or fail for nothing."""
    panel = part("bonnet", block((-100, 100), (-90, 90), (170, 172)), kind="body panel")
    hinge = {"axis": [0, 2, 0], "about": [-100, 900, 170], "angle": [-60, 0]}
    closing = {"name": "closing", "parts": ["bonnet"], "required": 1.0, "hinge": hinge}
    # Along its axis the point may lie anywhere.
    assert only(assembly(casting, panel, movements=[closing])).verdict is Verdict.PASS
    away = closing | {"hinge": hinge | {"about": [-100, 0, 400]}}
    error = refused(assembly(casting, panel, movements=[away]), "the axis lies 250 mm from")
    assert "housing's axes" in error.text and error.entry.endswith("about")
    sure = closing | {"hinge": away["hinge"] | {"far": True}}
    assert only(assembly(casting, panel, movements=[sure])).verdict is Verdict.PASS
    hot = {"alpha": 12, "about": [620, 40, 710], "temperature": [20, 90]}
    warm = {"name": "warm", "parts": ["bonnet"], "required": 1.0, "growth": [hot]}
    refused(assembly(casting, panel, movements=[warm]), "the point lies 823 mm from the middle")
    sure = warm | {"growth": [hot | {"far": True}]}
    assert only(assembly(casting, panel, movements=[sure])).verdict is Verdict.PASS
    way = {"about": [620, 40, 710], "pose": [{}, {"move": [0, 0, 5]}]}
    carried = {"name": "way", "parts": ["bonnet"], "required": 1.0, "sweep": way}
    refused(assembly(casting, panel, movements=[carried]), "the point lies 823 mm from the middle")


def test_growth_by_heat(casting, part, assembly):
    """40 mm of aluminium from 20 to 140 degrees: 40 x 23.6e-6 x 120 = 0.1133 mm."""
    stop = part("stop", block((40.5, 60), (-10, 10), (-10, 10)), kind="engine-mounted part")
    hot = {"material": "Al 6061", "about": [0, 0, 0], "temperature": [20, 140]}
    entry = {"name": "hot", "group": "housing", "required": 0.3, "growth": [hot]}
    finding = only(assembly(casting, stop, movements=[entry]))
    assert finding.verdict is Verdict.PASS
    assert finding.quantity.value == pytest.approx(0.5 - 40 * 23.6e-6 * 120, abs=1e-6)
    assert "with casting at 140.0 degrees Celsius" in finding.message
    # The stop, too, from a point behind it, with a coefficient of its own.
    more = {"parts": ["stop"], "alpha": 100.0, "about": [60, 0, 0], "temperature": [20, 120]}
    both = entry | {"growth": [hot | {"parts": ["casting"]}, more]}
    finding = only(assembly(casting, stop, movements=[both]))
    assert finding.quantity.value == pytest.approx(0.5 - 0.11328 - 0.195, abs=1e-5)
    assert finding.verdict is Verdict.FAIL
    # A coefficient known only as a range counts at both ends.
    printed = entry | {"growth": [hot | {"material": "SLS PA12"}]}
    finding = only(assembly(casting, stop, movements=[printed]))
    assert finding.details["state"] == "overlapping"
    assert finding.details["depth"] == pytest.approx(40 * 110e-6 * 120 - 0.5, abs=1e-6)
    assert "with casting grown by 13.200 mm per metre" in finding.message


# --- who moves against what ----------------------------------------------------------------------


def test_a_rock_takes_along_what_is_on_the_engine(casting, wall, part, assembly):
    pump = part("pump", block((-30, -10), (-10, 10), (-10, 10)), kind="engine-mounted part")
    pipe = part("pipe", block((-30, -10), (20, 30), (-10, 10)), kind="fuel line")
    valve = part("valve", block((-60, -40), (-10, 10), (-10, 10)), role="carried")
    subjects = [
        f.subject for f in run(assembly(casting, valve, pump, pipe, wall, movements=[movement()]))
    ]
    # Two neighbours are not asked about: the pump and the wall, the pump and the pipe.
    assert subjects == [
        "rock: casting / pipe",
        "rock: casting / inner wing",
        "rock: valve / pipe",
        "rock: valve / inner wing",
    ]
    sides = {"pump": {"on": "body"}, "pipe": {"on": "engine"}}
    car = assembly(casting, pump, pipe, wall, entries=sides, movements=[movement()])
    assert [f.subject for f in run(car)] == ["rock: casting / pump", "rock: casting / inner wing"]
    named = movement(against=["inner wing"])
    car = assembly(casting, pump, wall, movements=[named])
    assert [f.parts for f in run(car)] == [("casting", "inner wing"), ("pump", "inner wing")]


def test_parts_without_gap_are_left_out_unless_named(casting, wall, part, assembly):
    pulley = part("pulley", block((-30, -10), (-10, 10), (-10, 10)), role="carried")
    silent = {"pulley": {"gap": False}}
    car = assembly(casting, pulley, wall, entries=silent, movements=[movement()])
    assert [f.parts[0] for f in run(car)] == ["casting"]
    named = movement(parts=["pulley"])
    car = assembly(casting, pulley, wall, entries=silent, movements=[named])
    assert [f.parts for f in run(car)] == [("pulley", "casting"), ("pulley", "inner wing")]


def test_nothing_stays_where_it_is(casting, assembly):
    finding = only(assembly(casting, movements=[movement()]))
    assert finding.verdict is Verdict.NOT_APPLICABLE
    assert exit_code([finding]) == 3


def test_no_movement_no_finding(casting, wall, assembly):
    assert run(assembly(casting, wall)) == []


def test_a_part_does_not_move_against_itself(casting, wall, part, assembly):
    pump = part("pump", block((-30, -10), (-10, 10), (-10, 10)), kind="engine-mounted part")
    car = assembly(casting, pump, wall, movements=[movement(against=["pump"])])
    refused(car, "'pump' moves in this movement")


def test_a_growth_of_a_bystander_is_refused(casting, wall, part, assembly):
    pipe = part("pipe", block((-30, -10), (20, 30), (-10, 10)), kind="fuel line")
    hot = {"parts": ["pipe"], "alpha": 12, "about": [0, 0, 0], "temperature": [20, 90]}
    car = assembly(casting, pipe, wall, movements=[movement(against=["inner wing"], growth=[hot])])
    refused(car, "'pipe' grows, but")
    twice = [{**hot, "parts": ["casting"]}, {k: v for k, v in hot.items() if k != "parts"}]
    refused(assembly(casting, wall, movements=[movement(growth=twice)]), "'casting' grows twice")


# --- mates ---------------------------------------------------------------------------------------

JOINT = {"name": "inlet", "parts": ["casting", "duct"], "at": [40, 0, 0], "normal": [1, 0, 0]}


def test_mated_faces_do_not_slide(casting, part, assembly):
    duct = part("duct", block((40, 90), (-10, 10), (-10, 10)), kind="body panel")
    error = refused(
        assembly(casting, duct, mates=[JOINT], movements=[movement()]),
        "joined by the mate 'inlet', and the movement takes only casting along",
    )
    assert 'on = "engine"' in error.text
    # On the engine it goes along, and there is nothing to ask of the pair.
    along = {"duct": {"on": "engine"}}
    car = assembly(casting, duct, mates=[JOINT], entries=along, movements=[movement()])
    assert only(car).verdict is Verdict.NOT_APPLICABLE


def test_growth_carries_a_mated_part_along(casting, wall, part, assembly):
    duct = part("duct", block((40, 50), (-10, 10), (-10, 10)), kind="engine-mounted part")
    hot = {"material": "Al 6061", "about": [0, 0, 0], "temperature": [20, 140]}
    entry = {"name": "hot", "group": "housing", "required": 1.0, "growth": [hot]}
    findings = run(assembly(casting, duct, wall, mates=[JOINT], movements=[entry]))
    assert [f.verdict for f in findings] == [Verdict.NOT_APPLICABLE, Verdict.PASS]
    assert "carried along" in findings[0].message
    named = assembly(casting, duct, mates=[JOINT], movements=[entry | {"against": ["duct"]}])
    refused(named, "joined by the mate 'inlet'")


# --- open meshes ---------------------------------------------------------------------------------


def test_scan_with_a_hole_within_reach_is_undecided(casting, part, assembly, open_sheet):
    sheet = open_sheet(400, 400, 80.0, cells=20)
    rows = np.linalg.norm(sheet.triangles_center[:, :2], axis=1) < 30
    holed = trimesh.Trimesh(sheet.vertices, sheet.faces[~rows], process=False)
    real = {"bonnet": {"edge_is_real": True}}
    shaking = movement(rock={"z": [-2, 2]}, required=12.0)
    flipped = holed.copy()
    flipped.invert()
    bonnet = part("bonnet", flipped, kind="body panel")
    finding = only(assembly(casting, bonnet, entries=real, movements=[shaking]))
    assert finding.verdict is Verdict.UNDECIDED and "hole" in finding.message
    assert "holes_are_real" in finding.remedy
    sure = {"bonnet": {"edge_is_real": True, "holes_are_real": True}}
    finding = only(assembly(casting, bonnet, entries=sure, movements=[shaking]))
    assert finding.verdict is Verdict.PASS


def test_what_lies_all_round_is_undecided_until_it_is_called_a_shell(casting, part, assembly, torn):
    """Whichever of the two moves: the casting within a bay scan with an open bottom."""
    box = torn(block((-200, 200), (-200, 200), (-200, 200)), [0])
    box.invert()  # facing inwards, as a bay does
    bay = part("bay scan", box, kind="body panel")
    real = {"bay scan": {"edge_is_real": True, "holes_are_real": True}}
    shaking = movement(rock={"z": [-2, 2]})
    sinking = movement(rock={"z": [-2, 2]}, parts=["bay scan"], against=["casting"])
    for moves in (shaking, sinking):
        finding = only(assembly(casting, bay, entries=real, movements=[moves]))
        assert finding.verdict is Verdict.UNDECIDED
        assert "mesh of bay scan is open" in finding.message and "shells" in finding.remedy
        said = {"fit-gap": {"shells": ["bay scan"]}}
        car = assembly(casting, bay, entries=real, movements=[moves], check=said)
        finding = only(car)
        assert finding.verdict is Verdict.PASS
        assert finding.quantity.value == pytest.approx(148.0, abs=0.01)


def test_a_hole_that_only_the_movement_reaches_counts(casting, part, assembly, open_sheet):
    """Its edge is hypot(80, 80) from the casting: 60 required, and 60 of way towards it."""
    sheet = open_sheet(600, 600, 130.0, cells=40)
    hole = np.linalg.norm(sheet.triangles_center[:, :2] - [150, 0], axis=1) < 30
    holed = trimesh.Trimesh(sheet.vertices, sheet.faces[~hole], process=False)
    holed.invert()
    bonnet = part("bonnet", holed, kind="body panel")
    real = {"bonnet": {"edge_is_real": True}}
    verdicts = []
    for way in (1.0, 60.0):
        sliding = movement(rock={"x": [-way, way]}, required=60.0)
        finding = only(assembly(casting, bonnet, entries=real, movements=[sliding]))
        assert finding.quantity.value == pytest.approx(80.0, abs=0.01)
        verdicts.append(finding.verdict)
    assert verdicts == [Verdict.PASS, Verdict.UNDECIDED]


def test_the_module_says_what_why_and_remedy():
    for word in ("What:", "Why:", "Remedy:"):
        assert word in (fit_movement.__doc__ or "")

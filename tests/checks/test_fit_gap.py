"""The gap check: passes, fails, cannot be decided; and what it refuses."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh

from geomcheck.checks import fit_gap
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code

PANEL = {"required": {"body panel": 20}}


def block(*spans):
    return trimesh.creation.box(bounds=np.array(spans, dtype=float).T)


@pytest.fixture
def casting(part):
    """A block of 100 x 60 x 40 with its middle in the origin."""
    return part("casting", block((-50, 50), (-30, 30), (-20, 20)), role="housing")


def run(assembly, **settings):
    return list(fit_gap.run(assembly, fit_gap.Settings.model_validate(settings)))


def only(assembly, **settings):
    (finding,) = run(assembly, **settings)
    return finding


# --- pass, fail, undecided -----------------------------------------------------------------------


def test_panel_far_enough_passes_with_its_number(casting, part, assembly, open_sheet):
    sheet = open_sheet(400, 400, 41.5)
    sheet.invert()  # its face towards the casting
    bonnet = part("bonnet", sheet, kind="body panel")
    finding = only(assembly(casting, bonnet), **PANEL)
    assert finding.verdict is Verdict.PASS
    assert finding.quantity.value == pytest.approx(21.5)
    assert finding.requirement.limit == 20 and 'class "body panel"' in finding.requirement.source
    assert finding.subject == "casting / bonnet" and finding.parts == ("casting", "bonnet")
    assert finding.entry.entry == 'vehicle "Test van" > part "bonnet"'
    assert finding.remedy == ""
    assert finding.details["state"] == "apart"


def test_panel_too_near_fails_and_says_where_and_how_far_to_move(
    casting, part, assembly, open_sheet
):
    bonnet = part("bonnet", open_sheet(400, 400, 33.25), kind="body panel")
    finding = only(assembly(casting, bonnet), **PANEL)
    assert finding.verdict is Verdict.FAIL
    assert "Gap of 13.25 mm" in finding.message and "20.00 mm required" in finding.message
    assert "6.75 mm along -z" in finding.remedy and "casting" in finding.remedy
    first, second = finding.witnesses
    assert (first.part, second.part) == ("casting", "bonnet")
    assert first.point[2] == 20.0 and second.point[2] == 33.25
    assert np.linalg.norm(np.subtract(first.point, second.point)) == pytest.approx(13.25)
    # Seen across the gap, from outside.
    assert abs(finding.view[2]) < 1e-9
    assert np.dot(finding.view, first.point) < 0
    faces = finding.details["triangles"]
    assert 0 <= faces["casting"] < 12 and 0 <= faces["bonnet"] < 128
    assert exit_code([finding]) == 1


def test_gap_within_the_chord_error_of_the_limit_is_undecided(casting, part, assembly):
    """A ball of radius 10, 20 mm away in truth, 20.02 or so between facets."""
    ball = trimesh.creation.icosphere(subdivisions=2, radius=10).apply_translation((80.0, 0, 0))
    finding = only(
        assembly(casting, part("sensor", ball, kind="engine-mounted part")),
        required={"engine-mounted part": 19.97},
    )
    assert finding.verdict is Verdict.UNDECIDED
    assert finding.quantity.low < 19.97 < finding.quantity.high
    assert "finer chord error" in finding.remedy
    assert exit_code([finding]) == 4


def test_part_inside_an_open_mesh_is_undecided_until_that_is_called_a_shell(
    casting, part, assembly, torn
):
    bay = part(
        "bay scan", torn(block((-200, 200), (-200, 200), (-200, 200)), [0]), kind="body panel"
    )
    finding = only(assembly(casting, bay), **PANEL)
    assert finding.verdict is Verdict.UNDECIDED
    assert "mesh of bay scan is open" in finding.message
    assert "shells" in finding.remedy
    assert only(assembly(casting, bay), shells=["bay scan"], **PANEL).verdict is Verdict.PASS
    # Too near is a fail all the same.
    near = only(assembly(casting, bay), required={"body panel": 300})
    assert near.verdict is Verdict.FAIL


# --- overlap -------------------------------------------------------------------------------------


def test_overlap_fails_with_depth_and_volume(casting, part, assembly):
    rail = part("rail", block((47, 80), (-10, 10), (-10, 10)), kind="fuel line")
    finding = only(assembly(casting, rail), required={"fuel line": 38})
    assert finding.verdict is Verdict.FAIL
    assert "overlap by 3.00 mm" in finding.message and "1200 mm3" in finding.message
    assert finding.quantity.value == pytest.approx(-3.0)
    assert "by at least 41.0" in finding.remedy and "-x" in finding.remedy
    assert finding.details["state"] == "overlapping"
    assert finding.details["overlap_volume"] == pytest.approx(1200.0)
    assert "local codes" in finding.caution
    json.dumps(finding.details)


def test_swallowed_part_fails(casting, part, assembly):
    """Not convex, wholly inside, a positive distance between the surfaces."""
    ring = trimesh.creation.torus(10, 2)
    finding = only(
        assembly(casting, part("ring", ring, kind="moving part")), required={"moving part": 0}
    )
    assert finding.verdict is Verdict.FAIL
    assert "ring is inside the material of casting" in finding.message
    assert finding.details["state"] == "ring inside casting"


def test_part_in_the_hollow_of_the_casting_is_apart(part, assembly):
    hollow = trimesh.boolean.difference(
        [block((-50, 50), (-30, 30), (-20, 20)), block((-40, 40), (-20, 20), (-10, 10))],
        engine="manifold",
    )
    housing = part("casting", hollow, role="housing")
    rotor = part("rotor", block((-39, 39), (-19, 19), (-9.75, 9.75)), role="carried")
    pair = {"parts": ["rotor", "casting"], "required": 0.2}
    finding = only(assembly(housing, rotor), pair=[pair])
    assert finding.verdict is Verdict.PASS
    assert finding.quantity.value == pytest.approx(0.25)
    assert finding.parts == ("casting", "rotor")
    assert finding.requirement.source == "pair casting / rotor"


def test_contact_allowed_but_not_overlap(casting, part, assembly):
    clip = {"required": {"engine-mounted part": 0}}
    near = part("clip", block((50.5, 60), (-5, 5), (-5, 5)), kind="engine-mounted part")
    assert only(assembly(casting, near), **clip).verdict is Verdict.PASS
    inside = part("clip", block((49.5, 60), (-5, 5), (-5, 5)), kind="engine-mounted part")
    assert only(assembly(casting, inside), **clip).verdict is Verdict.FAIL
    touching = part("clip", block((50, 60), (-5, 5), (-5, 5)), kind="engine-mounted part")
    finding = only(assembly(casting, touching), **clip)
    assert finding.verdict is Verdict.PASS and "touch" in finding.message
    finding = only(assembly(casting, touching), required={"engine-mounted part": 2})
    assert finding.verdict is Verdict.FAIL and "declare a [[mate]]" in finding.remedy
    # With facets that may bulge the true parts may overlap.
    bulging = part(
        "clip", block((50, 60), (-5, 5), (-5, 5)), kind="engine-mounted part", sagitta=0.1
    )
    assert only(assembly(casting, bulging), **clip).verdict is Verdict.UNDECIDED


# --- which pairs ---------------------------------------------------------------------------------


def test_every_part_of_ours_against_every_neighbour_but_not_among_themselves(
    casting, part, assembly
):
    valve = part("valve", block((60, 70), (-5, 5), (-5, 5)), role="carried")
    bonnet = part("bonnet", block((-90, 90), (-90, 90), (60, 61)), kind="body panel")
    wall = part("wall", block((120, 121), (-90, 90), (-90, 90)), kind="body panel")
    subjects = [f.subject for f in run(assembly(casting, valve, bonnet, wall), **PANEL)]
    assert subjects == ["casting / bonnet", "casting / wall", "valve / bonnet", "valve / wall"]


def test_a_pair_overrides_the_class_and_gap_false_leaves_out(casting, part, assembly):
    bonnet = part("bonnet", block((-90, 90), (-90, 90), (30, 31)), kind="body panel")
    shop = part("stand", block((-90, 90), (-90, 90), (-31, -30)), kind="shop tool")
    car = assembly(casting, bonnet, shop, entries={"stand": {"gap": False}})
    assert only(car, **PANEL).verdict is Verdict.FAIL
    pair = {"parts": ["casting", "bonnet"], "required": 5}
    finding = only(car, pair=[pair], **PANEL)
    assert finding.verdict is Verdict.PASS and finding.requirement.limit == 5


def test_pair_of_another_vehicle_is_not_asked(casting, part, assembly):
    bonnet = part("bonnet", block((-90, 90), (-90, 90), (60, 61)), kind="body panel")
    car = assembly(casting, bonnet, others=["Other van"])
    pair = {"parts": ["casting", "strut"], "required": 5, "vehicle": "Other van"}
    assert only(car, pair=[pair], **PANEL).subject == "casting / bonnet"


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("?", 'Classes that have one here: "body panel" = 20'),
        ("body pannel", "Did you mean 'body panel'?"),
        ("pulley", 'Classes that have one here: "body panel" = 20'),
    ],
)
def test_a_mistyped_class_is_refused_and_the_known_ones_are_told(
    casting, part, assembly, kind, told
):
    hose = part("hose", block((60, 70), (-5, 5), (-5, 5)), kind=kind)
    with pytest.raises(ProjectError) as caught:
        run(assembly(casting, hose), required={"body panel": 20})
    assert told in caught.value.text and "starting value" not in caught.value.text


def test_class_without_a_gap_is_refused_with_starting_values(casting, part, assembly):
    hose = part("hose", block((60, 70), (-5, 5), (-5, 5)), kind="fuel line")
    with pytest.raises(ProjectError) as caught:
        run(assembly(casting, hose), required={"body panel": 20})
    text = caught.value.text
    assert "'fuel line'" in text and '"fuel line" = 38' in text and "starting value" in text
    assert "local codes" in text and "[check.fit-gap.required]" in text
    assert caught.value.line is not None and 'part "hose"' in caught.value.entry
    nameless = part("box", block((60, 70), (-5, 5), (-5, 5)))
    with pytest.raises(ProjectError, match="'box' has no class"):
        run(assembly(casting, nameless))


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([{"parts": ["casting", "bonet"], "required": 1}], "no part named 'bonet'"),
        ([{"parts": ["casting", "casting"], "required": 1}], "to itself"),
        ([{"parts": ["casting", "bonnet"], "required": 1, "vehicle": "x"}], "no vehicle named"),
        (
            [
                {"parts": ["casting", "bonnet"], "required": 1},
                {"parts": ["bonnet", "casting"], "required": 2},
            ],
            "listed twice",
        ),
    ],
)
def test_wrong_pairs_are_refused_with_their_line(pairs, words, casting, part, assembly):
    bonnet = part("bonnet", block((-90, 90), (-90, 90), (60, 61)), kind="body panel")
    car = assembly(casting, bonnet, check={"fit-gap": {"pair": pairs}})
    with pytest.raises(ProjectError, match=words) as caught:
        run(car, pair=pairs, **PANEL)
    assert caught.value.line is not None


# --- mates ---------------------------------------------------------------------------------------

JOINT = {
    "name": "outlet",
    "parts": ["casting", "duct"],
    "at": [50, 0, 0],
    "normal": [1, 0, 0],
    "gasket": 1.5,
}


def test_mate_leaves_out_the_joint_but_not_what_reaches_across(casting, part, assembly):
    duct = block((51.5, 90), (-30, 30), (-20, 20))
    need = {"required": {"engine-mounted part": 6}}
    mated = assembly(casting, part("duct", duct, kind="engine-mounted part"), mates=[JOINT])
    finding = only(mated, **need)
    assert finding.verdict is Verdict.PASS and finding.details["state"] == "mated"
    lug = trimesh.boolean.union(
        [duct, block((40, 90), (32, 36), (-5, 5)), block((70, 90), (25, 36), (-5, 5))],
        engine="manifold",
    )
    finding = only(
        assembly(casting, part("duct", lug, kind="engine-mounted part"), mates=[JOINT]), **need
    )
    assert finding.verdict is Verdict.FAIL
    assert finding.quantity.value == pytest.approx(2.0)
    assert 'beyond the mate "outlet"' in finding.message
    assert finding.details["mates"] == ["outlet"]


def test_mate_declared_from_the_neighbours_side(casting, part, assembly):
    duct = part("duct", block((51.5, 90), (-30, 30), (-20, 20)), kind="engine-mounted part")
    turned = JOINT | {"parts": ["duct", "casting"], "at": [51.5, 0, 0], "normal": [-1, 0, 0]}
    finding = only(assembly(casting, duct, mates=[turned]), required={"engine-mounted part": 6})
    assert finding.verdict is Verdict.PASS


def test_mate_that_does_not_hold_leaves_out_nothing(casting, part, assembly):
    far = part("duct", block((53, 90), (-30, 30), (-20, 20)), kind="engine-mounted part")
    finding = only(assembly(casting, far, mates=[JOINT]), required={"engine-mounted part": 6})
    assert finding.verdict is Verdict.FAIL and finding.quantity.value == pytest.approx(3.0)
    assert "does not hold" in finding.message
    wrong = JOINT | {"at": [50, 200, 0]}
    finding = only(assembly(casting, far, mates=[wrong]), required={"engine-mounted part": 6})
    assert "was not found" in finding.message


def test_the_module_says_what_why_and_remedy():
    for word in ("What:", "Why:", "Remedy:"):
        assert word in (fit_gap.__doc__ or "")

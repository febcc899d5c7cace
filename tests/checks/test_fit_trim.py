"""What a vehicle needs trimmed: within the allowance, deeper than allowed, cannot be decided."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError

from geomcheck.checks import fit_gap, fit_trim
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code
from geomcheck.project.entries import PartEntry

GAP = {"fit-gap": {"required": {"body panel": 10, "bracket": 5}}}


def block(*spans):
    return trimesh.creation.box(bounds=np.array(spans, dtype=float).T)


@pytest.fixture
def casting(part):
    return part("casting", block((-50, 50), (-30, 30), (0, 40)), role="housing", sagitta=0.0)


@pytest.fixture
def bonnet(part):
    """``bonnet(z)``: a thick panel with its lower face at this height."""
    return lambda z, sagitta=0.0: part(
        "bonnet", block((-200, 200), (-200, 200), (z, z + 20)), kind="body panel", sagitta=sagitta
    )


@pytest.fixture
def bracket(part):
    """``bracket(x)``: beside the casting, from x on, 10 x 10."""
    return lambda x: part(
        "bracket", block((x, x + 30), (-5, 5), (15, 25)), kind="bracket", sagitta=0.0
    )


def run(assembly, **settings):
    found = list(fit_trim.run(assembly, fit_trim.Settings.model_validate(settings)))
    return {finding.subject: finding for finding in found}


SUMMARY = "modification of the vehicle"


def trims(**allowed):
    return {name: {"trim": value} for name, value in allowed.items()}


def test_a_vehicle_that_needs_nothing(casting, bonnet, bracket, assembly):
    found = run(assembly(casting, bonnet(60.0), bracket(60.0), check=GAP))
    assert list(found) == [SUMMARY]
    assert found[SUMMARY].verdict is Verdict.PASS
    assert "needs no modification: all 2 required gaps are kept" in found[SUMMARY].message
    assert exit_code(list(found.values())) == 0


def test_a_trim_within_its_allowance_passes_and_says_where(casting, bonnet, assembly):
    car = assembly(casting, bonnet(46.0), entries=trims(bonnet=5), check=GAP)
    found = run(car)
    cut = found["trim of bonnet"]
    assert cut.verdict is Verdict.PASS and cut.parts == ("casting", "bonnet")
    assert cut.quantity.value == pytest.approx(4.0) and cut.requirement.limit == 5.0
    # Lower face: the casting's outline grown by sqrt(10^2 - 6^2) = 8 all round, round corners.
    want = 100 * 60 + 2 * 8 * (100 + 60) + np.pi * 8**2
    (zone,) = cut.details["zones"]
    assert zone["area"] == pytest.approx(want, rel=0.002)
    assert zone["depth"] == pytest.approx(4.0) and zone["nearest"] == "casting"
    # Away from the casting straight up, but outwards past its edges.
    assert zone["direction"][2] == pytest.approx(1.0, abs=1e-3)
    assert zone["area_low"] <= want <= zone["area_high"]
    assert "needs a cut of 4.00 mm to stand 10.00 mm clear of casting" in cut.message
    assert "5.00 mm allowed" in cut.message and "weaken" in cut.caution
    assert cut.entry.entry == 'vehicle "Test van" > part "bonnet" > trim'
    whole = found[SUMMARY]
    assert whole.verdict is Verdict.NOT_APPLICABLE
    assert "fits once 1 of its parts is trimmed: bonnet by 4.00 mm over" in whole.message
    json.dumps([f.details for f in found.values()])
    # The parts as they stand are too near all the same.
    (gap,) = fit_gap.run(car, fit_gap.Settings.model_validate(GAP["fit-gap"]))
    assert gap.verdict is Verdict.FAIL


def test_a_cut_through_a_thin_panel_is_one_cut_and_said_to_go_through(casting, part, assembly):
    """A sheet of 1.2 mm, 6 mm over the casting: its upper side, 7.2 mm away, is no second cut."""
    sheet = part(
        "bonnet", block((-200, 200), (-200, 200), (46, 47.2)), kind="body panel", sagitta=0
    )
    found = run(assembly(casting, sheet, entries=trims(bonnet=5), check=GAP))
    cut = found["trim of bonnet"]
    assert "the cut goes right through bonnet" in cut.message
    assert cut.message.count("mm deep over") == 1
    lower, upper = cut.details["zones"]
    assert not lower["far_side"] and upper["far_side"]
    assert upper["least_gap"] == pytest.approx(7.2)
    (line,) = found[SUMMARY].details["trimmed"]
    assert line["area"] == lower["area"]


def test_what_is_not_asked_about_is_named(casting, bonnet, bracket, assembly):
    entries = {"bracket": {"gap": False}}
    found = run(assembly(casting, bonnet(60.0), bracket(52.0), entries=entries, check=GAP))
    text = found[SUMMARY].message
    assert "needs no modification: its one required gap is kept, standing still." in text
    assert text.endswith("Not asked about (gap = false): bracket.")


def test_a_trim_deeper_than_allowed_fails(casting, bonnet, assembly):
    found = run(assembly(casting, bonnet(46.0), entries=trims(bonnet=3.5), check=GAP))
    assert found["trim of bonnet"].verdict is Verdict.FAIL
    assert "allow a deeper cut" in found["trim of bonnet"].remedy
    assert found[SUMMARY].verdict is Verdict.FAIL
    assert "lacks 4.00 mm of gap and may be trimmed by 3.50 mm only" in found[SUMMARY].message


def test_a_trim_that_may_be_too_deep_is_undecided(casting, bonnet, assembly):
    found = run(assembly(casting, bonnet(46.0, 0.2), entries=trims(bonnet=4.1), check=GAP))
    cut = found["trim of bonnet"]
    assert cut.verdict is Verdict.UNDECIDED
    assert cut.quantity.low < 4.1 < cut.quantity.high
    assert found[SUMMARY].verdict is Verdict.UNDECIDED
    assert exit_code(list(found.values())) == 4


def test_a_free_trim_passes_at_any_depth_but_not_inside_the_casting(
    casting, bonnet, part, assembly
):
    found = run(assembly(casting, bonnet(25.0), entries=trims(bonnet="free"), check=GAP))
    cut = found["trim of bonnet"]
    assert cut.verdict is Verdict.PASS and cut.requirement is None
    assert "any depth may be cut" in cut.message
    # 15 mm of the casting in the panel, past it by 10.
    assert cut.quantity.value == pytest.approx(25.0)
    clip = part("clip", block((-5, 5), (-5, 5), (18, 22)), kind="bracket", sagitta=0.0)
    found = run(assembly(casting, clip, entries=trims(clip="free"), check=GAP))
    assert found["trim of clip"].verdict is Verdict.FAIL
    assert "No trim makes clip fit" in found["trim of clip"].message
    assert found[SUMMARY].verdict is Verdict.FAIL
    assert "clip and casting lie inside one another" in found[SUMMARY].message


def test_never_a_pass_that_hides_a_fail(casting, bonnet, bracket, assembly):
    """One part may be trimmed enough; another is in the way and may not be."""
    car = assembly(casting, bonnet(46.0), bracket(52.0), entries=trims(bonnet=5), check=GAP)
    found = run(car)
    assert found["trim of bonnet"].verdict is Verdict.PASS
    assert "trim of bracket" not in found
    whole = found[SUMMARY]
    assert whole.verdict is Verdict.FAIL and exit_code(list(found.values())) == 1
    assert "bracket lacks 3.00 mm of gap and may not be trimmed" in whole.message
    assert "To be trimmed in any case: bonnet by 4.00 mm" in whole.message
    assert [row["part"] for row in whole.details["trimmed"]] == ["bonnet"]
    assert [row["part"] for row in whole.details["in_the_way"]] == ["bracket"]


def test_where_nothing_may_be_trimmed_it_is_a_remark(casting, bonnet, assembly):
    found = run(assembly(casting, bonnet(46.0), check=GAP))
    assert list(found) == [SUMMARY]
    assert found[SUMMARY].verdict is Verdict.NOT_APPLICABLE
    assert "does not fit by trimming" in found[SUMMARY].message
    assert exit_code(list(found.values())) == 3


def test_a_neighbour_near_two_of_ours_is_one_finding(casting, bonnet, part, assembly):
    valve = part("valve", block((60, 80), (-10, 10), (30, 43)), role="carried", sagitta=0.0)
    found = run(assembly(casting, valve, bonnet(46.0), entries=trims(bonnet=8), check=GAP))
    cut = found["trim of bonnet"]
    assert cut.quantity.value == pytest.approx(7.0)
    assert {row["nearest"] for row in cut.details["zones"]} == {"casting", "valve"}
    assert "clear of casting, 10.00 mm clear of valve" in cut.message
    assert cut.witnesses[1].part == "valve"


def test_an_open_neighbour_that_may_hold_the_casting_is_undecided(casting, part, assembly, torn):
    bay = part("bay", torn(block((-300, 300), (-300, 300), (-300, 300)), [0]), kind="body panel")
    found = run(assembly(casting, bay, entries=trims(bay=5), check=GAP))
    cut = found["trim of bay"]
    assert cut.verdict is Verdict.UNDECIDED and "cannot be told" in cut.message
    assert found[SUMMARY].verdict is Verdict.UNDECIDED


def test_mates_are_left_out_on_the_neighbour_as_well(casting, part, assembly):
    shape = trimesh.boolean.union(
        [block((-50, 50), (-30, 30), (-20, 0)), block((-50, 50), (33, 43), (-20, 20))],
        engine="manifold",
    )
    base = part("base", shape, kind="bracket", sagitta=0.0)
    mate = {"name": "m", "parts": ["casting", "base"], "at": [0.0] * 3, "normal": [0, 0, -1]}
    car = assembly(casting, base, entries=trims(base=4), mates=[mate], check=GAP)
    cut = run(car)["trim of base"]
    assert cut.quantity.value == pytest.approx(2.0)
    # Its wall: 20 high and 100 long, 3 from the casting; not the floor it is bolted to.
    (zone,) = [row for row in cut.details["zones"] if row["depth"] > 1.0]
    assert zone["area"] == pytest.approx(2000.0, rel=0.5) and zone["area"] < 3500.0


def test_only_neighbours_are_trimmed(casting, bonnet, assembly):
    car = assembly(casting, bonnet(46.0), entries=trims(casting=2), check=GAP)
    with pytest.raises(ProjectError, match="not a neighbour") as caught:
        run(car)
    assert caught.value.line is not None


@pytest.mark.parametrize("bad", [-1, 0, "some", True, float("nan"), float("inf"), [1]])
def test_bad_allowances_are_refused(bad):
    with pytest.raises(ValidationError, match=r"trim is 'never', 'free' or a depth|are no numbers"):
        PartEntry.model_validate({"name": "a", "file": "a.stl", "trim": bad})


@pytest.mark.parametrize("good", [1, 2.5, "never", "free"])
def test_good_allowances_are_read(good):
    entry = PartEntry.model_validate({"name": "a", "file": "a.stl", "trim": good})
    assert entry.trim == good


def test_bad_settings_are_refused():
    with pytest.raises(ValidationError):
        fit_trim.Settings.model_validate({"resolution": 0})

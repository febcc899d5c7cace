"""The check of places that are too near: passes say nothing, fails, cannot be decided."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError

from geomcheck.checks import fit_gap, fit_zones
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code
from geomcheck.reports.cards import views
from geomcheck.reports.still.scene import build

GAP = {"fit-gap": {"required": {"body panel": 10, "fuel line": 5}}}


def block(*spans):
    return trimesh.creation.box(bounds=np.array(spans, dtype=float).T)


@pytest.fixture
def casting(part):
    """A plate with two bosses of 20 x 20 on it, 14 and 11 mm high, tops at z = 34 and 31."""
    shape = trimesh.boolean.union(
        [
            block((-100, 100), (-40, 40), (0, 20)),
            block((-60, -40), (-10, 10), (10, 34)),
            block((40, 60), (-10, 10), (10, 31)),
        ],
        engine="manifold",
    )
    return part("casting", shape, role="housing", sagitta=0.0)


@pytest.fixture
def sheet(part, open_sheet):
    """``sheet(z)``: an open bonnet of two triangles at this height, facing down."""

    def make(z, sagitta=0.0):
        mesh = open_sheet(400, 400, z, cells=1)
        mesh.invert()
        return part("bonnet", mesh, kind="body panel", sagitta=sagitta)

    return make


def run(assembly, **settings):
    return list(fit_zones.run(assembly, fit_zones.Settings.model_validate(settings)))


def test_a_pair_that_keeps_its_gap_is_not_mentioned_again(casting, sheet, assembly):
    car = assembly(casting, sheet(44.5), check=GAP)
    assert run(car) == []
    (gap,) = fit_gap.run(car, fit_gap.Settings.model_validate(GAP["fit-gap"]))
    assert gap.verdict is Verdict.PASS


def test_two_bosses_too_near_are_one_finding_with_two_places(casting, sheet, assembly):
    (finding,) = run(assembly(casting, sheet(40.0), check=GAP))
    assert finding.verdict is Verdict.FAIL and exit_code([finding]) == 1
    assert finding.subject == "casting / bonnet" and finding.parts == ("casting", "bonnet")
    # Tops of 400 mm2 each, and sides of 80 mm girth down to z = 30.
    assert finding.quantity.value == pytest.approx(400 + 80 * 4 + 400 + 80 * 1, rel=0.01)
    assert finding.quantity.low > 0.0 and finding.requirement.limit == 0.0
    assert "10.00 mm required" in finding.requirement.source
    assert "nearer than 10.00 mm to bonnet in 2 places: 6.00 mm over 72" in finding.message
    assert "9.00 mm over 48" in finding.message
    assert "by 4.00 mm along -z" in finding.remedy and "by 1.00 mm along -z" in finding.remedy
    first, second = finding.details["zones"]
    assert first["place"][0] < 0 < second["place"][0]
    assert (first["least_gap"], first["depth"]) == pytest.approx((6.0, 4.0))
    assert first["nearest"] == "bonnet" and first["certain"] is True
    np.testing.assert_allclose(first["direction"], (0, 0, -1), atol=1e-9)
    np.testing.assert_allclose(first["size"], (20, 20, 4), atol=0.5)
    assert first["area_low"] <= first["area"] <= first["area_high"]
    assert finding.witnesses[0].part == "casting" and finding.witnesses[0].point[2] == 34.0
    assert finding.entry.entry == 'vehicle "Test van" > part "bonnet"'
    json.dumps(finding.details)


def test_a_place_that_only_may_be_too_near_is_undecided(casting, sheet, assembly):
    (finding,) = run(assembly(casting, sheet(44.1, sagitta=0.2), check=GAP))
    assert finding.verdict is Verdict.UNDECIDED and exit_code([finding]) == 4
    assert finding.quantity.low == finding.quantity.value == 0.0
    assert finding.quantity.high == pytest.approx(400 + 80 * 0.1, rel=0.1)
    assert "nowhere nearer than 10.00 mm" in finding.message and "up to 4" in finding.message
    assert finding.details["zones"][0]["certain"] is False
    assert "chord error" in finding.remedy


def test_the_amount_holds_what_facets_leave_open_and_the_back_of_a_wall_goes_with_it(
    part, sheet, assembly
):
    """A shell of 2 mm: its inner side is 8 mm from the panel, through the wall."""
    shell = trimesh.boolean.difference(
        [block((-100, 100), (-40, 40), (0, 34)), block((-90, 90), (-30, 30), (-5, 32))],
        engine="manifold",
    )
    casting = part("casting", shell, role="housing", sagitta=0.0)
    (finding,) = run(assembly(casting, sheet(40.0, sagitta=0.2), check=GAP))
    face, back = finding.details["zones"]
    assert (face["far_side"], back["far_side"]) == (False, True)
    assert back["least_gap"] == pytest.approx(8.0) and face["depth"] == pytest.approx(4.0)
    assert finding.message.count("(back of the wall)") == 1
    assert "by 4.20 mm along -z (0.20 mm of it for facets and tolerances)" in finding.remedy
    assert finding.remedy.count(" by ") == 1


@pytest.mark.parametrize("height", [40.0, 44.1, 60.0])
def test_verdict_is_that_of_the_gap(casting, sheet, assembly, height):
    car = assembly(casting, sheet(height, sagitta=0.2), check=GAP)
    (gap,) = fit_gap.run(car, fit_gap.Settings.model_validate(GAP["fit-gap"]))
    assert [f.verdict for f in run(car)] == [gap.verdict] * (gap.verdict is not Verdict.PASS)


def test_overlap_and_caution(casting, part, assembly):
    line = part("rail", block((-50, 20), (-5, 5), (22, 30)), kind="fuel line", sagitta=0.0)
    (finding,) = run(assembly(casting, line, check=GAP))
    assert finding.verdict is Verdict.FAIL
    # It ends in the middle of the boss: 10 deep by its end, 5 by its sides.
    assert finding.details["zones"][0]["least_gap"] <= -4.0
    assert "mm inside over" in finding.message
    assert "local codes" in finding.caution


def test_swallowed_part_fails_without_a_place(casting, part, assembly):
    clip = part("clip", block((-5, 5), (-5, 5), (8, 12)), kind="fuel line", sagitta=0.0)
    check = {"fit-gap": {"required": {"fuel line": 5}}}
    (finding,) = run(assembly(casting, clip, check=check))
    assert finding.verdict is Verdict.FAIL and finding.quantity is None
    assert "clip lies deep inside the material of casting" in finding.message
    assert finding.details["zones"] == []


def test_mating_faces_are_no_zones(casting, part, assembly):
    cover = part("cover", block((-100, 100), (-40, 40), (-30, 0)), kind="body panel", sagitta=0.0)
    mate = {
        "name": "floor",
        "parts": ["casting", "cover"],
        "at": [0.0, 0.0, 0.0],
        "normal": [0, 0, -1],
    }
    assert run(assembly(casting, cover, mates=[mate], check=GAP)) == []
    (finding,) = run(assembly(casting, cover, check=GAP))
    assert finding.quantity.high > 16_000


def test_zones_beside_a_mate_leave_the_mate_out(part, assembly):
    lower = part("casting", block((-50, 50), (-30, 30), (0, 40)), role="housing", sagitta=0.0)
    shape = trimesh.boolean.union(
        [block((-50, 50), (-30, 30), (-20, 0)), block((-50, 50), (33, 43), (-20, 20))],
        engine="manifold",
    )
    base = part("base", shape, kind="fuel line", sagitta=0.0)
    mate = {"name": "m", "parts": ["casting", "base"], "at": [0.0] * 3, "normal": [0, 0, -1]}
    (finding,) = run(assembly(lower, base, mates=[mate], check=GAP))
    # The side of 100 mm, under the wall and past its edge, and no 6000 mm2 of joint face.
    assert finding.details["zones"][0]["least_gap"] == pytest.approx(3.0)
    assert 100 * 20 < finding.quantity.value < 100 * 24 + 1000


def test_patches_under_the_least_area_are_counted_but_the_worst_is_always_named(
    casting, sheet, assembly
):
    car = assembly(casting, sheet(40.0), check=GAP)
    (finding,) = run(car, least_area=600.0)
    assert len(finding.details["zones"]) == 1 and finding.details["smaller"] == 1
    assert "1 smaller patch is not listed" in finding.message
    (finding,) = run(car, least_area=1e6)
    assert len(finding.details["zones"]) == 1


def test_it_asks_what_the_gap_check_asks(casting, sheet, assembly):
    """Without a gap for the class there is nothing to ask: the same refusal."""
    with pytest.raises(ProjectError, match="body panel"):
        run(assembly(casting, sheet(40.0)))
    pair = {"fit-gap": {"pair": [{"parts": ["casting", "bonnet"], "required": 3}]}}
    assert run(assembly(casting, sheet(40.0), check=pair)) == []


def test_a_gap_that_cannot_be_decided_for_want_of_data_adds_no_place(casting, part, assembly, torn):
    bay = part("bay", torn(block((-300, 300), (-300, 300), (-300, 300)), [0]), kind="body panel")
    assert run(assembly(casting, bay, check=GAP)) == []


@pytest.mark.parametrize("bad", [{"resolution": 0}, {"resolution": -1.0}, {"least_area": -1}])
def test_bad_settings_are_refused(bad):
    with pytest.raises(ValidationError):
        fit_zones.Settings.model_validate(bad)


def test_the_page_has_a_table_of_zones_and_the_picture_shows_the_gap(casting, sheet, assembly):
    from geomcheck.finding import Result

    car = assembly(casting, sheet(40.0), check=GAP)
    (finding,) = run(car)
    result = Result("p", "p.toml", "0", (car.vehicle,), {}, (finding,))
    (vehicle,) = views(result, {car.vehicle: car})
    grid = next(grid for grid in vehicle.cards[0].grids if grid.title == "Zones")
    assert len(grid.rows) == 2 and "least gap" in grid.heads and "area" in grid.heads
    scene = build(finding, car.parts, 1.4)
    assert scene.tint is not None and scene.tint.name == "bonnet"

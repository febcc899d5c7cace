"""The fasten-pattern check: plates with holes whose places and diameters are known."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import trimesh
from trimesh.transformations import rotation_matrix

from geomcheck.checks.fasten_pattern import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict

PLACES = np.array([[-40.0, -25.0], [40.0, -25.0], [40.0, 25.0], [-40.0, 25.0], [0.0, 30.0]])
JOINT = {
    "name": "flange",
    "parts": ["casting", "manifold"],
    "at": [0, 0, 0],
    "normal": [0, 0, -1],
    "within": 60,
    "bolt": 8.0,
}


def plate(places, bottom, top, diameter=9.0, segments=32):
    block = trimesh.creation.box(bounds=[[-60, -45, bottom], [60, 45, top]])
    tools = []
    for x, y in places:
        tool = trimesh.creation.cylinder(diameter / 2, top - bottom + 4, sections=segments)
        tools.append(tool.apply_translation([x, y, 0.5 * (top + bottom)]))
    return trimesh.boolean.difference([block, *tools], engine="manifold") if tools else block


@pytest.fixture
def ask(part, assembly):
    def make(upper, lower=None, sagitta=None, **changes):
        parts = [part("casting", upper, role="housing")]
        if lower is not None:
            parts.append(part("manifold", lower))
        car = assembly(*parts, patterns=[JOINT | changes])
        return list(run(car, Settings()))

    return make


def test_holes_over_each_other(ask):
    (found,) = ask(plate(PLACES, 0, 12), plate(PLACES, -15, -1.5))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'pattern "flange"')
    # (9 + 9) / 2 - 8 between the axes.
    assert found.quantity.value == pytest.approx(1.0, abs=1e-4)
    assert found.remedy == "" and found.parts == ("manifold", "casting")
    assert found.entry.entry == 'pattern "flange"'
    json.dumps(dict(found.details))
    assert found.message.startswith(f"{len(PLACES)} holes of casting against manifold")
    assert "No count is given" in found.message
    (counted,) = ask(plate(PLACES, 0, 12), plate(PLACES, -15, -1.5), count=len(PLACES))
    assert counted.verdict is Verdict.PASS and "No count" not in counted.message
    # Both lack the same hole: the count tells.
    less = PLACES[:-1]
    (found,) = ask(plate(less, 0, 12), plate(less, -15, -1.5), count=len(PLACES))
    assert found.verdict is not Verdict.PASS and f"{len(PLACES)} wanted" in found.message


def test_held_bolts_leave_half_as_much(ask):
    lower = plate(PLACES, -15, -1.5, diameter=6.8)
    (found,) = ask(plate(PLACES, 0, 12), lower, fixed="manifold")
    assert found.quantity.value == pytest.approx(0.5, abs=1e-4)
    assert "that one part holds" in found.message
    # Without the word that they are threads, an 8 mm bolt does not go through 6.8 mm.
    (through,) = ask(plate(PLACES, 0, 12), lower)
    assert through.verdict is Verdict.FAIL
    assert "does not go through" in through.message


def test_a_shifted_and_turned_part_goes_on_all_the_same(ask):
    upper = plate(PLACES, 0, 12).apply_transform(rotation_matrix(math.radians(1), (0, 0, 1)))
    (found,) = ask(upper, plate(PLACES, -15, -1.5))
    assert found.verdict is Verdict.PASS
    assert found.quantity.value == pytest.approx(1.0, abs=1e-3)
    assert found.details["turn"] == pytest.approx(1.0, abs=1e-3)
    (held,) = ask(upper.apply_translation([1, 0, 0]), plate(PLACES, -15, -1.5), dowelled=True)
    assert held.verdict is Verdict.FAIL
    assert "as the dowels hold it" in held.message


def test_a_hole_out_of_place_fails_with_its_move(ask):
    wrong = PLACES.copy()
    wrong[1] += (3.0, 0.0)
    (found,) = ask(plate(wrong, 0, 12), plate(PLACES, -15, -1.5))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value < 0
    # Moved by what is said, all bolts go in: the hole's own axis must come back along -x.
    rows = found.details["holes"]
    moved = np.array([row["at"][:2] for row in rows]) + [row["move"][:2] for row in rows]
    again = plate(moved * 1.0, 0, 12)
    (mended,) = ask(again, plate(PLACES, -15, -1.5))
    assert mended.quantity.value == pytest.approx(0.0, abs=2e-3)
    assert "In casting move the hole at (43.00, -25.00, 0.00) by (-" in found.remedy
    assert found.witnesses[0].part == "casting"


def test_the_reserve_counts(ask):
    plates = plate(PLACES, 0, 12), plate(PLACES, -15, -1.5)
    assert ask(*plates, reserve=0.9)[0].verdict is Verdict.PASS
    (found,) = ask(*plates, reserve=1.1)
    assert found.verdict is Verdict.FAIL and "Open the holes of casting" in found.remedy


def test_at_the_limit_of_the_corners_it_cannot_be_decided(ask):
    (found,) = ask(plate(PLACES, 0, 12), plate(PLACES, -15, -1.5), reserve=1.0)
    assert found.verdict is Verdict.UNDECIDED
    assert "The truth lies between" in found.message


def test_a_missing_hole(ask):
    (found,) = ask(plate(PLACES[:4], 0, 12), plate(PLACES, -15, -1.5))
    assert found.verdict is Verdict.FAIL
    assert "4 holes of casting against 5 of manifold" in found.message
    assert "manifold at (0.00, 30.00, 0.00)" in found.message
    (found,) = ask(plate(PLACES, 0, 12), plate(PLACES[:4], -15, -1.5))
    assert found.verdict is Verdict.FAIL and "casting at (0.00, 30.00" in found.message
    (found,) = ask(plate(PLACES, 0, 12), plate(PLACES, -15, -1.5), count=6)
    assert found.verdict is not Verdict.PASS and "6 wanted" in found.message


def test_a_hole_that_is_not_round_is_not_called_missing(ask):
    block = plate(PLACES[:4], 0, 12)
    square = trimesh.creation.box(bounds=[[-4, 26, -5], [4, 34, 20]])
    upper = trimesh.boolean.difference([block, square], engine="manifold")
    (found,) = ask(upper, plate(PLACES, -15, -1.5))
    assert found.verdict is Verdict.UNDECIDED


def test_no_holes_at_all(ask):
    (found,) = ask(plate(PLACES[:0], 0, 12), plate(PLACES[:0], -15, -1.5))
    assert found.verdict is Verdict.UNDECIDED
    assert "no round hole was found" in found.message


def test_a_scan_may_lack_a_hole(ask, part, assembly):
    lower = plate(PLACES[:4], -15, -1.5)
    opened = trimesh.Trimesh(
        lower.vertices, lower.faces[lower.triangles_center[:, 2] > -14.9], process=False
    )
    (found,) = ask(plate(PLACES, 0, 12), opened)
    assert found.verdict is Verdict.UNDECIDED
    assert "manifold is not closed" in found.message


def test_against_a_reference(ask):
    reference = [[x, y, 0] for x, y in PLACES]
    one = {"parts": ["casting"], "reference": reference}
    (held,) = ask(plate(PLACES, 0, 12), **one)
    assert held.quantity.value == pytest.approx(0.5, abs=1e-4)
    assert "against the reference" in held.message
    (through,) = ask(plate(PLACES, 0, 12), **one, reference_hole=9.0)
    assert through.quantity.value == pytest.approx(1.0, abs=1e-4)
    # Given in axes of its own, and turned.
    c, s = math.cos(2.0), math.sin(2.0)
    own = [[c * x - s * y + 500, s * x + c * y, 0] for x, y in PLACES]
    lost = ask(plate(PLACES, 0, 12), parts=["casting"], reference=own)[0]
    assert lost.verdict is not Verdict.PASS
    # The joint's normal points down: seen along it, the pattern is the reference's mirror image.
    up = {"parts": ["casting"], "reference": own, "anywhere": True, "normal": [0, 0, 1]}
    (found,) = ask(plate(PLACES, 0, 12), **up)
    assert found.verdict is Verdict.PASS
    assert found.quantity.value == pytest.approx(0.5, abs=1e-4)
    (aside,) = ask(plate(PLACES + np.array([[0, 0]] * 4 + [[12.0, 0]]), 0, 12), **up)
    assert aside.verdict is not Verdict.PASS


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"parts": ["casting", "carter"]}, "no part named 'carter'"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(ask, changes, said):
    with pytest.raises(ProjectError, match=said) as caught:
        ask(plate(PLACES, 0, 12), **changes)
    assert caught.value.line is not None


@pytest.mark.parametrize(
    "changes",
    [
        {"parts": ["casting"]},
        {"parts": ["casting", "casting"]},
        {"fixed": "bonnet"},
        {"anywhere": True},
        {"reference": [[0, 0, 0]]},
        {"diameters": [9, 8]},
    ],
)
def test_entries_that_make_no_sense(ask, changes):
    with pytest.raises(ValueError, match=r"pattern|part|fixed|anywhere|diameters"):
        ask(plate(PLACES, 0, 12), **changes)


def test_no_patterns_no_findings(part, assembly):
    car = assembly(part("casting", plate(PLACES, 0, 12), role="housing"))
    assert list(run(car, Settings())) == []

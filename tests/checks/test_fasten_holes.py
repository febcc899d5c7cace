"""The fasten-holes check: flanges with holes of known place and diameter."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import trimesh
from trimesh.transformations import rotation_matrix

from geomcheck.checks.fasten_holes import CODE, Settings, run
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code


def plate(*holes, bottom=-12.0, top=0.0, segments=32):
    """A plate with holes of (x, y, diameter) from end to end, or (x, y, diameter, depth)."""
    block = trimesh.creation.box(bounds=[[-40, -40, bottom], [40, 40, top]])
    tools = []
    for x, y, diameter, *depth in holes:
        low = top - depth[0] if depth else bottom - 3
        tool = trimesh.creation.cylinder(diameter / 2, top + 3 - low, sections=segments)
        tools.append(tool.apply_translation([x, y, 0.5 * (top + 3 + low)]))
    return trimesh.boolean.difference([block, *tools], engine="manifold") if tools else block


def bolt(**changes):
    entry = {
        "name": "B3",
        "part": "casting",
        "at": [0.0, 0.0, 0.0],
        "axis": [0.0, 0.0, 1.0],
        "size": "M8",
        "head": "ISO 4762",
        "length": 30.0,
    }
    return entry | changes


@pytest.fixture
def ask(part, assembly):
    def make(casting, *others, bolts=None, table=True, settings=None, sagitta=None):
        parts = [part("casting", casting, role="housing"), *others]
        check = {CODE: {}} if table else {}
        car = assembly(*parts, fasteners=[bolt()] if bolts is None else bolts, check=check)
        return list(run(car, settings or Settings()))

    return make


def test_the_hole_is_there(ask):
    (found,) = ask(plate((0.3, 0.0, 9.0)))
    assert found.verdict is Verdict.PASS
    assert (found.code, found.subject) == (CODE, 'bolt "B3"')
    assert found.quantity.value == pytest.approx(0.3, abs=1e-5)
    # What a 9 mm hole leaves round an 8 mm bolt on each side.
    assert found.requirement.limit == pytest.approx(0.5, abs=1e-5)
    assert found.details["diameter"] == pytest.approx(9.0, abs=1e-5)
    assert found.details["through"] is True and found.details["depth"] == pytest.approx(12.0)
    assert found.remedy == ""
    json.dumps(dict(found.details))


def test_in_a_counterbore_the_shank_counts(ask):
    mesh = plate((0, 0, 9.0), (0, 0, 15.0, 5.0))
    (found,) = ask(mesh, bolts=[bolt(at=[0.0, 0.2, -5.0])])
    assert found.verdict is Verdict.PASS
    assert found.details["diameter"] == pytest.approx(9.0, abs=1e-5)
    assert found.quantity.value == pytest.approx(0.2, abs=1e-5)


def test_without_its_table_nothing_is_asked(ask):
    assert ask(plate(), table=False) == []


def test_too_far_off(ask):
    (found,) = ask(plate((1.2, 0.0, 9.0)))
    assert found.verdict is Verdict.FAIL
    assert found.quantity.value == pytest.approx(1.2, abs=1e-5)
    assert "passes 1.20 mm from it, 0.50 mm allowed" in found.message
    assert "Move B3 by (1.20, 0.00, 0.00) mm onto the hole" in found.remedy
    (allowed,) = ask(plate((1.2, 0.0, 9.0)), settings=Settings(offset=1.5))
    assert allowed.verdict is Verdict.PASS


def test_nearer_to_the_limit_than_the_corners_tell(ask):
    (found,) = ask(plate((0.8, 0.0, 9.0)), settings=Settings(offset=0.8))
    assert found.verdict is Verdict.UNDECIDED
    assert "nearer to the limit" in found.message


@pytest.mark.parametrize(
    ("diameter", "verdict"),
    # ISO 273 for M8: fine 8.4, medium 9, coarse 10.
    [(8.3, "fail"), (8.45, "pass"), (9.0, "pass"), (9.95, "pass"), (10.1, "fail")],
)
def test_diameter_against_the_standard(ask, diameter, verdict):
    (found,) = ask(plate((0, 0, diameter)))
    assert found.verdict == verdict
    if verdict == "fail":
        assert found.quantity.name == "hole diameter"
        assert "8.4 to 10 mm (ISO 273, fine to coarse)" in found.remedy


def test_a_tapped_hole_under_the_head(ask):
    (found,) = ask(plate((0, 0, 6.8)))
    assert found.verdict is Verdict.FAIL
    assert 'say into = "casting"' in found.remedy
    (said,) = ask(plate((0, 0, 6.8, 10.0)), bolts=[bolt(into="casting")])
    assert said.verdict is Verdict.PASS
    assert said.details["through"] is False


def test_the_thread_below_is_held_against_the_hole_above(ask, part):
    def both(x, diameter=6.8):
        lower = part("block", plate((x, 0, diameter), bottom=-40, top=-12))
        return ask(plate((0.3, 0, 9.0)), lower, bolts=[bolt(into="block")])

    upper, lower = both(0.7)
    assert (upper.verdict, lower.verdict) == (Verdict.PASS, Verdict.PASS)
    assert lower.subject == 'bolt "B3" into "block"'
    # From hole to hole, not from the bolt's declared place.
    assert lower.quantity.value == pytest.approx(0.4, abs=1e-5)
    assert both(0.9)[1].verdict is Verdict.FAIL
    assert both(0.3, diameter=8.0)[1].verdict is Verdict.PASS  # drawn at full size
    small = both(0.3, diameter=5.0)[1]
    assert small.verdict is Verdict.FAIL and "at its tap drill, or full size" in small.message


def test_the_thread_is_not_looked_for_above_the_head(ask, part):
    lower = plate((0.3, 0, 6.8), bottom=-40, top=-12)
    over = plate((0, 0, 6.8), bottom=10, top=20)  # a lug of the same part, over the bolt
    block = part("block", trimesh.util.concatenate([lower, over]))
    _, thread = ask(plate((0, 0, 9.0)), block, bolts=[bolt(into="block")])
    assert thread.details["hole"][0] == pytest.approx(0.3, abs=1e-4)


def test_no_hole_at_all(ask):
    (found,) = ask(plate())
    assert found.verdict is Verdict.FAIL
    assert "no round hole in casting" in found.message and "there is metal" in found.message
    (far, _) = ask(plate((20, 0, 9.0)))
    assert far.verdict is Verdict.FAIL


def test_a_square_hole_is_not_called_missing(ask):
    window = trimesh.creation.box(bounds=[[-5, -5, -20], [5, 5, 5]])
    mesh = trimesh.boolean.difference([plate(), window], engine="manifold")
    (found,) = ask(mesh)
    assert found.verdict is Verdict.UNDECIDED
    assert "may not be round" in found.message


def test_a_soup_cannot_say(ask):
    mesh = plate((0, 0, 9.0))
    soup = trimesh.Trimesh(
        mesh.triangles.reshape(-1, 3)
        + 0.001 * (trimesh.util.np.arange(3 * len(mesh.faces)) % 7)[:, None],
        trimesh.util.np.arange(3 * len(mesh.faces)).reshape(-1, 3),
        process=False,
    )
    (found,) = ask(soup)
    assert found.verdict is Verdict.UNDECIDED
    assert "pin" in found.message


def test_a_table_with_nothing_to_compare_is_no_pass(ask, part):
    (found,) = ask(plate((0, 0, 9.0)), bolts=[])
    assert found.verdict is Verdict.UNDECIDED
    assert "No hole was compared" in found.message and "[[fastener]]" in found.remedy
    assert exit_code([found]) == 4
    # A part that no bolt names, whose mesh does not tell a hole from a pin.
    mesh = plate((0, 0, 9.0))
    torn = trimesh.Trimesh(
        mesh.triangles.reshape(-1, 3) + 0.001 * (np.arange(3 * len(mesh.faces)) % 7)[:, None],
        np.arange(3 * len(mesh.faces)).reshape(-1, 3),
        process=False,
    )
    found = ask(mesh, part("manifold", torn), settings=Settings(parts=("manifold",)))
    assert [one.verdict for one in found] == [Verdict.PASS, Verdict.UNDECIDED]
    assert found[1].message.startswith("Holes without a bolt cannot be listed")


def test_aslant(ask):
    tool = trimesh.creation.cylinder(4.5, 60, sections=32)
    tool.apply_transform(rotation_matrix(math.radians(2), (0, 1, 0)))
    mesh = trimesh.boolean.difference([plate(), tool], engine="manifold")
    (found,) = ask(mesh)
    assert found.verdict is Verdict.FAIL
    assert found.quantity.name == "angle" and found.quantity.value == pytest.approx(2.0, abs=1e-3)
    assert ask(mesh, settings=Settings(angle=3.0))[0].verdict is Verdict.PASS


def test_holes_without_a_bolt(ask):
    mesh = plate((0, 0, 9.0), (20, 20, 9.0), (-20, 20, 6.8), (-20, -20, 14.0))
    found = ask(mesh)
    assert [f.verdict for f in found] == [Verdict.PASS, Verdict.NOT_APPLICABLE]
    text = found[1].message
    assert "2 holes of casting" in text
    assert "9.00 mm (M8 clearance) at (20.00, 20.00, 0.00)" in text
    assert "6.80 mm (M8 thread)" in text and "14.00" not in text
    strict = ask(mesh, settings=Settings(undeclared="fail"))
    assert strict[1].verdict is Verdict.FAIL and len(strict[1].witnesses) == 2
    assert len(ask(mesh, settings=Settings(undeclared="ignore"))) == 1


def test_sizes_without_a_table_cannot_be_decided(ask):
    (found,) = ask(plate((0, 0, 7.0)), bolts=[bolt(size="1/4-20", head="ASME B18.3")])
    assert found.verdict is Verdict.UNDECIDED
    assert 'no clearance hole for "1/4-20"' in found.message


def test_a_part_that_is_not_there(ask):
    with pytest.raises(ProjectError, match="no part named 'carter'"):
        ask(plate((0, 0, 9.0)), settings=Settings(parts=("carter",)))

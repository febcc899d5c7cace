"""A witness that was moved is never confirmed, whichever check shows it, in whichever direction.

The outside truth is the project of test_witnesses.py, in which every check has something to say:
its places are read off meshes and project file by the checks; moved by 1 mm they are no places.
"""

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geomcheck.finding import Verdict
from geomcheck.project.load import load
from geomcheck.verify.claims import Recheck, Status
from geomcheck.verify.recheck import claims_of
from geomcheck.verify.scene import Scene
from geomcheck.verify.shown import HELD_HERE, shown

#: Along each axis, and askew: 1 mm.
STEPS = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (-1, 0, 0), (0.57, 0.6, -0.56))
#: A place in a duct's wall that no second route finds again: it stays open, never confirmed.
LEFT_OPEN = {"side opening"}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """The findings of a project on which every check has something to say, and its scene."""
    spec = importlib.util.spec_from_file_location(
        "asked", Path(__file__).parent / "test_witnesses.py"
    )
    asked = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(asked)
    folder = tmp_path_factory.mktemp("shown")
    findings, _ = asked.checked(folder, "exact")
    return Scene(load(folder / "project.toml"), tuple(findings)), findings, folder


def with_moved(finding, row, step):
    witnesses = list(finding.witnesses)
    point = tuple(float(x) for x in np.add(witnesses[row].point, step))
    witnesses[row] = replace(witnesses[row], point=point)
    return replace(finding, witnesses=tuple(witnesses))


def worst(claims, finding):
    return Recheck(finding, tuple(claims)).status


def of_code(findings, code):
    return [one for one in findings if one.code == code and one.witnesses]


@pytest.mark.parametrize("code", sorted(HELD_HERE))
def test_honest_places_are_confirmed(told, code):
    scene, findings, _ = told
    mine = of_code(findings, code)
    assert mine
    for one in mine:
        for claim in shown(scene, one):
            if claim.what.removeprefix("place of ") not in LEFT_OPEN:
                assert claim.status is Status.CONFIRMED, (one.subject, claim)


@pytest.mark.parametrize("code", sorted(HELD_HERE))
def test_a_witness_moved_by_a_millimetre_is_not_confirmed(told, code):
    scene, findings, folder = told
    for one in of_code(findings, code):
        for row, witness in enumerate(one.witnesses):
            for step in STEPS:
                moved = with_moved(one, row, step)
                status = worst(shown(scene, moved), moved)
                if status is Status.CONFIRMED or not list(shown(scene, moved)):
                    status = worst(claims_of(scene, moved, folder), moved)
                assert status is not Status.CONFIRMED, (one.subject, witness.label, step)


@pytest.mark.parametrize("label", ["seat", "socket", "service point", "on_surface point"])
def test_a_point_of_the_project_file_is_contradicted_elsewhere(told, label):
    scene, findings, _ = told
    rows = [
        (one, row)
        for one in findings
        for row, witness in enumerate(one.witnesses)
        if witness.label == label and one.code in HELD_HERE
    ]
    assert rows
    for one, row in rows:
        moved = with_moved(one, row, (0.0, 0.0, 1.0))
        assert worst(shown(scene, moved), moved) is Status.CONTRADICTED


def test_a_corner_that_is_not_the_outermost_is_contradicted(told):
    """The housing is 40 mm wide: the corner at x = 20 is not its least x."""
    scene, findings, _ = told
    one = next(f for f in findings if f.witnesses and f.witnesses[0].label == "least x")
    assert one.witnesses[0].point[0] == pytest.approx(-20.0)
    moved = with_moved(one, 0, (40.0, 0.0, 0.0))
    claims = list(shown(scene, moved))
    assert [c.status for c in claims] == [Status.CONTRADICTED, Status.CONFIRMED]
    assert "40.0" in claims[0].words


def test_a_place_that_nothing_else_tells_is_left_open(told):
    scene, findings, _ = told
    one = next(f for f in findings if f.code == "fasten-service" and f.verdict is Verdict.FAIL)
    bare = replace(one, details={}, message="It cannot be reached.")
    claims = {c.what: c for c in shown(scene, bare)}
    assert claims["place of blocked here"].status is Status.OPEN
    assert "nothing else tells" in claims["place of blocked here"].words


def test_a_message_is_held_to_the_hundredth(told):
    """Written to two decimals: 0.005 mm in each direction is the most that rounding leaves."""
    scene, findings, _ = told
    one = next(f for f in findings if f.code == "fasten-withdraw" and len(f.witnesses) > 1)
    bare = replace(one, details={}, message="It stops at (1.00, -2.00, 30.00).")
    for off, status in ((0.0049, Status.CONFIRMED), (0.02, Status.OPEN)):
        here = replace(bare.witnesses[0], point=(1.0 + off, -2.0 - off, 30.0))
        there = replace(bare, witnesses=(here,))
        assert worst(shown(scene, there), there) is status

"""The mate check: passes, fails, cannot be decided."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from trimesh.transformations import rotation_matrix

from geomcheck.checks import fit_mate
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict

MATE = {
    "name": "inlet",
    "parts": ["casting", "duct"],
    "at": [10, 10, 20],
    "normal": [0, 0, 1],
    "gasket": 1.5,
}


def block(*spans):
    return trimesh.creation.box(bounds=np.array(spans, dtype=float).T)


@pytest.fixture
def casting(part):
    return part("casting", block((-50, 50), (-30, 30), (-20, 20)), role="housing")


@pytest.fixture
def duct(part):
    """``duct(lift)``: a block whose lower face is ``lift`` above the gasket."""

    def make(lift=0.0, angle=0.0, mesh=None):
        mesh = block((-50, 50), (-30, 30), (21.5, 60)) if mesh is None else mesh
        mesh = mesh.copy().apply_translation((0, 0, lift))
        return part("duct", mesh.apply_transform(rotation_matrix(angle, (1, 0, 0), (0, 0, 21.5))))

    return make


def only(assembly):
    (finding,) = fit_mate.run(assembly, fit_mate.Settings())
    return finding


def test_faces_a_gasket_apart_pass(casting, duct, assembly):
    finding = only(assembly(casting, duct(), mates=[MATE]))
    assert finding.verdict is Verdict.PASS
    assert finding.quantity.value == pytest.approx(0.0, abs=1e-9)
    assert finding.requirement.limit == 0.1
    assert finding.details["distance"] == pytest.approx(1.5)
    assert finding.details["footprint"] == pytest.approx(6000.0)
    assert finding.entry.entry == 'mate "inlet"'
    json.dumps(finding.details)


def test_faces_too_far_apart_fail_with_the_amount(casting, duct, assembly):
    finding = only(assembly(casting, duct(0.7), mates=[MATE]))
    assert finding.verdict is Verdict.FAIL
    assert "2.20 mm apart" in finding.message and "1.50 mm +-0.10" in finding.message
    assert "0.70 mm towards duct" in finding.remedy and "+z" in finding.remedy
    near = only(assembly(casting, duct(-0.5), mates=[MATE]))
    assert "0.50 mm back from duct" in near.remedy


def test_faces_out_of_parallel_fail(casting, duct, assembly):
    slight = only(assembly(casting, duct(angle=np.radians(0.5)), mates=[MATE]))
    assert slight.verdict is Verdict.FAIL and "turn" in slight.remedy
    assert slight.quantity.value == pytest.approx(30 * np.tan(np.radians(0.5)), rel=1e-3)
    strong = only(assembly(casting, duct(angle=np.radians(2)), mates=[MATE]))
    assert strong.verdict is Verdict.FAIL and "2.00 degrees" in strong.message


def test_face_not_where_declared_fails(casting, duct, assembly):
    wrong = MATE | {"at": [10, 10, 80]}
    finding = only(assembly(casting, duct(), mates=[wrong]))
    assert finding.verdict is Verdict.FAIL
    assert finding.message.startswith("casting has no face within 5 mm of")
    assert "(10.00, 10.00, 80.00)" in finding.message
    assert finding.remedy.startswith("Check")
    gone = only(assembly(casting, duct(30), mates=[MATE]))
    assert gone.verdict is Verdict.FAIL and "duct has no face" in gone.message.lower()


def test_faces_beside_one_another_fail(casting, duct, assembly):
    aside = duct(mesh=block((52, 90), (-30, 30), (21.5, 60)))
    finding = only(assembly(casting, aside, mates=[MATE | {"at": [49, 0, 20]}]))
    assert finding.verdict is Verdict.FAIL
    assert "do not lie over each other" in finding.message


def test_noisy_scan_near_the_tolerance_is_undecided(casting, duct, assembly):
    fine = block((-50, 50), (-30, 30), (21.5, 60)).subdivide().subdivide().subdivide()
    rng = np.random.default_rng(3)
    vertices = fine.vertices + rng.normal(0, 0.02, fine.vertices.shape)
    below = fine.triangles_center[:, 2] < 50
    scan = trimesh.Trimesh(vertices, fine.faces[below], process=False)
    finding = only(assembly(casting, duct(0.06, mesh=scan), mates=[MATE]))
    assert finding.verdict is Verdict.UNDECIDED
    assert finding.quantity.low < 0.1 < finding.quantity.high
    assert "uneven" in finding.remedy


def test_face_missing_from_an_open_mesh_is_undecided(casting, duct, assembly):
    lid = block((-50, 50), (-30, 30), (21.5, 60))
    open_below = trimesh.Trimesh(
        lid.vertices, lid.faces[lid.face_normals[:, 2] > -0.5], process=False
    )
    finding = only(assembly(casting, duct(mesh=open_below), mates=[MATE]))
    assert finding.verdict is Verdict.UNDECIDED
    assert "not closed" in finding.message


def test_part_that_mates_with_itself_is_refused(casting, duct, assembly):
    with pytest.raises(ProjectError, match="itself"):
        only(assembly(casting, duct(), mates=[MATE | {"parts": ["casting", "casting"]}]))


def test_no_mates_no_findings(casting, assembly):
    assert list(fit_mate.run(assembly(casting), fit_mate.Settings())) == []


def areas(assembly):
    rows = list(fit_mate.run(assembly, fit_mate.Settings()))
    assert rows[0].verdict is Verdict.PASS
    return rows[1:]


def test_the_area_in_common_is_asked_for_where_it_is_given(casting, duct, assembly):
    assert areas(assembly(casting, duct(), mates=[MATE])) == []
    # The faces are 100 x 60.
    (enough,) = areas(assembly(casting, duct(), mates=[{**MATE, "area": 5999.0}]))
    assert (enough.verdict, enough.subject) == (Verdict.PASS, 'mate "inlet", area')
    assert enough.quantity.value == pytest.approx(6000.0)
    (wanting,) = areas(assembly(casting, duct(), mates=[{**MATE, "area": 6001.0}]))
    assert wanting.verdict is Verdict.FAIL


def test_a_sunk_spot_takes_from_the_area(casting, duct, assembly):
    """A pocket of 10 x 8, half a millimetre deep: 80 of 6000 mm2."""
    pocket = block((20, 30), (-4, 4), (21, 22.0))
    sunk = trimesh.boolean.difference([block((-50, 50), (-30, 30), (21.5, 60)), pocket])
    (found,) = areas(assembly(casting, duct(mesh=sunk), mates=[{**MATE, "area": 5950.0}]))
    assert found.quantity.value == pytest.approx(5920.0)
    assert found.verdict is Verdict.FAIL


def test_an_area_nearer_to_its_limit_than_the_facets_tell_is_undecided(part, duct, assembly):
    """A round face of radius 30 in 12 facets, sagitta 30 (1 - cos 15 degrees) = 1.02."""
    drum = trimesh.creation.cylinder(30.0, 40.0, sections=12)
    round_part = part("casting", drum, role="housing", sagitta=1.0223)
    flat = 0.5 * 12 * 30.0**2 * np.sin(np.pi / 6)
    whole = np.pi * 30.0**2
    (found,) = areas(assembly(round_part, duct(), mates=[{**MATE, "area": 0.5 * (flat + whole)}]))
    assert found.quantity.value == pytest.approx(flat)
    assert found.quantity.low < flat < whole < found.quantity.high
    assert found.verdict is Verdict.UNDECIDED

"""The placement check: passes, fails as an input, remarks; and what it says of the uncertainty."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from geomcheck.checks import fit_gap, part_placed
from geomcheck.finding import Verdict, exit_code
from geomcheck.mesh.placement import apply
from geomcheck.mesh.refine import refine
from geomcheck.mesh.registration import fit_datums

AT = np.array([(60, 0, 0), (120, 0, 0), (60, 50, 0), (120, 50, 30)], dtype=float)


def run(assembly, **settings):
    return list(part_placed.run(assembly, part_placed.Settings.model_validate(settings)))


@pytest.fixture
def casting(part):
    return part("casting", trimesh.creation.box((100, 60, 40)), role="housing")


@pytest.fixture
def placed(part, assembly, casting):
    """A van with a bracket placed by these points; its mesh is in its own axes, as they are."""

    def make(points, at=AT, **more):
        fit = fit_datums(points, at, name="alignment of bracket by datum points")
        box = trimesh.creation.box(bounds=[(60, 0, 0), (120, 50, 30)])
        one = part("bracket", box, kind="body panel", **more)
        one = replace(
            one,
            vertices=apply(fit.matrix, one.vertices),
            place=fit.matrix,
            alignments=(replace(fit.alignment, fit=fit),),
        )
        rows = [
            {"part": list(map(float, p)), "at": list(map(float, q))}
            for p, q in zip(points, at, strict=True)
        ]
        return assembly(casting, one, entries={"bracket": {"place": {"datums": rows}}})

    return make


def test_good_datums_pass_with_every_residual(placed):
    points = AT.copy()
    points[3] += (0, 0, 0.3)
    (finding,) = run(placed(points))
    assert finding.verdict is Verdict.PASS and finding.about_input
    residuals = fit_datums(points, AT).residuals
    assert finding.quantity.value == pytest.approx(residuals.max())
    assert finding.details["residuals"] == pytest.approx(list(residuals))
    for residual in residuals:
        assert f"{residual:.2f}" in finding.message
    assert "at most (95 %)" in finding.message and "scale" not in finding.message
    assert finding.entry.entry == 'vehicle "Test van" > part "bracket" > place > datums'
    # Placed by its own worst point, in the housing's axes.
    worst = int(residuals.argmax())
    assert np.linalg.norm(np.subtract(finding.witnesses[0].point, AT[worst])) == pytest.approx(
        residuals.max()
    )
    json.dumps(finding.details)
    # Passes about inputs alone are no answer.
    assert exit_code([finding]) == 3


def test_a_bad_pair_is_an_input_error_that_names_it(placed):
    points = AT.copy()
    points[1] += (0, 0, 6)
    findings = run(placed(points))
    assert findings[0].verdict is Verdict.ERROR and exit_code(findings) == 2
    worst = int(fit_datums(points, AT).residuals.argmax())
    assert f"pair {worst + 1}" in findings[0].message and f"pair {worst + 1}" in findings[0].remedy
    assert run(placed(points), residual=10)[0].verdict is Verdict.PASS


def test_scale_is_remarked_on_then_refused(placed):
    (finding,) = run(placed(AT * 1.007))
    assert finding.verdict is Verdict.PASS
    assert "scale that would fit best is 0.993" in finding.message
    passed, refused = run(placed(AT * 1.015), residual=5)
    assert passed.verdict is Verdict.PASS
    assert refused.verdict is Verdict.ERROR and "nothing is rescaled" in refused.remedy


def test_flat_datums_are_remarked_on(placed):
    (finding,) = run(placed(AT[:3], AT[:3]))
    assert "lie in one plane" in finding.message and finding.details["in_one_plane"]


def test_a_vehicles_own_placement_is_told_once(part, assembly, casting):
    fit = fit_datums(AT, AT + np.array([0, 0, 1.0]), name="alignment of vehicle Test van")
    shared = replace(fit.alignment, fit=fit)
    parts = [
        replace(part(name, trimesh.creation.box((9, 9, 9))), alignments=(shared,))
        for name in ("rail", "hose")
    ]
    (finding,) = run(assembly(casting, *parts))
    assert finding.subject == "vehicle Test van" and finding.parts == ("rail", "hose")


def test_a_part_that_was_given_its_place_is_not_asked_about(part, assembly, casting):
    assert run(assembly(casting, part("rail", trimesh.creation.box((9, 9, 9))))) == []


PATCHES = {"to": "casting", "patches": [{"at": [0, 0, 20], "radius": 20}]}


@pytest.mark.parametrize(("noise", "verdict"), [(0.05, Verdict.PASS), (1.5, Verdict.ERROR)])
def test_patches_are_told_with_what_is_left_on_them(noise, verdict, part, assembly, casting):
    rng = np.random.default_rng(1)
    u, v = rng.uniform(-15, 15, (2, 3, 80))
    w = rng.normal(0, noise, (3, 80))
    points = [
        np.column_stack([50 + w[0], u[0], v[0]]),
        np.column_stack([u[1], 30 + w[1], v[1]]),
        np.column_stack([u[2], v[2], 20 + w[2]]),
    ]
    laid = refine(
        points, [np.tile(row, (80, 1)) for row in np.eye(3)], casting.tree, name="alignment of rail"
    )
    rail = replace(
        part("rail", trimesh.creation.box((9, 9, 9))),
        alignments=(replace(laid.alignment, laid=laid),),
    )
    car = assembly(casting, rail, entries={"rail": {"refine": PATCHES}})
    (finding,) = run(car)
    assert finding.verdict is verdict
    assert "is laid on casting by 192 of 240 points" in finding.message
    assert finding.quantity.value == pytest.approx(laid.rms)
    assert finding.entry.entry.endswith("refine")


def test_the_alignment_is_a_term_of_the_gap_at_its_place(placed):
    points = AT.copy()
    points[3] += (0, 0, 0.3)
    car = placed(points)
    settings = fit_gap.Settings.model_validate({"required": {"body panel": 5}})
    (finding,) = fit_gap.run(car, settings)
    bracket = car.parts["bracket"]
    (term,) = [t for t in finding.quantity.terms if t.name.startswith("alignment")]
    amount = bracket.alignments[0].amount
    witness = finding.witnesses[1].point
    assert term.plus == pytest.approx(float(amount(np.array([witness]))[0]))
    assert term.plus <= term.minus <= float(amount(bracket.vertices).max())
    assert "4 datum points" in term.source
    # Closed form: 10 mm between the faces x = 50 and x = 60, up to what the fit turned it.
    assert finding.quantity.low < 10.0 < finding.quantity.high


def test_the_module_says_what_why_and_remedy():
    for word in ("What:", "Why:", "Remedy:"):
        assert word in (part_placed.__doc__ or "")

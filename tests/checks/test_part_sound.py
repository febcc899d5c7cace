"""part-sound: the right part, sound, of the right size; else the finding says what is wrong."""

import json

import numpy as np
import pytest
import trimesh

from geomcheck.checks import part_sound
from geomcheck.checks.part_sound import Settings
from geomcheck.finding import Verdict
from geomcheck.mesh.load import load_part
from geomcheck.mesh.placement import rigid

BOX = trimesh.creation.box(bounds=((0, 0, 0), (40, 30, 20)))


def run(assembly, *parts, settings=None, **entries):
    car = assembly(*parts, entries=entries)
    found = list(part_sound.run(car, settings or Settings()))
    for finding in found:
        json.dumps(finding.details)
        assert finding.code == "part-sound"
        assert finding.parts == (finding.subject,)
        assert (finding.remedy == "") == (finding.verdict == Verdict.PASS)
        assert finding.entry.line
    return found


def test_a_sound_part_passes_with_its_remarks(part, assembly, torn):
    passed = run(
        assembly,
        part("casting", BOX, role="housing"),
        part("panel", torn(BOX, [3])),
        casting={"size": [40, 30, 20], "on_surface": [[0, 10, 10], [20, 30, 5]]},
    )
    assert [f.verdict for f in passed] == [Verdict.PASS] * 2
    assert "casting is closed, 12 triangles, 24.00 cm3" in passed[0].message
    assert "2 points on the surface" in passed[0].message
    assert passed[0].quantity.name == "distance off the part"
    assert passed[0].details["size"] == [40, 30, 20]
    assert "panel is open" in passed[1].message
    assert "remark: 3 edges with one triangle only" in passed[1].message


def only(found):
    assert len(found) == 1, found
    return found[0]


def test_an_open_housing_or_carried_part_is_an_error(part, assembly, torn):
    for role, words in (("housing", "a housing must be closed"), ("carried", "a carried part")):
        others = () if role == "housing" else (part("casting", BOX, role="housing"),)
        found = run(assembly, *others, part("duct", torn(BOX, [3]), role=role))[-1]
        assert found.verdict == Verdict.ERROR
        assert words in found.message
        assert "3 edges with one triangle only" in found.message
        found = run(
            assembly, *others, part("duct", torn(BOX, [3]), role=role), duct={"expect": "open"}
        )
        assert found[-1].verdict == Verdict.PASS


@pytest.mark.parametrize(("is_", "expect"), [("closed", "open"), ("open", "closed")])
def test_expectation_of_a_neighbour(part, assembly, torn, is_, expect):
    mesh = BOX if is_ == "closed" else torn(BOX, [0])
    found = only(run(assembly, part("panel", mesh), panel={"expect": expect}))
    assert found.verdict == Verdict.ERROR
    assert f"panel is {is_}, the project file expects {expect}" in found.message


def test_inside_out(part, assembly):
    mesh = BOX.copy()
    mesh.invert()
    found = only(run(assembly, part("casting", mesh, role="housing")))
    assert found.verdict == Verdict.ERROR
    assert "inside out" in found.message
    assert "-24.00 cm3" in found.message
    assert only(run(assembly, part("tank", mesh))).verdict == Verdict.ERROR


def test_one_body_inside_out_and_bodies_in_one_another(part, assembly):
    small = trimesh.creation.box(bounds=((60, 0, 0), (70, 10, 10)))
    small.invert()
    mesh = trimesh.util.concatenate([BOX, small])
    found = only(run(assembly, part("casting", mesh, role="housing")))
    assert found.verdict == Verdict.ERROR
    assert "1 of 2 bodies inside out" in found.message
    mesh = trimesh.util.concatenate([BOX, trimesh.creation.box(bounds=((5, 5, 5), (9, 9, 9)))])
    found = only(run(assembly, part("casting", mesh, role="housing")))
    assert found.verdict == Verdict.ERROR
    assert "lie in one another" in found.message
    allowed = Settings(allow_doubled_bodies=True)
    found = only(run(assembly, part("casting", mesh, role="housing"), settings=allowed))
    assert found.verdict == Verdict.PASS
    assert "remark: 1 body inside the material" in found.message


def test_zero_area(part, assembly):
    faces = np.vstack([BOX.faces, [0, 1, 1]])
    mesh = trimesh.Trimesh(BOX.vertices, faces, process=False)
    strict = Settings(allow_zero_area=False)
    assert only(run(assembly, part("tank", mesh))).verdict == Verdict.PASS
    found = only(run(assembly, part("tank", mesh), settings=strict))
    assert found.verdict == Verdict.FAIL
    assert "1 triangles without area" in found.message


@pytest.mark.parametrize(
    ("factor", "words"),
    [(25.4, "exported in inches?"), (10, "exported in cm?"), (1000, "exported in m?")],
)
def test_wrong_unit(part, assembly, factor, words):
    size = [40.0 * factor, 30.0 * factor, 20.0 * factor]
    found = only(run(assembly, part("tank", BOX), tank={"size": size}))
    assert found.verdict == Verdict.ERROR
    assert f"the file is {factor:g} times too small: {words}" in found.message
    assert "40.00 x 30.00 x 20.00 mm, declared" in found.message
    assert "unit" in found.remedy
    assert found.entry.entry.endswith("size")


def test_wrong_size_and_exchanged_axes(part, assembly):
    found = only(run(assembly, part("tank", BOX), tank={"size": [40, 32.5, 20]}))
    assert found.verdict == Verdict.ERROR
    assert "(2.50 mm in y)" in found.message
    found = only(run(assembly, part("tank", BOX), tank={"size": [20, 30, 40]}))
    assert "axes are exchanged" in found.message
    wide = {"size": [40, 32.5, 20], "size_tolerance": 3}
    assert only(run(assembly, part("tank", BOX), tank=wide)).verdict == Verdict.PASS


def test_size_is_that_of_the_file_not_of_the_placed_part(tmp_path, assembly):
    BOX.export(tmp_path / "b.stl")
    turned = load_part(
        tmp_path / "b.stl", name="tank", factor=1.0, matrix=rigid([((0, 0, 1), 30, (0, 0, 0))])
    )
    entry = {"size": [40, 30, 20], "size_tolerance": 0.001, "on_surface": [[40, 1, 1]]}
    assert only(run(assembly, turned, tank=entry)).verdict == Verdict.PASS


def test_points_off_the_part(part, assembly):
    points = [[0, 10, 10], [10, 0, 5], [20, 15, 27]]
    found = only(run(assembly, part("tank", BOX), tank={"on_surface": points}))
    assert found.verdict == Verdict.ERROR
    assert "point 3 of 3 at 20.00 x 15.00 x 27.00 is 7.00 mm off it" in found.message
    assert "mirrored" not in found.message
    assert found.witnesses[0].point == (20, 15, 27)
    assert found.witnesses[1].point == pytest.approx((20, 15, 20))
    assert found.quantity.value == pytest.approx(7)


def test_mirrored_part(part, assembly):
    wedge = trimesh.convex.convex_hull([[0, 0, 0], [40, 0, 0], [0, 30, 0], [0, 0, 20], [30, 0, 20]])
    points = [[-40, 0, 0], [-30, 0, 20], [0, 30, 0], [0, 0, 20]]
    found = only(run(assembly, part("bracket", wedge), bracket={"on_surface": points}))
    assert found.verdict == Verdict.ERROR
    assert "all points fit when mirrored in x about the plane through the origin" in found.message
    assert "is the part mirrored?" in found.message
    assert "other hand" in found.remedy


def test_what_the_facets_leave_open_is_undecided(part, assembly):
    coarse = trimesh.creation.cylinder(10, 30, sections=12)  # sagitta 0.34 mm
    found = only(
        run(assembly, part("tank", coarse), tank={"size": [20.5, 20.5, 30], "size_tolerance": 0.3})
    )
    assert found.verdict == Verdict.UNDECIDED
    assert "cannot be decided" in found.message
    at = 9.8 * np.array([np.cos(np.pi / 12), np.sin(np.pi / 12)])
    entry = {"on_surface": [[at[0], at[1], 0.0]], "on_surface_tolerance": 0.2}
    found = only(run(assembly, part("tank", coarse), tank=entry))
    assert found.verdict == Verdict.UNDECIDED
    assert "cannot be decided" in found.message
    fine = part("tank", coarse, sagitta=0.0)
    assert only(run(assembly, fine, tank=entry)).verdict == Verdict.PASS


def test_coarse_facets_are_remarked_on_unless_declared(part, assembly):
    coarse = trimesh.creation.cylinder(20, 30, sections=12)  # sagitta 0.68 mm, times 1.25
    assert "up to 0.85 mm" in only(run(assembly, part("tank", coarse))).message
    declared = part("tank", coarse, sagitta=0.9)
    assert "remark" not in only(run(assembly, declared)).message
    assert "remark" not in only(run(assembly, part("tank", BOX))).message


def test_several_faults_are_several_findings(part, assembly, torn):
    entry = {"size": [80, 30, 20], "on_surface": [[20, 15, 10]]}
    found = run(assembly, part("casting", torn(BOX, [0]), role="housing"), casting=entry)
    assert [f.verdict for f in found] == [Verdict.ERROR] * 3


def test_the_docstring_explains():
    for word in ("What:", "Why:", "Remedy:"):
        assert word in part_sound.__doc__


LONG = trimesh.creation.box(bounds=((0, 0, 0), (40_000, 30, 20)))


def test_a_part_too_long_for_a_vehicle_declares_its_size(part, assembly):
    """40 m: exported in metres and read as such twice, say (common practice, no source)."""
    housing = part("casting", BOX, role="housing")
    found = run(assembly, housing, part("panel", LONG))
    assert [f.verdict for f in found] == [Verdict.PASS, Verdict.ERROR]
    assert "panel is 40.0 m long: is its unit right?" in found[1].message
    assert (found[1].quantity.value, found[1].requirement.limit) == (40_000.0, 10_000.0)
    declared = run(assembly, housing, part("panel", LONG), panel={"size": [40_000, 30, 20]})
    assert [f.verdict for f in declared] == [Verdict.PASS] * 2
    wide = Settings(most_size=50_000.0)
    found = run(assembly, housing, part("panel", LONG), settings=wide)
    assert [f.verdict for f in found] == [Verdict.PASS] * 2


def test_a_part_far_from_the_housing_has_a_wrong_place(part, assembly):
    """Boxes 9 m along x and 12 m along y apart: 15 m, by Pythagoras."""
    housing = part("casting", BOX, role="housing")
    off = BOX.copy().apply_translation((9_040.0, 12_030.0, 5.0))
    found = run(assembly, housing, part("panel", off))
    assert [f.verdict for f in found] == [Verdict.PASS, Verdict.ERROR]
    assert "panel stands 15.0 m from the housing" in found[1].message
    assert found[1].quantity.value == pytest.approx(15_000.0, abs=0.01)
    wide = Settings(most_distance=15_001.0)
    found = run(assembly, housing, part("panel", off), settings=wide)
    assert [f.verdict for f in found] == [Verdict.PASS] * 2

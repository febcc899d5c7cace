"""The gap check on scans and castings: terms of the interval, missing data, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from geomcheck.checks import fit_gap
from geomcheck.errors import ProjectError
from geomcheck.finding import Verdict, exit_code

PANEL = {"required": {"body panel": 9}}


@pytest.fixture
def casting(part):
    """A block of 100 x 60 x 40 with its middle in the origin."""
    box = trimesh.creation.box(bounds=[(-50, -30, -20), (50, 30, 20)])
    return part("casting", box, role="housing")


@pytest.fixture
def panel(part, open_sheet):
    """A sheet 10 mm over the block, its face down, without some of its cells."""

    def make(missing=(), width=400.0, shift=0.0):
        sheet = open_sheet(width, width, 30.0, cells=40)
        sheet.invert()
        middle = sheet.triangles_center
        keep = np.ones(len(sheet.faces), dtype=bool)
        for (x0, x1), (y0, y1) in missing:
            keep &= ~(
                (middle[:, 0] > x0)
                & (middle[:, 0] < x1)
                & (middle[:, 1] > y0)
                & (middle[:, 1] < y1)
            )
        sheet = trimesh.Trimesh(
            sheet.vertices + np.array([shift, 0.0, 0.0]), sheet.faces[keep], process=False
        )
        return part("bonnet", sheet, kind="body panel")

    return make


def only(car, **settings):
    (finding,) = fit_gap.run(car, fit_gap.Settings.model_validate(settings))
    return finding


TRUE = {"casting": {"casting": {"grade": "DCTG 9", "datum": [-50, -30, -20]}}}


def test_passes_with_every_term_named(casting, panel, assembly):
    entries = TRUE | {"bonnet": {"scan": {"noise": 0.1, "alignment": 0.3}}}
    finding = only(assembly(casting, panel(), entries=entries), required={"body panel": 8})
    assert finding.verdict is Verdict.PASS
    terms = {term.name: term for term in finding.quantity.terms}
    # 123.29 mm from the datum at the farthest corner of the top: 2.5 in all.
    assert terms["casting tolerance of casting"].minus == pytest.approx(1.25)
    assert terms["scan noise of bonnet"].minus == pytest.approx(0.1)
    assert terms["alignment of bonnet"].minus == pytest.approx(0.3)
    assert finding.quantity.low == pytest.approx(10 - 1.65)


def test_fails_when_no_allowance_can_help(casting, panel, assembly):
    finding = only(assembly(casting, panel(), entries=TRUE), required={"body panel": 12})
    assert finding.verdict is Verdict.FAIL


def test_cannot_be_decided_within_the_tolerance(casting, panel, assembly):
    car = assembly(casting, panel(), entries=TRUE)
    finding = only(car, **PANEL)
    assert finding.verdict is Verdict.UNDECIDED and exit_code([finding]) == 4
    assert only(assembly(casting, panel()), **PANEL).verdict is Verdict.PASS


def test_root_sum_of_squares_may_decide_what_the_worst_case_does_not(casting, panel, assembly):
    """0.8 and 0.6 make 1.0 instead of 1.4."""
    entries = {"casting": {"print_tolerance": 0.8}, "bonnet": {"scan": {"noise": 0.6}}}
    car = assembly(casting, panel(), entries=entries)
    assert only(car, **PANEL).verdict is Verdict.UNDECIDED
    finding = only(car, combine="root sum of squares", **PANEL)
    assert finding.verdict is Verdict.PASS and finding.quantity.low == pytest.approx(9.0)
    assert "root sum of squares" in finding.message


@pytest.mark.parametrize(
    ("casting_entry", "words"),
    [
        ({"grade": "DCTG 9", "datum": [500, 0, 0]}, "datum of the casting tolerance lies 450.00"),
        ({"grade": "DCTG 1", "datum": [-160, 0, 0]}, r"casting: the part reaches .* DCTG 1 ends"),
    ],
)
def test_wrong_castings_are_refused_with_their_line(casting_entry, words, casting, panel, assembly):
    car = assembly(casting, panel(), entries={"casting": {"casting": casting_entry}})
    with pytest.raises(ProjectError, match=words) as caught:
        only(car, **PANEL)
    assert caught.value.line is not None and 'part "casting" > casting' in caught.value.entry


# --- missing data --------------------------------------------------------------------------------

OVER = [((-20, 20), (-10, 10))]


def test_a_hole_over_the_casting_is_undecided_until_it_is_real(casting, panel, assembly):
    bonnet = panel(OVER)
    finding = only(assembly(casting, bonnet), **PANEL)
    assert finding.verdict is Verdict.UNDECIDED
    assert "bonnet has a hole of 20.00 x 40.00 mm at (0.00, 0.00, 30.00)" in finding.message
    assert "holes_are_real" in finding.remedy and finding.details["undecided"]
    real = assembly(casting, bonnet, entries={"bonnet": {"holes_are_real": True}})
    assert only(real, **PANEL).verdict is Verdict.PASS


def test_a_hole_open_to_one_side_is_undecided_until_the_edge_is_real(casting, panel, assembly):
    bay = panel([((-20, 20), (-10, 300))])
    finding = only(assembly(casting, bay), **PANEL)
    assert finding.verdict is Verdict.UNDECIDED
    assert "has a bay 40.00 mm wide in its rim at (0.00, " in finding.message
    assert "edge_is_real = true" in finding.remedy
    real = assembly(casting, bay, entries={"bonnet": {"edge_is_real": True}})
    assert only(real, **PANEL).verdict is Verdict.PASS


def test_holes_count_in_a_scan_that_faces_both_ways_as_well(casting, panel, part, assembly):
    """Some triangles turned round: no longer an open mesh but soup, and still holed."""
    for missing, verdict in (([((-20, 20), (-10, 10))], Verdict.UNDECIDED), ([], Verdict.PASS)):
        mesh = panel(missing).mesh.copy()
        mesh.faces[::7] = mesh.faces[::7, ::-1]
        soup = part(
            "bonnet", trimesh.Trimesh(mesh.vertices, mesh.faces, process=False), kind="body panel"
        )
        assert soup.soundness.kind == "soup"
        assert only(assembly(casting, soup), **PANEL, shells=["bonnet"]).verdict is verdict


def test_a_hole_elsewhere_does_not_matter(casting, panel, assembly):
    away = panel([((100, 140), (-20, 20))])
    assert only(assembly(casting, away), **PANEL).verdict is Verdict.PASS


def test_too_near_is_a_fail_with_or_without_holes(casting, panel, assembly):
    finding = only(assembly(casting, panel(OVER)), required={"body panel": 11})
    assert finding.verdict is Verdict.FAIL


def test_a_scan_that_ends_towards_the_casting(casting, panel, assembly):
    beside = panel(width=100.0, shift=105.0)
    finding = only(assembly(casting, beside), **PANEL)
    assert finding.verdict is Verdict.UNDECIDED
    assert "outer rim" in finding.message and "edge_is_real" in finding.remedy
    real = assembly(casting, beside, entries={"bonnet": {"edge_is_real": True}})
    assert only(real, **PANEL).verdict is Verdict.PASS


def test_casting_behind_the_face_of_a_panel(casting, panel, part, assembly):
    """The outer skin of a panel, scanned from above: its inner frame is not in the mesh."""
    mesh = panel().mesh.copy()
    mesh.invert()
    skin = part("bonnet", mesh, kind="body panel")
    finding = only(assembly(casting, skin), **PANEL)
    assert finding.verdict is Verdict.UNDECIDED
    assert "All of casting lies behind the face of the open mesh of bonnet" in finding.message
    assert "shells" in finding.remedy
    assert only(assembly(casting, skin), shells=["bonnet"], **PANEL).verdict is Verdict.PASS


def test_the_nearest_point_on_the_back_of_a_scan(casting, panel, part, open_sheet, assembly):
    """A bonnet seen from below, and beside the casting a flange seen from outside only."""
    flange = open_sheet(40.0, 40.0)  # its middle at x = 59.5, facing +x, 9.5 mm off
    flange.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (0, 1, 0)))
    flange.apply_translation((59.5, 0, 0))
    mesh = trimesh.util.concatenate([panel().mesh, flange])
    car = assembly(casting, part("bonnet", mesh, kind="body panel"))
    finding = only(car, **PANEL)
    assert finding.quantity.value == pytest.approx(9.5)
    assert finding.verdict is Verdict.UNDECIDED
    assert "Casting, where it is nearest, lies behind the face of the open" in finding.message
    assert "from that side too" in finding.remedy
    assert only(car, shells=["bonnet"], **PANEL).verdict is Verdict.PASS
    flange.invert()
    seen = part("bonnet", trimesh.util.concatenate([panel().mesh, flange]), kind="body panel")
    assert only(assembly(casting, seen), **PANEL).verdict is Verdict.PASS


def test_many_holes_are_counted(casting, panel, assembly):
    many = [((x, x + 10), (y, y + 10)) for x in (-40, -10, 20) for y in (-20, 10)]
    finding = only(assembly(casting, panel(many)), **PANEL)
    assert "and 3 more such places" in finding.message
    assert len(finding.details["undecided"]) == 3


def test_a_scan_with_every_triangle_twice_gives_the_same_gap(casting, panel, part, assembly):
    once = panel()
    mesh = trimesh.Trimesh(once.vertices, np.concatenate([once.faces, once.faces]), process=False)
    twice = part("bonnet", mesh, kind="body panel")
    first = only(assembly(casting, once), **PANEL)
    second = only(assembly(casting, twice), **PANEL)
    assert first.verdict is second.verdict is Verdict.PASS
    assert second.quantity.value == first.quantity.value == 10.0

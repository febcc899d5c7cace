"""Second routes of meshes and placements: boxes with planted faults, datum points a little off."""

import numpy as np
import pytest
import trimesh
from trimesh.creation import box

from geomcheck.verify import Status
from geomcheck.verify.plain.body import Body, Edges
from geomcheck.verify.plain.simple import winding

PROJECT = """\
format = 1
name = "parts"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
size = [40.0, 40.0, 20.0]
on_surface = [[20.0, 3.0, 1.0], [1.0, 2.0, 10.0]]
sagitta = 0.0

[[vehicle]]
name = "hatch"
place = { datums = [
  { part = [0, 0, 0], at = [10, 0, 0] },
  { part = [100, 0, 0], at = [10, 100.3, 0] },
  { part = [0, 100, 0], at = [-90, 0, 0] },
  { part = [0, 0, 100], at = [10, 0, 100] },
] }

%s
[check.fit-gap]
required = { panel = 1 }
"""
PART = """
[[vehicle.part]]
name = "{name}"
file = "{name}.stl"
class = "panel"
sagitta = 0.0
gap = false
{more}
"""


def at(size, *centre):
    return box(size).apply_translation(centre)


def fine(mesh):
    return mesh.subdivide().subdivide().subdivide()


def without(mesh, count):
    return trimesh.Trimesh(mesh.vertices, mesh.faces[count:], process=False)


def turned_over(mesh, count):
    faces = mesh.faces.copy()
    faces[:count] = faces[:count, ::-1]
    return trimesh.Trimesh(mesh.vertices, faces, process=False)


def both(a, b):
    return trimesh.util.concatenate([a, b])


DATUMS = """place = { datums = [
  { part = [0, 0, 0], at = [0, 0, 50] },
  { part = [20, 0, 0], at = [20.4, 0, 50] },
  { part = [0, 20, 0], at = [0, 20.4, 50] },
  { part = [20, 20, 5], at = [20, 20, 55] },
] }"""
# The vehicle is a quarter turn about z and 10 mm along x from the housing.
LAID = """place = { move = [-0.3, 9.8, 0.4] }
refine = { to = "housing", trim = 0.0, patches = [
  { low = [-16, -16, 9], high = [16, 16, 11] },
  { low = [-21, -16, -8], high = [-19, 16, 8] },
  { low = [-16, -21, -8], high = [16, -19, 8] },
] }"""

#: Name, mesh, further words of its entry, the verdict that is due, the count told that is known.
PARTS = [
    ("sound", at((4, 4, 4), 0, 0, 0), "", "pass", {}),
    ("open", without(box((6, 6, 6)), 2), 'expect = "closed"', "error",
     {"boundary_edges": 4, "outlines": 1}),
    ("scan", without(box((6, 6, 6)), 2), 'expect = "open"', "pass", {"boundary_edges": 4}),
    ("turned", turned_over(fine(box((6, 6, 6))), 1),
     'expect = "closed"', "error", {"clashing_edges": 3}),
    ("soup", turned_over(box((6, 6, 6)), 1), 'expect = "closed"', "error", {"clashing_edges": 3}),
    ("inverse", turned_over(box((6, 6, 6)), 12), "", "error", {}),
    ("cavity", both(box((9, 9, 9)), turned_over(box((6, 6, 6)), 12)), "", "pass", {}),
    ("stray", both(box((9, 9, 9)), turned_over(at((2, 2, 2), 20, 0, 0), 12)), "", "error",
     {"stray_bodies": 1}),
    ("nested", both(box((9, 9, 9)), box((6, 6, 6))), "", "error", {}),
    ("crossing", both(box((9, 9, 9)), at((9, 9, 9), 4, 3, 2)), "", "error", {}),
    ("twice", both(box((6, 6, 6)), without(box((6, 6, 6)), 11)), "", "pass", {"repeated": 1}),
    ("large", box((50, 6, 6)), "size = [40, 6, 6]", "error", {}),
    ("long", box((20000, 6, 6)), "", "error", {}),
    ("far", box((6, 6, 6)), "place = { move = [0, 0, 30000] }", "error", {}),
    ("off", box((6, 6, 6)), "on_surface = [[9.0, 0.0, 0.0], [3.0, 1.0, 1.0]]", "error", {}),
    ("fitted", box((40, 40, 10)), DATUMS, "pass", {}),
    ("laid", fine(box((40, 40, 20))), LAID, "pass", {}),
]  # fmt: skip


@pytest.fixture(scope="module")
def parts(tmp_path_factory, check_project):
    entries = "".join(PART.format(name=name, more=more) for name, _, more, _, _ in PARTS)
    meshes = {"housing": box((40, 40, 20)), **{name: mesh for name, mesh, *_ in PARTS}}
    return check_project(tmp_path_factory.mktemp("parts"), PROJECT % entries, meshes)


@pytest.mark.parametrize(("name", "verdict", "counts"), [(p[0], p[3], p[4]) for p in PARTS])
def test_the_truths(parts, name, verdict, counts):
    """The planted faults are what the check tells, so that the route confirms those."""
    finding = parts.finding("part-sound", name)
    assert finding["verdict"] == verdict
    for key, count in counts.items():
        assert finding["details"]["counts"][key] == count


def test_all_is_confirmed_but_for_amounts_of_patches(parts):
    report = parts.report()
    for one in report.findings:
        left = {c.what: c for c in one.claims if c.status is not Status.CONFIRMED}
        assert set(left) <= {"amounts"}, (one.finding.code, one.finding.subject, left)
    what = {claim.what for one in report.findings for claim in one.claims}
    assert what >= {
        "class", "bodies", "boundary edges", "bodies clear of each other", "reason", "residuals",
        "amount middle", "distance left on patches", "declared size", "scale", "mirrored",
    }  # fmt: skip


def detail(key, value):
    def change(finding):
        finding["details"][key] = value

    return change


def counted(key, value):
    def change(finding):
        finding["details"]["counts"][key] = value

    return change


def more(by):
    def change(finding):
        for name in ("value", "low", "high"):
            finding["quantity"][name] += by

    return change


def limit(finding):
    finding["requirement"]["limit"] = 9.0


def place(finding):
    finding["witnesses"][0]["point"][2] += 70.0


def nowhere(finding):
    finding["witnesses"] = []


def failed(finding):
    finding["verdict"] = "error"
    finding["quantity"] = finding["requirement"] = None


def passed(finding):
    finding["verdict"] = "pass"


SOUND = [
    ("sound", detail("triangles", 11), "triangles"),
    ("sound", detail("size", [4, 4, 5]), "size"),
    ("sound", detail("class", "open"), "class"),
    ("sound", detail("bodies", 2), "bodies"),
    ("sound", failed, "reason"),
    ("open", counted("boundary_edges", 2), "boundary edges"),
    ("open", counted("outlines", 2), "outlines"),
    ("open", counted("crowded_edges", 2), "crowded edges"),
    ("turned", counted("clashing_edges", 1), "clashing edges"),
    ("twice", counted("repeated", 0), "repeated"),
    ("twice", counted("zero_area", 2), "zero area"),
    ("inverse", passed, "faces outwards"),
    ("stray", counted("stray_bodies", 0), "bodies clear of each other"),
    ("nested", counted("doubled_bodies", 0), "bodies clear of each other"),
    ("crossing", counted("doubled_bodies", 0), "bodies clear of each other"),
    ("cavity", counted("stray_bodies", 1), "bodies clear of each other"),
    ("large", more(-5.0), "size difference"),
    ("large", limit, "limit"),
    ("large", passed, "declared size"),
    ("large", nowhere, "witness"),
    ("off", more(-5.0), "distance off the part"),
    ("off", passed, "on_surface point 1"),
    ("off", limit, "limit"),
    ("off", place, "witness on_surface point"),
    ("open", place, "witness seen here"),
    ("open", nowhere, "witness"),
    ("long", more(-5.0), "longest side"),
    ("long", limit, "limit"),
    ("far", more(-5.0), "distance from the housing"),
    ("far", limit, "limit"),
]


@pytest.mark.parametrize(("name", "change", "what"), SOUND)
def test_a_falsified_mesh(parts, tmp_path, name, change, what):
    assert what in parts.wrong(tmp_path, "part-sound", name, change)


def residuals(finding):
    finding["details"]["residuals"][1] += 0.1


PLACED = [
    ("fitted", residuals, "residuals"),
    ("fitted", detail("rms", 0.01), "rms"),
    ("fitted", more(-0.1), "value"),
    ("fitted", limit, "limit"),
    ("fitted", place, "witness"),
    ("fitted", nowhere, "witness"),
    ("fitted", detail("scale", 1.0), "scale"),
    ("fitted", detail("scale_amount", 0.5), "amount of the scale"),
    ("fitted", detail("mirrored_rms", 0.5), "mirrored"),
    ("fitted", detail("amount_middle", 0.01), "amount middle"),
    ("fitted", detail("amount_greatest", 0.01), "amount greatest"),
    ("fitted", failed, "scale off"),
    ("vehicle hatch", residuals, "residuals"),
    ("vehicle hatch", place, "witness"),
    ("vehicle hatch", detail("amount_greatest", 0.01), "amount greatest"),
    ("laid", detail("patch_rms", 0.5), "distance left on patches"),
    ("laid", detail("patch_points", 5), "points of patches"),
    ("laid", detail("patch_points_kept", 5), "points kept"),
    ("laid", detail("moved", 5.0), "moved"),
    ("laid", more(0.5), "value"),
    ("laid", place, "middle of the patches"),
]


@pytest.mark.parametrize(("name", "change", "what"), PLACED)
def test_a_falsified_placement(parts, tmp_path, name, change, what):
    assert what in parts.wrong(tmp_path, "part-placed", name, change)


def test_a_placement_told_of_a_part_that_is_moved(parts, tmp_path):
    def change(finding):
        finding["subject"] = "sound"

    def wrong(data):
        change(parts.finding("part-placed", "fitted", data))

    report = parts.tampered(tmp_path, wrong)
    one = next(r for r in report.findings if r.finding.subject == "sound" and r.finding.parts)
    assert one.status is Status.CONTRADICTED or any(
        claim.what == "datum points" and claim.status is Status.CONTRADICTED
        for r in report.findings
        for claim in r.claims
    )


@pytest.mark.parametrize(
    ("name", "mesh", "code", "what"),
    [
        ("sound", without(box((4, 4, 4)), 1), "part-sound", "class"),
        ("housing", box((40, 40, 24)), "part-sound", "declared size"),
        ("housing", at((40, 40, 20), 1.5, 0, 0), "part-sound", "on_surface point 1"),
        ("laid", fine(box((40, 40, 22))), "part-placed", "moved"),
    ],
)
def test_a_mesh_changed_under_the_result(parts, tmp_path, name, mesh, code, what):
    assert what in parts.wrong(tmp_path, code, name, lambda finding: None, {name: mesh})


def test_points_inside_agree_with_solid_angles():
    """Counting facets along one direction, against the sum of all solid angles."""
    block = trimesh.boolean.difference([box((40, 40, 20)), box((10, 10, 30))])
    block.apply_transform(trimesh.transformations.rotation_matrix(0.7, (1, 2, 3)))
    body = Body(np.asarray(block.triangles))
    points = np.random.default_rng(5).uniform(-25, 25, (400, 3))
    inside = [body.holds(point) for point in points]
    assert inside == [winding(point, body.triangles) > 0.5 for point in points]
    assert 40 < sum(inside) < 200


def test_edges_of_a_box_without_its_lid():
    edges = Edges(np.asarray(without(box((6, 6, 6)), 2).triangles))
    assert (edges.faces == 1).sum() == 4
    assert (edges.outlines, edges.repeated, edges.closed) == (1, 0, False)
    assert set(edges.piece) == {0}

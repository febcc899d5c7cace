"""Every kind of bad input: one clear message, the right exit code, no traceback, nothing written.

The project is a block with a bore, a screw on its top face and a neighbour; each case spoils one
thing in it.
"""

import json
import struct

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner

from geomcheck import cli

PROJECT = """\
format = 1
name = "block"
unit = "mm"

[[part]]
name = "housing"
file = "housing.stl"
role = "housing"
size = [60, 60, 40]
on_surface = [[30, 5, 10], [-30, 5, 10], [28, 5, 20]]

[[vehicle]]
name = "hatch"
[[vehicle.part]]
name = "bonnet"
file = "bonnet.stl"
class = "body panel"

[[duct]]
name = "bore"
walls = ["housing"]
path = [[0, 0, -19], [0, 0, 19]]
least_area = 600

[[fastener]]
name = "B1"
part = "housing"
at = [22, -22, 20]
axis = [0, 0, 1]
size = "M6"
head = "ISO 4762"
length = 20

[check.fit-gap.required]
"body panel" = 10
"""


def block():
    """60 x 60 x 40 with a bore of 30 along z and a notch that has no mirror image in x."""
    box = trimesh.creation.box((60, 60, 40))
    bore = trimesh.creation.cylinder(15, 60, sections=96)
    notch = trimesh.creation.box(
        (10, 10, 10), trimesh.transformations.translation_matrix((-30, 5, 20))
    )
    return trimesh.boolean.difference([box, bore, notch], engine="manifold")


@pytest.fixture(scope="module")
def meshes():
    housing = block()
    bonnet = trimesh.creation.box((80, 80, 2))
    bonnet.apply_translation((0, 0, 301))
    return housing, bonnet


@pytest.fixture
def run(tmp_path, meshes):
    housing, bonnet = meshes
    housing.export(tmp_path / "housing.stl")
    bonnet.export(tmp_path / "bonnet.stl")

    def check(text=PROJECT, spoil=None):
        if spoil is not None:
            file = tmp_path / "bonnet.stl"
            file.write_bytes(spoil(file.read_bytes()))
        (tmp_path / "project.toml").write_text(text, encoding="utf-8")
        report = tmp_path / "report.json"
        with pytest.raises(SystemExit) as info:
            _main("check", tmp_path / "project.toml", "--json", report)
        return info.value.code, json.loads(report.read_text()) if report.exists() else None

    return check


def _main(*arguments):
    """Run ``main`` in this process with the given arguments."""
    import sys

    old = sys.argv
    sys.argv = ["geomcheck", *map(str, arguments)]
    try:
        cli.main()
    finally:
        sys.argv = old


def test_the_unspoilt_project_passes(run, capsys):
    code, written = run()
    out = capsys.readouterr()
    assert code == 0, out.out + out.err
    assert written


def ascii_stl(mesh, *, comma=False, upper=False, end="\n"):
    lines = ["solid part"]
    for triangle in mesh.triangles:
        lines += ["facet normal 0 0 0", "  outer loop"]
        lines += ["    vertex " + " ".join(f"{x:.6f}" for x in corner) for corner in triangle]
        lines += ["  endloop", "endfacet"]
    text = end.join([*lines, "endsolid part", ""])
    text = text.upper() if upper else text
    return (text.replace(".", ",") if comma else text).encode()


def set_corner(value):
    """The STL with one coordinate of triangle 3 replaced."""

    def spoil(data):
        at = 84 + 50 * 3 + 12 + 4
        return data[:at] + struct.pack("<f", value) + data[at + 4 :]

    return spoil


def recount(count):
    return lambda data: data[:80] + struct.pack("<I", count) + data[84:]


GOOD_FILES = {
    "binary that begins with 'solid'": lambda data: b"solid bonnet".ljust(80) + data[80:],
    "ascii with CR LF": lambda _: ascii_stl(BONNET, end="\r\n"),
    "ascii in upper case": lambda _: ascii_stl(BONNET, upper=True),
}
BONNET = trimesh.creation.box((80, 80, 2), trimesh.transformations.translation_matrix((0, 0, 301)))


@pytest.mark.parametrize("case", GOOD_FILES)
def test_odd_but_valid_files_are_read(run, capsys, case):
    code, _ = run(spoil=GOOD_FILES[case])
    out = capsys.readouterr()
    assert code == 0, out.out + out.err


BAD_FILES = {
    "empty": (lambda _: b"", ["empty"]),
    "Git LFS pointer": (
        lambda _: b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 684\n",
        ["LFS"],
    ),
    "web page": (lambda _: b"<!DOCTYPE html><html><body>404</body></html>", ["HTML"]),
    "truncated": (lambda data: data[:-30], ["triangle"]),
    "bytes too many": (lambda data: data + b"\0" * 10, ["triangle"]),
    "lying count, too many": (recount(4_000_000_000), ["triangle"]),
    "lying count, too few": (recount(2), ["triangle"]),
    "no triangles": (lambda data: data[:80] + struct.pack("<I", 0), ["no triangles"]),
    "NaN corner": (set_corner(float("nan")), ["triangle 3"]),
    "infinite corner": (set_corner(float("inf")), ["triangle 3"]),
    "ascii with decimal comma": (lambda _: ascii_stl(BONNET, comma=True), ["comma"]),
    "ascii cut short": (lambda _: ascii_stl(BONNET)[:500], ["line"]),
    "some other text": (lambda _: b"once upon a time\n" * 20, ["bonnet.stl"]),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_bad_mesh_file_is_one_message_and_exit_2(run, capsys, case):
    spoil, words = BAD_FILES[case]
    code, written = run(spoil=spoil)
    out = capsys.readouterr()
    assert code == 2, out.out + out.err
    assert written["exit_code"] == 2
    assert len(out.err.strip().splitlines()) == 1
    assert "Traceback" not in out.err
    for word in ["bonnet.stl", 'part "bonnet"', "line 16", *words]:
        assert word in out.err, out.err


BAD_PROJECTS = {
    # what is replaced, by what, and words of the message
    "missing file": ('"bonnet.stl"', '"bonet.stl"', ["bonet.stl", "no such file", "line 16"]),
    "unknown key": ("least_area", "smallest_area", ["smallest_area", "line 23"]),
    "unknown part": ('walls = ["housing"]', 'walls = ["housng"]', ["housng", "'housing'"]),
    "inches read as mm": ("size = [60, 60, 40]", "size = [1524, 1524, 1016]", ["25.4"]),
    "cm read as mm": ("size = [60, 60, 40]", "size = [600, 600, 400]", ["10"]),
    "m read as mm": ("size = [60, 60, 40]", "size = [60000, 60000, 40000]", ["1000"]),
    "another size": ("size = [60, 60, 40]", "size = [60, 63, 40]", ["60", "63"]),
    "mirrored part": (
        "[[30, 5, 10], [-30, 5, 10], [28, 5, 20]]",
        "[[30, 5, 10], [-30, 5, 10], [-28, 5, 20]]",
        ["housing", "mirror"],
    ),
    "mirroring matrix": (
        'class = "body panel"',
        'class = "body panel"\nplace.matrix = [[-1,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]',
        ["mirror", "line 18"],
    ),
    "scaling matrix": (
        'class = "body panel"',
        'class = "body panel"\nplace.matrix = [[2,0,0,0],[0,2,0,0],[0,0,2,0],[0,0,0,1]]',
        ["scale", "line 18"],
    ),
    "path outside the duct": (
        "[[0, 0, -19], [0, 0, 19]]",
        "[[200, 0, -19], [200, 0, 19]]",
        ["bore", "path"],
    ),
    "path through metal": ("[[0, 0, -19], [0, 0, 19]]", "[[22, 0, -19], [22, 0, 19]]", ["path"]),
    "path of one point": ("[[0, 0, -19], [0, 0, 19]]", "[[0, 0, -19]]", ["path", "line 22"]),
    "path that stands still": (
        "[[0, 0, -19], [0, 0, 19]]",
        "[[0, 0, 5], [0, 0, 5]]",
        ["line 22"],
    ),
    "fastener in the air": ("[22, -22, 20]", "[22, -22, 33]", ["B1", "13"]),
    "axis into the wall": ("axis = [0, 0, 1]", "axis = [0, 0, -1]", ["B1", "axis"]),
    "no such size": ('size = "M6"', 'size = "M7"', ["M7", "line 30"]),
    "no such head": ('head = "ISO 4762"', 'head = "round"', ["round", "line 31"]),
    "zero axis": ("axis = [0, 0, 1]", "axis = [0, 0, 0]", ["zero", "line 29"]),
    "no requirement for a class": ('"body panel" = 10', '"hot part" = 10', ["body panel"]),
    "unknown check": ("[check.fit-gap.", "[check.fit-gab.", ["fit-gab", "fit-gap"]),
    "requirement in words": ('"body panel" = 10', '"body panel" = "ten"', ["number"]),
}


@pytest.mark.parametrize("case", BAD_PROJECTS)
def test_a_bad_entry_is_said_clearly_and_exit_2(run, capsys, case):
    old, new, words = BAD_PROJECTS[case]
    assert PROJECT.count(old) == 1
    code, _ = run(PROJECT.replace(old, new))
    out = capsys.readouterr()
    assert code == 2, out.out + out.err
    assert "Traceback" not in out.out + out.err
    for word in words:
        assert word in out.out + out.err, out.out + out.err


def test_an_open_housing_is_refused(run, tmp_path, meshes, capsys):
    housing = meshes[0].copy()
    keep = np.ones(len(housing.faces), dtype=bool)
    keep[7] = False
    housing.update_faces(keep)
    text = PROJECT.replace('"housing.stl"', '"torn.stl"')
    housing.export(tmp_path / "torn.stl")
    code, _ = run(text)
    out = capsys.readouterr()
    assert code == 2, out.out + out.err
    assert "housing" in out.out
    assert "closed" in out.out


def test_an_inside_out_housing_is_refused(run, tmp_path, meshes, capsys):
    housing = meshes[0].copy()
    housing.invert()
    housing.export(tmp_path / "inverted.stl")
    code, _ = run(PROJECT.replace('"housing.stl"', '"inverted.stl"'))
    out = capsys.readouterr()
    assert code == 2, out.out + out.err
    assert "inside out" in out.out


def test_zero_area_and_double_triangles_do_not_change_the_answer(run, tmp_path, meshes, capsys):
    bonnet = meshes[1]
    extra = np.vstack(
        [bonnet.triangles, bonnet.triangles[:1] * 0 + bonnet.triangles[0, 0], bonnet.triangles[:1]]
    )
    records = np.zeros(len(extra), dtype=[("n", "<f4", 3), ("t", "<f4", (3, 3)), ("a", "<u2")])
    records["t"] = extra
    data = b"\0" * 80 + struct.pack("<I", len(extra)) + records.tobytes()
    code, _ = run(spoil=lambda _: data)
    out = capsys.readouterr()
    # The doubled triangle makes the part no closed body; whatever class it gets, the measured
    # gap is the same and nothing is silently dropped.
    assert code in (0, 4), out.out + out.err
    assert "280.00 mm" in out.out


def test_a_click_runner_sees_the_same_help():
    assert CliRunner().invoke(cli.cli, ["check", "--help"]).exit_code == 0

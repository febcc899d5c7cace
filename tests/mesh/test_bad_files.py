"""Every kind of bad file gives one clear message: the file, the place in it, what to do."""

import gzip
import io
import os
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import MeshFileError
from geomcheck.mesh.read import RawMesh, read_mesh

DEFECTS = Path(__file__).resolve().parents[2] / "meshes" / "defects"

# file: words of the message, words of the remedy, triangle
FILES = {
    "bad_nan": (["not a finite number", "nan"], "Repair the part", 7),
    "bad_infinite": (["not a finite number", "inf"], "Repair the part", 7),
    "bad_astronomic": (["1e+30", "100 km"], "damaged or its unit is wrong", 7),
    "bad_truncated": (["cut off", "12 triangles", "11 whole triangles"], "Copy or export", None),
    "bad_oversized": (["too long", "684 bytes", "691 bytes"], "export it again", None),
    "bad_count_too_high": (["states 4000000000", "holds 12"], "export it again", None),
    "bad_count_too_low": (["states 5 triangles", "holds 12"], "export it again", None),
    "bad_no_triangles": (["no triangles"], "Export the part again", None),
    "bad_header_only": (["too short", "50 bytes"], "copy or export it again", None),
    "bad_empty": (["empty", "0 bytes"], "Export the part again", None),
    "bad_git_lfs_pointer": (["Git LFS pointer"], "git lfs pull", None),
    "bad_web_page": (["HTML page"], "download the file again", None),
    "bad_other_text": (["not an STL", "The quick brown fox"], "Export the part again", None),
    "bad_ascii_decimal_comma": (["line 4", '"0,000000"', "decimal comma"], "decimal points", 0),
    "bad_ascii_truncated": (["cut off", "line 34"], "Copy or export it again", 4),
    "bad_ascii_no_end": (["cut off", "endsolid", "line 86"], "Copy or export it again", None),
    "bad_ascii_number": (["line 6", '"3O.000000" is not a number'], "Export it again", 0),
    "bad_ascii_nan": (["line 6", '"nan" is not a finite number'], "Repair the part", 0),
    "bad_ascii_four_corners": (["line 7", "three corners"], "triangles only", 0),
}


def refused(path, unit=1.0):
    with pytest.raises(MeshFileError) as info:
        read_mesh(path, unit)
    error = info.value
    assert str(path) in error.text
    assert "\n" not in error.text
    assert error.remedy
    return error


@pytest.mark.parametrize("name", FILES)
def test_defect_file(name):
    words, remedy, triangle = FILES[name]
    error = refused(DEFECTS / f"{name}.stl")
    for word in words:
        assert word in error.what
    assert remedy in error.remedy
    assert error.triangle == triangle


def test_every_bad_file_is_in_the_table():
    assert {f.stem for f in DEFECTS.glob("bad_*.stl")} == set(FILES)


GOOD = (DEFECTS / "sound_box.stl").read_bytes()
TEXT = (DEFECTS / "sound_ascii_crlf.stl").read_bytes().replace(b"\r\n", b"\n")


def archive(files):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        for name, text in files.items():
            z.writestr(name, text)
    return out.getvalue()


def model(unit="millimeter", vertices="", triangles='<triangle v1="0" v2="1" v3="2"/>'):
    corners = "".join(f'<vertex x="{x}" y="{y}" z="0"/>' for x, y in ((0, 0), (1, 0), (0, 1)))
    return (
        f'<?xml version="1.0"?><model unit="{unit}" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources>'
        f'<object id="1" type="model"><mesh><vertices>{vertices or corners}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )


PLY = b"""ply
format ascii 1.0
element vertex 3
property float x
property float y
property float z
element face 1
property list uchar int vertex_indices
end_header
0 0 0
1 0 0
0 1 0
3 0 1 2
"""
OBJ = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"

#: One triangle with a signalling NaN, which even a cast complains about.
SIGNALLING = b"\0" * 12 + bytes.fromhex("0100807f") + b"\0" * 34

# name, content, words
CONTENTS = [
    ("a.stl", b"version https://git-lfs.github.com/spec/v1\n", "Git LFS"),
    ("a.3mf", b"version https://git-lfs.github.com/spec/v1\n", "Git LFS"),
    ("a.stl", b"\n\n  <HTML><head>", "HTML page"),
    ("a.obj", b"<!doctype html>", "HTML page"),
    ("a.stl", b'<?xml version="1.0"?><Error>AccessDenied</Error>', "XML"),
    ("a.stl", gzip.compress(GOOD), "gzip"),
    ("a.stl", archive({"x": "y"}), "content is 3MF"),
    ("a.stl", PLY, "content is PLY"),
    ("a.ply", GOOD, "content is binary STL"),
    ("a.obj", TEXT, "content is ASCII STL"),
    ("a.stl", "solid x".encode("utf-16"), "UTF-16"),
    ("a.stl", bytes(range(256)) * 3, "cut off"),
    ("a.stl", b"solid", "cut off"),
    ("a.stl", b"solid nothing\nendsolid nothing\n", "no triangles"),
    ("a.stl", b"solid x\n" + b"\0" * 300, "too long: the header states 0"),
    ("a.stl", TEXT + b"solid rest\n", 'cut off: no "endsolid"'),
    ("a.stl", TEXT + b"facet normal 0 0 1\n", 'line 87: "facet" does not belong there'),
    ("a.stl", TEXT.replace(b"outer loop", b"outer lop", 1), 'line 3: "lop"'),
    ("a.stl", TEXT.replace(b"vertex", b"vortex", 1), 'line 4: "vortex"'),
    ("a.stl", TEXT.replace(b"normal 0 0 0", b"normal 0 0", 1), 'line 3: "outer"'),
    ("a.stl", TEXT.replace(b"40.000000", b"40.0.0", 1), '"40.0.0" is not a number'),
    ("a.stl", TEXT.replace(b"40.000000", b"4e", 1), '"4e" is not a number'),
    ("a.stl", TEXT.replace(b"40.000000", b"-", 1), '"-" is not a number'),
    ("a.stl", TEXT.replace(b"40.000000", b"4_0", 1), '"4_0" is not a number'),
    ("a.stl", TEXT.replace(b"40.000000", b"0x28", 1), '"0x28" is not a number'),
    ("a.stl", TEXT.replace(b"40.000000", b"1.#QNAN", 1), "not a finite number"),
    ("a.stl", TEXT.replace(b"40.000000", b"-Infinity", 1), "not a finite number"),
    ("a.stl", TEXT.replace(b"40.000000", b"1e999", 1), "not a finite number"),
    ("a.stl", TEXT.replace(b"\n", b"\r\n").replace(b"vertex", b"v", 1), 'line 4: "v"'),
    ("a.stl", TEXT.replace(b"\n", b"\r").replace(b"vertex", b"v", 1), 'line 4: "v"'),
    ("a.obj", b"\0\1\2\3" * 40, "not text"),
    ("a.obj", b"# nothing\n", "no triangles"),
    ("a.obj", OBJ.replace(b"v 1 0 0", b"v 1,5 0 0"), "line 2: "),
    ("a.obj", OBJ.replace(b"v 1 0 0", b"v 1 0"), "line 2: a vertex needs three coordinates"),
    ("a.obj", OBJ.replace(b"v 1 0 0", b"v nan 0 0"), "finite"),
    ("a.obj", OBJ.replace(b"f 1 2 3", b"f 1 2 9"), "vertex 9 of 3"),
    ("a.obj", OBJ.replace(b"f 1 2 3", b"f 1 2 0"), 'line 4: "0" names no vertex'),
    ("a.obj", OBJ.replace(b"f 1 2 3", b"f 1 2 -4"), 'line 4: "-4" names no vertex'),
    ("a.obj", OBJ.replace(b"f 1 2 3", b"f 1 2"), "line 4: a face needs three corners"),
    ("a.obj", OBJ + b"surf 0 1 0 1 1 2 3\n", 'line 5: "surf" is not read'),
    ("a.obj", b"once upon a time\n", 'line 1: "once" is not read'),
    ("a.ply", b"plyx\n", "no PLY file"),
    ("a.ply", b"ply\nnonsense\n", 'line 2: "nonsense" does not belong'),
    (
        "a.ply",
        PLY.rsplit(b"3 0 1 2", 1)[0],
        "1 x face but 3 lines",
    ),
    ("a.ply", PLY.replace(b"face 1", b"face 2"), "2 x face but 4 lines"),
    ("a.ply", PLY.replace(b"3 0 1 2", b"3 0 1 7"), "vertex that is not there"),
    ("a.ply", PLY.replace(b"3 0 1 2", b"0 0 1 2"), "line 13: too many numbers for this face"),
    ("a.ply", PLY.replace(b"3 0 1 2", b"-inf 0 1 2"), "line 13: "),
    ("a.ply", PLY.replace(b"3 0 1 2", b"2 0 1"), "a face needs three corners"),
    ("a.ply", PLY.replace(b"1 0 0", b"1 0"), "line 11: too few numbers for this vertex"),
    ("a.ply", PLY.replace(b"property float z\n", b""), "no z"),
    ("a.ply", PLY.replace(b"vertex_indices", b"corners"), "no list of corners"),
    ("a.ply", PLY.replace(b"element face 1\n", b"element face 1\nproperty x\n"), "line 8: "),
    ("a.ply", PLY + b"3 0 1 2\n", "too long"),
    ("a.ply", PLY.replace(b"1 0 0", b"nan 0 0"), "finite"),
    ("a.3mf", b"no archive", "not a ZIP"),
    ("a.3mf", archive({"x": "y"}), "cannot be read"),
    ("a.3mf", archive({"3D/3dmodel.model": model()})[:-40], "cannot be read"),
    ("a.3mf", archive({"3D/3dmodel.model": model()[:-60]}), "cannot be read"),
    ("a.3mf", archive({"3D/3dmodel.model": model("cubit")}), 'unknown unit "cubit"'),
    ("a.3mf", archive({"3D/3dmodel.model": model("inch")}), "25.4 mm, the project 1 mm"),
    (
        "a.3mf",
        archive({"3D/3dmodel.model": model(triangles='<triangle v1="0" v2="1" v3="9"/>')}),
        "vertex that is not there",
    ),
    (
        "a.3mf",
        archive({"3D/3dmodel.model": model().replace("<build>", '<build><item objectid="7"/>')}),
        "included but not defined",
    ),
    ("a.stl", b" " * 80 + struct.pack("<I", 1) + SIGNALLING, "not a finite number"),
    ("a.step", b"ISO-10303-21;", "solid model, not a mesh"),
    ("a.txt", GOOD, 'the ending ".txt"'),
    ("a", GOOD, 'the ending ""'),
]


@pytest.mark.parametrize("row", range(len(CONTENTS)))
def test_content(tmp_path, row):
    name, content, word = CONTENTS[row]
    (tmp_path / name).write_bytes(content)
    assert word in refused(tmp_path / name).what


def test_missing_folder_and_unreadable(tmp_path, monkeypatch):
    assert "no such file" in refused(tmp_path / "no.stl").what
    (tmp_path / "x.stl").mkdir()
    assert "folder" in refused(tmp_path / "x.stl").what
    (tmp_path / "f.stl").write_bytes(GOOD)
    assert "cannot be read" in refused(tmp_path / "f.stl" / "y.stl").what
    with pytest.raises(MeshFileError, match="cannot be read"):
        read_mesh(f"{tmp_path}{os.sep}a\0b.stl", 1.0)

    def deny(path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("geomcheck.mesh.sniff.read_plain", deny)
    assert "Permission denied" in refused(tmp_path / "f.stl").what


@pytest.mark.parametrize("unit", [0.0, -1.0, float("nan"), float("inf")])
def test_unit_that_is_none(unit):
    assert "is no unit" in refused(DEFECTS / "sound_box.stl", unit).what


def test_how_many_corners_are_not_finite(tmp_path):
    box = trimesh.creation.box().triangles.copy()
    box[[2, 5, 9], 0, 0] = np.nan
    trimesh.Trimesh(**trimesh.triangles.to_kwargs(box), process=False)
    record = np.zeros(12, dtype=[("n", "<f4", 3), ("t", "<f4", (3, 3)), ("a", "<u2")])
    record["t"] = box
    (tmp_path / "a.stl").write_bytes(b" " * 80 + struct.pack("<I", 12) + record.tobytes())
    error = refused(tmp_path / "a.stl")
    assert error.triangle == 2
    assert "3 triangles have such corners" in error.what


def valid_or_refused(file, content):
    """Any bytes give a mesh in order or a MeshFileError; nothing else."""
    file.write_bytes(content)
    try:
        mesh = read_mesh(file, 1.0)
    except MeshFileError as error:
        assert str(file) in error.text
        assert error.remedy
        return None
    assert isinstance(mesh, RawMesh)
    assert np.isfinite(mesh.vertices).all()
    assert len(mesh.faces) > 0
    assert mesh.faces.min() >= 0
    assert mesh.faces.max() < len(mesh.vertices)
    assert len(np.unique(mesh.vertices, axis=0)) == len(mesh.vertices)
    return mesh


SEEDS = {
    "binary.stl": GOOD[:80] + struct.pack("<I", 3) + GOOD[84 : 84 + 150],
    "ascii.stl": TEXT[: TEXT.index(b"endfacet") + 9] + b"endsolid\n",
    "mesh.obj": OBJ + b"f 1/1 2/2 3/3\nf -3//1 -2//1 -1//1 1\n",
    "mesh.ply": PLY,
    "mesh.3mf": archive({"3D/3dmodel.model": model()}),
}
EDIT = st.tuples(
    st.sampled_from(["flip", "cut", "insert", "copy", "tail"]),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
    st.sampled_from([0, 9, 10, 13, 32, 44, 45, 46, 48, 57, 69, 101, 127, 128, 255]),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("name", SEEDS)
@settings(derandomize=True, deadline=None, max_examples=250)
@given(edits=st.lists(EDIT, min_size=1, max_size=4))
def test_mutated_bytes(folder, name, edits):
    content = bytearray(SEEDS[name])
    for kind, at, length, byte in edits:
        i = at % max(len(content), 1)
        span = length % 60
        if kind == "flip" and content:
            content[i] = byte
        elif kind == "cut":
            del content[i : i + span]
        elif kind == "insert":
            content[i:i] = bytes([byte]) * (1 + span % 4)
        elif kind == "copy":
            content[i:i] = content[i : i + span]
        elif kind == "tail":
            del content[i:]
    valid_or_refused(folder / name, bytes(content))


@settings(derandomize=True, deadline=None, max_examples=250)
@given(st.binary(max_size=400), st.sampled_from([".stl", ".obj"]))
def test_any_bytes(folder, content, suffix):
    valid_or_refused(folder / f"any{suffix}", content)


WORDS = [
    *("solid", "endsolid", "facet", "normal", "outer", "loop", "vertex", "endloop", "endfacet"),
    *("0", "1", "-2.5", "1e3", "nan", "x", "SOLID", "1,5", "\n"),
    *("facet normal 0 0 0 outer loop", "vertex 1 2 3", "endloop endfacet"),
]


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.lists(st.sampled_from(WORDS), max_size=60))
def test_words_in_any_order(folder, words):
    valid_or_refused(folder / "words.stl", ("solid " + " ".join(words)).encode())


def test_a_3mf_that_unpacks_without_end(tmp_path):
    """Blanks pack a thousand times smaller; the sizes in the archive's list are believed."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("3D/3dmodel.model", model())
        z.writestr("3D/more.model", b" " * 1000)
    content = bytearray(out.getvalue())
    at = content.rindex(b"PK\x01\x02")
    struct.pack_into("<I", content, at + 24, 2_100_000_000)
    (tmp_path / "a.3mf").write_bytes(bytes(content))
    assert "unpacks to 2.1 GB" in refused(tmp_path / "a.3mf").what


@pytest.mark.parametrize("depth", [4, 9])
def test_a_3mf_of_entities_within_entities(tmp_path, depth):
    """The "billion laughs": refused, or read without them."""
    names = "abcdefghij"
    entities = '<!ENTITY a "0 0 0 0 0 0 0 0 0 0">'
    for n in range(1, depth):
        entities += f'<!ENTITY {names[n]} "{f"&{names[n - 1]};" * 10}">'
    text = model().replace("?><model", f"?><!DOCTYPE model [{entities}]><model", 1)
    text = text.replace("<resources>", f"<metadata>&{names[depth - 1]};</metadata><resources>")
    (tmp_path / "a.3mf").write_bytes(archive({"3D/3dmodel.model": text}))
    resource = pytest.importorskip("resource")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    valid_or_refused(tmp_path / "a.3mf", (tmp_path / "a.3mf").read_bytes())
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000

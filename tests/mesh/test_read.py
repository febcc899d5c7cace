"""Reading: every triangle, in the file's order, to the last bit; against trimesh and Python."""

import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.kernels.merge import merge_equal
from geomcheck.mesh.read import read_mesh

DEFECTS = Path(__file__).resolve().parents[2] / "meshes" / "defects"


def ascii_stl(triangles, number=repr):
    lines = ["solid t"]
    for triangle in triangles:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex " + " ".join(number(float(x)) for x in p) for p in triangle]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid t"]).encode()


@pytest.fixture(scope="module")
def mesh():
    return trimesh.creation.torus(40, 10, 24, 16)


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "ply", "obj", "3mf"])
def test_triangles_and_their_order_are_kept(tmp_path, mesh, kind):
    file = tmp_path / f"t.{kind.removesuffix('_ascii')}"
    mesh.export(file, file_type=kind)
    raw = read_mesh(file, 1.0)
    exact = kind in ("stl", "ply")
    wanted = mesh.triangles.astype(np.float32) if exact else mesh.triangles
    np.testing.assert_allclose(raw.vertices[raw.faces], wanted, atol=0 if exact else 1e-6)
    assert len(raw.vertices) == len(mesh.vertices)
    other = trimesh.load_mesh(file)
    assert len(other.faces) == len(raw.faces)
    np.testing.assert_allclose(other.bounds[1] - other.bounds[0], raw.size, rtol=1e-12)


SAME_BOX = sorted(DEFECTS.glob("sound_ascii_*.stl")) + sorted(DEFECTS.glob("sound_binary_*.stl"))


@pytest.mark.parametrize("file", SAME_BOX, ids=lambda f: f.stem)
def test_odd_but_good_files(file):
    raw, box = read_mesh(file, 1.0), read_mesh(DEFECTS / "sound_box.stl", 1.0)
    count = len(box.faces)
    np.testing.assert_array_equal(raw.vertices[raw.faces][:count], box.vertices[box.faces])
    assert len(raw.faces) == (2 * count if "two_solids" in file.stem else count)
    noted = {
        "sound_ascii_two_solids": "2 solids",
        "sound_binary_begins_with_solid": 'begins with "solid"',
    }.get(file.stem)
    assert [noted in note for note in raw.notes] == ([True] if noted else [])


ODD_TEXTS = {
    "one line": lambda t: t.replace(b"\n", b" "),
    "one line, two solids": lambda t: (t + b" " + t).replace(b"\n", b" "),
    "leading blanks": lambda t: b"\n \t\n" + t,
    "tabs": lambda t: t.replace(b" ", b"\t"),
    "form feeds": lambda t: t.replace(b"\n", b"\n\x0c"),
    "name of several words": lambda t: t.replace(b"solid t", b"solid a facet of 3 endsolid loops"),
    "no name": lambda t: t.replace(b"solid t", b"solid"),
    "normal not a number": lambda t: t.replace(b"normal 0 0 0", b"normal nan -nan(ind) 1.#IND"),
    "control-z at the end": lambda t: t + b"\n\x1a",
    "mixed case": lambda t: t.replace(b"vertex", b"Vertex").replace(b"facet", b"FaceT"),
    "plus signs": lambda t: t.replace(b"vertex 1", b"vertex +1"),
    "bare points": lambda t: t.replace(b"0.5", b".5").replace(b"1.0", b"1."),
    "upper exponents": lambda t: t.replace(b"0.5", b"5E-01").replace(b"1.0", b"0.01e+2"),
}


@pytest.mark.parametrize("case", ODD_TEXTS)
def test_ascii_in_odd_shapes(tmp_path, case):
    triangles = np.array(
        [[[0, 0, 0], [1, 0.5, 0], [0, 1, 0.5]], [[1, 0.5, 0], [1, 1, 1], [0.5, 0.5, -1.0]]]
    )
    (tmp_path / "t.stl").write_bytes(ODD_TEXTS[case](ascii_stl(triangles)))
    raw = read_mesh(tmp_path / "t.stl", 1.0)
    wanted = np.concatenate([triangles] * (2 if "two solids" in case else 1))
    np.testing.assert_array_equal(raw.vertices[raw.faces], wanted)


NUMBERS = st.one_of(
    st.floats(-1e7, 1e7).map(repr),
    st.floats(-1e7, 1e7, width=32).map(lambda x: f"{x:.6e}"),
    st.floats(-1e7, 1e7).map(lambda x: f"{x:.6f}"),
    st.floats(-1e7, 1e7).map(lambda x: f"{x:.17e}"),
    st.from_regex(r"[+-]?[0-9]{0,22}[0-9]\.?[0-9]{0,25}([eE][+-]?[0-9]{1,2})?", fullmatch=True),
)


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    return tmp_path_factory.mktemp("numbers") / "t.stl"


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(NUMBERS, min_size=9, max_size=9))
def test_numbers_are_what_python_reads(file, words):
    values = np.array([float(w) for w in words])
    words = [w if abs(v) < 1e7 else "0.25" for w, v in zip(words, values, strict=True)]
    values = np.where(np.abs(values) < 1e7, values, 0.25).reshape(3, 3)
    lines = [" ".join(words[k : k + 3]) for k in (0, 3, 6)]
    text = "solid\nfacet normal 0 0 0\nouter loop\n" + "".join(f"vertex {x}\n" for x in lines)
    file.write_text(text + "endloop\nendfacet\nendsolid\n")
    raw = read_mesh(file, 1.0)
    np.testing.assert_array_equal(raw.vertices[raw.faces][0], values)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(*[st.sampled_from([0.0, -0.0, 1.0, 1.0 + 2**-23, -1.0, 1e-45])] * 3)),
    st.sampled_from(["<f4", "<f8"]),
)
def test_merge_against_a_dictionary(rows, kind):
    points = np.array(rows, dtype=kind).reshape(-1, 3)
    words = points.view("<u4" if kind == "<f4" else "<u8")
    first, number = merge_equal(words)
    seen = {}
    expected = [seen.setdefault(row.tobytes(), len(seen)) for row in points]
    assert number.tolist() == expected
    assert [expected.index(k) for k in range(len(seen))] == first.tolist()


def test_merge_grows():
    rng = np.random.default_rng(0)
    points = rng.random((20_000, 3)).astype(np.float32)
    twice = np.concatenate([points, points[::-1]])
    first, number = merge_equal(twice.view(np.uint32))
    np.testing.assert_array_equal(first, np.arange(20_000))
    np.testing.assert_array_equal(number[20_000:], np.arange(20_000)[::-1])


@pytest.mark.parametrize("axis", range(3))
def test_merge_tells_points_apart_that_differ_in_one_axis(axis):
    points = np.ones((5_000, 3), dtype=np.float32)
    points[:, axis] = np.arange(5_000)
    first, _ = merge_equal(points.view(np.uint32))
    assert len(first) == 5_000


def test_corners_a_hair_apart_stay_apart_and_minus_zero_is_zero(tmp_path):
    hair = float(np.nextafter(np.float32(1), np.float32(2)))
    triangles = [[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]], [[-0.0, 0, -0.0], [0, 1, 0], [hair, 0, 0]]]
    record = np.zeros(2, dtype=[("n", "<f4", 3), ("t", "<f4", (3, 3)), ("a", "<u2")])
    record["t"] = triangles
    record["a"] = 0xFFFF
    (tmp_path / "t.stl").write_bytes(b"\0" * 80 + struct.pack("<I", 2) + record.tobytes())
    raw = read_mesh(tmp_path / "t.stl", 1.0)
    assert raw.faces.tolist() == [[0, 1, 2], [0, 2, 3]]


def test_units_scale_exactly(tmp_path):
    raw = read_mesh(DEFECTS / "in_inches.stl", 25.4)
    np.testing.assert_allclose(raw.size, [40, 30, 20], rtol=1e-7)
    single = read_mesh(DEFECTS / "in_inches.stl", 1.0)
    np.testing.assert_array_equal(raw.vertices, single.vertices * 25.4)
    assert raw.unit == 25.4


@pytest.mark.parametrize("unit", [("micron", 0.001), ("centimeter", 10), ("inch", 25.4)])
def test_3mf_keeps_its_own_unit(tmp_path, mesh, unit):
    import zipfile

    mesh.export(tmp_path / "a.3mf")
    with (
        zipfile.ZipFile(tmp_path / "a.3mf") as old,
        zipfile.ZipFile(tmp_path / "b.3mf", "w") as new,
    ):
        for item in old.namelist():
            text = old.read(item).decode()
            new.writestr(item, text.replace('unit="millimeter"', f'unit="{unit[0]}"'))
    raw = read_mesh(tmp_path / "b.3mf")
    np.testing.assert_allclose(raw.size, np.ptp(mesh.vertices, axis=0) * unit[1], rtol=1e-9)
    assert read_mesh(tmp_path / "b.3mf", unit[1]).unit == unit[1]


def test_obj_forms(tmp_path):
    (tmp_path / "t.obj").write_bytes(
        b"# made by hand\r\nmtllib x.mtl\r\nv 0 0 0\r\nv 1 0 0 1.0 0.5 0.5 0.5\r\n"
        b"v 1 1 0 # last\r\n"
        b"v 0 1 0\r\nv 9 9 9\r\nvn 0 0 1\r\nvt 0 0\r\ng group\r\ns off\r\n"
        b"f 1/1/1 2/1/1 \\\r\n 3/1/1 4/1/1\r\nf -5 -4 -3\r\n"
    )
    raw = read_mesh(tmp_path / "t.obj", 10.0)
    assert raw.faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 2]]
    np.testing.assert_array_equal(raw.vertices[2], [10, 10, 0])
    assert any("1 faces of more than three" in note for note in raw.notes)
    assert any("1 vertices that no triangle uses" in note for note in raw.notes)


def test_far_from_the_origin_is_noted():
    raw = read_mesh(DEFECTS / "far_from_origin.stl", 1.0)
    assert "100.0 m from the origin" in raw.notes[0]
    # 100 m lies between 2^16 and 2^17 mm, where float32 (24 bits) moves by 2^-7 mm.
    assert 2 * raw.rounding == 2.0**-7
    near = read_mesh(DEFECTS / "sound_box.stl", 1.0)
    assert near.notes == ()
    assert 2 * near.rounding == 2.0**-18


def test_all_defect_kinds_are_kept_and_counted_elsewhere():
    assert len(read_mesh(DEFECTS / "one_triangle_twice.stl", 1.0).faces) == 13
    assert len(read_mesh(DEFECTS / "zero_area_triangle.stl", 1.0).faces) == 13

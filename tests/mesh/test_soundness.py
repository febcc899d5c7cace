"""Closed, open or soup, and the faults named: closed forms, the defect files, and trimesh.

Volumes and areas: elementary geometry, and the published values of a prism for cylinders
(n / 2 r^2 sin(2 pi / n) h). trimesh serves as the other opinion on closedness of manifold meshes.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.read import read_mesh
from geomcheck.mesh.soundness import Soundness, judge

ROOT = Path(__file__).resolve().parents[2]
DEFECTS = ROOT / "meshes" / "defects"

# file: kind, solid, volume (mm3 or None), words of the defects, in order
FILES = {
    "sound_box": ("closed", True, 24000, []),
    "sound_cavity": ("closed", True, 24000 - 1600, []),
    "sound_two_bodies": ("closed", True, 48000, []),
    "sound_touching_edge": ("closed", True, 2000, ["1 edge with three or more triangles"]),
    "sound_needle_in_t_junction": ("closed", True, 24000, ["1 triangle without area: 13"]),
    "zero_area_triangle": ("closed", True, 24000, ["1 triangle without area: 12"]),
    "triangle_back_to_back": (
        "closed",
        True,
        24000,
        ["1 triangle present twice: 13", "1 body enclosing nothing"],
    ),
    "far_from_origin": ("closed", True, 24000, []),
    "in_inches": ("closed", True, 24000 / 25.4**3, []),
    "inside_out": ("closed", False, -24000, ["negative volume"]),
    "mirrored_not_turned": ("closed", False, -24000, ["mirrored"]),
    "body_inside_out_beside": ("closed", False, None, ["1 body facing inwards"]),
    "body_in_body": ("closed", True, None, ["1 body inside the material of another"]),
    "bodies_overlapping": ("closed", True, None, ["2 bodies inside the material of another"]),
    "one_triangle_missing": ("open", False, None, ["3 edges with one triangle only, in 1 outline"]),
    "t_junction_open": ("open", False, None, ["3 edges with one triangle only, in 1 outline"]),
    "crack_of_a_micron": ("open", False, None, ["4 edges with one triangle only"]),
    "one_triangle_flipped": ("soup", False, None, ["3 edges with triangles that do not agree"]),
    "one_triangle_twice": (
        "soup",
        False,
        None,
        ["3 edges with triangles that do not agree", "3 edges with three", "present twice: 12"],
    ),
    "wall_on_an_edge": (
        "soup",
        False,
        None,
        ["2 edges with one triangle", "1 edge with triangles that do not agree", "1 edge with th"],
    ),
    "half_flipped_soup": ("soup", False, None, ["18 edges with triangles that do not agree"]),
    "loose_triangles": ("soup", False, None, ["36 edges with one triangle only, in 12 outlines"]),
    "doubled_sheet": ("soup", False, None, ["12 triangles present twice", "encloses nothing"]),
}


@pytest.mark.parametrize("name", FILES)
def test_defect_file(name):
    kind, solid, volume, words = FILES[name]
    raw = read_mesh(DEFECTS / f"{name}.stl", 1.0)
    sound = judge(raw.vertices, raw.faces)
    assert (sound.kind, sound.solid) == (kind, solid), sound
    if volume is None:
        assert sound.volume is None
    else:
        assert sound.volume == pytest.approx(volume, rel=1e-3 if "far" in name else 1e-6)
    assert len(sound.defects) == len(words), sound.defects
    for sentence, word in zip(sound.defects, words, strict=True):
        assert word in sentence


def test_every_readable_defect_file_is_in_the_table():
    files = {f.stem for f in DEFECTS.glob("*.stl")}
    same_box = {name for name in files if name.startswith(("sound_ascii", "sound_binary"))}
    assert files == set(FILES) | same_box | {f for f in files if f.startswith("bad_")}


def test_defect_files_are_what_the_script_writes():
    spec = importlib.util.spec_from_file_location("make_defects", ROOT / "scripts/make_defects.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    pages = dict(script.pages())
    assert set(pages) == {f.name for f in DEFECTS.glob("*.stl")}
    for name, content in pages.items():
        assert (DEFECTS / name).read_bytes() == content, name
        assert len(content) < 50_000


@pytest.mark.parametrize("n", [8, 16, 32, 64, 128])
def test_cylinder_volume_and_area(n):
    mesh = trimesh.creation.cylinder(10, 30, sections=n)
    sound = judge(mesh.vertices, mesh.faces)
    base = n / 2 * 100 * np.sin(2 * np.pi / n)
    assert sound.volume == pytest.approx(base * 30, rel=1e-12)
    side = 2 * n * 10 * np.sin(np.pi / n) * 30
    assert sound.area == pytest.approx(2 * base + side, rel=1e-12)


def test_volume_keeps_its_digits_far_from_the_origin():
    mesh = trimesh.creation.icosphere(3)
    far = (mesh.vertices + 65536.0) - 65536.0  # the same rounding, near the origin
    expected = judge(far, mesh.faces).volume
    assert judge(far + 65536.0, mesh.faces).volume == pytest.approx(expected, rel=1e-12)


def test_island_in_a_cavity_and_a_nested_island():
    def cube(size, out):
        mesh = trimesh.creation.box((size,) * 3)
        if not out:
            mesh.invert()
        return mesh

    shells = [cube(size, k % 2 == 0) for k, size in enumerate((10, 8, 6, 4, 2))]
    mesh = trimesh.util.concatenate(shells)
    sound = judge(mesh.vertices, mesh.faces)
    assert sound.solid
    assert sound.defects == ()
    assert sound.bodies == 5
    assert sound.volume == pytest.approx(1000 - 512 + 216 - 64 + 8)


def test_a_cavity_turned_the_wrong_way_is_material_twice():
    mesh = trimesh.util.concatenate([trimesh.creation.box((10,) * 3), trimesh.creation.icosphere()])
    sound = judge(mesh.vertices, mesh.faces)
    assert sound.doubled_bodies == 1
    assert sound.volume is None


def test_crossing_bodies_with_no_body_centre_in_the_other():
    a = trimesh.creation.box((40, 4, 4))
    b = trimesh.creation.box((4, 40, 4), trimesh.transformations.translation_matrix((0, 0, 1)))
    mesh = trimesh.util.concatenate([a, b])
    assert judge(mesh.vertices, mesh.faces).doubled_bodies >= 1


def test_many_bodies_in_a_plate_of_holes():
    rivets = [
        trimesh.creation.icosphere(1, 1.0).apply_translation((x * 5, y * 5, z * 5))
        for x in range(6)
        for y in range(6)
        for z in range(2)
    ]
    mesh = trimesh.util.concatenate(rivets)
    sound = judge(mesh.vertices, mesh.faces)
    assert (sound.kind, sound.bodies, sound.stray_bodies, sound.doubled_bodies) == (
        "closed",
        72,
        0,
        0,
    )


def test_moebius_strip_has_no_facing():
    n, width = 40, 5.0
    at = np.arange(n) / n * 2 * np.pi
    ring = np.stack([30 * np.cos(at), 30 * np.sin(at), 0 * at], axis=1)
    lean = np.stack(
        [np.cos(at) * np.cos(at / 2), np.sin(at) * np.cos(at / 2), np.sin(at / 2)], axis=1
    )
    points = np.concatenate([ring + width * lean, ring - width * lean])
    faces = []
    for i in range(n):
        j = (i + 1) % n
        a, b = (i, i + n), (j, j + n) if j else (j + n, j)
        faces += [(a[0], b[0], b[1]), (a[0], b[1], a[1])]
    sound = judge(points, np.array(faces))
    assert sound.kind == "soup"
    assert sound.clashing_edges == 1


def test_a_few_clashes_in_a_scan_leave_it_open():
    mesh = trimesh.creation.icosphere(4)
    faces = mesh.faces[100:].copy()
    faces[2000] = faces[2000][::-1]
    sound = judge(mesh.vertices, faces)
    assert sound.kind == "open"
    assert sound.clashing_edges == 3


def test_one_triangle_is_open():
    sound = judge(np.eye(3), np.array([[0, 1, 2]]))
    assert (sound.kind, sound.boundary_edges, sound.holes) == ("open", 3, 1)
    assert sound.area == pytest.approx(np.sqrt(3) / 2)


def test_only_points_and_lines_are_soup():
    assert judge(np.eye(3), np.array([[0, 0, 0], [1, 1, 2]])).kind == "soup"


def test_no_triangles_is_an_error():
    with pytest.raises(InputError, match="no triangles"):
        judge(np.eye(3), np.empty((0, 3), dtype=int))


def test_plain_class_for_hand_made_parts():
    assert Soundness("closed").solid
    assert not Soundness("open").solid
    assert not Soundness("closed", inside_out=True).solid


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 10**6), st.integers(0, 8), st.integers(0, 4))
def test_agrees_with_trimesh_on_torn_and_turned_meshes(seed, torn, turned):
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(2)
    faces = mesh.faces.copy()
    row = rng.choice(len(faces), turned, replace=False)
    faces[row] = faces[row][:, ::-1]
    faces = np.delete(faces, rng.choice(len(faces), torn, replace=False), axis=0)
    faces = faces[rng.permutation(len(faces))]
    sound = judge(mesh.vertices, faces)
    other = trimesh.Trimesh(mesh.vertices, faces, process=False)
    assert (sound.kind == "closed") == (other.is_watertight and other.is_winding_consistent)
    counts = np.bincount(other.edges_unique_inverse)
    assert sound.boundary_edges == int((counts == 1).sum())
    assert sound.area == pytest.approx(other.area)


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.lists(st.tuples(*[st.integers(0, 5)] * 3), min_size=1, max_size=12))
def test_edge_table_against_a_dictionary(rows):
    faces = np.array(rows)
    table = EdgeTable.of(faces, 6)
    expected = {}
    for f, (a, b, c) in enumerate(rows):
        if len({a, b, c}) == 3:
            for k, (p, q) in enumerate(((a, b), (b, c), (c, a))):
                expected.setdefault((min(p, q), max(p, q)), []).append((3 * f + k, p < q))
    assert [tuple(e) for e in table.ends] == sorted(expected)
    for edge, key in enumerate(sorted(expected)):
        found = expected[key]
        assert table.order[table.start[edge] : table.start[edge + 1]].tolist() == [
            h for h, _ in found
        ]
        assert table.faces[edge] == len(found)
        assert table.balance[edge] == sum(1 if up else -1 for _, up in found)
        assert table.triangles(edge).tolist() == [h // 3 for h, _ in found]


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 10**6))
def test_order_and_corner_do_not_matter(seed):
    rng = np.random.default_rng(seed)
    mesh = trimesh.util.concatenate(
        [trimesh.creation.icosphere(1), trimesh.creation.box((9, 9, 9))]
    )
    faces = mesh.faces[rng.integers(0, len(mesh.faces), 60)]
    row = rng.permutation(60)
    shift = rng.integers(0, 3, 60)
    again = faces[row][np.arange(60)[:, None], (np.arange(3) + shift[:, None]) % 3]
    a, b = judge(mesh.vertices, faces), judge(mesh.vertices, again)
    for name in ("kind", "bodies", "boundary_edges", "crowded_edges", "clashing_edges", "holes"):
        assert getattr(a, name) == getattr(b, name), name
    assert (a.duplicates, a.zero_area) == (b.duplicates, b.zero_area)
    unique = {tuple(sorted(f)) for f in faces.tolist()}
    assert a.duplicates == 60 - len(unique)

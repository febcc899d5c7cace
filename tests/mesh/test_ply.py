"""PLY files against trimesh's writer and reader, and by hand where that cannot write them."""

import struct

import numpy as np
import pytest
import trimesh

from geomcheck.errors import MeshFileError
from geomcheck.mesh.read import read_mesh

SHAPES = {
    "box": trimesh.creation.box((4, 3, 2)),
    "ball": trimesh.creation.icosphere(3),
    "ring": trimesh.creation.annulus(3, 5, 2),
}
POINTS = [(0, 0, 0), (2, 0, 0), (2, 1, 0), (0, 1, 0), (1, 3, 0.5)]


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("normals", [False, True])
def test_what_trimesh_writes(tmp_path, name, encoding, normals):
    file = tmp_path / "a.ply"
    shape = SHAPES[name]
    file.write_bytes(
        trimesh.exchange.ply.export_ply(shape, encoding=encoding, vertex_normal=normals)
    )
    mesh = read_mesh(file)
    peer = trimesh.load(file, process=False)
    assert np.array_equal(mesh.vertices[mesh.faces], peer.vertices[peer.faces])
    assert len(mesh.faces) == len(shape.faces)


def header(form, faces, *, more=""):
    return (
        f"ply\nformat {form} 1.0\ncomment by hand\n{more}element vertex {len(POINTS)}\n"
        "property double x\nproperty uchar grey\nproperty double y\nproperty double z\n"
        f"element face {faces}\nproperty ushort mark\nproperty list uchar uint vertex_index\n"
        "end_header\n"
    ).encode()


def by_hand(form, faces, *, more="", before=b""):
    if form == "ascii":
        rows = [f"{x} 7 {y} {z}" for x, y, z in POINTS]
        rows += [f"1 {len(f)} " + " ".join(map(str, f)) for f in faces]
        return header(form, len(faces), more=more) + before + "\n".join(rows).encode()
    order = "<" if "little" in form else ">"
    body = b"".join(struct.pack(f"{order}dBdd", x, 7, y, z) for x, y, z in POINTS)
    for face in faces:
        body += struct.pack(f"{order}HB{len(face)}I", 1, len(face), *face)
    return header(form, len(faces), more=more) + before + body


FORMS = ["ascii", "binary_little_endian", "binary_big_endian"]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("faces", [[(0, 1, 2)], [(0, 1, 2, 3)], [(0, 1, 4), (0, 1, 2, 3)]])
def test_any_order_of_bytes_and_faces_of_any_size(tmp_path, form, faces):
    file = tmp_path / "a.ply"
    file.write_bytes(by_hand(form, faces))
    mesh = read_mesh(file)
    fan = [(f[0], f[k], f[k + 1]) for f in faces for k in range(1, len(f) - 1)]
    assert np.array_equal(mesh.vertices[mesh.faces], np.array(POINTS)[np.array(fan)])
    cut = sum(len(f) > 3 for f in faces)
    assert any(f"{cut} faces of more" in note for note in mesh.notes) == bool(cut)


@pytest.mark.parametrize("form", FORMS)
def test_other_elements_are_left_out(tmp_path, form):
    file = tmp_path / "a.ply"
    more = "element edge 1\nproperty int a\nproperty int b\n"
    before = b"0 1\n" if form == "ascii" else struct.pack("<ii", 0, 1)
    file.write_bytes(by_hand(form, [(0, 1, 2)], more=more, before=before))
    mesh = read_mesh(file)
    assert np.array_equal(mesh.vertices[mesh.faces], np.array(POINTS)[[[0, 1, 2]]])


@pytest.mark.parametrize("form", FORMS)
def test_faces_before_vertices(tmp_path, form):
    file = tmp_path / "a.ply"
    head, body = by_hand(form, [(0, 1, 2)]).split(b"end_header\n")
    lines = head.split(b"\n")
    lines = [*lines[:3], *lines[8:11], *lines[3:8], b"end_header", b""]
    size = 5 * 25
    moved = body[size:] + body[:size]
    if form == "ascii":
        rows = body.split(b"\n")
        moved = b"\n".join([rows[-1], *rows[:-1]])
    file.write_bytes(b"\n".join(lines) + moved)
    mesh = read_mesh(file)
    assert np.array_equal(mesh.vertices[mesh.faces], np.array(POINTS)[[[0, 1, 2]]])


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("faces", [[(0, 1, 2)], [(0, 1, 2, 3)]])
def test_a_byte_or_a_line_too_few_or_too_many(tmp_path, form, faces):
    file = tmp_path / "a.ply"
    whole = by_hand(form, faces)
    for content in (whole + b"\n1", whole[: -8 if form == "ascii" else -1]):
        file.write_bytes(content)
        with pytest.raises(MeshFileError, match=r"cut off|too long|too few|vertex"):
            read_mesh(file)


def test_strips_are_refused(tmp_path):
    file = tmp_path / "a.ply"
    more = "element tristrips 1\nproperty list int int vertex_indices\n"
    file.write_bytes(by_hand("ascii", [(0, 1, 2)], more=more))
    with pytest.raises(MeshFileError, match="tristrips"):
        read_mesh(file)

"""Damaged mesh files: each is refused, or read exactly as a second, simple reader reads it."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from fuzzing.judged import FaultError, refused
from fuzzing.mutate import damage
from geomcheck.errors import InputError
from geomcheck.mesh.load import load_part

#: What the second reader says of files it does not know enough about.
UNKNOWN = None


def box() -> np.ndarray:
    """(12, 3, 3) a box of 4 x 3 x 2 mm, outward."""
    corner = np.array([[x, y, z] for x in (0, 4) for y in (0, 3) for z in (0, 2)], dtype=float)
    faces = [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)]
    faces += [(2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)]
    return corner[np.array(faces)]


def _binary() -> bytes:
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *triangle.astype(np.float32).reshape(-1), 0)
        for triangle in box()
    )
    return b"made by hand".ljust(80) + struct.pack("<I", 12) + body


def _ascii() -> bytes:
    lines = ["solid box"]
    for triangle in box():
        lines += ["facet normal 0 0 0", " outer loop"]
        lines += ["  vertex " + " ".join(f"{x:.4f}" for x in corner) for corner in triangle]
        lines += [" endloop", "endfacet"]
    return "\n".join([*lines, "endsolid box", ""]).encode()


def _indexed() -> tuple[np.ndarray, np.ndarray]:
    points, number = np.unique(box().reshape(-1, 3), axis=0, return_inverse=True)
    return points, number.reshape(-1, 3)


def _obj() -> bytes:
    points, faces = _indexed()
    lines = ["# a box", "o box", *("v " + " ".join(f"{x:g}" for x in p) for p in points)]
    lines += ["vn 0 0 1", "g sides", *("f " + " ".join(f"{i + 1}//1" for i in f) for f in faces)]
    return "\n".join([*lines, ""]).encode()


_PLY = (
    "ply\nformat {form} 1.0\ncomment a box\nelement vertex 8\nproperty float x\nproperty float y\n"
    "property float z\nelement face 12\nproperty list uchar int vertex_indices\nend_header\n"
)


def _ply() -> bytes:
    points, faces = _indexed()
    rows = [" ".join(f"{x:g}" for x in p) for p in points]
    rows += ["3 " + " ".join(map(str, f)) for f in faces]
    return (_PLY.format(form="ascii") + "\n".join(rows) + "\n").encode()


def _ply_binary() -> bytes:
    points, faces = _indexed()
    body = points.astype("<f4").tobytes()
    body += b"".join(struct.pack("<B3i", 3, *map(int, f)) for f in faces)
    return _PLY.format(form="binary_little_endian").encode() + body


_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def _model() -> bytes:
    points, faces = _indexed()
    corners = "".join(f'<vertex x="{x:g}" y="{y:g}" z="{z:g}"/>' for x, y, z in points)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
    return (
        f'<?xml version="1.0"?><model unit="millimeter" xmlns="{_CORE}"><resources>'
        f'<object id="1" type="model"><mesh><vertices>{corners}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    ).encode()


def _archive(model: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("3D/3dmodel.model", model)
    return out.getvalue()


SEEDS: dict[str, tuple[str, bytes]] = {
    "stl-binary": (".stl", _binary()),
    "stl-ascii": (".stl", _ascii()),
    "obj": (".obj", _obj()),
    "ply-ascii": (".ply", _ply()),
    "ply-binary": (".ply", _ply_binary()),
    "3mf": (".3mf", _archive(_model())),
}
_OTHERS = tuple(content for _, content in SEEDS.values())


def make(rng: random.Random, name: str) -> tuple[str, bytes]:
    """Ending and content of a damaged file."""
    suffix, content = SEEDS[name]
    if name == "3mf" and rng.random() < 0.8:  # inside the archive, else its checksums refuse all
        return suffix, _archive(damage(rng, _model(), _OTHERS))
    return suffix, damage(rng, content, _OTHERS)


def judge(file: Path, content: bytes) -> str:
    """What became of a mesh file; FaultError where that must not be."""
    try:
        part = load_part(file, name="part")
    except InputError as error:
        return refused(error, file)
    found = part.vertices[part.faces]
    if not np.isfinite(found).all() or len(found) == 0:
        raise FaultError("read, but empty or not finite")
    wanted = reference(file.suffix, content)
    if wanted is UNKNOWN:
        return "read, not compared"
    if wanted.shape != found.shape:
        raise FaultError(f"{len(found)} triangles read, the second reader has {len(wanted)}")
    if not np.array_equal(wanted + 0.0, found):
        raise FaultError(f"corners differ by up to {np.abs(wanted - found).max():g}")
    same = len(found) == 12 and np.array_equal(found, box())
    return "read, the same shape" if same else f"read and judged {part.soundness.kind}"


def reference(suffix: str, content: bytes) -> np.ndarray | None:
    """(m, 3, 3) corners by a second reader; None where it cannot tell."""
    try:
        if suffix == ".stl":
            return _read_stl(content)
        return _READERS[suffix](content)
    except (ValueError, LookupError, OverflowError, struct.error, zipfile.BadZipFile):
        return UNKNOWN


def _read_stl(content: bytes) -> np.ndarray:
    if len(content) >= 84 and len(content) == 84 + 50 * struct.unpack_from("<I", content, 80)[0]:
        rows = [row[3:12] for row in struct.iter_unpack("<12fH", content[84:])]
        return np.array(rows, dtype=np.float32).astype(float).reshape(-1, 3, 3)
    text = content.decode("latin-1").lower()
    blank = "[ \t\n\v\f\r]+"
    word = f"{blank}([^ \t\n\v\f\r]+)"
    corner = f"{blank}vertex{word * 3}"
    facet = f"facet{blank}normal{word * 3}{blank}outer{blank}loop{corner * 3}{blank}endloop"
    rows = [[float(x) for x in found[3:]] for found in re.findall(facet, text)]
    if len(rows) != len(re.findall(f"(?<![a-z])facet{blank}normal", text)):
        raise ValueError
    return np.array(rows).reshape(-1, 3, 3)


def _read_obj(content: bytes) -> np.ndarray:
    text = content.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
    points: list[list[float]] = []
    triangles: list[tuple[int, int, int]] = []
    for line in text.replace("\\\n", " ").split("\n"):
        words = re.split("[ \t\v\f]+", line.split("#")[0].strip(" \t\v\f"))
        if words[0] == "v":
            points.append([float(x) for x in words[1:4]])
        elif words[0] in ("f", "fo"):
            c = [int(w.split("/")[0]) for w in words[1:]]
            c = [n - 1 if n > 0 else len(points) + n for n in c]
            triangles += [(c[0], c[k], c[k + 1]) for k in range(1, len(c) - 1)]
    return np.array(points)[np.array(triangles)]


def _read_ply(content: bytes) -> np.ndarray | None:
    head = _PLY.replace("comment a box\n", "").split("8\n")[0]
    end = content.index(b"end_header\n") + 11
    lines = [x for x in content[:end].decode().split("\n") if not x.startswith("comment")]
    forms = {head.format(form=f).split("\n")[1]: f for f in ("ascii", "binary_little_endian")}
    usual = _PLY.format(form=forms.get(lines[1], "")).split("\n")
    usual.remove("comment a box")
    counts = [int(lines[n].split(" ")[2]) for n in (2, 6)]
    shaped = [re.sub(r"\d+$", "N", x) if x.startswith("element") else x for x in lines]
    if shaped != [re.sub(r"\d+$", "N", x) if x.startswith("element") else x for x in usual]:
        return UNKNOWN
    if forms[lines[1]] == "ascii":
        rows = content[end:].decode().split("\n")
        points = np.array([r.split() for r in rows[: counts[0]]], dtype=np.float32)
        faces = [[int(x) for x in r.split()] for r in rows[counts[0] : sum(counts)]]
    else:
        points = np.frombuffer(content, "<f4", 3 * counts[0], end).reshape(-1, 3)
        rest = struct.iter_unpack("<B3i", content[end + 12 * counts[0] :][: 13 * counts[1]])
        faces = [list(row) for row in rest]
    if any(face[0] != 3 or len(face) != 4 for face in faces) or len(faces) != counts[1]:
        return UNKNOWN
    return points.astype(float)[np.array(faces)[:, 1:]]


def _read_3mf(content: bytes) -> np.ndarray | None:
    model = zipfile.ZipFile(io.BytesIO(content)).read("3D/3dmodel.model")
    try:
        root = ElementTree.fromstring(model)
    except ElementTree.ParseError:
        return UNKNOWN
    space = f"{{{_CORE}}}"
    objects = root.findall(f"{space}resources/{space}object")
    items = root.findall(f"{space}build/{space}item")
    if len(objects) != 1 or len(items) != 1 or items[0].get("transform") is not None:
        return UNKNOWN
    units = {"millimeter": 1.0, "inch": 25.4, "meter": 1000.0, "centimeter": 10.0}
    vertices = objects[0].findall(f"{space}mesh/{space}vertices/{space}vertex")
    triangles = objects[0].findall(f"{space}mesh/{space}triangles/{space}triangle")
    points = np.array([[float(v.get(k, "")) for k in "xyz"] for v in vertices])
    faces = np.array([[int(t.get(k, "")) for k in ("v1", "v2", "v3")] for t in triangles])
    return points[faces] * units[root.get("unit", "millimeter")]


_READERS: dict[str, Callable[[bytes], np.ndarray | None]] = {
    ".obj": _read_obj,
    ".ply": _read_ply,
    ".3mf": _read_3mf,
}

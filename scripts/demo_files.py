"""Triangles of solids on a grid, in an order of their own, and the files they are written to."""

from __future__ import annotations

from pathlib import Path

import manifold3d as m3
import numpy as np
from demo_shapes import Array

#: Corners are rounded to this grid before a file is written, mm.
GRID = 1e-4


def triangles(shape: m3.Manifold) -> Array:
    """(m, 3, 3) corners of a solid's triangles, on the grid, in an order of their own.

    Triangles that collapse on the grid are left out: their two other sides become one.
    """
    mesh = shape.to_mesh64()
    points = np.round(np.asarray(mesh.vert_properties)[:, :3] / GRID) * GRID + 0.0
    return ordered(points[np.asarray(mesh.tri_verts, dtype=np.int64)])


def ordered(tri: Array) -> Array:
    """Each triangle from its least corner on, triangles sorted, collapsed ones left out."""
    corners, index = np.unique(tri.reshape(-1, 3), axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    same = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    faces = faces[~same]
    first = faces.argmin(axis=1)
    faces = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    return np.asarray(corners[faces[np.lexsort(faces.T[::-1])]])


def normals(tri: Array) -> Array:
    """(m, 3) unit normals; zero where a triangle has no area."""
    n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    length = np.linalg.norm(n, axis=1)[:, None]
    return np.divide(n, length, out=np.zeros_like(n), where=length > 0.0)


def write_stl(path: Path, tri: Array) -> None:
    """Write a binary STL."""
    record = np.zeros(len(tri), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["n"], record["v"] = normals(tri), tri
    head = b"demo part, units as the project file says".ljust(80, b" ")
    path.write_bytes(head + np.uint32(len(tri)).astype("<u4").tobytes() + record.tobytes())


def write_ascii_stl(path: Path, tri: Array, name: str) -> None:
    """Write an ASCII STL."""
    lines = [f"solid {name}"]
    for n, t in zip(normals(tri), tri, strict=True):
        lines.append("facet normal {:.6f} {:.6f} {:.6f}\n outer loop".format(*(n + 0.0)))
        lines += ["  vertex {:.4f} {:.4f} {:.4f}".format(*p) for p in t]
        lines.append(" endloop\nendfacet")
    path.write_text("\n".join([*lines, f"endsolid {name}", ""]), encoding="ascii", newline="\n")


def write_obj(path: Path, tri: Array) -> None:
    """Write an OBJ with shared corners."""
    corners, index = np.unique(tri.reshape(-1, 3), axis=0, return_inverse=True)
    lines = ["v {:.4f} {:.4f} {:.4f}".format(*p) for p in corners]
    lines += ["f {} {} {}".format(*f) for f in index.reshape(-1, 3) + 1]
    path.write_text("\n".join([*lines, ""]), encoding="ascii", newline="\n")


def write_ply(path: Path, tri: Array) -> None:
    """Write a binary PLY with shared corners."""
    corners, index = np.unique(tri.reshape(-1, 3), axis=0, return_inverse=True)
    faces = np.zeros(len(tri), dtype=[("n", "u1"), ("i", "<i4", 3)])
    faces["n"], faces["i"] = 3, index.reshape(-1, 3)
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(corners)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(tri)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(head.encode("ascii") + corners.astype("<f4").tobytes() + faces.tobytes())

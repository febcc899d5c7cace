"""Flat faces of a mesh and the openings in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from geomcheck.flow.section import FloatArray, IntArray, Surface
from geomcheck.kernels import sections as kernel

#: A flat face within this share of the greatest coordinate lies in the plane: 2^-22, four times
#: the resolution of the single precision an STL is written in.
FLUSH = 2.0**-22
#: Facets in one plane whose normals' cosine is within this of 1 face the same way.
_FLAT = 1e-4


def plane_frame(point: FloatArray, normal: FloatArray) -> FloatArray:
    """(12,) a frame of a plane; u x v = normal."""
    axis = np.zeros(3)
    axis[int(np.argmin(np.abs(normal)))] = 1.0
    u = np.cross(axis, normal)
    u /= np.linalg.norm(u)
    return np.concatenate([point, u, np.cross(normal, u), normal])


def faces_by_distance(surfaces: Sequence[Surface], at: FloatArray) -> list[tuple[Surface, int]]:
    """The nearest facet of every patch of facets, near first."""
    rows = []
    for surface in surfaces:
        p = surface.vertices[surface.faces]
        reach = np.linalg.norm(p - at, axis=2).min(axis=1)
        middle = np.linalg.norm(p.mean(axis=1) - at, axis=1)
        for face in np.argsort(np.minimum(reach, middle), kind="stable")[:400]:
            rows.append((float(min(reach[face], middle[face])), surface, int(face)))
    rows.sort(key=lambda row: row[0])
    seen: list[tuple[FloatArray, float]] = []
    out = []
    for _, surface, face in rows:
        n = surface.normals(np.array([face]))[0]
        if not n.any():
            continue
        level = float(surface.vertices[surface.faces[face, 0]] @ n)
        if any(n @ m > 1.0 - 1e-9 and abs(level - lv) < 1e-6 * (1 + abs(lv)) for m, lv in seen):
            continue
        seen.append((n, level))
        out.append((surface, face))
    return out


def flat_face(surface: Surface, face: int) -> IntArray:
    """(n,) facets of a surface in one plane with a facet and facing the same way."""
    n = surface.normals(np.array([face]))[0]
    level = surface.vertices @ n
    off = np.abs(level - level[surface.faces[face, 0]])
    reach = float(np.abs(surface.vertices).max())
    near = np.flatnonzero((off < 4.0 * FLUSH * reach)[surface.faces].all(axis=1))
    same = surface.normals(near) @ n > 1.0 - _FLAT
    return np.asarray(near[same])


def openings(
    surface: Surface, flat: IntArray, n: FloatArray, at: FloatArray, solid: bool
) -> list[FloatArray]:
    """Points in the openings of a flat face, nearest to ``at`` first."""
    f = surface.faces[flat]
    count = len(surface.vertices)
    a, b = f.ravel(), f[:, [1, 2, 0]].ravel()
    rim = ~np.isin(a * count + b, b * count + a)
    names = np.ascontiguousarray(np.stack([a[rim], b[rim]], axis=1))
    turn, offsets, closed = kernel.chain(names)
    frame = plane_frame(surface.vertices[f[0, 0]], n)
    flatten = frame[3:9].reshape(2, 3).T
    here = shapely.Point((at - frame[:3]) @ flatten)
    found = []
    for begin, end in zip(offsets[:-1][closed], offsets[1:][closed], strict=True):
        ring = (surface.vertices[names[turn[begin:end], 0]] - frame[:3]) @ flatten
        if len(ring) < 3:
            continue
        x, y = ring.T
        area = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
        # The facets lie on the left of their rim: round a hole it runs clockwise.
        if (area > 0.0) == solid:
            found.append(shapely.Polygon(ring))
    # A bolt hole lies beside the mouth: of those as near as each other the widest counts.
    found.sort(key=lambda hole: (round(float(hole.distance(here)), 3), -hole.area))
    out = []
    for hole in found[:4]:
        c = hole.centroid
        c = c if hole.contains(c) else shapely.point_on_surface(hole)
        out.append(np.asarray(frame[:3] + c.x * frame[3:6] + c.y * frame[6:9]))
    return out

"""What obstacles leave open as seen along a duct: no surface across it can be smaller."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.section import flattened
from geomcheck.verify.plain.simple import FloatArray

#: A stretch that turns by less than this (degrees) is straight.
STRAIGHT = 0.05
#: The bore is cut so far before and behind what stands in it, mm.
CLEAR = 2.0
#: Shadows are put together on a grid of this, mm.
GRID = 1e-6


def shadow(meshes: list[FloatArray], point: FloatArray, frame: FloatArray) -> BaseGeometry:
    """What meshes hide of a plane, all triangles laid flat on it."""
    found = []
    for mesh in meshes:
        flat = flattened(mesh, point, frame)
        edge, other = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
        twice = edge[:, 0] * other[:, 1] - edge[:, 1] * other[:, 0]
        faces = shapely.set_precision(shapely.polygons(flat[np.abs(twice) > 1e-9]), GRID)
        found.append(shapely.union_all(faces[~shapely.is_empty(faces)], grid_size=GRID))
    return shapely.union_all(found, grid_size=GRID)


def stretch(duct: Duct, mesh: FloatArray) -> tuple[float, float]:
    """Lengths along the line between which a mesh stands beside it, mm."""
    places = np.linspace(0.0, duct.line.length, max(2, int(np.ceil(2.0 * duct.line.length))))
    points = duct.line.point(places)
    corners = np.unique(mesh.reshape(-1, 3), axis=0)
    nearest = []
    for block in np.array_split(corners, max(1, len(corners) * len(points) // 2_000_000)):
        off = ((block[:, None] - points) ** 2).sum(axis=2)
        nearest.append(off.argmin(axis=1))
    rows = np.concatenate(nearest)
    return float(places[rows.min()]), float(places[rows.max()])


def seen_past(duct: Duct, low: float, proven: bool) -> Iterator[Claim]:
    """That the low end is no more than is open past the obstacles, seen along the line.

    ``proven``: a cut of the void was made, which may rule out more.
    """
    what = "open as seen along the path"
    for mesh, name in zip(duct.others, duct.names[len(duct.walls) :], strict=True):
        begin, end = stretch(duct, mesh)
        first, last = max(begin - CLEAR, 0.0), min(end + CLEAR, duct.line.length)
        if duct.line.turned(first, last) > STRAIGHT:
            yield left_open(what, f"the duct bends where {name} stands")
            continue
        rows = duct.along([first, last])
        if any(row.state != "measured" for row in rows):
            yield left_open(what, f"no section closes before or behind {name}")
            continue
        bores = [shapely.union_all([row.cut.bores[k] for k in row.bores]) for row in rows]
        bore = bores[0].intersection(bores[1])
        hidden = shadow([mesh], rows[0].point, rows[0].frame)
        seen = float(bore.difference(hidden).area)
        words = f"{seen:.2f} mm2 past {name}, the low end is {low:.2f} mm2"
        if proven and seen < low:
            yield left_open(what, f"the cut of the void rules out more than is seen past {name}")
        else:
            yield confirm(what, low <= seen * (1.0 + 1e-4) + 0.01, words)

"""Two faces that meet in a joint, cut anew just behind each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.finding import Finding
from geomcheck.project.entries import MateEntry, PortJointEntry
from geomcheck.verify.flow.section import flattened, metal
from geomcheck.verify.plain.simple import FloatArray, axis_frame, to_triangles
from geomcheck.verify.scene import NotRechecked, Scene

#: Sections are taken this far behind a face, mm: where a rounding begins at a few degrees to the
#: face, its outline has grown by no more than some micrometres there.
BEHIND = 1e-4
#: Facets belong to a face that lean by less than this against the normal (degrees), and a face is
#: looked for so far along the normal from the mate's point, mm.
LEAN, FAR = 1.5, 6.0
#: Facets of one face differ in height by less than this, mm.
LEVEL = 0.2
#: Cracks of less than this are no openings, mm2.
CRACK = 1e-3


@dataclass(frozen=True)
class Sheet:
    """What of a plane one part covers, and the opening round the port's point."""

    covered: BaseGeometry
    opening: BaseGeometry | None


def sheets_of(
    scene: Scene,
    finding: Finding,
    mate: MateEntry,
    normal: FloatArray,
    entry: PortJointEntry,
    *,
    flat: bool = False,
) -> list[Sheet | None]:
    """Both parts of a mate just behind their faces; None for one that has no face there.

    ``normal``: the mate's, a unit vector. ``flat``: of the facets in the faces alone.
    """
    at, frame = np.array(mate.at), axis_frame(normal)
    place = flattened(np.array(entry.at), at, frame)
    found: list[Sheet | None] = []
    for name, sign in zip(mate.parts, (1.0, -1.0), strict=True):
        mesh = scene.triangles(finding.vehicle, name)
        covered = _covered(mesh, at, normal, sign, frame, name, flat)
        found.append(None if covered is None else Sheet(covered, _opening(covered, place)))
    return found


def _covered(
    mesh: FloatArray,
    at: FloatArray,
    normal: FloatArray,
    sign: float,
    frame: FloatArray,
    name: str,
    flat: bool,
) -> BaseGeometry | None:
    """What a part covers just behind its face, laid along the mate's normal; None without a face.

    ``flat``: of the facets in the face alone.
    """
    facing = np.cross(mesh[:, 1] - mesh[:, 0], mesh[:, 2] - mesh[:, 0])
    size = np.linalg.norm(facing, axis=1)
    square = (size > 0.0) & (facing @ normal * sign > np.cos(np.radians(LEAN)) * size)
    square &= np.abs((mesh.mean(axis=1) - at) @ normal) <= FAR
    if not square.any():
        return None
    rows = np.flatnonzero(square)
    away = to_triangles(np.broadcast_to(at, (len(rows), 3)), mesh[rows])
    seed = rows[int(np.argmin(away))]
    heights = (mesh[rows] - mesh[seed].mean(axis=0)) @ normal
    chosen = rows[np.abs(heights).max(axis=1) <= LEVEL]
    corners, weight = mesh[chosen].reshape(-1, 3), np.repeat(size[chosen], 3)
    middle = (weight[:, None] * corners).sum(axis=0) / weight.sum()
    off = corners - middle
    own = np.linalg.eigh((off * weight[:, None]).T @ off)[1][:, 0]
    own = own if own @ normal > 0.0 else -own
    if flat:
        faces = shapely.polygons(flattened(mesh[chosen], at, frame))
        whole: BaseGeometry = shapely.union_all(faces[shapely.is_valid(faces)], grid_size=1e-6)
        return whole
    # Into the part: against the first part's outward normal, along it for the second.
    low = float((sign * off @ own).min())
    into = middle + sign * (low - BEHIND) * own
    cut = metal(mesh, into, own, axis_frame(own))
    if len(cut.loose):
        raise NotRechecked(f"the mesh of {name} does not close at its face")
    return _laid(cut.filled, into, axis_frame(own), at, frame)


def _laid(
    shape: BaseGeometry, point: FloatArray, axes: FloatArray, at: FloatArray, frame: FloatArray
) -> BaseGeometry:
    def across(flat: FloatArray) -> FloatArray:
        found: FloatArray = (point + flat @ axes - at) @ frame.T
        return found

    laid: BaseGeometry = shapely.make_valid(shapely.transform(shape, across))
    return laid


def sky(covered: BaseGeometry, place: FloatArray) -> tuple[BaseGeometry, list[BaseGeometry]]:
    """A sheet beyond what is covered, and the parts of it that are not covered."""
    low_x, low_y, high_x, high_y = shapely.union(covered, shapely.Point(place)).bounds
    around = shapely.box(low_x - 10.0, low_y - 10.0, high_x + 10.0, high_y + 10.0)
    parts = shapely.get_parts(around.difference(covered))
    return around, [part for part in parts if part.area > CRACK]


def _opening(covered: BaseGeometry, place: FloatArray) -> BaseGeometry | None:
    """The gap in a sheet round a place; None where there is none that closes."""
    around, parts = sky(covered, place)
    for part in parts:
        if part.intersects(shapely.Point(place)):
            return None if part.intersects(around.exterior) else part
    return None

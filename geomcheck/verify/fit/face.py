"""Faces that are meant to mate, found anew: facets in one plane, and their common footprint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.project.entries import MateEntry
from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.simple import FloatArray, IntArray, axis_frame, to_triangles

#: Degrees a face may be turned from the declared normal and still be meant.
TURNED = 5.0
#: Degrees a facet may lean against its face: of a closed mesh, and of a scan.
LEAN, LEAN_OF_SCAN = 1.0, 5.0
#: mm (or ten tolerances) within which a face is looked for.
FAR = 5.0
#: Cracks between facets narrower than twice this (mm) do not part a face.
HAIRLINE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """Facets in one plane.

    Parameters
    ----------
    normal : (3,) float64
        Unit, out of the part.
    offset : float
        ``normal @ x`` of the plane, mm.
    rows : (k,) int64
        The facets.
    uneven : float
        Greatest distance of a corner from the plane, mm.
    """

    normal: FloatArray
    offset: float
    rows: IntArray
    uneven: float

    def foot(self, point: FloatArray) -> FloatArray:
        """Nearest point of the plane."""
        return np.asarray(point - (point @ self.normal - self.offset) * self.normal)


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """Two faces over each other.

    Parameters
    ----------
    first, second : Face
    origin, frame : (3,), (2, 3) float64
        Coordinates of the first face's plane.
    footprint : shapely geometry
        What both cover, in that plane.
    distance : float
        At the middle of the footprint, from the first to the second, mm.
    departure : float
        Greatest difference from the gasket's thickness over it, mm.
    angle : float
        Between the faces, degrees.
    """

    first: Face
    second: Face
    origin: FloatArray
    frame: FloatArray
    footprint: BaseGeometry
    distance: float
    departure: float
    angle: float


def find_face(body: Body, at: FloatArray, normal: FloatArray, tolerance: float) -> Face | None:
    """The flat face nearest to a point that faces as told; None if there is none.

    The larger of two: grown from the nearest facet's own plane, and from the plane declared. The
    facets whose corners lie within the tolerance of the plane are taken, and the plane fitted to
    them, until they stay the same.
    """
    normals = body.normals
    if not body.edges.closed:
        normals = np.where((normals @ normal < 0.0)[:, None], -normals, normals)
    some = np.flatnonzero(normals @ normal >= np.cos(np.radians(TURNED)))
    if not len(some):
        return None
    away = to_triangles(np.broadcast_to(at, (len(some), 3)), body.triangles[some])
    first = int(some[np.argmin(away)])
    if float(away.min()) > max(10.0 * tolerance, FAR):
        return None
    found = []
    for plane in (normals[first], normal):
        offset = float(body.triangles[first].mean(axis=0) @ plane)
        face = _grow(body, normals, plane, offset, tolerance)
        if face is not None:
            found.append(face)
    return max(found, key=lambda face: _area(body.triangles[face.rows]), default=None)


def _grow(
    body: Body, normals: FloatArray, plane: FloatArray, offset: float, tolerance: float
) -> Face | None:
    lean = np.cos(np.radians(LEAN if body.closed else LEAN_OF_SCAN))
    rows: IntArray = np.zeros(0, dtype=np.int64)
    for _ in range(8):
        chosen = np.flatnonzero(normals @ plane >= lean)
        height = np.abs(body.triangles[chosen] @ plane - offset).max(axis=1)
        again = chosen[height <= tolerance]
        if not len(again):
            return None
        done = np.array_equal(again, rows)
        rows = again
        if done:
            break
        plane, offset = _fitted(body.triangles[rows], plane)
    uneven = float(np.abs(body.triangles[rows] @ plane - offset).max())
    return Face(plane, offset, rows, uneven)


def _fitted(triangles: FloatArray, towards: FloatArray) -> tuple[FloatArray, float]:
    """Plane through triangles' corners by least squares, weighted by area."""
    weight = np.repeat(_areas(triangles), 3)
    points = triangles.reshape(-1, 3)
    middle = np.average(points, axis=0, weights=weight)
    plane = np.linalg.svd((points - middle) * np.sqrt(weight)[:, None], full_matrices=False)[2][-1]
    plane = plane if plane @ towards > 0.0 else -plane
    return plane, float(plane @ middle)


def _areas(triangles: FloatArray) -> FloatArray:
    across = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return np.asarray(0.5 * np.linalg.norm(across, axis=1))


def _area(triangles: FloatArray) -> float:
    return float(_areas(triangles).sum())


def find_joint(a: Body, b: Body, entry: MateEntry) -> Joint | str:
    """The two faces of a mate; in words what is not there, if one is not."""
    at = np.array(entry.at)
    normal = np.array(entry.normal) / np.linalg.norm(entry.normal)
    first = find_face(a, at, normal, entry.tolerance)
    if first is None:
        return entry.parts[0]
    origin = first.foot(at)
    second = find_face(b, origin + entry.gasket * first.normal, -first.normal, entry.tolerance)
    if second is None:
        return entry.parts[1]
    frame = axis_frame(first.normal)
    common = _cover(a.triangles[first.rows], origin, frame).intersection(
        _cover(b.triangles[second.rows], origin, frame)
    )
    footprint = _at(common, shapely.Point(0.0, 0.0))
    place = shapely.Point(0.0, 0.0).buffer(entry.tolerance) if footprint.is_empty else footprint

    def heights(flat: FloatArray) -> FloatArray:
        base = origin + flat @ frame
        slope = float(second.normal @ first.normal)
        return np.asarray((second.offset - base @ second.normal) / slope)

    there = heights(shapely.get_coordinates(place))
    middle = shapely.get_coordinates(shapely.centroid(place))
    cosine = float(np.clip(-first.normal @ second.normal, -1.0, 1.0))
    return Joint(
        first=first,
        second=second,
        origin=origin,
        frame=frame,
        footprint=footprint,
        distance=float(heights(middle)[0]),
        departure=float(np.abs(there - entry.gasket).max()),
        angle=float(np.degrees(np.arccos(cosine))),
    )


def _cover(triangles: FloatArray, origin: FloatArray, frame: FloatArray) -> BaseGeometry:
    """What triangles cover, seen along the plane's normal."""
    polygons = shapely.polygons((triangles - origin) @ frame.T)
    area = shapely.union_all(polygons[shapely.is_valid(polygons)], grid_size=1e-6)
    return area.buffer(HAIRLINE, join_style="mitre").buffer(-HAIRLINE, join_style="mitre")


def _at(area: BaseGeometry, place: shapely.Point) -> BaseGeometry:
    """The piece at a place, with those that it surrounds or that surround it."""
    pieces = [piece for piece in shapely.get_parts(area) if piece.area > 0.0]
    if not pieces or min(piece.distance(place) for piece in pieces) > FAR:
        return shapely.Polygon()
    first = min(pieces, key=lambda piece: float(piece.distance(place)))
    chosen = [first]
    while True:
        hull = shapely.union_all(chosen).convex_hull
        more = [
            piece
            for piece in pieces
            if all(piece is not one for one in chosen)
            and (hull.contains(piece) or piece.convex_hull.contains(first))
        ]
        if not more:
            return shapely.union_all(chosen)
        chosen += more

"""Flat faces of a part, found by a point and a normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.errors import CannotDecide
from geomcheck.fit import words
from geomcheck.fit.body import Body, FloatArray, IntArray, as_point
from geomcheck.mesh.query import point_distance

#: A facet may lean this much (degrees) against its face and still belong to it.
LEAN = 1.0
#: The same where the mesh is no solid: the noise of a scan turns its facets.
LEAN_OF_SCAN = 5.0
#: How far (degrees) a face may be turned from the declared normal and still be meant.
TURNED = 5.0
#: A face farther from the declared point than this (mm, or ten tolerances) is not taken for it.
FAR = 5.0
#: Cracks between facets narrower than twice this (mm) do not part a face.
HAIRLINE = 1e-4
#: Rounds of fitting the plane to the facets near it.
ROUNDS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """A flat face.

    Parameters
    ----------
    normal : (3,) float64
        Unit normal of the fitted plane, out of the part.
    offset : float
        ``normal @ x`` of the plane's points, mm.
    triangles : (k,) int64
        The part's triangles that make the face.
    unevenness : float
        Greatest distance of a corner from the plane, mm.
    highest : float
        Greatest ``normal @ x`` of a corner, and what the coordinates cannot tell from it, mm.
    """

    normal: FloatArray
    offset: float
    triangles: IntArray
    unevenness: float
    highest: float

    def foot(self, point: FloatArray) -> FloatArray:
        """The point of the plane nearest to a point."""
        return np.asarray(point - (float(self.normal @ point) - self.offset) * self.normal)

    @property
    def behind(self) -> FloatArray:
        """(1, 4) half-space of what does not reach out beyond the face."""
        return np.array([[*self.normal, self.highest]])

    def rim(self, depth: float) -> FloatArray:
        """(1, 4) half-space of what lies less than ``depth`` mm behind the face."""
        return np.array([[*-self.normal, depth - self.offset]])


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A plane's own coordinates: origin and two axes in it, and its normal."""

    origin: FloatArray
    axes: FloatArray
    normal: FloatArray

    @classmethod
    def across(cls, origin: FloatArray, normal: FloatArray) -> Frame:
        """A frame in the plane through ``origin`` with this unit normal."""
        helper = np.zeros(3)
        helper[int(np.argmin(np.abs(normal)))] = 1.0
        u = np.cross(normal, helper)
        u /= np.linalg.norm(u)
        return cls(origin, np.stack([u, np.cross(normal, u)]), normal)

    def point(self, flat: FloatArray, height: FloatArray) -> FloatArray:
        """(k, 3) points from (k, 2) coordinates and (k,) heights."""
        return np.asarray(self.origin + flat @ self.axes + height[:, None] * self.normal)

    def outline(self, triangles: FloatArray) -> shapely.Geometry:
        """The area (k, 3, 3) triangles cover, projected on the plane."""
        flat = (triangles - self.origin) @ self.axes.T
        area = _dissolved(flat)
        if area is None:
            polygons = shapely.polygons(flat)
            area = shapely.union_all(polygons[shapely.is_valid(polygons)], grid_size=1e-6)
        # Needles that lean out of the face leave cracks which would part it into several.
        return area.buffer(HAIRLINE, join_style="mitre").buffer(-HAIRLINE, join_style="mitre")

    def sides(self, hull: shapely.Geometry, grow: float) -> FloatArray:
        """Half-spaces of the prism over a convex outline, grown by ``grow`` mm or a hair more."""
        steps = 8  # to a quarter turn; the polygon is drawn round the arc, not into it
        round_arc = grow / np.cos(np.pi / (4 * steps))
        ring = shapely.get_coordinates(
            shapely.convex_hull(hull.buffer(round_arc, quad_segs=steps)).exterior
        )
        if not shapely.is_ccw(shapely.linearrings(ring)):
            ring = ring[::-1]
        step = np.diff(ring, axis=0)
        length = np.linalg.norm(step, axis=1)
        step, start = step[length > 1e-9] / length[length > 1e-9, None], ring[:-1][length > 1e-9]
        outward = np.stack([step[:, 1], -step[:, 0]], axis=1)
        normals = outward @ self.axes
        offsets = np.einsum("ij,ij->i", outward, start) + normals @ self.origin
        return np.column_stack([normals, offsets])


def _dissolved(flat: FloatArray) -> shapely.Geometry | None:
    """The area that (k, 3, 2) triangles cover, from the sides that only one of them has.

    None where that does not give it: where triangles overlap, or meet along parts of their sides.
    The area within the sides left over, counted by turns, falls short of the triangles' sum where
    a place is covered twice and differs from it where sides do not close, so an equal area tells
    that neither is the case.
    """
    u, v = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    doubled = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    flat = np.where((doubled < 0.0)[:, None, None], flat[:, ::-1], flat)[doubled != 0.0]
    corners, number = np.unique(flat.reshape(-1, 2) + 0.0, axis=0, return_inverse=True)
    number = number.reshape(-1, 3).astype(np.int64)
    begin, end = number.ravel(), np.roll(number, -1, axis=1).ravel()
    along, back = begin * len(corners) + end, end * len(corners) + begin
    alone = ~np.isin(along, back)
    if not alone.any():
        return None
    sides = np.stack([corners[begin[alone]], corners[end[alone]]], axis=1)
    try:
        area = shapely.build_area(shapely.multilinestrings(shapely.linestrings(sides)))
    except shapely.GEOSException:
        # Sides that cross bound no area: triangles are folded over one another.
        return None
    total = 0.5 * float(np.abs(doubled).sum())
    if not area.is_valid or abs(area.area - total) > 1e-9 * total:
        return None
    return area


def find_face(body: Body, at: FloatArray, normal: FloatArray, tolerance: float, whose: str) -> Face:
    """The flat face at a point.

    The facet nearest to the point that faces as declared (within ``TURNED``) starts it. The face
    is gathered twice, from that facet's own plane and from the plane declared: once more and more
    facets whose corners lie within the tolerance of the plane and that lean no more than ``LEAN``
    against it, fitting the plane anew to their corners by least squares. The larger of the two is
    the face. A face away from the declared height is found, too, so that it can be said how far
    off it is.

    Parameters
    ----------
    body : Body
    at : (3,) float
        mm; on the face, or over it.
    normal : (3,) float
        Unit, out of the part.
    tolerance : float
        mm.
    whose : str
        For the message.

    Raises
    ------
    CannotDecide
        No facet faces that way near the point, or the surface there is not flat.
    """
    units = _unit_normals(body, normal)
    candidates = np.flatnonzero(units @ normal >= np.cos(np.radians(TURNED)))
    seed, row = _seed(body, candidates, at, normal, tolerance, whose)
    lean = float(np.cos(np.radians(LEAN if body.solid else LEAN_OF_SCAN)))
    found = [
        _gather(body, units, start, float(start @ seed), tolerance, lean)
        for start in (units[row], normal)
    ]
    face = max(found, key=lambda entry: entry[1])[0]
    if face is None:
        raise CannotDecide(
            f"the surface of the {whose} at the mate is not flat within {tolerance:g} mm",
            where=whose,
            remedy="give a larger tolerance, or a point on the flat face",
        )
    return face


def _gather(
    body: Body,
    units: FloatArray,
    plane: FloatArray,
    offset: float,
    tolerance: float,
    lean: float,
) -> tuple[Face | None, float]:
    """The face that grows from a plane, and its area."""
    corners = body.triangles
    rows = _belonging(corners, units, plane, offset, tolerance, lean)
    for _ in range(ROUNDS):
        if len(rows) == 0:
            return None, 0.0
        plane, offset = _fit(corners[rows], plane)
        again = _belonging(corners, units, plane, offset, tolerance, lean)
        if np.array_equal(again, rows):
            break
        rows = again
    if len(rows) == 0:
        return None, 0.0
    heights = corners[rows] @ plane - offset
    face = Face(
        plane,
        offset,
        rows,
        float(np.abs(heights).max()),
        offset + float(heights.max()) + body.resolution,
    )
    return face, float(_areas(corners[rows]).sum())


def _belonging(
    corners: FloatArray,
    units: FloatArray,
    plane: FloatArray,
    offset: float,
    tolerance: float,
    lean: float,
) -> IntArray:
    rows = np.flatnonzero(units @ plane >= lean)
    height = np.abs(corners[rows] @ plane - offset).max(axis=1)
    return np.asarray(rows[height <= tolerance])


def _seed(
    body: Body,
    candidates: IntArray,
    at: FloatArray,
    normal: FloatArray,
    tolerance: float,
    whose: str,
) -> tuple[FloatArray, int]:
    """The nearest point to ``at`` on the candidates, at most ``FAR`` away, and its triangle."""
    far = max(10.0 * tolerance, FAR)
    if len(candidates):
        hit = point_distance(body.triangles[candidates], at[None], far)
        if hit.triangle[0] >= 0:
            return np.asarray(hit.point[0]), int(candidates[hit.triangle[0]])
    hit = point_distance(body.tree, at[None], np.inf)
    raise CannotDecide(
        f"the {whose} has no face within {far:g} mm of {words.place(as_point(at))} that faces "
        f"{words.direction(as_point(normal))}; its nearest surface of any facing is "
        f"{hit.distance[0]:.2f} mm away",
        where=whose,
        remedy="check the mate's point and normal, and whether the part is in its place",
    )


def _unit_normals(body: Body, towards: FloatArray) -> FloatArray:
    """Unit normals out of the part, zero for triangles without area.

    Facets of a mesh that is no solid count as facing ``towards`` whichever way round they are.
    """
    units = body.normals
    if body.soundness.inside_out:
        return np.asarray(-units)
    if not body.solid:
        units = np.where((units @ towards < 0.0)[:, None], -units, units)
    return np.asarray(units)


def _across(corners: FloatArray) -> FloatArray:
    return np.asarray(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))


def _areas(corners: FloatArray) -> FloatArray:
    return np.asarray(0.5 * np.linalg.norm(_across(corners), axis=1))


def _fit(corners: FloatArray, normal: FloatArray) -> tuple[FloatArray, float]:
    """Least-squares plane of triangles' corners, each with its triangle's area as weight."""
    weight = np.repeat(_areas(corners), 3)
    weight = weight / weight.sum()
    points = corners.reshape(-1, 3)
    middle = weight @ points
    away = points - middle
    plane = np.linalg.eigh((away * weight[:, None]).T @ away)[1][:, 0]
    if plane @ normal < 0.0:
        plane = -plane
    return plane, float(plane @ middle)

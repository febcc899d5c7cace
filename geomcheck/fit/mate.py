"""Faces that are meant to touch, and what the gap check may leave out because of them.

A mate is declared by a point on the first part's face and the face's normal, out of the first
part towards the second. On each part the face is the plane fitted to the facets that lie within
the tolerance of it and face the other part. The two faces' outlines, projected along the first
face's normal, have a common footprint; of its connected pieces the one at the declared point
counts, with any piece that this one surrounds or that surrounds it. Pads that lie apart are mates
of their own.

What the gap check leaves out. Each part is cut at its own mating face (the plane of the face,
moved out to its highest corner, which is within the tolerance) and at the outline (the convex hull
of the common footprint, grown by the required gap, the tolerance and the greatest sagitta of the
faces' surroundings). A pair of fragments is left out only if each lies behind its own mating face
and within the outline. Since the faces are the gasket's thickness apart, such a pair is no nearer
than that. Everything else is measured in full: what reaches beyond its own mating face, such as a
boss beside the flange or a spigot, and what lies outside the outline, such as a second place where
the same parts come near each other.

Where a plate goes on beyond the joint, what lies of it outside the outline is still measured
against all of the flange. The flange ends at the footprint's edge, and the outline stands off that
edge by more than the required gap, by the tolerance and the sagittas: so the rim alone raises no
alarm. The gap reported is then the distance from the rim to the plate outside the outline, a figure
the outline sets, no less than required, and no dimension of the parts. The outline is convex: a bay
in the rim of the joint belongs to it, and what lies there behind both mating faces is left out with
the rest.

Only a mate whose faces were found, lie opposite each other and keep the gasket's thickness within
the tolerance leaves anything out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.finding import Point, Quantity, Term
from geomcheck.fit.body import Body, FloatArray, IntArray, as_point
from geomcheck.fit.clip import cut
from geomcheck.fit.face import FAR, Face, Frame, find_face
from geomcheck.fit.memory import Memory
from geomcheck.fit.pieces import Pairing, Piece, pair_off
from geomcheck.fit.region import within

#: Greatest angle (degrees) between two faces that are to mate, and to the declared normal.
PARALLEL = 1.0
#: How far the outline of a footprint may be drawn simpler, mm.
SMOOTH = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Mate:
    """Two faces found opposite each other.

    Parameters
    ----------
    face_a, face_b : Face
    angle : Quantity
        Between the two faces, degrees; its interval is what their unevenness leaves open over
        the width of the footprint.
    area : float
        Common footprint, mm2; 0 if the faces do not lie over each other.
    distance : float
        From the first face to the second along the first's normal, mm, at the middle of the
        footprint; less than 0 if they overlap.
    departure : Quantity
        Greatest difference from the gasket's thickness over the footprint, mm.
    holds : bool
        The faces are parallel, over each other, and within the tolerance as measured.
    point_a, point_b : Point
        Middle of the footprint on each face.
    """

    face_a: Face
    face_b: Face
    angle: Quantity
    area: float
    distance: float
    departure: Quantity
    holds: bool
    point_a: Point
    point_b: Point
    footprint: shapely.Geometry
    frame: Frame
    tolerance: float


def check_mate(
    a: Body, b: Body, at: Point, normal: Point, *, gasket: float = 0.0, tolerance: float = 0.1
) -> Mate:
    """Find the two faces of a mate and measure how they stand to each other.

    The interval of ``departure`` holds the unevenness of the fitted faces. Facets' sagitta does not
    enter: corners that lie in one plane within the tolerance are taken for a flat.

    Parameters
    ----------
    a, b : Body
        In place.
    at : (3,) float
        A point on a's face, mm.
    normal : (3,) float
        Unit normal of a's face, out of a towards b.
    gasket : float
        Thickness as clamped, mm.
    tolerance : float
        Allowed departure, mm.

    Raises
    ------
    CannotDecide
        A face is not there. ``where`` is ``first part`` or ``second part``; ``what`` says what is
        found in its place.
    """
    place, out = as_point(np.asarray(at)), as_point(np.asarray(normal))
    return _MATES.recall(
        a,
        b,
        (place, out, gasket, tolerance),
        lambda: _check(a, b, place, out, gasket, tolerance),
    )


#: Mates found before.
_MATES: Memory[Mate] = Memory()


def _check(a: Body, b: Body, at: Point, normal: Point, gasket: float, tolerance: float) -> Mate:
    origin, out = np.asarray(at), np.asarray(normal)
    face_a = find_face(a, origin, out, tolerance, "first part")
    opposite = face_a.foot(origin) + gasket * face_a.normal
    face_b = find_face(b, opposite, -face_a.normal, tolerance, "second part")
    frame = Frame.across(face_a.foot(origin), face_a.normal)
    common = shapely.intersection(
        frame.outline(a.triangles[face_a.triangles]), frame.outline(b.triangles[face_b.triangles])
    )
    footprint = _around(common, shapely.Point(0.0, 0.0))
    # Without a common footprint the place is still measured, at the declared point.
    place = footprint if not footprint.is_empty else shapely.Point(0.0, 0.0).buffer(tolerance)
    corners = shapely.get_coordinates(place)
    heights = _heights(frame, face_b, corners)
    middle = shapely.get_coordinates(shapely.centroid(place))
    distance = float(_heights(frame, face_b, middle)[0])
    worst = max(abs(float(heights.min()) - gasket), abs(float(heights.max()) - gasket))
    rough = face_a.unevenness + face_b.unevenness
    departure = Quantity(
        "departure",
        worst,
        "mm",
        max(0.0, worst - rough),
        worst + rough,
        (
            Term(
                "unevenness of the faces", min(worst, rough), rough, "facets' corners off the plane"
            ),
        ),
    )
    turned = float(np.degrees(np.arccos(np.clip(-face_a.normal @ face_b.normal, -1.0, 1.0))))
    slack = float(np.degrees(np.arctan2(2.0 * rough, _width(place))))
    angle = Quantity(
        "angle",
        turned,
        "deg",
        max(0.0, turned - slack),
        turned + slack,
        (Term("unevenness of the faces", min(turned, slack), slack, "over the footprint's width"),),
    )
    point_a = frame.point(middle, np.zeros(1))[0]
    point_b = frame.point(middle, np.array([distance]))[0]
    area = float(footprint.area)
    return Mate(
        face_a,
        face_b,
        angle,
        area,
        distance,
        departure,
        area > 0.0 and turned <= PARALLEL and worst <= tolerance,
        as_point(point_a),
        as_point(point_b),
        footprint,
        frame,
        tolerance,
    )


def leave_out(a: Body, b: Body, mates: Sequence[Mate], required: float) -> Pairing:
    """What of two parts is still measured for gaps.

    Parameters
    ----------
    a, b : Body
        In the same order as the mates' faces.
    mates : sequence of Mate
        Those that do not hold leave out nothing.
    required : float
        The gap the pair must keep, mm.

    Returns
    -------
    Pairing
        Without blocks where all of both parts lies behind the mating faces.
    """
    held = [mate for mate in mates if mate.holds]
    if not held:
        return Pairing.whole(a, b)
    piece_a, piece_b = Piece.whole(a), Piece.whole(b)
    flags_a: IntArray = np.zeros(len(piece_a), dtype=np.int64)
    flags_b: IntArray = np.zeros(len(piece_b), dtype=np.int64)
    for number, mate in enumerate(held):
        sides = _outline_planes(a, b, mate, required)
        bit = 1 << number
        piece_a, flags_a = cut(piece_a, flags_a, np.vstack([mate.face_a.behind, sides]), bit)
        piece_b, flags_b = cut(piece_b, flags_b, np.vstack([mate.face_b.behind, sides]), bit)
    return pair_off(piece_a, flags_a, piece_b, flags_b)


def _outline_planes(a: Body, b: Body, mate: Mate, required: float) -> FloatArray:
    """Half-spaces of the prism over the grown outline."""
    # Fewer sides are fewer cuts. The simpler outline is grown by what it may lose.
    hull = shapely.convex_hull(shapely.convex_hull(mate.footprint).simplify(SMOOTH))
    margin = required + mate.tolerance + SMOOTH
    grow = margin
    for _ in range(2):
        # The rim's true surface may stand off its facets by their sagitta, on both parts.
        prism = mate.frame.sides(hull, grow)
        extra = sum(
            _reach_within(body, np.vstack([prism, face.rim(grow)]))
            for body, face in ((a, mate.face_a), (b, mate.face_b))
        )
        grow = margin + extra
    return mate.frame.sides(hull, grow)


def _reach_within(body: Body, planes: FloatArray) -> float:
    """Greatest reach (mm) of the triangles of which no plane is clear."""
    inside, doubtful = within(body.tree, planes)
    return float(max(body.reach[rows].max(initial=0.0) for rows in (inside, doubtful)))


def _around(area: shapely.Geometry, place: shapely.Point) -> shapely.Geometry:
    """The connected piece at a place, with the pieces that surround it or that it surrounds."""
    pieces = [piece for piece in shapely.get_parts(area) if piece.area > 0.0]
    if not pieces:
        return shapely.Polygon()
    first = min(pieces, key=lambda piece: float(piece.distance(place)))
    if first.distance(place) > FAR:
        return shapely.Polygon()
    chosen = [first]
    hull = shapely.convex_hull(first)
    rest = [piece for piece in pieces if piece is not first]
    grown = True
    while grown:
        grown = False
        for piece in list(rest):
            around = shapely.convex_hull(piece)
            if hull.contains(piece) or around.contains(first):
                chosen.append(piece)
                rest.remove(piece)
                hull = shapely.convex_hull(shapely.union_all([hull, around]))
                grown = True
    return shapely.union_all(chosen)


def _width(area: shapely.Geometry) -> float:
    """Least width of an area's bounding rectangle, mm."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(area))
    return float(np.linalg.norm(np.diff(corners, axis=0), axis=1).min())


def _heights(frame: Frame, face: Face, points: FloatArray) -> FloatArray:
    """Distance along the frame's normal from its plane to a face, at (k, 2) points."""
    base = frame.point(points, np.zeros(len(points)))
    slope = float(face.normal @ frame.normal)
    return np.asarray((face.offset - base @ face.normal) / slope)

"""Openings that meet in a mating face: how their edges stand to each other, what face is left.

Both mating faces' outlines are seen along the first face's normal; an opening is the part of the
plane round a given point that no facet of the face covers, up to the face's edges. So it is the
opening in the plane of the face: a chamfer at its edge belongs to it.

The edge of one opening stands into another by the directed Hausdorff distance, the greatest
distance of a point of the one opening from the other opening: for circles of radius R and r whose
centres are s apart it is ``R - r + s``. It is found on the outlines as polygons to ``FINE`` mm, by
halving pieces of the outline while they could hold a greater one (a distance changes no faster than
its point moves). The land is the least distance, in the plane, between the opening and any other
edge of what both faces have in common. Both are those of the polygons; the terms say what their
facets leave open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.fit.body import Body, BoolArray, FloatArray, as_point
from geomcheck.fit.face import Face, Frame
from geomcheck.fit.mate import Mate

#: How exactly the greatest step is found, mm.
FINE = 2e-3
#: Gaps in a face smaller than this (mm2) are cracks between facets, no holes.
CRACK = 1e-3


@dataclass(frozen=True, slots=True)
class Step:
    """How far one opening's edge stands off the other's.

    Parameters
    ----------
    size : Quantity
        mm; 0 where nothing stands out.
    place : Point
        Where it is greatest, on the edge of the opening that is covered, mm.
    outward : Point
        Unit vector: the covering edge would have to go back that way.
    area : float
        What is covered, mm2.
    """

    size: Quantity
    place: Point
    outward: Point
    area: float


@dataclass(frozen=True, slots=True)
class PortJoint:
    """Two openings over each other.

    Parameters
    ----------
    areas : (float, float)
        Of the openings of the first and the second part, mm2.
    into_second : Step
        What the second part's edge covers of the first part's opening: it stands in a flow from
        the first to the second.
    into_first : Step
        The other way round.
    land : Quantity
        Least width of the common face round both openings, mm.
    land_ends : (Point, Point)
        Where: on the opening's edge, and on the next edge.
    """

    areas: tuple[float, float]
    into_second: Step
    into_first: Step
    land: Quantity
    land_ends: tuple[Point, Point]


def measure_ports(a: Body, b: Body, mate: Mate, at: Point) -> PortJoint:
    """How the openings of two mating faces stand to each other.

    Parameters
    ----------
    a, b : Body
        In place, in the order of the mate's faces.
    mate : Mate
        Found between them; see :func:`geomcheck.fit.mate.check_mate`.
    at : (3,) float
        A point in the opening, mm; it is projected on the face.

    Raises
    ------
    CannotDecide
        There is no opening at the point, or it is open to the side. ``where`` is ``first part``,
        ``second part`` or ``joint``.
    """
    frame = mate.frame
    flat = shapely.Point((np.asarray(at) - frame.origin) @ frame.axes.T)
    outlines = [
        frame.outline(body.triangles[face.triangles])
        for body, face in ((a, mate.face_a), (b, mate.face_b))
    ]
    first = _opening(outlines[0], flat, "first part")
    second = _opening(outlines[1], flat, "second part")
    slack_a = _slack(a, mate.face_a, frame, first)
    slack_b = _slack(b, mate.face_b, frame, second)
    common = shapely.intersection(outlines[0], outlines[1])
    opening, others = _split(common, flat, "joint")
    line = shapely.shortest_line(opening, others)
    ends = shapely.get_coordinates(line)
    away = shapely.Point(ends[1]).buffer(1.0)
    rim = max(
        _slack(a, mate.face_a, frame, shapely.intersection(outlines[0].boundary, away)),
        _slack(b, mate.face_b, frame, shapely.intersection(outlines[1].boundary, away)),
    )
    here = frame.point(ends, np.zeros(2))
    return PortJoint(
        (float(first.area), float(second.area)),
        _step(first, second, frame, slack_a, slack_b),
        _step(second, first, frame, slack_b, slack_a),
        _quantity("land", float(shapely.length(line)), max(slack_a, slack_b) + rim),
        (as_point(here[0]), as_point(here[1])),
    )


def _opening(outline: shapely.Geometry, place: shapely.Point, whose: str) -> shapely.Polygon:
    return _split(outline, place, whose)[0]


def _split(
    outline: shapely.Geometry, place: shapely.Point, whose: str
) -> tuple[shapely.Polygon, shapely.Geometry]:
    """The opening at a place, and everything else that the outline does not cover."""
    if outline.is_empty:
        raise CannotDecide(f"the {whose} has no face there", where=whose, remedy="check the mate")
    sheet = shapely.box(*outline.bounds).buffer(10.0, join_style="mitre").union(place.buffer(1.0))
    rest = [part for part in shapely.get_parts(sheet.difference(outline)) if part.area > CRACK]
    found = [part for part in rest if part.covers(place)]
    if not found:
        raise CannotDecide(
            f"there is metal of the {whose} at the port's point",
            where=whose,
            remedy="give a point that lies in the openings of both parts, or open the port",
        )
    opening = found[0]
    if opening.intersects(sheet.exterior):
        raise CannotDecide(
            f"the opening of the {whose} is open to the side: no face runs all round it",
            where=whose,
            remedy="give a point in the opening; where the port reaches the edge of the face, "
            "widen the face or move the port",
        )
    others = shapely.union_all([part for part in rest if part is not opening])
    return opening, others


def _step(
    covered: shapely.Polygon,
    other: shapely.Polygon,
    frame: Frame,
    slack_covered: float,
    slack_other: float,
) -> Step:
    """How far the edge of ``other`` stands into ``covered``."""
    point, value = _farthest(covered, other)
    foot = shapely.get_coordinates(shapely.shortest_line(other, shapely.Point(point)))[0]
    way = point - foot
    size = float(np.linalg.norm(way))
    outward = (way / size if size > 0.0 else np.array([1.0, 0.0])) @ frame.axes
    place = frame.point(point[None], np.zeros(1))[0]
    return Step(
        _quantity("step", value, slack_covered + slack_other, FINE),
        as_point(place),
        as_point(outward),
        float(covered.difference(other).area),
    )


def _farthest(covered: shapely.Polygon, other: shapely.Polygon) -> tuple[FloatArray, float]:
    """The point of one area farthest from another, and its distance."""
    shapely.prepare(other)
    best, most = shapely.get_coordinates(covered)[0], 0.0
    sides = _sides(shapely.difference(covered.boundary, other))
    # From a convex area the distance along a straight line is greatest at an end of it.
    hull = shapely.convex_hull(other)
    convex = shapely.hausdorff_distance(hull.exterior, other.boundary) <= 0.5 * FINE
    while len(sides):
        away = shapely.distance(shapely.points(sides), other)
        n = int(np.argmax(away))
        if away.flat[n] > most:
            best, most = sides.reshape(-1, 2)[n], float(away.flat[n])
        if convex:
            break
        length = np.linalg.norm(sides[:, 1] - sides[:, 0], axis=1)
        sides = sides[0.5 * (away.sum(axis=1) + length) > most + FINE]
        middle = sides.mean(axis=1)
        sides = np.concatenate(
            [np.stack([sides[:, 0], middle], axis=1), np.stack([middle, sides[:, 1]], axis=1)]
        )
    # A post of the other part within the opening is farthest from its edge in its middle.
    for ring in shapely.get_rings(other)[1:]:
        post = shapely.intersection(shapely.Polygon(ring), covered)
        if post.area > CRACK:
            radius = shapely.maximum_inscribed_circle(post, FINE)
            if radius.length > most:
                best, most = shapely.get_coordinates(radius)[0], float(radius.length)
    return best, most


def _sides(lines: shapely.Geometry) -> FloatArray:
    """(k, 2, 2) straight pieces of lines."""
    corners, owner = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    same = owner[1:] == owner[:-1]
    return np.asarray(np.stack([corners[:-1][same], corners[1:][same]], axis=1))


def _slack(body: Body, face: Face, frame: Frame, edge: shapely.Geometry) -> float:
    """Greatest sagitta (mm) of the facets that meet a face along an edge of it, in the plane."""
    if edge.is_empty:
        return 0.0
    lines = edge.boundary if edge.geom_type in ("Polygon", "MultiPolygon") else edge
    near = 1e-3
    corners = body.vertices
    height = corners @ face.normal - face.offset
    level = np.asarray(np.abs(height) <= face.unevenness + near)
    flat = (corners[level] - frame.origin) @ frame.axes.T
    west, south, east, north = lines.bounds
    inside = (flat >= (west - near, south - near)) & (flat <= (east + near, north + near))
    rows = np.flatnonzero(level)[inside.all(axis=1)]
    shapely.prepare(lines)
    touching = shapely.dwithin(shapely.points(flat[inside.all(axis=1)]), lines, near)
    beside: BoolArray = np.asarray(np.isin(body.faces, rows[touching]).any(axis=1))
    beside[face.triangles] = False
    sagitta = body.sagitta
    return float(
        max(
            sagitta.outward[beside].max(initial=0.0),
            sagitta.inward[beside].max(initial=0.0),
        )
    )


def _quantity(name: str, value: float, facets: float, search: float = 0.0) -> Quantity:
    low = max(0.0, value - facets)
    terms = [Term("facets", value - low, facets, "sagitta of the facets at both edges")]
    if search > 0.0:
        terms.append(Term("search", 0.0, search, "pieces of the outline not halved further"))
    return Quantity(name, value, "mm", low, value + facets + search, tuple(terms))

"""Whether a surface that lies on a solid stays out of it: an argument, not a search.

A search for points inside cannot end where facets lie flat on one another: along the rim of the
contact there are points inside its reach at every step. Here every triangle of the surface is cut
into pieces on which nothing changes, and one point of each is asked.

- A triangle that no facet of the solid comes near (within the contact distance) lies on one side
  of the solid's surface, all of it, as its middle does.
- Any other triangle is cut, in its own plane, along the lines in which the facets near it meet
  that plane, and along the sides that lie in it. No facet then passes through a piece. Either the
  piece lies flat on a facet, so that no point of it is deeper than its corners are far from that
  facet (the distance to a convex set is convex); or the piece lies on one side, as a point of it
  does.

Where the insides of two solids meet although neither surface enters the other's inside, the
boundary of what they share lies on both surfaces, with the material of both on the same side of
it. So a point is asked on either side of each piece that lies flat, too.

The cutting is done on a grid of a small part of the contact distance. A piece too narrow for a
point well within it is passed over only where it hugs the cuts, which lie on the solid's surface:
then none of it is deeper than its width and the height of the cuts. A triangle that narrow is not
cut; it must lie on one facet as a whole. And the cuts must close: where the line in which a facet
goes through a triangle ends in the middle of it, nothing is settled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geomcheck.fit.body import Body, FloatArray
from geomcheck.fit.face import Frame
from geomcheck.fit.foot import point_triangle
from geomcheck.fit.pieces import Pairing, Piece
from geomcheck.mesh.query import near_masks, point_distance

#: Pieces narrower than this share of the contact distance count as narrow ...
NARROW = 0.125
#: ... and the cuts lie on a grid of this share of it.
GRID = 1.0 / 64.0
#: A point asked stands this many times the contact distance off an edge that only touches.
CLEAR = 64.0
#: With more triangles in contact than this the question is left to the search.
MANY = 3000


@dataclass(frozen=True, slots=True)
class Contact:
    """What a surface that touches a solid does there.

    Parameters
    ----------
    bound : float or None
        Depth that no point of the surface exceeds, mm; None where that is not settled.
    shared : tuple of (point, direction, int)
        Points of the surface (mm) where it lies on the solid's with material of both bodies
        behind it, the unit vector into that material, and the triangle of the surface's body.
        Where there is one the insides of the two bodies meet.
    """

    bound: float | None
    shared: tuple[tuple[FloatArray, FloatArray, int], ...] = ()


@dataclass(frozen=True, slots=True)
class _Fragment:
    """A piece of a triangle.

    ``corners`` and ``middle``, a point in it, are mm; ``normal`` is the triangle's unit normal,
    ``row`` its number in the surface. A facet may pass through one that is ``uncut``.
    """

    corners: FloatArray
    middle: FloatArray
    normal: FloatArray
    row: int
    uncut: bool = False


def stay_out(
    a: Body, b: Body, pairing: Pairing, pierced: bool, contact: float
) -> tuple[bool, tuple[tuple[FloatArray, FloatArray, int], ...]]:
    """Whether two solids that touch stay out of each other for certain; and :attr:`Contact.shared`.

    Parameters
    ----------
    a, b : Body
    pairing : Pairing
        What of them is measured.
    pierced : bool
        Triangles of the two go through each other.
    contact : float
        mm.

    Returns
    -------
    bool, tuple
        Points of a's surface with material of both on one side.
    """
    if pierced or not (a.solid and b.solid):
        return False, ()
    first = examine_contact(pairing.free_a, a, b, contact)
    if first.bound is None or first.bound > contact:
        return False, first.shared
    second = examine_contact(pairing.free_b, b, a, contact)
    return second.bound is not None and second.bound <= contact, ()


def examine_contact(surface: Piece, own: Body, solid: Body, contact: float) -> Contact:
    """Tell whether a surface that touches a solid stays out of it.

    Parameters
    ----------
    surface : Piece
        May be empty.
    own : Body
        The body it belongs to.
    solid : Body
        Must be solid.
    contact : float
        mm; what is nearer than this cannot be told from contact.

    Notes
    -----
    There is no bound where the argument does not settle it, in particular where a point lies
    inside. Triangles that go through each other are allowed for.
    """
    if len(surface) == 0:
        return Contact(0.0)
    touches, touched = near_masks(surface.tree, solid.tree, contact)
    if touches.sum() + touched.sum() > MANY:
        return Contact(None)
    clear = surface.triangles[~touches]
    low, high = solid.bounds
    boxed = ((clear.min(axis=1) <= high) & (clear.max(axis=1) >= low)).all(axis=1)
    if solid.contains(clear[boxed].mean(axis=1)).any():
        return Contact(None)
    facets = solid.triangles[touched]
    least, greatest = facets.min(axis=1), facets.max(axis=1)
    fragments: list[_Fragment] = []
    deepest = 0.0
    for row in np.flatnonzero(touches):
        triangle = surface.triangles[row]
        reach = triangle.min(axis=0) - contact, triangle.max(axis=0) + contact
        near = ((least <= reach[1]) & (greatest >= reach[0])).all(axis=1)
        cut = _cut(triangle, facets[near], contact, int(surface.parent[row]))
        if cut is None:
            return Contact(None)
        fragments += cut[0]
        deepest = max(deepest, cut[1])
    if not fragments:
        return Contact(deepest + 2.0 * NARROW * contact)
    middles = np.array([fragment.middle for fragment in fragments])
    hit = point_distance(solid.tree, middles, np.inf)
    off = hit.distance > contact
    uncut = np.array([fragment.uncut for fragment in fragments])
    if (off & uncut).any() or solid.contains(middles[off]).any():
        return Contact(None)
    on = [fragments[row] for row in np.flatnonzero(~off)]
    shared = tuple(
        (fragment.middle, side * fragment.normal, fragment.row)
        for side in (-1.0, 1.0)
        for fragment in _shared(on, side, own, solid, contact)
    )
    if shared:
        return Contact(None, shared)
    for row in np.flatnonzero(~off):
        corners = fragments[row].corners
        facet = np.broadcast_to(solid.triangles[hit.triangle[row]], (len(corners), 3, 3))
        deepest = max(deepest, float(point_triangle(corners, facet).max()))
    return Contact(deepest + 2.0 * NARROW * contact)


def _shared(
    fragments: list[_Fragment], side: float, own: Body, solid: Body, contact: float
) -> list[_Fragment]:
    """The fragments with material of both bodies on one side of them."""
    if not (own.solid and fragments):
        return []
    step = 2.0 * contact * side
    points = np.array([fragment.middle + step * fragment.normal for fragment in fragments])
    both = own.contains(points) & solid.contains(points)
    return [fragments[row] for row in np.flatnonzero(both)]


def _cut(
    triangle: FloatArray, facets: FloatArray, contact: float, row: int
) -> tuple[list[_Fragment], float] | None:
    """The pieces of a triangle that no facet passes through, and how deep what is left out may be.

    None if the cuts do not close.
    """
    normal = np.cross(triangle[1] - triangle[0], triangle[2] - triangle[0])
    longest = float(np.linalg.norm(triangle - np.roll(triangle, 1, axis=0), axis=1).max())
    doubled = float(np.linalg.norm(normal))
    if doubled <= NARROW * contact * longest:
        whole = _Fragment(triangle, triangle.mean(axis=0), np.zeros(3), row, uncut=True)
        return [whole], 0.0
    frame = Frame.across(triangle.mean(axis=0), normal / doubled)
    flat = (triangle - frame.origin) @ frame.axes.T
    height = (facets - frame.origin) @ frame.normal
    ends = (facets - frame.origin) @ frame.axes.T
    over = (height.min(axis=1) <= contact) & (height.max(axis=1) >= -contact)
    over &= (ends.min(axis=1) <= flat.max(axis=0) + contact).all(axis=1)
    over &= (ends.max(axis=1) >= flat.min(axis=0) - contact).all(axis=1)
    height, ends = height[over], ends[over]
    lying, most = _lying(ends, height, contact)
    through = _drawn(_crossings(ends, height))
    ring = np.concatenate([flat, flat[:1]])
    outline = shapely.polygons(flat)
    lines = np.concatenate([_drawn(np.stack([ring[:-1], ring[1:]], axis=1)), lying, through])
    noded = shapely.union_all(
        shapely.intersection(lines, outline.buffer(contact, quad_segs=1)), grid_size=GRID * contact
    )
    pieces, bridges, dangles, _ = shapely.polygonize_full(shapely.get_parts(noded))
    on_surface = shapely.multilinestrings(np.concatenate([lying, through]))
    loose = shapely.union_all([bridges, dangles]).intersection(outline.buffer(-2.0 * contact))
    if not loose.is_empty:
        beside = loose.difference(shapely.union_all(lying).buffer(2.0 * contact))
        if beside.length > 2.0 * contact:
            return None
    found = []
    for polygon in shapely.get_parts(pieces):
        middle = _middle(polygon, loose, contact)
        if middle is None:
            if on_surface.buffer(2.0 * NARROW * contact, quad_segs=2).contains(polygon):
                continue
            middle = shapely.get_coordinates(shapely.point_on_surface(polygon))
        if not outline.contains(shapely.Point(middle[0])):
            continue
        corners = shapely.get_coordinates(polygon.exterior)
        found.append(
            _Fragment(
                frame.point(corners, np.zeros(len(corners))),
                frame.point(middle, np.zeros(1))[0],
                frame.normal,
                row,
            )
        )
    return found, most


def _middle(polygon: shapely.Polygon, loose: shapely.Geometry, contact: float) -> FloatArray | None:
    """A point (1, 2) well within a polygon, off the lines that end in it; None in a narrow one."""
    inner = polygon.buffer(-NARROW * contact)
    if inner.is_empty:
        return None
    for width in (CLEAR * contact, contact):
        beside = inner if loose.is_empty else inner.difference(loose.buffer(width))
        if not beside.is_empty:
            inner = beside
            break
    return np.asarray(shapely.get_coordinates(shapely.point_on_surface(inner)))


def _drawn(lines: FloatArray) -> NDArray[np.object_]:
    drawn = shapely.linestrings(lines)
    return np.asarray(drawn[shapely.length(drawn) > 0.0])


def _lying(
    ends: FloatArray, height: FloatArray, contact: float
) -> tuple[NDArray[np.object_], float]:
    """Sides of facets that lie in the plane, and how far off it at most."""
    lines, most = [], 0.0
    for k in range(3):
        m = (k + 1) % 3
        off = np.maximum(np.abs(height[:, k]), np.abs(height[:, m]))
        lies = off <= contact
        lines.append(np.stack([ends[lies, k], ends[lies, m]], axis=1))
        most = max(most, float(off[lies].max(initial=0.0)))
    return _drawn(np.concatenate(lines)), most


def _crossings(ends: FloatArray, height: FloatArray) -> FloatArray:
    """(k, 2, 2) segments in which facets that reach to both sides of the plane meet it."""
    through = (height.min(axis=1) < 0.0) & (height.max(axis=1) > 0.0)
    ends, height = ends[through], height[through]
    lines = np.empty((len(ends), 2, 2))
    for row, (at, h) in enumerate(zip(ends, height, strict=True)):
        points = []
        for k in range(3):
            m = (k + 1) % 3
            if h[k] == 0.0:
                points.append(at[k])
            elif h[k] * h[m] < 0.0:
                points.append(at[k] + (at[m] - at[k]) * (h[k] / (h[k] - h[m])))
        lines[row] = points[:2]
    return lines

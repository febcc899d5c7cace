"""Where the surfaces of two bodies meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.finding import Point
from geomcheck.fit.body import Body, FloatArray, IntArray, as_point
from geomcheck.fit.depth import Depth
from geomcheck.fit.inside import boxed_pieces
from geomcheck.fit.interval import unit_normal
from geomcheck.fit.pieces import Pairing
from geomcheck.mesh.query import crossing_pairs, point_distance

#: Facets of a connected piece asked whether it coincides with a piece of the other body.
ASKED = 4
#: Points on both surfaces from which the depth is sought.
SHARED = 32
#: Facets in contact that are looked at for the direction of the contact.
FLAT = 200
#: mm by which the planes of two facets that lie flat on one another may differ at a corner.
FLAT_WITHIN = 0.01


@dataclass(frozen=True, slots=True)
class Meeting:
    """The lines along which two surfaces meet.

    Parameters
    ----------
    count : int
        Pairs of triangles that meet, touching ones included.
    extent : (Point, Point) or None
        Bounding box of the lines, mm.
    pierced : bool
        At least one pair of triangles passes through one another, each reaching to both sides of
        the other's plane.
    """

    count: int
    extent: tuple[Point, Point] | None
    pierced: bool


def meet(a: Body, b: Body, pairing: Pairing, contact: float) -> Meeting:
    """Triangles of two bodies that meet.

    Parameters
    ----------
    a, b : Body
    pairing : Pairing
        What is measured.
    contact : float
        Shorter crossings (mm), and corners nearer than this to the other's plane, count as touch.
    """
    pairs: list[IntArray] = []
    lines: list[FloatArray] = []
    for piece_a, piece_b in pairing.blocks:
        found = crossing_pairs(piece_a.tree, piece_b.tree)
        if len(found.pairs):
            pairs.append(
                np.stack(
                    [piece_a.parent[found.pairs[:, 0]], piece_b.parent[found.pairs[:, 1]]], axis=1
                )
            )
            lines.append(np.asarray(found.segments))
    if not pairs:
        return Meeting(0, None, False)
    met = np.concatenate(pairs)
    segments = np.concatenate(lines)
    points = segments.reshape(-1, 3)
    long_enough = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) > contact
    through = (
        long_enough
        & _straddles(a.triangles[met[:, 0]], b.triangles[met[:, 1]], contact)
        & _straddles(b.triangles[met[:, 1]], a.triangles[met[:, 0]], contact)
    )
    return Meeting(
        len(np.unique(met, axis=0)),
        (as_point(points.min(axis=0)), as_point(points.max(axis=0))),
        bool(through.any()),
    )


def _straddles(plane: FloatArray, other: FloatArray, contact: float) -> np.ndarray:
    """Whether ``other`` reaches more than ``contact`` to both sides of the plane of ``plane``."""
    normal = np.cross(plane[:, 1] - plane[:, 0], plane[:, 2] - plane[:, 0])
    length = np.linalg.norm(normal, axis=1)
    normal /= np.where(length > 0.0, length, 1.0)[:, None]
    height = np.einsum("ij,ikj->ik", normal, other - plane[:, :1])
    return np.asarray((height.min(axis=1) < -contact) & (height.max(axis=1) > contact))


def coincide(
    a: Body,
    b: Body,
    contact: float,
    shared: Sequence[tuple[FloatArray, FloatArray, int]] = (),
) -> tuple[bool, Depth] | None:
    """Overlap of solids whose surfaces coincide, so that no point of either is inside the other.

    If the insides of two connected solids meet and neither surface enters the other's inside, the
    solids are the same. So one point just under a facet of the piece tells; it is then pushed
    deeper, by doubling, to say how deep the overlap is at least. ``shared`` holds further points of
    a's surface, each with the unit vector into what may be the material of both, and its triangle.

    Returns
    -------
    (True, Depth) or None
        The point just under a's surface that lies deepest in both, taken as a's.
    """
    side = 1.0 if a.soundness.inside_out else -1.0
    starts = list(shared[:SHARED])
    for piece in boxed_pieces(a, b.bounds + np.array([[-contact], [contact]])):
        rows = np.flatnonzero(a.component == piece)
        corners = a.triangles[rows]
        area = np.linalg.norm(
            np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
        )
        for row in rows[np.argsort(-area, kind="stable")[:ASKED]]:
            starts.append((a.triangles[row].mean(axis=0), side * unit_normal(a, row), int(row)))
    best: Depth | None = None
    for start, way, row in starts:
        found = _under(a, b, start, way, row, contact)
        if found is not None and (best is None or found.found > best.found):
            best = found
    return None if best is None else (True, best)


def _under(
    a: Body, b: Body, start: FloatArray, way: FloatArray, row: int, contact: float
) -> Depth | None:
    size = float(np.linalg.norm(a.bounds[1] - a.bounds[0]))
    steps = 8.0 * contact * 2.0 ** np.arange(64)
    steps = steps[steps < size]
    points = np.ascontiguousarray(start + steps[:, None] * way)
    both = a.contains(points) & b.contains(points)
    if not both.any():
        return None
    to_a = point_distance(a.tree, points, np.inf)
    to_b = point_distance(b.tree, points, np.inf)
    depth = np.where(both, np.minimum(to_a.distance, to_b.distance), 0.0)
    deepest = int(np.argmax(depth))
    if depth[deepest] <= contact:
        return None
    bound = 0.5 * float(np.minimum(*(body.bounds[1] - body.bounds[0] for body in (a, b))).min())
    return Depth(
        float(depth[deepest]),
        max(bound, float(depth[deepest])),
        as_point(points[deepest]),
        row,
        as_point(to_b.point[deepest]),
        int(to_b.triangle[deepest]),
    )


def flat_contact(a: Body, b: Body, pairing: Pairing, contact: float) -> Point | None:
    """Unit normal out of b where facets of two touching solids lie flat on one another.

    None where they touch at corners and edges only.
    """
    near_a, near_b = pairing.near(a, b, contact)
    rows_a, rows_b = np.flatnonzero(near_a)[:FLAT], np.flatnonzero(near_b)[:FLAT]
    if len(rows_a) == 0 or len(rows_b) == 0:
        return None
    normals_a = np.array([unit_normal(a, int(row)) for row in rows_a])
    normals_b = np.array([unit_normal(b, int(row)) for row in rows_b])
    steps = b.triangles[rows_b, 0] - a.triangles[rows_a, 0][:, None]
    apart = np.abs(np.einsum("ijk,ik->ij", steps, normals_a))
    flat = (normals_a @ normals_b.T < -0.99) & (apart <= max(contact, FLAT_WITHIN))
    if not flat.any():
        return None
    i, j = np.unravel_index(int(np.argmax(flat)), flat.shape)
    normal = normals_b[j] - normals_a[i]
    return as_point(normal / np.linalg.norm(normal))

"""Where a scan has no data that would matter to a gap.

Only the surface that is in a mesh is measured. An open mesh ends somewhere, and what lies beyond
may be nearer than what was measured. Four places are looked at:

Holes
    A surface across a hole is taken to lie within half of the hole's width of the flat fan from
    the outline's middle to its edges: it bulges no higher than a half-round would. (An
    assumption, stated; nothing in the mesh says so. A stud that stands out of a hole leaves data
    of its own.) If the other part comes within the required gap of that region, nothing is
    decided. Openings under about three times ``SEAM`` are cracks and no holes.
Bays of the outer rim
    A hole that is open to one side is the same to what may be there; see
    :mod:`geomcheck.fit.bays`.
The outer rim, where the gap is measured to it
    If the nearest point lies on the rim, and the surface runs towards the other part there, more
    scan would give a smaller gap.
The outer rim, gone on straight
    The surface is continued beyond the rim, flat, by the required gap. If that comes within the
    required gap of the other part, nothing is decided. What a scan leaves out farther off than
    that cannot be known.

An edge beyond which the mesh goes on (another layer of the same surface, a seam that was not
joined) is no end of it: at ``2 SEAM`` beyond the edge there must be no surface within ``SEAM``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geomcheck.finding import Point
from geomcheck.fit.bays import bays
from geomcheck.fit.body import Body, BoolArray, FloatArray, IntArray, as_point
from geomcheck.fit.outline import Outlines, outlines
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap
from geomcheck.mesh.query import least_distance, point_distance

#: mm; two layers of one surface lie within it of each other.
SEAM = 0.5
#: Bulge of a surface across a hole, as a share of the hole's width.
BULGE = 0.5
#: Cosine against the way to the other part at which a surface runs towards it.
TOWARDS = 0.02


@dataclass(frozen=True, slots=True)
class Missing:
    """A place without data that matters.

    Parameters
    ----------
    kind : {"hole", "bay", "rim", "beyond the rim"}
    place : Point
        Of the middle of a hole or a bay, or on the rim, mm.
    size : (float, float)
        Width and length of a hole, mm; a bay has a width only, a rim neither.
    nearest : float
        How near to the other part a surface there might come, mm; 0 for touching it.
    """

    kind: str
    place: Point
    size: tuple[float, float]
    nearest: float


def missing(
    gap: Gap,
    other: Body,
    scan: Body,
    limit: float,
    *,
    point: Point,
    towards: Point,
    keep: IntArray | None = None,
    edge_is_real: bool = False,
    holes_are_real: bool = False,
) -> list[Missing]:
    """Places of an open mesh where missing data leaves a gap undecided; the nearest first.

    Parameters
    ----------
    gap : Gap
        Measured. Of bodies that overlap nothing more is asked.
    other : Body
        The part across the gap.
    scan : Body
    limit : float
        Required gap, mm.
    point, towards : Point
        The gap's witness points on ``scan`` and on ``other``.
    keep : (k,) int64, optional
        Triangles of ``scan`` that are measured; all if not given.
    edge_is_real, holes_are_real : bool
        The user says that nothing is missing beyond the rim, or in the holes.
    """
    if scan.kind == "closed" or gap.state not in ("apart", "touching"):
        return []
    where = outlines(scan)
    counts = np.ones(len(where.triangle), dtype=bool)
    if keep is not None:
        counts = np.isin(where.triangle, keep)
    # The verdict is on the interval's low end, so what is missing is held against it, too.
    need = limit + gap.quantity.value - gap.quantity.low
    found: list[Missing] = []
    if not holes_are_real:
        found += _holes(where, counts & ~where.rim[where.outline], other, scan, need)
    if not edge_is_real:
        rims = counts & where.rim[where.outline]
        found += _rims(where, rims, other, scan, need, (point, towards))
    return sorted(found, key=lambda one: (one.nearest, one.kind, one.place))


def measured_triangles(pairing: Pairing) -> tuple[IntArray, IntArray]:
    """Triangles of the two bodies that no mate leaves out."""
    return _distinct(pairing.free_a.parent), _distinct(pairing.free_b.parent)


def _distinct(numbers: IntArray) -> IntArray:
    """Each number once, in order; a whole body's are that already."""
    if (numbers[1:] > numbers[:-1]).all():
        return numbers
    return np.unique(numbers)


# --- holes ---------------------------------------------------------------------------------------


def _holes(
    where: Outlines, counts: BoolArray, other: Body, scan: Body, need: float
) -> list[Missing]:
    numbers = np.unique(where.outline[counts])
    if len(numbers) == 0:
        return []
    middle = 0.5 * (where.low[numbers] + where.high[numbers])
    radius = 0.5 * np.linalg.norm(where.high[numbers] - where.low[numbers], axis=1)
    # The fan lies in the outline's box, the bulge is no higher than half of the box's diagonal.
    reach = need + 2.0 * radius
    away = point_distance(other.tree, middle, float(reach.max())).distance
    found = []
    for number in numbers[away <= reach]:
        rows = np.flatnonzero(where.outline == number)
        ends = where.ends[rows]
        if not _open(ends, where.beyond[rows], scan).any():
            continue
        sides = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
        centre = np.average(ends.mean(axis=1), axis=0, weights=sides)
        width, length = _extent(ends.reshape(-1, 3) - centre)
        fan = np.concatenate([ends, np.broadcast_to(centre, (len(ends), 1, 3))], axis=1)
        bulge = BULGE * width
        near = least_distance(fan, other.tree, cutoff=need + bulge)
        if near is not None and near.distance < need + bulge:
            nearest = max(0.0, float(near.distance) - bulge)
            found.append(Missing("hole", as_point(centre), (width, length), nearest))
    return found


def _extent(points: FloatArray) -> tuple[float, float]:
    """Width and length of points (k, 3), seen square to the plane that fits them best."""
    axes = np.linalg.svd(points, full_matrices=False)[2]
    flat = shapely.MultiPoint(points @ axes[:2].T)
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(flat))
    if len(box) < 3:
        return 0.0, float(np.ptp(points @ axes[0]))
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    return float(sides.min()), float(sides.max())


# --- the rim -------------------------------------------------------------------------------------


def _rims(
    where: Outlines,
    counts: BoolArray,
    other: Body,
    scan: Body,
    need: float,
    witnesses: tuple[Point, Point],
) -> list[Missing]:
    rows = np.flatnonzero(counts)
    if len(rows) == 0:
        return []
    found = [
        Missing("bay", as_point(bay.place), (bay.width, 0.0), bay.nearest)
        for bay in bays(where, rows, other, scan, need)
    ]
    here, there = np.asarray(witnesses[0]), np.asarray(witnesses[1])
    across = there - here
    gap = float(np.linalg.norm(across))
    on = rows[_on_edges(here, where.ends[rows]) <= max(scan.resolution, 1e-6)]
    if len(on):
        running = where.beyond[on] @ across > TOWARDS * gap
        if (running & _open(where.ends[on], where.beyond[on], scan)).any():
            found.append(Missing("rim", as_point(here), (0.0, 0.0), gap))
    if need <= 0.0:
        return found
    middles = where.ends[rows].mean(axis=1)
    half = 0.5 * np.linalg.norm(where.ends[rows, 1] - where.ends[rows, 0], axis=1)
    reach = 2.0 * need + half
    away = point_distance(other.tree, middles, float(reach.max())).distance
    rows = rows[away <= reach]
    rows = rows[_open(where.ends[rows], where.beyond[rows], scan)]
    if len(rows) == 0:
        return found
    strip, owner = _strip(where, rows, need)
    near = least_distance(strip, other.tree, cutoff=need)
    if near is not None and near.distance < need * (1.0 - 1e-9):
        ends = where.ends[rows[owner[near.triangle_a]]]
        foot = ends[int(np.argmin(np.linalg.norm(ends - near.point_a, axis=1)))]
        nearest = float(near.distance)
        found.append(Missing("beyond the rim", as_point(foot), (0.0, 0.0), nearest))
    return found


def _strip(where: Outlines, rows: IntArray, length: float) -> tuple[FloatArray, IntArray]:
    """The surface gone on by a length: triangles, and the row of ``rows`` each belongs to."""
    p, q = where.ends[rows, 0], where.ends[rows, 1]
    out = length * where.beyond[rows]
    owner = np.arange(len(rows))
    triangles = [np.stack([p, q, q + out], axis=1), np.stack([p, q + out, p + out], axis=1)]
    owners = [owner, owner]
    # Between two strips that spread apart at a corner.
    ends = where.corners[rows].reshape(-1)
    order = np.argsort(ends, kind="stable")
    same = np.flatnonzero(ends[order][1:] == ends[order][:-1])
    first, second = order[same], order[same + 1]
    corner = where.ends[rows].reshape(-1, 3)[first]
    triangles.append(
        np.stack([corner, corner + out[first // 2], corner + out[second // 2]], axis=1)
    )
    owners.append(first // 2)
    return np.concatenate(triangles), np.concatenate(owners)


def _on_edges(here: FloatArray, ends: FloatArray) -> FloatArray:
    """Distance of a point from each of (k, 2, 3) edges."""
    side = ends[:, 1] - ends[:, 0]
    square = np.einsum("ij,ij->i", side, side)
    along = np.einsum("ij,ij->i", here - ends[:, 0], side) / np.where(square > 0.0, square, 1.0)
    foot = ends[:, 0] + np.clip(along, 0.0, 1.0)[:, None] * side
    distance: FloatArray = np.linalg.norm(foot - here, axis=1)
    return distance


def _open(ends: FloatArray, beyond: FloatArray, scan: Body) -> BoolArray:
    """(k,) whether the mesh really ends at these edges, at one of three places on each."""
    share = np.array([0.1, 0.5, 0.9])[None, :, None]
    points = ends[:, None, 0] * (1.0 - share) + ends[:, None, 1] * share
    points = points + 2.0 * SEAM * beyond[:, None]
    flat = np.ascontiguousarray(points.reshape(-1, 3))
    near = point_distance(scan.tree, flat, SEAM).distance <= SEAM
    return np.asarray(~near.reshape(len(ends), 3).all(axis=1))

"""Round walls in a mesh: pieces that bend one way only, and the cylinder that fits their corners.

Triangles that meet at less than 40 degrees are one piece. A piece is the wall of a hole where its
normals lie in a plane (the second moment of the normals has one eigenvalue near zero: its vector is
the axis) and face the axis. What is left over, such as a bore that runs into a rounded floor, is
grown from single folds. The cylinder is fitted to corners by least squares (Gauss-Newton on axis,
centre and radius): facet corners lie on the true circle, the middles of facets do not and would
give a radius too small by up to R (1 - cos(pi / N)). Corners that lie on no fold of the wall are
left out for the same reason: a cut across a facet makes them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.turns import plane_axes, share_of_turn
from geomcheck.kernels import cylinders as kernel
from geomcheck.kernels.edges import group_edges
from geomcheck.mesh.bodies import resolution

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

#: Facets that meet at less than this (degrees) are one piece; eight segments a turn meet at 45.
JOIN = 40.0
#: Folds (degrees) from which a wall is grown: 120 to 9 segments a turn.
FOLD = (2.9, 41.0)
#: Greatest share of the second moment of normals along the axis, and least across it.
ALONG, ACROSS = 0.03, 0.25
#: A wall has at least this many triangles.
LEAST = 6
#: A triangle whose altitude is under this many times the noise is a needle.
NEEDLE = 10.0
#: A corner counts as one of the circle where wall facets meet at more than this (degrees).
CORNER = 0.8


@dataclass(frozen=True, eq=False)
class Surface:
    """A mesh with its neighbours and normals.

    Parameters
    ----------
    points : (n, 3) float64
    faces : (m, 3) int64
    beside : (m, 3) int64
        Triangle over each side, -1 for none.
    normals : (m, 3) float64
    area : (m,) float64
    resolution : float
        mm; what the corners' rounding leaves open.
    """

    points: FloatArray
    faces: IntArray
    beside: IntArray
    normals: FloatArray
    area: FloatArray
    resolution: float

    @classmethod
    def of(cls, points: FloatArray, faces: IntArray, noise: float = 0.0) -> Surface:
        """The surface of merged corners and triangles."""
        beside = kernel.neighbours(len(faces), *group_edges(faces, len(points)))
        thin = resolution(points)
        least = max(NEEDLE * noise, thin)
        normals, area = kernel.facet_normals(points, faces, beside, least)
        return cls(points, faces, beside, normals, area, thin)


@dataclass(frozen=True, eq=False)
class Wall:
    """A round wall that faces its axis.

    Parameters
    ----------
    faces : (k,) int64
        Its triangles.
    point, axis : (3,) float64
        A point on the axis, and its unit vector.
    radius : float
        mm, of the circle through the corners.
    residual : float
        Root mean square distance of the corners from the cylinder, mm.
    worst : float
        Greatest such distance, mm.
    begin, end : float
        Along the axis from ``point``, mm.
    cover : float
        Share of the circumference covered, 0 to 1.
    corners : int
        How many corners it was fitted to.
    """

    faces: IntArray
    point: FloatArray
    axis: FloatArray
    radius: float
    residual: float
    worst: float
    begin: float
    end: float
    cover: float
    corners: int


def find_walls(surface: Surface, radius: tuple[float, float], noise: float) -> list[Wall]:
    """All round walls with a radius in a range (mm), whatever share of the turn they cover."""
    found: list[Wall] = []
    label, count = kernel.smooth_regions(
        surface.beside, surface.normals, math.cos(math.radians(JOIN))
    )
    rows, start = _grouped(label, count)
    taken = np.zeros(len(surface.faces), dtype=bool)
    size = np.diff(start)
    # Pieces of a few triangles are no walls, and are not grown from either.
    taken[size[label] < LEAST] = True
    for wall in _fitted(surface, rows, start, radius, noise):
        found.append(wall)
        taken[wall.faces] = True
    taken |= ~surface.normals.any(axis=1)
    low, high = (math.sin(math.radians(fold)) for fold in FOLD)
    limits = np.array([radius[0], radius[1], low, high, 0.05, 0.02])
    label, count = kernel.grow_walls(
        surface.points, surface.faces, surface.beside, surface.normals, taken, limits, LEAST
    )
    if count:
        found += _fitted(surface, *_grouped(label, count), radius, noise)
    return found


def _grouped(label: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Rows sorted by label, and where each label begins; label -1 is left out."""
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], np.arange(count + 1))
    return order, np.asarray(start, dtype=np.int64)


def _fitted(
    surface: Surface,
    rows: IntArray,
    start: IntArray,
    radius: tuple[float, float],
    noise: float,
) -> list[Wall]:
    size = np.diff(start)
    chosen = np.flatnonzero(size >= LEAST)
    if len(chosen) == 0:
        return []
    # Second moments of the normals, weighted by area, for all pieces at once.
    part = np.concatenate([rows[start[i] : start[i + 1]] for i in chosen])
    head = np.concatenate([[0], np.cumsum(size[chosen])[:-1]])
    n = surface.normals[part]
    weight = surface.area[part][:, None]
    products = n[:, [0, 0, 0, 1, 1, 2]] * n[:, [0, 1, 2, 1, 2, 2]] * weight
    total = np.add.reduceat(weight[:, 0], head)
    moment = np.add.reduceat(products, head, axis=0) / np.where(total > 0.0, total, 1.0)[:, None]
    value, vector = np.linalg.eigh(moment[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3))
    round_ = (value[:, 0] < ALONG) & (value[:, 1] > ACROSS) & (total > 0.0)
    found = []
    for number in np.flatnonzero(round_):
        faces = rows[start[chosen[number]] : start[chosen[number] + 1]]
        wall = fit_wall(surface, faces, vector[number, :, 0], radius, noise)
        if wall is not None:
            found.append(wall)
    return found


def fit_wall(
    surface: Surface,
    faces: IntArray,
    axis: FloatArray,
    radius: tuple[float, float],
    noise: float,
) -> Wall | None:
    """The cylinder through the corners of some triangles; None where they are no such wall."""
    axis = axis if axis[int(np.argmax(np.abs(axis)))] > 0.0 else -axis
    corners = _circle_corners(surface, faces)
    points = surface.points[corners]
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    fit = _rough(points - middle, axis)
    if fit is None or not 0.5 * radius[0] < fit[1] < 2.0 * radius[1]:
        return None
    solved = _refine(points - middle, axis, *fit)
    if solved is None:
        return None
    centre, axis, size, away = solved
    if not radius[0] <= size <= radius[1]:
        return None
    residual = float(np.sqrt(np.mean(away**2)))
    worst = float(np.abs(away).max())
    if residual > max(2.0 * noise, 0.01 * size) or worst > max(6.0 * noise, 0.04 * size):
        return None
    point = centre + middle
    triangles = surface.points[surface.faces[faces]] - point
    along = triangles @ axis
    across = triangles - along[..., None] * axis
    facing = -np.einsum("ij,ij->i", across.mean(axis=1), surface.normals[faces])
    towards = facing > 0.5 * size
    if float(surface.area[faces[towards]].sum()) < 0.9 * float(surface.area[faces].sum()):
        return None
    return Wall(
        faces,
        point,
        axis,
        size,
        residual,
        worst,
        float(along.min()),
        float(along.max()),
        share_of_turn(across[towards], axis),
        len(points),
    )


def _circle_corners(surface: Surface, faces: IntArray) -> IntArray:
    """Corners on a fold of the wall; all where there are too few."""
    inside = np.sort(faces)
    beside = surface.beside[faces]
    place = np.minimum(np.searchsorted(inside, beside), len(inside) - 1)
    mine = inside[place] == beside
    dot = np.einsum("ij,ikj->ik", surface.normals[faces], surface.normals[beside])
    fold = mine & (dot < math.cos(math.radians(CORNER)))
    corner = surface.faces[faces]
    found = np.unique(np.concatenate([corner[fold], np.roll(corner, -1, axis=1)[fold]]))
    return found if len(found) >= 8 else np.unique(corner)


def _rough(points: FloatArray, axis: FloatArray) -> tuple[FloatArray, float] | None:
    """Centre and radius by linear least squares (I. Kasa, IEEE Trans. IM 25, 1976)."""
    flat = points @ plane_axes(axis).T
    matrix = np.column_stack([2.0 * flat, np.ones(len(flat))])
    try:
        answer, _, rank, _ = np.linalg.lstsq(matrix, np.einsum("ij,ij->i", flat, flat), rcond=None)
    except np.linalg.LinAlgError:
        return None
    square = float(answer[2] + answer[:2] @ answer[:2])
    if rank < 3 or not square > 0.0:
        return None
    return answer[:2] @ plane_axes(axis), math.sqrt(square)


def _refine(
    points: FloatArray, axis: FloatArray, centre: FloatArray, radius: float
) -> tuple[FloatArray, FloatArray, float, FloatArray] | None:
    """Geometric least squares: centre, axis, radius and each corner's distance from it."""
    away = np.zeros(len(points))
    for _ in range(12):
        frame = plane_axes(axis)
        offset = points - centre
        along = offset @ axis
        flat = offset @ frame.T
        length = np.hypot(flat[:, 0], flat[:, 1])
        if not (length > 0.0).all():
            return None
        away = length - radius
        unit = flat / length[:, None]
        rows = np.column_stack([-unit, -unit * along[:, None], -np.ones(len(points))])
        step = np.linalg.lstsq(rows, -away, rcond=1e-10)[0]
        if not np.isfinite(step).all() or np.abs(step[2:4]).max() > 0.3:
            return None
        centre = centre + step[:2] @ frame
        axis = axis + step[2:4] @ frame
        axis /= np.linalg.norm(axis)
        radius += float(step[4])
        if np.abs(step).max() < 1e-10 * max(1.0, radius):
            break
    if not radius > 0.0:
        return None
    offset = points - centre
    away = np.linalg.norm(offset - (offset @ axis)[:, None] * axis, axis=1) - radius
    return centre, axis, radius, away

"""Sections of meshes anew: all triangles against one plane, the rest with shapely.

Material is where the outlines of a mesh wind round a point, each mesh by itself, so that bodies
that overlap in one file count once and a cavity is void. What lies open about a point is what is
left of the plane, if it is shut off all round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geomcheck.verify.plain.simple import FloatArray, axis_frame

#: Void smaller than this share of the section's outlines is a crack between two parts.
SPECK = 1e-12


@dataclass(frozen=True)
class Metal:
    """What a plane shows of one mesh, in the plane's own axes.

    ``filled``: the material, as polygons. ``lines`` (k, 2, 2): the cut of each triangle, the
    material on its left. ``loose`` (j, 2): ends at which the outlines do not go on.
    """

    filled: BaseGeometry
    lines: FloatArray
    loose: FloatArray


def height_of(points: FloatArray, point: FloatArray, normal: FloatArray) -> FloatArray:
    """Heights of points (..., 3) over a plane; the same for the same coordinates."""
    x, y, z = (points[..., k] - point[k] for k in range(3))
    height: FloatArray = x * normal[0] + y * normal[1] + z * normal[2]
    return height


def _crossing(a: FloatArray, b: FloatArray, ha: FloatArray, hb: FloatArray) -> FloatArray:
    """Where edges a-b cross the plane; the same number from either end of an edge."""
    swap = np.zeros(len(a), bool)
    undecided = np.ones(len(a), bool)
    for k in range(3):
        swap |= undecided & (a[:, k] > b[:, k])
        undecided &= a[:, k] == b[:, k]
    begin, end = np.where(swap[:, None], b, a), np.where(swap[:, None], a, b)
    low, high = np.where(swap, hb, ha), np.where(swap, ha, hb)
    share = (low / (low - high))[:, None]
    between = begin + share * (end - begin)
    found: FloatArray = np.where((high == 0.0)[:, None], end, between)
    return found


def cut_lines(triangles: FloatArray, point: FloatArray, normal: FloatArray) -> FloatArray:
    """(k, 2, 3) cut of each triangle that the plane meets, material on the left.

    A corner in the plane counts as above it. Seen against the normal, the left of a cut is inside.
    """
    height = height_of(triangles, point, normal)
    above = height >= 0.0
    met = above.any(axis=1) & ~above.all(axis=1)
    tri, h, up = triangles[met], height[met], above[met]
    lone_up = up.sum(axis=1) == 1
    alone = np.where(lone_up, up.argmax(axis=1), (~up).argmax(axis=1))
    rows = np.arange(len(tri))
    ends = [
        _crossing(tri[rows, alone], tri[rows, k], h[rows, alone], h[rows, k])
        for k in ((alone + 1) % 3, (alone + 2) % 3)
    ]
    # With its corners counter-clockwise from outside, a triangle whose lone corner is below the
    # plane has its material to the left of the way from the second side to the first.
    first, second = np.where(lone_up[:, None], ends[0], ends[1]), ends[1]
    second = np.where(lone_up[:, None], ends[1], ends[0])
    lines: FloatArray = np.stack([first, second], axis=1)
    return lines


def flattened(points: FloatArray, point: FloatArray, frame: FloatArray) -> FloatArray:
    """Points (..., 3) in a plane's own axes (..., 2)."""
    flat: FloatArray = np.stack([height_of(points, point, axis) for axis in frame], axis=-1)
    return flat


def metal(mesh: FloatArray, point: FloatArray, normal: FloatArray, frame: FloatArray) -> Metal:
    """Material of a mesh in a plane.

    Parameters
    ----------
    mesh : (m, 3, 3) float
    point, normal : (3,) float
        Of the plane; the normal a unit vector.
    frame : (2, 3) float
        The plane's axes; with the normal they turn right-handed.
    """
    lines = flattened(cut_lines(mesh, point, normal), point, frame)
    lines = lines[(lines[:, 0] != lines[:, 1]).any(axis=1)]
    if not len(lines):
        return Metal(shapely.Polygon(), lines, np.zeros((0, 2)))
    corners, number = np.unique(lines.reshape(-1, 2) + 0.0, axis=0, return_inverse=True)
    ends = number.reshape(-1, 2)
    net = np.bincount(ends[:, 0], minlength=len(corners)).astype(np.int64)
    net -= np.bincount(ends[:, 1], minlength=len(corners))
    noded = shapely.node(shapely.multilinestrings(shapely.linestrings(lines)))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    turns = np.array([_turns(lines, x, y) for x, y in inside])
    filled = shapely.union_all(faces[turns != 0]) if len(faces) else shapely.Polygon()
    return Metal(filled, lines, corners[net != 0])


def _turns(lines: FloatArray, x: float, y: float) -> int:
    """How often closed outlines wind round a point: their crossings of a ray along +x."""
    (x0, y0), (x1, y1) = lines[:, 0].T, lines[:, 1].T
    over = (y0 > y) != (y1 > y)
    at = x0 + (y - y0) / np.where(over, y1 - y0, 1.0) * (x1 - x0)
    return int(np.where(y1 > y0, 1, -1)[over & (at > x)].sum())


@dataclass(frozen=True)
class Opening:
    """What one plane shows of a duct.

    Parameters
    ----------
    state : str
        ``measured``; ``open``: an outline near it does not close; ``leaking``: nothing shuts it
        off; ``path in metal``.
    bores : tuple of Polygon
        All that the walls shut off, obstacles left out.
    main : int
        The one that holds the plane's point, or -1.
    metals : tuple of Metal
        Of the walls, then of the obstacles.
    walls : int
        How many of them are walls.
    """

    state: str
    bores: tuple[shapely.Polygon, ...]
    main: int
    metals: tuple[Metal, ...]
    walls: int

    def open(self, bores: Sequence[int], left_out: Sequence[int] = ()) -> BaseGeometry:
        """What obstacles leave open of some bores; without those numbered ``left_out``."""
        left = shapely.union_all([self.bores[k] for k in bores])
        for number, one in enumerate(self.metals[self.walls :], self.walls):
            if number in left_out or one.filled.is_empty:
                continue
            left = left.difference(one.filled)
            # A hollow in an obstacle is no way for the air; unless the path runs through it.
            for ring in _holes(one.filled):
                hole = shapely.Polygon(ring)
                if not hole.intersects(shapely.Point(0.0, 0.0)):
                    left = left.difference(hole)
        return left


def _holes(shape: BaseGeometry) -> list[BaseGeometry]:
    return [ring for part in shapely.get_parts(shape) for ring in part.interiors]


def opening(
    walls: Sequence[FloatArray],
    others: Sequence[FloatArray],
    point: FloatArray,
    normal: FloatArray,
    frame: FloatArray | None = None,
    *,
    solid: bool = False,
) -> Opening:
    """What a plane shows of a duct about a point.

    Parameters
    ----------
    walls, others : sequence of (m, 3, 3) float
    point, normal : (3,) float
        Of the plane; the normal a unit vector.
    frame : (2, 3) float, optional
        The plane's axes.
    solid : bool
        The walls are the void itself, as closed bodies.
    """
    axes = axis_frame(normal) if frame is None else frame
    metals = tuple(metal(mesh, point, normal, axes) for mesh in (*walls, *others))
    wall = shapely.union_all([one.filled for one in metals[: len(walls)]])
    here = shapely.Point(0.0, 0.0)
    loose = np.concatenate([one.loose for one in metals])
    if wall.is_empty:
        return Opening("open" if len(loose) else "leaking", (), -1, metals, len(walls))
    low_x, low_y, high_x, high_y = shapely.union(wall, here).bounds
    around = shapely.box(low_x - 10.0, low_y - 10.0, high_x + 10.0, high_y + 10.0)
    void = wall if solid else around.difference(wall)
    parts = [part for part in shapely.get_parts(void) if part.area > SPECK * around.area]
    bores = tuple(part for part in parts if not part.intersects(around.exterior))
    main = next((k for k, part in enumerate(bores) if part.intersects(here)), -1)
    state = "measured"
    if main < 0:
        outside = solid or any(part.intersects(here) for part in parts)
        state = "leaking" if outside else "path in metal"
        if len(loose):
            state = "open"
    elif len(loose):
        filled = shapely.Polygon(bores[main].exterior)
        if shapely.intersects(filled, shapely.points(loose)).any():
            state = "open"
    return Opening(state, bores, main, metals, len(walls))


def open_area(
    walls: Sequence[FloatArray],
    others: Sequence[FloatArray],
    point: FloatArray,
    normal: FloatArray,
    *,
    solid: bool = False,
) -> float | None:
    """Area (mm2) about a point that neither walls nor obstacles fill; None where it does not close.

    Parameters and meaning as for :func:`opening`.
    """
    found = opening(walls, others, point, normal, solid=solid)
    if found.state != "measured":
        return None
    return float(found.open([found.main]).area)

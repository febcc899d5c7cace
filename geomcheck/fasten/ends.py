"""What lies at the ends of a round wall: nothing, a floor, a drill's cone, a step, a countersink.

From the rim of the wall the mesh is followed inwards over triangles that stay within the wall's
radius. Seen along the axis they cover the bore's mouth (a floor, a drill's point), none of it (an
open end), or a ring about the next, narrower wall. Outwards it is followed over triangles that
face the axis aslant, a countersink.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geomcheck.fasten.cylinders import (
    BoolArray,
    FloatArray,
    IntArray,
    Surface,
    Wall,
)
from geomcheck.fasten.turns import share_of_turn

#: Share of the bore's mouth above which it counts as closed, and below which as open.
CLOSED, OPEN = 0.85, 0.15
#: Walls belong to one axis up to this angle, degrees.
PARALLEL = 2.0
#: A cap of more triangles than this is not followed further.
MOST = 20000


@dataclass(frozen=True)
class Cone:
    """A countersink.

    Parameters
    ----------
    radius : float
        Greatest, mm.
    angle : float
        Of the whole cone, degrees.
    depth : float
        Along the axis, mm.
    """

    radius: float
    angle: float
    depth: float


@dataclass(frozen=True)
class End:
    """One end of a wall.

    Parameters
    ----------
    state : {"open", "closed", "partly closed"}
        Open towards a narrower wall counts as open: the next wall's end tells.
    tip : float
        How far the floor lies beyond the wall at its deepest, mm.
    next_walls : tuple of int
        Walls on the same axis that go on from here.
    cone : Cone or None
    """

    state: str
    tip: float = 0.0
    next_walls: tuple[int, ...] = ()
    cone: Cone | None = None


def coaxial(a: Wall, b: Wall, within: float) -> bool:
    """Whether two walls are on one axis, within some mm at the middle of both."""
    if abs(float(a.axis @ b.axis)) < math.cos(math.radians(PARALLEL)):
        return False
    away = b.point + 0.5 * (b.begin + b.end) * b.axis - a.point
    return float(np.linalg.norm(away - (away @ a.axis) * a.axis)) <= within


def look_at_end(surface: Surface, walls: list[Wall], number: IntArray, wall: int, side: int) -> End:
    """What closes a wall at one end.

    Parameters
    ----------
    surface : Surface
    walls : list of Wall
    number : (m,) int64
        Wall of each triangle, -1 for none.
    wall : int
    side : {1, -1}
        The end along the axis, or against it.
    """
    mine = walls[wall]
    rim = mine.end if side > 0 else -mine.begin
    start = _beyond(surface, mine, number, wall, side)
    cap, met = _follow(surface, number, start, lambda f: _within(surface, mine, f, side, rim))
    ahead = _ahead(walls, wall, met)
    covered = float((surface.area[cap] * (-side * (surface.normals[cap] @ mine.axis))).sum()) / (
        math.pi * mine.radius**2
    )
    # What is seen of narrower walls is hole, not missing floor.
    inner = max((walls[n].radius for n in ahead if walls[n].radius < mine.radius), default=0.0)
    slope, far = _follow(surface, number, start, lambda f: _aslant(surface, mine, f, side))
    cone = _cone(surface, mine, slope, side, rim)
    if cone is not None:
        ahead = tuple(sorted({*ahead, *_ahead(walls, wall, far)}))
    if inner > 0.0:
        return End("open", 0.0, ahead, cone)
    if covered > CLOSED:
        height = side * ((surface.points[surface.faces[cap]] - mine.point) @ mine.axis)
        return End("closed", max(0.0, float(height.max()) - rim), ahead, cone)
    return End("open" if covered < OPEN else "partly closed", 0.0, ahead, cone)


def _ahead(walls: list[Wall], wall: int, met: IntArray) -> tuple[int, ...]:
    mine = walls[wall]
    return tuple(
        int(n)
        for n in met
        if n != wall and coaxial(mine, walls[n], 0.1 * min(mine.radius, walls[n].radius))
    )


def _beyond(surface: Surface, mine: Wall, number: IntArray, wall: int, side: int) -> IntArray:
    """Triangles beside the wall whose shared side lies in its last third."""
    beside = surface.beside[mine.faces]
    out = (beside >= 0) & (number[beside] != wall)
    corner = surface.faces[mine.faces]
    middle = 0.5 * (surface.points[corner] + surface.points[np.roll(corner, -1, axis=1)])
    height = side * ((middle - mine.point) @ mine.axis)
    last = height > side * 0.5 * (mine.begin + mine.end) + (mine.end - mine.begin) / 6.0
    return np.unique(beside[out & last])


def _follow(
    surface: Surface, number: IntArray, start: IntArray, good: Callable[[IntArray], BoolArray]
) -> tuple[IntArray, IntArray]:
    """Triangles reached from some, and the walls met on the way."""
    seen: set[int] = set()
    met: set[int] = set()
    front = start
    kept: list[IntArray] = []
    while len(front) and len(seen) < MOST:
        met.update(number[front][number[front] >= 0].tolist())
        front = front[number[front] < 0]
        front = front[good(front)] if len(front) else front
        seen.update(front.tolist())
        kept.append(front)
        following = np.unique(surface.beside[front])
        following = following[following >= 0]
        front = np.array([f for f in following.tolist() if f not in seen], dtype=np.int64)
    cap = np.concatenate(kept) if kept else np.empty(0, dtype=np.int64)
    return cap, np.array(sorted(met), dtype=np.int64)


def _seen(surface: Surface, mine: Wall, rows: IntArray) -> tuple[FloatArray, FloatArray]:
    """Corners' distance from the axis and height along it, (k, 3) each."""
    away = surface.points[surface.faces[rows]] - mine.point
    height = away @ mine.axis
    return np.linalg.norm(away - height[..., None] * mine.axis, axis=2), height


def _within(surface: Surface, mine: Wall, rows: IntArray, side: int, rim: float) -> BoolArray:
    radial, height = _seen(surface, mine, rows)
    slack = 0.02 * mine.radius + surface.resolution
    deep = (side * height > rim - 0.3 * mine.radius - slack).all(axis=1)
    return np.asarray((radial <= mine.radius + slack).all(axis=1) & deep)


def _aslant(surface: Surface, mine: Wall, rows: IntArray, side: int) -> BoolArray:
    corners = surface.points[surface.faces[rows]].mean(axis=1) - mine.point
    across = corners - (corners @ mine.axis)[:, None] * mine.axis
    length = np.linalg.norm(across, axis=1)
    inward = -np.einsum("ij,ij->i", across, surface.normals[rows]) / np.where(length, length, 1.0)
    up = side * (surface.normals[rows] @ mine.axis)
    radial, _ = _seen(surface, mine, rows)
    # Without a share along the circumference it faces the axis, and is no side of a rib.
    faces_axis = np.abs(np.hypot(inward, up) - 1.0) < 0.02
    outside = (radial > 0.95 * mine.radius).all(axis=1)
    return np.asarray((inward > 0.17) & (up > 0.17) & outside & faces_axis)


def _cone(surface: Surface, mine: Wall, rows: IntArray, side: int, rim: float) -> Cone | None:
    if len(rows) < 6:
        return None
    up = side * (surface.normals[rows] @ mine.axis)
    weight = surface.area[rows]
    mean = float((up * weight).sum() / weight.sum())
    # A rounded mouth or a dished top is no cone: its slope is not the same all over.
    if float((np.abs(up - mean) * weight).sum() / weight.sum()) > 0.03:
        return None
    across = surface.points[surface.faces[rows]] - mine.point
    across = across - (across @ mine.axis)[..., None] * mine.axis
    if share_of_turn(across, mine.axis) < 0.8:
        return None
    radial, height = _seen(surface, mine, rows)
    half = math.degrees(math.asin(min(1.0, max(-1.0, mean))))
    return Cone(float(radial.max()), 2.0 * half, max(0.0, float((side * height).max()) - rim))

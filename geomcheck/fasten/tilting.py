"""May a tool lean: the room of a stack of cylinders tilted about a pivot.

The rule. A ball end or a universal joint lets everything above the pivot lean by up to a limit,
in any direction. The stack is rigid, its rows coaxial, flat ended and counted from the pivot; what
stays upright below (the joint's own socket) is asked by ``reach``. The room in one direction is
exact. Over the cone of directions a "yes" is a direction that was tried; a "no" is proved by
branch and bound (:mod:`geomcheck.fasten.cone`), not sampled; where the work runs out before
either, the answer stays open.

The interval: a "yes" needs the room with every triangle moved out by its part's sagitta, a "no"
with it moved back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.cone import Aim, Search, search
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import Obstacle, as_obstacles
from geomcheck.fasten.rooms import Rooms, leaning, rooms, upright
from geomcheck.finding import Point

WITHIN = 25.0
#: Directions looked at before the answer is left open.
WORK = 20_000
#: mm of room, and degrees of tilt, within which the best is found.
TOLERANCE = 0.01
TOLERANCE_DEG = 0.1


@dataclass(frozen=True)
class Tilt:
    """The best way for a tool to lean.

    Parameters
    ----------
    decided : {"reaches", "none", "open"}
        The direction given has the room needed, whatever the sagitta; no direction has, whatever
        the sagitta; or neither is proved.
    direction : Point
        Unit vector along the tilted stack: a witness if it reaches, else the best one met.
    angle_deg, azimuth_deg : float
        The tilt off the axis, and its direction from the second row of ``Fastener.frame``.
    room, low, high : float
        Room in that direction as read, and its interval, mm; ``within`` where there is at least
        that.
    most : float
        Proved: no direction within the limit has more room than this, whatever the sagitta, mm.
    blocker, triangle, point
        What is nearest in that direction: the part, the caller's triangle number, the place; None
        where nothing is within ``within``.
    inside : bool
        The stack stands wholly inside a part in that direction.
    cells : int
        Directions looked at.
    """

    decided: Literal["reaches", "none", "open"]
    direction: Point
    angle_deg: float
    azimuth_deg: float
    room: float
    low: float
    high: float
    most: float
    blocker: str | None
    triangle: int | None
    point: Point | None
    inside: bool
    cells: int


def best_tilt(
    pivot: Sequence[float],
    axis: Sequence[float],
    rows: Any,
    obstacles: Any,
    *,
    limit_deg: float,
    need: float = 0.0,
    aim: Aim = "any",
    within: float = WITHIN,
    work: int = WORK,
) -> Tilt:
    """A direction in which a tilted stack has room, or proof that there is none.

    Parameters
    ----------
    pivot, axis : (3,) float
        The point it leans about, mm, and the middle of the cone.
    rows : (k, 3) float
        (from, to, radius) of the stack, mm along its own axis from the pivot.
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
    limit_deg : float
        Largest tilt, 0 to 90.
    need : float
        Room that must be left all round, mm.
    aim : {"any", "room", "least"}
        ``any``: the first direction that has the room needed. ``room``: the one with the most, to
        0.01 mm. ``least``: the least tilt that has it, to 0.1 degrees. Neither of the last two is
        proved to that tolerance if the work runs out.
    within : float
        mm beyond the stack where the search ends; more than ``need``.
    work : int
        Directions looked at, at most, in each of the two searches.

    Raises
    ------
    InputError
        Rows that do not rise, or figures out of range.
    """
    table = _rows(rows)
    if not (0.0 <= limit_deg <= 90.0 and 0.0 <= need < within < math.inf and work > 0):
        raise InputError("a tilt needs a limit of 0 to 90 degrees, and 0 <= need < within")
    base = _base(pivot, axis)
    parts = as_obstacles(obstacles)

    def look(which: str, how: Aim) -> Search:
        return search(
            base,
            table,
            [getattr(part, which) for part in parts],
            math.radians(limit_deg),
            need,
            aim=how,
            within=within,
            tolerance=math.radians(TOLERANCE_DEG) if how == "least" else TOLERANCE,
            work=work,
            free=lambda frame: _holder(parts, frame, table) is None,
        )

    decided: Literal["reaches", "none", "open"] = "open"
    found = look("nearest_truth", aim)
    cells, most = found.cells, found.most
    moved = any(part.sagitta.largest > 0.0 for part in parts)
    if found.reaches:
        decided = "reaches"
        # What the search proved holds for metal moved out; moved back there may be more room.
        most = within if moved else most
    elif not moved:
        decided = "none" if found.done else "open"
    else:
        other = look("farthest_truth", "any")
        cells, most = cells + other.cells, other.most
        decided = "none" if other.done and not other.reaches else "open"
        if decided == "open" and other.reaches:
            found = other
    return _result(base, table, parts, found, decided, most, within, cells)


@dataclass(frozen=True, eq=False)
class Directions:
    """Room of a stack over a cone of directions.

    Parameters
    ----------
    angle_deg, azimuth_deg : (q,) float
    direction : (q, 3) float
    room : (q,) float
        As read, mm; ``within`` where nothing is nearer. With rows of radius 0 this is the radius
        of the largest cylinder that fits.
    part : (q,) int
        Number of the nearest part, -1 where nothing is nearer than ``within``.
    point : (q, 3) float
        The place on it, mm.
    names : tuple of str
    """

    angle_deg: FloatArray
    azimuth_deg: FloatArray
    direction: FloatArray
    room: FloatArray
    part: Any
    point: FloatArray
    names: tuple[str, ...]


def room_by_direction(
    pivot: Sequence[float],
    axis: Sequence[float],
    rows: Any,
    obstacles: Any,
    *,
    limit_deg: float,
    rings: int = 12,
    within: float = WITHIN,
) -> Directions:
    """Room of a stack in directions spread evenly over a cone: for pictures, not for verdicts.

    ``rings`` circles about the axis, the k-th of 6 k directions, and the axis itself. The other
    parameters, and the errors, are those of :func:`best_tilt`.
    """
    table = _rows(rows)
    if not (0.0 <= limit_deg <= 180.0 and rings >= 0 and 0.0 < within < math.inf):
        raise InputError("directions need a limit of 0 to 180 degrees and a positive range")
    base = _base(pivot, axis)
    parts = as_obstacles(obstacles)
    angle = np.concatenate([[0.0]] + [np.full(6 * k, k / rings) for k in range(1, rings + 1)])
    turn = np.concatenate([[0.0]] + [np.arange(6 * k) / (6 * k) for k in range(1, rings + 1)])
    angle, turn = np.radians(angle * limit_deg), turn * (2.0 * math.pi)
    plane = angle[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    frames = leaning(base, plane)
    found = rooms([part.as_read for part in parts], frames, [table] * len(frames), within)
    return Directions(
        np.degrees(angle),
        np.degrees(turn),
        frames[:, 3].copy(),
        found.value,
        found.part,
        found.point,
        tuple(part.name for part in parts),
    )


def _rows(rows: Any) -> FloatArray:
    table = np.array(rows, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != 3 or len(table) == 0 or not np.isfinite(table).all():
        raise InputError("a stack needs rows of three finite numbers: from, to, radius")
    if (table[:, 0] < 0.0).any() or (table[:, 1] <= table[:, 0]).any() or (table[:, 2] < 0).any():
        raise InputError("the rows of a stack must begin at the pivot or above it and rise")
    return table


def _base(pivot: Sequence[float], axis: Sequence[float]) -> FloatArray:
    place, way = np.asarray(pivot, dtype=np.float64), np.asarray(axis, dtype=np.float64)
    if place.shape != (3,) or way.shape != (3,) or not np.isfinite([place, way]).all():
        raise InputError("a tilt needs a pivot and an axis of three finite numbers")
    if not way.any():
        raise InputError("the axis of a tilt must not be zero")
    return upright(place, way)


def _holder(parts: Sequence[Obstacle], frame: FloatArray, table: FloatArray) -> str | None:
    """The part in whose material the lowest point of the stack's axis lies."""
    place = frame[0] + table[:, 0].min() * frame[3]
    point, way = _point(place), _point(frame[3])
    return next((part.name for part in parts if part.holds(point, way)), None)


def _point(place: FloatArray) -> Point:
    return (float(place[0]), float(place[1]), float(place[2]))


def _result(
    base: FloatArray,
    table: FloatArray,
    parts: Sequence[Obstacle],
    found: Search,
    decided: Literal["reaches", "none", "open"],
    most: float,
    within: float,
    cells: int,
) -> Tilt:
    frames = leaning(base, np.array([found.plane]))

    def ask(which: str) -> Rooms:
        return rooms([getattr(part, which) for part in parts], frames, [table], within)

    read = ask("as_read")
    room = float(read.value[0])
    low = min(room, float(ask("nearest_truth").value[0]))
    high = max(room, float(ask("farthest_truth").value[0]))
    met = int(read.part[0])
    blocker: str | None = parts[met].name if met >= 0 else None
    triangle: int | None = int(read.triangle[0]) if met >= 0 else None
    point: Point | None = _point(read.point[0]) if met >= 0 else None
    holder = _holder(parts, frames[0], table) if room > 0.0 else None
    if holder is not None:
        room = low = high = -float(table[0, 2])
        blocker, triangle = holder, None
        point = _point(frames[0, 0] + table[:, 0].min() * frames[0, 3])
    u, v = found.plane
    return Tilt(
        decided=decided,
        direction=_point(frames[0, 3]),
        angle_deg=math.degrees(math.hypot(u, v)),
        azimuth_deg=math.degrees(math.atan2(v, u)) % 360.0,
        room=room,
        low=low,
        high=high,
        most=most,
        blocker=blocker,
        triangle=triangle,
        point=point,
        inside=holder is not None,
        cells=cells,
    )

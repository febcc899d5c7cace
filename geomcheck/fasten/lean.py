"""Does a tool that may lean serve a fastener: ball ends and universal joints.

The rule. What is below the pivot (the joint's own socket) stays on the fastener's axis: it stands
and comes off as in ``reach``. Everything above it is one rigid stack that leans about the pivot, in
any direction, up to the tool's limit. It must have the room wanted where it stands; it comes off
moving along the fastener's axis by the height of the head, leaning as it does; and its handle must
have the arc it needs, about its own leaning axis, grown by what that lift moves it sideways.

A yes is a pose: a direction that was tried, with room, way off and arc. A no is proved by branch
and bound over all directions (:mod:`geomcheck.fasten.tilting`): none has the room wanted. Where
directions have the room, but none of those tried comes off and turns, it is not decided.

The way off is a move without turning: no point moves farther than the stack does. Between two poses
d apart with rooms a and b there is at least (a + b - d) / 2, so that some poses decide for all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geomcheck.fasten.access import Access, Lean, bar_rows
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import lift_off
from geomcheck.fasten.rooms import leaning, rooms, upright
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.stack import LIFT, WITHIN, Reach, Stack, free_from, stack_rooms
from geomcheck.fasten.swing import Swing, swept, swing
from geomcheck.fasten.tilting import Tilt, best_tilt, room_by_direction
from geomcheck.fasten.tools import Row, Tool
from geomcheck.finding import Point

#: Directions tried for a pose that comes off and turns: circles about the axis.
RINGS = 8
#: The most directions that are tried, those with the most room first.
TRIES = 24
#: Poses on the way off: a few, then more where a few do not decide.
POSES = (9, 65)


@dataclass(frozen=True, eq=False)
class _Stack:
    """What leans, about its pivot."""

    fastener: Fastener
    tool: Tool
    parts: tuple[Obstacle, ...]
    base: FloatArray
    table: FloatArray
    stroke: float
    room: float
    within: float
    turn: bool

    def frame(self, plane: tuple[float, float]) -> FloatArray:
        """The frame that leans by ``plane``, radians along u and v of the upright one."""
        found: FloatArray = leaning(self.base, np.array([plane]))[0]
        return found


def lean_access(
    fastener: Fastener,
    tool: Tool,
    obstacles: Iterable[Obstacle],
    *,
    seat: Seat | None = None,
    room: float = 0.0,
    turn: bool = True,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Access:
    """How a tool stands on a fastener and turns, leaning as it may; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    tool : Tool
        One with a ``tilt``.
    obstacles, seat, room, turn, lift, within
        As for :func:`geomcheck.fasten.access.access`.

    Raises
    ------
    InputError
        A length is negative or not finite, or the profile begins below the pivot.
    CannotDecide
        What stays on the axis lies below the place where looking begins.
    """
    parts = tuple(obstacles)
    height, _ = free_from(seat, lift)
    foot = height + fastener.rest
    stroke = lift_off(fastener, tool)
    pivot = fastener.point(foot + tool.pivot)
    table = np.array([(a - tool.pivot, b - tool.pivot, d / 2.0) for a, b, d in tool.profile])
    stack = _Stack(
        fastener,
        tool,
        parts,
        upright(pivot, fastener.axis),
        table,
        stroke,
        room,
        within,
        turn,
    )
    base_rows = tuple((fastener.rest + a, fastener.rest + b, d) for a, b, d in tool.base)
    base = None
    if base_rows:
        upright_part = Stack(tool, base_rows, stroke)
        (base,) = stack_rooms(fastener, [upright_part], parts, seat=seat, lift=lift, within=within)
        if base.high < room:
            straight = Lean(0.0, tool.tilt, fastener.axis, decided=True, none=True)
            return _told(stack, stack.base, base, None, straight, base.rows)
    stood = base.rows if base is not None else ()
    holder = next((part for part in parts if part.holds(pivot, fastener.axis)), None)
    if holder is not None:
        straight = Lean(0.0, tool.tilt, fastener.axis, decided=True, none=True)
        return _told(stack, stack.base, _swallowed(stack, holder, pivot), None, straight, stood)
    tilt = best_tilt(
        pivot, fastener.axis, table, parts, limit_deg=tool.tilt, need=room, within=within
    )
    if tilt.decided != "reaches":
        none = tilt.decided == "none"
        lean = Lean(tilt.angle_deg, tool.tilt, tilt.direction, decided=none, none=none)
        frame = stack.frame(_plane(tilt.angle_deg, tilt.azimuth_deg))
        return _told(stack, frame, _stands(stack, tilt), None, lean, stood)
    return _pose(stack, tilt, base, stood)


def _plane(angle_deg: float, azimuth_deg: float) -> tuple[float, float]:
    angle, turn = math.radians(angle_deg), math.radians(azimuth_deg)
    return (angle * math.cos(turn), angle * math.sin(turn))


def _pose(stack: _Stack, tilt: Tilt, base: Reach | None, stood: tuple[Row, ...]) -> Access:
    """The first direction that stands, comes off and turns; else the one that comes nearest."""
    limit = stack.tool.tilt
    fallback: Access | None = None
    nearest = -math.inf
    for plane in _tries(stack, tilt):
        frame = stack.frame(plane)
        if any(part.holds(_point(_lowest(stack, frame)), _point(frame[3])) for part in stack.parts):
            continue
        stands = _way_off(stack, frame)
        if base is not None and base.low < stands.low:
            stands = base
        angle = math.degrees(math.hypot(*plane))
        sure = stands.low >= stack.room
        turns = _swing(stack, frame, angle) if sure and stack.turn and stack.tool.bars else None
        sure = sure and (turns is None or turns.low >= turns.needed)
        lean = Lean(angle, limit, _point(frame[3]), decided=sure, stands=True)
        found = _told(stack, frame, stands, turns, lean, stood)
        if sure:
            return found
        near = stands.low - stack.room if turns is None else turns.low
        if fallback is None or near > nearest:
            fallback, nearest = found, near
    if fallback is None:
        frame = stack.frame(_plane(tilt.angle_deg, tilt.azimuth_deg))
        lean = Lean(tilt.angle_deg, limit, tilt.direction, decided=False, stands=True)
        return _told(stack, frame, _stands(stack, tilt), None, lean, stood)
    return _open(fallback, max(tilt.most, tilt.high))


def _open(found: Access, most: float) -> Access:
    """The same, with the upper bounds that the directions not tried leave open."""
    stands, turns = found.stands, found.turns
    if turns is not None and turns.low < turns.needed:
        return replace(found, turns=replace(turns, high=360.0))
    return replace(found, stands=replace(stands, high=max(stands.high, most)))


def _tries(stack: _Stack, tilt: Tilt) -> list[tuple[float, float]]:
    """Directions with room, the most first, and the one that is known to have it."""
    known = _plane(tilt.angle_deg, tilt.azimuth_deg)
    every = room_by_direction(
        stack.base[0],
        stack.fastener.axis,
        stack.table,
        stack.parts,
        limit_deg=stack.tool.tilt,
        rings=RINGS,
        within=stack.within,
    )
    # A stable order: by room, then as they were asked, the least lean first.
    order = [k for k in np.argsort(-every.room, kind="stable") if every.room[k] >= stack.room]
    planes = [_plane(float(every.angle_deg[k]), float(every.azimuth_deg[k])) for k in order]
    return [*planes[: TRIES - 1], known]


def _lowest(stack: _Stack, frame: FloatArray) -> FloatArray:
    lowest: FloatArray = frame[0] + float(stack.table[0, 0]) * frame[3]
    return lowest


def _way_off(stack: _Stack, frame: FloatArray) -> Reach:
    """Room of the leaning stack where it stands and on its way off."""
    up = np.array(stack.fastener.axis)
    trees = {
        which: [getattr(part, which) for part in stack.parts]
        for which in ("as_read", "nearest_truth", "farthest_truth")
    }
    low = -math.inf
    for count in POSES:
        way = np.linspace(0.0, stack.stroke, count)
        frames = np.repeat(frame[None], count, axis=0)
        frames[:, 0] += way[:, None] * up
        tables = [stack.table] * count
        near = rooms(trees["nearest_truth"], frames, tables, stack.within).value
        step = stack.stroke / (count - 1)
        low = min(float(near.min()), 0.5 * float((near[1:] + near[:-1]).min() - step))
        if low >= stack.room or float(near.min()) < stack.room:
            break
    read = rooms(trees["as_read"], frames, tables, stack.within)
    high = float(rooms(trees["farthest_truth"], frames, tables, stack.within).value.min())
    k = int(np.argmin(read.value))
    met = int(read.part[k])
    place = (int(read.triangle[k]), _point(read.point[k])) if met >= 0 else (None, None)
    room = float(read.value[k])
    name = stack.parts[met].name if met >= 0 else None
    return _reach(stack, (room, min(low, room), max(high, room)), name, *place)


def _stands(stack: _Stack, tilt: Tilt) -> Reach:
    """What the search over all directions tells, as the room where the stack stands."""
    least, most = min(tilt.low, tilt.room), max(tilt.most, tilt.high, tilt.room)
    rooms_found = (tilt.room, least, most)
    return _reach(stack, rooms_found, tilt.blocker, tilt.triangle, tilt.point, inside=tilt.inside)


def _swallowed(stack: _Stack, part: Obstacle, pivot: Point) -> Reach:
    """The pivot lies inside a part's material: there is no room in any direction."""
    radius = float(stack.table[0, 2])
    return _reach(stack, (-radius, -radius, -radius), part.name, None, pivot, inside=True)


def _reach(
    stack: _Stack,
    found: tuple[float, float, float],
    blocker: str | None,
    triangle: int | None,
    point: Point | None,
    *,
    inside: bool = False,
) -> Reach:
    """Room, its lower and its upper bound, and what is nearest."""
    return Reach(
        tool=stack.tool,
        room=found[0],
        low=found[1],
        high=found[2],
        within=stack.within,
        blocker=blocker,
        triangle=triangle,
        point=point,
        height=None if point is None else stack.fastener.height_of(point),
        inside=inside,
        doubt=(blocker or "") if found[1] < found[0] else "",
        rows=_rows(stack),
    )


def _swing(stack: _Stack, frame: FloatArray, angle: float) -> Swing:
    """The handle about its leaning axis, grown by what the way off moves it sideways."""
    bars = swept(stack.tool, -stack.tool.pivot, stack.stroke)
    grow = stack.room + stack.stroke * math.sin(math.radians(angle))
    return swing(frame, bars, stack.tool.arc, stack.parts, start=-math.inf, grow=grow)


def _rows(stack: _Stack) -> tuple[Row, ...]:
    return tuple((float(a), float(b), 2.0 * float(r)) for a, b, r in stack.table)


def _told(
    stack: _Stack,
    frame: FloatArray,
    stands: Reach,
    turns: Swing | None,
    lean: Lean,
    stood: tuple[Row, ...],
) -> Access:
    bars = bar_rows(stack.tool, -stack.tool.pivot)
    at = _point(frame[0])
    rows = _rows(stack)
    return Access(stack.tool, stack.fastener, stands, turns, lean, frame, at, rows, stood, bars)


def _point(place: Sequence[float] | FloatArray) -> Point:
    return (float(place[0]), float(place[1]), float(place[2]))

"""Room for two fingers that pinch a body from opposite sides, at the best direction.

A finger is a cylinder along the body's axis, touching the body. Its centre goes round the body with
the direction of the pinch; turning by an angle moves it by no more than a lever times that angle,
and the room changes by no more than it moves. Directions are halved, the most promising first,
until none can better the best found by more than ``STEP``: the upper bound of the interval.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import replace

from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.room import Column, Room, Which, free_room, least_room

#: Directions are refined until no other can give this much more room, mm.
STEP = 0.05
#: Directions tried at most.
TRIES = 400
FIRST = 12


def pinch_room(
    frame: FloatArray,
    half: tuple[float, float],
    round_body: bool,
    finger: float,
    span: tuple[float, float],
    parts: Sequence[Obstacle],
    *,
    within: float,
    wanted: float = 0.0,
) -> tuple[Room, float]:
    """Room about two fingers, and their direction in degrees from the frame's u.

    Parameters
    ----------
    frame : (4, 3) float
        Origin and unit axes; w is the body's axis.
    half : (float, float)
        Half the body's size along u and v, mm.
    round_body : bool
        A cylinder rather than a box.
    finger : float
        Diameter of a finger, mm.
    span : (float, float)
        From, to along the axis, mm.
    parts : sequence of Obstacle
    within : float
        mm beyond the fingers where the search ends.
    wanted : float
        Room below which they do not pass, mm.
    """
    lever = half[0] + finger / 2.0
    if not round_body:
        lever = 2.0 * math.hypot(*half) + finger / 2.0

    def columns(angle: float) -> list[Column]:
        c, s = math.cos(angle), math.sin(angle)
        out = half[0] if round_body else half[0] * abs(c) + half[1] * abs(s)
        out += finger / 2.0
        rows = ((span[0], span[1], finger / 2.0),)
        return [(out * c, out * s, rows), (-out * c, -out * s, rows)]

    def best(which: Which) -> tuple[float, float, float]:
        """Greatest room found, what it may be at most, and its direction."""

        def value(angle: float) -> float:
            return least_room(parts, which, frame, columns(angle), within).value

        step = math.pi / (2 * FIRST)
        # Half a turn is all: the fingers are opposite.
        open_ones: list[tuple[float, int, float, float]] = []
        found, where = -math.inf, 0.0
        for n in range(FIRST):
            angle = (2 * n) * step
            room = value(angle)
            heapq.heappush(open_ones, (-(room + lever * step), n, angle, step))
            if room > found:
                found, where = room, angle
        count = FIRST
        while open_ones and count < TRIES and found < within:
            bound, _, angle, width = open_ones[0]
            if -bound <= found + STEP:
                break
            heapq.heappop(open_ones)
            for part in (-1.0, 0.0, 1.0):
                here = angle + part * width * 2.0 / 3.0
                room = value(here)
                count += 1
                heapq.heappush(open_ones, (-(room + lever * width / 3.0), count, here, width / 3.0))
                if room > found:
                    found, where = room, here
        top = -open_ones[0][0] if open_ones else found
        return found, min(max(top, found), within), where

    _, _, angle = best("as_read")
    low, _, low_at = best("nearest_truth")
    _, high, _ = best("farthest_truth")
    if high < wanted:
        # As in ``room``: a flat face's edge is as untrue as the face beside it, whichever it is.
        high += max((float(part.sagitta.inward.max(initial=0.0)) for part in parts), default=0.0)
    room = free_room(frame, columns(angle), parts, within=within)
    if low > room.low:
        # Fingers may be put where the truth leaves most room, rather than the meshes.
        other = free_room(frame, columns(low_at), parts, within=within)
        if other.low > room.low and other.room >= room.room - STEP:
            room, angle = other, low_at
    room = replace(room, high=max(room.high, high))
    if room.room >= 0.0 and not room.inside:
        # Beside a wall that the body touches, a finger may be wholly inside the wall.
        for u, v, _ in columns(angle):
            middle = frame[0] + u * frame[1] + v * frame[2] + 0.5 * (span[0] + span[1]) * frame[3]
            room = _swallowed(parts, middle, frame[3], finger / 2.0, room)
    return room, math.degrees(angle) % 180.0


def _swallowed(
    parts: Sequence[Obstacle], middle: FloatArray, axis: FloatArray, radius: float, room: Room
) -> Room:
    """The room, corrected where the middle of a finger is inside a part."""
    x, y, z = (float(c) for c in middle)
    a, b, c = (float(value) for value in axis)
    for part in parts:
        if part.holds((x, y, z), (a, b, c)):
            return replace(
                room,
                room=-radius,
                low=-radius,
                blocker=part.name,
                triangle=None,
                point=(x, y, z),
                inside=True,
            )
    return room

"""Parts that come off straight, or leg by leg past way points: what stops them, and by how much."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.withdraw import washer_radius
from geomcheck.finding import Point
from geomcheck.mesh.meetings import Met
from geomcheck.mesh.travel import free_travel

FloatArray: TypeAlias = NDArray[np.float64]

#: Sides of the cylinders that stand for a bolt; they hold the round ones.
SIDES = 24
#: A part is asked to give no more than this, mm, and to this exactly.
MOST_RELIEF, RELIEF_STEP = 256.0, 0.05


@dataclass(frozen=True)
class Leg:
    """A straight piece of a way off: where it starts, its direction, and how long it is.

    Parameters
    ----------
    start : Point
        Shift from where the part stands, mm.
    direction : Point
        Unit vector.
    length : float
        mm; inf for the last.
    """

    start: Point
    direction: Point
    length: float = math.inf


@dataclass(frozen=True)
class Stop:
    """What a way off meets.

    Parameters
    ----------
    part : str
        The part of the vehicle that is met.
    mover : str
        The part, or bolt, that meets it.
    travel : float
        mm from where it stands, along the legs.
    point : Point
        Where it is met, mm.
    certain : bool
        False where the true parts may pass.
    overlap : bool
        They share room from the start of the leg.
    """

    part: str
    mover: str
    travel: float
    point: Point
    certain: bool
    overlap: bool


def straight(direction: Sequence[float]) -> tuple[Leg, ...]:
    """A way off in one direction.

    Raises
    ------
    InputError
        The direction is zero or not finite.
    """
    return (Leg((0.0, 0.0, 0.0), _unit(direction)),)


def past(points: Sequence[Sequence[float]]) -> tuple[Leg, ...]:
    """A way off past way points, shifts from where the part stands; then straight on.

    Raises
    ------
    InputError
        Two points in a row are the same, or one is not finite.
    """
    legs: list[Leg] = []
    here = np.zeros(3)
    for number, point in enumerate(points):
        there = np.asarray(point, dtype=np.float64)
        length = float(np.linalg.norm(there - here))
        last = number == len(points) - 1
        way = _unit(there - here)
        x, y, z = (float(c) for c in here)
        legs.append(Leg((x, y, z), way, math.inf if last else length))
        here = there
    return tuple(legs)


def _unit(way: Sequence[float] | FloatArray) -> Point:
    vector = np.asarray(way, dtype=np.float64)
    size = float(np.linalg.norm(vector))
    if not (math.isfinite(size) and size > 1e-9):
        raise InputError("a way off needs a direction that is finite and not zero")
    x, y, z = (float(c) for c in vector / size)
    return (x, y, z)


def leave(
    movers: Sequence[Obstacle],
    others: Sequence[Obstacle],
    legs: Sequence[Leg],
    allow: float,
    shuts: Callable[[Stop], bool] = lambda _: False,
) -> list[Stop]:
    """Which of the other parts stop some that leave together, the first place at each.

    Parameters
    ----------
    movers, others : sequence of Obstacle
    legs : sequence of Leg
    allow : float
        As for :func:`geomcheck.mesh.travel.free_travel`, mm.
    shuts : callable
        Whether a stop is enough to know: no further part is asked then.
    """
    found: list[Stop] = []
    for other in others:
        stops = [stop for mover in movers if (stop := _stop(mover, other, legs, allow))]
        if stops:
            found.append(min(stops, key=lambda stop: (not stop.certain, stop.travel)))
            if shuts(found[-1]):
                break
    return found


def _stop(mover: Obstacle, other: Obstacle, legs: Sequence[Leg], allow: float) -> Stop | None:
    doubt = mover.sagitta.outward, other.sagitta.outward
    way, maybe = 0.0, None
    for leg in legs:
        found = free_travel(
            mover.tree,
            other.tree,
            leg.direction,
            limit=leg.length,
            allow=allow,
            doubt=doubt,
            start=leg.start,
            sheets=(not mover.solid, not other.solid),
        )
        met: Met | None = found.high
        if met is not None:
            shown = found.read or met
            return Stop(
                other.name, mover.name, way + shown.travel, shown.point, True, shown.overlap
            )
        if maybe is None and found.low is not None:
            met = found.low
            maybe = Stop(other.name, mover.name, way + met.travel, met.point, False, met.overlap)
        way += leg.length
    return maybe


def relief(
    movers: Sequence[Obstacle], other: Obstacle, legs: Sequence[Leg], allow: float
) -> tuple[float, Point] | None:
    """How far another part has to give to let some leave, and which way; None beyond reason.

    Four directions across the last leg are tried; the amount is right to ``RELIEF_STEP`` mm, not
    too small, and holds what the true surfaces may stand off the facets.
    """
    doubt = other.sagitta.largest + max(mover.sagitta.largest for mover in movers)
    ahead = np.array(legs[-1].direction)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(ahead)))] = 1.0
    one = np.cross(ahead, helper)
    one /= np.linalg.norm(one)
    best: tuple[float, Point] | None = None
    for side in (one, -one, np.cross(ahead, one), -np.cross(ahead, one)):
        limit = MOST_RELIEF if best is None else best[0]

        def free(amount: float, side: FloatArray = side) -> bool:
            moved = [
                Leg(_unit_free(np.array(leg.start) - amount * side), leg.direction, leg.length)
                for leg in legs
            ]
            return all(_passes(mover, other, moved, allow) for mover in movers)

        high = 1.0
        while high < limit and not free(high):
            high *= 2.0
        if high >= limit and not free(limit):
            continue
        high, low = min(high, limit), 0.0
        while high - low > RELIEF_STEP:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if free(middle) else (middle, high)
        if best is None or high < best[0]:
            best = (high, _unit(side))
    return None if best is None else (best[0] + doubt, best[1])


def _passes(mover: Obstacle, other: Obstacle, legs: Sequence[Leg], allow: float) -> bool:
    """Whether a part passes another, as both are read."""
    return all(
        free_travel(
            mover.tree,
            other.tree,
            leg.direction,
            limit=leg.length,
            allow=allow,
            start=leg.start,
            sheets=(not mover.solid, not other.solid),
        ).read
        is None
        for leg in legs
    )


def _unit_free(shift: FloatArray) -> Point:
    x, y, z = (float(c) for c in shift)
    return (x, y, z)


def raised_bolt(fastener: Fastener, lift: float) -> Obstacle:
    """A bolt in its hole, raised by ``lift`` mm: shank, washer and head as one obstacle."""
    tip = max(fastener.length - fastener.washer, 0.0)
    rows = [
        (lift - tip, lift, 0.5 * fastener.screw.thread_diameter),
        (lift + fastener.washer, lift + fastener.head_top, fastener.head_radius),
    ]
    if fastener.washer > 0.0:
        rows.append((lift, lift + fastener.washer, washer_radius(fastener)))
    return stacked(f"bolt {fastener.name}", fastener.frame(), rows)


def stacked(name: str, frame: FloatArray, rows: Sequence[tuple[float, float, float]]) -> Obstacle:
    """Cylinders about one axis as one obstacle, a little larger than round.

    Parameters
    ----------
    name : str
    frame : (4, 3) float
        Origin, u, v and the axis w.
    rows : sequence of (from, to, radius)
        mm along w.
    """
    solid = [_cylinder(low, high, radius) for low, high, radius in rows if high > low]
    triangles = frame[0] + np.concatenate(solid) @ frame[1:]
    return Obstacle.of(name, triangles)


def _cylinder(low: float, high: float, radius: float) -> FloatArray:
    """(n, 3, 3) triangles of a prism round the cylinder about z, facing outwards."""
    turn = np.arange(SIDES) * (2.0 * math.pi / SIDES)
    out = radius / math.cos(math.pi / SIDES)
    ring = np.stack([out * np.cos(turn), out * np.sin(turn)], axis=1)
    a = np.column_stack([ring, np.full(SIDES, low)])
    b = np.column_stack([ring, np.full(SIDES, high)])
    c, d = np.roll(a, -1, axis=0), np.roll(b, -1, axis=0)
    foot, top = np.tile([0.0, 0.0, low], (SIDES, 1)), np.tile([0.0, 0.0, high], (SIDES, 1))
    faces = ((a, c, d), (a, d, b), (foot, c, a), (top, b, d))
    return np.concatenate([np.stack(corners, axis=1) for corners in faces])

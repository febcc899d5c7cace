"""Does a hand come to a place: a straight round way that leads out past everything there.

The way is a cylinder that begins at the place, or a little up an axis from it where the line
between is free, and leads in one of ``WAYS`` directions, ``LENGTH`` mm far; what is farther off is
not looked at. It is asked for twice (table ``hands``): for a hand, with two fingertips before it,
and for one finger. Every triangle is moved out by its sagitta. A way that is found is a proof that
something as thick gets there; where none is found nothing is proved, since arms bend.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.capsules import capsule_room
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.finding import Point
from geomcheck.kernels import solids
from geomcheck.standards import hands

#: What comes to a place.
Comes: TypeAlias = Literal["hand", "finger", "nothing"]

#: Directions that are tried.
WAYS = 400
#: How many of them are tried before the next lot is; the first is along the axis.
ROUNDS = (1, 16, 80)
#: So far a way has to be free, mm: an arm (rule of thumb).
LENGTH = 700.0


@dataclass(frozen=True)
class WayIn:
    """What comes to a place, and how.

    Parameters
    ----------
    comes : {"hand", "finger", "nothing"}
    width : float
        Its thickness, mm; of nothing 0.
    direction : Point or None
        Unit vector out; None where nothing comes.
    part : str
        The part that is met in most directions by the thickest that does not come; empty if none.
    """

    comes: Comes
    width: float
    direction: Point | None
    part: str


class Field(Protocol):
    """Obstacles that are asked for box by box."""

    def near(self, low: FloatArray, high: FloatArray) -> Sequence[Obstacle]:
        """Those whose true surface may meet the box low..high, mm."""
        ...


@dataclass(frozen=True)
class _Listed:
    """A list of obstacles as a field."""

    parts: Sequence[Obstacle]

    def near(self, low: FloatArray, high: FloatArray) -> list[Obstacle]:
        return [part for part in self.parts if _meets_box(part, low, high)]


def _meets_box(part: Obstacle, low: FloatArray, high: FloatArray) -> bool:
    least, most = part.tree.bounds
    off = part.sagitta.largest
    return bool((least - off <= high).all() and (most + off >= low).all())


def way_to(places: Sequence[tuple[Point, Point]], parts: Sequence[Obstacle] | Field) -> WayIn:
    """The widest of the ways to several places, each with its axis; the first of equals."""
    found = way_in(*places[0], parts)
    for place, axis in places[1:]:
        if found.comes == "hand":
            break
        found = max(found, way_in(place, axis, parts), key=lambda one: one.width)
    return found


def way_in(place: Point, axis: Point, parts: Sequence[Obstacle] | Field) -> WayIn:
    """Whether a hand, or at least a finger, comes straight to ``place``.

    Parameters
    ----------
    place : Point
        Such as the top of a tool, mm.
    axis : Point
        Unit vector: the way may begin up it, by what its own thickness needs.
    parts : sequence of Obstacle, or Field
        Of a field no more is asked for than the directions that are tried can meet.
    """
    field = _Listed(parts) if isinstance(parts, Sequence) else parts
    hand = hands()[0]
    tips, knuckles = 2.0 * hand.finger, hand.finger_reach
    asked: tuple[tuple[Comes, float, list[list[float]]], ...] = (
        (
            "hand",
            hand.width,
            [[0.0, knuckles, tips / 2.0], [knuckles, LENGTH, hand.width / 2.0]],
        ),
        ("finger", hand.finger, [[0.0, LENGTH, hand.finger / 2.0]]),
    )
    stopped = ""
    for comes, width, rows in asked:
        way, part = _out(place, axis, np.array(rows), field)
        stopped = stopped or part
        if way is not None:
            return WayIn(comes, width, way, stopped)
    return WayIn("nothing", 0.0, None, stopped)


def _out(place: Point, axis: Point, rows: FloatArray, field: Field) -> tuple[Point | None, str]:
    """The first direction that is free, and the part that is met in most of the others."""
    up = np.array(axis)
    met: dict[str, int] = {}
    for rise in (0.0, 1.0):
        start = np.array(place) + rise * (float(rows[0, 2]) + 0.5) * up
        here = (float(start[0]), float(start[1]), float(start[2]))
        if any(part.holds(here, axis) for part in field.near(start, start)):
            continue
        if rise > 0.0 and not _clear(np.array(place), start, field):
            continue
        every = _frames(start, up)
        for begin, end in itertools.pairwise((0, *ROUNDS, WAYS)):
            frames = every[begin:end]
            for part in field.near(*_box(start, frames, rows)):
                found = _meets(part, frames, rows)
                if found.any():
                    met[part.name] = met.get(part.name, 0) + int(found.sum())
                frames = frames[~found]
                if len(frames) == 0:
                    break
            if len(frames):
                x, y, z = (float(c) for c in frames[0, 3])
                return (x, y, z), _most(met)
    return None, _most(met)


def _most(met: dict[str, int]) -> str:
    """The part that is met most; of equals the first by name; empty if none is."""
    return min(met, key=lambda name: (-met[name], name), default="")


def _clear(place: FloatArray, start: FloatArray, field: Field) -> bool:
    """Whether the line between two points is surely free."""
    parts = field.near(np.minimum(place, start), np.maximum(place, start))
    return capsule_room(place, start, 0.0, parts).low > 0.0


def _box(start: FloatArray, frames: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest corner of the box about the ways along the frames."""
    ends = np.vstack([start, start + float(rows[-1, 1]) * frames[:, 3]])
    radius = float(rows[:, 2].max())
    return ends.min(axis=0) - radius, ends.max(axis=0) + radius


def _meets(part: Obstacle, frames: FloatArray, rows: FloatArray) -> NDArray[np.bool_]:
    """(n,) whether a part may stand in the way, by direction."""
    n = len(frames)
    value, points = np.empty(n), np.empty((n, 3))
    found, row = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    starts = np.arange(n + 1) * len(rows)
    # A touch counts; the first metal met is enough to know.
    solids.rooms(
        part.nearest_truth, frames, np.tile(rows, (n, 1)), starts, np.full(n, 1e-3), 0.0, 0, n,
        value, found, row, points,
    )  # fmt: skip
    return found >= 0


def _frames(start: FloatArray, axis: FloatArray) -> FloatArray:
    """(WAYS, 4, 3) frames at one place, in directions evenly about an axis, along it first."""
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(axis)))] = 1.0
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    turn = np.arange(WAYS) * (math.pi * (3.0 - math.sqrt(5.0)))
    height = 1.0 - 2.0 * np.arange(WAYS) / (WAYS - 1.0)
    flat = np.sqrt(np.maximum(1.0 - height * height, 0.0))
    local = np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
    ways = local @ np.stack([u, v, axis])
    found = np.empty((WAYS, 4, 3))
    found[:, 0], found[:, 3] = start, ways
    least = np.eye(3)[np.argmin(np.abs(ways), axis=1)]
    across = np.cross(ways, least)
    found[:, 1] = across / np.linalg.norm(across, axis=1)[:, None]
    found[:, 2] = np.cross(ways, found[:, 1])
    return found

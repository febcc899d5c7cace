"""Can a fastener be drawn: how far it travels along its axis before it meets something.

The head is a cylinder of its greatest diameter, standing on its seat or washer; a washer under it
is a disc of its outside diameter. Both move out along the axis. The travel is the least, over head
and washer, of the height at which metal first stands within its radius, less the height of its own
top. A screw is out when it has travelled its nominal length. The shank follows within the head's
way; whether it stands free in its hole is asked in ``loading``. Only the straight way is looked at:
no tilting, and not the way aside once the screw is out.

The interval: every triangle is moved out by its part's sagitta for the lower bound, and back for
the upper. What is nearer to the seat than ``lift`` plus the seat's sagitta is left out, as in
``reach``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle, as_obstacles
from geomcheck.fasten.reach import LIFT, free_from
from geomcheck.fasten.seat import Seat
from geomcheck.finding import Point
from geomcheck.kernels import solids
from geomcheck.standards import washers

#: Outside diameter of a washer over the thread's, for sizes ISO 7089 does not have here (common
#: practice, no source; its rows M5 to M12 have 2.0, M4 2.25).
WASHER_RATIO = 2.25


@dataclass(frozen=True)
class Withdrawal:
    """Free travel of one fastener along its axis.

    Parameters
    ----------
    travel, low, high : float
        As read from the meshes, and its interval, mm; negative where metal stands beside the
        head itself. All three are the length looked at where the way is clear: the travel is then
        at least that much.
    needed : float
        Travel that draws the screw, the margin included, mm.
    blocker : str or None
        The part met first; None where the way is clear to the edge of all parts.
    triangle : int or None
        Its triangle, in the caller's order; None also where the head starts inside the part.
    point : Point or None
        The place that is met, mm.
    inside : bool
        The head starts wholly inside the blocker's material.
    doubt : str
        The part whose sagitta sets the lower bound; empty if none.
    stops : {"head", "washer"}
        What meets the blocker.
    """

    travel: float
    low: float
    high: float
    needed: float
    blocker: str | None
    triangle: int | None
    point: Point | None
    inside: bool
    doubt: str
    stops: Literal["head", "washer"] = "head"

    @property
    def clear(self) -> bool:
        """Nothing stands in the way up to the edge of all parts."""
        return self.blocker is None


def washer_radius(fastener: Fastener) -> float:
    """Outside radius of the washer under the head (ISO 7089), mm; 0 without a washer."""
    if fastener.washer <= 0.0:
        return 0.0
    for row in washers():
        if row.size == fastener.screw.size:
            return row.outside_diameter / 2.0
    return WASHER_RATIO * fastener.screw.thread_diameter / 2.0


def withdraw(
    fastener: Fastener,
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    margin: float = 0.0,
) -> Withdrawal:
    """Free travel of a fastener along its axis; see the module's rule.

    Parameters
    ----------
    fastener, obstacles, seat, lift
        As for ``reach``.
    margin : float
        Travel wanted beyond the nominal length, mm.

    Raises
    ------
    InputError
        A length is negative or not finite, or an obstacle is no mesh.
    """
    if not (0.0 <= lift < np.inf and 0.0 <= margin < np.inf):
        raise InputError("lift and margin must be finite lengths, not negative")
    parts = as_obstacles(obstacles)
    height, start = free_from(seat, lift)
    head_top = fastener.head_top
    needed = fastener.length + margin
    frame = fastener.frame(height)
    reach = max(_edge(parts, frame) - head_top, needed)
    floor_point = fastener.point(height + start)
    for part in parts:
        if part.holds(floor_point, fastener.axis):
            travel = start - head_top
            return Withdrawal(
                travel, travel, travel, needed, part.name, None, floor_point, True, ""
            )
    # Radius, top, name; where both are stopped at once, the head is named.
    stack: list[tuple[float, float, Literal["head", "washer"]]] = [
        (fastener.head_radius, head_top, "head")
    ]
    if fastener.washer > 0.0:
        stack.append((washer_radius(fastener), fastener.washer, "washer"))
    read, stops = _least(parts, "as_read", frame, stack, start, reach)
    low, _ = _least(parts, "nearest_truth", frame, stack, start, reach)
    high, _ = _least(parts, "farthest_truth", frame, stack, start, reach)
    point: Point | None = None
    if read.part >= 0:
        point = (float(read.point[0]), float(read.point[1]), float(read.point[2]))
    return Withdrawal(
        travel=read.value,
        low=min(low.value, read.value),
        high=max(high.value, read.value),
        needed=needed,
        blocker=parts[read.part].name if read.part >= 0 else None,
        triangle=read.triangle if read.part >= 0 else None,
        point=point,
        inside=False,
        doubt=parts[low.part].name if low.part >= 0 and low.value < read.value else "",
        stops=stops,
    )


@dataclass(frozen=True)
class First:
    """First metal along an axis: height or travel, part number (-1: none), triangle, place."""

    value: float
    part: int
    triangle: int
    point: FloatArray


def first_metal(
    parts: Sequence[Obstacle],
    which: Literal["as_read", "nearest_truth", "farthest_truth"],
    frame: FloatArray,
    radius: float,
    start: float,
    ceiling: float,
) -> First:
    """Least height of metal within ``radius`` of the axis, between ``start`` and ``ceiling``, mm.

    ``frame`` is (4, 3): origin and unit axes u, v, w, heights along w; ``which`` are the triangles
    as read, moved out, or moved back by their sagitta.
    """
    best = First(ceiling, -1, -1, np.zeros(3))
    value = np.empty(1)
    found = np.empty(1, dtype=np.int64)
    place = np.zeros((1, 3))
    frames = frame[None]
    radii = np.array([radius])
    floors = np.array([start])
    for number, part in enumerate(parts):
        tree: KernelTree = getattr(part, which)
        top = np.array([best.value])
        solids.travels(tree, frames, radii, floors, top, 0, 1, value, found, place)
        if found[0] >= 0 and value[0] < best.value:
            best = First(float(value[0]), number, int(found[0]), place[0].copy())
    return best


def _least(
    parts: Sequence[Obstacle],
    which: Literal["as_read", "nearest_truth", "farthest_truth"],
    frame: FloatArray,
    stack: Sequence[tuple[float, float, Literal["head", "washer"]]],
    start: float,
    reach: float,
) -> tuple[First, Literal["head", "washer"]]:
    """Least travel over the cylinders of the stack, as a ``First``, and which one is stopped."""
    best = First(reach, -1, -1, np.zeros(3))
    stops: Literal["head", "washer"] = "head"
    for radius, top, what in stack:
        met = first_metal(parts, which, frame, radius, start, top + best.value)
        if met.part >= 0 and met.value - top < best.value:
            best = First(met.value - top, met.part, met.triangle, met.point)
            stops = what
    return best, stops


def _edge(parts: Sequence[Obstacle], frame: FloatArray) -> float:
    """Height above the seat beyond which no part's box reaches, mm; 0 without parts."""
    top = 0.0
    for part in parts:
        low, high = part.tree.bounds - frame[0]
        top = max(top, float(np.maximum(low * frame[3], high * frame[3]).sum()))
    return top

"""Can a fastener be drawn: how far it travels along its axis before its head meets something.

The head is a cylinder of its greatest diameter, standing on its seat; it moves out along the axis.
Its travel is the height at which metal first stands within that radius, less the height of the
head's top. A screw is out when it has travelled its nominal length. The washer is not looked at,
nor the way aside once the screw is out.

The interval: every triangle is moved out by its part's sagitta for the lower bound, and back for
the upper. What is nearer to the seat than ``lift`` plus the seat's sagitta is left out, as in
``reach``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle, as_obstacles
from geomcheck.fasten.reach import LIFT, free_from
from geomcheck.fasten.seat import Seat
from geomcheck.finding import Point
from geomcheck.kernels import solids


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

    @property
    def clear(self) -> bool:
        """Nothing stands in the way up to the edge of all parts."""
        return self.blocker is None


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
    ceiling = head_top + max(_edge(parts, frame) - head_top, needed)
    radius = fastener.head_radius
    floor_point = fastener.point(height + start)
    for part in parts:
        if part.holds(floor_point, fastener.axis):
            travel = start - head_top
            return Withdrawal(
                travel, travel, travel, needed, part.name, None, floor_point, True, ""
            )
    read = _first(parts, "as_read", frame, radius, start, ceiling)
    low = _first(parts, "nearest_truth", frame, radius, start, ceiling)
    high = _first(parts, "farthest_truth", frame, radius, start, ceiling)
    point: Point | None = None
    if read.part >= 0:
        point = (float(read.point[0]), float(read.point[1]), float(read.point[2]))
    return Withdrawal(
        travel=read.value - head_top,
        low=min(low.value, read.value) - head_top,
        high=max(high.value, read.value) - head_top,
        needed=needed,
        blocker=parts[read.part].name if read.part >= 0 else None,
        triangle=read.triangle if read.part >= 0 else None,
        point=point,
        inside=False,
        doubt=parts[low.part].name if low.part >= 0 and low.value < read.value else "",
    )


def _edge(parts: Sequence[Obstacle], frame: FloatArray) -> float:
    """Height above the seat beyond which no part's box reaches, mm; 0 without parts."""
    top = 0.0
    for part in parts:
        low, high = part.tree.bounds - frame[0]
        top = max(top, float(np.maximum(low * frame[3], high * frame[3]).sum()))
    return top


@dataclass(frozen=True)
class _First:
    value: float
    part: int
    triangle: int
    point: FloatArray


def _first(
    parts: Sequence[Obstacle],
    which: str,
    frame: FloatArray,
    radius: float,
    start: float,
    ceiling: float,
) -> _First:
    best = _First(ceiling, -1, -1, np.zeros(3))
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
            best = _First(float(value[0]), number, int(found[0]), place[0].copy())
    return best

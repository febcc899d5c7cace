"""How near metal is to a bolt's shank, and where the bolt's end would meet some: exact kernels.

Every triangle of every part is looked at, moved out by its sagitta for the lower bound and back
for the upper.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.finding import Point
from geomcheck.kernels import solids

#: Nothing is looked at nearer to the seat than this, mm.
LIFT = 0.3
#: Metal farther from the shank than this is not looked for, mm.
WITHIN = 5.0


@dataclass(frozen=True)
class Near:
    """A length to the nearest metal with its interval, and where that is.

    ``part`` is None where there is none as far as was looked, which all three values then are.
    """

    value: float
    low: float
    high: float
    part: str | None
    point: Point | None
    doubt: str


def shank_room(
    frame: FloatArray, parts: Sequence[Obstacle], fastener: Fastener, end: float
) -> Near:
    """Room beside the shank between the seat and the depth ``end``."""
    nothing = Near(WITHIN, WITHIN, WITHIN, None, None, "")
    if end <= LIFT or not parts:
        return nothing
    radius = fastener.screw.thread_diameter / 2.0
    rows = np.array([[LIFT, end, radius]])
    value, point = np.empty(1), np.zeros((1, 3))
    found, row = np.empty(1, dtype=np.int64), np.empty(1, dtype=np.int64)
    best: dict[str, tuple[float, str | None, Point | None]] = {}
    for which in ("as_read", "nearest_truth", "farthest_truth"):
        least: tuple[float, str | None, Point | None] = (WITHIN, None, None)
        for part in parts:
            solids.rooms(
                getattr(part, which), frame[None], rows, np.array([0, 1]), np.array([least[0]]),
                -np.inf, 0, 1, value, found, row, point,
            )  # fmt: skip
            if found[0] >= 0 and value[0] < least[0]:
                least = (float(value[0]), part.name, _point(point[0]))
        best[which] = least
    return _near(best)


def first_metal(
    frame: FloatArray, parts: Sequence[Obstacle], radius: float, floor: float, high: float
) -> Near:
    """Depth below ``floor`` at which a cylinder first meets metal."""
    value, point = np.empty(1), np.zeros((1, 3))
    found = np.empty(1, dtype=np.int64)
    best: dict[str, tuple[float, str | None, Point | None]] = {}
    for which in ("as_read", "nearest_truth", "farthest_truth"):
        least: tuple[float, str | None, Point | None] = (high, None, None)
        for part in parts:
            solids.travels(
                getattr(part, which), frame[None], np.array([radius]), np.array([floor]),
                np.array([least[0]]), 0, 1, value, found, point,
            )  # fmt: skip
            if found[0] >= 0 and value[0] < least[0]:
                least = (float(value[0]), part.name, _point(point[0]))
        best[which] = least
    return _near(best)


def _near(best: Mapping[str, tuple[float, str | None, Point | None]]) -> Near:
    value, part, point = best["as_read"]
    low, doubt, _ = best["nearest_truth"]
    return Near(
        value,
        min(low, value),
        max(best["farthest_truth"][0], value),
        part,
        point,
        doubt or "" if low < value else "",
    )


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))

"""Bars that turn about an axis, and the angles at which they stand clear of a set of parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import KernelTree, Obstacle
from geomcheck.finding import Point
from geomcheck.kernels import arcs as kernel


@dataclass(frozen=True)
class Bar:
    """A handle, arm or blade that turns about the axis.

    Parameters
    ----------
    low, high : float
        mm up the axis from the frame's origin.
    half_width : float
        Half of its width across, mm.
    r_from, r_to : float
        From the axis, mm. A square tip of length l needs ``hypot(l, half_width)``.
    at_deg : float
        Its angle from that of the first bar.
    """

    low: float
    high: float
    half_width: float
    r_from: float
    r_to: float
    at_deg: float = 0.0

    def __post_init__(self) -> None:
        sizes = (self.low, self.high, self.half_width, self.r_from, self.r_to, self.at_deg)
        if not all(map(math.isfinite, sizes)):
            raise InputError("a bar needs finite lengths and angles")
        if not (self.low < self.high and self.half_width > 0.0 and 0.0 <= self.r_from < self.r_to):
            raise InputError(
                "a bar needs a positive width, a height that rises along the axis and a reach that "
                "grows away from it"
            )


@dataclass(frozen=True)
class Edge:
    """What ends a free arc.

    Parameters
    ----------
    part : str
    triangle : int or None
        The caller's number; None where the bar is wholly inside the part.
    point : Point
        Where the bar touches it, mm.
    """

    part: str
    triangle: int | None
    point: Point


@dataclass(frozen=True)
class Arc:
    """Angles at which the first bar stands clear.

    Parameters
    ----------
    from_deg, to_deg : float
        ``from_deg`` within 0 .. 360, ``to_deg`` larger, above 360 where the arc holds angle 0.
    from_edge, to_edge : Edge or None
        What it runs against; None where it is free all round.
    """

    from_deg: float
    to_deg: float
    from_edge: Edge | None
    to_edge: Edge | None

    @property
    def size_deg(self) -> float:
        """Its size in degrees."""
        return self.to_deg - self.from_deg

    @property
    def middle_deg(self) -> float:
        """Its middle, degrees within 0 .. 360."""
        return (0.5 * (self.from_deg + self.to_deg)) % 360.0


@dataclass(frozen=True)
class Share:
    """What one part blocks by itself.

    Parameters
    ----------
    part : str
    blocked_deg : float
    edge : Edge
        One place where it does.
    """

    part: str
    blocked_deg: float
    edge: Edge


def bar_row(bar: Bar, start: float, grow: float) -> tuple[float, ...]:
    """The bar as the kernel wants it, grown, and cut off below ``start``."""
    return (
        max(bar.low - grow, start),
        bar.high + grow,
        bar.half_width + grow,
        max(bar.r_from - grow, 0.0),
        bar.r_to + grow,
        -math.radians(bar.at_deg),
    )


def inner_point(bar: Bar, start: float) -> tuple[float, float, float]:
    """Height, radius and angle (radians) of a point inside the bar."""
    return (
        0.5 * (max(bar.low, min(start, bar.high)) + bar.high),
        0.5 * (bar.r_from + bar.r_to),
        math.radians(bar.at_deg),
    )


def moved(parts: Sequence[Obstacle], which: str) -> bool:
    """Whether any part's metal is moved in this variant."""
    return any(len(getattr(part, which)[5]) for part in parts)


class Sweep:
    """Bars in their frame, asked against parts in one of their three variants."""

    def __init__(
        self,
        frame: FloatArray,
        table: FloatArray,
        inner: Sequence[tuple[float, float, float]],
        need: float,
    ) -> None:
        self.frame = frame
        self.table = table
        self.inner = inner
        self.need = need

    def arcs(self, parts: Sequence[Obstacle], which: str) -> tuple[Arc, ...]:
        """Free arcs of at least the angle needed."""
        trees: list[KernelTree] = [getattr(part, which) for part in parts]
        ends, marks, spots = blocked(self.frame, self.table, trees, self.need)
        names = [part.name for part in parts]
        found = []
        for number, (low, high) in enumerate(_gaps(ends)):
            if high - low < self.need:
                continue
            edges: list[Edge | None] = [None, None]
            if len(ends):
                before = (number - 1) % len(ends) if ends[0, 0] > 0.0 else number
                behind = (before + 1) % len(ends)
                edges = [
                    self._edge(names, marks[before, 2:], spots[before, 3:]),
                    self._edge(names, marks[behind, :2], spots[behind, :3]),
                ]
            if not self._inside(parts, 0.5 * (low + high)):
                found.append(Arc(math.degrees(low), math.degrees(high), edges[0], edges[1]))
        return tuple(sorted(found, key=lambda arc: arc.from_deg))

    def doubt(self, parts: Sequence[Obstacle]) -> str:
        """The part whose sagitta, by itself, leaves the smallest largest arc."""
        worst, name = math.inf, ""
        for part in parts:
            if not moved([part], "nearest_truth"):
                continue
            trees = [p.nearest_truth if p is part else p.as_read for p in parts]
            ends, _, _ = blocked(self.frame, self.table, trees, self.need)
            largest = max((high - low for low, high in _gaps(ends)), default=0.0)
            if largest < worst:
                worst, name = largest, part.name
        return name

    def shares(self, parts: Sequence[Obstacle]) -> tuple[Share, ...]:
        """What each part blocks by itself, the most first."""
        found = []
        for part in parts:
            ends, marks, spots = blocked(self.frame, self.table, [part.as_read], 0.0)
            if len(ends):
                size = math.degrees(float((ends[:, 1] - ends[:, 0]).sum()))
                edge = self._edge([part.name], marks[0, :2], spots[0, :3])
                found.append(Share(part.name, min(size, 360.0), edge))
                continue
            place = self._inside([part], 0.0)
            if place is not None:
                found.append(Share(part.name, 360.0, Edge(part.name, None, place)))
        return tuple(sorted(found, key=lambda share: -share.blocked_deg))

    def _edge(self, names: Sequence[str], mark: Any, spot: FloatArray) -> Edge:
        return Edge(names[int(mark[0])], int(mark[1]), self._world(spot))

    def _world(self, spot: Any) -> Point:
        x, y, z = (float(c) for c in self.frame[0] + np.asarray(spot) @ self.frame[1:])
        return (x, y, z)

    def _inside(self, parts: Sequence[Obstacle], angle: float) -> Point | None:
        """A point of a bar that lies in a part's material, with the first bar at ``angle``."""
        way = (float(self.frame[3, 0]), float(self.frame[3, 1]), float(self.frame[3, 2]))
        for z, radius, at in self.inner:
            place = self._world((radius * math.cos(angle + at), radius * math.sin(angle + at), z))
            if any(part.holds(place, way) for part in parts):
                return place
        return None


def blocked(
    frame: FloatArray, table: FloatArray, trees: Sequence[KernelTree], need: float
) -> tuple[FloatArray, Any, FloatArray]:
    """Blocked angles of bars against several trees; see ``geomcheck.kernels.arcs``.

    Parameters
    ----------
    frame : (4, 3) float
    table : (m, 6) float
        Bars as the kernel wants them, the angle in radians.
    trees : sequence of tuple
        As ``Obstacle`` gives them.
    need : float
        Radians; shorter gaps are closed.

    Returns
    -------
    ends, marks, spots
        As the kernel's state.
    """
    work = work_arrays()
    size = 128
    while True:
        state = (np.empty((size, 2)), np.empty((size, 4), dtype=np.int64), np.empty((size, 6)))
        count = 0
        for number, tree in enumerate(trees):
            count = kernel.block(tree, number, frame, table, need, state, count, work)
            if count == kernel.FULL_TABLE:
                break
        if count != kernel.FULL_TABLE:
            return state[0][:count], state[1][:count], state[2][:count]
        size *= 4


def work_arrays() -> tuple[Any, ...]:
    """Arrays for the kernel to work in."""
    corners = (np.empty((8, 3)), np.empty((8, 3)), np.empty((8, 3)))
    inner = (*corners, np.empty((16, 4)), np.empty((48, 8)))
    return (np.empty(kernel.STACK, dtype=np.int64), np.empty(3), inner)


def _gaps(ends: FloatArray) -> list[tuple[float, float]]:
    """Free angles between blocked ones, radians, in order.

    Where the first interval begins above 0, gap 0 is the one before it; else gap k follows
    interval k.
    """
    if len(ends) == 0:
        return [(0.0, kernel.TURN)]
    gaps = [(float(ends[k, 1]), float(ends[k + 1, 0])) for k in range(len(ends) - 1)]
    first, last = float(ends[0, 0]), float(ends[-1, 1])
    if first > 0.0:
        begin = last if last < kernel.TURN else 0.0
        end = first + (kernel.TURN if last < kernel.TURN else 0.0)
        return [(begin, end), *gaps]
    if last < kernel.TURN:
        gaps.append((last, kernel.TURN))
    return gaps

"""Free arc of a tool's arms and handles, as far as the turn it needs asks for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.fasten import arcs, turning
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.tools import Tool
from geomcheck.finding import Point

#: A part and the place where a handle runs against it.
End: TypeAlias = tuple[str, Point]
#: Between the jaws and the handle of an open spanner, degrees: it is drawn off along its jaws.
JAW_ANGLE = 15.0


@dataclass(frozen=True)
class Swing:
    """Free arc of a tool's handle.

    Parameters
    ----------
    needed : float
        Turn the tool needs at one go, degrees.
    free, low, high : float
        Largest free arc as read from the meshes, and its interval, degrees.
    begin, end : float
        That arc, degrees from the frame's u axis; 0 and 0 where there is none.
    ends : tuple of (part, point)
        What the handle runs against; empty where it is free all round.
    doubt : str
        The part whose sagitta lowers the interval most; empty if none, or if not asked.
    full : bool
        False: a quick yes. The arc is one that is free with all metal moved out by its sagitta,
        and all three figures are its size; read from the meshes it may be larger.
    """

    needed: float
    free: float
    low: float
    high: float
    begin: float
    end: float
    ends: tuple[End, ...]
    doubt: str
    full: bool

    @property
    def blocker(self) -> str | None:
        """The first part the handle runs against."""
        return self.ends[0][0] if self.ends else None

    @property
    def middle(self) -> float:
        """Middle of the free arc, degrees."""
        return 0.5 * (self.begin + self.end)


def swept(tool: Tool, rest: float, stroke: float) -> list[arcs.Bar]:
    """The bars of a tool with the way they move when it comes off.

    Parameters
    ----------
    tool : Tool
    rest : float
        Height above the frame's origin from which the tool's heights count, mm.
    stroke : float
        How far it is lifted, mm.
    """
    jaw = 2.0 * tool.aside * math.sin(math.radians(JAW_ANGLE))
    bars = [
        _bar(rest + b.low, rest + b.high + stroke, b.width + jaw, b.inner, b.outer + tool.aside)
        for b in tool.bars
    ]
    if tool.aside > 0.0:
        bars += [
            _bar(rest + low, rest + high, diameter + jaw, 0.0, 0.5 * diameter + tool.aside)
            for low, high, diameter in tool.profile
        ]
    return bars


def _bar(low: float, high: float, width: float, inner: float, outer: float) -> arcs.Bar:
    """A bar whose round tip holds the square one."""
    half = 0.5 * width
    return arcs.Bar(low, high, half, inner, math.hypot(outer, half))


def swing(
    frame: FloatArray,
    bars: Sequence[arcs.Bar],
    needed: float,
    parts: Sequence[Obstacle],
    *,
    start: float,
    grow: float,
) -> Swing:
    """Largest free arc of bars; measured in full only where a quick yes is not to be had.

    Parameters
    ----------
    frame : (4, 3) float
    bars : sequence of arcs.Bar
    needed, start, grow : float
        As for ``turning.free_arc``.
    parts : sequence of Obstacle

    Raises
    ------
    CannotDecide
        Every bar lies below ``start``.
    """
    kept = [bar for bar in bars if bar.high + grow > start]
    if not kept:
        raise CannotDecide(f"the handle lies below {start:.2f} mm, where looking begins")
    table = np.array([arcs.bar_row(bar, start, grow) for bar in kept])
    parts = _in_disc(frame, table, parts)
    inner = [arcs.inner_point(bar, start) for bar in kept]

    def largest(which: str, least: float) -> arcs.Arc | None:
        found = arcs.Sweep(frame, table, inner, math.radians(least)).arcs(parts, which)
        return max(found, key=lambda arc: arc.size_deg, default=None)

    sure = largest("nearest_truth", needed)
    if sure is not None and sure.size_deg >= needed:
        return _swing(needed, sure, sure.size_deg, sure.size_deg, sure.size_deg, (), full=False)
    found = turning.free_arc(frame, bars, parts, start=start, grow=grow, name_doubt=False)
    shares = tuple((share.part, share.edge.point) for share in found.shares[:2])
    sizes = (found.largest_deg, found.low_deg, found.high_deg)
    return _swing(needed, found.largest, *sizes, shares, full=True)


def _in_disc(
    frame: FloatArray, table: FloatArray, parts: Sequence[Obstacle]
) -> tuple[Obstacle, ...]:
    """Parts whose box comes near the disc that the bars sweep."""
    low, high, reach = float(table[:, 0].min()), float(table[:, 1].max()), float(table[:, 4].max())
    axis = frame[3]
    ends = frame[0] + np.array([[low], [high]]) * axis
    # A disc reaches r sqrt(1 - w^2) along a coordinate axis; rounding must not lose a part.
    across = reach * np.sqrt(np.clip(1.0 - axis * axis, 0.0, None)) + 1e-6
    least, most = ends.min(axis=0) - across, ends.max(axis=0) + across
    near = []
    for part in parts:
        slack = float(part.nearest_truth[6][0]) if len(part.nearest_truth[6]) else 0.0
        begin, end = part.tree.bounds
        if (begin <= most + slack).all() and (end >= least - slack).all():
            near.append(part)
    return tuple(near)


def _swing(
    needed: float,
    arc: arcs.Arc | None,
    free: float,
    low: float,
    high: float,
    shares: tuple[End, ...],
    *,
    full: bool,
    doubt: str = "",
) -> Swing:
    ends = shares
    begin = end = 0.0
    if arc is not None:
        begin, end = arc.from_deg, arc.to_deg
        ends = tuple((e.part, e.point) for e in (arc.from_edge, arc.to_edge) if e is not None)
    return Swing(needed, free, low, high, begin, end, ends, doubt, full)


def full_swing(
    frame: FloatArray,
    bars: Sequence[arcs.Bar],
    needed: float,
    parts: Sequence[Obstacle],
    *,
    start: float,
    grow: float,
    name_doubt: bool,
) -> Swing:
    """Largest free arc of bars in full; parameters as for :func:`swing`, ``turning.free_arc``."""
    found = turning.free_arc(frame, bars, parts, start=start, grow=grow, name_doubt=name_doubt)
    shares = tuple((share.part, share.edge.point) for share in found.shares[:2])
    sizes = (found.largest_deg, found.low_deg, found.high_deg)
    return _swing(needed, found.largest, *sizes, shares, full=True, doubt=found.doubt)

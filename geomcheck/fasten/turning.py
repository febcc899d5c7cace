"""How far a handle turns: the free arcs of bars about a fastener's axis.

The rule. A bar stands square to the axis and turns about it (its exact shape:
:mod:`geomcheck.kernels.arcs`; flat sides, the tip round about the axis). An angle is free where no
bar touches a triangle of any part; several bars turn together. Angles are exact, not sampled.
Angle 0 is the second row of ``Fastener.frame``; the right hand's fingers give the sense.

A bar that touches no triangle of a solid may still be wholly inside it: one point of each bar, in
the middle of each arc, is tested by the winding number.

The interval: every triangle is moved out by its part's sagitta for the lower bound of an arc, and
back by it for the upper.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten.arcs import Arc, Bar, Edge, Share, Sweep, bar_row, inner_point, moved
from geomcheck.fasten.fastener import FloatArray
from geomcheck.fasten.obstacle import as_obstacles

__all__ = ["Arc", "ArcMargin", "Bar", "Edge", "FreeArc", "Share", "arc_margin", "free_arc"]

WITHIN = 25.0
#: The margin of an arc is found to this many mm.
STEP = 1e-6


@dataclass(frozen=True)
class FreeArc:
    """The free arcs of a set of bars.

    Parameters
    ----------
    arcs : tuple of Arc
        As read from the meshes, by ``from_deg``.
    largest_deg, low_deg, high_deg : float
        The largest arc as read, and its interval; 0 where there is none (or none of ``need_deg``).
    doubt : str
        The part whose sagitta lowers the interval most, by itself; empty if none does.
    shares : tuple of Share
        Where there is no arc (of ``need_deg``): what each part blocks by itself, the most first.
    """

    arcs: tuple[Arc, ...]
    largest_deg: float
    low_deg: float
    high_deg: float
    doubt: str
    shares: tuple[Share, ...]

    @property
    def free(self) -> tuple[tuple[float, float], ...]:
        """(from, to) of each arc, degrees."""
        return tuple((arc.from_deg, arc.to_deg) for arc in self.arcs)

    @property
    def largest(self) -> Arc | None:
        """The largest arc as read, the first of equals; None if there is none."""
        return max(self.arcs, key=lambda arc: arc.size_deg, default=None)

    @property
    def all_round(self) -> bool:
        """Free at every angle."""
        return self.largest_deg >= 360.0


def free_arc(
    frame: FloatArray,
    bars: Sequence[Bar],
    obstacles: Any,
    *,
    start: float = -math.inf,
    grow: float = 0.0,
    need_deg: float = 0.0,
    name_doubt: bool = True,
) -> FreeArc:
    """Free arcs of bars that turn together about the third axis of ``frame``.

    Parameters
    ----------
    frame : (4, 3) float
        Origin and unit axes u, v, w, as ``Fastener.frame`` gives them.
    bars : sequence of Bar
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
    start : float
        mm up the axis from the frame's origin below which nothing is looked at; as for
        ``reach``, put it higher by the seat's sagitta.
    grow : float
        The bars are taken larger by this on all sides, mm (not below ``start``).
    need_deg : float
        Arcs shorter than this are not looked for: much faster where only yes or no is asked.
    name_doubt : bool
        Whether the part in ``doubt`` is looked for: as much work again for each part.

    Raises
    ------
    InputError
        No bars, or a length that is not finite or negative.
    CannotDecide
        Every bar lies below ``start``.
    """
    if not bars or not (math.isfinite(grow) and grow >= 0.0 and 0.0 <= need_deg <= 360.0):
        raise InputError("an arc needs bars, a finite growth of 0 or more and at most one turn")
    if math.isnan(start):
        raise InputError("start must be a height")
    parts = as_obstacles(obstacles)
    kept = [bar for bar in bars if bar.high + grow > start]
    if not kept:
        raise CannotDecide(f"the bars lie below {start:.2f} mm, where looking begins")
    table = np.array([bar_row(bar, start, grow) for bar in kept])
    middle = [inner_point(bar, start) for bar in kept]
    question = Sweep(np.asarray(frame, dtype=np.float64), table, middle, math.radians(need_deg))
    arcs = question.arcs(parts, "as_read")
    low = question.arcs(parts, "nearest_truth") if moved(parts, "nearest_truth") else arcs
    high = question.arcs(parts, "farthest_truth") if moved(parts, "farthest_truth") else arcs
    sizes = [max((arc.size_deg for arc in found), default=0.0) for found in (arcs, low, high)]
    return FreeArc(
        arcs=arcs,
        largest_deg=sizes[0],
        low_deg=min(sizes[0], sizes[1]),
        high_deg=max(sizes[0], sizes[2]),
        doubt=question.doubt(parts) if name_doubt and sizes[1] < sizes[0] else "",
        shares=() if arcs else question.shares(parts),
    )


@dataclass(frozen=True)
class ArcMargin:
    """How much larger the bars may be while they still turn far enough.

    Parameters
    ----------
    margin, low, high : float
        mm as read and its interval; ``within`` where it is at least that, negative infinity is
        never given: 0 with ``turns`` False means that the bars as they are do not turn so far.
    turns, turns_low, turns_high : bool
        Whether the arc is there for the bars as they are: as read, with the metal moved out, and
        moved back.
    """

    margin: float
    low: float
    high: float
    turns: bool
    turns_low: bool
    turns_high: bool


def arc_margin(
    frame: FloatArray,
    bars: Sequence[Bar],
    obstacles: Any,
    need_deg: float,
    *,
    start: float = -math.inf,
    within: float = WITHIN,
) -> ArcMargin:
    """Largest growth of the bars that leaves an arc of ``need_deg``, to 1e-6 mm (rounded down).

    Parameters and errors are those of :func:`free_arc`; ``within`` is where the search ends, mm.
    """
    parts = as_obstacles(obstacles)

    def arc(grow: float) -> FreeArc:
        return free_arc(frame, bars, parts, start=start, grow=grow, need_deg=need_deg)

    first = arc(0.0)
    sizes = (first.largest_deg, first.low_deg, first.high_deg)
    enough = [size >= need_deg and size > 0.0 for size in sizes]
    found = []
    for which in range(3):
        least, most = 0.0, within
        if enough[which]:
            last = arc(within)
            if (last.largest_deg, last.low_deg, last.high_deg)[which] >= need_deg:
                least = within
            while most - least > STEP:
                middle = 0.5 * (least + most)
                now = arc(middle)
                if (now.largest_deg, now.low_deg, now.high_deg)[which] >= need_deg:
                    least = middle
                else:
                    most = middle
        found.append(least)
    return ArcMargin(found[0], found[1], found[2], enough[0], enough[1], enough[2])

"""The hole under a bolt in the part that carries its thread.

The part is cut square to the axis between every two depths at which its mesh has corners, so that
each section stands for a stretch in which the outline changes evenly. A stretch counts as threaded
when a wall all round the axis lies on a circle between the thread's inner diameter (or tap drill)
and its nominal one: both ways of drawing a tapped hole are taken, and so is a modelled thread. The
circle goes through the corners of the outline, which lie on the true circle of a drilled hole.
A countersink, a drill's cone (118 degrees or any other) and a wider or narrower stretch of the hole
do not count. Exact for drawn meshes; where a mesh has corners at more depths than ``STRETCHES``,
even stretches are taken instead, and their length is the uncertainty.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from geomcheck.fasten.column import Column, Section
from geomcheck.fasten.fastener import FloatArray

#: Walls are looked for this far from the axis, over the thread's diameter.
REACH = 0.8
#: Tolerance of a drawn hole's radius, over the thread's diameter.
LOOSE = 0.015
#: Least part of the directions from the axis in which a threaded hole has a wall.
ROUND = 0.95
#: Corners nearer to each other in depth than this are at one depth, mm.
LEVEL = 5e-4
#: Metal this far under the threaded wall, over the diameter, closes the hole right there.
NEXT = 0.25
#: Less thread than this, over the diameter, is a facet of something else.
SHORTEST = 0.1
#: Stretches of one hole differ no more in radius than this, over the thread's diameter.
ALIKE = 0.005
#: A wall steeper to the axis than this (sine) is no hole aslant.
STEEP = 0.2
#: Most stretches looked at one by one.
STRETCHES = 400

Kind = Literal["metal", "narrow", "thread", "wide", "open"]


@dataclass(frozen=True)
class Bore:
    """A hole about the axis.

    Parameters
    ----------
    kind : {"thread", "none", "narrow", "wide", "open"}
        ``none``: there is metal on the axis and no hole; ``narrow``: too small for the thread;
        ``wide``: a hole the thread does not reach the wall of; ``open``: no wall all round.
    pieces : tuple of (top, bottom)
        Depths of the threaded stretches, mm below the seat.
    mouth : float
        Where the hole begins, its countersink included; its top where nothing was found, mm.
    blind : bool
        Metal closes the hole under the thread, or narrows it so that the bolt cannot pass.
    diameter : float
        Of the hole as drawn, mm; nan where there is none.
    free : float
        Least distance of the threaded wall from the axis, mm; nan without one.
    offset : float
        Greatest distance of its centre from the axis, over its threaded length, mm.
    slack, slack_end : float
        How far the thread's start and end may truly lie off along the axis, mm; rims aslant, too.
    floor : float or None
        Depth where metal first stands on the axis, mm; None where there is none.
    """

    kind: Literal["thread", "none", "narrow", "wide", "open"]
    pieces: tuple[tuple[float, float], ...]
    mouth: float
    blind: bool
    diameter: float
    free: float
    offset: float
    slack: float
    slack_end: float
    floor: float | None

    def closed_at(self, depth: float) -> Bore:
        """The same hole, closed by metal at a depth below its start, mm."""
        kept = [(begin, min(end, depth)) for begin, end in self.pieces if begin < depth]
        return replace(self, pieces=tuple(kept), blind=True)

    @property
    def start(self) -> float:
        """Where the thread begins, mm below the seat."""
        return self.pieces[0][0]

    @property
    def end(self) -> float:
        """Where the hole's threadable wall ends, mm below the seat."""
        return self.pieces[-1][1]


@dataclass(frozen=True)
class _Stretch:
    top: float
    bottom: float
    kind: Kind
    radius: float
    offset: float
    nearest: float


def find_bore(column: Column, diameter: float, minor: float, top: float, high: float) -> Bore:
    """Look for the tapped hole about the axis.

    Parameters
    ----------
    column : Column
        Of the part that carries the thread; its radius at least ``REACH`` times the diameter.
    diameter : float
        Of the thread, mm.
    minor : float
        Least diameter the hole may be drawn with, mm: the root of the bolt's thread.
    top, high : float
        Depths to look between, mm: the part's face, and the end of the search.
    """
    column = column.inside(REACH * diameter)
    metal = _on_axis(column, diameter)
    levels, coarse = _levels(column, REACH * diameter, top, high, metal)
    floor = min((begin for begin, end in metal if end > top + LEVEL), default=None)
    stretches = []
    for a, b in itertools.pairwise(levels.tolist()):
        if b - a > LEVEL:
            stretches.append(_stretch(column, a, b, diameter, minor, metal))
            if stretches[-1].kind in ("metal", "narrow"):
                break
    used = _alike([s for s in stretches if s.kind == "thread"], diameter)
    if math.fsum(s.bottom - s.top for s in used) < SHORTEST * diameter:
        return _missing(stretches, floor, top)
    pieces: list[tuple[float, float]] = []
    for stretch in used:
        if pieces and stretch.top - pieces[-1][1] <= 2.0 * LEVEL:
            pieces[-1] = (pieces[-1][0], stretch.bottom)
        else:
            pieces.append((stretch.top, stretch.bottom))
    last = stretches[-1]
    radius = max(used, key=lambda s: s.bottom - s.top).radius
    # The rims of a hole aslant stand higher on one side than on the other.
    coarse += 2.0 * radius * _slope(column, pieces, diameter)
    # Beyond a wider place the bolt's end is free, up to the metal there.
    blind = last.kind in ("metal", "narrow") and last.top - pieces[-1][1] <= NEXT * diameter
    return Bore(
        "thread",
        tuple(pieces),
        _mouth(stretches, pieces[0][0], diameter),
        blind,
        2.0 * radius,
        min(stretch.nearest for stretch in used),
        max(stretch.offset for stretch in used),
        coarse + _slack(column, pieces[0][0]),
        coarse + _slack(column, pieces[-1][1]),
        floor,
    )


def _slope(column: Column, pieces: list[tuple[float, float]], diameter: float) -> float:
    """Greatest tangent between threaded wall and axis; flanks and ends are steeper facets."""
    depth = column.corners[:, :, 2]
    wall = np.hypot(column.corners[:, :, 0], column.corners[:, :, 1]).max(axis=1)
    found = (wall <= REACH * diameter) & (np.abs(column.facing[:, 2]) < STEEP)
    found &= depth.min(axis=1) < pieces[-1][1] - LEVEL
    found &= depth.max(axis=1) > pieces[0][0] + LEVEL
    sine = float(np.abs(column.facing[found, 2]).max(initial=0.0))
    return sine / math.sqrt(1.0 - sine * sine)


def _alike(stretches: list[_Stretch], diameter: float) -> list[_Stretch]:
    """Those of one radius: a cone cut fine looks like a stack of short cylinders."""
    if not stretches:
        return []
    by_radius = sorted(stretches, key=lambda s: s.radius)
    sums = np.cumsum([s.bottom - s.top for s in by_radius])
    middle = by_radius[int(np.searchsorted(sums, 0.5 * sums[-1]))].radius
    return [s for s in stretches if abs(s.radius - middle) <= ALIKE * diameter]


def _missing(stretches: list[_Stretch], floor: float | None, top: float) -> Bore:
    """What there is where no stretch takes the thread."""
    kinds = [stretch.kind for stretch in stretches]
    closed, nan = "metal" in kinds, float("nan")
    before = stretches[: kinds.index("metal") if closed else None]
    # The hole is its longest stretch: not a countersink on it, nor the drill's cone under it.
    holes = [stretch for stretch in before if stretch.kind in ("narrow", "wide")]
    if holes:
        hole = max(holes, key=lambda stretch: stretch.bottom - stretch.top)
        kind: Literal["narrow", "wide"] = "narrow" if hole.kind == "narrow" else "wide"
        return Bore(
            kind, (), hole.top, closed, 2.0 * hole.radius, nan, hole.offset, 0.0, 0.0, floor
        )
    return Bore(
        "open" if floor is None else "none", (), top, closed, nan, nan, nan, 0.0, 0.0, floor
    )


def _levels(
    column: Column, reach: float, top: float, high: float, metal: list[tuple[float, float]]
) -> tuple[FloatArray, float]:
    """Depths between which the outline changes evenly, and half the step where it is sampled.

    The far side of a floor may be one large facet without a corner near the axis: where the axis
    goes into metal and out of it, there is a level, too.
    """
    corners = column.corners.reshape(-1, 3)
    near = np.hypot(corners[:, 0], corners[:, 1]) <= 1.1 * reach
    depth = np.concatenate([corners[near, 2], np.ravel(metal)])
    depth = np.sort(np.concatenate([depth[(depth > top) & (depth < high)], [top, high]]))
    levels = depth[np.concatenate([[True], np.diff(depth) > LEVEL])]
    if len(levels) <= STRETCHES:
        return levels, 0.0
    even = np.linspace(top, high, STRETCHES)
    return even, float(even[1] - even[0])


def _on_axis(column: Column, diameter: float) -> list[tuple[float, float]]:
    """Depths between which the axis runs through metal.

    The ray runs a thousandth of the diameter beside the axis, where a mesh likes to have a corner.
    """
    if len(column) == 0:
        return []
    place = 1e-3 * diameter * np.array([[0.8, 0.6]])
    _, depth, sign, _ = column.crossings(place)
    inside, metal, count = -np.inf, [], 1 if len(sign) and sign[0] < 0 else 0
    for at, way in zip(depth, sign, strict=True):
        if way > 0:
            inside = float(at) if count == 0 else inside
            count += 1
        else:
            count -= 1
            if count == 0:
                metal.append((inside, float(at)))
    if count > 0:
        metal.append((inside, np.inf))
    return metal


def _stretch(
    column: Column,
    top: float,
    bottom: float,
    diameter: float,
    minor: float,
    metal: list[tuple[float, float]],
) -> _Stretch:
    middle = 0.5 * (top + bottom)
    reach = REACH * diameter
    section = column.section(middle, reach)
    radius = section.radius
    if any(begin < middle < end for begin, end in metal):
        kind: Kind = "metal"
    elif section.share < ROUND or not np.isfinite(radius):
        kind = "open"
    elif radius < minor / 2.0 - LOOSE * diameter:
        kind = "narrow"
    elif radius > diameter / 2.0 + LOOSE * diameter:
        kind = "wide"
    else:
        ends = [column.section(top + part * (bottom - top), reach) for part in (0.02, 0.98)]
        if not _even(ends, radius, diameter):
            return _Stretch(top, bottom, "open", radius, section.offset, section.nearest)
        offset = max(end.offset for end in (section, *ends))
        nearest = min(end.nearest for end in (section, *ends))
        return _Stretch(top, bottom, "thread", radius, offset, nearest)
    return _Stretch(top, bottom, kind, radius, section.offset, section.nearest)


def _even(ends: list[Section], radius: float, diameter: float) -> bool:
    """Whether a stretch is a cylinder: a cone's radius differs from end to end."""
    return all(end.share >= ROUND and abs(end.radius - radius) <= LOOSE * diameter for end in ends)


def _mouth(stretches: list[_Stretch], start: float, diameter: float) -> float:
    """Top of the stretches right above the thread that are no wider than a countersink."""
    mouth = start
    for stretch in reversed([s for s in stretches if s.bottom <= start + LEVEL]):
        closed = np.isfinite(stretch.radius) and stretch.kind in ("open", "wide", "thread")
        if not closed or stretch.radius > 0.65 * diameter or mouth - stretch.top > diameter:
            break
        mouth = stretch.top
    return mouth


def _slack(column: Column, depth: float) -> float:
    """How far the true face at a depth may lie off along the axis, mm."""
    touches = (np.abs(column.corners[:, :, 2] - depth) <= LEVEL).any(axis=1)
    steep = np.abs(column.facing[:, 2])
    flat, slope = touches & (steep > 0.9), touches & (steep > 0.3)
    if flat.any():
        return float((column.slack[flat] / steep[flat]).max())
    # A cone's corners lie on it: only what holds for all of its facets, as a declared sagitta.
    return float((column.slack[slope] / steep[slope]).min()) if slope.any() else 0.0

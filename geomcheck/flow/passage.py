"""The largest ball that gets through a void, and where it sticks.

The way with the most room is found on cells, from wide to narrow (the bottleneck path), and then
moved on the exact distance to the triangles: every point of it goes square to the way to where the
room is greatest, and points are put in between until no room that matters can be lost between two
of them. What is lower than the way found is proved on cells: no way can keep further from the
walls than the cells it must pass, plus half their diagonal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.cells import neighbours
from geomcheck.flow.region import BoolArray
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.void import Void
from geomcheck.flow.widest import DIAGONAL, links_of, proved, widest
from geomcheck.mesh.probe import point_distance

#: The way is refined until no more than this share of the ball's radius can be lost on it.
TOLERANCE = 5e-4
#: Points on the way at most, and rounds of putting points in between.
_MOST, _ROUNDS = 6_000, 24
#: Directions and moves of the search for more room square to the way.
_FAN, _CLIMBS = 12, 120
#: Half a chord that tells the way's direction, in cells.
_CHORD = 3.0
#: Slope below which the ground is level.
_LEVEL = 2e-3
#: Least radius in cells for which walls part cells beyond doubt.
_LEAST = 1.5


@dataclass(frozen=True, eq=False)
class Passage:
    """The largest ball through a void.

    Parameters
    ----------
    diameter : Quantity
        mm: the lower bound is that of a way that was found, the upper one is proved on cells.
    point : tuple of float
        Where it sticks: the ball's centre, mm.
    contacts : (k, 3) float64
        Where it touches there, mm, at least one; the nearest first.
    parts : tuple of int
        Number of the surface each contact lies on; empty when no surfaces were given.
    way : (n, 3) float64
        Centres of the ball on its way, mm, inlet first.
    """

    diameter: Quantity
    point: Point
    contacts: FloatArray
    parts: tuple[int, ...]
    way: FloatArray


def largest_ball(
    void: Void, *, inlet: int = 0, outlet: int = 1, surfaces: Sequence[Surface] = ()
) -> Passage:
    """The largest ball that gets from one port to another.

    Parameters
    ----------
    void : Void
    inlet, outlet : int
        Numbers of the ports.
    surfaces : sequence of Surface, optional
        Walls and obstacles, to name what the ball touches.

    Raises
    ------
    InputError
        A port that is not one of the void's.
    CannotDecide
        The ball is too small for the cells.
    """
    if not (0 <= inlet < len(void.ports) and 0 <= outlet < len(void.ports)) or inlet == outlet:
        raise InputError("a passage needs two ports of the void")
    room = void.distance.ravel()[void.cells]
    near, h = neighbours(void), void.spacing
    links = links_of(near)
    ends = [np.searchsorted(void.cells, void.port_cells(k)) for k in (inlet, outlet)]
    cells, _ = widest(links, np.minimum(room[links[:, 0]], room[links[:, 1]]), room, ends)
    way, clear = _refine(void, void.centres(void.cells[cells]), room[cells])
    gaps = np.linalg.norm(np.diff(way, axis=0), axis=1)
    between = 0.5 * (clear[1:] + clear[:-1] - gaps)
    radius, low = float(clear.min()), float(min(clear.min(), max(0.0, between.min(initial=np.inf))))
    if radius < _LEAST * h:
        raise CannotDecide(
            f"the largest ball that gets through is smaller than cells of {h:.2f} mm can tell",
            remedy=f"give a spacing below {max(radius, 0.1 * h) / _LEAST:.2f} mm",
        )
    narrow = int(np.argmin(clear))
    high = max(radius, proved(void, links, room, ends, way, narrow, radius))
    contacts = _contacts(void, way[narrow], radius)
    parts, out, inn = _touched(surfaces, contacts)
    terms = (
        Term("facets", min(2.0 * out, 2.0 * low), 2.0 * inn, "sagitta where it touches"),
        Term("way", 2.0 * (radius - low), 0.0, "room between the points of the way"),
        Term("cells", 0.0, 2.0 * (high - radius), "what ways elsewhere could win, by cells"),
    )
    point = way[narrow]
    return Passage(
        Quantity.from_terms("largest ball", 2.0 * radius, "mm", terms),
        (float(point[0]), float(point[1]), float(point[2])),
        contacts,
        parts,
        way,
    )


def _refine(void: Void, way: FloatArray, clear: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points of the way moved to where the room is greatest, and their distance to the walls."""
    # The way on cells had the most room of all: no way has more than this.
    enough = float(clear.min()) + DIAGONAL * void.spacing
    way, clear = _climb(
        void, way, clear, clear < enough, np.full(len(way), 4.0 * void.spacing), enough
    )
    for _ in range(_ROUNDS):
        gaps = np.linalg.norm(np.diff(way, axis=0), axis=1)
        lost = 0.5 * (clear[1:] + clear[:-1] - gaps) < (1.0 - TOLERANCE) * clear.min()
        rows = np.flatnonzero(lost)
        if not len(rows) or len(way) + len(rows) > _MOST:
            break
        middles = 0.5 * (way[rows] + way[rows + 1])
        fresh = np.zeros(len(way) + len(rows), bool)
        fresh[rows + 1 + np.arange(len(rows))] = True
        way = np.insert(way, rows + 1, middles, axis=0)
        clear = np.insert(clear, rows + 1, point_distance(void.tree, middles).distance)
        # No new point may go further than half its gap: so the gaps always shrink.
        reach = np.zeros(len(way))
        reach[fresh] = 0.5 * gaps[rows]
        way, clear = _climb(void, way, clear, fresh & (clear < enough), reach, enough)
    return way, clear


def _climb(
    void: Void, way: FloatArray, clear: FloatArray, which: BoolArray, reach: FloatArray,
    enough: float,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Move some points square to the way, in ever smaller steps, while their room grows.

    No point goes further than its ``reach`` (mm). Points with ``enough`` room stay: no ball that
    gets through is larger.
    """
    way, clear = way.copy(), clear.copy()
    rows = np.flatnonzero(which)
    if not len(rows):
        return way, clear
    # The way on cells goes in steps along the axes: its direction is that of some cells together.
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))])
    both = [np.clip(s[rows] + off * void.spacing, 0.0, s[-1]) for off in (-_CHORD, _CHORD)]
    behind, ahead = (np.stack([np.interp(q, s, x) for x in way.T], axis=1) for q in both)
    along = ahead - behind
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    helper = np.eye(3)[np.argmin(np.abs(along), axis=1)]
    u = np.cross(along, helper)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-300)[:, None]
    v = np.cross(along, u)
    begun, step = way[rows].copy(), np.minimum(0.5 * reach[rows], 0.5 * void.spacing)[:, None]
    least = 0.05 * TOLERANCE * float(clear.min())
    failed = 0
    for move in range(_CLIMBS):
        # The ridge between two walls is sharp and bent: the fan turns, so as not to miss it.
        turns = 2.0 * np.pi * (np.arange(_FAN) / _FAN + 0.618034 * move / _FAN)
        fan = np.cos(turns)[:, None, None] * u + np.sin(turns)[:, None, None] * v
        tried = way[rows] + step * fan
        found = point_distance(void.tree, tried.reshape(-1, 3)).distance.reshape(_FAN, -1)
        best = found.argmax(axis=0)
        value = found[best, np.arange(len(rows))]
        # A gain too small for the step is level ground: points would only drift apart on it.
        new = tried[best, np.arange(len(rows))]
        better = (value > clear[rows] + _LEVEL * step[:, 0]) & (clear[rows] < enough)
        better &= np.linalg.norm(new - begun, axis=1) <= reach[rows]
        way[rows[better]] = new[better]
        clear[rows[better]] = value[better]
        failed = 0 if better.mean() > 0.1 else failed + 1
        if failed >= 3:
            step, failed = 0.5 * step, 0
            if step.max() < least:
                break
    return way, clear


def _contacts(void: Void, centre: FloatArray, radius: float) -> FloatArray:
    """Points in which a ball touches: the feet of points round its centre that lie on it."""
    turn = np.pi * (3.0 - 5.0**0.5) * np.arange(200)
    z = 1.0 - (2.0 * np.arange(200) + 1.0) / 200
    ring = np.sqrt(1.0 - z * z)
    around = np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=1)
    points = np.concatenate([centre[None], centre + 0.05 * radius * around])
    feet = point_distance(void.tree, points).point
    off = np.linalg.norm(feet - centre, axis=1)
    chosen: list[FloatArray] = []
    for k in np.argsort(off, kind="stable"):
        apart = [np.linalg.norm(feet[k] - c) for c in chosen]
        if off[k] <= 1.005 * radius and all(a > 0.5 * radius for a in apart):
            chosen.append(feet[k])
    return np.array(chosen)


def _touched(
    surfaces: Sequence[Surface], contacts: FloatArray
) -> tuple[tuple[int, ...], float, float]:
    """Surface of each contact, and the largest bounds of the facets there, out and in, mm."""
    if not surfaces:
        return (), 0.0, 0.0
    found = [point_distance(surface.tree, contacts) for surface in surfaces]
    parts = np.argmin([one.distance for one in found], axis=0)
    rows = [(surfaces[k], int(found[k].triangle[i])) for i, k in enumerate(parts.tolist())]
    out = max(float(surface.outward[t]) for surface, t in rows)
    inn = max(float(surface.inward[t]) for surface, t in rows)
    return tuple(parts.tolist()), out, inn

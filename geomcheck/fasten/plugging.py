"""Can a plug or a hose be pushed home and pulled off: stroke, straight length, fingers.

The body, a cylinder or a box, stands out of its socket by its length, behind it a boot or cable of
a straight length. Both are moved along the axis by the mating stroke. Two fingers pinch the body
over its last ``grip`` millimetres, one on either side, and go with it; any direction across the
axis will do. Each is asked for its room (:mod:`geomcheck.fasten.room`); nothing lower than ``lift``
plus the rim's sagitta above the socket's rim is looked at. What stands within ``bore`` of the axis
and wholly below the stroke, of the part that carries the socket, is the spigot or the socket's own
inside, and left out.

The best direction for the fingers is found by branch and bound: turning by an angle moves a finger
by no more than its lever times that angle, so the room between two directions is bounded, and
"no fingers get in" is proved to ``STEP`` mm, which the interval holds.

At rest (``home``) only body and cable are asked, without the stroke: what is plugged in before the
housing goes down must still fit when it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten.connector import Connector, covering, filling
from geomcheck.fasten.foot import around, foot_sagitta
from geomcheck.fasten.obstacle import Obstacle, as_obstacles
from geomcheck.fasten.pinch import pinch_room
from geomcheck.fasten.room import Room, free_room
from geomcheck.fasten.withdraw import first_metal
from geomcheck.mesh.sagitta import Sagitta
from geomcheck.mesh.tree import TriangleTree

LIFT = 0.5
WITHIN = 25.0


@dataclass(frozen=True)
class Plugging:
    """Room of one connector.

    Parameters
    ----------
    stroke : Room
        About the body over its stroke.
    straight : Room or None
        About boot or cable over the stroke; None where there is no straight length.
    hand : Room or None
        About the fingers at their best; None where no hand is asked for.
    home : Room
        About body and cable where they rest.
    pinch : float or None
        Direction of the fingers, degrees about the axis from the frame's u.
    """

    stroke: Room
    straight: Room | None
    hand: Room | None
    home: Room
    pinch: float | None

    @property
    def rooms(self) -> tuple[tuple[str, Room], ...]:
        """What is asked for on the way home, by name."""
        named = (("body", self.stroke), ("cable", self.straight), ("fingers", self.hand))
        return tuple((name, room) for name, room in named if room is not None)

    @property
    def tightest(self) -> tuple[str, Room]:
        """What has the least room on the way home."""
        return min(self.rooms, key=lambda pair: pair[1].low)


def plugging(
    connector: Connector,
    obstacles: Any,
    *,
    carrier: str = "",
    lift: float = LIFT,
    within: float = WITHIN,
    wanted: float = 0.0,
) -> Plugging:
    """Room of a connector on its way home; see the module's rule.

    Parameters
    ----------
    connector : Connector
    obstacles : mapping of names to shapes, iterable of Obstacle, or one shape
        Everything that stands about it, its socket's part included, itself not.
    carrier : str
        The part with the socket, by name.
    lift : float
        mm above the rim below which nothing is looked at.
    within : float
        mm beyond body and fingers where the search ends.
    wanted : float
        Room below which it does not pass, mm.

    Raises
    ------
    InputError
        A length is negative or not finite, or an obstacle is no mesh.
    CannotDecide
        The whole body lies below the place where looking begins.
    """
    if not 0.0 <= lift < math.inf:
        raise InputError("lift must be a finite length, not negative")
    parts = as_obstacles(obstacles)
    own = next((part for part in parts if part.name == carrier), None)
    start = lift + (0.0 if own is None else foot_sagitta(connector.at, connector.radius, own))
    if start >= connector.length:
        raise CannotDecide(
            f'the body of "{connector.name}" ends {connector.length:.2f} mm above the rim, where '
            f"looking begins at {start:.2f} mm",
            remedy="Export its part with a finer chord error, or declare its sagitta",
            where=connector.name,
        )
    bored = _bored(connector, parts, carrier)
    frame = connector.frame()

    swallowed = None
    if own is not None and connector.bore > 0.0:
        # Without its spigot the part has no inside any more: it is asked for here.
        points = around(connector.at, connector.axis, start, connector.skin)
        swallowed = next((p for p in points if own.holds(p, connector.axis)), None)

    def room(low: float, high: float, columns: Sequence[tuple[float, float, float]]) -> Room:
        if swallowed is not None and columns is body:
            depth = -connector.radius
            return Room(depth, depth, depth, within, carrier, None, swallowed, True, "")
        stacks = [(u, v, ((low, high, r),)) for u, v, r in columns]
        inner = [(u, v, ((low, high, r),)) for u, v, r in filling(connector)]
        filled = inner if columns is body else None
        return free_room(frame, stacks, bored, within=within, filled=filled, wanted=wanted)

    body = covering(connector)
    end, pulled = connector.length, connector.length + connector.stroke
    cable = [(0.0, 0.0, connector.cable / 2.0)]
    moved = room(start, pulled, body)
    home = room(start, end, body)
    straight = None
    if connector.straight > 0.0:
        straight = room(end, pulled + connector.straight, cable)
        rest = room(end, end + connector.straight, cable)
        home = min(home, rest, key=lambda found: found.low)
    hand, pinch = None, None
    if connector.grip > 0.0 and connector.finger > 0.0:
        low = max(start, end - connector.grip)
        half = (connector.width / 2.0, connector.height / 2.0)
        span = (low, pulled)
        hand, pinch = pinch_room(
            frame,
            half,
            connector.round,
            connector.finger,
            span,
            bored,
            within=within,
            wanted=wanted,
        )
    return Plugging(moved, straight, hand, home, pinch)


def free_pull(
    connector: Connector, obstacles: Any, *, carrier: str = "", lift: float = LIFT
) -> float:
    """How far body and cable can be pulled before metal stops them, mm, as read from the meshes.

    At most the stroke; negative where metal reaches into them at rest.
    """
    parts = as_obstacles(obstacles)
    own = next((part for part in parts if part.name == carrier), None)
    slack = 0.0 if own is None else foot_sagitta(connector.at, connector.radius, own)
    bored = _bored(connector, parts, carrier)
    found = connector.stroke
    end = connector.length
    columns = [(u, v, r, lift + slack, end) for u, v, r in covering(connector)]
    if connector.straight > 0.0:
        top = end + connector.straight
        columns.append((0.0, 0.0, connector.cable / 2.0, end, top))
    frame = connector.frame()
    for u, v, radius, start, top in columns:
        shifted = frame.copy()
        shifted[0] += u * frame[1] + v * frame[2]
        met = first_metal(bored, "as_read", shifted, radius, start, top + found)
        found = min(found, met.value - top)
    return found


def _bored(connector: Connector, parts: Sequence[Obstacle], carrier: str) -> list[Obstacle]:
    """The parts, the carrier without its spigot."""
    return [
        without_spigot(connector, part) if part.name == carrier and connector.bore > 0.0 else part
        for part in parts
    ]


def without_spigot(connector: Connector, carrier: Obstacle) -> Obstacle:
    """The carrier without what lies wholly within the bore, below the stroke.

    What is left keeps no inside, but every triangle its number.
    """
    frame = connector.frame()
    local = (carrier.tree.triangles - frame[0]) @ frame[1:].T
    inside = (np.hypot(local[..., 0], local[..., 1]) <= connector.bore / 2.0).all(axis=1)
    inside &= (local[..., 2] <= connector.stroke).all(axis=1)
    if not inside.any() or inside.all():
        return carrier
    # Pieces of the spigot are moved out of reach: the numbers of all others stay as they are.
    triangles = np.empty_like(carrier.tree.triangles)
    triangles[carrier.tree.order] = carrier.tree.triangles
    gone = np.zeros(len(triangles), dtype=bool)
    gone[carrier.tree.order[inside]] = True
    triangles[gone] = triangles[~gone][0]
    sagitta = carrier.sagitta
    first = int(np.flatnonzero(~gone)[0])
    outward, inward = sagitta.outward.copy(), sagitta.inward.copy()
    outward[gone], inward[gone] = outward[first], inward[first]
    kept = Sagitta(outward, inward, sagitta.source)
    return replace(carrier, tree=TriangleTree(triangles), sagitta=kept, solid=False)

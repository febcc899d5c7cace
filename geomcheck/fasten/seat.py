"""Is there a seat under the head: metal where the head should bear, on the right side.

Rays are shot against the axis at 72 places on three rings between the clearance hole and the edge
of the bearing face. A place bears when metal lies within the tolerance of the seat plane, facing
the head. (A ring of rays is right here, where a face is looked for; it would not do to look for
thin obstacles.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.mesh.query import first_hit

IntArray: TypeAlias = NDArray[np.int64]

RINGS = (0.25, 0.5, 0.75)
PLACES = 24


@dataclass(frozen=True)
class Seat:
    """What was found under a head.

    Parameters
    ----------
    state : {"seated", "in the air", "reversed"}
        ``reversed``: the axis points into the material that should carry the head.
    share : float
        Part of the ring that bears, 0 to 1.
    height : float
        Highest metal under the head, mm up the axis from the stated seat point; 0 if none.
    sagitta : float
        How far the true seat may stand off the mesh there, mm.
    tilt : float or None
        Degrees between the axis and the face under the head; None if nothing was met.
    nearest : float or None
        mm along the axis (negative: against it) from the ring to the nearest metal, where the
        head does not bear; None where there is none.
    """

    state: Literal["seated", "in the air", "reversed"]
    share: float
    height: float = 0.0
    sagitta: float = 0.0
    tilt: float | None = None
    nearest: float | None = None


def examine_seat(
    fastener: Fastener, carrier: Obstacle, *, tolerance: float = 0.5, share: float = 0.6
) -> Seat:
    """Look for the face that carries the head.

    Parameters
    ----------
    fastener : Fastener
    carrier : Obstacle
        The part the head sits on.
    tolerance : float
        mm along the axis by which the metal may miss the stated seat plane.
    share : float
        Least part of the ring that must bear.
    """
    places = _ring(fastener)
    axis = np.array(fastener.axis)
    start = places + tolerance * axis
    depth, met = first_hit(
        carrier.tree, start, np.tile(-axis, (len(places), 1)), limit=2.0 * tolerance
    )
    hit = met >= 0
    facing = np.zeros(len(places))
    facing[hit] = _normals(carrier, met[hit]) @ axis
    good = hit & (facing > 0.0) if carrier.solid else hit
    bearing = float(good.mean())
    tilt = _tilt(facing[hit])
    if bearing >= share:
        slack = np.maximum(carrier.sagitta.outward[met[good]], carrier.sagitta.inward[met[good]])
        return Seat(
            "seated", bearing, float(tolerance - depth[good].min()), float(slack.max()), tilt
        )
    if carrier.solid and hit.mean() >= share and (hit & ~good).sum() > good.sum():
        return Seat("reversed", bearing, tilt=tilt)
    return Seat("in the air", bearing, tilt=tilt, nearest=_nearest(places, axis, carrier))


def _ring(fastener: Fastener) -> FloatArray:
    inner = fastener.hole_radius
    outer = max(fastener.bearing_radius, inner)
    angle = np.arange(PLACES) * (2.0 * math.pi / PLACES)
    frame = fastener.frame()
    circle = np.cos(angle)[:, None] * frame[1] + np.sin(angle)[:, None] * frame[2]
    rings = [frame[0] + (inner + part * (outer - inner)) * circle for part in RINGS]
    return np.concatenate(rings)


def _normals(carrier: Obstacle, numbers: IntArray) -> FloatArray:
    place = np.empty(len(carrier.tree), dtype=np.int64)
    place[carrier.tree.order] = np.arange(len(place))
    corners = carrier.tree.triangles[place[numbers]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    length[length == 0.0] = 1.0
    unit: FloatArray = normal / length[:, None]
    return unit


def _tilt(cosines: FloatArray) -> float | None:
    if len(cosines) == 0:
        return None
    return math.degrees(math.acos(min(float(np.median(np.abs(cosines))), 1.0)))


def _nearest(places: FloatArray, axis: FloatArray, carrier: Obstacle) -> float | None:
    """Signed way along the axis from the ring to the nearest metal."""
    ways = np.tile(axis, (len(places), 1))
    ahead, _ = first_hit(carrier.tree, places, ways)
    behind, _ = first_hit(carrier.tree, places, -ways)
    up, down = float(ahead.min()), float(behind.min())
    if not math.isfinite(min(up, down)):
        return None
    return up if up < down else -down

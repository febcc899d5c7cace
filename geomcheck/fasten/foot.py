"""Is a stated place on its part: what carries a socket, or a service point of the vehicle.

The place is the centre of a rim or a seat: metal of the part must lie within a radius and a
tolerance of it, and a point a little way up the axis must not be inside the part's material.
"""

from __future__ import annotations

import numpy as np

from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.words import at as place_text
from geomcheck.fasten.words import millimetres
from geomcheck.finding import Point, Verdict
from geomcheck.mesh.query import point_distance


def foot_sagitta(at: Point, reach: float, carrier: Obstacle) -> float:
    """How far the true surface may stand off the facets within ``reach`` mm of a place, mm.

    A triangle counts where its box meets the box about the place.
    """
    triangles = carrier.tree.triangles
    middle = np.array(at)
    near = (triangles.min(axis=1) <= middle + reach).all(axis=1)
    near &= (triangles.max(axis=1) >= middle - reach).all(axis=1)
    if not near.any():
        return 0.0
    found = carrier.tree.order[near]
    return float(max(carrier.sagitta.outward[found].max(), carrier.sagitta.inward[found].max()))


def around(at: Point, axis: Point, height: float, aside: float) -> list[Point]:
    """The point of an axis at a height, or four points ``aside`` mm off it."""
    w = np.array(axis)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(w)))] = 1.0
    u = np.cross(helper, w)
    u /= float(np.linalg.norm(u))
    v = np.cross(w, u)
    middle = np.array(at) + height * w
    ways = [0.0 * u] if aside == 0.0 else [aside * u, aside * v, -aside * u, -aside * v]
    found = [middle + way for way in ways]
    return [(float(x), float(y), float(z)) for x, y, z in found]


def foot_trouble(
    what: str,
    at: Point,
    axis: Point,
    radius: float,
    carrier: Obstacle,
    *,
    tolerance: float,
    lift: float,
    aside: float = 0.0,
) -> tuple[Verdict, str, str] | None:
    """Verdict, message and remedy where a place is not as declared; None where it is.

    Parameters
    ----------
    what : str
        Such as ``the socket of TPS``.
    at, axis : Point
        The place, mm, and the unit vector out of it.
    radius, tolerance : float
        Metal must lie within their sum of the place, mm.
    carrier : Obstacle
    lift : float
        mm above the place where looking begins.
    aside : float
        Where something of the carrier stands on the axis by rights, as a spigot does: the distance
        from the axis at which to look, all round, mm.
    """
    place = f"{what} at {place_text(at)}"
    distance = float(point_distance(carrier.tree, [at]).distance[0])
    if distance > radius + tolerance:
        return (
            Verdict.ERROR,
            f"There is no metal of {carrier.name} near {place}: the nearest is "
            f"{millimetres(distance)} mm away.",
            "Correct the place, or the part it names.",
        )
    slack = foot_sagitta(at, radius, carrier)
    if slack > tolerance:
        return (
            Verdict.UNDECIDED,
            f"The true face about {place} may lie {millimetres(slack)} mm off the facets of "
            f"{carrier.name}: too far to measure from.",
            f"Export {carrier.name} with a finer chord error, or declare its sagitta.",
        )
    a, b, c = axis
    up = lift + slack
    if not all(carrier.holds(point, axis) for point in around(at, axis, up, aside)):
        return None
    behind = around(at, axis, -up, aside)
    remedy = "Correct the place: it lies on the face that the axis points out of."
    if not any(carrier.holds(point, (-a, -b, -c)) for point in behind):
        turned = ", ".join(f"{0.0 - value:.6g}" for value in axis)
        remedy = f"Reverse it: axis = [{turned}]. It points out of the part, towards the hand."
    message = f"The axis at {place} points into the material of {carrier.name}."
    return Verdict.ERROR, message, remedy

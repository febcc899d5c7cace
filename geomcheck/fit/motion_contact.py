"""Poses of a movement that touch: where contact is first met, and bodies in a pose."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np

from geomcheck.finding import Point
from geomcheck.fit.body import Body, FloatArray, as_point
from geomcheck.fit.motion import Leg, Motion, Pose
from geomcheck.fit.motion_search import Least, Search
from geomcheck.fit.state import Gap
from geomcheck.mesh.placement import apply
from geomcheck.mesh.tree import TriangleTree

#: Steps of the search for the first contact in each leg.
ADVANCES = 400
#: Shares of the way to the end of a range where an overlap is looked for from a contact on.
ONWARD = (0.5, 0.25, 0.125, 1 / 16, 1 / 32, 1 / 64, 1 / 256)


def first_contact(
    search: Search, bodies: tuple[Body, Body], least: Least, tolerance: float
) -> Pose:
    """The pose on the way from rest before which there is no contact, and at which there is.

    Parameters
    ----------
    search : Search
    bodies : (Body, Body)
        Moving and still.
    least : Least
        A pose in contact.
    tolerance : float
        mm; nearer than that counts as contact here.
    """
    motion = search.motion
    corners = [np.array(list(product(*body.bounds.T))) for body in bodies]
    fine = 0.25 * tolerance
    for number, begin, end in way_to(motion, least):
        leg = motion.legs[number]
        speed = leg.speed(corners[0], begin, end, "moving")
        speed += leg.speed(corners[1], begin, end, "still")
        share, cutoff = 0.0, np.inf
        for _ in range(ADVANCES):
            values = begin + share * (end - begin)
            near = search.distance(number, values, fine, cutoff)
            if near <= tolerance:
                return Pose(motion, number, values)
            if share == 1.0:
                break
            step = min(near / speed, 1.0 - share) if speed > 0.0 else 1.0 - share
            # The next distance is no more than this one and what is moved until then.
            cutoff = near + step * speed + 2.0 * fine
            share = min(1.0, share + step)
    return Pose(motion, least.leg, least.values)


def deeper(leg: Leg, values: FloatArray, gap: Gap) -> FloatArray:
    """Ends of the ranges that take the moving witness of an overlap deepest, number by number."""
    if gap.direction is None:
        return values
    moving, still = leg.maps(values)
    at_moving = np.linalg.solve(moving, [*gap.point_a, 1.0])
    at_still = np.linalg.solve(still, [*gap.point_b, 1.0])
    out = np.asarray(gap.direction)
    there = values.copy()
    for number, ends in enumerate(leg.ranges.T):
        tries = []
        for value in (there[number], *ends):
            there[number] = value
            moving, still = leg.maps(there)
            tries.append((float(out @ (moving @ at_moving - still @ at_still)[:3]), value))
        there[number] = min(tries, key=lambda pair: pair[0])[1]
    return there


def onward(leg: Leg, values: FloatArray) -> list[FloatArray]:
    """Poses on the way from one pose to the ends of each range; to each first far, then near."""
    found = []
    for share in ONWARD:
        for number, ends in enumerate(leg.ranges.T):
            for end in ends:
                there = values.copy()
                there[number] += share * (end - values[number])
                if there[number] != values[number]:
                    found.append(there)
    return found


def way_to(motion: Motion, least: Least) -> list[tuple[int, FloatArray, FloatArray]]:
    """Straight pieces (leg, from, to) from rest to the pose that was found."""
    way = []
    for number, leg in enumerate(motion.legs[: least.leg]):
        end = leg.rest.copy()
        end[0] = leg.elements[0].high
        way.append((number, leg.rest, end))
    return [*way, (least.leg, motion.legs[least.leg].rest, least.values)]


def placed(body: Body, matrix: FloatArray) -> Body:
    """A body in a pose; itself where the pose leaves it."""
    if np.array_equal(matrix, np.eye(4)):
        return body
    vertices = apply(matrix, body.vertices)
    return replace(body, vertices=vertices, tree=TriangleTree(vertices[body.faces]))


def point_at_rest(matrix: FloatArray, point: FloatArray) -> Point:
    """A point of a part in a pose, where the part stands."""
    return as_point(np.linalg.solve(matrix, np.append(point, 1.0))[:3])


def direction_at_rest(pose: Pose, vector: FloatArray) -> Point | None:
    """A direction in a pose, in the axes of the part as it stands; a unit vector."""
    turned = pose.moving[:3, :3].T @ vector
    length = float(np.linalg.norm(turned))
    return as_point(turned / length) if length > 0.0 else None

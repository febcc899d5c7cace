"""The demo's housing: rotor case, gear case, snout and inlet duct, joined with its details."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
from demo_details import base, bosses, cuts, name_plate
from demo_layout import (
    AXIS_Z,
    BALL_AT,
    BALL_WAY,
    BEND,
    BORE,
    CASE_X,
    CENTRES,
    DUCT_WALL,
    FLARES,
    FRONT_X,
    INLET,
    INLET_RADIUS,
    LUG,
    MOUTH,
    MOUTH_X,
    Revision,
    along_x,
    stadium,
    two_circles,
)
from demo_shapes import (
    circle,
    loft,
    outline,
    prism,
    rod,
    rounded,
    slab,
    soften,
    steps,
    towards,
    turned,
    union,
)
from shapely.geometry import Polygon
from shapely.geometry import box as rectangle
from shapely.ops import unary_union


def duct_way(wall: float) -> list[tuple[float, float, float, float]]:
    """Stations of the duct: x, y, turn (radians), and how far the outside is flared there."""
    x0, y0, _ = INLET
    turn = np.linspace(0.0, math.pi / 2, steps(BEND + MOUTH[0] + wall, math.pi / 2) + 1)
    bend = [
        (x0 + BEND * (1 - math.cos(a)), -BEND + BEND * math.sin(a), float(a), 0.0) for a in turn
    ]
    end = math.pi / 2
    if not wall:
        run = [(float(x), 0.0, end, 0.0) for x in np.linspace(x0 + BEND, MOUTH_X, 8)[1:]]
        return [(x0, y0 - 1.0, 0.0, 0.0), *bend, *run, (MOUTH_X + 1.0, 0.0, end, 0.0)]
    first, last = FLARES
    arc = np.linspace(0.0, math.pi / 2, steps(last, math.pi / 2) + 1)
    start = [(y0 + 12.0 + first * (1 - math.cos(a)), first * (1 - math.sin(a))) for a in arc]
    stop = [(CASE_X[0] - last * (1 - math.cos(a)), last * (1 - math.sin(a))) for a in arc[::-1]]
    return [
        (x0, y0 + 2.0, 0.0, first),
        *[(x0, y, 0.0, grown) for y, grown in start],
        *bend,
        *[(x, 0.0, end, grown) for x, grown in stop],
        (CASE_X[0] + 6.0, 0.0, end, last),
    ]


def duct(wall: float) -> m3.Manifold:
    """The inlet duct from its flange to the rotor mouth, grown by ``wall`` mm.

    A straight round pipe, a quarter bend in which it turns into an ellipse, and a straight end.
    The product of the half axes falls smoothly from inlet to mouth, so the area does. With a
    wall the outside is flared into flange and rotor case, as a casting is.
    """
    bend_end = INLET[0] + BEND
    total = BEND * math.pi / 2 + MOUTH_X - bend_end
    around = circle(1.0, 144 if not wall else 152)
    rings = []
    for x, y, angle, flare in duct_way(wall):
        t = min((BEND * angle + max(x - bend_end, 0.0)) / total, 1.0)
        blend = t**3 * (10.0 + t * (-15.0 + 6.0 * t))
        across = INLET_RADIUS + (MOUTH[0] - INLET_RADIUS) * blend
        product = INLET_RADIUS**2 + (MOUTH[0] * MOUTH[1] - INLET_RADIUS**2) * blend
        grown = wall + flare
        u, v = (across + grown) * around[:, 0], (product / across + grown) * around[:, 1]
        rings.append(
            np.column_stack([x - u * math.cos(angle), y + u * math.sin(angle), INLET[2] + v])
        )
    return loft(np.stack(rings), flat=around)


def rotor_case() -> list[m3.Manifold]:
    """The case round the rotors with its ribs."""
    foot = Polygon([(-70, 4), (70, 4), (79, 60), (-79, 60)])
    shape = soften(unary_union([two_circles(BORE + 7.0), foot]), 20.0, 0.0)
    ring = outline(shape)
    parts = [along_x(prism(ring, *CASE_X, bottom=6.0))]
    crest = np.array([(-1, -5), (1, -3), (3, -2.6), (4, -1.6), (4, 1.6), (3, 2.6), (1, 3), (-1, 5)])
    for x in (136.0, 198.0, 260.0):
        parts.append(along_x(slab(ring, crest + np.array([0.0, x]))))
    rib = rounded([(48, -2.5), (59, -2.5), (59, 2.5), (48, 2.5)], [0, 1.8, 1.8, 0], closed=True)
    for side in (-1.0, 1.0):
        for angle in (20.0, 45.0, 72.0):
            a = math.radians(angle)
            turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
            at = rib @ turn * (side, 1.0) + (side * CENTRES, AXIS_Z)
            parts.append(along_x(prism(at if side > 0 else at[::-1], 113.0, 297.0, 1.6, 1.6)))
    return parts


def gear_case_and_snout() -> list[m3.Manifold]:
    """Front of the housing: gear case with its joint, snout with its webs."""
    parts = [
        along_x(prism(stadium(50.0), 298.0, 352.0, top=10.0)),
        along_x(slab(stadium(56.0), np.array([(-1.5, 303.0), (0.0, 304.5), (0.0, 308.9)]))),
        along_x(slab(stadium(55.4), np.array([(0.0, 308.0), (0.0, 313.5), (-1.5, 315.0)]))),
    ]
    for y, z in ((-66, 132), (-24, 142), (24, 142), (66, 132), (-66, 36), (-24, 26), (24, 26),
                 (66, 36)):  # fmt: skip
        lug = slab(circle(7.5), LUG) - rod(2.6, 309.0, 319.0)
        parts.append(along_x(lug.translate((y, z, 0.0))))
    line = rounded(
        [
            (45.5, 346),
            (45.5, 351.9),
            (33, 351.9),
            (31, 393),
            (44, 393),
            (44, FRONT_X),
            (0, FRONT_X),
        ],
        [0, 0, 12, 3, 1.5, 1.5, 0],
    )
    snout = turned(np.vstack([[(0.0, 346.0)], line])[1:-1])
    parts.append(along_x(snout.translate((0.0, AXIS_Z, 0.0))))
    web = Polygon([(20, 345), (62, 345), (62, 352), (44, 364), (36, 393), (20, 396)])
    for angle in (0.0, 60.0, 120.0, 180.0, 240.0, 300.0):
        if angle in (60.0, 120.0, 240.0, 300.0):
            web = Polygon([(20, 345), (40, 345), (40, 358), (35, 393), (20, 396)])
        else:
            web = Polygon([(20, 345), (66, 345), (66, 351), (44, 362), (35, 393), (20, 396)])
        plate = prism(web, -3.0, 3.0).rotate((90.0, 0.0, 0.0)).rotate((0.0, 0.0, angle))
        parts.append(along_x(plate.translate((0.0, AXIS_Z, 0.0))))
    return parts


def housing(revision: Revision) -> m3.Manifold:
    """The whole casting as one solid."""
    radius = revision.ball
    body = union(
        [*rotor_case(), *gear_case_and_snout(), *base(revision), *bosses(revision),
         *name_plate(), duct(DUCT_WALL)]
    )  # fmt: skip
    body = body - union([duct(0.0), *cuts(revision)])
    ball = rounded([(0, -radius), (radius, -radius), (radius, radius), (0, radius)],
                   [0, radius, radius, 0])  # fmt: skip
    at = np.array(INLET) + (0, BALL_AT, 0) + INLET_RADIUS * np.array(BALL_WAY)
    chamber = along_x(prism(two_circles(BORE + 2.0), 118.0, 130.0))
    bar = rectangle(-90.0, AXIS_Z - 6.0, 90.0, AXIS_Z + 6.0)
    rings = [
        prism(circle(19.0), 117.5, 130.0, 1.5, 1.5).translate((s * CENTRES, AXIS_Z, 0.0))
        for s in (-1.0, 1.0)
    ]
    bridge = along_x(union([prism(bar, 118.0, 130.0, 1.5, 1.5), *rings]))
    cups = union(
        [along_x(rod(14.0, 110.0, 131.0).translate((s * CENTRES, AXIS_Z, 0.0))) for s in (-1, 1)]
    )
    return union([body, towards(turned(ball), BALL_WAY, at), (bridge ^ chamber) - cups])

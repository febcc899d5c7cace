"""The demo's housing: rotor case, gear case, snout, inlet duct, flanges, bosses and ribs.

Frame: x along the rotors from rear to front, z up from the manifold face, mm.
"""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
from demo_shapes import (
    Array,
    boss,
    box,
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
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon, box as rectangle
from shapely.ops import unary_union

CENTRES = 36.0  # rotor axes stand this far from the middle
AXIS_Z = 84.0
BORE = 48.1  # radius of the rotor bores
MOUTH_X = 116.0  # where the inlet duct opens into the rotor bores
CASE_X = (104.0, 304.0)
ROTOR_X = (132.0, 291.9)
FRONT_X = 405.0  # front face of the snout
SNOUT_FACE = 42.5  # the snout's front face is flat out to this radius

INLET = (30.0, -120.0, 86.0)  # middle of the inlet flange
INLET_RADIUS = 38.0
MOUTH = (50.0, 27.5)  # half axes of the rotor mouth, across and up
BEND = 60.0  # radius of the duct's bend
DUCT_WALL = 6.0
FLARES = (4.0, 12.0)  # radii outside the duct, at the inlet flange and at the rotor case
BALL = (20.0, 30.0)  # the bypass boss in the duct: radius, distance from the inlet flange
BALL_WAY = (-math.sqrt(0.5), 0.0, math.sqrt(0.5))  # from the duct's axis to the boss
BYPASS_FACE = 64.0  # the bypass valve's seat, mm from the duct's axis

#: Seats of the manifold screws: name, x, y, seat height.
SCREWS = (
    ("M1", 112.0, -110.0, 15.0),
    ("M2", 168.0, -110.0, 9.0),
    ("M3", 230.0, -110.0, 15.0),
    ("M4", 296.0, -110.0, 45.0),
    ("M5", 296.0, 110.0, 45.0),
    ("M6", 230.0, 110.0, 15.0),
    ("M7", 168.0, 110.0, 9.0),
    ("M8", 104.0, 110.0, 15.0),
    ("M9", 34.0, 110.0, 15.0),
    ("M10", 30.0, -106.0, 15.0),
)
EAR_BOLT = (336.0, -104.0, 60.0)
REAR_BOLT = (98.0, 80.0, 92.0)
TOP_BOSS = (282.0, 0.0, 168.0)
#: Pockets in the underside, in plan: x, y of two corners.
POCKETS = (
    (24.0, -88.0, 68.0, -40.0), (24.0, -33.0, 68.0, 27.0), (24.0, 34.0, 68.0, 88.0),
    (76.0, -88.0, 140.0, -40.0), (76.0, -33.0, 140.0, 27.0), (76.0, 34.0, 140.0, 88.0),
    (168.0, 46.0, 252.0, 88.0), (168.0, -88.0, 252.0, -46.0),
)  # fmt: skip
#: Profile of the lugs of the gear case's joint.
LUG = np.array([(-1.2, 303.0), (0.0, 304.2), (0.0, 316.8), (-1.2, 318.0)])
#: The rib that carries the alternator bracket: box from corner to corner.
RIB = ((257.0, 80.0, 10.0), (263.0, 118.0, 60.0))


def along_x(shape: m3.Manifold) -> m3.Manifold:
    """A solid drawn in (y, z) and raised along x."""
    return shape.transform(np.array([[0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]], dtype=float))


def two_circles(radius: float) -> Polygon:
    """The figure of two overlapping bores, in (y, z)."""
    n = steps(radius, 2.0 * math.pi, 0.003)  # finer than the rest: the rotors run close here
    return unary_union([Polygon(circle(radius, n, (s * CENTRES, AXIS_Z))) for s in (-1, 1)])


def stadium(radius: float) -> Polygon:
    """Both rotor axes with a round margin, in (y, z)."""
    line = LineString([(-CENTRES, AXIS_Z), (CENTRES, AXIS_Z)])
    return line.buffer(radius, quad_segs=steps(radius, math.pi / 2))


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
        parts.append(along_x(slab(ring, crest + (0.0, x))))
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
        [(45.5, 346), (45.5, 351.9), (33, 351.9), (31, 393), (44, 393), (44, FRONT_X), (0, FRONT_X)],
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


def flange_shape() -> Polygon:
    """Plan of the manifold flange, in (x, y)."""
    pads = [Point(x, y).buffer(15.0, quad_segs=24) for _, x, y, _ in SCREWS]
    plate = rectangle(12.0, -104.0, 316.0, 104.0)
    side = rectangle(20.0, -112.0, 310.0, 112.0)
    return soften(unary_union([plate, side, *pads]), 14.0, 10.0)


def base() -> list[m3.Manifold]:
    """Manifold flange, pillars, gussets, webs under the duct, ears."""
    rim = np.array([(0.0, 0.0), (-0.3, 14.0), (-2.3, 16.0)])
    parts = [slab(flange_shape(), rim)]
    gusset = Polygon([(60, 8), (115, 8), (115, 20), (98, 36), (90, 60), (60, 60)])
    for x in (136.0, 198.0, 260.0):
        for side in (-1.0, 1.0):
            if (x, side) != (260.0, 1.0):
                shape = Polygon([(side * y, z) for y, z in gusset.exterior.coords])
                parts.append(along_x(prism(shape, x - 3.0, x + 3.0, top=1.2, bottom=1.2)))
    parts.append(box(*RIB))
    for _, x, y, seat in SCREWS:
        if seat > 16.0:
            parts.append(boss(11.0, 16.0, seat, flare=2.5).translate((x, y, 0.0)))
    for y, line in (
        (70.0, [(16, 8), (16, 19), (60, 40), (109, 106), (112, 106), (112, 8)]),
        (-36.0, [(110, 8), (34, 8), (34, 60), (110, 60)]),
        (30.0, [(110, 8), (40, 8), (40, 19), (98, 50), (110, 50)]),
    ):
        plate = prism(Polygon(line), -3.5, 3.5, top=1.5, bottom=1.5)
        parts.append(plate.rotate((90.0, 0.0, 0.0)).translate((0.0, y, 0.0)))
    x, y, z = EAR_BOLT
    ear = soften(unary_union([Point(x, y).buffer(13.0, quad_segs=24),
                              rectangle(316.0, -84.0, 350.0, -60.0)]), 20.0, 4.0)  # fmt: skip
    parts.append(prism(ear, z - 14.0, z, top=2.0, bottom=2.0))
    for x, y in ((TOP_BOSS[0], 9.0), (TOP_BOSS[0], -9.0)):
        rib = Polygon([(0, 120), (y * 4.2, 120), (y * 4.2, 138), (y * 1.3, 160), (0, 160)])
        parts.append(along_x(prism(rib, x - 3.0, x + 3.0, top=1.2, bottom=1.2)))
    for side in (-1, 1):  # webs from the tall pillars to the case
        rib = Polygon([(side * y, z) for y, z in ((60, 8), (108, 8), (108, 38), (88, 60), (60, 60))])
        parts.append(along_x(prism(rib, 292.5, 299.5, top=1.5, bottom=1.5)))
    x, y, z = REAR_BOLT
    parts.append(towards(boss(9.5, -8.0, 0.0, flare=1.0, edge=0.8), (-1, 0, 0), (x, y, z)))
    return parts


def lettering(text: str, size: float) -> list[Polygon]:
    """Outlines of cast letters, their middle at the origin."""
    path = TextPath((0, 0), text, size=size, prop=FontProperties("DejaVu Sans", weight="bold"))
    rings: list[Array] = []
    for points, code in path.iter_segments(curves=True, simplify=False):
        here = np.asarray(points).reshape(-1, 2)
        if code == 1:
            rings.append(here)
        elif code == 2:
            rings[-1] = np.vstack([rings[-1], here])
        elif code in (3, 4):
            t = np.linspace(0.0, 1.0, 9)[1:, None]
            knots = np.vstack([rings[-1][-1:], here])
            while len(knots) > 1:  # de Casteljau
                knots = [(1 - t) * a + t * b for a, b in zip(knots, knots[1:], strict=False)]
            rings[-1] = np.vstack([rings[-1], knots[0]])
    letters = Polygon()
    for ring in rings:
        letters = letters.symmetric_difference(Polygon(ring).buffer(0))
    x0, y0, x1, y1 = letters.bounds
    moved = translate(letters, -(x0 + x1) / 2, -(y0 + y1) / 2)
    return list(moved.geoms) if hasattr(moved, "geoms") else [moved]


def name_plate() -> list[m3.Manifold]:
    """The pad on top with the casting's name."""
    pad = soften(rectangle(-50.0, -17.0, 50.0, 17.0), 0.0, 6.0)
    parts = [prism(pad, 115.0, 144.0, top=1.5)]
    for letter in lettering("BRAMBLE 24", 13.0):
        raised = prism(letter, 140.0, 145.0)
        for hole in letter.interiors:
            raised -= prism(Polygon(hole), 139.0, 146.0)
        parts.append(raised)
    return [part.translate((198.0, 0.0, 0.0)) for part in parts]


def bosses() -> list[m3.Manifold]:
    """Top boss, bypass boss, inlet flange, sensor and filler bosses."""
    x, y, z = TOP_BOSS
    flange = prism(soften(rectangle(-48, -48, 48, 48), 0.0, 14.0), -12.0, 0.0, top=1.5, bottom=1.5)
    seat = (INLET[0], INLET[1] + BALL[1], INLET[2])
    return [
        boss(12.0, 132.0, z, flare=8.0, edge=1.0, draft=0.09).translate((x, y, 0.0)),
        towards(flange, (0, -1, 0), INLET),
        towards(boss(22.0, 42.0, BYPASS_FACE, flare=4.0, edge=1.0), BALL_WAY, seat),
        boss(10.0, 122.0, 136.0, flare=3.0, edge=0.8).translate((48.0, -18.0, 0.0)),
        boss(13.0, 132.0, 142.0, flare=3.0, edge=1.0).translate((334.0, -28.0, 0.0)),
        boss(9.0, 132.0, 146.0, flare=3.0, edge=0.8).translate((124.0, 36.0, 0.0)),
    ]


def cuts() -> list[m3.Manifold]:
    """Everything that is bored, milled or cored out of the housing."""
    bores = prism(two_circles(BORE), MOUTH_X, 292.3)
    port = soften(Polygon([(158, -30), (236, -34), (284, -6), (284, 6), (236, 34), (158, 30)]),
                  0.0, 8.0)  # fmt: skip
    out = [
        duct(0.0),
        along_x(bores),
        prism(port, -1.0, 62.0),
        along_x(prism(stadium(42.0), 308.0, 342.0)),
        along_x(rod(17.0, 330.0, 390.0).translate((0.0, AXIS_Z, 0.0))),
        along_x(rod(26.0, 383.0, FRONT_X + 1.0).translate((0.0, AXIS_Z, 0.0))),
        rod(3.4, 150.0, 169.0).translate(TOP_BOSS[:2] + (0.0,)),
        rod(4.0, 128.0, 137.0).translate((48.0, -18.0, 0.0)),
        rod(8.0, 134.0, 143.0).translate((334.0, -28.0, 0.0)),
        rod(3.0, 140.0, 147.0).translate((124.0, 36.0, 0.0)),
        rod(4.5, 40.0, 61.0).translate((*EAR_BOLT[:2], 0.0)),
        towards(rod(2.5, -8.0, 1.0), (-1, 0, 0), REAR_BOLT),
        towards(
            rod(9.0, 46.0, BYPASS_FACE + 1.0), BALL_WAY, (INLET[0], INLET[1] + BALL[1], INLET[2])
        ),
    ]
    for x0, y0, x1, y1 in POCKETS:
        out.append(prism(soften(rectangle(x0, y0, x1, y1), 0.0, 7.0), -1.0, 9.0))
    for side in (-1.0, 1.0):
        out.append(along_x(rod(20.0, 290.0, 310.0).translate((side * CENTRES, AXIS_Z, 0.0))))
    for i in range(6):
        a = math.radians(60.0 * i + 30.0)
        at = (37.5 * math.cos(a), AXIS_Z + 37.5 * math.sin(a), 0.0)
        out.append(along_x(rod(2.6, 392.0, FRONT_X + 1.0).translate(at)))
    for u in (-38.0, 38.0):
        for v in (-38.0, 38.0):
            hole = rod(2.5, -10.0, 1.0)
            out.append(towards(hole, (0, -1, 0), (INLET[0] + u, INLET[1], INLET[2] + v)))
    for _, x, y, seat in SCREWS:
        out.append(rod(4.5, -1.0, seat + 1.0).translate((x, y, 0.0)))
        wide = 10.0 if seat == 15.0 else 9.0
        if seat < 16.0:
            out.append(rod(wide, seat, 22.0).translate((x, y, 0.0)))
    return out


def housing() -> m3.Manifold:
    """The whole casting as one solid."""
    body = union(
        [*rotor_case(), *gear_case_and_snout(), *base(), *bosses(), *name_plate(),
         duct(DUCT_WALL)]
    )  # fmt: skip
    body = body - union(cuts())
    ball = rounded([(0, -BALL[0]), (BALL[0], -BALL[0]), (BALL[0], BALL[0]), (0, BALL[0])],
                   [0, BALL[0], BALL[0], 0])  # fmt: skip
    at = np.array(INLET) + (0, BALL[1], 0) + INLET_RADIUS * np.array(BALL_WAY)
    chamber = along_x(prism(two_circles(BORE + 2.0), 118.0, 130.0))
    bridge = union([
        along_x(prism(rectangle(-90, AXIS_Z - 6, 90, AXIS_Z + 6), 118.0, 130.0, top=1.5, bottom=1.5)),
        *[along_x(prism(circle(19.0), 117.5, 130.0, top=1.5, bottom=1.5)
                  .translate((s * CENTRES, AXIS_Z, 0.0))) for s in (-1.0, 1.0)],
    ])  # fmt: skip
    cups = union(
        [along_x(rod(14.0, 110.0, 131.0).translate((s * CENTRES, AXIS_Z, 0.0))) for s in (-1, 1)]
    )
    return union([body, towards(turned(ball), BALL_WAY, at), (bridge ^ chamber) - cups])

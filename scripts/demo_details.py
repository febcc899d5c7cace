"""Details of the demo's housing: flange, gussets, bosses, cast letters, and all that is cut out."""

from __future__ import annotations

import math
from itertools import pairwise

import manifold3d as m3
import numpy as np
from demo_layout import (
    AXIS_Z,
    BALL_AT,
    BALL_WAY,
    BORE,
    BYPASS_FACE,
    CENTRES,
    EAR_BOLT,
    FRONT_X,
    FUEL_LINE_X,
    INLET,
    LUG_OFF,
    LUG_TOP,
    LUG_Y,
    MOUTH_X,
    POCKETS,
    REAR_BOLT,
    RIB,
    TOP_BOSS,
    Revision,
    along_x,
    flange_shape,
    port_shape,
    stadium,
    two_circles,
)
from demo_shapes import Array, boss, box, prism, rod, slab, soften, towards
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from shapely.affinity import translate
from shapely.geometry import Point, Polygon
from shapely.geometry import box as rectangle
from shapely.ops import unary_union


def base(revision: Revision) -> list[m3.Manifold]:
    """Manifold flange, pillars, gussets, webs under the duct, ears."""
    seats = {(x, y): z for x, y, z in revision.screws}
    rim = np.array([(0.0, 0.0), (-0.3, 14.0), (-2.3, 16.0)])
    parts = [slab(flange_shape(), rim)]
    gusset = Polygon([(60, 8), (115, 8), (115, 20), (98, 36), (90, 60), (60, 60)])
    for x in (136.0, 198.0, 260.0):
        for side in (-1.0, 1.0):
            if (x, side) != (260.0, 1.0):
                shape = Polygon([(side * y, z) for y, z in gusset.exterior.coords])
                parts.append(along_x(prism(shape, x - 3.0, x + 3.0, top=1.2, bottom=1.2)))
    (x0, x1), foot, (z0, z1) = RIB
    parts.append(box((x0, foot, z0), (x1, revision.rib, z1)))
    for x, y, seat in revision.screws:
        if seat > 16.0:
            parts.append(boss(11.0, 16.0, seat, flare=2.5).translate((x, y, 0.0)))
    for y, line in (
        (54.0, [(16, 8), (16, 19), (60, 40), (109, 106), (112, 106), (112, 8)]),
        (-36.0, [(110, 8), (34, 8), (34, 60), (110, 60)]),
        (18.0, [(110, 8), (40, 8), (40, 19), (98, 50), (110, 50)]),
    ):
        plate = prism(Polygon(line), -3.5, 3.5, top=1.5, bottom=1.5)
        parts.append(plate.rotate((90.0, 0.0, 0.0)).translate((0.0, y, 0.0)))
    x, y, z = EAR_BOLT
    ear = soften(unary_union([Point(x, y).buffer(13.0, quad_segs=24),
                              rectangle(316.0, -84.0, 350.0, -60.0)]), 20.0, 4.0)  # fmt: skip
    parts.append(prism(ear, z - 14.0, z, top=2.0, bottom=2.0))
    for x, y in ((TOP_BOSS[0], 9.0), (TOP_BOSS[0], -9.0)):
        crest = revision.top - 8.0
        rib = Polygon([(0, 120), (y * 4.2, 120), (y * 4.2, 138), (y * 1.3, crest), (0, crest)])
        parts.append(along_x(prism(rib, x - 3.0, x + 3.0, top=1.2, bottom=1.2)))
    for side in (-1, 1):  # webs from the tall pillars to the case
        seat = seats[296.0, side * 110.0]
        line = ((60, 8), (108, 8), (108, seat - 7), (88, seat + 15), (60, seat + 15))
        rib = Polygon([(side * y, z) for y, z in line])
        parts.append(along_x(prism(rib, 292.5, 299.5, top=1.5, bottom=1.5)))
    x, y, z = REAR_BOLT
    parts.append(towards(boss(9.5, -8.0, 0.0, flare=1.0, edge=0.8), (-1, 0, 0), (x, y, z)))
    if revision.lug:
        plan = soften(rectangle(FUEL_LINE_X + LUG_OFF, LUG_Y[0], 22.0, LUG_Y[1]), 0.0, 8.0)
        parts.append(prism(plan, LUG_OFF, LUG_TOP, top=2.0))
    return parts


def lettering(text: str, size: float) -> list[Polygon]:
    """Outlines of cast letters, their middle at the origin."""
    path = TextPath(
        (0, 0), text, size=size, prop=FontProperties(family="DejaVu Sans", weight="bold")
    )
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
                knots = [(1 - t) * a + t * b for a, b in pairwise(knots)]
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


def bosses(revision: Revision) -> list[m3.Manifold]:
    """Top boss, bypass boss, inlet flange, sensor and filler bosses."""
    (x, y), z = TOP_BOSS, revision.top
    flange = prism(soften(rectangle(-48, -48, 48, 48), 0.0, 14.0), -12.0, 0.0, top=1.5, bottom=1.5)
    seat = (INLET[0], INLET[1] + BALL_AT, INLET[2])
    return [
        boss(12.0, 132.0, z, flare=8.0, edge=1.0, draft=0.09).translate((x, y, 0.0)),
        towards(flange, (0, -1, 0), INLET),
        towards(boss(22.0, 42.0, BYPASS_FACE, flare=4.0, edge=1.0), BALL_WAY, seat),
        boss(10.0, 122.0, 136.0, flare=3.0, edge=0.8).translate((48.0, -18.0, 0.0)),
        boss(13.0, 132.0, 142.0, flare=3.0, edge=1.0).translate((334.0, -28.0, 0.0)),
        boss(9.0, 132.0, 146.0, flare=3.0, edge=0.8).translate((124.0, 36.0, 0.0)),
    ]


def cuts(revision: Revision) -> list[m3.Manifold]:
    """Everything that is bored, milled or cored out of the housing."""
    bores = prism(two_circles(BORE), MOUTH_X, 292.3)
    out = [
        along_x(bores),
        prism(port_shape(), -1.0, 62.0),
        along_x(prism(stadium(42.0), 308.0, 342.0)),
        along_x(rod(17.0, 330.0, 390.0).translate((0.0, AXIS_Z, 0.0))),
        along_x(rod(26.0, 383.0, FRONT_X + 1.0).translate((0.0, AXIS_Z, 0.0))),
        rod(3.4, revision.top - 18.0, revision.top + 1.0).translate((*TOP_BOSS, 0.0)),
        rod(4.0, 128.0, 137.0).translate((48.0, -18.0, 0.0)),
        rod(8.0, 134.0, 143.0).translate((334.0, -28.0, 0.0)),
        rod(3.0, 140.0, 147.0).translate((124.0, 36.0, 0.0)),
        rod(4.5, 40.0, 61.0).translate((*EAR_BOLT[:2], 0.0)),
        towards(rod(2.5, -8.0, 1.0), (-1, 0, 0), REAR_BOLT),
        towards(
            rod(9.0, 46.0, BYPASS_FACE + 1.0), BALL_WAY, (INLET[0], INLET[1] + BALL_AT, INLET[2])
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
    if revision.lug:
        middle = (FUEL_LINE_X + LUG_OFF + 11.0, 0.5 * (LUG_Y[0] + LUG_Y[1]), 0.0)
        out.append(rod(3.3, LUG_OFF - 1.0, LUG_TOP + 1.0).translate(middle))
    for x, y, seat in revision.screws:
        out.append(rod(4.5, -1.0, seat + 1.0).translate((x, y, 0.0)))
        wide = 10.0 if seat == 15.0 else 9.0
        if seat < 16.0:
            out.append(rod(wide, seat, 22.0).translate((x, y, 0.0)))
    return out

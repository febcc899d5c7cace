"""What is fitted to the demo's housing and goes into every vehicle with it."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
from demo_layout import (
    AXIS_Z,
    BALL_AT,
    BALL_WAY,
    BRACKET,
    BYPASS_FACE,
    CENTRES,
    INLET,
    INLET_RADIUS,
    REAR_BOLT,
    ROTOR_X,
    along_x,
)
from demo_shapes import (
    box,
    outline,
    prism,
    rod,
    rounded,
    slab,
    soften,
    towards,
    turned,
    union,
)
from shapely.geometry import Polygon
from shapely.geometry import box as rectangle

CLEARANCE = 0.2  # rotor tip to bore, at right angles to both
LOBES = 3
ROLL = CENTRES / (2 * LOBES)  # radius of the circle that rolls on the pitch circle

THROTTLE_RADIUS = 40.0
THROTTLE_LENGTH = 130.0
SHAFT = (5.0, 70.0)  # radius, distance from the inlet flange
SHAFT_END = 44.0  # from the middle of the bore
SHAFT_ROOM = 0.1  # round the shaft in the body and before its ends
ACTUATOR = np.array([(0.0, 50.0), (0.0, 82.0), (-2.0, 84.0)])  # profile: outwards, along the shaft
TAPER = (16.0, 30.0)  # where the bore widens, from the inlet flange
GASKET = 0.8  # under the bypass valve


def rotor_profile() -> np.ndarray:
    """(n, 2) outline of a rotor: epicycloids and hypocycloids on one pitch circle, drawn in.

    Two such rotors roll on one another; drawing both in by half the clearance leaves the whole
    of it between them, and a full one to a bore of the tip's radius plus half.
    """
    pitch, points = CENTRES, []
    for i in range(2 * LOBES):
        t = (i + np.linspace(0.0, 1.0, 400, endpoint=False)) * math.pi / LOBES
        s = ROLL if i % 2 == 0 else -ROLL
        turn = (pitch + s) / s * t
        points.append(
            np.column_stack(
                [
                    (pitch + s) * np.cos(t) - s * np.cos(turn),
                    (pitch + s) * np.sin(t) - s * np.sin(turn),
                ]
            )
        )
    shape = Polygon(np.concatenate(points)).buffer(-CLEARANCE / 2, quad_segs=32)
    ring = outline(shape.simplify(0.005))
    tip = np.degrees(np.arctan2(ring[:, 1], ring[:, 0]))
    keep = np.abs((tip - 30.0 + 180.0) % 120.0 - 60.0) < 59.9  # room for the exact tips
    corners = np.vstack([ring[keep], [_tip(30.0 + 120.0 * i) for i in range(LOBES)]])
    return corners[np.argsort(np.arctan2(corners[:, 1], corners[:, 0]), kind="stable")]


def _tip(angle: float) -> tuple[float, float]:
    reach = CENTRES + 2 * ROLL - CLEARANCE / 2
    return reach * math.cos(math.radians(angle)), reach * math.sin(math.radians(angle))


def rotor(side: float) -> m3.Manifold:
    """The rotor on the left (side = -1) or right (side = 1), in mesh with one another."""
    low, high = ROTOR_X
    body = prism(rotor_profile(), low, high).rotate((0.0, 0.0, -30.0))  # a tip on the first axis
    shaft = union([rod(12.0, high - 1.0, 334.0), rod(9.0, 119.0, low + 1.0)])
    # a tip of the left one points at a hollow of the right one
    return along_x((body + shaft).translate((side * CENTRES, AXIS_Z, 0.0)))


def on_inlet(shape: m3.Manifold) -> m3.Manifold:
    """A part drawn along z from the inlet flange outwards, put in its place."""
    return towards(shape, (0, -1, 0), INLET)


def throttle_body() -> m3.Manifold:
    """The throttle body: flange, barrel, shaft bosses, actuator, hose end; bore widens outwards."""
    r = THROTTLE_RADIUS
    line = rounded(
        [(46.0, 2.0), (46.0, 102.0), (43.5, 106.0), (43.5, 123.0), (45.0, 124.5), (45.0, 127.5),
         (43.5, 130.0)],
        [0, 0, 0, 0, 0, 0, 0],
    )  # fmt: skip
    flange = soften(rectangle(-48, -48, 48, 48), 0.0, 14.0)
    rim = np.array([(0.0, 0.0), (0.0, 9.0), (-1.0, 10.0)])
    shaft_at = SHAFT[1]
    actuator = soften(rectangle(-24, -30, 30, 26), 0.0, 8.0)
    parts = [
        turned(line),
        slab(flange, rim),
        towards(rod(11.0, -62.0, 62.0), (1, 0, 0), (0, 0, shaft_at)),
        towards(slab(actuator, ACTUATOR), (-1, 0, 0), (0, 0, shaft_at)),
        towards(rod(15.0, -66.0, -60.0), (-1, 0, 0), (0, 0, shaft_at)),
        box((-8.0, 40.0, 30.0), (8.0, 52.0, 48.0)),
    ]
    t = np.linspace(0.0, 1.0, 13)
    blend = 0.5 - 0.5 * np.cos(np.pi * t)
    bore = np.vstack([
        [(INLET_RADIUS, -1.0)],
        np.column_stack(
            [INLET_RADIUS + (r - INLET_RADIUS) * blend, TAPER[0] + (TAPER[1] - TAPER[0]) * t]
        ),
        [(r, THROTTLE_LENGTH + 1.0)],
    ])  # fmt: skip
    holes = [
        rod(3.3, -1.0, 11.0).translate((u, v, 0.0)) for u in (-38.0, 38.0) for v in (-38.0, 38.0)
    ]
    end = SHAFT_END + SHAFT_ROOM
    holes.append(towards(rod(SHAFT[0] + SHAFT_ROOM, -end, end), (1, 0, 0), (0, 0, shaft_at)))
    return on_inlet(union(parts) - turned(bore, 144) - union(holes))


def throttle_blade() -> m3.Manifold:
    """Shaft and blade, wide open."""
    radius, at = SHAFT
    shaft = towards(rod(radius, -SHAFT_END, SHAFT_END), (1, 0, 0), (0, 0, at))
    blade = towards(rod(THROTTLE_RADIUS - 0.2, -1.0, 1.0), (0, 1, 0), (0, 0, at))
    return on_inlet(shaft + blade)


def bypass_valve() -> m3.Manifold:
    """The bypass valve on its boss, a gasket away."""
    base = BYPASS_FACE + GASKET
    line = rounded(
        [(21.0, base), (21.0, base + 5.0), (15.0, base + 5.0), (15.0, base + 12.0),
         (18.5, base + 14.0), (18.5, base + 30.0), (14.0, base + 34.0), (7.0, base + 35.0)],
        [0, 0, 2, 0, 0, 3, 0, 0],
    )  # fmt: skip
    nipple = towards(rod(4.5, 0.0, 34.0), (0, 1, 0), (0, 0, base + 22.0))
    seat = (INLET[0], INLET[1] + BALL_AT, INLET[2])
    return towards(union([turned(line), nipple]), BALL_WAY, seat)


def drive_pulley() -> m3.Manifold:
    """Pulley of six grooves with its hub and the shaft in the snout."""
    low, high = 416.0, 452.0
    line = [(15.0, low - 46.0), (15.0, low - 4.0), (24.0, low - 4.0), (24.0, low), (40.0, low)]
    for i in range(6):
        x = low + 5.0 + 4.0 * i
        line += [(40.0, x), (37.5, x + 1.6), (37.5, x + 2.0), (40.0, x + 3.6)]
    line += [(40.0, high), (33.0, high), (30.0, high - 14.0), (16.0, high - 14.0), (14.0, high - 6)]
    return along_x(turned(np.array(line), 96).translate((0.0, 0.0, 0.0))).translate(
        (0.0, 0.0, AXIS_Z)
    )


def rear_bracket() -> m3.Manifold:
    """A plate on the rear boss, for a hose clip: the seat of the rear bolt is on it."""
    x, y, z = REAR_BOLT
    plate = prism(soften(rectangle(68.0, 80.0, 92.0, 130.0), 0.0, 6.0), x - BRACKET, x)
    holes = [rod(3.3, x - 10.0, x + 1.0).translate((y, z, 0.0))]
    holes.append(rod(2.6, x - 10.0, x + 1.0).translate((y, 121.0, 0.0)))
    return along_x(plate - union(holes))

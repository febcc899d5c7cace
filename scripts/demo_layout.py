"""Where everything of the demo's housing is, and the outlines several of its shapes share.

Frame: x along the rotors from rear to front, z up from the manifold face, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from demo_shapes import circle, soften, steps
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry import box as rectangle
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
BALL_AT = 30.0  # middle of the bypass boss in the duct, from the inlet flange
BALL_WAY = (-math.sqrt(0.5), 0.0, math.sqrt(0.5))  # from the duct's axis to the boss
BYPASS_FACE = 64.0  # the bypass valve's seat, mm from the duct's axis

#: Seats of the manifold screws: name, x, y, seat height. Revisions may lower some.
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
BRACKET = 6.5  # thickness of the bracket on the rear boss
TOP_BOSS = (282.0, 0.0)
#: Pockets in the underside, in plan: x, y of two corners.
POCKETS = (
    (24.0, -88.0, 68.0, -40.0), (24.0, -33.0, 68.0, 27.0), (24.0, 34.0, 68.0, 88.0),
    (76.0, -88.0, 140.0, -40.0), (76.0, -33.0, 140.0, 27.0), (76.0, 34.0, 140.0, 88.0),
    (168.0, 46.0, 252.0, 88.0), (168.0, -88.0, 252.0, -46.0),
)  # fmt: skip
#: Profile of the lugs of the gear case's joint.
LUG = np.array([(-1.2, 303.0), (0.0, 304.2), (0.0, 316.8), (-1.2, 318.0)])
#: The rib beside the alternator bracket: x, foot's y, z; how far out it reaches is the revision's.
RIB = ((257.0, 263.0), 80.0, (10.0, 60.0))
FLANGE_REAR = 12.0  # x of the manifold flange's rear edge, at z = 0
#: The lug for a stay behind the flange: its rear edge is this far in x and z from the axis of the
#: fuel line, so at 45 degrees to it; then y from and to, and the top.
LUG_OFF = 14.0 * math.sqrt(0.5)
LUG_Y = (-24.0, 8.0)
LUG_TOP = 20.0
FUEL_LINE_X = -24.0  # the line's axis is at z = 0


@dataclass(frozen=True)
class Revision:
    """What differs between the revisions of the casting, mm."""

    top: float  # height of the top boss
    ball: float  # radius of the bypass boss in the duct, about a point of the duct's wall
    rib: float  # y at which the rib beside the alternator bracket ends
    seats: tuple[tuple[str, float], ...] = ()  # screws whose seats were lowered, and to where
    lug: bool = False  # a lug for a stay behind the manifold flange

    @property
    def screws(self) -> list[tuple[float, float, float]]:
        """Seats of the manifold screws: x, y, height."""
        lowered = dict(self.seats)
        return [(x, y, lowered.get(name, z)) for name, x, y, z in SCREWS]


#: The earlier revision: its faults are those a test fit would find.
B = Revision(top=168.0, ball=20.0, rib=118.0)
#: The later one: boss, duct, rib and pillar of M5 are mended; the lug is a new fault.
C = Revision(top=163.0, ball=16.0, rib=108.0, seats=(("M5", 30.0),), lug=True)


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


def port_shape() -> Polygon:
    """The outlet port in the manifold face, in (x, y)."""
    corners = [(158, -30), (236, -34), (284, -6), (284, 6), (236, 34), (158, 30)]
    return soften(Polygon(corners), 0.0, 8.0)


def flange_shape() -> Polygon:
    """Plan of the manifold flange, in (x, y)."""
    pads = [Point(x, y).buffer(15.0, quad_segs=24) for _, x, y, _ in SCREWS]
    plate = rectangle(12.0, -104.0, 316.0, 104.0)
    side = rectangle(20.0, -112.0, 310.0, 112.0)
    return soften(unary_union([plate, side, *pads]), 14.0, 10.0)

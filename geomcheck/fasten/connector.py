"""A plug or a hose end where it is when it is home: a body, and a boot or cable behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import FloatArray
from geomcheck.finding import Point

#: Thickness of a finger and length of its grip, mm (common practice, no source).
FINGER = 18.0
GRIP = 20.0
#: A connector longer than this, mm, is taken for a slip of units.
LONGEST = 5000.0
#: Cells over the lesser side of a box.
CELLS = 10


@dataclass(frozen=True)
class Connector:
    """A plug or a hose end, where it is when it is home.

    Parameters
    ----------
    name : str
    at : Point
        Centre of the socket's rim: the plane the body stands out of, mm.
    axis : Point
        Unit vector out of the socket: the way it is pulled.
    stroke, length : float
        Mating stroke; length of the body outside the socket, mm.
    width, height : float
        Of the body, mm; a round body has its diameter as both.
    round : bool
    up : Point
        Direction of the height, for a box.
    straight, cable : float
        Straight length and diameter of boot or cable behind the body, mm.
    finger, grip : float
        Thickness of a finger and length of its grip, mm; grip 0: no hand is asked for.
    bore : float
        Diameter about the axis within which the socket's own part is not looked at, mm.
    """

    name: str
    at: Point
    axis: Point
    stroke: float
    length: float
    width: float
    height: float
    round: bool = True
    up: Point = (0.0, 0.0, 0.0)
    straight: float = 0.0
    cable: float = 0.0
    finger: float = FINGER
    grip: float = GRIP
    bore: float = 0.0

    def __post_init__(self) -> None:
        sizes = (self.stroke, self.length, self.width, self.height)
        rest = (self.straight, self.cable, self.finger, self.grip, self.bore)
        if not (all(0.0 < x < math.inf for x in sizes) and all(0.0 <= x < math.inf for x in rest)):
            raise InputError(
                f'the connector "{self.name}" needs finite lengths, stroke, length and body above 0'
            )
        if not all(map(math.isfinite, (*self.at, *self.axis, *self.up))):
            raise InputError(f'the connector "{self.name}" has a place that is not finite')
        if abs(math.hypot(*self.axis) - 1.0) > 1e-6:
            raise InputError(f'the axis of the connector "{self.name}" must be a unit vector')
        if self.straight > 0.0 and self.cable <= 0.0:
            raise InputError(f'the straight length of "{self.name}" needs a cable diameter')
        if self.reach > LONGEST:
            raise InputError(
                f'the connector "{self.name}" reaches {self.reach:g} mm out of its socket',
                remedy="Check the unit: lengths are mm",
            )
        if not self.round and math.hypot(*self._across()) < 1e-6:
            raise InputError(
                f'"up" of the connector "{self.name}" must not be zero or along its axis'
            )

    @property
    def reach(self) -> float:
        """From the rim to the end of boot or cable, pulled by the stroke, mm."""
        return self.stroke + self.length + self.straight

    @property
    def radius(self) -> float:
        """Radius about the axis that holds the body and its cable, mm."""
        body = self.width / 2.0 if self.round else math.hypot(self.width, self.height) / 2.0
        return max(body, self.cable / 2.0)

    @property
    def skin(self) -> float:
        """Distance from the axis, within the body and outside its bore, mm; 0 without a bore."""
        least = min(self.width, self.height)
        return 0.25 * (self.bore + least) if 0.0 < self.bore < least else 0.0

    def _across(self) -> FloatArray:
        up, w = np.array(self.up), np.array(self.axis)
        side: FloatArray = up - (up @ w) * w
        return side

    def frame(self) -> FloatArray:
        """(4, 3) origin, u along the width, v along the height, w along the axis."""
        w = np.array(self.axis)
        if self.round:
            helper = np.zeros(3)
            helper[int(np.argmin(np.abs(w)))] = 1.0
            v = np.cross(w, helper)
        else:
            v = self._across()
        v /= math.sqrt(float(v @ v))
        return np.stack([np.array(self.at), np.cross(v, w), v, w])

    def point(self, height: float) -> Point:
        """The point of the axis ``height`` mm above the rim."""
        x, y, z = (p + height * a for p, a in zip(self.at, self.axis, strict=True))
        return (x, y, z)

    def profile(self, pulled: float = 0.0) -> tuple[tuple[float, float, float], ...]:
        """Rows of from, to, diameter for pictures: body, then boot or cable."""
        wide = self.width if self.round else math.hypot(self.width, self.height)
        rows = [(pulled, pulled + self.length, wide)]
        if self.straight > 0.0:
            rows.append((rows[0][1], rows[0][1] + self.straight, self.cable))
        return tuple(rows)


def covering(connector: Connector) -> list[tuple[float, float, float]]:
    """Circles (u, v, radius) that together cover the body's section.

    A box is cut into cells, each within its own circle: it is covered with no more than
    ``0.21 / CELLS`` of its lesser side too much.
    """
    if connector.round:
        return [(0.0, 0.0, connector.width / 2.0)]
    width, height = connector.width, connector.height
    side = min(width, height) / CELLS
    columns, rows = (math.ceil(size / side - 1e-9) for size in (width, height))
    radius = math.hypot(width / columns, height / rows) / 2.0
    return [
        (width * ((i + 0.5) / columns - 0.5), height * ((k + 0.5) / rows - 0.5), radius)
        for i in range(columns)
        for k in range(rows)
    ]


def filling(connector: Connector) -> list[tuple[float, float, float]]:
    """Circles that lie wholly in the body's section."""
    if connector.round:
        return [(0.0, 0.0, connector.width / 2.0)]
    long, short, swap = _sides(connector)
    free = (long - short) / 2.0
    found = [(x, 0.0, short / 2.0) for x in np.linspace(-free, free, CELLS + 1)]
    for radius in (short / 8.0, short / 40.0):
        x, y = long / 2.0 - radius, short / 2.0 - radius
        found += [(a, b, radius) for a in (-x, x) for b in (-y, y)]
    return [(float(v), float(u), r) if swap else (float(u), float(v), r) for u, v, r in found]


def _sides(connector: Connector) -> tuple[float, float, bool]:
    """Longer and shorter side, and whether the longer is the height."""
    swap = connector.height > connector.width
    sides = sorted((connector.width, connector.height), reverse=True)
    return sides[0], sides[1], swap

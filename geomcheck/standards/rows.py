"""The rows of the tables as typed values; field names are the tables' column names."""

from __future__ import annotations

from typing import Literal, NamedTuple

Drive = Literal["hexagon", "hexagon socket"]


class Screw(NamedTuple):
    """One size of screw. Lengths in mm; None where the table has no value.

    Attributes
    ----------
    head : str
        Standard of the head, such as ``ISO 4762``.
    size : str
        ``M8``; ``1/4-20`` for inch screws.
    drive : {"hexagon", "hexagon socket"}
    across_flats : float
        Nominal, of the head or of the socket in it.
    across_corners : float or None
        Least, as published, for hexagon heads.
    head_diameter : float
        Greatest: of a round head (knurled where it may be), of the flange, or across the corners.
    head_height : float
        Above the seat; greatest, but nominal for plain hexagon heads.
    bearing_diameter : float or None
        Least diameter of the face under the head.
    socket_depth : float or None
        Least engagement of the key.
    flange_edge : float or None
        Least thickness of the flange at its edge; None without a flange.
    """

    head: str
    size: str
    thread_diameter: float
    drive: Drive
    across_flats: float
    across_corners: float | None
    head_diameter: float
    head_height: float
    bearing_diameter: float | None
    socket_depth: float | None
    flange_edge: float | None
    status: str
    source: str


class Washer(NamedTuple):
    """A plain washer, mm."""

    size: str
    inside_diameter: float
    outside_diameter: float
    thickness: float
    thickness_max: float
    status: str
    source: str


class Thread(NamedTuple):
    """A metric thread, mm and mm2."""

    size: str
    diameter: float
    pitch: float
    pitch_diameter: float
    minor_internal: float
    minor_external: float
    stress_area: float
    tap_drill: float
    status: str
    source: str


class Clearance(NamedTuple):
    """A clearance hole, mm."""

    diameter: float
    status: str
    source: str


class StartingGap(NamedTuple):
    """A gap to start from for one class of neighbour, mm; not a requirement of any code."""

    kind: str
    gap: float
    status: str
    source: str


class CastingTolerance(NamedTuple):
    """Tolerance of one grade over one range of nominal dimensions, mm.

    Attributes
    ----------
    grade : str
    over, to : float
        The range: over ``over``, up to and including ``to``.
    width : float
        Total width of the tolerance.
    """

    grade: str
    over: float
    to: float
    width: float
    status: str
    source: str

    @property
    def half(self) -> float:
        """Deviation allowed to either side: half of the width."""
        return 0.5 * self.width


class Expansion(NamedTuple):
    """Linear thermal expansion of a material, 1e-6 per kelvin; a range where the source has one.

    ``uniform`` is ``no`` where the part grows differently along and across its layers, so that no
    one figure tells its growth.
    """

    material: str
    low: float
    high: float
    uniform: Literal["yes", "no"]
    status: str
    source: str


class LossCoefficient(NamedTuple):
    """A total-pressure loss coefficient, as the band that handbooks give; a share of rho v2 / 2.

    Attributes
    ----------
    feature : str
        ``entry``, ``pipe end entry``, ``bend``, ``diffuser`` (share of (1 - A1/A2)2),
        ``contraction``, ``blade`` (thin disc in a bore).
    angle : float or None
        Degrees: of turn; total of the cone; of the blade off wide open.
    ratio : float or None
        Radius of the edge over the diameter; of the bend over the diameter; area after over area
        before.
    low, high : float
    velocity : str
        Where the velocity is taken that it refers to.
    """

    feature: str
    angle: float | None
    ratio: float | None
    low: float
    high: float
    velocity: str
    status: str
    source: str

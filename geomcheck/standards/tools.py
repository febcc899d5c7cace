"""Hand tools of the tables: their rows as typed values, and the functions that give them."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from geomcheck.standards.reader import table, typed


class HexKey(NamedTuple):
    """A hexagon key: greatest lengths of its arms, across corners as an upper bound, mm."""

    size: str
    across_flats: float
    across_corners: float
    arm: float
    long_arm: float
    short_arm: float
    status: str
    source: str


class Socket(NamedTuple):
    """A hexagon socket on a square drive (``1/4``, ``3/8``, ``1/2`` inch), mm."""

    drive: str
    across_flats: float
    measured_diameter: float
    limit_diameter: float
    length: float
    status: str
    source: str

    @property
    def diameter(self) -> float:
        """Outside diameter to allow for: the larger of the measured one and the limit.

        A socket of another maker may be as large as the limit; what is proved to fit with the
        larger figure fits with both.
        """
        return max(self.measured_diameter, self.limit_diameter)


class BitSocket(NamedTuple):
    """A hexagon bit in a socket body on a square drive, mm."""

    drive: str
    across_flats: float
    body_diameter: float
    body_length: float
    blade_length: float
    status: str
    source: str


class Extension(NamedTuple):
    """An extension bar: its shank and the female end that takes the drive, mm."""

    drive: str
    length: float
    shank_diameter: float
    end_diameter: float
    end_length: float
    status: str
    source: str


class Ratchet(NamedTuple):
    """A ratchet or torque wrench: its head as a cylinder, its handle as a bar, mm.

    Attributes
    ----------
    drive : str
        Square drive, inch: ``3/8``.
    head_diameter, head_height : float
    handle_length : float
        From the axis to the end of the handle.
    handle_width, handle_height : float
        Greatest, across the handle and along the axis.
    teeth : float
        Of the ratchet; one tooth is 360 / teeth degrees.
    slack : float
        Play of the drive to be taken up at each stroke, degrees.
    """

    drive: str
    head_diameter: float
    head_height: float
    handle_length: float
    handle_width: float
    handle_height: float
    teeth: float
    slack: float
    status: str
    source: str

    @property
    def arc(self) -> float:
        """Least turn of the handle that moves the fastener on: one tooth and the slack, degrees."""
        return 360.0 / self.teeth + self.slack


class UniversalJoint(NamedTuple):
    """A universal joint between socket and extension: mm, and degrees of tilt it works at.

    ``pivot`` is the height of the joint's centre above its lower end, which stays on the axis.
    """

    drive: str
    diameter: float
    length: float
    pivot: float
    tilt: float
    status: str
    source: str


class DeepSocket(NamedTuple):
    """Length of the deep sockets of a drive, mm; they are as wide as the plain ones."""

    drive: str
    length: float
    status: str
    source: str


class BallEnd(NamedTuple):
    """A size of hexagon key that is sold with a ball end, and how far it may tilt, degrees."""

    size: str
    tilt: float
    status: str
    source: str


class Spanner(NamedTuple):
    """An open or ring spanner, mm and degrees.

    Attributes
    ----------
    kind : str
        ``open`` or ``ring``.
    size : str
    across_flats, head_width, head_thickness : float
    length : float
        From the axis to the end of the handle.
    handle_width : float
    rise : float
        Degrees by which the handle rises from the plane of the head.
    arc : float
        Turn that is needed at one go: 30 for twelve points, and for an open spanner that is
        turned over at each move.
    """

    kind: str
    size: str
    across_flats: float
    head_width: float
    head_thickness: float
    length: float
    handle_width: float
    rise: float
    arc: float
    status: str
    source: str


class Hand(NamedTuple):
    """A hand that holds a bolt by its head, from above: mm.

    ``finger`` is the thickness of a fingertip beside the head, ``finger_reach`` the length from
    its tip to the knuckles, ``width`` and ``length`` those of the closed hand above them.
    """

    name: str
    finger: float
    finger_reach: float
    width: float
    length: float
    status: str
    source: str


@cache
def hex_keys() -> tuple[HexKey, ...]:
    """Hexagon keys, metric then inch."""
    return tuple(typed(row, HexKey) for row in table("hex_keys"))


@cache
def sockets() -> tuple[Socket, ...]:
    """Hexagon sockets by drive and across flats."""
    return tuple(typed(row, Socket) for row in table("sockets"))


@cache
def bit_sockets() -> tuple[BitSocket, ...]:
    """Hexagon bit sockets."""
    return tuple(typed(row, BitSocket) for row in table("bit_sockets"))


@cache
def extensions() -> tuple[Extension, ...]:
    """Extension bars, shortest first for each drive."""
    return tuple(typed(row, Extension) for row in table("extensions"))


@cache
def ratchets() -> tuple[Ratchet, ...]:
    """Ratchets with their handles, one for each drive."""
    return tuple(typed(row, Ratchet) for row in table("ratchets"))


@cache
def torque_wrenches() -> tuple[Ratchet, ...]:
    """Torque wrenches, one for each drive."""
    return tuple(typed(row, Ratchet) for row in table("torque_wrenches"))


@cache
def universal_joints() -> tuple[UniversalJoint, ...]:
    """Universal joints, one for each drive."""
    return tuple(typed(row, UniversalJoint) for row in table("universal_joints"))


@cache
def deep_sockets() -> tuple[DeepSocket, ...]:
    """Deep sockets, one length for each drive."""
    return tuple(typed(row, DeepSocket) for row in table("deep_sockets"))


@cache
def ball_ends() -> tuple[BallEnd, ...]:
    """Sizes of hexagon keys that come with a ball end."""
    return tuple(typed(row, BallEnd) for row in table("ball_ends"))


@cache
def spanners() -> tuple[Spanner, ...]:
    """Open and ring spanners."""
    return tuple(typed(row, Spanner) for row in table("spanners"))


@cache
def hands() -> tuple[Hand, ...]:
    """A hand that starts a thread."""
    return tuple(typed(row, Hand) for row in table("hands"))

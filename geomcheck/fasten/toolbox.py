"""The tools that are built in, made from the tables of :mod:`geomcheck.standards`.

- Hexagon keys: the long arm in the head and the short one swinging at the top, or the short arm in
  the head and the long one swinging low. The bend counts as a square corner, which holds it.
- Ball-end keys: the same keys, the long arm in the head, leaning about the middle of the ball.
- Sockets (plain and deep) and bit sockets on a square drive, turned by a ratchet or a torque
  wrench with its handle, straight on or over one extension; with a universal joint, whose lower
  half stays on the axis while everything above it leans. A bit's blade is taken to reach the
  head's full depth, which puts its body as low as it can come.
- Open spanners, that come off sideways, and ring spanners. The raised handle of a ring spanner is
  taken as a flight of steps round it.

What drives a hexagon with a handle must turn it by 60 degrees at one go, by 30 where the tool fits
every 30 degrees, by one tooth and the slack where there is a ratchet.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from fractions import Fraction

from geomcheck import standards
from geomcheck.fasten.tools import HEXAGON, SAME_SIZE, Bar, Row, Tool, choose
from geomcheck.standards import Ratchet, Screw

#: Families of the tools that are built in.
FAMILIES = (
    "hex key",
    "bit socket",
    "ball-end key",
    "socket",
    "deep socket",
    "universal joint",
    "torque wrench",
    "open spanner",
    "ring spanner",
)
#: An open spanner grips the upper part of the head: this share of its height (common practice).
GRIP = 0.6
#: Between the jaws and the handle of an open spanner, degrees.
JAW_ANGLE = 15.0
#: Steps that a raised handle is cut into.
STEPS = 4


def built_in_tools(screw: Screw) -> tuple[Tool, ...]:
    """All tools of the tables that drive ``screw``, the simplest first."""
    if screw.drive == "hexagon":
        return (*_sockets(screw), *_spanners(screw))
    return (*_hex_keys(screw), *_bit_sockets(screw), *_ball_ends(screw))


def choose_tools(
    screw: Screw, names: Sequence[str] = (), own: Sequence[Tool] = ()
) -> tuple[Tool, ...]:
    """Tools that may be used on ``screw``; see :func:`geomcheck.fasten.tools.choose`.

    Raises
    ------
    InputError
        A name is not known or does not drive this head, or nothing drives it.
    """
    return choose(screw, built_in_tools(screw), names, own)


def size_name(across_flats: float) -> str:
    """``13``, or ``7/16`` for what is a whole number of 64ths of an inch and not of tenths of mm.

    Examples
    --------
    >>> size_name(13.0), size_name(11.1125)
    ('13', '7/16')
    """
    parts = across_flats * 64.0 / 25.4
    if (
        abs(parts - round(parts)) < 1e-3
        and abs(across_flats * 10 - round(across_flats * 10)) > 1e-6
    ):
        return str(Fraction(round(parts), 64))
    return f"{across_flats:g}"


def _same(a: float, b: float) -> bool:
    return abs(a - b) <= SAME_SIZE


def _hex_keys(screw: Screw) -> Iterator[Tool]:
    """Long arm in the head, then short arm in the head."""
    hidden = screw.socket_depth or 0.0
    keys = [key for key in standards.hex_keys() if _same(key.across_flats, screw.across_flats)]
    for key in keys:
        for name, arm in ((key.size, key.arm), (f"{key.size} long", key.long_arm)):
            yield _key(screw, f"hex key {name}", key, arm - hidden, key.short_arm)
    for key in keys:
        for name, arm in ((key.size, key.arm), (f"{key.size} long", key.long_arm)):
            tall = key.short_arm - hidden
            yield _key(screw, f"hex key {name}, short arm in the head", key, tall, arm)


def _key(
    screw: Screw,
    name: str,
    key: standards.HexKey,
    tall: float,
    arm: float,
    *,
    family: str = "hex key",
    tilt: float = 0.0,
    pivot: float = 0.0,
) -> Tool:
    """A key that stands ``tall`` mm above the head, with the other arm square to it at its top."""
    thick = key.across_corners
    return Tool(
        name,
        family,
        screw.drive,
        key.across_flats,
        ((0.0, tall, thick),),
        key.status,
        bars=(Bar(tall - thick, tall, thick, 0.0, arm),),
        arc=HEXAGON,
        tilt=tilt,
        pivot=pivot,
    )


def _ball_ends(screw: Screw) -> Iterator[Tool]:
    hidden = screw.socket_depth or 0.0
    tilts = {row.size: row.tilt for row in standards.ball_ends()}
    for key in standards.hex_keys():
        if key.size not in tilts or not _same(key.across_flats, screw.across_flats):
            continue
        # The ball stands on the floor of the hexagon: its middle is half its width above that.
        pivot = -max(hidden - 0.5 * key.across_corners, 0.0)
        for name, arm in ((key.size, key.arm), (f"{key.size} long", key.long_arm)):
            yield _key(
                screw,
                f"ball-end key {name}",
                key,
                arm - hidden,
                key.short_arm,
                family="ball-end key",
                tilt=tilts[key.size],
                pivot=pivot,
            )


def _sockets(screw: Screw) -> Iterator[Tool]:
    deep = {row.drive: row.length for row in standards.deep_sockets()}
    for socket in standards.sockets():
        if not _same(socket.across_flats, screw.across_flats):
            continue
        name = f"socket {size_name(socket.across_flats)}, {socket.drive} drive"
        plain: tuple[Row, ...] = ((0.0, socket.length, socket.diameter),)
        yield from _driven(name, "socket", screw, plain, socket.drive, socket.status)
        tall: tuple[Row, ...] = ((0.0, deep[socket.drive], socket.diameter),)
        yield _turned(f"deep {name}", "deep socket", screw, tall, _ratchet(socket.drive), "memory")
        yield from _jointed(name, screw, plain, socket.drive)


def _bit_sockets(screw: Screw) -> Iterator[Tool]:
    for bit in standards.bit_sockets():
        if not _same(bit.across_flats, screw.across_flats):
            continue
        bare = max(bit.blade_length - screw.head_height, 0.0)
        corners = 2.0 * bit.across_flats / math.sqrt(3.0)
        blade: tuple[Row, ...] = ((0.0, bare, corners),) if bare > 0.0 else ()
        rows = (*blade, (bare, bare + bit.body_length, bit.body_diameter))
        name = f"bit socket {size_name(bit.across_flats)}, {bit.drive} drive"
        yield from _driven(name, "bit socket", screw, rows, bit.drive, bit.status)
        yield from _jointed(name, screw, rows, bit.drive)


def _ratchet(drive: str) -> Ratchet:
    return next(row for row in standards.ratchets() if row.drive == drive)


def _wrench(drive: str) -> Ratchet:
    return next(row for row in standards.torque_wrenches() if row.drive == drive)


def _head(top: float, ratchet: Ratchet) -> tuple[Row, Bar]:
    """The ratchet's head from ``top`` up, and its handle in the middle of it."""
    low = top + 0.5 * (ratchet.head_height - ratchet.handle_height)
    return (
        (top, top + ratchet.head_height, ratchet.head_diameter),
        Bar(low, low + ratchet.handle_height, ratchet.handle_width, 0.0, ratchet.handle_length),
    )


def _turned(
    name: str, family: str, screw: Screw, rows: tuple[Row, ...], ratchet: Ratchet, status: str
) -> Tool:
    head, handle = _head(rows[-1][1], ratchet)
    return Tool(
        name,
        family,
        screw.drive,
        screw.across_flats,
        (*rows, head),
        status,
        bars=(handle,),
        arc=ratchet.arc,
    )


def _extended(top: float, drive: str) -> Iterator[tuple[str, tuple[Row, ...]]]:
    """Nothing, then each extension of a drive, with the rows it adds above ``top``."""
    yield "", ()
    for bar in standards.extensions():
        if bar.drive == drive:
            neck = top + bar.length - bar.end_length
            end = top + bar.length
            yield (
                f", extension {bar.length:g}",
                ((top, neck, bar.shank_diameter), (neck, end, bar.end_diameter)),
            )


def _driven(
    name: str, family: str, screw: Screw, rows: tuple[Row, ...], drive: str, status: str
) -> Iterator[Tool]:
    """The tool with the ratchet straight on it, then over each extension; then torque wrenches."""
    for more, bar in _extended(rows[-1][1], drive):
        yield _turned(f"{name}{more}", family, screw, (*rows, *bar), _ratchet(drive), status)
    wrench = _wrench(drive)
    for more, bar in _extended(rows[-1][1], drive):
        full = f"torque wrench, {name}{more}"
        yield _turned(full, "torque wrench", screw, (*rows, *bar), wrench, wrench.status)


def _jointed(name: str, screw: Screw, rows: tuple[Row, ...], drive: str) -> Iterator[Tool]:
    """The tool with a universal joint: straight up to the middle of the joint, leaning above."""
    joint = next(row for row in standards.universal_joints() if row.drive == drive)
    top = rows[-1][1]
    pivot, end = top + joint.pivot, top + joint.length
    ratchet = _ratchet(drive)
    for more, bar in _extended(end, drive):
        upper = ((pivot, end, joint.diameter), *bar)
        head, handle = _head(upper[-1][1], ratchet)
        yield Tool(
            f"{name}, universal joint{more}",
            "universal joint",
            screw.drive,
            screw.across_flats,
            (*upper, head),
            joint.status,
            bars=(handle,),
            arc=ratchet.arc,
            tilt=joint.tilt,
            pivot=pivot,
            base=(*rows, (top, pivot, joint.diameter)),
        )


def _spanners(screw: Screw) -> Iterator[Tool]:
    for row in standards.spanners():
        if not _same(row.across_flats, screw.across_flats):
            continue
        open_ended = row.kind == "open"
        low = (1.0 - GRIP) * (screw.head_height - (screw.flange_edge or 0.0)) * open_ended
        high = low + row.head_thickness
        aside = row.head_width if open_ended else 0.0
        bars = tuple(_handle(row, low, high))
        if open_ended:
            bars = (Bar(low, high, row.handle_width, 0.0, row.length),)
        yield Tool(
            f"{row.kind} spanner {size_name(row.across_flats)}",
            f"{row.kind} spanner",
            screw.drive,
            row.across_flats,
            ((low, high, row.head_width),),
            row.status,
            bars=bars,
            arc=row.arc,
            aside=aside,
        )


def _handle(row: standards.Spanner, low: float, high: float) -> Iterator[Bar]:
    """Steps that hold a handle rising by ``row.rise`` degrees from the edge of the head."""
    start = 0.5 * row.head_width
    slope = math.tan(math.radians(row.rise))
    reach = [start + k * (row.length - start) / STEPS for k in range(STEPS + 1)]
    for inner, outer in itertools.pairwise(reach):
        yield Bar(
            low + slope * (inner - start),
            high + slope * (outer - start),
            row.handle_width,
            inner,
            outer,
        )

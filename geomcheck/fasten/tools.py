"""Hand tools as stacks of coaxial cylinders.

A tool's profile is rows of (from, to, diameter), mm up the axis from where it rests: for hexagon
heads the washer, seat or edge of the flange (the socket goes over the head), for hexagon sockets
the top of the head (what is inside the head is not looked at).

What is built in, from the tables of :mod:`geomcheck.standards`:

- hexagon keys, the long arm in the head, as a straight shaft across the corners; the bent arm and
  its swing are not looked at;
- sockets on a square drive, with the ratchet's head straight on or over one extension; the
  ratchet's handle and its swing are not looked at;
- bit sockets, in the same way. The blade is taken to reach the head's full depth, which puts the
  body as low as it can come.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from geomcheck import standards
from geomcheck.errors import InputError
from geomcheck.standards import Drive, Screw

Row: TypeAlias = tuple[float, float, float]

#: Across flats may differ by this much and still be the same size, mm.
SAME_SIZE = 0.02

NOTES = {
    "hex key": "straight arm only: the bent arm and its swing are not checked",
    "socket": "the ratchet counts as a round head: its handle and swing are not checked",
    "bit socket": "the ratchet counts as a round head: its handle and swing are not checked",
    "own": "as drawn in the project file: turning it is not checked",
}


@dataclass(frozen=True)
class Tool:
    """A tool as a stack of cylinders.

    Parameters
    ----------
    name : str
        Such as ``hex key 6`` or ``socket 13, 3/8 drive, extension 125``.
    family : str
        ``hex key``, ``socket``, ``bit socket`` or ``own``.
    drive : {"hexagon", "hexagon socket"}
    across_flats : float
        mm.
    profile : tuple of (from, to, diameter)
        mm up the axis from where the tool rests; rising.
    status : str
        What the figures rest on.
    """

    name: str
    family: str
    drive: Drive
    across_flats: float
    profile: tuple[Row, ...]
    status: str = ""

    def __post_init__(self) -> None:
        last = 0.0
        for begin, end, diameter in self.profile:
            if not (begin >= last - 1e-9 and end > begin and diameter > 0.0):
                raise InputError(
                    f'the profile of the tool "{self.name}" must rise along the axis with positive '
                    "diameters"
                )
            last = end
        if not (self.profile and math.isfinite(last)):
            raise InputError(f'the tool "{self.name}" needs at least one row of its profile')

    @property
    def note(self) -> str:
        """What this tool's model leaves out."""
        return NOTES[self.family]

    @property
    def length(self) -> float:
        """From where it rests to its top, mm."""
        return self.profile[-1][1]

    def drives(self, screw: Screw) -> bool:
        """Whether the tool fits the head of ``screw``."""
        same = abs(self.across_flats - screw.across_flats) <= SAME_SIZE
        return same and self.drive == screw.drive


def built_in_tools(screw: Screw) -> tuple[Tool, ...]:
    """All tools of the tables that drive ``screw``, the simplest first."""
    if screw.drive == "hexagon":
        return tuple(_sockets(screw))
    return (*_hex_keys(screw), *_bit_sockets(screw))


def choose_tools(
    screw: Screw, names: Sequence[str] = (), own: Sequence[Tool] = ()
) -> tuple[Tool, ...]:
    """Tools that may be used on ``screw``.

    Parameters
    ----------
    screw : Screw
    names : sequence of str
        Names of tools, or of families (``hex key``, ``socket``, ``bit socket``); none: every tool
        that drives the head.
    own : sequence of Tool
        The user's own tools. One with the name of a built-in tool takes its place.

    Raises
    ------
    InputError
        A name is not known or does not drive this head, or nothing drives it; the message lists
        what does.
    """
    mine = [tool for tool in own if tool.drives(screw)]
    taken = {tool.name for tool in mine}
    fit = [*mine, *(tool for tool in built_in_tools(screw) if tool.name not in taken)]
    what = f"{screw.size} {screw.head} ({screw.drive}, {screw.across_flats:g} mm across flats)"
    if not fit:
        raise InputError(
            f"no tool in the table drives {what}",
            remedy="Declare the tool you use as a [[tool]] of the project file",
        )
    chosen: list[Tool] = []
    for name in names:
        found = [tool for tool in fit if name in (tool.name, tool.family)]
        if not found:
            listed = ", ".join(f'"{tool.name}"' for tool in fit)
            misfit = next((tool for tool in own if tool.name == name), None)
            fault = f'there is no tool "{name}" that drives {what}'
            if misfit is not None:
                fault += f"; it is for a {misfit.drive} of {misfit.across_flats:g} mm"
            raise InputError(fault, remedy=f"Known tools for it: {listed}")
        chosen.extend(tool for tool in found if tool not in chosen)
    return tuple(chosen) if names else tuple(fit)


def _hex_keys(screw: Screw) -> Iterator[Tool]:
    hidden = screw.socket_depth or 0.0
    for key in standards.hex_keys():
        if abs(key.across_flats - screw.across_flats) > SAME_SIZE:
            continue
        for name, arm in ((key.size, key.arm), (f"{key.size} long", key.long_arm)):
            yield Tool(
                f"hex key {name}",
                "hex key",
                "hexagon socket",
                key.across_flats,
                ((0.0, arm - hidden, key.across_corners),),
                key.status,
            )


def _sockets(screw: Screw) -> Iterator[Tool]:
    for socket in standards.sockets():
        if abs(socket.across_flats - screw.across_flats) > SAME_SIZE:
            continue
        yield from _driven(
            f"socket {socket.across_flats:g}, {socket.drive} drive",
            "socket",
            screw,
            ((0.0, socket.length, socket.diameter),),
            socket.drive,
            socket.status,
        )


def _bit_sockets(screw: Screw) -> Iterator[Tool]:
    for bit in standards.bit_sockets():
        if abs(bit.across_flats - screw.across_flats) > SAME_SIZE:
            continue
        bare = max(bit.blade_length - screw.head_height, 0.0)
        corners = 2.0 * bit.across_flats / math.sqrt(3.0)
        blade: tuple[Row, ...] = ((0.0, bare, corners),) if bare > 0.0 else ()
        yield from _driven(
            f"bit socket {bit.across_flats:g}, {bit.drive} drive",
            "bit socket",
            screw,
            (*blade, (bare, bare + bit.body_length, bit.body_diameter)),
            bit.drive,
            bit.status,
        )


def _driven(
    name: str, family: str, screw: Screw, rows: tuple[Row, ...], drive: str, status: str
) -> Iterator[Tool]:
    """The tool with the ratchet straight on it, then over each extension."""
    ratchet = next(row for row in standards.ratchets() if row.drive == drive)
    top = rows[-1][1]
    head = (top, top + ratchet.head_height, ratchet.head_diameter)
    yield Tool(name, family, screw.drive, screw.across_flats, (*rows, head), status)
    for bar in standards.extensions():
        if bar.drive != drive:
            continue
        neck = top + bar.length - bar.end_length
        end = top + bar.length
        yield Tool(
            f"{name}, extension {bar.length:g}",
            family,
            screw.drive,
            screw.across_flats,
            (
                *rows,
                (top, neck, bar.shank_diameter),
                (neck, end, bar.end_diameter),
                (end, end + ratchet.head_height, ratchet.head_diameter),
            ),
            status,
        )

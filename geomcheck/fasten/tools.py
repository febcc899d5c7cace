"""Hand tools as stacks of coaxial cylinders, with bars for arms and handles, and how they move.

A tool's profile is rows of (from, to, diameter), mm up the axis from where it rests: for hexagon
heads the washer, seat or edge of the flange (the socket goes over the head), for hexagon sockets
the top of the head (what is inside the head is not looked at). A bar stands square to the axis and
is swung about it.

How a tool moves is part of it: the turn it needs at one go, whether it comes off along the axis or
sideways along its handle, and how far a ball end or a universal joint lets it lean. The tools that
are built in are made from tables in :mod:`geomcheck.fasten.toolbox`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from geomcheck.errors import InputError
from geomcheck.standards import Drive, Screw

Row: TypeAlias = tuple[float, float, float]

#: Across flats may differ by this much and still be the same size, mm.
SAME_SIZE = 0.02
#: A hexagon fits again after this many degrees.
HEXAGON = 60.0

#: What every model leaves out.
NOTE = "it comes along the fastener's axis; the way there from outside is not checked"
NOTES = {
    "open spanner": "it comes on from the side; the way there from outside is not checked",
    "no handle": "declared without a handle: turning it is not checked",
}


@dataclass(frozen=True)
class Bar:
    """An arm or handle: a straight bar square to the axis.

    Parameters
    ----------
    low, high : float
        Its lower and upper face, mm up the axis from where the tool rests.
    width : float
        Across the bar, mm.
    inner, outer : float
        Where it begins and ends, mm from the axis.
    """

    low: float
    high: float
    width: float
    inner: float
    outer: float

    def __post_init__(self) -> None:
        values = (self.low, self.high, self.width, self.inner, self.outer)
        if not (
            all(map(math.isfinite, values))
            and self.low < self.high
            and self.width > 0.0
            and 0.0 <= self.inner < self.outer
        ):
            raise InputError(
                "an arm or handle needs a lower and a higher face, a width, and an inner and a "
                "greater outer radius"
            )


@dataclass(frozen=True)
class Tool:
    """A tool as a stack of cylinders with bars, and how it moves.

    Parameters
    ----------
    name : str
        Such as ``hex key 6`` or ``socket 13, 3/8 drive, extension 125``.
    family : str
        ``hex key``, ``socket``, ``bit socket``, ``ball-end key`` ... or ``own``.
    drive : {"hexagon", "hexagon socket"}
    across_flats : float
        mm.
    profile : tuple of (from, to, diameter)
        mm up the axis from where the tool rests; rising. It leans with the tool.
    status : str
        What the figures rest on.
    bars : tuple of Bar
        Arms and handles, all in one direction; they lean with the tool. None: a tool that is
        turned without one, which needs no room to swing.
    arc : float
        Turn it needs at one go, degrees.
    tilt : float
        How far it may lean off the fastener's axis, degrees; 0 for a rigid tool.
    pivot : float
        Height above where it rests of the point it leans about, mm; negative inside the head.
    base : tuple of (from, to, diameter)
        Rows that stay on the fastener's axis when the tool leans.
    aside : float
        mm by which it is drawn sideways, along its handle, to come off; 0: it comes off along the
        axis, by the height of the head.
    """

    name: str
    family: str
    drive: Drive
    across_flats: float
    profile: tuple[Row, ...]
    status: str = ""
    bars: tuple[Bar, ...] = ()
    arc: float = 0.0
    tilt: float = 0.0
    pivot: float = 0.0
    base: tuple[Row, ...] = ()
    aside: float = 0.0

    def __post_init__(self) -> None:
        for rows in (self.profile, self.base):
            last = 0.0
            for begin, end, diameter in rows:
                if not (begin >= last - 1e-9 and end > begin and diameter > 0.0):
                    raise InputError(
                        f'the profile of the tool "{self.name}" must rise along the axis with '
                        "positive diameters"
                    )
                last = end
            if not math.isfinite(last):
                raise InputError(f'the profile of the tool "{self.name}" must be finite')
        if not self.profile:
            raise InputError(f'the tool "{self.name}" needs at least one row of its profile')
        if not (0.0 <= self.arc <= 360.0 and 0.0 <= self.tilt < 90.0):
            raise InputError(
                f'the tool "{self.name}" needs a turn of 0 to 360 degrees and a lean of 0 to less '
                "than 90"
            )
        if self.bars and self.arc == 0.0:
            raise InputError(f'the tool "{self.name}" has a handle: say what turn it needs')
        if not (math.isfinite(self.pivot) and 0.0 <= self.aside < math.inf):
            raise InputError(f'pivot and aside of the tool "{self.name}" must be finite lengths')

    @property
    def note(self) -> str:
        """What this tool's model leaves out."""
        if self.family == "own" and not self.bars:
            return NOTES["no handle"]
        return NOTES.get(self.family, NOTE)

    @property
    def length(self) -> float:
        """From where it rests to its top, mm."""
        return max(self.profile[-1][1], *(bar.high for bar in self.bars), 0.0)

    @property
    def widest(self) -> float:
        """Greatest distance of any point from the axis as long as it does not lean, mm."""
        rows = max(row[2] / 2.0 for row in (*self.profile, *self.base))
        bars = max((math.hypot(bar.outer, bar.width / 2.0) for bar in self.bars), default=0.0)
        return max(rows, bars) + self.aside

    @property
    def span(self) -> float:
        """Greatest distance of any point from where it rests, leaning or not, mm."""
        return math.hypot(self.length, self.widest) + 2.0 * abs(self.pivot)

    def tuned(self, lean: Mapping[str, float], arc: Mapping[str, float]) -> Tool:
        """The tool with the lean and the turn given for its family, degrees.

        A rigid tool stays rigid, and one without a handle needs no turn.
        """
        tilt = lean.get(self.family, self.tilt) if self.tilt > 0.0 else 0.0
        turn = arc.get(self.family, self.arc) if self.bars else 0.0
        return replace(self, tilt=tilt, arc=turn)

    def drives(self, screw: Screw) -> bool:
        """Whether the tool fits the head of ``screw``."""
        same = abs(self.across_flats - screw.across_flats) <= SAME_SIZE
        return same and self.drive == screw.drive


def choose(
    screw: Screw, known: Iterable[Tool], names: Sequence[str] = (), own: Sequence[Tool] = ()
) -> tuple[Tool, ...]:
    """Tools that may be used on ``screw``, of those known and the user's own.

    Parameters
    ----------
    screw : Screw
    known : iterable of Tool
        Built-in tools that drive it.
    names : sequence of str
        Names of tools, or of families (``hex key``, ``socket``, ``bit socket``); none: every tool
        that drives the head.
    own : sequence of Tool
        The user's own tools. One with the name of a known tool takes its place.

    Raises
    ------
    InputError
        A name is not known or does not drive this head, or nothing drives it; the message lists
        what does.
    """
    mine = [tool for tool in own if tool.drives(screw)]
    taken = {tool.name for tool in mine}
    fit = [*mine, *(tool for tool in known if tool.name not in taken)]
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

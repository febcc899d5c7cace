"""What the housing takes away: a service point of the vehicle before and after.

What reaches the point, each tool that may be used or a clear cylinder, is asked twice: with the
vehicle's own parts alone, and with the housing and what it carries as well. A tool serves where it
stands, turns and comes off (:mod:`geomcheck.fasten.access`, :mod:`geomcheck.fasten.lean`); those
that lean are only asked where no rigid one serves. More parts never make room: what did not serve
before is left out of the answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from geomcheck.errors import CannotDecide, InputError
from geomcheck.fasten.access import Access, access
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.lean_each import lean_each
from geomcheck.fasten.loading import Goes
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import LIFT, WITHIN, Reach
from geomcheck.fasten.room import Room, free_room
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.tools import Tool

State: TypeAlias = Literal["kept", "lost", "never", "undecided"]

#: From worst to best.
WORSE: tuple[Goes, ...] = ("no", "undecided", "yes")


@dataclass(frozen=True)
class Served:
    """One thing that reaches a service point, before and after.

    Parameters
    ----------
    name : str
        The tool, or the way out.
    before, after : Access or Room
        Without the housing and what it carries, and with them.
    was, now : {"yes", "no", "undecided"}
        Whether it serves.
    """

    name: str
    before: Access | Room
    after: Access | Room
    was: Goes
    now: Goes

    @property
    def taken(self) -> float:
        """Room that was taken away, mm; at least that much where nothing was near before."""
        return stand_of(self.before).room - stand_of(self.after).room

    @property
    def state(self) -> State:
        """What became of it."""
        return _became(self.was, self.now)


def stand_of(found: Access | Room) -> Reach | Room:
    """The room round a tool where it stands, or round a clear cylinder."""
    return found.stands if isinstance(found, Access) else found


def state_of(served: Sequence[Served]) -> State:
    """What became of a service point that any one of these serves."""
    was = max((one.was for one in served), key=WORSE.index)
    return _became(was, max((one.now for one in served), key=WORSE.index))


def decisive(served: Sequence[Served]) -> Served:
    """The one a finding rests on: of the point's state, the one with the most room now."""
    state = state_of(served)
    # max keeps the first of equals, which is the simplest tool.
    return max(
        (one for one in served if one.state == state), key=lambda one: stand_of(one.after).low
    )


def tools_served(
    fastener: Fastener,
    tools: Iterable[Tool],
    theirs: Sequence[Obstacle],
    everything: Sequence[Obstacle],
    *,
    seat: Seat | None = None,
    room: float = 0.0,
    turn: bool = True,
    lift: float = LIFT,
    within: float = WITHIN,
) -> tuple[Served, ...]:
    """Each tool before and after, rigid ones first; those that lean only where none serves.

    Parameters
    ----------
    fastener : Fastener
        What is turned.
    tools : iterable of Tool
    theirs, everything : sequence of Obstacle
        The vehicle's own parts; and with the housing and what it carries.
    seat, room, turn, lift, within
        As for :func:`geomcheck.fasten.access.access`.

    Raises
    ------
    InputError, CannotDecide
        As there.
    """
    chosen = tuple(tools)
    rigid = [tool for tool in chosen if tool.tilt == 0.0]
    leaning = [tool for tool in chosen if tool.tilt > 0.0]

    def asked(tool: Tool, parts: Sequence[Obstacle]) -> Access:
        return access(
            fastener, tool, parts, seat=seat, room=room, turn=turn, lift=lift, within=within
        )

    pairs = [(asked(tool, theirs), asked(tool, everything)) for tool in rigid]
    if leaning and not any(_serves(after, room) == "yes" for _, after in pairs):
        sides = [
            lean_each(
                fastener,
                leaning,
                parts,
                seat=seat,
                room=room,
                turn=turn,
                lift=lift,
                within=within,
            )
            for parts in (theirs, everything)
        ]
        pairs += zip(*sides, strict=True)
    served = []
    for before, after in pairs:
        now = _serves(after, room)
        was = _was(_serves(before, room), now)
        served.append(Served(after.tool.name, before, after, was, now))
    return tuple(served)


def way_served(
    point: Fastener,
    diameter: float,
    length: float,
    theirs: Sequence[Obstacle],
    everything: Sequence[Obstacle],
    *,
    room: float = 0.0,
    start: float = LIFT,
    within: float = WITHIN,
) -> Served:
    """A clear cylinder before and after.

    Parameters
    ----------
    point : Fastener
        Its place and axis are taken.
    diameter, length : float
        Of the cylinder, from the place along the axis, mm.
    theirs, everything : sequence of Obstacle
    room, start, within : float
        Room wanted round it; nothing lower than ``start`` is looked at; how far is looked, mm.

    Raises
    ------
    InputError
        A size is not above 0 and finite.
    CannotDecide
        The whole cylinder lies below ``start``.
    """
    if not (0.0 < diameter < float("inf") and 0.0 < length < float("inf")):
        raise InputError("a clear cylinder needs a finite diameter and length above 0")
    if start >= length:
        raise CannotDecide(
            f"the clear way ends {length:.2f} mm above its place, where looking begins",
            where=point.name,
        )
    columns = [(0.0, 0.0, ((start, length, diameter / 2.0),))]
    frame = point.frame()
    before, after = (
        free_room(frame, columns, parts, within=within, wanted=room)
        for parts in (theirs, everything)
    )
    was, now = (goes(one.low, one.high, room) for one in (before, after))
    return Served(
        f"a clear way of {diameter:g} x {length:g} mm", before, after, _was(was, now), now
    )


def goes(low: float, high: float, wanted: float) -> Goes:
    """Whether an interval meets what is wanted at least."""
    if low >= wanted:
        return "yes"
    return "no" if high < wanted else "undecided"


def _became(was: Goes, now: Goes) -> State:
    if now == "yes":
        return "kept"
    if was == "no":
        return "never"
    return "lost" if (was, now) == ("yes", "no") else "undecided"


def _was(was: Goes, now: Goes) -> Goes:
    """Before is no worse than after."""
    return max(was, now, key=WORSE.index)


def _serves(found: Access, room: float) -> Goes:
    """Whether a tool stands and turns."""
    stands = goes(found.stands.low, found.stands.high, room)
    if found.turns is None:
        return stands
    turns = goes(found.turns.low, found.turns.high, found.turns.needed)
    return min(stands, turns, key=WORSE.index)

"""The ways a bolt is undone and drawn and a plug is pulled, and what stops each.

What stops a way is asked of geometry with less and less standing about: with everything; with
only what stays; then with what stays and one, two or three of the things that come off. A block
is a least set of those with which the way is shut. Adding a part never opens a way, so supersets
need not be asked.

A hand has to come to it, too: from the top of the tool, or the end of the pulled plug, a straight
way as thick as a finger must lead out past everything there (:mod:`geomcheck.fasten.way_in`). Where
none does the way is not proved open.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.fasten.access import Access, access
from geomcheck.fasten.connector import Connector
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.loading import Goes, Loading, loading
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.order import Block, Item, Way
from geomcheck.fasten.plugging import plugging
from geomcheck.fasten.reach import LIFT, WITHIN
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.tools import Tool
from geomcheck.fasten.way_in import way_in
from geomcheck.finding import Point

#: Things that come off whose every mixture is asked; of more, each alone counts as a block.
MOST_MIXED = 3


@dataclass(frozen=True)
class Answer:
    """Whether a way is open, and what shuts it.

    Parameters
    ----------
    goes : {"yes", "no", "undecided"}
    part : str
        The part that is met.
    amount : float or None
        mm by which it has to give.
    direction, point : Point or None
        Unit vector of the way it has to give; where it is met, mm.
    """

    goes: Goes
    part: str = ""
    amount: float | None = None
    direction: Point | None = None
    point: Point | None = None

    def block(self, items: frozenset[str]) -> Block:
        """The block that stands while all ``items`` are there."""
        sure = self.goes == "no"
        return Block(items, self.part, self.amount, self.direction, self.point, sure)


Ask: TypeAlias = Callable[[Sequence[Obstacle]], Answer]


def shut_by(near: Sequence[Obstacle], owner: Mapping[str, str], ask: Ask) -> tuple[Block, ...]:
    """What shuts a way; nothing where it is open with everything there.

    Parameters
    ----------
    near : sequence of Obstacle
        Everything that may stand about it.
    owner : mapping of str to str
        The item that takes a part away, by part; parts that stay are not in it.
    ask : callable
        The answer with some of the parts there.
    """
    full = ask(near)
    if full.goes == "yes":
        return ()
    things = sorted({owner[part.name] for part in near if part.name in owner})
    found: list[tuple[frozenset[str], Block]] = []
    for size in range(min(len(things), MOST_MIXED) + 1):
        for mixture in itertools.combinations(things, size):
            items = frozenset(mixture)
            if any(known <= items and block.certain for known, block in found):
                continue
            there = [p for p in near if owner.get(p.name) is None or owner[p.name] in items]
            answer = full if len(there) == len(near) else ask(there)
            doubted = any(known <= items for known, _ in found)
            if answer.goes == "no" or (answer.goes == "undecided" and not doubted):
                found.append((items, answer.block(items)))
    blocks = [block for _, block in found]
    rest = [thing for thing in things if frozenset({thing}) not in dict(found)]
    if len(rest) > MOST_MIXED and not any(not items for items, _ in found):
        answer = ask([p for p in near if owner.get(p.name) is None or owner[p.name] in rest])
        if answer.goes != "yes":
            # Larger mixtures are not asked: to be safe, each alone is taken to shut it.
            alone = Answer("undecided", answer.part, None, None, answer.point)
            blocks += [alone.block(frozenset({thing})) for thing in rest]
    return tuple(blocks)


def undo_ways(
    fastener: Fastener,
    tools: Sequence[Tool],
    near: Sequence[Obstacle],
    owner: Mapping[str, str],
    *,
    seat: Seat | None = None,
    room: float = 0.0,
) -> tuple[Way, ...]:
    """Ways to turn a bolt: the first tool that serves with everything there, else every tool.

    Parameters
    ----------
    fastener : Fastener
    tools : sequence of Tool
        The preferred first; those that lean are asked upright.
    near, owner
        As for ``shut_by``.
    seat, room
        As for ``access``.
    """

    def asked(tool: Tool) -> Ask:
        def ask(parts: Sequence[Obstacle]) -> Answer:
            try:
                one = access(
                    fastener, tool, parts, seat=seat, room=room, lift=LIFT, within=room + WITHIN
                )
            except CannotDecide:
                return Answer("undecided")
            found = _served(one, room)
            top = fastener.point(fastener.rest + tool.length + 1.0)
            return _comes(top, fastener.axis, parts) if found.goes == "yes" else found

        return ask

    for tool in tools:
        if asked(tool)(near).goes == "yes":
            return (Way(tool.name, (), frozenset(), tool.name),)
    return tuple(
        Way(tool.name, shut_by(near, owner, asked(tool)), frozenset(), tool.name) for tool in tools
    )


def _served(one: Access, room: float) -> Answer:
    """Whether a tool stands and turns."""
    stands, turns = one.stands, one.turns
    if stands.low < room:
        goes: Goes = "no" if stands.high < room else "undecided"
        direction = None if stands.point is None else _unit(one.away(stands.point))
        part = stands.blocker or stands.doubt
        # Metal on the axis itself has to go altogether, not aside.
        amount = None if direction is None else room - stands.low
        return Answer(goes, part, amount, direction, stands.point)
    if turns is not None and turns.low < turns.needed:
        goes = "no" if turns.high < turns.needed else "undecided"
        point = turns.ends[0][1] if turns.ends else None
        return Answer(goes, turns.blocker or turns.doubt, None, None, point)
    return Answer("yes")


def _comes(place: Point, axis: Point, parts: Sequence[Obstacle]) -> Answer:
    """Whether a finger comes straight to a place; if not, the part met in most directions."""
    found = way_in(place, axis, parts)
    if found.comes == "nothing":
        return Answer("undecided", found.part, None, None, place)
    return Answer("yes")


def _unit(way: object) -> Point | None:
    vector = np.asarray(way, dtype=np.float64)
    size = float(np.linalg.norm(vector))
    if size < 1e-9:
        return None
    x, y, z = (float(c) for c in vector / size)
    return (x, y, z)


def draw_block(
    fastener: Fastener,
    near: Sequence[Obstacle],
    owner: Mapping[str, str],
    *,
    into: str | None = None,
    seat: Seat | None = None,
) -> tuple[Block, ...]:
    """What keeps a bolt from being drawn along its axis."""

    def ask(parts: Sequence[Obstacle]) -> Answer:
        return _drawn(fastener, loading(fastener, parts, parts, into=into, seat=seat))

    return shut_by(near, owner, ask)


def _drawn(fastener: Fastener, found: Loading) -> Answer:
    goes = found.goes_in_place
    if goes == "yes":
        return Answer("yes")
    travel, shank = found.in_place, found.shank
    if travel.low < travel.needed:
        part = travel.blocker or travel.doubt
        return Answer(goes, part, travel.needed - travel.low, fastener.axis, travel.point)
    direction = None
    if shank.point is not None:
        frame = fastener.frame()
        out = np.array(shank.point) - frame[0]
        direction = _unit(out - (out @ frame[3]) * frame[3])
    return Answer(goes, shank.blocker or shank.doubt, -shank.low, direction, shank.point)


def plug_block(
    connector: Connector,
    near: Sequence[Obstacle],
    owner: Mapping[str, str],
    *,
    carrier: str,
    room: float = 0.0,
) -> tuple[Block, ...]:
    """What keeps a plug from being pulled, hand included."""

    def ask(parts: Sequence[Obstacle]) -> Answer:
        try:
            found = plugging(connector, parts, carrier=carrier, wanted=room)
        except CannotDecide:
            return Answer("undecided")
        _, tightest = found.tightest
        if tightest.low >= room:
            top = connector.point(connector.length + connector.stroke + 1.0)
            return _comes(top, connector.axis, parts)
        goes: Goes = "no" if tightest.high < room else "undecided"
        part = tightest.blocker or tightest.doubt
        direction = None
        if tightest.point is not None:
            frame = connector.frame()
            out = np.array(tightest.point) - frame[0]
            direction = _unit(out - (out @ frame[3]) * frame[3])
        return Answer(goes, part, room - tightest.low, direction, tightest.point)

    return shut_by(near, owner, ask)


def certain(items: Iterable[Item]) -> tuple[Item, ...]:
    """The items with only those blocks that surely stand."""
    return tuple(
        replace(
            item,
            ways=tuple(
                replace(way, blocks=tuple(block for block in way.blocks if block.certain))
                for way in item.ways
            ),
        )
        for item in items
    )

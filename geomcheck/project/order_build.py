"""Asks geometry what stops every item of an order: bolts, plugs, and what comes off as one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.loading import loading
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.order import Block, Item, Way
from geomcheck.fasten.order_moves import Stop, leave, raised_bolt, relief, stacked
from geomcheck.fasten.order_ways import draw_block, plug_block, undo_ways
from geomcheck.fasten.plugging import LIFT
from geomcheck.fasten.reach import WITHIN
from geomcheck.fasten.seat import Seat, examine_seat
from geomcheck.fasten.surroundings import Surroundings
from geomcheck.fasten.way_in import LENGTH
from geomcheck.project.assembly import Assembly
from geomcheck.project.entries import ConnectorEntry, FastenerEntry
from geomcheck.project.lines import Key
from geomcheck.project.order import OrderEntry
from geomcheck.project.order_work import Act, Move, Work, draw, moves_of, plug, undo
from geomcheck.project.screws import resolve
from geomcheck.project.sockets import connector_of, rim_trouble
from geomcheck.project.tools import own_tools, tools_for

#: Metal farther than this from a shank is not looked at, mm.
NEAR = 60.0
#: How far the rim of a socket may miss its part, mm.
RIM = 0.5
#: Parts in one way off that are asked how far they would have to give, and in all ways.
MOST_GIVING, MOST_ASKED = 3, 12
#: The way of a bolt that is put in, or taken out, with its part off the vehicle.
BENCH = "on the bench"


def work_of(assembly: Assembly, order: OrderEntry) -> Work:
    """Everything that comes off a vehicle's assembly.

    Raises
    ------
    ProjectError
        An entry names what is not there, or cannot be used.
    """
    return _Builder(assembly, order).work()


def with_relief(assembly: Assembly, order: OrderEntry, work: Work, left: frozenset[str]) -> Work:
    """The work with amounts at what stops the moves among ``left``, where they are few."""
    about = Surroundings(assembly.parts, assembly.open_for_tools)
    items = dict(work.items)
    asked = 0
    for move in work.moves:
        if move.name not in left:
            continue
        movers = [about[name] for name in move.parts]
        legs = dict(move.ways)
        ways = []
        for number, way in enumerate(items[move.name].ways):
            met = [b for b in way.blocks if b.part in assembly.parts and b.items <= left]
            if number >= move.full or len(met) > MOST_GIVING or asked + len(met) > MOST_ASKED:
                ways.append(way)
                continue
            asked += len(met)
            blocks = list(way.blocks)
            for block in met:
                found = relief(movers, about[block.part], legs[way.label], order.allow)
                if found is not None:
                    amount, direction = found
                    place = blocks.index(block)
                    blocks[place] = replace(block, amount=amount, direction=direction)
            ways.append(replace(way, blocks=tuple(blocks)))
        items[move.name] = replace(items[move.name], ways=tuple(ways))
    return replace(work, items=items)


class _Builder:
    """Asks geometry for every item."""

    def __init__(self, assembly: Assembly, order: OrderEntry) -> None:
        self.assembly, self.order = assembly, order
        self.about = Surroundings(assembly.parts, assembly.open_for_tools)
        self.found = Work(moves=moves_of(assembly, order))
        self.owner = {part: move.name for move in self.found.moves for part in move.parts}
        for _, entry in assembly.connectors:
            self.owner |= {part: plug(entry.name) for part in entry.itself}
        self.tools = own_tools(assembly)
        #: Plugs on parts that stay, as bodies that may stand in the way.
        self.plugs: list[Obstacle] = []
        #: Bolts that hold a move, and how they may travel with it.
        self.holds: dict[str, list[tuple[str, Obstacle | None]]] = {}

    def work(self) -> Work:
        for key, bolt in self.assembly.fasteners:
            self._fastener(key, bolt)
        for key, entry in self.assembly.connectors:
            self._connector(key, entry)
        for move in self.found.moves:
            self._move(move)
        self._rules()
        return self.found

    def _held(self, bolt: FastenerEntry) -> list[str]:
        """Moves that a bolt holds to something that does not go with them."""
        parts = {bolt.part, *([bolt.into] if bolt.into else [])}
        for hold in self.order.holds:
            if hold.fastener == bolt.name:
                parts.update(hold.parts)
        owners = {self.owner.get(part) for part in parts}
        if bolt.into is not None and len(owners) == 1:
            return []  # within one piece: done up on the bench
        return [move.name for move in self.found.moves if move.name in owners]

    def _fastener(self, key: Key, entry: FastenerEntry) -> None:
        bolt = resolve(self.assembly, key, entry)
        held = self._held(entry)
        mine = self.owner.get(entry.part)
        if not held and mine is not None:
            self.found.built_up.append(entry.name)
            return
        parts = self.assembly.parts
        carrier = self.about[entry.part]
        seat = examine_seat(bolt, carrier)
        loose, out = undo(entry.name), draw(entry.name)
        act = tuple(n for n in (entry.part, entry.into) if n is not None and n in parts)
        if seat.state != "seated":
            self.found.notes.append(
                f'the seat of bolt "{entry.name}" was not found on {entry.part}: fasten-reach '
                "tells more"
            )
            shut = Way("no seat found", (Block(frozenset(), entry.part, certain=False),))
            self.found.add(Item(loose, (shut,), 0), Act("undo", entry.name, act))
            drawn: tuple[Way, ...] = (Way("by hand", (Block(frozenset({loose})),)),)
            self.found.add(Item(out, drawn, 1), Act("draw", entry.name, act))
        else:
            tools = [
                tool
                for tool in tools_for(self.assembly, key, entry, bolt, self.tools)
                if tool.tilt == 0.0
            ]
            # A tool of the project's own goes into the box: only where no common one serves.
            own = {tool.name for tool in self.tools}
            tools.sort(key=lambda tool: tool.name in own)
            span = max((tool.span for tool in tools), default=NEAR) + bolt.head_top
            across = max(span + WITHIN + entry.room, LENGTH)
            near = self.about.along(bolt, span, across, entry.part)
            ways = undo_ways(bolt, tools, near, self.owner, seat=seat, room=entry.room)
            self.found.add(Item(loose, ways, 0), Act("undo", entry.name, act))
            drawn, raised = self._draw(entry, bolt, seat, held, loose)
            self.found.add(Item(out, drawn, 1), Act("draw", entry.name, act))
            for name in held:
                rides = raised if name == mine else None
                self.holds.setdefault(name, []).append((entry.name, rides))
            return
        for name in held:
            self.holds.setdefault(name, []).append((entry.name, None))

    def _draw(
        self, entry: FastenerEntry, bolt: Fastener, seat: Seat, held: list[str], loose: str
    ) -> tuple[tuple[Way, ...], Obstacle | None]:
        """Ways to draw a bolt, and the bolt as it travels with its part where it may."""
        height = self.about.span(bolt) + bolt.head_top + bolt.length
        near = {p.name: p for p in self.about.along(bolt, height, NEAR, entry.part)}
        near |= {p.name: p for p in self.about.along(bolt, -bolt.length, NEAR, entry.part)}
        parts = list(near.values())
        into = "" if entry.nut is not None else entry.into
        first = Block(frozenset({loose}), f"bolt {entry.name}")
        blocks = draw_block(bolt, parts, self.owner, into=into, seat=seat)
        ways = [Way("in place", (first, *blocks), frozenset(), "", bolt.axis)]
        mine = self.owner.get(entry.part)
        bench = [part for part in parts if self.owner.get(part.name) == mine]
        if mine not in held or (not blocks and entry.load != "first"):
            return tuple(ways), None
        both = loading(bolt, parts, bench, carrier=entry.part, into=into, seat=seat)
        if both.goes_on_bench == "no":
            return tuple(ways), None
        certain = both.goes_on_bench == "yes" and both.stays_clear == "yes"
        off = [first, Block(frozenset({mine}), mine)]
        if not certain:
            off.append(Block(frozenset(), entry.part, certain=False))
        on_bench = Way(BENCH, tuple(off), frozenset(), "", bolt.axis)
        ways = [on_bench] if entry.load == "first" else [*ways, on_bench]
        if both.stays_clear == "no":
            return tuple(ways), None
        return tuple(ways), raised_bolt(bolt, max(both.raised.high, 0.0))

    def _connector(self, key: Key, entry: ConnectorEntry) -> None:
        parts = self.assembly.parts
        body = connector_of(self.assembly, key, entry)
        mine = self.owner.get(entry.part)
        reach = body.reach + LENGTH
        low, high = np.array(body.at) - reach, np.array(body.at) + reach
        away = self.assembly.open_for_tools - {entry.part}
        near = [
            self.about[part.name]
            for part in parts.near(low, high)
            if part.name not in away and part.name not in entry.itself
        ]
        first = entry.when == "first" and mine is not None
        if first:
            near = [part for part in near if self.owner.get(part.name) == mine]
        trouble = rim_trouble(body, self.about[entry.part], RIM, LIFT)
        if trouble is not None:
            self.found.notes.append(trouble[1])
            blocks: tuple[Block, ...] = (Block(frozenset(), entry.part, certain=False),)
        else:
            owner = {} if first else self.owner
            blocks = plug_block(body, near, owner, carrier=entry.part, room=entry.room)
        if first and mine is not None:
            blocks = (*blocks, Block(frozenset({mine}), mine))
        label = "with its part off" if first else "by hand"
        item = Item(plug(entry.name), (Way(label, blocks, frozenset(), "", body.axis),), 0)
        self.found.add(item, Act("plug", entry.name, (entry.part,)))
        if mine is None and not entry.itself:
            rows = [(low, high, wide / 2.0) for low, high, wide in body.profile()]
            self.plugs.append(stacked(plug(entry.name), body.frame(), rows))

    def _move(self, move: Move) -> None:
        movers = [self.about[name] for name in move.parts]
        away = self.assembly.open_for_tools
        names = [n for n in self.assembly.parts if n not in move.parts and n not in away]
        others = [*(self.about[name] for name in names), *self.plugs]
        bolts = self.holds.get(move.name, [])
        held = tuple(Block(frozenset({undo(name)}), f"bolt {name}") for name, _ in bolts)
        for _, entry in self.assembly.connectors:
            if self.owner.get(entry.part) == move.name and entry.when != "first":
                held = (*held, Block(frozenset({plug(entry.name)}), f"connector {entry.name}"))
        ways = []
        for number, (label, legs) in enumerate(move.ways):
            blocks = [*held]
            shuts = (lambda _: False) if number < move.full else self._shuts
            for stop in leave(movers, others, legs, self.order.allow, shuts):
                items = self._items(stop.part)
                blocks.append(Block(items, stop.part, None, None, stop.point, stop.certain))
            for name, rides in bolts:
                out = frozenset({draw(name)})
                if rides is None:
                    blocks.append(Block(out, f"bolt {name}"))
                    continue
                for stop in leave([rides], others, legs, self.order.allow):
                    items = out | self._items(stop.part)
                    blocks.append(Block(items, stop.part, None, None, stop.point, stop.certain))
            direction = legs[0].direction
            ways.append(Way(label, tuple(blocks), frozenset(), "", direction))
        self.found.add(Item(move.name, tuple(ways), 2), Act("move", move.name, move.parts))

    def _shuts(self, stop: Stop) -> bool:
        return stop.certain and not self._items(stop.part)

    def _items(self, part: str) -> frozenset[str]:
        plugged = any(part == body.name for body in self.plugs)
        owner = part if plugged else self.owner.get(part)
        return frozenset() if owner is None else frozenset({owner})

    def _rules(self) -> None:
        """What goes on after something comes off before it: it stops it in every way."""
        for number, rule in enumerate(self.order.rules):
            first, then = self._named(rule.first), self._named(rule.then)
            if not first or not then:
                continue
            block = Block(
                frozenset({then[0]}), f"rule {number + 1}: {rule.then} after {rule.first}"
            )
            for name in first:
                item = self.found.items[name]
                ways = tuple(replace(way, blocks=(*way.blocks, block)) for way in item.ways)
                self.found.items[name] = replace(item, ways=ways)

    def _named(self, name: str) -> list[str]:
        """Items of a move, a fastener (its drawing counts last) or a connector."""
        every = (name, plug(name), undo(name), draw(name))
        return [item for item in every if item in self.found.items]

"""Why there is no order: what waits for what in a circle, and the least that would open it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from geomcheck.errors import CannotDecide
from geomcheck.fasten.order import Block, Item, Plan, Way, plan

#: Ways whose opening is tried, the cheapest first.
MOST_TRIED = 400


@dataclass(frozen=True)
class Wait:
    """One item that waits, and what for.

    Parameters
    ----------
    item : str
    way : Way
        The way that comes nearest to being open.
    block : Block or None
        What stops it; None where the way needs something that has gone.
    then : str or None
        The item it waits for; None where what stops it stays for ever.
    shut : Block or None
        What shuts another way of it for ever, the one that comes nearest to being open.
    """

    item: str
    way: Way
    block: Block | None
    then: str | None
    shut: Block | None = None


@dataclass(frozen=True)
class Relief:
    """Room that opens one way.

    Parameters
    ----------
    item : str
        What then comes off.
    way : Way
    blocks : tuple of Block
        One for each part that has to give, the one that has to give most.
    amount : float
        mm, of all together.
    enough : bool
        With this there is an order; False where it is only the first of several.
    """

    item: str
    way: Way
    blocks: tuple[Block, ...]
    amount: float
    enough: bool


@dataclass(frozen=True)
class Stuck:
    """Why nothing more comes off.

    Parameters
    ----------
    items : tuple of str
        All that is stuck.
    waits : tuple of Wait
        Each waits for the next; where ``circle``, the last for the first, else the last for
        something that stays.
    circle : bool
    relief : Relief or None
        The least found; None where no amount is known.
    """

    items: tuple[str, ...]
    waits: tuple[Wait, ...]
    circle: bool
    relief: Relief | None


def explain(items: Iterable[Item], found: Plan) -> Stuck | None:
    """Why a plan is not complete; None where it is.

    The relief is the least amount, over the ways of everything stuck, that opens a way with which
    there is an order; amounts of several parts in one way are added. Where no single way is
    enough, it is the cheapest of all, and ``enough`` is False.
    """
    given = tuple(items)
    if found.complete:
        return None
    left = frozenset(found.stuck)
    here = [item for item in given if item.name in left]
    waits, circle = _waits(here, left)
    return Stuck(found.stuck, waits, circle, _relief(here, left))


def _standing(way: Way, left: frozenset[str]) -> list[Block]:
    return [block for block in way.blocks if block.items <= left]


def _cost(blocks: Iterable[Block]) -> float | None:
    """Mm that open all blocks: of each part the largest, added; None where one is not known."""
    worst: dict[str, float] = {}
    for block in blocks:
        if block.amount is None:
            return None
        worst[block.part] = max(worst.get(block.part, 0.0), block.amount)
    return sum(worst.values())


def _waits(here: list[Item], left: frozenset[str]) -> tuple[tuple[Wait, ...], bool]:
    """The shortest circle of items that wait for each other, else the shortest dead end."""
    nearest = {item.name: _nearest(item, left) for item in here}
    best: tuple[Wait, ...] = ()
    dead: tuple[Wait, ...] = ()
    for item in here:
        seen: dict[str, int] = {}
        row: list[Wait] = []
        name: str | None = item.name
        while name is not None and name not in seen:
            seen[name] = len(row)
            row.append(nearest[name])
            name = row[-1].then
        if name is None:
            if not dead or len(row) < len(dead):
                dead = tuple(row)
        elif not best or len(row) - seen[name] < len(best):
            best = tuple(row[seen[name] :])
    return (best, True) if best else (dead, False)


def _nearest(item: Item, left: frozenset[str]) -> Wait:
    """What an item waits for in the way that comes nearest to being open."""
    ways = [(way, _standing(way, left)) for way in item.ways]
    if not ways:
        return Wait(item.name, Way("no way"), None, None)

    def rank(pair: tuple[Way, list[Block]]) -> tuple[bool, int]:
        # A way that only waits for other items tells more than one that is shut for ever.
        return (any(not block.items for block in pair[1]), len(pair[1]))

    way, standing = min(ways, key=rank)
    if not standing:
        return Wait(item.name, way, None, None)
    block = min(standing, key=lambda block: (bool(block.items), len(block.items)))
    others = sorted(block.items - {item.name})
    ever = [b for other, blocks in ways if other is not way for b in blocks if not b.items]
    least = min(ever, key=lambda b: math.inf if b.amount is None else b.amount, default=None)
    return Wait(item.name, way, block, others[0] if others else None, least)


def _relief(here: list[Item], left: frozenset[str]) -> Relief | None:
    tried: list[tuple[float, int, int, Way, list[Block]]] = []
    for number, item in enumerate(here):
        for position, way in enumerate(item.ways):
            standing = _standing(way, left)
            cost = _cost(standing)
            if standing and cost is not None and way.needs <= left:
                tried.append((cost, number, position, way, standing))
    tried.sort(key=lambda row: row[:3])
    for cost, number, position, way, standing in tried[:MOST_TRIED]:
        if _opens(here, left, number, position):
            return Relief(here[number].name, way, _each_part(standing), cost, True)
    if not tried:
        return None
    cost, number, _, way, standing = tried[0]
    return Relief(here[number].name, way, _each_part(standing), cost, False)


def _opens(here: list[Item], left: frozenset[str], number: int, position: int) -> bool:
    """Whether everything that is left comes off once one way has no blocks."""
    trial = []
    for n, item in enumerate(here):
        ways = []
        for p, way in enumerate(item.ways):
            free = (n, p) == (number, position)
            blocks = () if free else tuple(_standing(way, left))
            if way.needs <= left:
                ways.append(replace(way, blocks=blocks))
        groups = tuple(group & left for group in item.held_by if group & left)
        trial.append(replace(item, ways=tuple(ways), held_by=groups))
    try:
        return plan(trial).complete
    except CannotDecide:
        return False


def _each_part(blocks: list[Block]) -> tuple[Block, ...]:
    """Of each part the block that asks for most."""
    worst: dict[str, Block] = {}
    for block in blocks:
        old = worst.get(block.part)
        if old is None or (block.amount or 0.0) > (old.amount or 0.0):
            worst[block.part] = block
    return tuple(worst.values())

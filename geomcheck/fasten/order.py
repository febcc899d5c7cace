"""Which goes before which: an order in which everything comes off, and so goes on.

Assembly by disassembly. Every item (a part, the undoing of a bolt, its drawing, a plug) has ways
of coming off: a tool and a direction, or a straight travel. A way is stopped by blocks; a block
stands while all of its items are there. The order of putting on is the order of taking off, from
its end.

Where taking something off never stops another thing from coming off, taking off whatever comes
off finds an order if there is one, and what is left over is the one largest set that is stuck.
That is lost where a way needs something to be there, or something must be held by one of several.
What nothing present needs is taken off at once even then: an order that takes it later stays an
order when it is taken first. Over the rest every choice is tried, each state once.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, field

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Point

MOST_STATES = 20_000  # looked at before a search is given up


@dataclass(frozen=True)
class Block:
    """What stops a way.

    Parameters
    ----------
    items : frozenset of str
        It stands while all of these are there; none: it always stands, as a part of the vehicle
        that stays does.
    part : str
        The part that is met.
    amount : float or None
        mm by which making room there opens the way; None where no amount is known.
    direction : Point or None
        Unit vector: the way in which the part would have to give.
    point : Point or None
        Where it is met, mm.
    certain : bool
        False where the true parts may well leave the way open.
    """

    items: frozenset[str]
    part: str = ""
    amount: float | None = None
    direction: Point | None = None
    point: Point | None = None
    certain: bool = True


@dataclass(frozen=True)
class Way:
    """One way of coming off.

    Parameters
    ----------
    label : str
        ``hex key 6``, ``along (0.00, 0.00, 1.00)``.
    blocks : tuple of Block
    needs : frozenset of str
        Items that must still be there.
    tool : str
        Name of the tool; empty for a hand.
    direction : Point or None
        Unit vector of the travel, for pictures.
    """

    label: str
    blocks: tuple[Block, ...] = ()
    needs: frozenset[str] = frozenset()
    tool: str = ""
    direction: Point | None = None


@dataclass(frozen=True)
class Item:
    """Something that is taken off.

    Parameters
    ----------
    name : str
    ways : tuple of Way
        The preferred one first.
    rank : int
        Of items that come off at the same time, the lowest rank comes first.
    held_by : tuple of frozenset of str
        While the item is there, so is at least one of each set.
    """

    name: str
    ways: tuple[Way, ...]
    rank: int = 0
    held_by: tuple[frozenset[str], ...] = ()


@dataclass(frozen=True)
class Step:
    """One item off, and how."""

    item: str
    way: Way


@dataclass(frozen=True)
class Plan:
    """An order of taking off, as far as it goes.

    Parameters
    ----------
    removal : tuple of Step
    stuck : tuple of str
        Items that do not come off, in the caller's order.
    """

    removal: tuple[Step, ...]
    stuck: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Everything comes off."""
        return not self.stuck

    @property
    def assembly(self) -> tuple[Step, ...]:
        """The order of putting on."""
        return self.removal[::-1]


def plan(items: Iterable[Item], *, most_states: int = MOST_STATES) -> Plan:
    """An order of taking everything off, or how far it goes.

    Parameters
    ----------
    items : iterable of Item
    most_states : int
        Looked at before giving up.

    Raises
    ------
    InputError
        Two items have one name, or an item names one that is not there.
    CannotDecide
        So many states did not settle whether there is an order.
    """
    puzzle = Puzzle(tuple(items))
    state = State(puzzle)
    state.close()
    if not state.present or not puzzle.sensitive:
        return state.plan()
    best = state
    known: set[frozenset[int]] = {frozenset(state.present)}
    pile = [state]
    while pile:
        here = pile.pop()
        # The last is looked at first: the preferred one lies on top.
        for number in reversed(here.choices()):
            after = here.copy()
            after.take(number)
            after.close()
            if not after.present:
                return after.plan()
            key = frozenset(after.present)
            if key in known:
                continue
            known.add(key)
            if len(known) > most_states:
                raise CannotDecide(
                    f"no order was found in {most_states} states of what is on and off",
                    remedy="Give fewer rules of what must be there for what",
                )
            if len(after.present) < len(best.present):
                best = after
            pile.append(after)
    return best.plan()


@dataclass
class Puzzle:
    """Items by number, and who is stopped, needed or held by whom."""

    items: tuple[Item, ...]
    number: dict[str, int] = field(default_factory=dict)
    #: By item: (item, way, block) that stand only while it is there.
    stops: list[list[tuple[int, int, int]]] = field(default_factory=list)
    #: By item: items that it needs, in any way, or is held by.
    wants: list[frozenset[int]] = field(default_factory=list)
    sensitive: bool = False

    def __post_init__(self) -> None:
        for number, item in enumerate(self.items):
            if item.name in self.number:
                raise InputError(f'two items are named "{item.name}"')
            self.number[item.name] = number
        self.stops = [[] for _ in self.items]
        for number, item in enumerate(self.items):
            wanted: set[int] = set()
            for position, way in enumerate(item.ways):
                for place, block in enumerate(way.blocks):
                    for name in block.items:
                        self.stops[self.of(name)].append((number, position, place))
                wanted.update(self.of(name) for name in way.needs)
            for group in item.held_by:
                wanted.update(self.of(name) for name in group)
            self.wants.append(frozenset(wanted - {number}))
        self.sensitive = any(self.wants)

    def of(self, name: str) -> int:
        """Number of an item."""
        if name not in self.number:
            raise InputError(f'there is no item "{name}" in this order')
        return self.number[name]


class State:
    """What is still there, and what stops it."""

    def __init__(self, puzzle: Puzzle) -> None:
        self.puzzle = puzzle
        self.present = set(range(len(puzzle.items)))
        self.steps: list[Step] = []
        self.standing = [[len(way.blocks) for way in item.ways] for item in puzzle.items]
        self.gone: set[tuple[int, int, int]] = set()
        self.wanted = [0] * len(puzzle.items)
        for wants in puzzle.wants:
            for number in wants:
                self.wanted[number] += 1
        self.heap = [(item.rank, n) for n, item in enumerate(puzzle.items) if self.open(n)]
        heapq.heapify(self.heap)

    def copy(self) -> State:
        """A state of its own."""
        other = object.__new__(State)
        other.puzzle = self.puzzle
        other.present = set(self.present)
        other.steps = list(self.steps)
        other.standing = [list(row) for row in self.standing]
        other.gone = set(self.gone)
        other.wanted = list(self.wanted)
        other.heap = list(self.heap)
        return other

    def open(self, number: int) -> Way | None:
        """The first way by which an item comes off now."""
        item = self.puzzle.items[number]
        for way, standing in zip(item.ways, self.standing[number], strict=True):
            if standing == 0 and all(self.puzzle.of(name) in self.present for name in way.needs):
                return way
        return None

    def close(self) -> None:
        """Take off everything that comes off and that nothing present needs."""
        while self.heap:
            _, number = heapq.heappop(self.heap)
            if number in self.present and not self.wanted[number] and self.open(number):
                self.take(number)

    def take(self, number: int) -> None:
        """Take one item off."""
        way = self.open(number)
        if way is None:
            raise InputError(f'"{self.puzzle.items[number].name}" does not come off now')
        self.steps.append(Step(self.puzzle.items[number].name, way))
        self.present.remove(number)
        for key in self.puzzle.stops[number]:
            if key not in self.gone:
                self.gone.add(key)
                other, position, _ = key
                self.standing[other][position] -= 1
                if self.standing[other][position] == 0 and other in self.present:
                    heapq.heappush(self.heap, (self.puzzle.items[other].rank, other))
        for other in self.puzzle.wants[number]:
            self.wanted[other] -= 1
            if not self.wanted[other] and other in self.present:
                heapq.heappush(self.heap, (self.puzzle.items[other].rank, other))

    def choices(self) -> list[int]:
        """Items that come off now though something present names them, preferred first."""
        found = (n for n in self.present if self.open(n) and not self._drops(n))
        return sorted(found, key=lambda n: (self.puzzle.items[n].rank, n))

    def _drops(self, number: int) -> bool:
        """Whether taking an item off leaves another without hold."""
        name = self.puzzle.items[number].name
        here = {self.puzzle.items[n].name for n in self.present if n != number}
        return any(
            name in group and not here & group
            for n in self.present
            if n != number
            for group in self.puzzle.items[n].held_by
        )

    def plan(self) -> Plan:
        """The order so far."""
        left = tuple(self.puzzle.items[n].name for n in sorted(self.present))
        return Plan(tuple(self.steps), left)

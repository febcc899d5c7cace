"""What comes off a vehicle's assembly: the items of the order, and the ways off that are tried."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.order import Item
from geomcheck.fasten.order_moves import Leg, past, straight
from geomcheck.finding import Point
from geomcheck.project.assembly import Assembly
from geomcheck.project.lines import Key
from geomcheck.project.order import MoveEntry, OrderEntry

Kind = Literal["move", "undo", "draw", "plug"]


@dataclass(frozen=True)
class Act:
    """What one item of the order is about.

    Parameters
    ----------
    kind : {"move", "undo", "draw", "plug"}
    name : str
        Of the move, the fastener or the connector.
    parts : tuple of str
        Parts that move, or that carry it.
    """

    kind: Kind
    name: str
    parts: tuple[str, ...]


@dataclass(frozen=True)
class Move:
    """Parts that come off as one, with the ways to try.

    Parameters
    ----------
    name : str
    parts : tuple of str
    ways : tuple of (label, legs)
    full : int
        So many of them, from the first, are asked in full; of the rest no more than whether
        something that stays shuts them.
    """

    name: str
    parts: tuple[str, ...]
    ways: tuple[tuple[str, tuple[Leg, ...]], ...]
    full: int


@dataclass
class Work:
    """Everything that comes off.

    Parameters
    ----------
    items : dict of str to Item
    acts : dict of str to Act
        By item.
    moves : tuple of Move
    notes : list of str
        What could not be asked.
    built_up : list of str
        Fasteners within one piece: done up on the bench.
    """

    items: dict[str, Item] = field(default_factory=dict)
    acts: dict[str, Act] = field(default_factory=dict)
    moves: tuple[Move, ...] = ()
    notes: list[str] = field(default_factory=list)
    built_up: list[str] = field(default_factory=list)

    def add(self, item: Item, act: Act) -> None:
        """One more item.

        Raises
        ------
        InputError
            Two have one name.
        """
        if item.name in self.items:
            raise InputError(f'two things in the order of work are called "{item.name}"')
        self.items[item.name] = item
        self.acts[item.name] = act


def undo(name: str) -> str:
    """Item of undoing a fastener."""
    return f"bolt {name}"


def draw(name: str) -> str:
    """Item of drawing a fastener."""
    return f"drawing bolt {name}"


def plug(name: str) -> str:
    """Item of pulling a connector."""
    return f"connector {name}"


def moves_of(assembly: Assembly, order: OrderEntry) -> tuple[Move, ...]:
    """What comes off as one: the moves that are declared, and the housing with what it carries."""
    taken = {part for move in order.moves for part in move.parts}
    entries: list[tuple[Key, MoveEntry]] = []
    every = [
        (("order", "move", n), move)
        for n, move in enumerate(assembly.lines.value(("order", "move")) or ())
    ]
    keys = {str(raw.get("name")): key for key, raw in every if isinstance(raw, Mapping)}
    for move in order.moves:
        entries.append((keys.get(move.name, ("order",)), move))
    if assembly.housing.name not in taken:
        ours = [part.name for part in assembly.ours if part.name not in taken]
        whole = MoveEntry(name=assembly.housing.name, parts=tuple(ours))
        entries.append((("order",), whole))
    found = []
    for key, move in entries:
        try:
            near = tuple(_near_ways(assembly, move))
            ways = tuple(_ways(assembly, move, near))
            full = len(tuple(_ways(assembly, move, near, axes=False)))
        except InputError as error:
            assembly.refuse(key, error.what, error.remedy)
        found.append(Move(move.name, move.parts, ways, full or len(ways)))
    return tuple(found)


def _near_ways(assembly: Assembly, move: MoveEntry) -> Iterator[Point]:
    """Directions as declared, or out of the mates and along the bolts."""
    yield from move.directions
    if move.directions or move.via:
        return
    for _, mate in assembly.mates:
        if (mate.parts[0] in move.parts) != (mate.parts[1] in move.parts):
            # The normal points out of the first part: that way the second leaves.
            x, y, z = mate.normal
            yield (x, y, z) if mate.parts[1] in move.parts else (-x, -y, -z)
    for _, bolt in assembly.fasteners:
        if bolt.part in move.parts:
            yield bolt.axis


def _ways(
    assembly: Assembly, move: MoveEntry, near: tuple[Point, ...], *, axes: bool = True
) -> Iterator[tuple[str, tuple[Leg, ...]]]:
    """Ways off: past the way points, near ones, then, where none is declared, along the axes."""
    if move.via:
        yield "past its way points", past(move.via)
    directions = list(near)
    if axes and not move.directions and not move.via:
        frames = [np.eye(3)]
        frames += [p.place[:3, :3] for p in assembly.neighbours if p.place is not None]
        for frame in frames:
            for axis in (2, 0, 1):
                x, y, z = (float(c) for c in frame[:, axis])
                directions += [(x, y, z), (-x, -y, -z)]
    seen: list[Point] = []
    for way in directions:
        if not any(np.dot(way, old) > 1.0 - 1e-9 for old in seen):
            seen.append(way)
            yield f"along ({', '.join(_figure(x) for x in way)})", straight(way)


def _figure(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text

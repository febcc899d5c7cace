"""The table of the project file about the order of work."""

from __future__ import annotations

from typing import TYPE_CHECKING, NoReturn

from pydantic import Field

from geomcheck.errors import ProjectError
from geomcheck.project.lines import Key, LineMap
from geomcheck.project.values import Direction, Name, NotNegative, Table, Triple

if TYPE_CHECKING:
    from geomcheck.project.entries import Document


class MoveEntry(Table):
    """Parts that are put on as one piece."""

    name: Name
    parts: tuple[Name, ...] = Field(min_length=1, description="what goes on together")
    directions: tuple[Direction, ...] = Field(
        default=(),
        description="ways in which it may come off; none: out of its mates, along its bolts, then "
        "the axes of housing and vehicle",
    )
    via: tuple[Triple, ...] = Field(
        default=(),
        description="way points of coming off, as shifts from where it stands, mm; after the last "
        "it goes straight on",
    )
    vehicle: str | None = None


class HoldEntry(Table):
    """Further parts that a fastener clamps, beside the one under its head and its thread's."""

    fastener: Name
    parts: tuple[Name, ...] = Field(min_length=1)


class RuleEntry(Table):
    """What has to be on before what, whatever the geometry allows."""

    first: Name = Field(description="a move, a fastener or a connector")
    then: Name = Field(description="what goes on after it")
    vehicle: str | None = None


class OrderEntry(Table):
    """The order of work: asked where this table stands."""

    allow: NotNegative = Field(
        default=0.2,
        description="overlap that is no obstacle, mm: parts that touch slide and leave",
    )
    moves: tuple[MoveEntry, ...] = Field(
        default=(),
        alias="move",
        description="what else comes off; the housing with what it carries does unless it is named",
    )
    holds: tuple[HoldEntry, ...] = Field(default=(), alias="hold")
    rules: tuple[RuleEntry, ...] = Field(default=(), alias="rule")
    box: tuple[str, ...] = Field(
        default=(), description="what else is in the box: 'thread locker, medium' ..."
    )

    def here(self, vehicle: str) -> OrderEntry:
        """The table with what applies to one vehicle."""
        return self.model_copy(
            update={
                "moves": tuple(m for m in self.moves if m.vehicle in (None, vehicle)),
                "rules": tuple(r for r in self.rules if r.vehicle in (None, vehicle)),
            }
        )


def check_order(document: Document, lines: LineMap) -> None:
    """Refuse names in the table that are not known, or given twice.

    Raises
    ------
    ProjectError
        Names the line.
    """
    order = document.order
    if order is None:
        return
    known = [vehicle.name for vehicle in document.vehicles]
    named = [("move", n, move.vehicle) for n, move in enumerate(order.moves)]
    named += [("rule", n, rule.vehicle) for n, rule in enumerate(order.rules)]
    for field, number, vehicle in named:
        if vehicle is not None and vehicle not in known:
            key: Key = ("order", field, number, "vehicle")
            _refuse(lines, key, f"there is no vehicle named {vehicle!r}")
    _check_moves(document, order, lines)
    fasteners = [fastener.name for fastener in document.fasteners]
    for number, hold in enumerate(order.holds):
        if hold.fastener not in fasteners:
            key = ("order", "hold", number, "fastener")
            _refuse(lines, key, f"there is no fastener named {hold.fastener!r}")
    every = [*fasteners, *(c.name for c in document.connectors), *_moves(document, order)]
    for number, rule in enumerate(order.rules):
        for field, name in (("first", rule.first), ("then", rule.then)):
            key = ("order", "rule", number, field)
            if name not in every:
                what = f"there is no move, fastener or connector named {name!r}"
                _refuse(lines, key, what, f"known: {', '.join(every)}")
            if every.count(name) > 1:
                _refuse(lines, key, f"{name!r} names several things", "names must differ here")
        if rule.first == rule.then:
            _refuse(lines, ("order", "rule", number), "nothing goes before itself")


def _moves(document: Document, order: OrderEntry) -> list[str]:
    """Names of all moves, the housing's own where it is in none."""
    housing = next(part.name for part in document.parts if part.role == "housing")
    names = [move.name for move in order.moves]
    return names if any(housing in move.parts for move in order.moves) else [*names, housing]


def _check_moves(document: Document, order: OrderEntry, lines: LineMap) -> None:
    common = [part.name for part in document.parts]
    known = {v.name: [*common, *(part.name for part in v.parts)] for v in document.vehicles}
    names: set[str] = set()
    taken: dict[str, list[str | None]] = {}
    for number, move in enumerate(order.moves):
        key: Key = ("order", "move", number)
        if move.name in names:
            _refuse(lines, (*key, "name"), f"a second move is named {move.name!r}")
        names.add(move.name)
        for position, part in enumerate(move.parts):
            here = (*key, "parts", position)
            where = known.values() if move.vehicle is None else [known[move.vehicle]]
            if not all(part in parts for parts in where or [common]):
                hint = 'for a part that only one vehicle has, add vehicle = "..." to this move'
                _refuse(lines, here, f"there is no part named {part!r}", hint)
            others = taken.setdefault(part, [])
            if any(None in (other, move.vehicle) or other == move.vehicle for other in others):
                _refuse(lines, here, f"{part!r} is in two moves", "name it in one")
            others.append(move.vehicle)


def _refuse(lines: LineMap, key: Key, what: str, remedy: str = "") -> NoReturn:
    ref = lines.entry(key)
    raise ProjectError(what, remedy=remedy, file=lines.file, line=ref.line, entry=ref.entry)

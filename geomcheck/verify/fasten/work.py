"""What a project file says of the order of work: pieces, who holds what, what goes before what."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.finding import Finding
from geomcheck.project.connectors import ConnectorEntry
from geomcheck.project.entries import FastenerEntry
from geomcheck.project.order import OrderEntry
from geomcheck.verify.plain.place import placed
from geomcheck.verify.plain.simple import FloatArray
from geomcheck.verify.scene import NotRechecked, Scene


@dataclass(frozen=True)
class Piece:
    """Parts that are put on as one, and the ways off that are declared.

    Parameters
    ----------
    name : str
    parts : tuple of str
    directions : tuple of (3,) float
    via : tuple of (3,) float
    """

    name: str
    parts: tuple[str, ...]
    directions: tuple[Any, ...] = ()
    via: tuple[Any, ...] = ()

    def legs(self, direction: Any) -> list[tuple[FloatArray, FloatArray, float]]:
        """Start, direction and length of each leg of coming off, mm."""
        zero = np.zeros(3)
        if not self.via or direction is not None:
            return [(zero, _unit(direction), np.inf)]
        found, here = [], zero
        for number, point in enumerate(self.via):
            there = np.array(point, dtype=np.float64)
            far = number == len(self.via) - 1
            length = np.inf if far else float(np.linalg.norm(there - here))
            found.append((here, _unit(there - here), length))
            here = there
        return found


class Job:
    """The order of work of one vehicle, as the project file has it.

    Raises
    ------
    NotRechecked
        There is no table about it.
    """

    def __init__(self, scene: Scene, finding: Finding) -> None:
        document = scene.project.document
        if document.order is None:
            raise NotRechecked("the project file has no [order] table")
        self.scene, self.vehicle = scene, finding.vehicle
        self.order: OrderEntry = document.order.here(finding.vehicle)
        mine = (None, finding.vehicle)
        self.bolts: dict[str, FastenerEntry] = {
            one.name: one for one in document.fasteners if one.vehicle in mine
        }
        self.plugs: dict[str, ConnectorEntry] = {
            one.name: one for one in document.connectors if one.vehicle in mine
        }
        self.pieces = {piece.name: piece for piece in self._pieces()}
        self.owner = {part: piece.name for piece in self.pieces.values() for part in piece.parts}
        for name, plug in self.plugs.items():
            self.owner |= dict.fromkeys(plug.itself, f"connector {name}")

    def _pieces(self) -> Iterator[Piece]:
        taken: set[str] = set()
        for move in self.order.moves:
            taken.update(move.parts)
            yield Piece(move.name, move.parts, move.directions, move.via)
        roles = {n: self.scene.entry(self.vehicle, n)[0].role for n in self.names}
        housing = next(name for name, role in roles.items() if role == "housing")
        if housing not in taken:
            ours = [n for n, role in roles.items() if role != "neighbour" and n not in taken]
            yield Piece(housing, tuple(ours))

    @property
    def names(self) -> list[str]:
        """All parts of the vehicle."""
        return self.scene.names(self.vehicle)

    def standing(self, carrier: str = "") -> list[str]:
        """Parts that are not out of the way while bolts are done up."""
        return [
            name
            for name in self.names
            if name == carrier or not self.scene.entry(self.vehicle, name)[0].open_for_tools
        ]

    def held(self, bolt: FastenerEntry) -> list[str]:
        """Pieces that a bolt holds to something that does not go with them."""
        parts = {bolt.part, *([bolt.into] if bolt.into else [])}
        for hold in self.order.holds:
            if hold.fastener == bolt.name:
                parts.update(hold.parts)
        owners = {self.owner.get(part) for part in parts}
        if bolt.into is not None and len(owners) == 1:
            return []
        return [name for name in self.pieces if name in owners]

    def on_the_bench(self, bolt: FastenerEntry) -> bool:
        """Whether a bolt is within one piece."""
        return not self.held(bolt) and self.owner.get(bolt.part) is not None

    def named(self, name: str) -> list[str]:
        """What is done with a piece, a plug or a bolt, in the order in which it comes off."""
        if name in self.pieces:
            return [name]
        if name in self.plugs:
            return [f"connector {name}"]
        if name in self.bolts and not self.on_the_bench(self.bolts[name]):
            return [f"bolt {name}", f"drawing bolt {name}"]
        return []

    def owned(self, item: str) -> list[str]:
        """Parts that come off with an item."""
        return [part for part, owner in self.owner.items() if owner == item]

    def present(self, items: Any, carrier: str = "") -> list[str]:
        """Parts there while of all that comes off no more than some items are."""
        held = set(items)
        return [n for n in self.standing(carrier) if self.owner.get(n) in (None, *held)]

    def ways(self, piece: Piece) -> list[FloatArray | None]:
        """Directions in which a piece has to be tried; None stands for its way points."""
        found: list[FloatArray | None] = [None] if piece.via else []
        found += [_unit(way) for way in piece.directions]
        if piece.directions or piece.via:
            return found
        for mate in self.scene.project.document.mates:
            if set(mate.parts) <= set(self.names) and (mate.parts[0] in piece.parts) != (
                mate.parts[1] in piece.parts
            ):
                sign = 1.0 if mate.parts[1] in piece.parts else -1.0
                found.append(sign * _unit(mate.normal))
        found += [_unit(bolt.axis) for bolt in self.bolts.values() if bolt.part in piece.parts]
        for frame in (np.eye(3), *self._frames()):
            found += [sign * row for row in frame for sign in (1.0, -1.0)]
        return found

    def _frames(self) -> Iterator[FloatArray]:
        corners = np.vstack([np.zeros(3), np.eye(3)])[None]
        for name in self.names:
            entry, outer = self.scene.entry(self.vehicle, name)
            if entry.role == "neighbour" and entry.refine is None:
                moved = placed(outer, placed(entry.place, corners))[0]
                yield moved[1:] - moved[0]


def _unit(way: Any) -> FloatArray:
    vector = np.array(way, dtype=np.float64)
    found: FloatArray = vector / np.linalg.norm(vector)
    return found

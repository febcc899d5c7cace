"""The parts about the fasteners of one vehicle, each prepared once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.finding import Point
from geomcheck.mesh.part import Part, PartSet

#: What was prepared, by part.
_KNOWN: WeakKeyDictionary[Part, Obstacle] = WeakKeyDictionary()


class Surroundings:
    """Obstacles of a set of placed parts, by place.

    Of each part that is not handed out no more is looked at than its box and its greatest
    stand-off.

    Parameters
    ----------
    parts : PartSet
    away : frozenset of str
        Names of parts that are out of the way while bolts are done up.
    """

    def __init__(self, parts: PartSet, away: frozenset[str] = frozenset()) -> None:
        self._parts = parts
        self._away = away

    def __getitem__(self, name: str) -> Obstacle:
        part = self._parts[name]
        if part not in _KNOWN:
            _KNOWN[part] = Obstacle.of(name, part)
        return _KNOWN[part]

    def span(self, fastener: Fastener) -> float:
        """A length along any direction that leads from the seat out of all parts, mm."""
        return self._parts.span(np.array(fastener.at))

    def along(
        self, fastener: Fastener, height: float, radius: float, carrier: str
    ) -> list[Obstacle]:
        """Parts whose box comes within ``radius`` of the axis, from the seat up to ``height``.

        Parts that are out of the way are left out, except ``carrier``, which the head sits on.
        """
        return self.beside((fastener.at, fastener.point(height)), radius, carrier)

    def across(
        self, fastener: Fastener, low: float, high: float, radius: float, carrier: str
    ) -> list[Obstacle]:
        """Parts whose box meets the box about a cylinder on the axis, ``low`` to ``high``, mm.

        Parts that are out of the way are left out, except ``carrier``.
        """
        ends = np.array([fastener.point(low), fastener.point(high)])
        # How far a disc square to the axis leads along each of x, y, z.
        off = radius * np.sqrt(np.maximum(1.0 - np.square(fastener.axis), 0.0))
        near = self._near(ends.min(axis=0) - off, ends.max(axis=0) + off, carrier)
        return [self[name] for name in near]

    def above(self, fastener: Fastener, more: float, radius: float, carrier: str) -> list[Obstacle]:
        """As :meth:`along`, up to a height ``more`` than past all parts."""
        at, axis = np.array(fastener.at), np.array(fastener.axis)
        names = self._parts.names_above(at, axis, more, radius)
        return [self[name] for name in names if name not in self._away - {carrier}]

    def beside(self, ends: Sequence[Point], radius: float, keep: str) -> list[Obstacle]:
        """Parts whose box comes within ``radius`` of the box about points, mm.

        Parts that are out of the way are left out, except ``keep``.
        """
        corners = np.array(ends)
        low, high = corners.min(axis=0) - radius, corners.max(axis=0) + radius
        return [self[name] for name in self._near(low, high, keep)]

    def around(self, keep: str, wanted: Callable[[str], bool] = lambda _: True) -> Around:
        """All parts that ``wanted`` says yes to by name, asked for box by box.

        Parts that are out of the way are left out, except ``keep``.
        """
        return Around(self, keep, wanted)

    def _near(self, low: FloatArray, high: FloatArray, keep: str) -> list[str]:
        names = self._parts.names_near(low, high)
        return [name for name in names if name not in self._away - {keep}]


@dataclass(frozen=True)
class Around:
    """Obstacles that are asked for box by box; see :meth:`Surroundings.around`."""

    about: Surroundings
    keep: str
    wanted: Callable[[str], bool]

    def near(self, low: FloatArray, high: FloatArray) -> list[Obstacle]:
        """Those whose box meets the box low..high, mm, in order."""
        names = self.about._near(low, high, self.keep)
        return [self.about[name] for name in names if self.wanted(name)]

"""The parts about the fasteners of one vehicle, each prepared once."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from geomcheck.fasten.fastener import Fastener, FloatArray
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.finding import Point
from geomcheck.mesh.part import PartSet


class Surroundings:
    """Obstacles of a set of placed parts, by place.

    Parameters
    ----------
    parts : PartSet
    away : frozenset of str
        Names of parts that are out of the way while bolts are done up.
    """

    def __init__(self, parts: PartSet, away: frozenset[str] = frozenset()) -> None:
        self._parts = parts
        self._away = away
        self._known: dict[str, Obstacle] = {}

    def __getitem__(self, name: str) -> Obstacle:
        if name not in self._known:
            self._known[name] = Obstacle.of(name, self._parts[name])
        return self._known[name]

    @cached_property
    def _loose(self) -> float:
        """How far any true surface may stand off its facets, mm."""
        return max(part.sagitta.largest for part in self._parts.values())

    @cached_property
    def _corners(self) -> FloatArray:
        return np.concatenate([part.bounds for part in self._parts.values()])

    def span(self, fastener: Fastener) -> float:
        """A length along any direction that leads from the seat out of all parts, mm."""
        offset = np.abs(self._corners - np.array(fastener.at)).max(axis=0)
        return float(np.linalg.norm(offset)) + self._loose

    def along(
        self, fastener: Fastener, height: float, radius: float, carrier: str
    ) -> list[Obstacle]:
        """Parts whose box comes within ``radius`` of the axis, from the seat up to ``height``.

        Parts that are out of the way are left out, except ``carrier``, which the head sits on.
        """
        return self.beside((fastener.at, fastener.point(height)), radius, carrier)

    def beside(self, ends: Sequence[Point], radius: float, keep: str) -> list[Obstacle]:
        """Parts whose box comes within ``radius`` of the box about points, mm.

        Parts that are out of the way are left out, except ``keep``.
        """
        corners = np.array(ends)
        margin = radius + self._loose
        near = self._parts.near(corners.min(axis=0) - margin, corners.max(axis=0) + margin)
        return [self[part.name] for part in near if part.name not in self._away - {keep}]

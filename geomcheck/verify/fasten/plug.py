"""A plug or a hose end as the project file gives it: what of it is moved, as cylinders."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geomcheck.project.connectors import ConnectorEntry
from geomcheck.verify.fasten.room import Column, frame_of
from geomcheck.verify.plain.simple import FloatArray

#: Cells over the lesser side of a square body, each in a circle of its own.
CELLS = 10


class Plug:
    """A connector of the project file, and what of it is moved.

    Parameters
    ----------
    entry : ConnectorEntry
    start : float
        mm above the rim where looking begins.
    """

    def __init__(self, entry: ConnectorEntry, start: float) -> None:
        self.entry, self.start = entry, start
        self.width, self.height = entry.box or (entry.diameter or 0.0, entry.diameter or 0.0)
        self.cable = entry.cable or min(self.width, self.height)
        self.frame = frame_of(entry.at, entry.axis, entry.up if entry.box else None)
        half = math.hypot(self.width, self.height) / 2.0 if entry.box else self.width / 2.0
        self.radius = max(half, self.cable / 2.0)
        self.pulled = entry.length + entry.stroke

    def body(self, high: float) -> list[Column]:
        """Circles that hold the body's section, from where looking begins up to a height."""
        if self.entry.box is None:
            return [Column(0.0, 0.0, self.start, high, self.width / 2.0)]
        side = min(self.width, self.height) / CELLS
        columns, rows = (math.ceil(size / side - 1e-9) for size in (self.width, self.height))
        radius = math.hypot(self.width / columns, self.height / rows) / 2.0
        return [
            Column(
                self.width * ((i + 0.5) / columns - 0.5),
                self.height * ((k + 0.5) / rows - 0.5),
                self.start,
                high,
                radius,
            )
            for i in range(columns)
            for k in range(rows)
        ]

    def boot(self, pulled: float) -> list[Column]:
        """Boot or cable behind the body, moved by ``pulled``; none without a straight length."""
        if self.entry.straight <= 0.0:
            return []
        end = self.entry.length
        return [Column(0.0, 0.0, end, end + pulled + self.entry.straight, self.cable / 2.0)]

    def fingers(self, degrees: float) -> list[Column]:
        """Two fingers on either side of the body, in a direction from u, over the stroke."""
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        out = self.width / 2.0
        if self.entry.box is not None:
            out = self.width / 2.0 * abs(c) + self.height / 2.0 * abs(s)
        out += self.entry.finger / 2.0
        low = max(self.start, self.entry.length - self.entry.grip)
        return [
            Column(sign * out * c, sign * out * s, low, self.pulled, self.entry.finger / 2.0)
            for sign in (1.0, -1.0)
        ]

    def foot(self) -> list[tuple[float, float]]:
        """Points across the axis that show whether the body stands in material, (u, v)."""
        bore, least = self.entry.bore or 0.0, min(self.width, self.height)
        if not 0.0 < bore < least:
            return [(0.0, 0.0)]
        aside = 0.25 * (bore + least)
        return [(aside, 0.0), (0.0, aside), (-aside, 0.0), (0.0, -aside)]

    def spigot(self, local: FloatArray) -> NDArray[np.bool_]:
        """(m,) triangles of its own part that stand inside the bore, below the stroke."""
        off = np.hypot(local[:, :, 0], local[:, :, 1])
        inside = (off <= (self.entry.bore or 0.0) / 2.0).all(axis=1)
        return np.asarray(inside & (local[:, :, 2] <= self.entry.stroke).all(axis=1))

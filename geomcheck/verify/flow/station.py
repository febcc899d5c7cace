"""A section of a duct square to its line, and what of it belongs to the duct."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from geomcheck.verify.flow.section import Opening
from geomcheck.verify.plain.simple import FloatArray


@dataclass(frozen=True, eq=False)
class Station:
    """A section square to the line.

    Parameters
    ----------
    s : float
        mm along the line.
    point : (3,) float
    normal : (3,) float
    frame : (2, 3) float
    cut : Opening
    bores : tuple of int
        Pieces of the cut that belong to the duct.
    state : str
        As of the cut.
    """

    s: float
    point: FloatArray
    normal: FloatArray
    frame: FloatArray
    cut: Opening
    bores: tuple[int, ...]
    state: str

    @property
    def open(self) -> BaseGeometry:
        """What is open, in the axes of the frame."""
        return self.cut.open(self.bores)

    @property
    def area(self) -> float:
        """Open area, mm2; NaN where it was not measured."""
        return float(self.open.area) if self.state == "measured" else float("nan")

    @property
    def bore(self) -> float:
        """Area that the walls leave, mm2; NaN where it was not measured."""
        if self.state != "measured":
            return float("nan")
        return float(sum(self.cut.bores[k].area for k in self.bores))

    @property
    def perimeter(self) -> float:
        """Wetted length of all outlines of what is open, mm."""
        return float(self.open.length)

    def space(self, flat: Any) -> FloatArray:
        """(k, 3) points of the section from (k, 2) in its axes."""
        at: FloatArray = self.point + np.asarray(flat, dtype=np.float64) @ self.frame
        return at

"""Areas and turn of a duct along its path, as the flow estimate needs them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import CannotDecide
from geomcheck.flow.result import Survey

FloatArray: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Profile:
    """Areas and turn of a duct at its stations.

    Parameters
    ----------
    s : (n,) float64
        mm along the path, rising.
    area, bore_area, hydraulic : (n,) float64
        mm2; the same without obstacles; hydraulic diameter, mm.
    minus, plus : float
        Shares of the area by which the truth may lie below and above it.
    least : (n,) float64
        Lower bounds of the areas, mm2; at the throat with all its terms.
    turn : (n, 3) float64
        Curvature vector of the path, 1/mm.
    """

    s: FloatArray
    area: FloatArray
    bore_area: FloatArray
    hydraulic: FloatArray
    minus: float
    plus: float
    least: FloatArray
    turn: FloatArray

    @classmethod
    def of(cls, survey: Survey) -> Profile:
        """Profile of a survey.

        Raises
        ------
        CannotDecide
            A station without a number: the flow past it cannot be reckoned.
        """
        for s, state in zip(survey.fine_s, survey.fine_state, strict=True):
            if state != "measured":
                raise CannotDecide(
                    f"the area is not known at {s:.2f} mm along the path ({state}), so the flow "
                    "cannot be estimated",
                    remedy="make every station measurable; see flow-area",
                )
        known = [q for q in survey.quantities if q is not None]
        minus = max((1.0 - q.low / q.value for q in known), default=0.0)
        plus = max((q.high / q.value - 1.0 for q in known), default=0.0)
        s, area = survey.fine_s, survey.fine_area
        least = area * (1.0 - minus)
        at = int(np.argmin(np.abs(s - survey.throat.s)))
        least[at] = min(least[at], survey.throat.area.low)
        if not (least > 0.0).all():
            raise CannotDecide(
                "the facets are so coarse that the least area may be nothing",
                remedy="export the parts with a finer tolerance",
            )
        tangent = survey.path.frames(s)[:, 9:12]
        rise = np.gradient(tangent, np.maximum.accumulate(s + 1e-9 * np.arange(len(s))), axis=0)
        size = np.linalg.norm(rise, axis=1)
        curvature = survey.path.curvature(s)
        turn = rise / np.maximum(size, 1e-12)[:, None] * curvature[:, None]
        hydraulic = 4.0 * area / survey.fine_perimeter
        return cls(s, area, survey.fine_bore_area, hydraulic, minus, plus, least, turn)

    @property
    def diameter(self) -> FloatArray:
        """(n,) of the circle of the same area, mm."""
        return np.asarray(np.sqrt(4.0 * self.area / np.pi))

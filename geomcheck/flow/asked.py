"""What a flow estimate is asked for: a mass flow, and the blades that stand in the duct."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.errors import InputError
from geomcheck.flow import gas


@dataclass(frozen=True)
class MassFlow:
    """A mass flow as an interval, kg/s.

    Parameters
    ----------
    low, high : float
    words : str
        Where it comes from.
    """

    low: float
    high: float
    words: str = "as given"

    def __post_init__(self) -> None:
        if not (0.0 < self.low <= self.high and np.isfinite(self.high)):
            raise InputError(f"no mass flow from {self.low} to {self.high} kg/s")

    @property
    def middle(self) -> float:
        """Half way between the bounds."""
        return 0.5 * (self.low + self.high)

    @classmethod
    def of_blower(
        cls,
        displacement: float,
        speed: float,
        volumetric_efficiency: tuple[float, float],
        air: gas.Air = gas.STANDARD,
    ) -> MassFlow:
        """Flow of a positive-displacement blower: litres per revolution, rev/min, shares."""
        low, high = (
            gas.blower_flow(displacement, speed, share, air) for share in volumetric_efficiency
        )
        return cls(
            low,
            high,
            f"{displacement:g} litres per revolution x {speed:g} rev/min x "
            f"{volumetric_efficiency[0]:g} to {volumetric_efficiency[1]:g}",
        )


@dataclass(frozen=True)
class Blade:
    """A blade across the bore.

    ``begin`` and ``end``: its stretch of the path, mm; ``angle``: degrees off wide open;
    ``open_share``: of the bore as seen along it, else that of a thin round blade.
    """

    begin: float
    end: float
    angle: float
    name: str = "blade"
    open_share: float | None = None

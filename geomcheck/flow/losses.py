"""Loss coefficients from handbooks, each as the band that the handbooks span.

A coefficient times the dynamic pressure rho v2 / 2 at the velocity it refers to is the loss of
total pressure. Handbooks differ by 20 to 100 per cent, so every coefficient is an interval; the
rows with their sources are ``geomcheck/standards/loss_coefficients.csv``. Between rows the bounds
are interpolated linearly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.standards import LossCoefficient, loss_coefficients

#: Roughness of a duct wall, mm: from smooth to rough cast iron, 0.26 mm (L. F. Moody, 1944).
ROUGHNESS = (0.0, 0.26)


@dataclass(frozen=True)
class Band:
    """A loss coefficient as an interval.

    Parameters
    ----------
    low, high : float
    velocity : str
        Where the velocity it refers to is taken.
    status, source : str
        What the rows it was read from rest on.
    """

    low: float
    high: float
    velocity: str
    status: str
    source: str

    @property
    def middle(self) -> float:
        """Half way between the bounds."""
        return 0.5 * (self.low + self.high)

    def times(self, low: float, high: float) -> Band:
        """The band with its bounds multiplied."""
        return Band(self.low * low, self.high * high, self.velocity, self.status, self.source)


def entry(ratio: float) -> Band:
    """Entry from still air through an edge in a flat wall.

    ``ratio``: radius of the edge over the diameter of the duct; 0 is a sharp edge, and from 0.2
    the coefficient stays as it is. Refers to the velocity in the duct.
    """
    if not ratio >= 0.0:
        raise InputError("the radius of the inlet edge must not be negative")
    rows = _rows("entry")
    return _along(rows, [float(row.ratio or 0.0) for row in rows], ratio)


def pipe_end_entry() -> Band:
    """Entry from still air into the end of a thin pipe that stands free."""
    return _band(_rows("pipe end entry")[:1], 1.0)


def bend(angle: float, ratio: float) -> Band:
    """Smooth round bend, its wall friction included.

    Parameters
    ----------
    angle : float
        Degrees of turn. What goes beyond 180 is added as a further bend.
    ratio : float
        Radius of the centre line over the diameter. Below 0.5 as at 0.5, where the band takes in
        a mitred corner; above 10 as at 10.
    """
    if not (angle >= 0.0 and ratio > 0.0):
        raise InputError("a bend has an angle and a radius above zero")
    if angle > 180.0:
        first, rest = bend(180.0, ratio), bend(angle - 180.0, ratio)
        return Band(
            first.low + rest.low, first.high + rest.high, first.velocity, first.status, first.source
        )
    return _grid("bend", angle, float(np.clip(ratio, 0.5, 10.0)))


def diffuser(angle: float) -> Band:
    """Widening: share of Borda and Carnot's (1 - A1/A2)2 that is lost.

    ``angle``: total angle of the equivalent cone, degrees; 180 is a step. Refers to the velocity
    before it. Below 3 degrees the lower bound falls to zero with the angle.
    """
    rows = _rows("diffuser")
    least = float(rows[0].angle or 0.0)
    found = _along(rows, [float(row.angle or 0.0) for row in rows], max(angle, least))
    return found.times(min(1.0, max(angle, 0.0) / least), 1.0)


def contraction(angle: float, ratio: float) -> Band:
    """Narrowing.

    Parameters
    ----------
    angle : float
        Total angle of the equivalent cone, degrees; 180 is a step. Below 10 degrees the lower
        bound falls to zero with the angle.
    ratio : float
        Area after over area before, above 0 up to 1. Refers to the velocity after it.
    """
    if not 0.0 < ratio <= 1.0:
        raise InputError("a contraction has less area after it than before it")
    least = 10.0
    found = _grid("contraction", float(np.clip(angle, least, 180.0)), max(ratio, 0.1))
    return found.times(min(1.0, max(angle, 0.0) / least), 1.0)


def blade(angle: float) -> Band:
    """Thin round blade in a round bore, degrees off wide open (0 is edge-on to the flow).

    Refers to the velocity in the open bore. Beyond 70 degrees nothing is known well enough.

    Raises
    ------
    InputError
        Outside 0 to 70 degrees.
    """
    rows = _rows("blade")
    if not 0.0 <= angle <= float(rows[-1].angle or 0.0):
        raise InputError(
            f"there is no loss coefficient for a blade {angle:g} degrees off wide open",
            remedy=f"the table goes from 0 to {rows[-1].angle:g} degrees",
        )
    return _along(rows, [float(row.angle or 0.0) for row in rows], angle)


def vena_contracta(ratio: float) -> float:
    """Share of a sharp-edged opening that the stream behind it fills (Weisbach).

    ``ratio``: area of the opening over the area before it; below 0.1 as at 0.1.
    """
    rows = _rows("vena contracta")
    return _along(rows, [float(row.ratio or 0.0) for row in rows], ratio).low


def orifice(ratio: float) -> float:
    """Loss of a sharp-edged opening across a duct, on the velocity in the duct behind it.

    The stream draws together to the vena contracta and mixes out suddenly from there (Borda and
    Carnot). ``ratio``: area of the opening over that of the duct behind it.
    """
    return float((1.0 / (vena_contracta(ratio) * ratio) - 1.0) ** 2)


def profile_excess(ratio: float) -> float:
    """What a step may lose beyond Borda and Carnot because the stream before it is not even.

    Momentum and energy of a stream with the 1/7 power-law profile of turbulent pipe flow are
    1.0204 and 1.0584 times those of an even one (closed form of the profile; H. Schlichting,
    "Boundary-Layer Theory"); mixed out evenly after the step. Times the dynamic pressure before
    it. ``ratio``: area before over area after.
    """
    return (_ENERGY - 1.0) - 2.0 * (_MOMENTUM - 1.0) * ratio


def _power_law(n: float) -> tuple[float, float]:
    """Momentum and energy factors of v ~ (distance from the wall)^(1/n) in a round pipe."""
    mean = 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0))
    momentum = 2.0 / ((2.0 / n + 1.0) * (2.0 / n + 2.0)) / mean**2
    energy = 2.0 / ((3.0 / n + 1.0) * (3.0 / n + 2.0)) / mean**3
    return momentum, energy


_MOMENTUM, _ENERGY = _power_law(7.0)


def friction_factor(reynolds: Any, roughness: Any) -> NDArray[np.float64]:
    """Darcy's friction factor by the formula of Colebrook and White (1939); 64/Re below 2300.

    Parameters
    ----------
    reynolds : (n,) float
    roughness : (n,) float
        Height of the roughness over the hydraulic diameter.
    """
    reynolds = np.maximum(np.asarray(reynolds, dtype=np.float64), 1e-9)
    rough = np.asarray(roughness, dtype=np.float64)
    stream = np.maximum(reynolds, 2300.0)
    root = np.full(np.broadcast(reynolds, rough).shape, 8.0)  # 1 / sqrt(f)
    for _ in range(40):
        root = -2.0 * np.log10(rough / 3.7 + 2.51 * root / stream)
    return np.asarray(np.where(reynolds < 2300.0, 64.0 / reynolds, root**-2.0))


def _rows(feature: str) -> tuple[LossCoefficient, ...]:
    return loss_coefficients(feature)


def _band(rows: Any, weight: float) -> Band:
    """Of one row, or between two with the share ``weight`` of the first."""
    first, last = rows[0], rows[-1]
    rest = 1.0 - weight
    return Band(
        weight * first.low + rest * last.low,
        weight * first.high + rest * last.high,
        first.velocity,
        first.status if first.status == last.status else f"{first.status}, {last.status}",
        first.source if first.source == last.source else f"{first.source}; {last.source}",
    )


def _along(rows: Any, places: list[float], at: float) -> Band:
    """Interpolated along rows of rising place; beyond the last as the last."""
    at = float(np.clip(at, places[0], places[-1]))
    after = int(np.clip(np.searchsorted(places, at), 1, len(places) - 1))
    begin, end = places[after - 1], places[after]
    weight = (end - at) / (end - begin)
    if weight in (0.0, 1.0):
        row = rows[after - 1] if weight == 1.0 else rows[after]
        return _band((row,), 1.0)
    return _band((rows[after - 1], rows[after]), weight)


def _grid(feature: str, angle: float, ratio: float) -> Band:
    """Interpolated over angle and ratio; zero at an angle of 0, and a contraction at ratio 1."""
    rows = _rows(feature)
    angles = sorted({float(row.angle or 0.0) for row in rows})
    lines: list[tuple[float, Band]] = []
    for turn in angles:
        line = [row for row in rows if row.angle == turn]
        places = [float(row.ratio or 0.0) for row in line]
        if feature == "contraction":
            line.append(line[-1]._replace(ratio=1.0, low=0.0, high=0.0))
            places.append(1.0)
        lines.append((turn, _along(line, places, ratio)))
    if angles[0] > angle:
        share = angle / angles[0]
        return lines[0][1].times(share, share)
    return _along([band for _, band in lines], angles, angle)

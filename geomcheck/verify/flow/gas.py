"""Flow of air in one dimension, written again from the books; SI units, areas in mm2.

Ideal gas, ratio of specific heats 1.4. Continuity and energy: A. H. Shapiro, "The Dynamics and
Thermodynamics of Compressible Fluid Flow", 1953, chapters 4 and 6; gas constant and Sutherland's
viscosity as in ISO 2533 (from memory); friction: C. F. Colebrook, J. Inst. Civ. Eng. 11 (1939).
All roots are found by halving.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from geomcheck.verify.plain.simple import FloatArray

GAMMA, GAS = 1.4, 287.05287
#: Halvings of a bracket.
ROUNDS = 60


def halved(rising: Callable[[FloatArray], Any], low: FloatArray, high: FloatArray) -> FloatArray:
    """Where functions that rise pass zero, between ``low`` and ``high``."""
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        above = np.asarray(rising(middle)) > 0.0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return 0.5 * (low + high)


def total_over_static(mach: Any) -> FloatArray:
    """Total over static temperature."""
    return np.asarray(1.0 + 0.5 * (GAMMA - 1.0) * np.square(mach), dtype=np.float64)


def passed(mach: Any) -> FloatArray:
    """Mass flow x sqrt(gas constant x total temperature) / (area x total pressure)."""
    theta = total_over_static(mach)
    # rho v A with rho = p / (R T), v = M sqrt(gamma R T), p and T from their total values.
    pressure = theta ** (-GAMMA / (GAMMA - 1.0))
    return np.asarray(np.sqrt(GAMMA) * np.asarray(mach) * pressure * np.sqrt(theta))


def mach_of(flow: float, area: Any, pressure: Any, temperature: float) -> FloatArray:
    """Mach number below 1 at which each area (mm2) passes a flow (kg/s); NaN where it cannot.

    ``pressure`` total, Pa; ``temperature`` total, K.
    """
    per = np.sqrt(GAS * temperature) / (1e-6 * np.asarray(area) * np.asarray(pressure))
    wanted = np.asarray(flow * per, dtype=np.float64)
    zero = np.zeros_like(wanted)
    found = halved(lambda mach: passed(mach) - wanted, zero, zero + 1.0)
    return np.asarray(np.where(wanted > float(passed(1.0)), np.nan, found))


def share_of_choking(flow: float, area: Any, pressure: Any, temperature: float) -> FloatArray:
    """Flow over what each area would pass at Mach 1."""
    per = np.sqrt(GAS * temperature) / (1e-6 * np.asarray(area) * np.asarray(pressure))
    return np.asarray(flow * per / float(passed(1.0)))


def dynamic(mach: Any, pressure: Any) -> FloatArray:
    """Rho v2 / 2 from the Mach number and the total pressure."""
    static = np.asarray(pressure) * total_over_static(mach) ** (-GAMMA / (GAMMA - 1.0))
    return np.asarray(0.5 * GAMMA * static * np.square(mach))


def step_loss(mach: float, ratio: float, pressure: float) -> float:
    """Total pressure (Pa) lost in a sudden enlargement from an area to that area over ``ratio``.

    Momentum, with the pressure of the stream on the wall of the step, and mass:
    p1 (A2 + gamma M1^2 A1) = p2 A2 (1 + gamma M2^2).
    """

    def ends(m: Any) -> FloatArray:
        return np.asarray(m * np.sqrt(total_over_static(m)) / (1.0 + GAMMA * np.square(m)))

    begun = ratio * mach * np.sqrt(total_over_static(mach)) / (1.0 + ratio * GAMMA * mach**2)
    zero = np.zeros(1)
    after = float(halved(lambda m: ends(m) - begun, zero, zero + 1.0)[0])
    left = ratio * float(passed(mach)) / float(passed(after))
    return pressure * (1.0 - min(left, 1.0))


def viscosity(temperature: float) -> float:
    """Pa s at a static temperature in K."""
    return float(1.458e-6 * temperature**1.5 / (temperature + 110.4))


def darcy(reynolds: FloatArray, rough: FloatArray) -> FloatArray:
    """Friction factor of a rough pipe; laminar below a Reynolds number of 2300."""
    stream = np.maximum(reynolds, 2300.0)

    def off(root: FloatArray) -> FloatArray:
        return root + 2.0 * np.log10(rough / 3.7 + 2.51 * root / stream)

    zero = np.zeros_like(stream)
    root = halved(off, zero + 1.0, zero + 40.0)
    return np.asarray(np.where(reynolds < 2300.0, 64.0 / reynolds, root**-2.0))


def uneven(ratio: float) -> float:
    """What an uneven stream loses at a step beyond an even one, in dynamic pressures before it.

    For v ~ (distance from the wall)^(1/7): means of v^2 and v^3 over the pipe, by quadrature.
    """
    x, weight = np.polynomial.legendre.leggauss(200)
    r = 0.5 * (x + 1.0)
    # The profile is steep at the wall: the points are drawn there.
    y = r**7
    area = 2.0 * (1.0 - y) * 7.0 * r**6 * 0.5 * weight
    mean, square, cube = (float((r**k * area).sum()) for k in (1, 2, 3))
    return (cube / mean**3 - 1.0) - 2.0 * (square / mean**2 - 1.0) * ratio

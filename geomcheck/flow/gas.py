"""Steady one-dimensional flow of air as an ideal gas, given the areas: exact relations.

Ideal gas of constant specific heats, no heat taken up, one velocity over the whole section. Given
the area, the relations are exact; what is an estimate are the total-pressure losses between the
sections (``geomcheck.flow.losses``). Sources: NACA Report 1135 (Ames Research Staff, 1953),
equations 43 to 45 (isentropic ratios) and 80 (area ratio); A. H. Shapiro, "The Dynamics and
Thermodynamics of Compressible Fluid Flow", 1953, for the flow parameter and the sudden
enlargement. Air: R and Sutherland's viscosity as in ISO 2533:1975 (from memory).

Areas are mm2; pressure Pa; temperature K; mass flow kg/s; velocity m/s.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import CannotDecide, InputError

FloatArray: TypeAlias = NDArray[np.float64]

#: Ratio of specific heats of air.
GAMMA = 1.4
#: Gas constant of air, J/(kg K).
R = 287.05287
_MM2 = 1e-6
_G = 0.5 * (GAMMA - 1.0)


@dataclass(frozen=True)
class Air:
    """Air at rest before the inlet: total pressure (Pa, absolute) and total temperature (K).

    The default is the standard atmosphere at sea level, ISO 2533: 101325 Pa, 288.15 K (15 C).

    Raises
    ------
    InputError
        Not positive, or not finite.
    """

    pressure: float = 101325.0
    temperature: float = 288.15

    def __post_init__(self) -> None:
        for name, value in (("pressure", self.pressure), ("temperature", self.temperature)):
            if not (value > 0.0 and np.isfinite(value)):
                raise InputError(f"the {name} of the air must be above zero, not {value}")

    @property
    def density(self) -> float:
        """kg/m3, of the air at rest."""
        return self.pressure / (R * self.temperature)


#: Standard atmosphere at sea level.
STANDARD = Air()


def temperature_ratio(mach: Any) -> FloatArray:
    """Static over total temperature (NACA 1135, 43)."""
    return np.asarray(1.0 / (1.0 + _G * np.square(mach)))


def pressure_ratio(mach: Any) -> FloatArray:
    """Static over total pressure (NACA 1135, 44).

    Examples
    --------
    >>> round(float(pressure_ratio(1.0)), 4)
    0.5283
    """
    return np.asarray(temperature_ratio(mach) ** (GAMMA / (GAMMA - 1.0)))


def density_ratio(mach: Any) -> FloatArray:
    """Static over total density (NACA 1135, 45)."""
    return np.asarray(temperature_ratio(mach) ** (1.0 / (GAMMA - 1.0)))


def flow_parameter(mach: Any) -> FloatArray:
    """Mass flow x sqrt(R T0) / (area x p0), without dimension; greatest at Mach 1."""
    mach = np.asarray(mach, dtype=np.float64)
    power = -(GAMMA + 1.0) / (2.0 * (GAMMA - 1.0))
    return np.asarray(np.sqrt(GAMMA) * mach * (1.0 + _G * mach**2) ** power)


#: The flow parameter at Mach 1.
CHOKED = float(flow_parameter(1.0))


def area_ratio(mach: Any) -> FloatArray:
    """Area over the area at which this flow would choke (NACA 1135, 80)."""
    return np.asarray(CHOKED / flow_parameter(mach))


def choked_flow(area: float, air: Air = STANDARD) -> float:
    """Greatest mass flow an area passes without loss before it, kg/s.

    Parameters
    ----------
    area : float
        mm2.
    air : Air

    Examples
    --------
    >>> round(choked_flow(3000.0), 5)
    0.72372
    """
    if not area > 0.0:
        raise InputError(f"an area must be above zero, not {area} mm2")
    return CHOKED * area * _MM2 * air.pressure / float(np.sqrt(R * air.temperature))


def choking_share(area: Any, flow: float, pressure: Any, temperature: float) -> FloatArray:
    """Mass flow over the mass flow at which each area chokes; above 1 it does not pass.

    ``area`` (n,) mm2, ``flow`` kg/s, ``pressure`` total pressure there (n,) Pa, ``temperature`` K.
    """
    capacity = CHOKED * np.asarray(area) * _MM2 * np.asarray(pressure) / np.sqrt(R * temperature)
    return np.asarray(flow / capacity)


def subsonic_mach(share: Any) -> FloatArray:
    """Subsonic Mach number from the share of the choked flow.

    Newton's method on the flow parameter, kept within a bracket that is halved when it leaves it.

    Parameters
    ----------
    share : (n,) float
        Flow parameter over its greatest value, 0 to 1.

    Raises
    ------
    CannotDecide
        A share above 1: the flow does not pass.

    Examples
    --------
    >>> round(float(subsonic_mach(1 / 1.339844)), 4)
    0.5
    """
    share = np.asarray(share, dtype=np.float64)
    if not (np.isfinite(share).all() and (share >= 0.0).all()):
        raise InputError("a share of the choked flow must be a number from 0 to 1")
    if (share > 1.0).any():
        raise CannotDecide(
            f"the flow is {float(share.max()):.3f} times what the section passes at Mach 1"
        )
    wanted = share * CHOKED
    low, high = np.zeros_like(wanted), np.ones_like(wanted)
    mach = np.minimum(wanted / np.sqrt(GAMMA), 0.9)
    for _ in range(80):
        error = flow_parameter(mach) - wanted
        low = np.where(error < 0.0, mach, low)
        high = np.where(error > 0.0, mach, high)
        square = mach**2
        power = -(GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)) - 1.0
        slope = np.sqrt(GAMMA) * (1.0 - square) * (1.0 + _G * square) ** power
        newton = mach - error / np.where(slope > 1e-9, slope, np.inf)
        inside = (newton > low) & (newton < high) & (slope > 1e-9)
        following = np.where(inside, newton, 0.5 * (low + high))
        following = np.where(error == 0.0, mach, following)
        if np.array_equal(following, mach):
            break
        mach = following
    return np.asarray(mach)


def velocity(mach: Any, temperature: float) -> FloatArray:
    """m/s at a Mach number, from the total temperature in K."""
    mach = np.asarray(mach, dtype=np.float64)
    return np.asarray(mach * np.sqrt(GAMMA * R * temperature * temperature_ratio(mach)))


def head(mach: Any, pressure: Any) -> FloatArray:
    """Dynamic pressure rho v2 / 2 in Pa, from the total pressure in Pa."""
    mach = np.asarray(mach, dtype=np.float64)
    return np.asarray(0.5 * GAMMA * mach**2 * pressure_ratio(mach) * np.asarray(pressure))


def viscosity(temperature: float) -> float:
    """Dynamic viscosity of air, Pa s, by Sutherland's formula with the constants of ISO 2533.

    Examples
    --------
    >>> f"{viscosity(288.15):.4e}"
    '1.7894e-05'
    """
    return float(1.458e-6 * temperature**1.5 / (temperature + 110.4))


def sudden_expansion(mach: float, ratio: float) -> tuple[float, float]:
    """Sudden enlargement by the control volume: mass, momentum and energy kept.

    The wall of the step stands at the pressure of the stream before it. At low Mach numbers this
    is Borda and Carnot's loss, (1 - ratio)2 of the dynamic pressure; at Mach 0.5 that falls short
    by a fifth.

    Parameters
    ----------
    mach : float
        Before the step, 0 < mach < 1.
    ratio : float
        Area before over area after, above 0 up to 1.

    Returns
    -------
    (float, float)
        Mach number after it, once mixed, and total pressure after over before.
    """
    if not (0.0 < mach < 1.0 and 0.0 < ratio <= 1.0):
        raise InputError(f"no sudden expansion from Mach {mach:g} with the area ratio {ratio:g}")
    square = mach * mach
    kept = ratio * mach * np.sqrt(1.0 + _G * square) / (1.0 + ratio * GAMMA * square)
    n = kept * kept
    # m (1 + g m) = n (1 + gamma m)^2 with m = M2^2: the subsonic root, without cancellation.
    after = 2.0 * n / (1.0 - 2.0 * n * GAMMA + np.sqrt(1.0 - 2.0 * n * (GAMMA + 1.0)))
    second = float(np.sqrt(after))
    left = ratio * float(flow_parameter(mach)) / float(flow_parameter(second))
    return second, min(left, 1.0)


def blower_flow(
    displacement: float,
    speed: float,
    volumetric_efficiency: float,
    air: Air = STANDARD,
) -> float:
    """Mass flow a positive-displacement blower draws, kg/s.

    The volume it takes in is reckoned at the density of the air at rest before the inlet. What the
    duct loses makes the air at the rotors thinner, so the true flow is a little less.

    Parameters
    ----------
    displacement : float
        Litres per revolution of the rotor shaft that ``speed`` is given for.
    speed : float
        Revolutions per minute.
    volumetric_efficiency : float
        0 to 1.

    Examples
    --------
    >>> round(blower_flow(1.6, 12000, 0.9), 4)
    0.3528
    """
    if not (displacement > 0.0 and speed > 0.0 and 0.0 < volumetric_efficiency <= 1.0):
        raise InputError("displacement, speed and volumetric efficiency must be above zero")
    return 1e-3 * displacement * speed / 60.0 * volumetric_efficiency * air.density

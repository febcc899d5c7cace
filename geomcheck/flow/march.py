"""Total pressure and Mach number along a duct for one choice of flow, areas and coefficients."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from geomcheck.flow import gas, losses
from geomcheck.flow.features import Feature
from geomcheck.flow.profile import FloatArray, Profile

Side: TypeAlias = Literal["low", "middle", "high"]

#: Rounds after which the total pressure has settled, at the latest: it falls from round to round,
#: and what is lost downstream changes nothing upstream.
_ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Case:
    """What one march assumes.

    Parameters
    ----------
    flow : float
        kg/s.
    coefficients : {"low", "middle", "high"}
        Which end of their bands.
    areas : {"low", "middle", "high"}
        Areas as cut, or at the bounds of their facets.
    air : Air
    roughness : (float, float)
        mm.
    """

    flow: float
    coefficients: Side
    areas: Side
    air: gas.Air
    roughness: tuple[float, float]


@dataclass(frozen=True, eq=False)
class March:
    """What one march found.

    Parameters
    ----------
    case : Case
    mach, pressure : (n,) float64
        Mach number, in the opening a blade leaves where there is one, and total pressure (Pa) at
        each station; mean nothing where it choked.
    lost : (k + 1,) float64
        Pa lost by each feature, and last by wall friction.
    share : float
        Greatest share of the choked flow at any station; above 1 the flow does not pass, and
        infinite where the losses would take all the pressure there is.
    at : int
        The station of it.
    """

    case: Case
    mach: FloatArray
    pressure: FloatArray
    lost: FloatArray
    share: float
    at: int

    @property
    def choked(self) -> bool:
        """Whether the flow does not pass."""
        return self.share > 1.0

    @property
    def loss(self) -> float:
        """All the total pressure lost, Pa."""
        return float(self.lost.sum())


def march(profile: Profile, features: Sequence[Feature], case: Case) -> March:
    """Follow the total pressure down the duct.

    The pressure lost depends on the Mach number, and that on the pressure left: beginning with no
    loss at all, each round falls towards the answer from above, so that a flow that chokes in any
    round chokes.
    """
    area = _areas(profile, case)
    opening = area.copy() if case.areas != "low" else np.minimum(area, profile.least)
    tight = opening.copy()
    for feature in features:
        row, vena = feature.row, feature.vena if case.areas == "low" else 1.0
        tight[row] = min(tight[row], vena * min(float(opening[row]), feature.opening))
    temperature = case.air.temperature
    pressure = np.full(len(area), case.air.pressure)
    ends = np.searchsorted(profile.s, [feature.end for feature in features], side="left")
    ends = np.minimum(ends, len(area) - 1)
    lost = np.zeros(len(features) + 1)
    mach = np.zeros(len(area))
    share = np.zeros(len(area))
    for _ in range(_ROUNDS):
        share = gas.choking_share(tight, case.flow, pressure, temperature)
        if share.max() > 1.0:
            break
        mach = gas.subsonic_mach(gas.choking_share(area, case.flow, pressure, temperature))
        wall = _friction(profile, features, case, mach, pressure)
        lost = np.array(
            [*(_lost(f, case, profile, area, mach, pressure) for f in features), wall.sum()]
        )
        drop = np.concatenate([[0.0], np.cumsum(wall)])
        for row, amount in zip(ends, lost, strict=False):
            drop[row:] += amount
        if drop.max() >= case.air.pressure:
            share = np.where(drop >= case.air.pressure, np.inf, share)
            break
        following = case.air.pressure - drop
        settled = bool(np.abs(following - pressure).max() <= 1e-10 * case.air.pressure)
        pressure = following
        if settled:
            break
    at = int(np.argmax(share))
    fastest = gas.subsonic_mach(share) if share[at] <= 1.0 else mach
    return March(case, fastest, pressure, lost, float(share[at]), at)


def _areas(profile: Profile, case: Case) -> FloatArray:
    shift = {"low": -profile.minus, "middle": 0.0, "high": profile.plus}[case.areas]
    return np.asarray(profile.area * (1.0 + shift))


def _lost(
    feature: Feature,
    case: Case,
    profile: Profile,
    area: FloatArray,
    mach: FloatArray,
    pressure: FloatArray,
) -> float:
    """What a feature loses, Pa."""
    if case.coefficients == "middle":
        return 0.5 * sum(
            _bound(feature, end, 0, profile, area, mach, pressure) for end in (False, True)
        )
    high = case.coefficients == "high"
    return _bound(feature, high, case.areas != "middle", profile, area, mach, pressure)


def _bound(
    feature: Feature,
    high: bool,
    apart: bool | int,
    profile: Profile,
    area: FloatArray,
    mach: FloatArray,
    pressure: FloatArray,
) -> float:
    """Least or most that a feature loses; ``apart``: its two areas may err in opposite ways."""
    row, after = feature.row, feature.after
    total = 0.0
    if feature.plain is not None:
        k = feature.plain.high if high else feature.plain.low
        total += k * float(gas.head(mach[row], pressure[row]))
    if feature.widen is not None:
        ratio = float(area[row] / area[after])
        if apart:
            off = (1.0 - profile.minus) / (1.0 + profile.plus)
            ratio = ratio * off if high else min(1.0, ratio / off)
        _, left = gas.sudden_expansion(min(float(mach[row]), 1.0 - 1e-9), ratio)
        step = float(pressure[row]) * (1.0 - left)
        if high:
            step += losses.profile_excess(ratio) * float(gas.head(mach[row], pressure[row]))
        total += (feature.widen.high if high else feature.widen.low) * step
    if high and feature.sharp > 0.0:
        total = max(total, feature.sharp * float(gas.head(mach[after], pressure[after])))
    return total


def _friction(
    profile: Profile,
    features: Sequence[Feature],
    case: Case,
    mach: FloatArray,
    pressure: FloatArray,
) -> FloatArray:
    """(n - 1,) Pa lost to the wall between stations: dp0 = -gamma M2 / 2 p0 f dx / D (Shapiro).

    The friction of a smooth wall is part of a bend's coefficient: there only roughness is added.
    """
    static = case.air.temperature * gas.temperature_ratio(mach)
    wide = profile.hydraulic * 1e-3
    flux = case.flow / (profile.area * 1e-6)
    reynolds = flux * wide / gas.viscosity(float(static.mean()))
    low, high = (losses.friction_factor(reynolds, r * 1e-3 / wide) for r in case.roughness)
    smooth = losses.friction_factor(reynolds, 0.0)
    bent = np.zeros(len(mach), bool)
    for feature in features:
        if feature.kind == "bend":
            bent |= (profile.s >= feature.begin) & (profile.s <= feature.end)
    low, high = (np.where(bent, np.maximum(f - smooth, 0.0), f) for f in (low, high))
    f = {"low": low, "middle": 0.5 * (low + high), "high": high}[case.coefficients]
    rate = f / wide * 0.5 * gas.GAMMA * mach**2 * pressure
    return np.asarray(0.5 * (rate[1:] + rate[:-1]) * np.diff(profile.s) * 1e-3)

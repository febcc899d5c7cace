"""Total pressure and Mach number along a duct, reckoned again from the figures of its shares."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.verify.flow import gas
from geomcheck.verify.plain.simple import FloatArray, IntArray

#: Rounds until what is lost and the pressure agree.
ROUNDS = 80
LOW, MIDDLE, HIGH = 0, 1, 2


@dataclass(frozen=True)
class Air:
    """Before the inlet: total pressure (Pa), total temperature (K); roughness of the wall (mm)."""

    pressure: float
    temperature: float
    rough: tuple[float, float]


@dataclass(frozen=True)
class Bore:
    """Areas along the duct, cut anew.

    ``s`` mm, ``area`` mm2, ``wide`` hydraulic diameters mm; ``minus``, ``plus`` the shares by which
    the facets may change an area; ``least`` the place and the low end of the least area.
    """

    s: FloatArray
    area: FloatArray
    wide: FloatArray
    minus: float
    plus: float
    least: tuple[float, float]


@dataclass(frozen=True)
class Run:
    """What came out.

    ``mach`` along the duct, in a blade's gap where that is tighter; ``lost`` Pa of each share, wall
    friction last; ``choked`` the greatest share of the choked flow.
    """

    mach: FloatArray
    lost: FloatArray
    choked: float


class March:
    """One duct and what loses pressure in it.

    Parameters
    ----------
    bore : Bore
    shares : sequence of mapping
        As the finding tells them; the last is wall friction.
    air : Air
    """

    def __init__(self, bore: Bore, shares: Sequence[Any], air: Air) -> None:
        self.bore, self.air = bore, air
        self.features = [share for share in shares if share["kind"] != "friction"]
        self.row = [self._row(share["at"]) for share in self.features]
        self.after = [self._row(share["after"]) for share in self.features]
        ends = [np.searchsorted(bore.s, share["to"] - 1e-4) for share in self.features]
        self.end: IntArray = np.minimum(np.array(ends, dtype=np.int64), len(bore.s) - 1)

    def _row(self, s: float) -> int:
        return int(np.argmin(np.abs(self.bore.s - s)))

    def run(self, flow: float, coefficients: int, areas: int) -> Run:
        """One choice of flow (kg/s), and of the low, middle or high end of bands and of areas."""
        bore, air = self.bore, self.air
        shift = (1.0 - bore.minus, 1.0, 1.0 + bore.plus)[areas]
        area = bore.area * shift
        stream = area.copy()
        if areas == LOW:
            k = self._row(bore.least[0])
            stream[k] = min(stream[k], bore.least[1])
        tight = stream.copy()
        for share, k in zip(self.features, self.row, strict=True):
            gap = np.inf if share["opening"] is None else float(share["opening"])
            vena = float(share["vena"]) if areas == LOW else 1.0
            tight[k] = min(tight[k], vena * min(float(stream[k]), gap))
        pressure = np.full(len(area), air.pressure)
        lost, choked = np.zeros(len(self.features) + 1), 0.0
        mach = np.zeros(len(area))
        for _ in range(ROUNDS):
            choked = float(gas.share_of_choking(flow, tight, pressure, air.temperature).max())
            if choked > 1.0:
                return Run(mach, lost, choked)
            mach = gas.mach_of(flow, area, pressure, air.temperature)
            wall = self._wall(flow, coefficients, mach, pressure)
            lost = np.array(
                [
                    *(self._lost(n, coefficients, areas, area, mach, pressure)
                      for n in range(len(self.features))),
                    wall.sum(),
                ]
            )  # fmt: skip
            drop = np.concatenate([[0.0], np.cumsum(wall)])
            for k, amount in zip(self.end, lost, strict=False):
                drop[k:] += amount
            if drop.max() >= air.pressure:
                return Run(mach, lost, np.inf)
            change = np.abs(air.pressure - drop - pressure).max()
            pressure = air.pressure - drop
            if change <= 1e-9 * air.pressure:
                break
        fastest = gas.mach_of(flow, tight, pressure, air.temperature)
        return Run(fastest, lost, choked)

    def _lost(
        self, n: int, end: int, areas: int, area: FloatArray, mach: FloatArray, pressure: FloatArray
    ) -> float:
        if end == MIDDLE:
            ends = (self._bound(n, k, False, area, mach, pressure) for k in (0, 1))
            return 0.5 * sum(ends)
        apart = areas != MIDDLE
        return self._bound(n, int(end == HIGH), apart, area, mach, pressure)

    def _bound(
        self,
        n: int,
        high: int,
        apart: bool,
        area: FloatArray,
        mach: FloatArray,
        pressure: FloatArray,
    ) -> float:
        share, row, after = self.features[n], self.row[n], self.after[n]
        head = float(gas.dynamic(mach[row], pressure[row]))
        total = 0.0
        if share["plain"] is not None:
            total += float(share["plain"][high]) * head
        if share["widen"] is not None:
            ratio = float(area[row] / area[after])
            if apart:
                # The two areas may err in opposite ways.
                off = (1.0 - self.bore.minus) / (1.0 + self.bore.plus)
                ratio = ratio * off if high else min(1.0, ratio / off)
            step = gas.step_loss(float(mach[row]), ratio, float(pressure[row]))
            if high:
                step += gas.uneven(ratio) * head
            total += float(share["widen"][high]) * step
        if high and share["sharp"] > 0.0:
            behind = float(gas.dynamic(mach[after], pressure[after]))
            total = max(total, float(share["sharp"]) * behind)
        return total

    def _wall(self, flow: float, end: int, mach: FloatArray, pressure: FloatArray) -> FloatArray:
        """Pa lost to the wall from station to station; in bends only what roughness adds."""
        bore, air = self.bore, self.air
        wide = 1e-3 * bore.wide
        static = air.temperature / gas.total_over_static(mach)
        reynolds = flow / (1e-6 * bore.area) * wide / gas.viscosity(float(static.mean()))
        smooth = gas.darcy(reynolds, np.zeros_like(wide))
        bent = np.zeros(len(wide), bool)
        for share in self.features:
            if share["kind"] == "bend":
                bent |= (bore.s >= share["from"] - 1e-4) & (bore.s <= share["to"] + 1e-4)
        factors = [gas.darcy(reynolds, 1e-3 * r / wide) for r in air.rough]
        factors = [np.where(bent, np.maximum(f - smooth, 0.0), f) for f in factors]
        factor = (factors[0], 0.5 * (factors[0] + factors[1]), factors[1])[end]
        rate = factor / wide * 0.5 * gas.GAMMA * mach**2 * pressure
        found: FloatArray = 0.5 * (rate[1:] + rate[:-1]) * np.diff(bore.s) * 1e-3
        return found


def chain(march: March, flow: tuple[float, float]) -> list[Run]:
    """The middle; then coefficients, flow and areas to their low ends one by one; then up."""
    low, high = flow
    middle = 0.5 * (low + high)
    # Wide areas make a low loss.
    steps = [(middle, LOW, MIDDLE), (low, LOW, MIDDLE), (low, LOW, HIGH)]
    steps += [(middle, HIGH, MIDDLE), (high, HIGH, MIDDLE), (high, HIGH, LOW)]
    return [march.run(*one) for one in [(middle, MIDDLE, MIDDLE), *steps]]


def interval(values: Sequence[float], *, falls: bool = False) -> tuple[float, float, float]:
    """Low, value and high of a chain: each step counts by what it adds on its own side."""
    sign = -1.0 if falls else 1.0
    down = [values[0], *values[1:4]]
    up = [values[0], *values[4:7]]
    below = sum(max(0.0, sign * (a - b)) for a, b in itertools.pairwise(down))
    above = sum(max(0.0, sign * (b - a)) for a, b in itertools.pairwise(up))
    minus, plus = (below, above) if sign > 0 else (above, below)
    return values[0] - minus, values[0], values[0] + plus

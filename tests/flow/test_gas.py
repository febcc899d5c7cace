"""Gas relations against published tables, closed forms and the conservation laws themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from geomcheck.errors import CannotDecide, InputError
from geomcheck.flow import gas

# NACA Report 1135, table II (subsonic, gamma 1.4), as printed in text books' appendices:
# Mach, p/p0, rho/rho0, T/T0, A/A*.
TABLE = [
    (0.05, 0.9983, 0.9988, 0.9995, 11.5914),
    (0.10, 0.9930, 0.9950, 0.9980, 5.8218),
    (0.15, 0.9844, 0.9888, 0.9955, 3.9103),
    (0.50, 0.8430, 0.8852, 0.9524, 1.3398),
    (0.60, 0.7840, 0.8405, 0.9328, 1.1882),
    (0.82, 0.6430, 0.7295, 0.8815, 1.0305),
    (0.90, 0.5913, 0.6870, 0.8606, 1.0089),
    (0.99, 0.5345, 0.6392, 0.8361, 1.0001),
    (1.00, 0.5283, 0.6339, 0.8333, 1.0000),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"Mach {row[0]}")
def test_published_table(row: tuple[float, ...]) -> None:
    mach, p, rho, t, area = row
    assert float(gas.pressure_ratio(mach)) == pytest.approx(p, abs=5.1e-5)
    assert float(gas.density_ratio(mach)) == pytest.approx(rho, abs=5.1e-5)
    assert float(gas.temperature_ratio(mach)) == pytest.approx(t, abs=5.1e-5)
    assert float(gas.area_ratio(mach)) == pytest.approx(area, abs=5.1e-5)


def test_choked_flow_of_standard_air() -> None:
    # A p0 / sqrt(R T0) sqrt(gamma) (2 / (gamma + 1))^3: closed form.
    expected = 3e-3 * 101325 / np.sqrt(287.05287 * 288.15) * np.sqrt(1.4) * (2 / 2.4) ** 3
    assert gas.choked_flow(3000.0) == pytest.approx(expected, rel=1e-12)
    assert gas.choked_flow(3000.0) == pytest.approx(0.72372, abs=5e-6)


def test_isentropic_peer() -> None:
    # The fluids package: choked flow through its isentropic nozzle relations.
    fluids = pytest.importorskip("fluids")
    critical = fluids.compressible.P_critical_flow(101325.0, 1.4)
    assert float(gas.pressure_ratio(1.0)) == pytest.approx(critical / 101325.0, rel=1e-12)
    stagnation = fluids.compressible.T_stagnation_ideal(T=280.0, V=200.0, Cp=3.5 * gas.R)
    mach = 200.0 / np.sqrt(1.4 * gas.R * 280.0)
    assert float(gas.temperature_ratio(mach)) == pytest.approx(280.0 / stagnation, rel=1e-12)


@given(st.floats(1e-4, 0.9999))
@settings(derandomize=True, deadline=None)
def test_the_inverse_gives_the_mach_number_back(mach: float) -> None:
    share = float(gas.flow_parameter(mach)) / gas.CHOKED
    # Close to Mach 1 the flow parameter is flat: the share pins the Mach number less well.
    assert float(gas.subsonic_mach(share)) == pytest.approx(mach, abs=1e-10 + 1e-14 / (1 - mach))


def test_the_inverse_at_its_ends() -> None:
    np.testing.assert_allclose(gas.subsonic_mach([0.0, 1.0]), [0.0, 1.0], atol=1e-7)
    with pytest.raises(CannotDecide, match="passes at Mach 1"):
        gas.subsonic_mach([0.5, 1.0001])
    with pytest.raises(InputError):
        gas.subsonic_mach(np.nan)


def test_mass_is_kept() -> None:
    # rho v A from velocity and static state is the mass flow that was put in.
    area, flow = np.array([2500.0, 4000.0, 9000.0]), 0.4
    share = gas.choking_share(area, flow, 98000.0, 300.0)
    mach = gas.subsonic_mach(share)
    rho = 98000.0 / (gas.R * 300.0) * gas.density_ratio(mach)
    np.testing.assert_allclose(rho * gas.velocity(mach, 300.0) * area * 1e-6, flow, rtol=1e-10)
    # The dynamic pressure is rho v2 / 2.
    np.testing.assert_allclose(
        gas.head(mach, 98000.0), 0.5 * rho * gas.velocity(mach, 300.0) ** 2, rtol=1e-12
    )


def momentum(mach: float, ratio: float) -> tuple[float, float]:
    """The mixed state by solving the momentum balance for the pressure after the step."""
    t0 = 1.0
    p1 = float(gas.pressure_ratio(mach))
    flow = float(gas.flow_parameter(mach)) * ratio  # A2 = 1, p0 = 1, R T0 = 1
    push = p1 * ratio * (1 + 1.4 * mach**2) + p1 * (1 - ratio)

    def excess(second: float) -> float:
        t2 = t0 / (1 + 0.2 * second**2)
        p2 = flow * np.sqrt(t2) / (second * np.sqrt(1.4))
        return float(p2 * (1 + 1.4 * second**2) - push)

    second = brentq(excess, 1e-9, 1.0 - 1e-9, xtol=1e-15, rtol=1e-14)
    t2 = t0 / (1 + 0.2 * second**2)
    p2 = flow * np.sqrt(t2) / (second * np.sqrt(1.4))
    return second, float(p2 / gas.pressure_ratio(second))


@given(st.floats(0.02, 0.95), st.floats(0.1, 0.97))
@settings(derandomize=True, deadline=None)
def test_sudden_expansion_keeps_mass_momentum_and_energy(mach: float, ratio: float) -> None:
    second, left = gas.sudden_expansion(mach, ratio)
    expected = momentum(mach, ratio)
    assert (second, left) == pytest.approx(expected, rel=1e-7)
    assert left < 1.0


@pytest.mark.parametrize(("mach", "short"), [(0.1, 0.9), (0.3, 7.6), (0.5, 19.0), (0.7, 34.0)])
def test_borda_carnot_falls_short_at_speed(mach: float, short: float) -> None:
    # Shares by which (1 - ratio)^2 of the dynamic pressure underestimates, area ratio 0.6.
    _, left = gas.sudden_expansion(mach, 0.6)
    borda = 0.4**2 * float(gas.head(mach, 1.0))
    assert 100 * (1 - borda / (1 - left)) == pytest.approx(short, abs=0.6)


def test_sudden_expansion_at_low_speed_is_borda_carnot() -> None:
    _, left = gas.sudden_expansion(0.01, 0.5)
    assert (1 - left) / float(gas.head(0.01, 1.0)) == pytest.approx(0.25, rel=2e-4)
    assert gas.sudden_expansion(0.4, 1.0) == pytest.approx((0.4, 1.0), rel=1e-12)
    with pytest.raises(InputError):
        gas.sudden_expansion(1.2, 0.5)


def test_friction_law_is_fannos() -> None:
    # dp0 / p0 = -gamma M2 / 2 f dx / D in a pipe of one area, against Fanno's closed forms
    # (NACA 1135 does not print them; Shapiro 1953, chapter 6).
    def length(m: float) -> float:
        return (1 - m**2) / (1.4 * m**2) + 2.4 / 2.8 * np.log(2.4 * m**2 / (2 + 0.4 * m**2))

    def total(m: float) -> float:
        return float(((1 + 0.2 * m**2) / 1.2) ** 3 / m)

    first, second = 0.3, 0.45
    run = length(first) - length(second)  # f dx / D

    def slope(_: float, p: np.ndarray) -> np.ndarray:
        share = float(gas.flow_parameter(first)) / gas.CHOKED / p[0]
        mach = gas.subsonic_mach(share)
        return np.array([-float(gas.head(mach, p[0]) / gas.pressure_ratio(mach))])

    done = solve_ivp(slope, (0.0, run), [1.0], rtol=1e-10, atol=1e-12)
    assert done.y[0, -1] == pytest.approx(total(second) / total(first), rel=1e-7)


def test_blower_flow() -> None:
    # 1.6 l/rev x 200 rev/s x 0.9 x 1.225 kg/m3 (ISO 2533 density at sea level).
    assert gas.blower_flow(1.6, 12000, 0.9) == pytest.approx(1.6e-3 * 200 * 0.9 * 1.225, rel=1e-4)
    with pytest.raises(InputError):
        gas.blower_flow(1.6, 12000, 0.0)
    with pytest.raises(InputError):
        gas.Air(pressure=-1.0)


def test_viscosity_of_standard_air() -> None:
    assert gas.viscosity(288.15) == pytest.approx(1.7894e-5, rel=1e-4)  # ISO 2533, sea level

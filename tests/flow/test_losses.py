"""Loss coefficients: bands hold published values, and the reference package between the rows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geomcheck.errors import InputError
from geomcheck.flow import losses

fluids = pytest.importorskip("fluids")


def holds(band: losses.Band, value: float) -> bool:
    return band.low <= value <= band.high


@pytest.mark.parametrize(
    ("ratio", "value"),
    # Crane TP-410, 90 degree bends, 3 inch pipe (turbulent friction factor 0.018), as published:
    # 20, 14, 12, 12, 14, 17, 24 and 30 times it.
    [(1, 20), (1.5, 14), (2, 12), (3, 12), (4, 14), (6, 17), (8, 24), (10, 30)],
)
def test_bends_hold_cranes_published_values(ratio: float, value: float) -> None:
    band = losses.bend(90.0, ratio)
    # That pipe is of commercial steel; the rows are for smooth walls: 8 per cent is its share.
    assert band.low <= 0.018 * value <= 1.08 * band.high


def test_a_mitred_corner_is_held_where_the_bend_has_no_inner_radius() -> None:
    assert holds(losses.bend(90.0, 0.5), 1.10)  # Miller, as published
    assert losses.bend(90.0, 0.2) == losses.bend(90.0, 0.5)


@given(st.floats(35, 170), st.floats(0.8, 9.0))
@settings(derandomize=True, deadline=None, max_examples=40)
def test_bends_between_the_rows(angle: float, ratio: float) -> None:
    band = losses.bend(angle, ratio)
    fd = fluids.friction_factor(Re=2e5, eD=0.0)
    for method in ("Rennels", "Ito"):
        k = fluids.fittings.bend_rounded(
            Di=0.08, angle=angle, fd=fd, bend_diameters=ratio, Re=2e5, method=method
        )
        assert band.low * 0.97 <= k <= band.high * 1.03, method


def test_bends_grow_from_nothing_and_go_on_past_a_half_turn() -> None:
    assert (losses.bend(0.0, 1.0).low, losses.bend(0.0, 1.0).high) == (0.0, 0.0)
    assert losses.bend(15.0, 2.0).high == pytest.approx(0.5 * losses.bend(30.0, 2.0).high)
    assert losses.bend(270.0, 2.0).low == pytest.approx(
        losses.bend(180.0, 2.0).low + losses.bend(90.0, 2.0).low
    )
    with pytest.raises(InputError):
        losses.bend(90.0, 0.0)


@pytest.mark.parametrize(
    # Weisbach's contraction coefficients (Streeter and Wylie): (1 / Cc - 1)^2.
    ("ratio", "cc"),
    [(0.1, 0.624), (0.2, 0.632), (0.3, 0.643), (0.4, 0.659), (0.5, 0.681), (0.6, 0.712)],
)
def test_sharp_contractions_hold_weisbachs_values(ratio: float, cc: float) -> None:
    assert losses.contraction(180.0, ratio).low <= 1.03 * (1 / cc - 1) ** 2
    assert losses.contraction(180.0, ratio).high >= (1 / cc - 1) ** 2
    assert losses.contraction(180.0, ratio).velocity == "downstream"
    # Crane: half of (1 - ratio).
    assert losses.contraction(180.0, ratio).high >= 0.5 * (1 - ratio)


@given(st.floats(15, 175), st.floats(0.26, 0.89))
@settings(derandomize=True, deadline=None, max_examples=40)
def test_contractions_between_the_rows(angle: float, ratio: float) -> None:
    band = losses.contraction(angle, ratio)
    k = fluids.fittings.contraction_conical(
        Di1=0.08, Di2=0.08 * ratio**0.5, angle=angle, fd=0.0, Re=2e5, method="Rennels"
    )
    assert band.low * 0.9 <= k <= band.high * 1.05


def test_no_narrowing_loses_nothing() -> None:
    assert losses.contraction(180.0, 1.0).high == 0.0
    assert losses.contraction(0.0, 0.5).low == 0.0
    with pytest.raises(InputError):
        losses.contraction(30.0, 1.2)


@pytest.mark.parametrize(
    # Rennels / Crane / Idelchik at an area ratio of 0.5, coefficients over 0.25, as published by
    # the reference package with a friction factor of 0.015.
    ("angle", "published"),
    [(7, (0.040, 0.060)), (14, (0.079, 0.080)), (20, (0.113, 0.100)), (90, (0.276, 0.290))],
)
def test_diffusers_hold_the_published_band(angle: float, published: tuple[float, ...]) -> None:
    for k in published:
        assert losses.diffuser(angle).low * 0.99 <= k / 0.25 <= losses.diffuser(angle).high * 1.01


def test_a_step_is_borda_carnot() -> None:
    assert losses.diffuser(180.0).low == 1.0
    assert losses.diffuser(180.0).velocity == "upstream"
    assert losses.diffuser(0.0).low == 0.0


def test_entries() -> None:
    assert holds(losses.entry(0.0), 0.5)
    assert holds(losses.entry(0.075), 0.5 * (0.09 + 0.195))
    assert losses.entry(0.5) == losses.entry(0.2)
    assert holds(losses.pipe_end_entry(), 1.0)
    # A bellmouth's velocity coefficient 0.959 to 0.994 (Weisbach): 1 / C^2 - 1.
    assert losses.entry(0.2).low <= 1 / 0.975**2 - 1 <= losses.entry(0.2).high


@pytest.mark.parametrize(
    ("angle", "k"),  # Weisbach's thin disc, as published
    [(5, 0.24), (10, 0.52), (20, 1.54), (40, 10.8), (60, 118.0)],
)
def test_blades_hold_weisbachs_values(angle: float, k: float) -> None:
    assert holds(losses.blade(angle), k)
    assert losses.blade(angle).high / losses.blade(angle).low < 6.0


def test_a_blade_beyond_the_table_is_refused() -> None:
    with pytest.raises(InputError, match="0 to 70"):
        losses.blade(85.0)


@pytest.mark.parametrize("beta", [0.3, 0.5, 0.6, 0.7])
def test_a_sharp_opening_against_the_orifice_standard(beta: float) -> None:
    # Permanent loss of a plate by ISO 5167-2 (Reader-Harris and Gallagher coefficient of
    # discharge, Urner's pressure loss), from the reference package; Weisbach is older and coarser.
    c = fluids.flow_meter.C_Reader_Harris_Gallagher(
        D=0.08, Do=0.08 * beta, rho=1.2, mu=1.8e-5, m=0.08, taps="D and D/2"
    )
    k = fluids.flow_meter.discharge_coefficient_to_K(D=0.08, Do=0.08 * beta, C=c)
    assert losses.orifice(beta**2) == pytest.approx(k, rel=0.12)


def test_the_profile_by_quadrature() -> None:
    y = (np.arange(400000) + 0.5) / 400000  # from the wall, in radii
    v, ring = y ** (1 / 7), 2 * (1 - y) / 400000
    mean = (v * ring).sum()
    momentum, energy = (v**2 * ring).sum() / mean**2, (v**3 * ring).sum() / mean**3
    for ratio in (0.0, 0.6, 1.0):
        # Loss = energy in, less what the momentum balance leaves of it, less an even stream out.
        loss = energy - 2 * momentum * ratio + ratio**2
        assert losses.profile_excess(ratio) == pytest.approx(loss - (1 - ratio) ** 2, abs=1e-4)


@pytest.mark.parametrize("reynolds", [3e3, 1e4, 2e5, 3e6])
@pytest.mark.parametrize("rough", [0.0, 1e-4, 3e-3, 2e-2])
def test_friction_against_the_reference_package(reynolds: float, rough: float) -> None:
    expected = fluids.friction.Colebrook(reynolds, rough)
    assert float(losses.friction_factor(reynolds, rough)) == pytest.approx(expected, rel=1e-9)


def test_laminar_friction() -> None:
    assert float(losses.friction_factor(1000.0, 0.01)) == pytest.approx(0.064)

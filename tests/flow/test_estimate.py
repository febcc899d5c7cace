"""Flow estimates against closed forms, the conservation laws and the reference package."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trimesh

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Quantity
from geomcheck.flow import gas, losses
from geomcheck.flow.asked import Blade, MassFlow
from geomcheck.flow.difference import difference
from geomcheck.flow.estimate import Estimate, estimate
from geomcheck.flow.section import Surface
from geomcheck.flow.survey import duct_area

FLOW = MassFlow(0.25, 0.25)
LINE = [[0.0, 0.0, 0.0], [0.0, 0.0, 300.0]]


@pytest.fixture
def made(tube: Callable[..., trimesh.Trimesh]) -> Callable[..., Estimate]:
    """``made(radii, levels, obstacles=(), **estimate)`` of a straight duct of 300 mm."""

    def make(
        radii: Any, levels: Any = (0.0, 300.0), obstacles: Any = (), flow: MassFlow = FLOW,
        sides: int = 256, spacing: float = 2.0, **more: Any,
    ) -> Estimate:  # fmt: skip
        levels = np.asarray(levels, dtype=float)
        radii = np.broadcast_to(np.asarray(radii, dtype=float), levels.shape)
        wall = sagged(tube(radii, 60.0, levels, sides=sides), float(radii.max()), sides)
        survey = duct_area(wall, LINE, obstacles=obstacles, spacing=spacing)
        return estimate(survey, flow, **more)

    return make


def sagged(mesh: trimesh.Trimesh, radius: float, sides: int) -> Surface:
    """The mesh with the chord error it was made with: the true bore lies outside its facets."""
    off = np.full(len(mesh.faces), radius * (1 - np.cos(np.pi / sides)))
    return Surface(mesh.vertices, mesh.faces, "wall", outward=off, inward=off)


def pipe(radius: float, flow: float = 0.25) -> tuple[float, float]:
    """Mach number and dynamic pressure (kPa) in a round pipe at standard air."""
    share = flow / gas.choked_flow(np.pi * radius**2)
    mach = float(gas.subsonic_mach(share))
    return mach, 1e-3 * float(gas.head(mach, 101325.0))


def holds(quantity: Any, value: float, slack: float = 0.012) -> bool:
    """Whether the interval holds a value reckoned without the losses before it (1 % and less)."""
    return bool(quantity.low * (1 - slack) <= value <= quantity.high * (1 + slack))


def test_wall_friction_of_a_smooth_pipe(made: Callable[..., Estimate]) -> None:
    found = made(20.0, flow=MassFlow(0.1, 0.1), roughness=(0.0, 0.0))
    assert [share.name for share in found.shares] == ["wall friction"]
    # Darcy-Weisbach by the reference package, with the mean dynamic pressure.
    fluids = pytest.importorskip("fluids")
    mach, head = pipe(20.0, 0.1)
    static = 288.15 * float(gas.temperature_ratio(mach))
    reynolds = 0.1 / (np.pi * 0.02**2) * 0.04 / gas.viscosity(static)
    expected = fluids.friction.Colebrook(reynolds, 0.0) * 0.3 / 0.04 * head
    assert found.loss is not None
    # Fanno: dp0 / dx goes with M2 p0, not rho v2: higher by p0 / p, 6 per cent at Mach 0.24.
    assert found.loss.value == pytest.approx(expected / float(gas.pressure_ratio(mach)), rel=0.02)


def test_fannos_line_at_high_speed(made: Callable[..., Estimate]) -> None:
    # A rough pipe near choking, against Fanno's closed forms (Shapiro 1953, chapter 6).
    found = made(20.0, flow=MassFlow(0.2, 0.2), roughness=(0.4, 0.4), sides=512)
    assert found.mach is not None
    assert found.pressure is not None

    def length(m: float) -> float:
        return float((1 - m**2) / (1.4 * m**2) + 2.4 / 2.8 * np.log(2.4 * m**2 / (2 + 0.4 * m**2)))

    first, last = float(found.mach[0, 1]), float(found.mach[-1, 1])
    reynolds = 0.2 / (np.pi * 0.02**2) * 0.04 / gas.viscosity(270.0)
    f = float(losses.friction_factor(reynolds, 0.01))
    assert length(first) - length(last) == pytest.approx(f * 0.3 / 0.04, rel=0.01)
    # And the flow parameter is kept: p0 f(M) is the same at both ends.
    both = found.pressure[[0, -1]] * gas.flow_parameter(np.array([first, last]))
    assert both[0] == pytest.approx(both[1], rel=1e-6)


def test_mach_and_margin_at_the_throat(made: Callable[..., Estimate]) -> None:
    found = made([40, 40, 25, 25, 40, 40], [0, 60, 120, 140, 240, 300], roughness=(0.0, 0.0))
    share = 0.25 / gas.choked_flow(np.pi * 625.0)
    assert holds(found.greatest, float(gas.subsonic_mach(share)))
    assert found.margin is not None
    assert holds(found.margin, 100 * (1 - share))
    assert 119 <= found.greatest_at <= 141
    assert found.state == "passes"
    # Facets make the area less than pi r2 by 2e-4; the narrowing is gentle but its stream may
    # still draw together a little.
    assert found.greatest.high - found.greatest.low < 0.08


def test_a_step_up_is_the_control_volume(made: Callable[..., Estimate]) -> None:
    found = made([25, 25, 40, 40], [0, 150, 150.0001, 300], roughness=(0.0, 0.0))
    step, wall = found.shares
    assert (step.kind, wall.kind) == ("widening", "friction")
    mach, _ = pipe(25.0)
    _, left = gas.sudden_expansion(mach, 625 / 1600)
    assert step.loss is not None
    assert wall.loss is not None
    assert holds(step.loss, 101.325 * (1 - left))
    assert step.loss.high < 1.6 * step.loss.low


def test_a_step_down_holds_the_handbooks(made: Callable[..., Estimate]) -> None:
    found = made([40, 40, 28.3, 28.3], [0, 150, 150.0001, 300], roughness=(0.0, 0.0))
    _, head = pipe(28.3)
    step = found.shares[0]
    assert step.kind == "narrowing"
    assert step.loss is not None
    for k in (0.343, 0.25, 0.219):  # Rennels, Crane, Weisbach at an area ratio of 0.5
        assert holds(step.loss, k * head), k


def test_a_step_between_stations_may_be_sharp(made: Callable[..., Estimate]) -> None:
    # 2 mm of radius between stations 10 mm apart would read as a cone of 23 degrees.
    found = made([40, 40, 38, 38], [0, 151, 151.0001, 300], spacing=10.0, roughness=(0.0, 0.0))
    _, head = pipe(38.0)
    sharp = losses.contraction(180.0, 0.9025)
    loss = found.shares[0].loss
    assert loss is not None
    assert holds(loss, sharp.middle * head)


def test_a_cone_holds_the_handbooks(made: Callable[..., Estimate]) -> None:
    # Area ratio 0.5, total angle 14 degrees: 0.064 / 0.079 / 0.080 (Rennels, Crane, Idelchik).
    wide = 28.284 * np.sqrt(2)
    run = (wide - 28.284) / np.tan(np.radians(7.0))
    found = made([28.284, 28.284, wide, wide], [0, 100, 100 + run, 300], roughness=(0.0, 0.0))
    _, head = pipe(28.284)
    cone = found.shares[0]
    assert "14 degrees" in cone.name
    assert cone.loss is not None
    assert holds(cone.loss, 0.079 * head)


def test_a_shaft_costs_its_drag(made: Callable[..., Estimate], bar: Any) -> None:
    # Drag of a cylinder 10 mm across, drag coefficient 1.2 below the critical Reynolds number
    # (H. Schlichting), of the flow in a bore of 80: 1.2 x blocked share of the dynamic pressure.
    shaft = bar(5.0, (-55, 0, 150), (55, 0, 150))
    found = made(40.0, obstacles=[shaft], roughness=(0.0, 0.0))
    _, head = pipe(40.0)
    dip = found.shares[0]
    assert dip.kind == "restriction"
    assert dip.loss is not None
    assert holds(dip.loss, 1.2 * 797.912 / (np.pi * 1600) * head)


def test_a_bend_holds_the_handbooks(bent: Any) -> None:
    mesh, centres = bent(80.0, 40.0, 46.0, 90.0, leg=100.0)
    found = estimate(
        duct_area(sagged(mesh, 40.0, 96), centres, spacing=4.0), FLOW, roughness=(0.0, 0.0)
    )
    bend, wall = found.shares
    assert "90 degrees, R/D 1.0" in bend.name
    _, head = pipe(40.0)
    assert bend.loss is not None
    for k in (0.273, 0.262, 0.342):  # Rennels, Ito, Crane at R/D 1
        assert holds(bend.loss, k * head), k
    # The bend's wall is in its coefficient: friction is that of the two legs only.
    assert wall.loss is not None
    fd = float(losses.friction_factor(2.5e5, 0.0))
    assert wall.loss.value == pytest.approx(fd * 200 / 80 * head, rel=0.1)


def test_entry_and_blade(made: Callable[..., Estimate]) -> None:
    _, head = pipe(40.0)
    plain = made(40.0)
    with_edge = made(40.0, edge=0.0)
    assert with_edge.shares[0].kind == "entry"
    assert with_edge.shares[0].loss is not None
    assert holds(with_edge.shares[0].loss, 0.5 * head)
    blade = made(40.0, blades=[Blade(130.0, 170.0, 40.0, "throttle")])
    share = blade.shares[0]
    assert share.name == "throttle, 40 degrees off wide open"
    assert share.loss is not None
    assert holds(share.loss, 10.8 * head)  # Weisbach's thin disc, as published
    assert plain.loss is not None
    assert blade.loss is not None
    assert blade.loss.low > plain.loss.high
    # The air is fastest in the gap of 1 - sin 40 = 0.357 of the bore.
    mach = float(gas.subsonic_mach(0.25 / gas.choked_flow(0.357 * np.pi * 1600)))
    assert blade.greatest.value == pytest.approx(mach, rel=0.05)
    assert blade.greatest.high > mach
    with pytest.raises(InputError, match="80 degrees"):
        made(40.0, blades=[Blade(130.0, 170.0, 80.0)])


def test_a_blade_stands_for_the_change_of_area_it_makes(
    made: Callable[..., Estimate], bar: Any
) -> None:
    shaft = bar(5.0, (-55, 0, 150), (55, 0, 150))
    found = made(40.0, obstacles=[shaft], blades=[Blade(140.0, 160.0, 20.0)])
    assert [share.kind for share in found.shares] == ["blade", "friction"]


def test_shares_and_terms_add_up(made: Callable[..., Estimate]) -> None:
    flow = MassFlow.of_blower(1.6, 9000.0, (0.8, 0.95))
    found = made([40, 40, 30, 30, 40], [0, 90, 110, 150, 300], flow=flow, edge=3.0)
    assert found.loss is not None
    assert sum(s.loss.value for s in found.shares if s.loss) == pytest.approx(found.loss.value)
    assert sum(s.loss.high for s in found.shares if s.loss) == pytest.approx(found.loss.high)
    assert {t.name for t in found.loss.terms} == {"coefficients", "mass flow", "areas"}
    assert found.loss.low < found.loss.value < found.loss.high
    assert found.mach is not None
    assert (np.diff(found.mach, axis=1) >= 0).all()
    assert found.velocity is not None
    assert (np.diff(found.velocity, axis=1) >= 0).all()
    # A flow given without spread loses no less than the low end of it.
    exact = made(
        [40, 40, 30, 30, 40],
        [0, 90, 110, 150, 300],
        flow=MassFlow(flow.middle, flow.middle),
        edge=3.0,
    )
    assert exact.loss is not None
    assert found.loss.low <= exact.loss.low
    assert exact.loss.high <= found.loss.high


def test_choking_is_said_and_no_loss_is_given(made: Callable[..., Estimate]) -> None:
    shape = ([40, 40, 15, 15, 40, 40], [0, 60, 140, 150, 240, 300])
    limit = gas.choked_flow(np.pi * 225)
    chokes = made(*shape, flow=MassFlow(1.1 * limit, 1.1 * limit))
    assert (chokes.state, chokes.loss, chokes.mach) == ("chokes", None, None)
    assert chokes.greatest.low == chokes.greatest.high == 1.0
    assert chokes.margin is not None
    assert chokes.margin.high < 0.0
    near = made(*shape, flow=MassFlow(0.985 * limit, 0.985 * limit))
    assert (near.state, near.loss) == ("may choke", None)
    assert near.greatest.low < 1.0
    assert near.greatest.high == 1.0
    passes = made(*shape, flow=MassFlow(0.6 * limit, 0.6 * limit))
    assert passes.state == "passes"
    far = made(*shape, flow=MassFlow(0.5, 0.5), blades=[Blade(20.0, 50.0, 60.0)])
    assert far.state == "chokes"


def test_an_unmeasured_station_gives_no_estimate(tube: Any) -> None:
    wall = tube([40.0, 40.0], 46.0, [0.0, 300.0])
    wall = trimesh.Trimesh(wall.vertices, np.delete(wall.faces, 3, axis=0), process=False)
    halves = trimesh.util.concatenate(
        [tube([40.0, 40.0], 46.0, [0.0, 150.0]), tube([40.0, 40.0], 46.0, [150.5, 300.0])]
    )
    with pytest.raises(CannotDecide, match="leaking"):
        estimate(duct_area(halves, LINE), FLOW)


def test_half_the_spread_between_two_runs_of_the_same_duct(made: Callable[..., Estimate]) -> None:
    one = made([40, 40, 30, 30, 40], [0, 90, 110, 150, 300])
    same = difference(one, one)
    assert same.outcome == "undecided"
    assert same.loss.value == 0.0
    assert one.loss is not None
    # All figures are shared: only the facets of the two meshes are left.
    assert same.loss.high - same.loss.low < 0.2 * (one.loss.high - one.loss.low)
    assert all(change.shared for change in same.changes)


def test_a_wider_throat_loses_less(made: Callable[..., Estimate]) -> None:
    levels = [0, 90, 110, 150, 300]
    before, after = made([40, 40, 27, 27, 40], levels), made([40, 40, 36, 36, 40], levels)
    found = difference(before, after)
    assert found.outcome == "less"
    assert before.loss is not None
    assert after.loss is not None
    assert found.loss.value == pytest.approx(after.loss.value - before.loss.value)
    assert sum(c.loss.value for c in found.changes) == pytest.approx(found.loss.value)
    assert difference(after, before).outcome == "more"
    assert difference(after, before).loss.low == pytest.approx(-found.loss.high)
    # Never wider than two estimates that know nothing of each other.
    assert found.loss.low >= after.loss.low - before.loss.high - 1e-9
    assert found.loss.high <= after.loss.high - before.loss.low + 1e-9


def test_an_equal_feature_moved_along_cancels(made: Callable[..., Estimate]) -> None:
    before = made([40, 40, 30, 30], [0, 100, 100.0001, 300])
    after = made([40, 40, 30, 30], [0, 200, 200.0001, 300])
    found = difference(before, after)
    # The same step; 100 mm more of the wide pipe instead of the narrow one.
    assert found.outcome == "less"
    assert [c.shared for c in found.changes] == [True, True]


def test_a_small_change_of_a_bend_is_undecided(bent: Any) -> None:
    made = []
    for radius in (80.0, 84.0):
        mesh, centres = bent(radius, 40.0, 46.0, 90.0, leg=60.0)
        made.append(estimate(duct_area(sagged(mesh, 40.0, 96), centres, spacing=4.0), FLOW))
    assert difference(*made).outcome == "undecided"


def test_other_flows_share_nothing(made: Callable[..., Estimate]) -> None:
    one, two = made(40.0), made(40.0, flow=MassFlow(0.2, 0.3))
    found = difference(one, two)
    assert not any(change.shared for change in found.changes)
    assert found.outcome == "undecided"
    with pytest.raises(InputError, match="different air"):
        difference(one, made(40.0, air=gas.Air(90000.0, 288.15)))
    with pytest.raises(CannotDecide, match="may choke"):
        difference(one, made([40, 12, 40], [0, 150, 300], flow=FLOW))


def test_the_pressure_at_the_end_is_what_is_left(made: Callable[..., Estimate]) -> None:
    found = made([25, 25, 40, 40], [0, 150, 150.0001, 300], edge=0.0)
    assert found.pressure is not None
    assert found.loss is not None
    assert found.pressure[-1] == pytest.approx(101325.0 - 1e3 * found.loss.value, rel=1e-9)
    # Behind the step all of it is lost but the wall's share further on.
    behind = found.pressure[np.searchsorted(found.s, 160.0)]
    lost = sum(s.loss.value for s in found.shares[:-1] if s.loss is not None)
    assert behind < 101325.0 - 1e3 * lost


def test_coarse_facets_widen_a_step(made: Callable[..., Estimate]) -> None:
    found = made([25, 25, 40, 40], [0, 150, 150.0001, 300], sides=24, roughness=(0.0, 0.0))
    loss = found.shares[0].loss
    assert loss is not None
    # The least: Borda and Carnot's control volume, the narrow pipe as wide and the wide one as
    # narrow as the chord errors allow.
    off = 40.0 * (1 - np.cos(np.pi / 24))
    area = 12 * np.sin(np.pi / 12) * 625  # of the 24-gon
    wide = area * 1600 / 625
    outline = 48 * 25 * np.sin(np.pi / 24)
    plus = outline * off / area
    share = 0.25 / gas.choked_flow(area * (1 + plus))
    ratio = (area / wide) * (1 + plus) / (1 - plus)
    _, left = gas.sudden_expansion(float(gas.subsonic_mach(share)), ratio)
    assert loss.low == pytest.approx(101.325 * (1 - left), rel=0.02)
    assert loss.low < 0.97 * loss.value * 0.95


def test_a_plate_with_a_hole_holds_weisbachs_loss(made: Callable[..., Estimate]) -> None:
    plate = trimesh.creation.annulus(28.284, 44.0, 2.0, sections=256)
    plate.apply_translation([0, 0, 150])
    found = made(40.0, obstacles=[plate], flow=MassFlow(0.1, 0.1), roughness=(0.0, 0.0))
    _, head = pipe(40.0, 0.1)
    loss = found.shares[0].loss
    assert loss is not None
    assert holds(loss, (1 / (0.681 * 0.5) - 1) ** 2 * head)


def test_two_angles_in_one_run_are_read_both_ways(made: Callable[..., Estimate]) -> None:
    found = made([40, 40, 30, 28, 28], [0, 100, 108, 200, 300], spacing=1.0)
    low, high, _ = found.shares[0].coefficients
    whole = float(np.degrees(2 * np.arctan(12 / 100)))
    one = losses.contraction(whole, 0.49)
    steep = losses.contraction(float(np.degrees(2 * np.arctan(10 / 8))), 0.5625)
    gentle = losses.contraction(float(np.degrees(2 * np.arctan(2 / 92))), 784 / 900)
    scale = (784 / 900) ** 2
    assert low == pytest.approx(min(one.low, steep.low * scale + gentle.low), rel=0.05)
    assert high == pytest.approx(max(one.high, steep.high * scale + gentle.high), rel=0.05)


def test_the_throats_whole_interval_counts(tube: Any) -> None:
    survey = duct_area(tube([40, 30, 40], 60.0, [0, 150, 300], sides=64), LINE, spacing=5.0)
    area = survey.throat.area
    wider = Quantity(area.name, area.value, area.unit, 0.8 * area.value, area.high)
    doubtful = replace(survey, throat=replace(survey.throat, area=wider))
    plain, found = (estimate(s, FLOW).margin for s in (survey, doubtful))
    assert plain is not None
    assert found is not None
    assert 100 - found.low > 1.15 * (100 - plain.low)


def test_a_blade_in_a_bend_leaves_the_bend(bent: Any) -> None:
    mesh, centres = bent(80.0, 40.0, 46.0, 90.0, leg=60.0)
    survey = duct_area(mesh, centres, spacing=4.0)
    found = estimate(survey, FLOW, blades=[Blade(110.0, 140.0, 10.0)])
    assert sorted(share.kind for share in found.shares) == ["bend", "blade", "friction"]


def test_a_rigid_motion_changes_nothing(bent: Any, motion: Callable[[int], np.ndarray]) -> None:
    mesh, centres = bent(80.0, 40.0, 46.0, 90.0, leg=60.0)
    plain = estimate(duct_area(mesh, centres, spacing=4.0), FLOW, edge=2.0)
    for seed in (1, 2):
        turn = motion(seed)
        moved = centres @ turn[:3, :3].T + turn[:3, 3]
        survey = duct_area(mesh.copy().apply_transform(turn), moved, spacing=4.0)
        found = estimate(survey, FLOW, edge=2.0)
        assert found.loss is not None
        assert plain.loss is not None
        assert found.loss.value == pytest.approx(plain.loss.value, rel=1e-5)
        assert found.greatest.value == pytest.approx(plain.greatest.value, rel=1e-5)


def test_more_flow_costs_more(made: Callable[..., Estimate]) -> None:
    shape = ([40, 40, 30, 30, 40], [0, 90, 110, 150, 300])
    found = [made(*shape, flow=MassFlow(m, m)) for m in (0.1, 0.2, 0.4)]
    values = [f.loss.value for f in found if f.loss is not None]
    assert len(values) == 3
    # Nearly with the square of the flow, and faster than it as the air thins.
    assert 3.5 < values[1] / values[0] < 4.6
    assert 3.9 < values[2] / values[1] < 6.0

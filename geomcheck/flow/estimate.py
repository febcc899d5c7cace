"""Flow estimate of a duct: Mach number, margin to choking, total-pressure loss. Not a flow bench.

Quasi-one-dimensional: one velocity over each section, the stream filling it. Given the areas, the
Mach number and the choked flow are exact relations (``geomcheck.flow.gas``); the losses rest on
handbook coefficients of single features in long straight pipes, taken with the spread between
handbooks as an interval (``geomcheck.flow.losses``). Features that follow each other closely act on
each other, by more than that spread at times, and pulsation is left out. So the figures tell which
feature costs most and whether choking is near; they do not replace a flow bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from geomcheck.finding import Quantity, Term
from geomcheck.flow import gas, losses
from geomcheck.flow.asked import Blade, MassFlow
from geomcheck.flow.features import Feature, find
from geomcheck.flow.march import Case, March, Side, march
from geomcheck.flow.profile import FloatArray, Profile
from geomcheck.flow.result import Survey
from geomcheck.flow.throttle import open_fraction

State: TypeAlias = Literal["passes", "may choke", "chokes"]
#: Share of the gap at a blade's edge that a stream fills at the least (von Mises 1917, a slit in a
#: flat wall; from memory).
GAP = 0.611
#: The name of the share of wall friction.
FRICTION = "wall friction"


@dataclass(frozen=True, eq=False)
class Share:
    """What one feature loses.

    Parameters
    ----------
    name, kind : str
    begin, end : float
        mm along the path.
    loss : Quantity or None
        kPa; None where the flow may choke.
    coefficients : tuple of float
        The figures it rests on.
    source : str
        Of the coefficients.
    corners : (2, 2) float64
        kPa with the coefficients low, high (rows) at the flow low, high, areas as cut; NaN
        where it may choke.
    """

    name: str
    kind: str
    begin: float
    end: float
    loss: Quantity | None
    coefficients: tuple[float, ...]
    source: str
    corners: FloatArray
    feature: Feature | None = None


@dataclass(frozen=True, eq=False)
class Estimate:
    """The flow estimate of a duct; it does not replace a flow bench.

    Parameters
    ----------
    flow : MassFlow
    air : Air
        At rest before the inlet.
    s : (n,) float64
        Stations, mm along the path.
    state : str
        ``passes``; ``may choke``: at one end of the bands it does not pass; ``chokes``: it does
        not pass at either. What follows is None where it could not be worked out for that.
    mach : (n, 3) float64 or None
        Mach number: lower bound, middle, upper bound.
    velocity : (n, 3) float64 or None
        m/s, likewise.
    pressure : (n,) float64 or None
        Total pressure, Pa, in the middle of all bands.
    greatest : Quantity
        Greatest Mach number along the path; 1 where the flow chokes.
    greatest_at : float
        mm along the path.
    margin : Quantity or None
        How far the flow stays below choking, per cent of the choked flow; below 0 it chokes.
    loss : Quantity or None
        Total pressure lost from the first station to the last, kPa.
    shares : tuple of Share
        Along the path, wall friction last.
    mach_corners, margin_corners : (2, 2) float64 or None
        Greatest Mach number and margin (%) laid out as the corners of a share; None where it may
        choke.
    """

    flow: MassFlow
    air: gas.Air
    s: FloatArray
    state: State
    mach: FloatArray | None
    velocity: FloatArray | None
    pressure: FloatArray | None
    greatest: Quantity
    greatest_at: float
    margin: Quantity | None
    loss: Quantity | None
    shares: tuple[Share, ...]
    mach_corners: FloatArray | None = None
    margin_corners: FloatArray | None = None


def estimate(
    survey: Survey,
    flow: MassFlow,
    air: gas.Air = gas.STANDARD,
    *,
    edge: float | None = None,
    roughness: tuple[float, float] = losses.ROUGHNESS,
    blades: Sequence[Blade] = (),
) -> Estimate:
    """Estimate the flow through a duct whose areas were surveyed.

    Parameters
    ----------
    survey : Survey
    flow : MassFlow
    air : Air
        At rest before the inlet.
    edge : float, optional
        Radius (mm) of the inlet's edge where the duct draws from still air. None: it is fed by a
        pipe of its own size, and no entry is counted.
    roughness : (float, float)
        Of the wall, mm.
    blades : sequence of Blade
        They stand for whatever change of area lies in their stretches.

    Raises
    ------
    CannotDecide
        A station is not measured.
    InputError
        A blade at an angle no handbook covers.
    """
    profile = Profile.of(survey)
    features = _features(profile, edge, blades)

    def run(coefficients: Side, amount: float, areas: Side) -> March:
        return march(profile, features, Case(amount, coefficients, areas, air, roughness))

    best, worst = run("low", flow.low, "high"), run("high", flow.high, "low")
    middle = run("middle", flow.middle, "middle")
    # From the middle to either end, one cause after the other.
    down = (run("low", flow.middle, "middle"), run("low", flow.low, "middle"), best)
    up = (run("high", flow.middle, "middle"), run("high", flow.high, "middle"), worst)
    chain = (middle, *down, *up)
    corners = (down[1], run("low", flow.high, "middle"), run("high", flow.low, "middle"), up[1])
    known = not any(m.choked for m in (*chain, *corners))
    state: State = "passes" if known else "chokes" if best.choked else "may choke"
    mach = np.sort(np.stack([m.mach for m in (best, middle, worst)], axis=1), axis=1)
    share = [m.share for m in chain]
    speed = [1.0 if m.choked else float(m.mach.max()) for m in chain]
    return Estimate(
        flow=flow,
        air=air,
        s=profile.s,
        state=state,
        mach=mach if known else None,
        velocity=gas.velocity(mach, air.temperature) if known else None,
        pressure=middle.pressure if known else None,
        greatest=_stepped("greatest Mach number", "Mach", speed),
        greatest_at=_place(profile, features, int(np.argmax(middle.mach)) if known else middle.at),
        margin=_stepped("margin to choking", "%", [100.0 - 100.0 * x for x in share], True)
        if np.isfinite(share).all()
        else None,
        loss=_stepped("loss of total pressure", "kPa", [1e-3 * m.loss for m in chain])
        if known
        else None,
        shares=_shares(profile, features, chain, corners, known),
        mach_corners=_grid([float(m.mach.max()) for m in corners]) if known else None,
        margin_corners=_grid([100.0 - 100.0 * m.share for m in corners]) if known else None,
    )


def _grid(values: Sequence[float]) -> FloatArray:
    return np.array(values, dtype=np.float64).reshape(2, 2)


def _place(profile: Profile, features: Sequence[Feature], row: int) -> float:
    """Place of a station along the path, mm; the middle of a blade where it stands for one."""
    for feature in features:
        if feature.row == row and feature.opening < profile.area[row]:
            return 0.5 * (feature.begin + feature.end)
    return float(profile.s[row])


def _stepped(name: str, unit: str, values: Sequence[float], falling: bool = False) -> Quantity:
    """Quantity of a chain of marches: the middle, three steps down, three steps up."""
    sign = -1.0 if falling else 1.0
    middle = float(values[0])
    down, up = [middle, *values[1:4]], [middle, *values[4:7]]
    causes = ("coefficients", "mass flow", "areas")
    sources = ("spread between handbooks", "as given", "facets, path, and the stream's contraction")
    terms = []
    for n, (cause, source) in enumerate(zip(causes, sources, strict=True)):
        below = max(0.0, sign * (down[n] - down[n + 1]))
        above = max(0.0, sign * (up[n + 1] - up[n]))
        minus, plus = (below, above) if not falling else (above, below)
        if minus or plus:
            terms.append(Term(cause, minus, plus, source))
    return Quantity.from_terms(name, middle, unit, tuple(terms))


def _features(profile: Profile, edge: float | None, blades: Sequence[Blade]) -> list[Feature]:
    found = find(profile)
    for blade in blades:
        found = [
            f
            for f in found
            if f.kind == "bend" or f.end < blade.begin or f.begin > blade.end
        ]  # fmt: skip
        inside = np.flatnonzero((profile.s >= blade.begin) & (profile.s <= blade.end))
        row = max(int(inside[0]) - 1, 0) if len(inside) else 0
        band = losses.blade(blade.angle)
        name = f"{blade.name}, {blade.angle:g} degrees off wide open"
        share = blade.open_share
        share = open_fraction(90.0 - blade.angle) if share is None else share
        found.append(
            Feature(
                name, "blade", blade.begin, blade.end, row, row, plain=band, vena=GAP,
                opening=share * float(profile.bore_area[row]),
            )
        )  # fmt: skip
    if edge is not None:
        band = losses.entry(edge / float(profile.diameter[0]))
        name = f"entry, edge radius {edge:g} mm"
        found.append(Feature(name, "entry", 0.0, 0.0, 0, 0, plain=band))
    return sorted(found, key=lambda feature: (feature.end, feature.begin))


def _shares(
    profile: Profile,
    features: Sequence[Feature],
    chain: Sequence[March],
    corners: Sequence[March],
    known: bool,
) -> tuple[Share, ...]:
    out = []
    whole = (float(profile.s[0]), float(profile.s[-1]))
    for n in range(len(features) + 1):
        feature = features[n] if n < len(features) else None
        grid = np.array([1e-3 * m.lost[n] if known else np.nan for m in corners]).reshape(2, 2)
        loss = (
            _stepped("loss of total pressure", "kPa", [1e-3 * float(m.lost[n]) for m in chain])
            if known
            else None
        )
        if feature is None:
            figures = chain[0].case.roughness
            out.append(
                Share(FRICTION, "friction", *whole, loss, figures, "Colebrook and White", grid)
            )
            continue
        bands = [band for band in (feature.plain, feature.widen) if band is not None]
        source = "; ".join(dict.fromkeys(band.source for band in bands))
        out.append(
            Share(
                feature.name, feature.kind, feature.begin, feature.end, loss,
                feature.coefficients, source, grid, feature,
            )
        )  # fmt: skip
    return tuple(out)

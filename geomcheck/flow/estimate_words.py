"""A flow estimate in plain words and plain data, for findings and reports."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geomcheck.finding import Quantity, Requirement
from geomcheck.flow import gas
from geomcheck.flow.account import ROWS, numbers, place
from geomcheck.flow.estimate import Estimate, Share
from geomcheck.flow.path import FlowPath
from geomcheck.flow.profile import Profile


def _span(quantity: Quantity, decimals: int, unit: str = "") -> str:
    """Value and bounds, the bounds rounded outwards."""
    step = 10.0**decimals
    low = f"{math.floor(quantity.low * step + 1e-6) / step:.{decimals}f}"
    high = f"{math.ceil(quantity.high * step - 1e-6) / step:.{decimals}f}"
    value = f"{quantity.value:.{decimals}f}{unit}"
    return value if low == high else f"{value} (between {low} and {high})"


def in_words(found: Estimate, path: FlowPath, unit: str = "") -> str:
    """The estimate in whole sentences: all of it, or what belongs to a quantity's unit."""
    where = place(path.frames([found.greatest_at])[0, :3])
    flow = found.flow
    amount = f"{flow.middle:.4f}" if flow.low == flow.high else f"{flow.low:.4f} to {flow.high:.4f}"
    text = f"Estimate at {amount} kg/s: "
    at = f"at {found.greatest_at:.2f} mm along the path, {where}"
    margin = f"{_span(found.margin, 1, ' %')} below choking" if found.margin is not None else ""
    if found.state == "chokes":
        return f"{text}the flow does not pass, it chokes {at}."
    if found.state == "may choke" or found.loss is None or found.velocity is None:
        margin = f"; {margin}" if margin else ""
        return f"{text}the flow may choke {at}{margin}; its loss is not known."
    told = []
    if unit in ("", "Mach"):
        speed = float(found.velocity[:, 1].max())
        told.append(f"greatest Mach number {_span(found.greatest, 3)}, {speed:.0f} m/s, {at}")
    if unit in ("", "%"):
        told.append(margin if not unit else f"{margin} {at}")
    if unit in ("", "kPa"):
        known = [(s.loss.value, s.name) for s in found.shares if s.loss is not None]
        most = [f"{value:.3f} by {name}" for value, name in sorted(known, reverse=True)[:3]]
        told.append(f"total pressure falls by {_span(found.loss, 3, ' kPa')}: {'; '.join(most)}")
    return f"{text}{'; '.join(told)}."


def remedy(found: Estimate, path: FlowPath, need: Requirement | None) -> str:
    """What to do about an estimate that is not surely within a limit."""
    where = place(path.frames([found.greatest_at])[0, :3])
    if need is not None and need.unit == "kPa" and found.loss is not None:
        known = [(s.loss.value, s) for s in found.shares if s.loss is not None]
        value, share = max(known, key=lambda pair: pair[0])
        return (
            f"Ease the largest share: {share.name}, from {share.begin:.2f} to {share.end:.2f} mm "
            f"along the path, {value:.3f} kPa. Then measure the part on a flow bench."
        )
    text = f"Widen the duct at {where}"
    if need is not None and need.unit == "Mach" and found.greatest.high < 1.0 and need.limit < 1.0:
        flows = gas.flow_parameter(np.array([found.greatest.high, need.limit]))
        if flows[0] > flows[1]:
            text += f" by about {100.0 * float(flows[0] / flows[1] - 1.0):.0f} %"
    return f"{text}, or ask for less flow. Then measure the part on a flow bench."


def details(found: Estimate) -> dict[str, Any]:
    """An estimate as JSON types; keys as in ``geomcheck.checks.flow_estimate``."""
    every = -(-len(found.s) // ROWS)
    mach = found.mach
    return {
        "mass_flow": numbers([found.flow.low, found.flow.high]),
        "mass_flow_from": found.flow.words,
        "air": {"pressure": found.air.pressure, "temperature": found.air.temperature},
        "state": found.state,
        "mach": None
        if mach is None
        else {
            "s": numbers(found.s[::every]),
            "low": numbers(mach[::every, 0]),
            "value": numbers(mach[::every, 1]),
            "high": numbers(mach[::every, 2]),
        },
        "shares": [
            {
                "name": share.name,
                "kind": share.kind,
                "from": round(share.begin, 4),
                "to": round(share.end, 4),
                "low": round(share.loss.low, 6) if share.loss else None,
                "value": round(share.loss.value, 6) if share.loss else None,
                "high": round(share.loss.high, 6) if share.loss else None,
                "source": share.source,
            }
            for share in found.shares
        ],
        "bands": _bands(found),
    }


def rests_on(share: Share, profile: Profile) -> dict[str, Any]:
    """What a share is reckoned from, so that it can be reckoned again; JSON types."""
    feature = share.feature
    if feature is None:
        return {}
    plain, widen = (
        None if band is None else [round(band.low, 9), round(band.high, 9)]
        for band in (feature.plain, feature.widen)
    )
    return {
        "at": round(float(profile.s[feature.row]), 4),
        "after": round(float(profile.s[feature.after]), 4),
        "plain": plain,
        "widen": widen,
        "sharp": round(feature.sharp, 9),
        "vena": round(feature.vena, 9),
        "opening": round(feature.opening, 4) if math.isfinite(feature.opening) else None,
    }


def _bands(found: Estimate) -> dict[str, Any] | None:
    """What a later estimate is compared with; None where the flow may choke."""
    if found.loss is None or found.mach_corners is None or found.margin_corners is None:
        return None
    return {
        "loss": _ends(found.loss),
        "mach": _ends(found.greatest) | {"corners": _rows(found.mach_corners)},
        "margin": None
        if found.margin is None
        else _ends(found.margin) | {"corners": _rows(found.margin_corners)},
        "shares": [
            {
                "coefficients": [round(float(x), 9) for x in share.coefficients],
                "corners": _rows(share.corners),
                "areas": _facets(share.loss),
            }
            for share in found.shares
        ],
    }


def _ends(quantity: Quantity) -> dict[str, Any]:
    return {
        "low": round(quantity.low, 9),
        "value": round(quantity.value, 9),
        "high": round(quantity.high, 9),
        "areas": _facets(quantity),
    }


def _rows(grid: np.ndarray[Any, Any]) -> list[list[float]]:
    return [[round(float(x), 9) for x in row] for row in grid]


def _facets(quantity: Quantity | None) -> list[float]:
    """What the areas alone may take off and add."""
    terms = () if quantity is None else quantity.terms
    areas = [term for term in terms if term.name == "areas"]
    return [round(sum(t.minus for t in areas), 9), round(sum(t.plus for t in areas), 9)]

"""What a revision won or lost in a duct's flow estimate, where common terms cancel.

Laid side by side, two estimates carry the spread between handbooks twice. But a bend that both
revisions have has one true coefficient, and both are asked for one mass flow: whichever values
they truly have, they have them in both. See :mod:`geomcheck.flow.difference`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geomcheck.compare.changes import Comparison
from geomcheck.compare.damage import reading
from geomcheck.errors import GeomcheckError
from geomcheck.finding import Finding, Quantity, Term
from geomcheck.flow.asked import MassFlow
from geomcheck.flow.difference import Change, difference
from geomcheck.flow.estimate import Estimate, Share
from geomcheck.flow.gas import Air


@dataclass(frozen=True)
class FlowChange:
    """How a duct's estimate changed.

    Parameters
    ----------
    finding : Finding
        Of the later result.
    loss, mach, margin : Quantity or None
        New less old, common terms cancelled: kPa, Mach, %.
    shares : tuple of Change
        The loss, feature by feature.
    same_flow : bool
        Whether both were asked for the same mass flow.
    why : str
        Why nothing is told; else empty.
    """

    finding: Finding
    loss: Quantity | None
    mach: Quantity | None
    margin: Quantity | None
    shares: tuple[Change, ...]
    same_flow: bool
    why: str = ""

    @property
    def vehicle(self) -> str:
        """The finding's vehicle."""
        return self.finding.vehicle

    @property
    def subject(self) -> str:
        """The duct, without what was asked of it."""
        return self.finding.subject.partition(",")[0]

    @property
    def shared(self) -> int:
        """Features that rest on the same figures in both."""
        return sum(change.shared for change in self.shares)


def flow_changes(comparison: Comparison) -> list[FlowChange]:
    """Estimates that both results have and that are not the same."""
    found = []
    for change in comparison.changes:
        old, new = change.old, change.new
        if old is None or new is None or not ("bands" in old.details and "bands" in new.details):
            continue
        if dict(old.details) != dict(new.details):
            with reading(new):
                found.append(_flow_change(old, new))
    return found


def _flow_change(old: Finding, new: Finding) -> FlowChange:
    before, after = _revived(old.details), _revived(new.details)
    if before is None or after is None:
        return FlowChange(
            new, None, None, None, (), False, "the flow may choke in one of the two revisions"
        )
    same = before.flow == after.flow
    try:
        found = difference(before, after)
    except GeomcheckError as error:
        return FlowChange(new, None, None, None, (), same, error.what)
    # A place's speed follows from its area and the air that gets there: where every feature rests
    # on the same figures, those of both revisions go together.
    alike = len(before.shares) == len(after.shares) and all(c.shared for c in found.changes)
    bands = [details["bands"] for details in (old.details, new.details)]
    mach = _between(
        "change of greatest Mach number", "Mach", [b["mach"] for b in bands], same, alike
    )
    margin = _between("change of margin", "%", [b["margin"] for b in bands], same, alike)
    return FlowChange(new, found.loss, mach, margin, found.changes, same)


def _between(
    name: str, unit: str, bands: list[Mapping[str, Any] | None], same: bool, alike: bool
) -> Quantity | None:
    """New less old at the matching corners of both bands."""
    one, two = bands
    if one is None or two is None:
        return None
    was, now = (np.array(band["corners"], dtype=np.float64) for band in (one, two))
    value = float(two["value"]) - float(one["value"])
    if same and alike:
        ends = now - was
    elif same:
        ends = np.stack([now[0] - was[1], now[1] - was[0]])
    else:
        ends = np.array([now.min() - was.max(), now.max() - was.min()])
    low, high = min(value, float(ends.min())), max(value, float(ends.max()))
    shared = "shared coefficients and flow" if same and alike else "coefficients and flow"
    terms = (
        Term(shared, value - low, high - value, "either end of their bands"),
        Term(
            "areas",
            float(one["areas"][1]) + float(two["areas"][0]),
            float(one["areas"][0]) + float(two["areas"][1]),
            "facets of both meshes",
        ),
    )
    return Quantity.from_terms(name, value, unit, terms)


def _revived(details: Mapping[str, Any]) -> Estimate | None:
    """As much of an estimate as its difference needs; None where the flow may choke."""
    bands = details["bands"]
    if bands is None:
        return None
    low, high = details["mass_flow"]
    shares = tuple(
        Share(
            told["name"],
            told["kind"],
            float(told["from"]),
            float(told["to"]),
            _quantity("loss of total pressure", "kPa", told, band["areas"]),
            tuple(float(x) for x in band["coefficients"]),
            told["source"],
            np.array(band["corners"], dtype=np.float64),
        )
        for told, band in zip(details["shares"], bands["shares"], strict=True)
    )
    return Estimate(
        flow=MassFlow(float(low), float(high), details["mass_flow_from"]),
        air=Air(float(details["air"]["pressure"]), float(details["air"]["temperature"])),
        s=np.zeros(0),
        state="passes",
        mach=None,
        velocity=None,
        pressure=None,
        greatest=_quantity("greatest Mach number", "Mach", bands["mach"], bands["mach"]["areas"]),
        greatest_at=0.0,
        margin=None,
        loss=_quantity("loss of total pressure", "kPa", bands["loss"], bands["loss"]["areas"]),
        shares=shares,
    )


def _quantity(name: str, unit: str, told: Mapping[str, Any], areas: Any) -> Quantity:
    """A quantity with its term of the areas; the other terms as one."""
    low, value, high = (float(told[key]) for key in ("low", "value", "high"))
    minus, plus = (float(x) for x in areas)
    terms = (
        Term("areas", minus, plus, "facets of the mesh"),
        Term("rest", max(value - low - minus, 0.0), max(high - value - plus, 0.0), "as told"),
    )
    return Quantity(name, value, unit, min(low, value), max(high, value), terms)

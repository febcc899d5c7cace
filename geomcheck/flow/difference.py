"""What a revision won or lost: the difference of two flow estimates, as an interval.

Terms that both estimates share cancel only where that is justified. A mass flow that both were
made for is the same flow in both. A coefficient is shared where both read the same figures: then
whichever value it truly has, it has in both, and the difference is taken at either end of its band
for both at once. Coefficients of features that changed, and the facets of both meshes, do not
cancel. To first order in the losses: that a loss upstream thins the air downstream is taken at the
matching ends only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Quantity, Term
from geomcheck.flow.estimate import Estimate, Share

#: Coefficients that differ by less than this share are read at one place of the tables.
SAME = 2e-3
Outcome: TypeAlias = Literal["less", "more", "undecided"]


@dataclass(frozen=True, eq=False)
class Change:
    """Change of one feature's loss.

    Parameters
    ----------
    name : str
        As in the later estimate, or as in the earlier one where it is gone.
    loss : Quantity
        After less before, kPa.
    shared : bool
        Whether both rest on the same figures, so that their spread cancels in part.
    """

    name: str
    loss: Quantity
    shared: bool


@dataclass(frozen=True, eq=False)
class Difference:
    """Change of the total-pressure loss from one revision to another.

    Parameters
    ----------
    loss : Quantity
        After less before, kPa; below zero the revision loses less.
    outcome : {"less", "more", "undecided"}
        ``undecided`` where the interval holds zero.
    changes : tuple of Change
        By feature; they add up to ``loss``.
    """

    loss: Quantity
    outcome: Outcome
    changes: tuple[Change, ...]


def difference(before: Estimate, after: Estimate) -> Difference:
    """Compare the estimates of two revisions of a duct.

    Features are paired in their order along the path, kind by kind and figure by figure; a feature
    without a partner counts in full.

    Raises
    ------
    CannotDecide
        A flow that may choke has no loss to compare.
    InputError
        Estimates for different air.
    """
    if before.loss is None or after.loss is None:
        raise CannotDecide(
            "the flow may choke in one of the two ducts, so their losses cannot be compared",
            remedy="compare them at a smaller mass flow",
        )
    if before.air != after.air:
        raise InputError("the two estimates are for different air before the inlet")
    same_flow = before.flow == after.flow
    changes = [_change(old, new, same_flow) for old, new in _pairs(before.shares, after.shares)]
    value = after.loss.value - before.loss.value
    terms = [
        Term(
            name,
            sum(t.minus for c in changes for t in c.loss.terms if t.name == name),
            sum(t.plus for c in changes for t in c.loss.terms if t.name == name),
            source,
        )
        for name, source in _TERMS.items()
    ]
    loss = Quantity.from_terms(
        "change of loss", value, "kPa", tuple(t for t in terms if t.minus or t.plus)
    )
    outcome: Outcome = "undecided"
    if loss.high < 0.0:
        outcome = "less"
    elif loss.low > 0.0:
        outcome = "more"
    return Difference(loss, outcome, tuple(changes))


_TERMS = {
    "shared coefficients": "the same figures in both, at either end of their band",
    "coefficients": "spread between handbooks, of features that changed",
    "areas": "facets of both meshes",
}


def _pairs(
    old: tuple[Share, ...], new: tuple[Share, ...]
) -> list[tuple[Share | None, Share | None]]:
    """Shares that belong together: of one kind and the same figures, else of one kind."""
    left = list(old)
    partner: dict[int, Share] = {}
    for same in (True, False):
        for n, share in enumerate(new):
            if n in partner:
                continue
            for other in left:
                alike = not same or _same_figures(share, other)
                if other.kind == share.kind and alike:
                    partner[n] = other
                    left.remove(other)
                    break
    pairs: list[tuple[Share | None, Share | None]] = [
        (partner.get(n), share) for n, share in enumerate(new)
    ]
    return pairs + [(share, None) for share in left]


def _same_figures(one: Share, two: Share) -> bool:
    """Whether two shares were read at one place of the tables, facets aside."""
    return one.kind == two.kind and bool(
        len(one.coefficients) == len(two.coefficients)
        and np.allclose(one.coefficients, two.coefficients, rtol=SAME, atol=0.0)
    )


def _change(old: Share | None, new: Share | None, same_flow: bool) -> Change:
    one, two = _grid(old), _grid(new)
    shared = old is not None and new is not None and same_flow and _same_figures(old, new)
    value = _value(new) - _value(old)
    if shared:
        ends = two - one  # the same coefficient and the same flow in both
    elif same_flow:
        ends = np.stack([two[0] - one[1], two[1] - one[0]])
    else:
        ends = np.array([two.min() - one.max(), two.max() - one.min()])
    low, high = min(value, float(ends.min())), max(value, float(ends.max()))
    name = "shared coefficients" if shared else "coefficients"
    minus, plus = value - low, high - value
    terms = [Term(name, minus, plus, _TERMS[name])]
    facets = [_facets(share) for share in (old, new)]
    down = facets[0][1] + facets[1][0]
    up = facets[0][0] + facets[1][1]
    terms.append(Term("areas", down, up, _TERMS["areas"]))
    label = new or old
    assert label is not None
    loss = Quantity.from_terms("change of loss", value, "kPa", tuple(terms))
    return Change(label.name, loss, shared)


def _grid(share: Share | None) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.zeros((2, 2)) if share is None else share.corners


def _value(share: Share | None) -> float:
    return 0.0 if share is None or share.loss is None else share.loss.value


def _facets(share: Share | None) -> tuple[float, float]:
    """KPa by which the areas alone may lower and raise a share's loss."""
    if share is None or share.loss is None:
        return 0.0, 0.0
    found = [t for t in share.loss.terms if t.name == "areas"]
    return sum(t.minus for t in found), sum(t.plus for t in found)

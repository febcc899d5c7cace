"""How deep a neighbour has to be cut back to keep its gaps.

A surface that retreats by what the least gap lacks leaves every point of the other body the
required gap, as seen from the place where it is needed most; where the other body reaches into it,
the cut goes past the deepest point by the required gap. So the depth is the required gap less the
signed gap, with the gap's interval turned round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from geomcheck.errors import CannotDecide
from geomcheck.finding import Finding, Quantity, Term
from geomcheck.fit import words
from geomcheck.fit.state import Gap, State
from geomcheck.fit.zone import NAMED, Zone
from geomcheck.wording import capital

#: What to mind of any cut.
CAUTION = (
    "Cutting a vehicle's part can weaken it, open a seal, or end its approval: no cuts in crash "
    "structure, fuel, brake or steering parts; local codes and the maker's figures come first, "
    "then the judgement of a licensed workshop."
)

_TURNED: dict[State, State] = {"a inside b": "b inside a", "b inside a": "a inside b"}


def turned(gap: Gap) -> Gap:
    """The same gap with the bodies in the other order."""
    return replace(
        gap,
        state=_TURNED.get(gap.state, gap.state),
        point_a=gap.point_b,
        point_b=gap.point_a,
        triangle_a=gap.triangle_b,
        triangle_b=gap.triangle_a,
        direction=None
        if gap.direction is None
        else (-gap.direction[0] + 0.0, -gap.direction[1] + 0.0, -gap.direction[2] + 0.0),
    )


def swallowed(gap: Gap) -> bool:
    """One of the two lies inside the other: no cut in a wall makes room."""
    return gap.state in _TURNED


def doubts(gap: Gap | None, trouble: CannotDecide | None, a: str, b: str) -> list[str]:
    """Why a gap may be worse than measured, with the names of both parts."""
    texts = [] if trouble is None else [trouble.what.rstrip(".")]
    if gap is not None:
        texts += gap.undecided
    named = [t.replace("the first part", a).replace("the second part", b) for t in texts]
    return [capital(text) for text in named]


def depth_of_cut(gaps: Sequence[tuple[float, Gap]]) -> Quantity | None:
    """How deep a body must be cut to keep all its gaps; None without any.

    Parameters
    ----------
    gaps : sequence of (float, Gap)
        Required gap (mm) and what was measured, of each pair the body is in.

    Examples
    --------
    A block 4 mm from another that must stay 10 mm clear:

    >>> import trimesh
    >>> from geomcheck.fit.gap import measure_gap
    >>> block = trimesh.creation.box((10, 10, 10))
    >>> gap = measure_gap(block, block.copy().apply_translation((14, 0, 0)))
    >>> depth_of_cut([(10.0, gap)]).value
    6.0
    """
    if not gaps:
        return None
    value = max(0.0, *(limit - gap.quantity.value for limit, gap in gaps))
    low = max(0.0, *(limit - gap.quantity.high for limit, gap in gaps))
    high = max(0.0, *(limit - gap.quantity.low for limit, gap in gaps))
    term = Term("interval of the gap", value - low, high - value, "said with the gap itself")
    return Quantity("depth of cut", value, "mm", low, high, (term,))


def said_cuts(name: str, zones: Sequence[Zone]) -> str:
    """``: 4.00 mm deep over 310 mm2 at (...), ...`` for the zones of a part, the deepest first.

    Where the back of a wall is too near as well, the cut comes out there: a hole, no second cut.
    """
    near = [zone for zone in zones if not zone.far_side] or list(zones)
    places = [
        f"{words.length(max(0.0, zone.lack))} mm deep over {zone.said_area()} at "
        f"{words.place(zone.place)}"
        for zone in near
    ]
    text = f": {', '.join(places[:NAMED])}" if places else ""
    text += f", and {len(near) - NAMED} more places" if len(near) > NAMED else ""
    return text + (f"; the cut goes right through {name}" if len(near) < len(zones) else "")


def stuck_in_words(finding: Finding, name: str) -> str:
    """What a neighbour that may not be trimmed enough lacks, from its finding."""
    if finding.quantity is None or finding.details["inside_one_another"]:
        return f"{name} and {finding.parts[0]} lie inside one another"
    text = f"{name} lacks {words.length(finding.quantity.value)} mm of gap"
    if finding.requirement is None:
        return f"{text} and may not be trimmed"
    return f"{text} and may be trimmed by {words.length(finding.requirement.limit)} mm only"


def one_each(items: Sequence[str]) -> str:
    """The items with commas, each once."""
    return ", ".join(dict.fromkeys(items))


def row_of(finding: Finding, name: str) -> dict[str, Any]:
    """A neighbour's row in the details of the finding on all."""
    quantity = finding.quantity
    return {
        "part": name,
        "depth": None if quantity is None else quantity.value,
        "depth_low": None if quantity is None else quantity.low,
        "depth_high": None if quantity is None else quantity.high,
        "area": sum(row["area"] for row in finding.details["zones"] if not row["far_side"]),
        "allowed": finding.details["allowed"],
    }

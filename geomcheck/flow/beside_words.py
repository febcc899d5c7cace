"""Side openings of a duct in plain words, for findings."""

from __future__ import annotations

from collections.abc import Sequence

from geomcheck.finding import Quantity, Term
from geomcheck.flow.account import place
from geomcheck.flow.beside import Beside


def past(area: Quantity, beside: Sequence[Beside]) -> tuple[Quantity, Beside | None]:
    """An area whose low end leaves side openings out, and the stretch that lowered it."""
    worst = min(beside, key=lambda one: one.low, default=None)
    if worst is None or worst.low >= area.low:
        return area, None
    term = Term(
        "side opening", area.low - worst.low, 0.0,
        "open as seen along the path past the opening: no surface across can be smaller",
    )  # fmt: skip
    return Quantity.from_terms(area.name, area.value, area.unit, (*area.terms, term)), worst


def opening_in_words(found: Beside) -> str:
    """Why the low end is as low as it is; a sentence without its full stop."""
    text = (
        f"From {found.begin:.2f} to {found.end:.2f} mm along the path the planes cut along a side "
        f"opening at {place(found.opening)} and count it as duct"
    )
    if found.blocked is not None:
        text += f", while {place(found.blocked)} in the bore is metal"
    return text + f": past the opening no more than {found.low:.2f} mm2 are proved to be open"


def opening_remedy(found: Beside, limit: float, ask: str) -> str:
    """What to do where a side opening leaves ``limit`` mm2 undecided; ``ask``: for a cut."""
    text = f"{ask}. Or "
    if found.blocked is not None:
        text += f"take back what stands in the bore at {place(found.blocked)}, or "
    return text + f"widen the bore there by {limit - found.low:.2f} mm2."

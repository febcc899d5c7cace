"""The least section of a duct in plain words and plain data, for findings and reports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geomcheck.finding import Quantity, Term
from geomcheck.flow.account import ROWS, diameter, numbers, place
from geomcheck.flow.behind import Behind
from geomcheck.flow.narrowest import Narrowest
from geomcheck.flow.passage import Passage
from geomcheck.flow.path import FlowPath
from geomcheck.flow.section import FloatArray
from geomcheck.flow.void import Seal

#: What to ask for where planes alone prove too little.
ASK_CUT = 'Set throat = "planes and cut" for this duct: it looks for the smallest surface across'


def in_words(found: Narrowest, taken: str) -> str:
    """The least section, its place and its tilt; no closing full stop.

    ``taken``: what takes the area, in words.
    """
    area = found.area
    spread = f"{area.value:.2f} mm2 (between {area.low:.2f} and {area.high:.2f})"
    plane = found.plane
    if found.trusted == "plane":
        text = (
            f"Least section at any tilt {spread} at {plane.s:.2f} mm along the path, "
            f"{place(plane.point)}, tilted {plane.tilt:.1f} degrees against the path; equivalent "
            f"diameter {diameter(area.value):.2f} mm"
        )
    else:
        text = (
            f"Least section {spread} near {place(found.point)}: a surface that no one plane makes; "
            f"the least plane section has {plane.area.value:.2f} mm2, tilted {plane.tilt:.1f} "
            "degrees against the path"
        )
    text += taken
    if found.cut is not None and found.agreement is not None:
        cells = found.cut.area
        text += (
            f". The {found.cut.label} of {found.cut.spacing:.2f} mm has {cells.value:.2f} mm2 "
            f"(between {cells.low:.2f} and {cells.high:.2f}): {found.agreement.why}"
        )
    return text


def bounded(area: Quantity, behind: Sequence[Behind]) -> tuple[Quantity, Behind | None]:
    """An area whose low end allows for obstacles that lie askew, and the group that lowered it."""
    worst = min(behind, key=lambda one: one.low, default=None)
    if worst is None or worst.low >= area.low:
        return area, None
    term = Term(
        "askew obstacles", area.low - max(worst.low, 0.0), 0.0,
        "open as seen along the path: no surface across can be smaller",
    )  # fmt: skip
    return Quantity.from_terms(area.name, area.value, area.unit, (*area.terms, term)), worst


def lowered(area: Quantity, low: float) -> Quantity:
    """An area whose low end goes down to what is ruled out by other means."""
    if low >= area.low:
        return area
    term = Term("other surfaces", area.low - low, 0.0, "down to what the cut of the void rules out")
    return Quantity.from_terms(area.name, area.value, area.unit, (*area.terms, term))


def askew_in_words(group: Behind, names: Sequence[str]) -> str:
    """Why the low end is as low as it is; a sentence without its full stop."""
    who = " and ".join(f'"{names[k]}"' for k in group.obstacles)
    return (
        f"{who}, from {group.begin:.2f} to {group.end:.2f} mm along the path, may leave less than "
        f"any plane shows: seen along the path at least {max(group.low, 0.0):.2f} mm2 are open"
    )


def details(found: Narrowest, path: FlowPath) -> dict[str, Any]:
    """JSON types; keys as in ``geomcheck.checks.flow_throat``."""
    plane, cut = found.plane, found.cut
    told: dict[str, Any] = {
        "trusted": found.trusted,
        "plane": {
            "area": round(plane.area.value, 4),
            "square_area": round(plane.square_area, 4),
            "s": round(plane.s, 4),
            "tilt_degrees": round(plane.tilt, 4),
            "point": numbers(plane.point),
            "normal": numbers(plane.normal),
        },
        "starts": plane.starts,
        "ended_here": plane.ended_here,
        "path": path_of(path),
        "outlines": {"throat": [_line(ring) for ring in found.outline]},
    }
    if cut is not None and found.agreement is not None:
        told["cut"] = {
            "label": cut.label,
            "area": round(cut.area.value, 4),
            "low": round(cut.area.low, 4),
            "high": round(cut.area.high, 4),
            "cell": round(cut.spacing, 4),
            "converged": cut.converged,
            "agree": found.agreement.agree,
            "why": found.agreement.why,
        }
    return told


def path_of(path: FlowPath) -> list[list[float | None]]:
    """The path as points for pictures."""
    count = min(ROWS, max(2, int(path.length / 2.0) + 1))
    s = [path.length * k / (count - 1) for k in range(count)]
    return [numbers(p) for p in path.frames(s)[:, :3]]


def sealed_in_words(seals: Sequence[Seal]) -> str:
    """The openings that were sealed on request, to follow a sentence; empty where there are none.

    Examples
    --------
    >>> sealed_in_words([])
    ''
    """
    if not seals:
        return ""
    widest = sorted(seals, key=lambda seal: -seal.width)
    told = [f"of {seal.width:.2f} mm at {place(seal.point)}" for seal in widest[:3]]
    more = f" and {len(seals) - 3} more" if len(seals) > 3 else ""
    if len(seals) == 1:
        return f". A gap {told[0]} was taken as sealed"
    return f". Gaps {', '.join(told)}{more} were taken as sealed"


def ball_in_words(found: Passage, names: Sequence[str]) -> str:
    """The largest ball, where it sticks and between what; no closing full stop."""
    size = found.diameter
    text = (
        f"The largest ball that gets through has {size.value:.2f} mm (between {size.low:.2f} and "
        f"{size.high:.2f}); it sticks at {place(found.point)}"
    )
    touched = [f'"{names[k]}"' for k in dict.fromkeys(found.parts)]
    return text + (f", touching {' and '.join(touched)}" if touched else "")


def _line(ring: FloatArray) -> list[list[float | None]]:
    every = -(-len(ring) // ROWS)
    return [numbers(p) for p in [*ring[:-1:every], ring[-1]]]

"""What the fasten room found, in a modeller's words: places, amounts, what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.obstacle import Obstacle
from geomcheck.fasten.reach import Reach
from geomcheck.fasten.seat import Seat
from geomcheck.finding import Point, Term, Verdict

#: What to mind while working beside a neighbour of these classes.
NEAR_CLASS = {
    "fuel line": "The way to this fastener is beside a fuel line: relieve its pressure before "
    "work; local codes and the maker's figures come first.",
    "hot part": "The way to this fastener is beside a hot part: let it cool; local codes and the "
    "maker's figures come first.",
    "moving part": "The way to this fastener is beside a moving part: battery off and key out "
    "before work; the maker's figures come first.",
}


def millimetres(value: float) -> str:
    """A length to two decimals, never ``-0.00``."""
    text = f"{value:.2f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text


def at_least(value: float) -> str:
    """A length to two decimals, rounded up: an amount to move must not fall short."""
    return millimetres(math.ceil(value * 100.0 - 1e-6) / 100.0)


def at_most(value: float) -> str:
    """A length to two decimals, rounded down: an amount that is free must not be overstated."""
    return millimetres(math.floor(value * 100.0 + 1e-6) / 100.0)


def at(point: Point) -> str:
    """A point as ``(x, y, z)``."""
    return f"({', '.join(millimetres(value) for value in point)})"


def place_of(result: Reach) -> str:
    """The nearest metal of a reach: part, point and height; empty where there is none."""
    if result.blocker is None or result.point is None or result.height is None:
        return ""
    return f"{result.blocker} at {at(result.point)}, {millimetres(result.height)} mm above the seat"


def facet_terms(value: float, low: float, high: float, part: str, source: str) -> tuple[Term, ...]:
    """The uncertainty that a part's facets bring; none where they bring none."""
    if low == value == high:
        return ()
    return (Term("facets", value - low, high - value, f"sagitta of {part}, {source}"),)


def seat_trouble(
    fastener: Fastener, bolt: str, carrier: Obstacle, seat: Seat, tolerance: float
) -> tuple[Verdict, str, str] | None:
    """Verdict, message and remedy where nothing can be measured from a seat; else None."""
    if seat.state != "seated":
        what, remedy = seat_fault(fastener, carrier.name, seat)
        if carrier.solid:
            return Verdict.ERROR, what, remedy
        what += f" {carrier.name} is not closed: the seat may be missing from its mesh."
        return Verdict.UNDECIDED, what, remedy
    if seat.sagitta > tolerance:
        return (
            Verdict.UNDECIDED,
            f"The true seat of {bolt} may lie {millimetres(seat.sagitta)} mm off the facets of "
            f"{carrier.name} there: too far to measure from.",
            f"Export {carrier.name} with a finer chord error, or declare its sagitta.",
        )
    return None


def seat_fault(fastener: Fastener, carrier: str, seat: Seat) -> tuple[str, str]:
    """What is wrong with a seat that does not carry the head, and what to do, as sentences."""
    place = f"the seat of {fastener.name} at {at(fastener.at)}"
    if seat.state == "reversed":
        a, b, c = (0.0 - value for value in fastener.axis)
        return (
            f"The axis at {place} points into the material of {carrier}.",
            f"Reverse it: axis = [{a:.6g}, {b:.6g}, {c:.6g}]. It points out of the seat, towards "
            "the tool.",
        )
    what = (
        f"There is no metal of {carrier} under {100.0 * (1.0 - seat.share):.0f} % of the head's "
        f"ring: {place} is in the air."
    )
    if seat.tilt is not None and seat.tilt > 2.0:
        return (
            f"{what} The face there stands {seat.tilt:.1f} degrees off square to the axis.",
            "Correct the axis, or the face.",
        )
    if seat.nearest is None:
        return (
            f"{what} There is none along the axis either.",
            "Correct the seat point, the axis or the part it names.",
        )
    way = "up the axis, towards the tool" if seat.nearest > 0.0 else "down the axis, under the seat"
    return (
        f"{what} The nearest is {abs(seat.nearest):.2f} mm {way}.",
        "Correct the seat point: it is the centre of the face under the head.",
    )


def side_view(fastener: Fastener, point: Point | None) -> Point:
    """A direction to look in: the way from the axis to ``point`` shows in true size.

    Unit vector from the camera to the fastener, 25 degrees down from square to the axis.
    """
    frame = fastener.frame()
    side = frame[1]
    if point is not None:
        across = np.cross(frame[3], np.array(point) - frame[0])
        size = float(np.linalg.norm(across))
        if size > 1e-6:
            side = across / size
    tilt = math.radians(25.0)
    way = -(math.cos(tilt) * side + math.sin(tilt) * frame[3])
    return (float(way[0]), float(way[1]), float(way[2]))


def cautions(first: str, kinds: Sequence[str]) -> str:
    """``first``, then what to mind beside neighbours of these classes."""
    more = [NEAR_CLASS[kind] for kind in dict.fromkeys(kinds) if kind in NEAR_CLASS]
    return " ".join([first, *more]).strip()

"""A hole against its bolt: diameter, offset and angle, each with its limit and what to say."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geomcheck.fasten import words
from geomcheck.fasten.crossing import Placed
from geomcheck.fasten.fastener import Fastener
from geomcheck.finding import Point, Quantity, Requirement, Term, Verdict

FITTED = "corners of the mesh against the fitted cylinder"


@dataclass(frozen=True)
class HoleFigure:
    """One figure of a hole against one limit, what to say of it, and what to do if it is missed."""

    quantity: Quantity
    need: Requirement
    said: str
    remedy: str

    @property
    def verdict(self) -> Verdict:
        """Whether the limit is kept."""
        return self.need.decide(self.quantity)


def diameter_figures(
    placed: Placed, low: float, high: float, wanted: str, hint: str = ""
) -> tuple[HoleFigure, HoleFigure]:
    """The hole's diameter against the least and the greatest, mm.

    Parameters
    ----------
    placed : Placed
    low, high : float
        mm.
    wanted : str
        The range in words, with its source.
    hint : str
        What to add to the remedy of a hole that is too small.
    """
    value = 2.0 * placed.bore.radius
    quantity = _quantity("hole diameter", value, "mm", 2.0 * placed.bore.error)
    said = f"its hole is {words.millimetres(value)} mm, {wanted} wanted"
    drill = f"Make the hole {wanted}"
    return (
        HoleFigure(quantity, Requirement("at least", low, "mm", wanted), said, drill + hint + "."),
        HoleFigure(quantity, Requirement("at most", high, "mm", wanted), said, drill + "."),
    )


def offset_figure(
    fastener: Fastener, placed: Placed, line: tuple[Point, Point], limit: float, source: str
) -> HoleFigure:
    """How far a hole's axis passes from a line, where the hole crosses its plane.

    Parameters
    ----------
    fastener : Fastener
    placed : Placed
    line : (Point, Point)
        A point of the line and its unit direction: the bolt's axis, or another hole's.
    limit : float
        mm.
    source : str
        Where the limit comes from.
    """
    axis = np.asarray(line[1])
    away = np.asarray(placed.point) - np.asarray(line[0])
    away = away - (away @ axis) * axis
    value = float(np.linalg.norm(away))
    quantity = _quantity("offset", value, "mm", placed.bore.error)
    to = words.at((float(away[0]), float(away[1]), float(away[2])))
    return HoleFigure(
        quantity,
        Requirement("at most", limit, "mm", source),
        f"the hole's axis passes {words.millimetres(value)} mm from it, "
        f"{words.millimetres(limit)} mm allowed ({source})",
        f"Move {fastener.name} by {to} mm onto the hole, or the hole the other way.",
    )


def angle_figure(fastener: Fastener, placed: Placed, limit: float) -> HoleFigure:
    """The angle between a hole's axis and the bolt's, degrees."""
    a, b = np.asarray(fastener.axis), np.asarray(placed.hole.axis)
    sine = float(np.linalg.norm(np.cross(a, b)))
    value = math.degrees(math.atan2(sine, abs(float(a @ b))))
    length = max(placed.bore.bottom - placed.bore.top, 1e-3)
    doubt = min(90.0, math.degrees(math.atan2(2.0 * placed.bore.error, length)))
    return HoleFigure(
        _quantity("angle", value, "deg", doubt),
        Requirement("at most", limit, "deg", "bolt against hole"),
        f"it stands {value:.2f} degrees to its hole, {limit:g} allowed",
        f"Turn the axis of {fastener.name} to {words.at(_like(placed.hole.axis, fastener.axis))}, "
        "or drill the hole square.",
    )


def _like(axis: Point, other: Point) -> Point:
    """An axis the way round that another points."""
    turn = 1.0 if math.fsum(a * b for a, b in zip(axis, other, strict=True)) >= 0.0 else -1.0
    return (turn * axis[0], turn * axis[1], turn * axis[2])


def _quantity(name: str, value: float, unit: str, doubt: float) -> Quantity:
    low = max(0.0, value - doubt)
    term = Term("corners", value - low, doubt, FITTED)
    return Quantity(name, value, unit, low, value + doubt, (term,))

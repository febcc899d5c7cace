"""How much of a surface is under the required gap: on the meshes, for certain, and at most."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geomcheck.finding import Quantity, Term
from geomcheck.fit.body import IntArray
from geomcheck.fit.cells import Cells
from geomcheck.fit.margin import Margin
from geomcheck.fit.state import Gap
from geomcheck.mesh.query import point_distance


def area_under(cells: Cells, mine: IntArray, possible: IntArray) -> Quantity:
    """Area of cells under the required gap, mm2.

    Parameters
    ----------
    cells : Cells
    mine : (k,) int
        Those whose area between the meshes is asked for.
    possible : (l,) int
        Those that may be under it, by what facets and allowances leave open.
    """
    size = cells.area[mine]
    value = float((size * cells.share[mine]).sum())
    sure = min(float(size[cells.sure[mine]].sum()), value)
    least = float(size[cells.share[mine] >= 1.0].sum())
    most = max(float(size[cells.touched[mine]].sum()), value)
    widest = max(float(cells.area[possible].sum()), value)
    rim = Term(
        "size of the cells at the rim",
        max(0.0, value - max(least, sure)),
        min(most, widest) - value,
        "cells that are partly in it",
    )
    rest = Term(
        "facets and tolerances",
        value - sure - rim.minus,
        widest - value - rim.plus,
        "places whose gap they leave on either side of the requirement",
    )
    return Quantity("area under the required gap", value, "mm2", sure, widest, (rim, rest))


def at_least(area: Quantity, cells: Cells, gap: Gap, required: float, margin: Margin) -> Quantity:
    """The area with a low end above 0 where the gap is too small for certain.

    Cells near the worst place may be too large to lie under the requirement as a whole. By the
    Lipschitz bound all points within what is lacking for certain do; the cell that holds the
    place, drawn in towards it until it lies in that ball, is a part of them.

    Parameters
    ----------
    area : Quantity
    cells : Cells
        What it was made of.
    gap : Gap
        Of bodies that do not overlap.
    required : float
        mm.
    margin : Margin
    """
    if area.low > 0.0 or len(cells) == 0:
        return area
    here, there = np.array([gap.point_a]), np.array([gap.point_b])
    bound = margin.farthest(
        np.repeat(here, 3, axis=0)[None],
        np.array([gap.triangle_a]),
        np.array([gap.triangle_b]),
        np.repeat(there, 3, axis=0)[None],
        there,
        np.zeros(1),
    )[0, 0]
    reserve = required - float(bound)
    if reserve <= 0.0:
        return area
    corners = cells.front.corners
    row = int(point_distance(corners, here).triangle[0])
    share = min(1.0, reserve / float(np.linalg.norm(corners[row] - here, axis=1).max()))
    low = share**2 * float(cells.area[row])
    value = max(area.value, low)
    high = max(area.high, value)
    rim, rest = area.terms
    below = min(rim.minus, value - low)
    above = min(max(0.0, area.value + rim.plus - value), high - value)
    terms = (
        replace(rim, minus=below, plus=above),
        replace(rest, minus=value - low - below, plus=high - value - above),
    )
    return Quantity(area.name, value, area.unit, low, high, terms)

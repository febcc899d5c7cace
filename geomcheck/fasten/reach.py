"""Does a tool stand on a fastener, and how much room is left round it.

The rule. The tool rests on the head (see ``tools``) with its axis on the fastener's. It is a
rigid stack of cylinders that must also come off: it is lifted along the axis by the height of the
head, so each row of its profile sweeps from its lower end to its upper end plus that lift (a tool
that comes off sideways is not lifted). How it is turned is asked in ``access``.

How the room is measured, and its interval: :mod:`geomcheck.fasten.stack`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from geomcheck.errors import InputError
from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.seat import Seat
from geomcheck.fasten.stack import LIFT, WITHIN, Reach, Stack, free_from, stack_rooms
from geomcheck.fasten.tools import Tool

__all__ = ["LIFT", "WITHIN", "Reach", "free_from", "lift_off", "reach", "reach_each"]


def reach(
    fastener: Fastener,
    tool: Tool,
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> Reach:
    """Room round one tool on one fastener; see the module's rule.

    Parameters
    ----------
    fastener : Fastener
    tool : Tool
    obstacles : trimesh.Trimesh, (m, 3, 3) float, Obstacle, mapping of names to such, or iterable
        Everything that stands about the fastener, the part it sits on included.
    seat : Seat, optional
        As found by ``examine_seat``; the stated seat plane is taken if not given.
    lift : float
        mm above the seat below which nothing is looked at.
    within : float
        mm beyond the tool where the search ends.

    Raises
    ------
    InputError
        The tool does not drive this head, or a length is negative or not finite.
    CannotDecide
        The whole tool lies below the place where looking begins.
    """
    return reach_each(fastener, [tool], obstacles, seat=seat, lift=lift, within=within)[0]


def reach_each(
    fastener: Fastener,
    tools: Sequence[Tool],
    obstacles: Any,
    *,
    seat: Seat | None = None,
    lift: float = LIFT,
    within: float = WITHIN,
) -> list[Reach]:
    """:func:`reach` for several tools on one fastener, at once."""
    row = fastener.screw
    for tool in tools:
        if not tool.drives(row):
            raise InputError(
                f'the tool "{tool.name}" does not drive {row.size} {row.head} '
                f"({row.drive}, {row.across_flats:g} mm across flats)"
            )
    if not (0.0 <= lift < np.inf and 0.0 < within < np.inf):
        raise InputError("lift and within must be finite lengths, within more than 0")
    rest = fastener.rest
    stacks = [
        Stack(
            tool,
            [(rest + a, rest + b, d) for a, b, d in (*tool.base, *tool.profile)],
            lift_off(fastener, tool),
        )
        for tool in tools
    ]
    return stack_rooms(fastener, stacks, obstacles, seat=seat, lift=lift, within=within)


def lift_off(fastener: Fastener, tool: Tool) -> float:
    """How far the tool is lifted along the axis to come off, mm; 0 if it comes off sideways."""
    return 0.0 if tool.aside > 0.0 else fastener.screw.head_height

"""What is told of a movement, and what is brought to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Point, Quantity
from geomcheck.fit.motion import Pose
from geomcheck.fit.state import State


@dataclass(frozen=True, slots=True, eq=False)
class MovingGap:
    """The least gap over a movement.

    Parameters
    ----------
    state : str
        As in :mod:`geomcheck.fit.state` for a = moving, b = still; ``apart`` if no pose was found
        in contact.
    quantity : Quantity
        The signed gap with its interval, mm.
    pose : Pose
        Where the least gap, or the deepest overlap measured, was found.
    first : Pose or None
        Where contact is first met from rest on, to the tolerance; None without contact.
    point_moving, point_still : Point
        Witness points in that pose, mm.
    at_rest, still_at_rest : Point
        The same points where the parts stand, mm.
    triangle_moving, triangle_still : int
    direction : Point or None
        Unit vector, as the moving part stands, along which its wall is set back to widen the gap.
    proved : float
        No pose brings the facets nearer, mm; 0 where nothing was proved.
    boxes : int
        Boxes of poses looked at.
    complete : bool
        Whether the proof came within the tolerance.
    travel : float
        How much nearer two points may come than where the parts stand, mm, at most.
    depth : float or None
        Greatest depth measured, mm.
    undecided : tuple of str
        Why the bodies may be worse placed than ``state`` says.
    notes : tuple of str
    """

    state: State
    quantity: Quantity
    pose: Pose
    first: Pose | None
    point_moving: Point
    point_still: Point
    at_rest: Point
    still_at_rest: Point
    triangle_moving: int
    triangle_still: int
    direction: Point | None
    proved: float
    boxes: int
    complete: bool
    travel: float
    depth: float | None = None
    undecided: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """How far the true surface may stand off the mesh besides the facets' chord error.

    Parameters
    ----------
    amount : (m,) float64
        mm to either side of each facet.
    names : tuple of str
        What they are, for the report.
    """

    amount: NDArray[np.float64]
    names: tuple[str, ...] = ()

"""The kinds of movement: turns and shifts free of each other, ways from pose to pose, growth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.fit.motion import Element, FloatArray, Leg, Motion
from geomcheck.mesh.placement import apply, check_rigid, inverse

#: A turn of more than this between two way poses does not say which way round it goes.
HALF_TURN = 179.9


def turn(axis: Any, about: Any, low: float, high: float, name: str = "turn") -> Element:
    """Turn by ``low`` to ``high`` degrees about an axis.

    Parameters
    ----------
    axis : (3,) float
        Any length but 0.
    about : (3,) float
        A point on it, mm.

    Raises
    ------
    InputError
        No axis, or a range that is reversed or not finite.
    """
    vector = np.asarray(axis, dtype=np.float64)
    length = float(np.linalg.norm(vector))
    if not (vector.shape == (3,) and math.isfinite(length) and length > 1e-9):
        raise InputError(f"the axis of {name} has no direction", remedy="Give x, y, z")
    return Element(name, "turn", low, high, _point(vector / length), _point(about), angle=1.0)


def shift(along: Any, low: float, high: float, name: str = "x") -> Element:
    """Shift by ``low`` to ``high`` mm along a direction; a name such as ``x`` gets the sign."""
    vector = np.asarray(along, dtype=np.float64)
    length = float(np.linalg.norm(vector))
    if not (vector.shape == (3,) and math.isfinite(length) and length > 1e-9):
        raise InputError(f"the shift {name} has no direction", remedy="Give x, y, z")
    return Element(name, "shift", low, high, along=_point(vector / length))


def growth(
    about: Any,
    low: float,
    high: float,
    name: str,
    of: Literal["moving", "still"] = "moving",
    *,
    alpha: float = 0.0,
    drawn_at: float = 0.0,
) -> Element:
    """Growth about a point that stays: change of length per length, ``alpha (T - drawn_at)``.

    With ``alpha`` (per kelvin) poses are told as temperatures.
    """
    point = _point(about)
    return Element(name, "growth", low, high, about=point, of=of, alpha=alpha, drawn_at=drawn_at)


def box(elements: Sequence[Element]) -> Motion:
    """One leg: every mixture of the elements' values.

    Parameters
    ----------
    elements : sequence of Element
        Turns are done in the order given; shifts and growths stand aside from that.
    """
    order = {"shift": 0, "turn": 1, "way": 1, "growth": 2}
    turns = [e for e in reversed(elements) if order[e.kind] == 1]
    others = [e for e in elements if order[e.kind] != 1]
    return Motion((Leg(tuple(sorted((*others, *turns), key=lambda e: order[e.kind]))),))


def sweep(poses: Sequence[Any], about: Any) -> Motion:
    """From each pose to the next: a point goes straight, the part turns evenly about it.

    Parameters
    ----------
    poses : sequence of (4, 4) float
        Rigid motions from where the part stands; two or more.
    about : (3,) float
        The point, on the part where it stands, mm.

    Raises
    ------
    InputError
        Fewer than two poses, two equal neighbours, one that is not rigid, or half a turn between
        neighbours.
    """
    if len(poses) < 2:
        raise InputError("a sweep needs two or more poses", remedy="List where the part passes")
    places = [check_rigid(pose) for pose in poses]
    centre = np.asarray(about, dtype=np.float64)[None]
    legs = []
    for number, (begin, end) in enumerate(pairwise(places), 1):
        between = end @ inverse(begin)
        axis, angle = _axis_angle(between[:3, :3])
        here, there = apply(begin, centre)[0], apply(end, centre)[0]
        name = f"from pose {number} to pose {number + 1}"
        if angle > HALF_TURN:
            raise InputError(
                f"the turn {name} is half a turn: which way round it goes is not said",
                remedy="Add a pose between them",
            )
        if angle < 1e-9 and float(np.linalg.norm(there - here)) < 1e-9:
            raise InputError(f"nothing moves {name}", remedy="Leave one of the two out")
        element = Element(
            name, "way", 0.0, 1.0, _point(axis), _point(here), _point(there - here), angle
        )
        legs.append(Leg((element,), begin))
    return Motion(tuple(legs))


def _axis_angle(turn: FloatArray) -> tuple[FloatArray, float]:
    """Axis and angle (degrees, 0 to 180) of a rotation (3, 3)."""
    twice = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    sine = 0.5 * float(np.linalg.norm(twice))
    angle = math.degrees(math.atan2(sine, 0.5 * (float(np.trace(turn)) - 1.0)))
    if sine < 1e-12:
        return np.zeros(3), 0.0 if angle < 90.0 else 180.0
    return 0.5 * twice / sine, angle


def _point(values: Any) -> Point:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise InputError("a point or a direction must be three finite numbers")
    return (float(array[0]), float(array[1]), float(array[2]))

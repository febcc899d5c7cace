"""Marks of surfaces: the shape of a part about a place, in a line of text.

A mark holds the distances to the part from points on two spheres about the place, in steps of
0.01 mm. It is of the surface and not of its triangles, or of the file: the same shape exported
anew, or under another name, keeps its mark, while a wall that was moved, or anything that was put
on it, changes it.
"""

from __future__ import annotations

import base64
import binascii
import math
from functools import cache
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.mesh.probe import point_distance

FloatArray: TypeAlias = NDArray[np.float64]

#: Points on each sphere, and the spheres' radii as shares of the waiver's.
POINTS = 48
SPHERES = (0.5, 1.0)
STEP = 0.01
#: Distances may differ by this much, mm: rounding and float32 files far from the origin.
LOOSE = 0.03


def mark(tree: Any, at: Point, radius: float) -> str:
    """The mark of a part's surface about a place.

    Parameters
    ----------
    tree : TriangleTree, Trimesh or (m, 3, 3) float
    at : (3,) float
        mm.
    radius : float
        Of the outer sphere, mm.
    """
    distance = _distances(tree, at, radius)
    steps = np.minimum(np.rint(distance / STEP), 0xFFFF).astype("<u2")
    return base64.b85encode(steps.tobytes()).decode("ascii")


def same(text: str, tree: Any, at: Point, radius: float, allowance: float = 0.0) -> bool:
    """Whether a surface still has the mark ``text``.

    Parameters
    ----------
    text : str
        As :func:`mark` wrote it for the same place and radius.
    allowance : float
        mm by which distances may differ, on top of ``LOOSE``: the chord error of the mesh.

    Raises
    ------
    InputError
        The text is no mark.
    """
    try:
        known = np.frombuffer(base64.b85decode(text.encode("ascii")), dtype="<u2")
    except (ValueError, binascii.Error) as error:
        raise _no_mark() from error
    if known.shape != (POINTS * len(SPHERES),):
        raise _no_mark()
    distance = _distances(tree, at, radius)
    # What lies beyond the range of a mark is beyond it in both.
    now = np.minimum(distance, 0xFFFF * STEP)
    return bool((np.abs(now - known * STEP) <= LOOSE + STEP / 2 + allowance).all())


def _no_mark() -> InputError:
    return InputError(
        "this is no mark of a surface", remedy="let 'geomcheck waive' write the waiver anew"
    )


def _distances(tree: Any, at: Point, radius: float) -> FloatArray:
    points = np.concatenate([np.array(at) + radius * share * _sphere() for share in SPHERES])
    return np.asarray(point_distance(tree, points).distance)


@cache
def _sphere() -> FloatArray:
    """(POINTS, 3) directions spread evenly: a spiral of equal areas (Saff and Kuijlaars 1997)."""
    k = np.arange(POINTS) + 0.5
    z = 1.0 - 2.0 * k / POINTS
    turn = k * math.pi * (3.0 - math.sqrt(5.0))
    r = np.sqrt(1.0 - z * z)
    return np.column_stack([r * np.cos(turn), r * np.sin(turn), z])

"""Holes found on a vehicle's parts, each part searched once."""

from __future__ import annotations

import math
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.fasten.holes import Bore, Hole, find_holes
from geomcheck.finding import Point
from geomcheck.mesh.part import Part
from geomcheck.mesh.wraps import wraps
from geomcheck.project.assembly import Assembly

#: Holes stand square to a joint, and along a fastener, up to this angle (degrees) to be meant.
MEANT = 10.0

_FOUND: WeakKeyDictionary[Part, dict[tuple[float, float, float], tuple[Hole, ...]]]
_FOUND = WeakKeyDictionary()


@dataclass(frozen=True)
class Placed:
    """A hole where it crosses a plane.

    Parameters
    ----------
    hole : Hole
    bore : Bore
        The one at the plane, or next to it.
    point : Point
        Where its axis crosses the plane, mm.
    """

    hole: Hole
    bore: Bore
    point: Point


def holes_of(assembly: Assembly, name: str, radius: tuple[float, float]) -> tuple[Hole, ...]:
    """The holes of a part with a radius in a range, mm.

    Raises
    ------
    CannotDecide
        The mesh does not say on which side of its facets the material is.
    """
    part = assembly.parts[name]
    sound = part.soundness
    if sound.kind == "soup" or sound.inside_out:
        raise CannotDecide(
            f'the facets of "{name}" do not say on which side the metal is, so a hole cannot be '
            "told from a pin",
            remedy="export it as a closed mesh, its facets facing out",
        )
    scan = assembly.part_entries[name].scan
    noise = 0.0 if scan is None else scan.noise
    known = _FOUND.setdefault(part, {})
    key = (*radius, noise)
    if key not in known:
        known[key] = find_holes(part, radius=radius, noise=noise)
    return known[key]


def holes_at(
    assembly: Assembly,
    name: str,
    at: Point,
    normal: Point,
    *,
    within: float,
    reach: float,
    diameters: tuple[float, float],
) -> list[Placed]:
    """Holes of a part that cross a plane, or end near it.

    Parameters
    ----------
    assembly : Assembly
    name : str
    at, normal : Point
        Of the plane, mm; unit normal.
    within : float
        Greatest distance of a hole's axis from ``at``, in the plane, mm.
    reach : float
        How far from the plane its mouth or end may lie, mm.
    diameters : (float, float)
        Least and greatest, of the bore at the plane, mm.

    Raises
    ------
    CannotDecide
        See :func:`holes_of`.
    """
    radius = (0.5 * diameters[0], max(0.5 * diameters[1], 0.5 * diameters[0] + 1e-6))
    origin, square = np.asarray(at), np.asarray(normal)
    found = []
    for hole in holes_of(assembly, name, radius):
        axis = np.asarray(hole.axis)
        slope = float(axis @ square)
        if abs(slope) < math.cos(math.radians(MEANT)):
            continue
        # Depth below the mouth at which the axis crosses the plane.
        depth = float((np.asarray(hole.at) - origin) @ square) / slope
        if not -reach <= depth <= hole.depth + reach:
            continue
        point = np.asarray(hole.at) - depth * axis
        if float(np.linalg.norm(point - origin)) > within:
            continue
        bore = min(hole.bores, key=lambda b: (max(b.top - depth, depth - b.bottom, 0.0), b.radius))
        found.append(Placed(hole, bore, (float(point[0]), float(point[1]), float(point[2]))))
    return found


def metal_at(assembly: Assembly, name: str, at: Point, axis: Point, depth: float) -> bool:
    """Whether a line is surely in a part's metal somewhere in the first ``depth`` mm.

    Looked at from ``at`` against ``axis``, at a place every half millimetre; only a closed mesh
    can say yes.
    """
    part = assembly.parts[name]
    if not part.closed:
        return False
    count = max(2, math.ceil(2.0 * depth))
    steps = (np.arange(count) + 0.5) * (depth / count)
    points = np.asarray(at) - steps[:, None] * np.asarray(axis)
    return bool((wraps(part.tree, np.ascontiguousarray(points)) != 0).any())

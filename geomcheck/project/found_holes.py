"""Holes found on a vehicle's parts, each part searched once."""

from __future__ import annotations

import math
from weakref import WeakKeyDictionary

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.fasten.crossing import Placed, holes_crossing
from geomcheck.fasten.holes import Hole, find_holes
from geomcheck.finding import Point
from geomcheck.mesh.part import Part
from geomcheck.mesh.wraps import wraps
from geomcheck.project.assembly import Assembly

_FOUND: WeakKeyDictionary[Part, dict[tuple[float, float, float], tuple[Hole, ...]]]
_FOUND = WeakKeyDictionary()


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
    holes = holes_of(assembly, name, radius)
    return holes_crossing(holes, at, normal, within=within, reach=reach)


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

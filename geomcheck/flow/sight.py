"""How much of one port sees another in a straight line.

Two numbers are told apart. The visible share is the share of straight lines, drawn between points
spread evenly over the two openings, that meet no wall: 1 in a straight pipe whatever its length.
The view factor is the share of what leaves the first opening evenly in all directions (cosine
law) that arrives at the second without meeting a wall (J. R. Howell, "A Catalog of Radiation Heat
Transfer Configuration Factors"): it falls with the distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.stats import qmc
from scipy.stats import t as student

from geomcheck.errors import InputError
from geomcheck.finding import Quantity, Term
from geomcheck.flow.ports import Port
from geomcheck.flow.section import FloatArray
from geomcheck.mesh.probe import first_hit
from geomcheck.mesh.tree import as_tree

#: Scrambled point sets, and points of each (a power of two).
_SETS, _POINTS = 8, 2048
#: Coverage of the interval.
_COVERED = 0.99
#: Lines begin and end this share of their length off the openings.
_SHORT = 1e-6


@dataclass(frozen=True, eq=False)
class Sight:
    """What one port sees of another.

    Parameters
    ----------
    visible : Quantity
        Visible share, %.
    view_factor : Quantity
        From the first opening to the second, %.
    seen : (k, 2, 3) float64
        Some of the lines that meet no wall, for pictures; mm.
    blocked_at : (k, 3) float64
        Where some of the others first meet a wall, mm.
    """

    visible: Quantity
    view_factor: Quantity
    seen: FloatArray
    blocked_at: FloatArray


def line_of_sight(
    shape: Any, inlet: Port, mouth: Port, *, sets: int = _SETS, points: int = _POINTS
) -> Sight:
    """How much of ``inlet`` sees ``mouth`` past walls and obstacles.

    Parameters
    ----------
    shape : TriangleTree, Trimesh or (n, 3, 3) float
        Walls and obstacles, such as ``Void.tree``.
    inlet, mouth : Port
        Their normals point out of the duct.
    sets, points : int
        Independent scrambled Sobol sets, and points of each. The interval is that of the mean of
        the sets at 99 % (Student's t); where no line, or every line, is free, that of a share of
        which n independent draws show none (the exact binomial bound, C. J. Clopper and E. S.
        Pearson, Biometrika 26, 1934). It is the sampling's, the walls' facets are not in it.

    Raises
    ------
    InputError
        The openings face away from each other, or fewer than two sets.
    """
    if sets < 2 or points < 2:
        raise InputError("a line of sight needs two or more sets of two or more points")
    tree = as_tree(shape)
    share, factor = np.empty(sets), np.empty(sets)
    lines, heaviest = 0, 0.0
    seen: list[FloatArray] = []
    blocked: list[FloatArray] = []
    for number in range(sets):
        sampler = qmc.Sobol(4, seed=np.random.default_rng(20_260_101 + number))
        uv = sampler.random(1 << max(1, round(np.log2(points))))
        a, b = _spread(inlet, uv[:, :2]), _spread(mouth, uv[:, 2:])
        line = b - a
        length = np.linalg.norm(line, axis=1)
        if not (length > 0.0).all():
            raise InputError("the two openings touch: nothing lies between them")
        ahead = line / length[:, None]
        # Only lines that leave the one opening into the duct and arrive at the other from it count.
        leave, arrive = -(ahead @ inlet.normal), ahead @ mouth.normal
        facing = (leave > 0.0) & (arrive > 0.0)
        start = a + _SHORT * line
        t, _ = first_hit(tree, start, line)
        free = facing & (t >= (1.0 - 2.0 * _SHORT) * length)
        share[number] = free.mean()
        kernel = np.clip(leave, 0, None) * np.clip(arrive, 0, None) / (np.pi * length**2)
        factor[number] = mouth.area * (kernel * free).mean()
        lines += len(line)
        heaviest = max(heaviest, mouth.area * float(kernel.max()))
        if number == 0:
            seen.append(np.stack([a[free], b[free]], axis=1)[:64])
            stopped = np.flatnonzero(facing & ~free)[:64]
            blocked.append(start[stopped] + t[stopped, None] * ahead[stopped])
    unseen = 1.0 - (0.5 * (1.0 - _COVERED)) ** (1.0 / lines)
    least = (0.0 if share.any() else unseen, 0.0 if share.min() < 1.0 else unseen)
    return Sight(
        _quantity("share in straight sight", share, *least),
        _quantity("view factor", factor, *(heaviest * bound for bound in least)),
        np.concatenate(seen),
        np.concatenate(blocked),
    )


def _quantity(name: str, values: FloatArray, above: float, below: float) -> Quantity:
    """The mean of the sets; at least ``above`` and ``below`` are left open on its two sides."""
    mean = float(values.mean())
    sets = len(values)
    times = float(student.ppf(0.5 * (1.0 + _COVERED), sets - 1))
    half = 100.0 * times * float(values.std(ddof=1)) / float(np.sqrt(sets))
    value = 100.0 * mean
    term = Term(
        "sampling",
        min(max(half, 100.0 * below), value),
        min(max(half, 100.0 * above), 100.0 - value),
        "99 % of repeated samples",
    )
    return Quantity.from_terms(name, value, "%", (term,))


def _spread(port: Port, uv: FloatArray) -> FloatArray:
    """(n, 3) points spread evenly over an opening, from (n, 2) points of the unit square."""
    triangles = _triangles(port)
    e, f = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    area = 0.5 * np.abs(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0])
    ends = np.concatenate([[0.0], np.cumsum(area)])
    at = uv[:, 0] * ends[-1]
    row = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(area) - 1)
    # What is left of the first number within its triangle is as good as a fresh one.
    r = np.sqrt((at - ends[row]) / area[row])[:, None]
    q = uv[:, 1:2]
    xy = triangles[row, 0] + r * (1.0 - q) * e[row] + r * q * f[row]
    return np.asarray(port.point + xy @ port.frame[3:9].reshape(2, 3))


def _triangles(port: Port) -> FloatArray:
    parts: Sequence[Any] = shapely.get_parts(shapely.constrained_delaunay_triangles(port.polygon))
    found = np.array([shapely.get_coordinates(part)[:3] for part in parts])
    e, f = found[:, 1] - found[:, 0], found[:, 2] - found[:, 0]
    return np.asarray(found[np.abs(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]) > 0.0])

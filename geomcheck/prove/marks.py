"""What would tell a part from what was planted in its place: its size, points on its surface.

A mark is proposed only where the part as it is keeps it and what was planted does not, judged as
part-sound judges it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.finding import Requirement, Verdict
from geomcheck.mesh.fits import furthest_off, size_difference
from geomcheck.mesh.part import Part
from geomcheck.mesh.probe import point_distance
from geomcheck.project.entries import PartEntry
from geomcheck.prove import shape

FloatArray: TypeAlias = NDArray[np.float64]

#: Tolerances that are tried, mm, widest first: of the size, of points on the surface.
SIZES, POINTS = (1.0, 0.5, 0.2, 0.1, 0.05), (0.5, 0.2, 0.1, 0.05)
#: Points that are proposed, and how far they must be apart, as a share of the part's size.
COUNT, APART = 3, 0.1


class Mark(NamedTuple):
    """Lines for the part's entry, the keys they take the place of, and why they are wanted."""

    why: str
    add: str
    replaces: tuple[str, ...] = ()


def size_mark(part: Part, planted: Part, entry: PartEntry) -> Mark | None:
    """A size and its tolerance, where they tell the two apart."""
    low, high = part.file_bounds
    size = tuple(round(float(x), 2) for x in high - low)
    for tolerance in SIZES:
        if entry.size is not None and tolerance >= entry.size_tolerance:
            continue
        need = Requirement("at most", tolerance, "mm", "size_tolerance")
        was, now = (
            need.decide(size_difference(one, size, tolerance)[1]) for one in (part, planted)
        )
        if was is Verdict.PASS and now is not Verdict.PASS:
            lines = [f"size = [{', '.join(f'{x:.2f}' for x in size)}]   # mm, as it is now"]
            if tolerance != SIZES[0]:
                lines.append(f"size_tolerance = {tolerance}")
            if entry.size is None:
                return Mark(f"no size is declared for {part.name}", "\n".join(lines))
            why = f"its size is allowed to differ by {entry.size_tolerance:g} mm"
            return Mark(why, "\n".join(lines), ("size", "size_tolerance"))
    return None


def surface_mark(part: Part, planted: Part, entry: PartEntry) -> Mark | None:
    """Points on the part that are off what was planted."""
    points = _telling(part, planted)
    if not len(points):
        return None
    given = (*entry.on_surface, *(tuple(map(float, row)) for row in points))
    for tolerance in POINTS:
        if entry.on_surface and tolerance > entry.on_surface_tolerance:
            continue
        need = Requirement("at most", tolerance, "mm", "on_surface_tolerance")
        was, now = (
            need.decide(furthest_off(one, given, tolerance).quantity) for one in (part, planted)
        )
        if was is not Verdict.PASS or now is Verdict.PASS:
            continue
        rows = ", ".join("[" + ", ".join(f"{x:.4f}" for x in row) + "]" for row in given)
        lines = [f"on_surface = [{rows}]   # in the file's axes, as it is now"]
        if tolerance != POINTS[0]:
            lines.append(f"on_surface_tolerance = {tolerance}")
        if not entry.on_surface:
            return Mark(f"no points are declared on the surface of {part.name}", "\n".join(lines))
        why = f"the points declared on {part.name} lie on that, too"
        return Mark(why, "\n".join(lines), ("on_surface", "on_surface_tolerance"))
    return None


def _telling(part: Part, planted: Part) -> FloatArray:
    """(k, 3) points of the part farthest off what was planted, apart from one another; rounded.

    Corners, and the middles of facets: the corners of a pocket may lie on a part without it, too.
    """
    points = shape.in_file(part)
    points = np.concatenate([points, points[part.faces].mean(axis=1)])
    corners = np.unique(np.round(points, 4), axis=0)
    corners = corners[:: max(1, len(corners) // 20000)]
    off = point_distance(planted.tree, part.placed(corners)).distance
    apart = APART * float(np.ptp(corners, axis=0).max())
    chosen: list[int] = []
    for k in _falling(off):
        if all(np.linalg.norm(corners[k] - corners[j]) > apart for j in chosen):
            chosen.append(k)
        if len(chosen) == COUNT:
            break
    return corners[[k for k in chosen if off[k] > POINTS[-1]]]


def _falling(values: FloatArray) -> Iterator[int]:
    yield from np.argsort(-values, kind="stable").tolist()

"""What obstacles leave open as the air sees it: a bound that no surface across can undercut.

Every plane cuts a blade that lies askew only once, while the rest of it stands before and behind:
the plane shows more than the blade leaves open. What is open along the path from before to behind
the blade bounds it from below (``geomcheck.flow.stream``). The stretch reaches from before the
first to behind the last of the obstacles that stand near each other; walls in it count as well.
What is cast into a wall beyond the stretch is not seen by this bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from geomcheck.flow.path import FlowPath
from geomcheck.flow.result import Survey
from geomcheck.flow.section import FloatArray, Surface
from geomcheck.flow.stream import Line, open_along

#: Obstacles no further apart along the path than this share of the bore's diameter act together:
#: two plates from opposite walls have a gap from tip to tip below that of one plane only when
#: nearer than 1 / sqrt(3) of the height (a plane figure).
TOGETHER = 0.6
#: Points on the edges of obstacles: no further apart than this (mm), and most on one edge.
_APART, _MOST = 1.0, 64


@dataclass(frozen=True, slots=True)
class Behind:
    """What a group of obstacles leaves open at least.

    ``low``: mm2 that no surface across the stretch can undercut, facets allowed for. ``begin``,
    ``end``: the stretch, mm along the path. ``obstacles``: their numbers.
    """

    low: float
    begin: float
    end: float
    obstacles: tuple[int, ...]


def open_behind(survey: Survey, surfaces: Sequence[Surface], walls: int) -> tuple[Behind, ...]:
    """What each group of obstacles of a survey leaves open along the path.

    Parameters
    ----------
    survey : Survey
    surfaces : sequence of Surface
        As they were surveyed: walls first.
    walls : int
        How many of them are walls.

    Returns
    -------
    tuple of Behind
        Along the path; ``low`` is 0 where nothing can be said: the path bends too tightly.
    """
    measured = [row for row in survey.cuts if row.state == "measured"]
    if not measured:
        return ()
    reach = max(float(np.hypot(*np.abs(row.box.reshape(2, 2)).max(axis=0))) for row in measured)
    found = []
    for number in range(walls, len(surfaces)):
        where = _stretch(survey.path, surfaces[number], reach)
        if where is not None:
            found.append((*where, number))
    wide = float(np.sqrt(4.0 * survey.throat.area.value / np.pi))
    out = []
    for begin, end, numbers in _grouped(sorted(found), TOGETHER * wide):
        before = [row for row in measured if row.s < begin] or measured[:1]
        after = [row for row in measured if row.s > end] or measured[-1:]
        if before[-1].s >= after[0].s:
            continue
        line = Line.of(survey.path, before[-1].s, after[0].s)
        low = open_along(surfaces, line, before[-1].shape(), after[0].shape()).low
        out.append(Behind(low, before[-1].s, after[0].s, numbers))
    return tuple(out)


def _stretch(path: FlowPath, surface: Surface, reach: float) -> tuple[float, float] | None:
    """Part of the path beside which a surface comes within reach of it; None: nowhere."""
    places = np.linspace(0.0, path.length, int(np.ceil(path.length / 0.5)) + 1)
    apart, near = cKDTree(path.frames(places)[:, :3]).query(_points(surface))
    close = near[apart <= reach + _APART]
    if not len(close):
        return None
    return float(places[close.min()]) - 0.5, float(places[close.max()]) + 0.5


def _points(surface: Surface) -> FloatArray:
    """Corners, and points on edges longer than ``_APART``."""
    faces = surface.faces
    edges = np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    a, b = surface.vertices[edges[:, 0]], surface.vertices[edges[:, 1]]
    count = np.clip(np.ceil(np.linalg.norm(b - a, axis=1) / _APART), 1, _MOST).astype(int)
    row = np.repeat(np.arange(len(edges)), count)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)) / count[row]
    return np.concatenate([surface.vertices, a[row] + share[:, None] * (b - a)[row]])


def _grouped(
    found: Sequence[tuple[float, float, int]], apart: float
) -> list[tuple[float, float, tuple[int, ...]]]:
    groups: list[tuple[float, float, tuple[int, ...]]] = []
    for begin, end, number in found:
        if groups and begin - groups[-1][1] <= apart:
            first, last, numbers = groups[-1]
            groups[-1] = (first, max(last, end), (*numbers, number))
        else:
            groups.append((begin, end, (number,)))
    return groups

"""The flow path of a duct, found from its walls and ports.

The potential between two ports is solved on the cells of the void; the centroids of its levels,
each point of a level weighted alike, are the path. A dead branch has no gradient and does not
draw the path aside; a part that stands in the bore would, so the path is found with obstacles
left out. A smoothing spline through the centroids begins and ends in the middle of its ports,
square to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.interpolate import BSpline

from geomcheck.errors import InputError
from geomcheck.flow.cutcells import cut_cells
from geomcheck.flow.levels import Levels, level_areas
from geomcheck.flow.path import FlowPath
from geomcheck.flow.ports import Port
from geomcheck.flow.potential import Potential, solve
from geomcheck.flow.section import FloatArray
from geomcheck.flow.void import Seal, Void, find_void

#: Knots of the spline, and points of the path, per hydraulic diameter of the narrower port.
_KNOTS = 4.0
_POINTS = 8.0
#: A level with more still air than this share lies beside a dead branch; so do those within this
#: share of a diameter of it; weight of their centroids.
_STILL, _BESIDE, _LITTLE = 0.02, 0.35, 0.02
#: Fewest spans between knots.
_SPANS = 6


@dataclass(frozen=True, eq=False)
class Route:
    """The flow path from an inlet to one or more outlets.

    Parameters
    ----------
    paths : tuple of FlowPath
        Per outlet, inlet first.
    levels : tuple of Levels
        Per outlet; ``s`` is along the path.
    potentials : tuple of Potential
    scatter : tuple of float
        Per outlet: root mean square distance of the levels' centroids from the path, mm.
    void : Void
        Without the obstacles.
    """

    paths: tuple[FlowPath, ...]
    levels: tuple[Levels, ...]
    potentials: tuple[Potential, ...]
    scatter: tuple[float, ...]
    void: Void

    @property
    def path(self) -> FlowPath:
        """The path to the first outlet."""
        return self.paths[0]

    @property
    def sealed(self) -> tuple[Seal, ...]:
        """Openings that were sealed on request."""
        return self.void.sealed


def find_path(
    walls: Any,
    inlet: Port,
    outlets: Port | Sequence[Port],
    *,
    obstacles: Any = (),
    closed: Sequence[Port] = (),
    spacing: float | None = None,
    budget: int = 200_000,
    solid: bool = False,
    seal: float = 0.0,
) -> Route:
    """Flow path from an inlet to one or more outlets.

    Parameters
    ----------
    walls : mesh or sequence of meshes
    inlet : Port
    outlets : Port or sequence of Port
        Each gets a path of its own; on the way to one the others are shut.
    obstacles : mesh or sequence of meshes
        Parts that stand in the bore. They are left out on purpose, and taken here so that the
        same arguments serve for the void and for the path.
    closed, spacing, budget, solid, seal
        As for :func:`geomcheck.flow.void.find_void`.

    Raises
    ------
    InputError, CannotDecide
        As :func:`geomcheck.flow.void.find_void`, and where the duct is too short for its cells.
    """
    del obstacles
    ends = (outlets,) if isinstance(outlets, Port) else tuple(outlets)
    if not ends:
        raise InputError("a flow path needs an outlet")
    void = find_void(
        walls, (inlet, *ends), closed=closed, spacing=spacing, budget=budget, solid=solid, seal=seal
    )
    cut = cut_cells(void)
    paths, levels, potentials, scatter = [], [], [], []
    for k in range(len(ends)):
        potential = solve(void, 0, k + 1, cut=cut)
        found = level_areas(potential)
        path, off = line_through(found.centroid, inlet, ends[k], _trust(found, inlet, ends[k]))
        paths.append(path)
        scale = path.length / found.length
        levels.append(replace(found, s=found.s * scale, length=path.length))
        potentials.append(potential)
        scatter.append(off)
    return Route(tuple(paths), tuple(levels), tuple(potentials), tuple(scatter), void)


def _trust(levels: Levels, inlet: Port, outlet: Port) -> FloatArray:
    """(n,) weight of each level's centroid: little beside a dead branch, where levels bulge."""
    across = min(inlet.hydraulic_diameter, outlet.hydraulic_diameter)
    bulging = levels.s[levels.still > _STILL]
    if not len(bulging):
        return np.ones(len(levels.s))
    apart = np.abs(levels.s[:, None] - bulging).min(axis=1)
    return np.where(apart < _BESIDE * across, _LITTLE, 1.0)


def line_through(
    points: FloatArray, inlet: Port, outlet: Port, weight: FloatArray
) -> tuple[FlowPath, float]:
    """Smooth path through points from port to port, square to both.

    Least squares, with weights (n,), in cubic B-splines over the arc length; place and tangent at
    the ends are held.

    Returns
    -------
    path : FlowPath
    scatter : float
        Root mean square distance of the points from the path, mm.
    """
    line = np.vstack([inlet.centroid, points, outlet.centroid])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    across = min(inlet.hydraulic_diameter, outlet.hydraulic_diameter)
    for _ in range(3):
        length = float(s[-1])
        spans = max(_SPANS, int(np.ceil(_KNOTS * length / across)))
        spans = max(1, min(spans, len(points) // 2))
        knots = np.r_[[0.0] * 3, np.linspace(0.0, length, spans + 1), [length] * 3]
        spline = _fitted(knots, s, line, weight, -inlet.normal, outlet.normal)
        fine = np.linspace(0.0, length, 16 * spans + 1)
        where = spline(fine)
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(where, axis=0), axis=1))])
        off = line - spline(s)
        s = np.interp(s, fine, arc)
    scatter = float(np.sqrt((off[1:-1] ** 2).sum(axis=1).mean()))
    count = max(9, int(np.ceil(_POINTS * length / across)) + 1)
    at = np.interp(np.linspace(0.0, arc[-1], count), arc, fine)
    chosen = spline(at)
    chosen[0], chosen[-1] = inlet.centroid, outlet.centroid
    return FlowPath(chosen), scatter


def _fitted(
    knots: FloatArray,
    s: FloatArray,
    line: FloatArray,
    weight: FloatArray,
    begin: FloatArray,
    end: FloatArray,
) -> BSpline:
    """Cubic spline with ends and unit end tangents held, nearest to the points in between."""
    count = len(knots) - 4
    basis = BSpline.design_matrix(np.clip(s[1:-1], 0.0, knots[-1]), knots, 3).toarray()
    held = np.zeros((count, 3))
    held[0], held[-1] = line[0], line[-1]
    # The derivative at an end is three times the step to the next coefficient over the span.
    held[1] = line[0] + begin * (knots[4] - knots[0]) / 3.0
    held[-2] = line[-1] - end * (knots[-1] - knots[-5]) / 3.0
    free = np.arange(2, count - 2)
    if len(free):
        rest = (line[1:-1] - basis @ held) * weight[:, None]
        held[free] = np.linalg.lstsq(basis[:, free] * weight[:, None], rest, rcond=None)[0]
    return BSpline(knots, held, 3)

"""Level surfaces of the potential: their areas and centroids, by the co-area formula.

The integral of |grad u| over the void between two levels is the integral of the levels' areas
over u (H. Federer, 1959, "Curvature measures"; from memory). So the mean area of the levels in a
slice is that integral over the difference of u, and it needs no surface. Where the flow all but
stands still, as in a dead branch, the void is left out. Near the ends of a bend the levels bow,
and on a cone they are caps: such a level is larger than the plane section there, rightly, because
it is another surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.flow.potential import Potential
from geomcheck.flow.section import FloatArray, IntArray

#: Slices in which the arc length is first found.
_FINE = 400
#: Air slower than the first share of its stream's mean is still and left out; faster than the
#: second it counts in full. At the outside of a bend of R/D 0.55 it is a quarter.
STILL = 0.1, 0.2
#: Slices in which the stream's mean is taken.
_STREAM = 100
#: Slices begin and end this many cells from a port.
_PORT = 2.0


@dataclass(frozen=True, eq=False)
class Levels:
    """Slices of the void between levels, inlet first, clear of the ports.

    Parameters
    ----------
    edges : (n, 2) float64
        Potential at the beginning and the end of each slice; it falls from the inlet's 1.
    s : (n,) float64
        Distance from the inlet along the line of centroids, mm.
    area : (n,) float64
        Mean area of the levels in the slice, mm2.
    centroid : (n, 3) float64
        Mean of the levels' centroids, mm.
    still : (n,) float64
        Share of the levels' area that was left out because the flow all but stands still there.
    length : float
        Of that line from port to port, mm.
    """

    edges: FloatArray
    s: FloatArray
    area: FloatArray
    centroid: FloatArray
    still: FloatArray
    length: float


class Slices:
    """What the co-area integrals need, per cell."""

    def __init__(self, potential: Potential) -> None:
        rows = potential.rows
        void, cut = potential.void, potential.cut
        h = void.spacing
        share = cut.volumes(h)[rows]
        self.u = potential.u[rows]
        gradient = potential.gradient[rows]
        slope = np.linalg.norm(gradient, axis=1)
        self.volume = share * h**3
        self.weight = slope * self.volume
        self.flow = slope * self.weight
        # u over a cube is spread as the sum of three even spreads, one for each side.
        self.span = np.sort(np.abs(gradient) * h, axis=1)
        self.span[:, 2] = np.maximum(self.span[:, 2], 1e-12)
        self.span[:, 1] = np.maximum(self.span[:, 1], 1e-3 * self.span[:, 2])
        self._leave_out_still_air()
        at = void.grid.centres(cut.cells[rows])
        # The open part of a cut cell lies off its centre, away from the wall.
        self.at = at + (0.5 * h * (1.0 - share))[:, None] * cut.normal[rows]

    def _leave_out_still_air(self) -> None:
        """Take dead branches out: where the flow is slow against the mean of its stream."""
        edges = np.linspace(0.0, 1.0, _STREAM + 1)
        flow, weight = self.sums(edges, self.flow, self.weight)
        # Twice, so that a wide dead branch does not lower the mean it is held against.
        for _ in range(2):
            mean = flow / np.maximum(weight, 1e-300)
            middle = 0.5 * (edges[1:] + edges[:-1])
            slope = self.flow / np.maximum(self.weight, 1e-300)
            ratio = slope / np.maximum(np.interp(self.u, middle, mean), 1e-300)
            part = np.clip((ratio - STILL[0]) / (STILL[1] - STILL[0]), 0.0, 1.0)
            flow, weight = self.sums(edges, part * self.flow, part * self.weight)
        self.still = (1.0 - part) * self.weight
        self.volume = part * self.volume
        self.weight = part * self.weight
        self.flow = part * self.flow

    def sums(self, edges: FloatArray, *values: FloatArray) -> list[FloatArray]:
        """Sums of values over the slices between ascending ``edges``."""
        count = len(edges) - 1
        reach = 0.5 * self.span.sum(axis=1)
        first = np.clip(np.searchsorted(edges, self.u - reach, side="right") - 1, 0, count - 1)
        last = np.clip(np.searchsorted(edges, self.u + reach, side="left") - 1, 0, count - 1)
        out = [np.zeros(count) for _ in values]
        rows = np.arange(len(self.u))
        below = self._below(edges[first], rows)
        k = 0
        while len(rows):
            slot = first[rows] + k
            above = self._below(edges[slot + 1], rows)
            for total, value in zip(out, values, strict=True):
                total += np.bincount(slot, (above - below) * value[rows], count)
            k += 1
            more = first[rows] + k <= last[rows]
            rows, below = rows[more], above[more]
        return out

    def _below(self, level: FloatArray, rows: IntArray) -> FloatArray:
        """Share of each of some cells that lies below a level.

        Exact for the two larger spreads; two Gauss points for the least.
        """
        least, b, a = self.span[rows].T
        out = np.zeros(len(rows))
        for shift in (-1.0, 1.0):
            t = level - self.u[rows] + shift * least / (2.0 * np.sqrt(3.0))
            for sign_a in (1.0, -1.0):
                for sign_b in (1.0, -1.0):
                    x = np.clip(t + 0.5 * (sign_a * a + sign_b * b), 0.0, None)
                    out += 0.25 * sign_a * sign_b * x * x / (a * b)
        return np.clip(out, 0.0, 1.0)


def level_areas(potential: Potential, step: float | None = None) -> Levels:
    """Areas and centroids of the levels, in slices of equal arc length.

    ``step``: thickness of a slice, mm; two cells when not given.
    """
    h = potential.void.spacing
    slices = Slices(potential)
    order = np.argsort(slices.u, kind="stable")
    filled = np.cumsum(slices.volume[order])
    at = np.interp(np.linspace(0, 1, _FINE + 1)[1:-1], filled / filled[-1], slices.u[order])
    fine = np.unique(np.concatenate([[0.0], np.clip(at, 1e-9, 1 - 1e-9), [1.0]]))
    s = _arc(slices, fine)
    wanted = max(8, round(float(s[-1]) / (2.0 * h if step is None else step)))
    edges = np.interp(np.linspace(0.0, s[-1], wanted + 1), s, fine)
    edges[0], edges[-1] = 0.0, 1.0
    weight, still, *moments = slices.sums(
        edges, slices.weight, slices.still, *(slices.weight * slices.at[:, k] for k in range(3))
    )
    area = weight / np.diff(edges)
    centroid = np.stack(moments, axis=1) / weight[:, None]
    arc = _arc(slices, edges)
    # Ports cut the cells beside them: there the port itself is the level.
    whole = (arc[:-1] > _PORT * h) & (arc[1:] < arc[-1] - _PORT * h)
    if not whole.any():
        raise CannotDecide(
            "the duct is too short for its cells: no level lies clear of the ports",
            remedy="give a smaller spacing of cells",
        )
    rows = np.flatnonzero(whole)[::-1]
    ends = [
        np.mean([potential.void.ports[k].centroid for k in side], axis=0)
        for side in (potential.inlets, potential.outlets)
    ]
    line = np.vstack([ends[0], centroid[rows], ends[1]])
    s = np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))
    pairs = np.stack([edges[1:], edges[:-1]], axis=1)[rows]
    share = still / (weight + still)
    return Levels(pairs, s[:-1], area[rows], centroid[rows], share[rows], float(s[-1]))


def _arc(slices: Slices, edges: FloatArray) -> FloatArray:
    """Distance of levels from the lowest: mean thickness of the slices, weighted by the flow.

    A slice's thickness is the sum of |grad u| du over that of |grad u|^2: volume over area with
    dead branches left out.
    """
    flow, area = slices.sums(edges, slices.flow, slices.weight)
    return np.concatenate([[0.0], np.cumsum(area * np.diff(edges) / flow.clip(1e-300))])

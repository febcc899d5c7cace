"""How far the true surface may stand off the facets.

A mesh of a smooth surface has its corners on the surface and its facets inside convex places
(outside concave ones). The distance between facet and surface, the sagitta or chord error, is not
written in the file. It is declared by whoever exported the mesh, or estimated from the angles at
which facets meet:

**Strips.** Across a fold the two facets are taken as two chords of one arc. With the widths ``w``
and ``v`` of the facet and its neighbour and the angle ``t`` between them, the facet's share of the
fold, half its arc, is ``a = t w / (w + v)`` and its sagitta ``(w / 2) tan(a / 2)`` (elementary
geometry of the circle: exact for strips of a round cylinder, equal or not). Where the neighbour's
curvature, known from its other side, leaves more of the fold than that, it gets more. Facets that
meet at less than 0.02 degrees, or at what the rounding of their corners makes, are pieces of one
flat, and the flat's width counts.

**Surfaces curved both ways.** At a corner where the surface goes on smoothly its normal is the
mean of the facets' normals with the weights of N. Max, "Weights for computing vertex normals from
facet normals", Journal of Graphics Tools 4 (2), 1999, exact on a sphere. A side ``e`` between
corners with normals ``n`` and ``m`` then stands off by ``e (m - n) / 8``, and over the triangle
the quadratic form with these three values has its highest point (derived here; exact for a
parabola, 4 % low for the coarsest arc let through). A triangle or quadrangle curved on all sides
gets that where it is more than its strips give, and at least 0.8 of what a neighbour of its size
gets, since curvature varies.

**Edges.** Not every fold belongs to a curve. An arc that runs tangent into two flats shows one
fold more than it has chords, so a curve has at least two folds of like sign in a row:

- A single fold, beyond which neither facet bends on the same way, is an edge of the part and adds
  nothing: a folded sheet, a draft, a roof. So is one of more than 46 degrees, and so is any fold
  that would make one facet stand for a wider arc than that, such as both of a 45 degree chamfer.
- A flat over twice as wide as the strip beside it is a plane that runs into a curve, unless the
  fold is wider than the strip's own curvature makes it. It is a plane, too, if it bends no further
  at its far side or is over six times as wide. It gets 0.4 of what the strip gets, as curvature
  may run out over it, and the strip's half arc is the whole fold.

All of it is multiplied by 1.25: chords tell the mean curvature near a facet, not the greatest.

What cannot be told from the facets, and wants a declared sagitta:

- Fewer than eight segments a turn read as a prism; so does an arc cut into two facets between
  sharp edges, and strips more than six times wider than both strips beside them.
- Two like folds in a row read as a coarse curve: a shallow tray, an octagonal bar, a prism of more
  sides, a chamfer of 20 degrees to either face.
- A triangle that a decimation has folded by more than 46 degrees against its neighbours.
- Noise of a scan reads as curvature of the size of the noise.

Measured against closed forms (``tests/mesh/test_sagitta.py``), estimate over truth: strips of
cylinders, bores and fillets 1.25, with widths up to 1:5 and at random; cones 1.2 to 2.8; spheres
1.1 to 1.3; tori 1.05 to 2.7 on either side (0.8 on single facets with eight segments a turn and
thirty times longer than wide); turned, swept and wavy surfaces 1.0 to 3, more where a facet needs
next to nothing; quadric decimation of spheres and tori 0.8 to 4, under 1 on 1 % of the facets;
free borders of coarse open sheets down to 0.75; points scattered at random under 1 on 1 to 8 % of
the facets, by up to half of the greatest sagitta.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import facets
from geomcheck.kernels.normals import corner_normals, raise_facets
from geomcheck.mesh.bodies import resolution
from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.soundness import Soundness

#: Chords tell the mean curvature near a facet; the greatest may be more by this.
FACTOR = 1.25
#: Share of the resolution (mm) below which a stand-off is rounding of the corners.
ROUNDING = 0.25
#: A facet longer than its neighbour by more than this is not taken to be curved along its length.
LONG = 10.0
#: A triangle whose altitude is less than this share of its longest side is a needle.
NEEDLE = 0.1


@dataclass(frozen=True, eq=False)
class Sagitta:
    """Stand-off of the true surface from each facet.

    Parameters
    ----------
    outward : (m,) float64
        mm the true surface may lie outside facet i (on the side its normal points to).
    inward : (m,) float64
        mm it may lie inside.
    source : {"estimated", "declared"}
    """

    outward: NDArray[np.float64]
    inward: NDArray[np.float64]
    source: Literal["estimated", "declared"]

    @classmethod
    def declared(cls, value: float, m: int) -> Sagitta:
        """The chord error a mesh of ``m`` triangles was exported with, mm, on both sides.

        Raises
        ------
        InputError
            ``value`` is negative or not finite.
        """
        if not (np.isfinite(value) and value >= 0.0):
            raise InputError(f"a sagitta of {value} mm makes no sense", remedy="State it in mm")
        bound = np.full(m, float(value))
        return cls(bound, bound, "declared")

    def widened(self, amount: float) -> Sagitta:
        """The same with ``amount`` (mm) added on both sides, as for coarsely rounded corners."""
        return Sagitta(self.outward + amount, self.inward + amount, self.source)

    @property
    def largest(self) -> float:
        """The largest stand-off of any facet on either side, mm."""
        return float(max(self.outward.max(initial=0.0), self.inward.max(initial=0.0)))


def estimate(
    vertices: Any, faces: Any, soundness: Soundness, edges: EdgeTable | None = None
) -> Sagitta:
    """Estimate the sagitta of every facet from the angles between facets.

    Where the facing is not that of a solid (open and soup, or turned inside out) the surface may
    lie on either side, and both sides get the sum.

    Parameters
    ----------
    vertices : (n, 3) float
        mm.
    faces : (m, 3) int
    soundness : Soundness
        Of the same mesh.
    edges : EdgeTable, optional
        Of the same mesh, where the caller has it.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    table = EdgeTable.of(corners, len(points)) if edges is None else edges
    convex, concave = FACTOR * _stand_off(points, corners, table)
    if not soundness.solid:
        both = convex + concave
        return Sagitta(both, both, "estimated")
    return Sagitta(convex, concave, "estimated")


def _stand_off(
    points: NDArray[np.float64], corners: NDArray[np.int64], table: EdgeTable
) -> NDArray[np.float64]:
    """Stand-off of each facet (2, m) on the side it faces and on the other, mm."""
    normals = _unit_normals(points, corners)
    thin = resolution(points)
    mate, turn, level, width, across, whole = facets.find_folds(
        points, corners, normals, table.order, table.start, thin
    )
    bend, plane = facets.find_bends(mate, turn, level, width, across, whole)
    out: NDArray[np.float64] = facets.stand_off(
        normals, mate, turn, level, width, across, whole, bend, plane, ROUNDING * thin
    )
    smooth = bend | (level > 0)
    at, edge = corner_normals(points, corners, table.order, table.start, smooth, plane)
    curved = bend & ~plane & ~plane[mate] & (width < LONG * width[mate])
    raise_facets(
        points, corners, normals, at, edge, mate, level, curved, table.order, table.start, out
    )
    _cover_needles(points, corners, table, (mate < 0).reshape(-1, 3).all(axis=1), out)
    return out


def _cover_needles(
    points: NDArray[np.float64],
    corners: NDArray[np.int64],
    table: EdgeTable,
    lone: NDArray[np.bool_],
    out: NDArray[np.float64],
) -> None:
    """Give needles that go on over no side what the facets over their longest side get."""
    rows = np.flatnonzero(lone)
    triangles = points[corners[rows]]
    sides = np.linalg.norm(np.roll(triangles, -1, axis=1) - triangles, axis=2)
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    longest = sides.argmax(axis=1)
    most = sides.max(axis=1, initial=0.0)
    needle = np.linalg.norm(normal, axis=1) < NEEDLE * most**2
    rows, longest = rows[needle], longest[needle]
    if len(rows) == 0 or len(table) == 0:
        return
    edge_of = np.full(3 * len(corners), -1, dtype=np.int64)
    edge_of[table.order] = np.repeat(np.arange(len(table)), np.diff(table.start))
    edge = edge_of[3 * rows + longest]
    rows, edge = rows[edge >= 0], edge[edge >= 0]
    for _ in range(2):  # a needle may lie on another
        greatest = np.maximum.reduceat(out[:, table.order // 3], table.start[:-1], axis=1)
        out[:, rows] = np.maximum(out[:, rows], greatest[:, edge])


def _unit_normals(points: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.float64]:
    a = points[faces[:, 0]]
    normal = np.cross(points[faces[:, 1]] - a, points[faces[:, 2]] - a)
    length = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    length[length == 0.0] = 1.0
    normal /= length[:, None]
    return np.ascontiguousarray(normal)

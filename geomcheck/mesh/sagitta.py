"""How far the true surface may stand off the facets.

A mesh of a smooth surface has its corners on the surface and its facets inside convex places
(outside concave ones). The distance between facet and surface, the sagitta or chord error, is not
written in the file. It is declared by whoever exported the mesh, or estimated from the angles at
which facets meet:

Across an edge the two facets are taken as two chords of one arc. With the altitudes ``w`` and
``v`` of the facet and its neighbour over the edge and the angle ``t`` between them, the facet's
share of the arc is ``a = 2 t w / (w + v)`` and its sagitta ``(w / 2) tan(a / 4)`` (elementary
geometry of the circle: exact for strips of a round cylinder, equal or not). Edges that turn away
from the normal's side add to ``outward``, the others to ``inward``; a facet's estimate is the sum
over its three edges, which for equilateral facets of edge e on a sphere R gives 0.1875 e^2 / R
where e^2 / (6 R) is needed.

What the mesh does not say is settled towards the larger figure, within limits:

- Facets that meet at less than 0.3 degrees are pieces of one flat. Its width counts, not that of
  the piece at the edge, and the other pieces get the sagitta of the edge too, as far from it as
  the flat is believed to be curved.
- A facet or flat wider than twice its neighbour may be a plane that runs into a fillet, or one
  wide strip among narrow ones. It is believed curved over twice its neighbour's width, no further.
  The plane beside a fillet is so given 1.33 times the fillet's own sagitta; a strip q times wider
  than both its neighbours gets its full sagitta up to q = 2, 0.59 of it at q = 3 and 0.32 at
  q = 5. A facet that turns smoothly on all three sides is no plane and is taken in full.
- A facet beside one more than twice as wide is taken as the end of a fillet on a plane: the angle
  there is only half of its arc, so it counts up to twice.
- A neighbour narrower than a thousandth of a facet, or without area, is a sliver: the facet
  behind counts.
- An obtuse facet (over 100 degrees) bulges as its longest side does, so it gets at least what the
  facet across that side gets.
- Edges that turn by more than 40 degrees are sharp edges of the part, not facets of a curve: they
  add nothing. A cylinder of eight sides or fewer is therefore taken for a prism, and a chamfer of
  30 degrees for a coarse curve. Declare the sagitta of such meshes.
- Noise of a scan reads as curvature of the size of the noise.

Measured against closed forms (``tests/mesh/test_sagitta.py``): strips of cylinders and fillets
exact; spheres 1.0 to 1.2 times what is needed; tori, cones and saddles 0.9 to 2.7 times (down to
0.37 on some facets of a torus whose facets are twenty times longer than wide); meshes on points
scattered at random on a sphere or cylinder: under two thirds of what is needed on 1 to 7 % of the
facets, at worst a tenth on single facets, over it on most others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.kernels import facets as kernel
from geomcheck.mesh.bodies import resolution
from geomcheck.mesh.edges import EdgeTable
from geomcheck.mesh.soundness import Soundness


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
    normals = _unit_normals(points, corners)
    convex, concave = kernel.stand_off(
        points, corners, normals, table.order, table.start, resolution(points)
    )
    if not soundness.solid:
        both = convex + concave
        return Sagitta(both, both, "estimated")
    return Sagitta(convex, concave, "estimated")


def _unit_normals(points: NDArray[np.float64], faces: NDArray[np.int64]) -> NDArray[np.float64]:
    a = points[faces[:, 0]]
    normal = np.cross(points[faces[:, 1]] - a, points[faces[:, 2]] - a)
    length = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    length[length == 0.0] = 1.0
    normal /= length[:, None]
    return np.ascontiguousarray(normal)

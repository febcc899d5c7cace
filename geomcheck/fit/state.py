"""The gap between two bodies, or how they overlap.

States
------
apart
    No point in common.
touching
    Nearer than the coordinates can tell from contact (``Body.resolution``), and no point of
    either found deeper in the other than that.
overlapping
    Triangles of the two meet, and one reaches into the other.
a inside b, b inside a
    No triangles meet, but a connected piece of one lies in the material of the other. A part in a
    hollow of the material (a bore, a void) is apart.

The signed gap is the least distance of bodies that are apart, and less than zero for bodies that
overlap: minus the depth defined in :mod:`geomcheck.fit.depth`, which no shift that parts them can
be shorter than.

What each class of mesh supports: distance, contact and crossing lines for all; inside and depth
only within a solid. Whether a body is swallowed by a surface without an inside is not decidable
unless it reaches out of the surface's convex hull; ``undecided`` says so. Only the surface that is
there is measured: what a scan does not cover has no gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geomcheck.finding import Point, Quantity

State = Literal["apart", "touching", "overlapping", "a inside b", "b inside a"]


@dataclass(frozen=True, slots=True)
class Gap:
    """How two bodies stand to each other.

    Parameters
    ----------
    distance : float
        Least distance of the facets, mm; 0 where they overlap or one is inside the other.
    state : str
        See the module's docstring.
    point_a, point_b : Point
        Witness points, mm. Apart and touching: the nearest points. Overlapping or inside: the
        deepest point found and the point of the other surface nearest to it.
    triangle_a, triangle_b : int
        Triangles of the two meshes the points lie on, in the meshes' own order.
    depth : float or None
        Greatest depth found, mm: a lower bound of the overlap's depth. None where the bodies do
        not overlap, or neither is solid.
    quantity : Quantity
        The signed gap with its interval, mm.
    direction : Point or None
        Unit vector along which a is moved to widen the gap; None where the meshes do not tell.
    crossings : int
        Pairs of triangles that meet.
    extent : (Point, Point) or None
        Bounding box of the lines along which the surfaces meet, mm.
    volume : float or None
        Common volume, mm3; None where there is none or it is not known.
    undecided : tuple of str
        Why the bodies may be worse placed than ``state`` says; empty if they may not.
    notes : tuple of str
        What else a reader should know.
    remedies : tuple of str
        What would settle the last of the reasons in ``undecided``, one for each.
    """

    distance: float
    state: State
    point_a: Point
    point_b: Point
    triangle_a: int
    triangle_b: int
    depth: float | None
    quantity: Quantity
    direction: Point | None
    crossings: int = 0
    extent: tuple[Point, Point] | None = None
    volume: float | None = None
    undecided: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()

"""The pieces of a smallest separating surface as exact plane sections, and two throats compared.

What a minimum cut finds on cells is put on exact planes, one for each separate gap (two gaps round
a tilted plate have a plane each), and each is minimised like a throat. That they part the inlet
from the outlets is checked on the cells: then their area is that of a true separating surface,
exact on the facets, and no smallest surface can be larger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import shapely
from scipy.sparse.csgraph import connected_components

from geomcheck.finding import Quantity, Term
from geomcheck.flow.cells import CutPatch, graph, neighbours
from geomcheck.flow.mincut import MinCut
from geomcheck.flow.mouths import plane_frame
from geomcheck.flow.plane import Allowed, Cut, polish
from geomcheck.flow.region import BoolArray, Region
from geomcheck.flow.section import FloatArray, Surface, cut
from geomcheck.flow.terms import facet_reach
from geomcheck.flow.void import Void

#: Least share of a patch's links that a piece of the section must hold to belong to it.
_HOLDS = 0.05
#: Patches smaller than this share of the cut are specks of the cells.
_SPECK = 1e-3


@dataclass(frozen=True, eq=False)
class ExactSurface:
    """Plane pieces that together part the inlet from the outlets.

    ``area``: mm2, with the term of the facets. ``cuts``: a section for each gap, the largest
    first.
    """

    area: Quantity
    cuts: tuple[Cut, ...]

    @property
    def outline(self) -> list[FloatArray]:
        """Closed polylines (k, 3) round all pieces, mm."""
        return [ring for one in self.cuts for ring in one.region.rings(one.pieces)]


def exact_surface(surfaces: Sequence[Surface], found: MinCut) -> ExactSurface | None:
    """The surface of a minimum cut on exact planes; None where planes do not part the ports.

    ``surfaces``: walls and obstacles, as sections take them.
    """
    total = sum(patch.vector_area for patch in found.patches)
    cuts = []
    for patch in found.patches:
        if patch.vector_area < _SPECK * total:
            continue
        start = _on_plane(surfaces, patch, found.spacing)
        if start is None or not np.isfinite(start.area):
            return None
        best, _ = polish(surfaces, start, _beside(start))
        cuts.append(best if parts_like(found, patch, best) else start)
    if not cuts or not parts(found.void, cuts):
        return None
    cuts.sort(key=lambda one: -one.area)
    area = sum(one.area for one in cuts)
    reach = np.array([facet_reach(one.region, one.pieces, surfaces) for one in cuts]).sum(axis=0)
    facets = Term(
        "facets", min(float(reach[0]), area), float(reach[1]), "sagitta along the outline"
    )
    return ExactSurface(
        Quantity.from_terms("separating surface on planes", area, "mm2", (facets,)), tuple(cuts)
    )


def _on_plane(surfaces: Sequence[Surface], patch: CutPatch, spacing: float) -> Cut | None:
    """Section on the patch's plane, with the pieces that hold some of its links."""
    frame = plane_frame(patch.point, patch.normal)
    region = Region(cut(surfaces, frame[None])[0], surfaces)
    d = patch.middles - patch.point
    xy = np.stack([d @ frame[3:6], d @ frame[6:9]], axis=1)
    chosen = []
    for piece in range(len(region)):
        box = region.box[piece]
        near = ((xy >= box[:2] - spacing) & (xy <= box[2:] + spacing)).all(axis=1)
        if near.any():
            held = shapely.contains_xy(region.polygon(piece), xy[near, 0], xy[near, 1]).sum()
            if held >= _HOLDS * len(xy):
                chosen.append(piece)
    return Cut.of(region, chosen) if chosen else None


def _beside(start: Cut) -> Allowed:
    """Whether a plane passes the start's middle by no more than its size."""
    middle, size = start.centre(), float(np.sqrt(start.area))

    def allowed(frame: FloatArray) -> bool:
        return bool(abs((middle - frame[:3]) @ frame[9:12]) <= size)

    return allowed


def parts_like(found: MinCut, patch: CutPatch, one: Cut) -> bool:
    """Whether a section still lies where a patch of the cut lies: most of its links are near."""
    off = np.abs((patch.middles - one.frame[:3]) @ one.frame[9:12])
    return bool(np.median(off) <= max(4.0 * found.spacing, 0.5 * np.sqrt(one.area)))


def parts(void: Void, cuts: Sequence[Cut], inlet: int = 0) -> bool:
    """Whether sections part the inlet of a void from its other ports, link by link.

    A link is taken out where it crosses a section's plane within one of its pieces, carried on
    by a hair. What the inlet still reaches is found by flooding.
    """
    near, where = neighbours(void), void.centres()
    closed: BoolArray = np.zeros((len(near), 3), np.bool_)
    hair = 1e-6 * void.spacing
    for one in cuts:
        frame = one.frame
        side = (where - frame[:3]) @ frame[9:12]
        shape = shapely.buffer(shapely.union_all(one.shapes()), hair, join_style="mitre")
        shapely.prepare(shape)
        for axis in range(3):
            ahead = near[:, 2 * axis + 1]
            rows = np.flatnonzero((ahead >= 0) & ((side >= 0.0) != (side[ahead] >= 0.0)))
            other = ahead[rows]
            t = side[rows] / (side[rows] - side[other])
            d = where[rows] + t[:, None] * (where[other] - where[rows]) - frame[:3]
            closed[rows, axis] |= shapely.contains_xy(shape, d @ frame[3:6], d @ frame[6:9])
    keep = np.ones((len(near), 6), np.bool_)
    keep[:, 1::2] = ~closed
    label = connected_components(graph(near, keep), directed=False)[1]
    number = np.searchsorted(void.cells, void.port_cells(inlet))
    begin = np.unique(label[number])
    for k in range(len(void.ports)):
        if k != inlet:
            end = label[np.searchsorted(void.cells, void.port_cells(k))]
            if np.isin(end, begin).any():
                return False
    return True


Trusted: TypeAlias = Literal["plane", "surface on planes", "cut on cells"]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two ways to the throat, compared.

    ``agree``: within their stated errors. ``difference``: mm2, plane throat less minimum cut.
    ``trusted``: which area stands, and ``why``. ``area``: that area, with its terms.
    """

    agree: bool
    difference: float
    trusted: Trusted
    why: str
    area: Quantity


def compare(plane: Quantity, found: MinCut, surface: ExactSurface | None) -> Agreement:
    """The least plane section against the minimum cut.

    Both are areas of surfaces that part the ports, and the least such surface is asked for; so the
    lower one stands where they differ, the exact one where they agree. A minimum cut above the
    plane section means that its iteration has not ended, or that its cells are too coarse.
    """
    cells = found.area
    agree = plane.low <= cells.high and cells.low <= plane.high
    difference = plane.value - cells.value
    gaps = len(surface.cuts) if surface is not None else len(found.patches)
    if surface is not None and surface.area.value < plane.value * (1.0 - 1e-4):
        why = (
            f"{gaps} separate gaps, each with a plane of its own, are together smaller than any "
            "one plane section"
            if gaps > 1
            else "the minimum cut led to a smaller plane section"
        )
        return Agreement(agree, difference, "surface on planes", why, surface.area)
    if agree:
        why = "both agree within their errors, and the plane section is exact on the facets"
        return Agreement(True, difference, "plane", why, plane)
    if difference > 0.0:
        why = (
            f"the {found.label} is smaller than any plane section found: the throat is no plane, "
            "or an opening beside the bore hides it from plane sections"
        )
        return Agreement(False, difference, "cut on cells", why, cells)
    why = (
        f"the {found.label} is larger than the plane section: its cells of "
        f"{found.spacing:.2f} mm are too coarse, or it lies outside the stretch that was searched"
    )
    return Agreement(False, difference, "plane", why, plane)

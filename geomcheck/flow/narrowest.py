"""The least section of a duct by planes of any tilt and by the smallest separating surface.

A plane section is exact on the facets, but a surface that bends round several obstacles, or that
closes several gaps, can be smaller than every plane. The smallest separating surface on the
void's cells knows of those, and is known to the cells only. What both say is put together so that
the low end of the interval holds whatever neither of them rules out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.flow.mincut import MinCut, smallest_surface
from geomcheck.flow.mouths import plane_frame
from geomcheck.flow.patches import Agreement, ExactSurface, Trusted, compare, exact_surface, parts
from geomcheck.flow.section import FloatArray
from geomcheck.flow.stations import Stations
from geomcheck.flow.throat import TrueThroat, true_throat
from geomcheck.flow.void import Void

#: Patches below this share of the cut are left out of account when its planes are counted.
_SHARE = 0.05
#: Cells of the second, finer round.
BUDGET = 200_000


@dataclass(frozen=True, eq=False)
class Narrowest:
    """The least section of a duct.

    Parameters
    ----------
    area : Quantity
        mm2, of what is trusted; its low end holds what the other way does not rule out.
    plane : TrueThroat
        The least plane section at any tilt.
    cut : MinCut or None
        The smallest separating surface, where it was asked for and could be made.
    surface : ExactSurface or None
        The same on exact planes.
    agreement : Agreement or None
        Of the two.
    no_cut : CannotDecide or None
        Why there is no cut, where it was asked for.
    """

    area: Quantity
    plane: TrueThroat
    cut: MinCut | None = None
    surface: ExactSurface | None = None
    agreement: Agreement | None = None
    no_cut: CannotDecide | None = None

    @property
    def trusted(self) -> str:
        """``plane``, ``surface on planes`` or ``cut on cells``."""
        return self.agreement.trusted if self.agreement is not None else "plane"

    @property
    def outline(self) -> list[FloatArray]:
        """Closed polylines (k, 3) round the trusted section, mm; the plane's for a cut on cells."""
        if self.trusted == "surface on planes" and self.surface is not None:
            return self.surface.outline
        return self.plane.outline

    @property
    def point(self) -> Point:
        """Middle of the trusted section, mm."""
        if self.trusted == "surface on planes" and self.surface is not None:
            return _point(self.surface.cuts[0].centre())
        if self.trusted == "cut on cells" and self.cut is not None and self.cut.patches:
            return _point(self.cut.patches[0].point)
        return self.plane.point


def narrowest(
    rows: Stations, make: Callable[[float | None], Void] | None = None, *, budget: int = BUDGET
) -> Narrowest:
    """The least section of a surveyed duct, by planes and (with ``make``) by a cut of its void.

    Parameters
    ----------
    rows : Stations
        The stations of the duct, cut and judged; walls and obstacles.
    make : callable, optional
        The void between its two ports, obstacles in it, at a given spacing (mm) or at its
        default (None).
    budget : int
        Cells of the finer of the two rounds, about.

    Raises
    ------
    CannotDecide
        No station was measured. Where only the cut cannot be made, ``no_cut`` says why.
    """
    if make is None:
        plane = true_throat(rows)
        return Narrowest(plane.area, plane)
    try:
        found = smallest_surface(make, budget=budget)
    except CannotDecide as why:
        plane = true_throat(rows)
        return Narrowest(plane.area, plane, no_cut=why)
    plane = _plane(rows, found)
    surface = exact_surface(rows.surfaces, found)
    if not parts(found.void, [plane.cut]):
        # The plane sections leave a way past them: only what was found on cells parts the ports.
        area = surface.area if surface is not None else found.area
        trusted: Trusted = "surface on planes" if surface is not None else "cut on cells"
        reason = "the least plane section found does not part the inlet from the outlet"
        agreement = Agreement(False, plane.area.value - found.area.value, trusted, reason, area)
    else:
        agreement = compare(plane.area, found, surface)
    return Narrowest(_together(agreement, plane.area, found.area), plane, found, surface, agreement)


def _plane(rows: Stations, found: MinCut) -> TrueThroat:
    """The least plane section, begun from the plane of the cut as well where it has one only."""
    least = _SHARE * sum(patch.vector_area for patch in found.patches)
    large = [patch for patch in found.patches if patch.vector_area >= least]
    if len(large) == 1:
        frame = plane_frame(large[0].point, large[0].normal)
        plane = true_throat(rows, frames=frame[None])
        if parts(found.void, [plane.cut]):
            return plane
    return true_throat(rows)


def _together(agreement: Agreement, plane: Quantity, cells: Quantity) -> Quantity:
    """The trusted area, its interval widened to what the other way leaves open.

    No true separating surface is larger than the least: a plane section that parts the ports
    bounds it from above, whatever the cells say. From below only the cut on cells does.
    """
    own = agreement.area
    terms = list(own.terms)
    if cells.low < own.low:
        terms.append(
            Term(
                "other surfaces", own.low - cells.low, 0.0,
                "estimate: down to where the cut on cells rules out a smaller surface",
            )
        )  # fmt: skip
    if agreement.trusted == "cut on cells" and plane.high > own.high:
        terms.append(Term("two ways", 0.0, plane.high - own.high, "up to the least plane section"))
    return Quantity.from_terms("least area at any tilt", own.value, "mm2", tuple(terms))


def _point(values: FloatArray) -> Point:
    return (float(values[0]), float(values[1]), float(values[2]))

"""What else widens the interval of a gap: casting, printing, scan noise, alignment.

Each of these lets the true surface of a part stand off the mesh by up to an amount that may depend
on the place: an :class:`Allowance`. True points over two facets i and j are then at least
``d(i, j) - r(i) - r(j) - A(i) - A(j)`` apart, with the reaches ``r`` of
:mod:`geomcheck.fit.interval` and the allowances ``A``, and what is said there of the least gap
holds for the sum of the two: a pair farther apart than the measured gap and the greatest
reach and allowance of both bodies cannot lower the bound. The facets of all other pairs are cut
into small pieces, so that a large triangle counts only where it is near; the greatest amount on
the pieces kept enters the interval's low end. A place 0.3 mm farther away that may be cast 0.8 mm
worse is so covered. The high end takes the amounts at the two witness points, since the true
bodies are no farther apart than the true points over these.

An overlap is no deeper than found plus the greatest amounts anywhere on both bodies, and no
shallower than found less the amounts within the depth of the two witness points.

Two ways to combine the terms:

worst case
    Every term at its end at once: the amounts add.
root sum of squares
    Casting, printing, noise and alignment of two parts have nothing to do with each other, so
    their squares add (GUM, JCGM 100:2008, 5.1.2, from memory; the amounts are taken to be stated
    at one coverage). The chord errors of the facets are bounds that lie to one side and are of
    one origin, so they are added in full all the same, as is what a search has not excluded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np

from geomcheck import standards
from geomcheck.errors import CannotDecide, InputError
from geomcheck.finding import Point, Quantity, Term
from geomcheck.fit.body import Body, FloatArray
from geomcheck.fit.interval import ROUNDS
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.split import near_pieces
from geomcheck.fit.state import Gap

Combine = Literal["worst case", "root sum of squares"]

#: Begin of the names of the terms that ``widen`` may raise.
_FACETS = "facets of the "


class Allowance(Protocol):
    """How far the true surface of a part may stand off its mesh, by place."""

    @property
    def name(self) -> str:
        """The term's name, with the part's."""
        ...

    def amount(self, points: FloatArray, slack: float = 0.0) -> FloatArray:
        """(n,) mm at (n, 3) points (mm, housing frame); to either side.

        With ``slack`` (mm) the greatest amount within that distance. The amount at any point of a
        triangle must not exceed the greatest at its corners.
        """
        ...

    def check(self, points: FloatArray) -> None:
        """Raise CannotDecide if a point lies where no amount is known."""
        ...

    def source(self, points: FloatArray) -> str:
        """Where the greatest amount at these points comes from."""
        ...


@dataclass(frozen=True)
class Uniform:
    """The same amount all over a part, as declared: print tolerance, scan noise.

    Parameters
    ----------
    name : str
    value : float
        mm to either side.
    origin : str
        Where it comes from.
    """

    name: str
    value: float
    origin: str = "declared"

    def amount(self, points: FloatArray, slack: float = 0.0) -> FloatArray:
        """The value, at every point."""
        return np.full(len(points), self.value)

    def check(self, points: FloatArray) -> None:
        """Known everywhere."""

    def source(self, points: FloatArray) -> str:
        """Its origin."""
        return self.origin


class Casting:
    """Casting tolerance of a part by grade: half the width for the distance from the datum.

    Parameters
    ----------
    name : str
        The term's name.
    grade : str
        ``DCTG 9``; ISO 8062-3.
    datum : (3,) float
        The point (mm, housing frame) that dimensions run from.
    vertices : (n, 3) float
        The part's, in place. They bound the dimensions.

    Raises
    ------
    InputError
        No such grade, or the part reaches farther than the grade is defined.
    """

    def __init__(self, name: str, grade: str, datum: Point, vertices: FloatArray) -> None:
        self.name = name
        self._rows = standards.casting_tolerances(grade)
        self._grade = grade
        self._datum = np.asarray(datum, dtype=np.float64)
        self._reach = float(np.linalg.norm(vertices - self._datum, axis=1).max())
        self._to = np.array([row.to for row in self._rows])
        self._half = np.array([row.half for row in self._rows])
        if self._reach > self._to[-1]:
            raise InputError(
                f"the part reaches {self._reach:.2f} mm from its datum, and {grade} ends at "
                f"{self._to[-1]:g} mm",
                remedy="Choose the grade agreed with the foundry for a casting of this size, or "
                "put the datum where the dimensions run from",
            )

    def amount(self, points: FloatArray, slack: float = 0.0) -> FloatArray:
        """Half of the width for the distance from the datum.

        Nearer than the grade is defined, the first value there is: tolerances rise with size, so
        it is a bound; ``check`` says that it is not the standard's.
        """
        distance = np.minimum(self._distance(points) + slack, self._reach)
        half: FloatArray = self._half[np.searchsorted(self._to, distance, side="left")]
        return half

    def check(self, points: FloatArray) -> None:
        """Refuse a place nearer to the datum than the grade is defined."""
        least = self._distance(points).min(initial=np.inf)
        over = self._rows[0].over
        if over > 0.0 and least <= over:
            raise CannotDecide(
                f"{self.name}: {self._grade} has no tolerance for dimensions up to {over:g} mm, "
                f"and the place is {least:.2f} mm from the datum",
                remedy="Agree a tolerance of its own for this place with the foundry, choose a "
                "finer grade, or put the datum where the dimensions run from",
            )

    def source(self, points: FloatArray) -> str:
        """Grade, dimension and status of the greatest amount."""
        distance = float(min(self._distance(points).max(), self._reach))
        row = self._rows[int(np.searchsorted(self._to, distance, side="left"))]
        return (
            f"{self._grade} at {distance:.2f} mm from the datum: {row.width:g} mm in all, half to "
            f"each side (ISO 8062-3:2007, {row.status})"
        )

    def _distance(self, points: FloatArray) -> FloatArray:
        distance: FloatArray = np.linalg.norm(points - self._datum, axis=1)
        return distance


def widen(
    gap: Gap,
    a: Body,
    b: Body,
    on_a: Sequence[Allowance],
    on_b: Sequence[Allowance],
    *,
    pairing: Pairing | None = None,
    combine: Combine = "worst case",
) -> Gap:
    """A measured gap with the allowances of both bodies in its interval.

    Parameters
    ----------
    gap : Gap
        As :func:`geomcheck.fit.gap.measure_gap` gives it.
    a, b : Body
        What was measured.
    on_a, on_b : sequence of Allowance
        An allowance that both bodies have (the same object: the alignment of a scan that holds
        both) moves them together and is left out.
    pairing : Pairing, optional
        What was measured; everything if not given.
    combine : {"worst case", "root sum of squares"}
        See the module's docstring.

    Raises
    ------
    CannotDecide
        An allowance is not known at the place of the gap.
    """
    both = [x for x in on_a if any(x is y for y in on_b)]
    mine = [x for x in on_a if not any(x is y for y in both)]
    others = [x for x in on_b if not any(x is y for y in both)]
    if not (mine or others):
        return gap
    if gap.state in ("apart", "touching"):
        pairs = Pairing.whole(a, b) if pairing is None else pairing
        bounds, terms = _apart(gap, a, b, mine, others, pairs)
    else:
        bounds, terms = gap.quantity.terms, _overlap(gap, a, b, mine, others)
    old = gap.quantity
    if combine == "worst case":
        quantity = Quantity.from_terms(old.name, old.value, old.unit, (*bounds, *terms))
    else:
        quantity = Quantity.from_independent(old.name, old.value, old.unit, bounds, terms)
        note = "independent terms of the interval are combined by root sum of squares"
        gap = replace(gap, notes=(*gap.notes, note))
    return replace(gap, quantity=quantity)


def _apart(
    gap: Gap,
    a: Body,
    b: Body,
    mine: list[Allowance],
    others: list[Allowance],
    pairing: Pairing,
) -> tuple[tuple[Term, ...], tuple[Term, ...]]:
    """The gap's own terms, with the facets that now count; and the new ones."""
    total_a = a.reach + _greatest(mine, a)
    total_b = b.reach + _greatest(others, b)
    far_a, far_b = float(total_a.max()), float(total_b.max())
    for _ in range(ROUNDS):
        near_a, near_b = pairing.near(a, b, _hair(gap.distance + far_a + far_b))
        less_a = float(total_a[near_a].max(initial=0.0))
        less_b = float(total_b[near_b].max(initial=0.0))
        done = less_a + less_b > 0.99 * (far_a + far_b)
        far_a, far_b = less_a, less_b
        if done:
            break
    limit = _hair(gap.distance + far_a + far_b)
    on_a, on_b = near_pieces(pairing, limit)
    terms = (*_terms(mine, on_a, gap.point_a), *_terms(others, on_b, gap.point_b))
    own = iter((float(a.reach[near_a].max(initial=0.0)), float(b.reach[near_b].max(initial=0.0))))
    bounds = tuple(
        replace(term, minus=max(term.minus, next(own))) if term.name.startswith(_FACETS) else term
        for term in gap.quantity.terms
    )
    return bounds, terms


def _overlap(
    gap: Gap, a: Body, b: Body, mine: list[Allowance], others: list[Allowance]
) -> tuple[Term, ...]:
    depth = gap.depth or 0.0
    terms = []
    for allowances, body, point in ((mine, a, gap.point_a), (others, b, gap.point_b)):
        here = np.array([point])
        for allowance in allowances:
            everywhere = float(allowance.amount(body.vertices).max())
            allowance.check(here)
            at_most = min(everywhere, float(allowance.amount(here, depth + everywhere)[0]))
            terms.append(Term(allowance.name, everywhere, at_most, allowance.source(body.vertices)))
    return tuple(terms)


def _terms(allowances: list[Allowance], corners: FloatArray, witness: Point) -> list[Term]:
    here = np.array([witness])
    points = np.concatenate([corners, here])
    terms = []
    for allowance in allowances:
        allowance.check(points)
        minus = float(allowance.amount(points).max())
        plus = float(allowance.amount(here)[0])
        terms.append(Term(allowance.name, minus, plus, allowance.source(points)))
    return terms


def _greatest(allowances: list[Allowance], body: Body) -> FloatArray:
    """(m,) no less than the sum of the amounts at any point of each triangle.

    Each amount is greatest at a corner, though not all at the same one: hence the sum of maxima.
    """
    total = np.zeros(len(body.faces))
    for allowance in allowances:
        total += allowance.amount(body.vertices)[body.faces].max(axis=1)
    return total


def _hair(distance: float) -> float:
    """A little more, so that rounding cannot drop a pair that counts."""
    return distance * (1.0 + 1e-9) + 1e-9

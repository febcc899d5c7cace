"""Measure the gap between two bodies; see :mod:`geomcheck.fit.state` for what is told apart."""

from __future__ import annotations

from typing import Any

import numpy as np

from geomcheck.errors import CannotDecide
from geomcheck.finding import Point, Quantity, Term
from geomcheck.fit.body import Body, FloatArray, as_point
from geomcheck.fit.contact import stay_out
from geomcheck.fit.crossing import Meeting, coincide, flat_contact, meet
from geomcheck.fit.depth import BUDGET, GLANCE, Depth, deepest
from geomcheck.fit.inside import may_hold, swallowed
from geomcheck.fit.interval import (
    box_shift,
    facet_term,
    farther,
    nearer,
    shallower,
    unit_normal,
)
from geomcheck.fit.memory import Memory
from geomcheck.fit.overlap import overlap_volume
from geomcheck.fit.pieces import Pairing
from geomcheck.fit.state import Gap, State
from geomcheck.mesh.query import least_distance, rounding


def measure_gap(
    a: Any,
    b: Any,
    *,
    pairing: Pairing | None = None,
    shell_a: bool = False,
    shell_b: bool = False,
    volume: bool = True,
) -> Gap:
    """Gap between two bodies, with the witness points and the state.

    Parameters
    ----------
    a, b : Body, Part, trimesh.Trimesh or (m, 3, 3) float
        In place, mm.
    pairing : Pairing, optional
        What is measured; everything if not given. See :func:`geomcheck.fit.mate.leave_out`.
    shell_a, shell_b : bool
        The caller knows that this surface encloses no material (a scan of a bay, a sheet), so
        that nothing can be inside it.
    volume : bool
        Whether to compute the common volume.

    Returns
    -------
    Gap

    Raises
    ------
    InputError
        A body has no triangles.
    CannotDecide
        ``pairing`` leaves nothing to measure.

    Examples
    --------
    >>> import trimesh
    >>> a = trimesh.creation.box((10, 10, 10))
    >>> b = trimesh.creation.box((10, 10, 10)).apply_translation((14, 0, 0))
    >>> gap = measure_gap(a, b)
    >>> gap.state, gap.distance
    ('apart', 4.0)
    """
    first, second = Body.of(a), Body.of(b)
    if pairing is not None and not pairing.everything:
        return _Measurement(first, second, pairing, shell_a, shell_b, volume).gap()
    return _GAPS.recall(
        first,
        second,
        (shell_a, shell_b, volume),
        lambda: _Measurement(first, second, None, shell_a, shell_b, volume).gap(),
    )


#: Gaps measured before between all of two bodies.
_GAPS: Memory[Gap] = Memory()


class _Measurement:
    """One question between two bodies."""

    def __init__(
        self,
        a: Body,
        b: Body,
        pairing: Pairing | None,
        shell_a: bool,
        shell_b: bool,
        volume: bool,
    ) -> None:
        self.a, self.b = a, b
        self.pairing = Pairing.whole(a, b) if pairing is None else pairing
        self.shell_a, self.shell_b = shell_a, shell_b
        self.wants_volume = volume
        self.contact = max(a.resolution, b.resolution)
        self.notes: list[str] = []
        self.unproved = 0.0

    def gap(self) -> Gap:
        """Least distance first; then, by whether they meet, what else is needed."""
        distance, pa, pb, ta, tb = self._nearest()
        if distance > self.contact:
            into_b = len(swallowed(self.a, self.b)) if self.b.solid else 0
            into_a = len(swallowed(self.b, self.a)) if self.a.solid else 0
            if into_b or into_a:
                return self._overlap("a inside b" if into_b else "b inside a", None)
            return self._apart(distance, pa, pb, ta, tb)
        meeting = meet(self.a, self.b, self.pairing, self.contact)
        out, shared = stay_out(self.a, self.b, self.pairing, meeting.pierced, self.contact)
        deep = self._deepest(GLANCE if out else BUDGET)
        if out and deep is None:
            self.unproved = 0.0
        if deep is None and self.a.solid and self.b.solid:
            deep = coincide(self.a, self.b, self.contact, shared)
        if deep is not None:
            return self._overlap("overlapping", meeting, deep)
        return self._contact(distance, pa, pb, ta, tb, meeting)

    def _nearest(self) -> tuple[float, Point, Point, int, int]:
        best: tuple[float, Point, Point, int, int] | None = None
        for piece_a, piece_b in self.pairing.blocks:
            cutoff = np.inf if best is None else best[0]
            near = least_distance(piece_a.tree, piece_b.tree, cutoff=cutoff)
            if near is not None and (best is None or near.distance < best[0]):
                best = (
                    float(near.distance),
                    as_point(near.point_a),
                    as_point(near.point_b),
                    int(piece_a.parent[near.triangle_a]),
                    int(piece_b.parent[near.triangle_b]),
                )
        if best is None:
            raise CannotDecide(
                "the mating faces leave nothing of the two parts to measure",
                remedy="check the point and the normal of the mate",
            )
        return best

    def _facets(self, distance: float, near: tuple[Any, ...]) -> tuple[Term, Term]:
        pa, pb, ta, tb = near
        minus_a, minus_b = nearer(self.a, self.b, self.pairing, distance)
        plus = farther(self.a, self.b, ta, tb, pa, pb)
        return (
            facet_term("facets of the first part", minus_a, 0.5 * plus, self.a),
            facet_term("facets of the second part", minus_b, 0.5 * plus, self.b),
        )

    def _apart(self, distance: float, pa: Point, pb: Point, ta: int, tb: int) -> Gap:
        terms = self._facets(distance, (pa, pb, ta, tb))
        self._say_facing(pa, pb, ta, tb)
        return Gap(
            distance=distance,
            state="apart",
            point_a=pa,
            point_b=pb,
            triangle_a=ta,
            triangle_b=tb,
            depth=None,
            quantity=Quantity.from_terms("gap", distance, "mm", terms),
            direction=_unit(np.subtract(pa, pb)),
            undecided=self._undecided(),
            notes=tuple(self.notes),
        )

    def _undecided(self) -> tuple[str, ...]:
        reasons = []
        for inner, outer, shell, text in (
            (self.a, self.b, self.shell_b, ("first", "second")),
            (self.b, self.a, self.shell_a, ("second", "first")),
        ):
            if not outer.solid and not shell and may_hold(inner, outer):
                reasons.append(
                    f"the mesh of the {text[1]} part is {outer.kind} and lies all round a piece of "
                    f"the {text[0]} part: whether that piece is inside its material cannot be told"
                )
        return tuple(reasons)

    def _say_facing(self, pa: Point, pb: Point, ta: int, tb: int) -> None:
        towards_a = _unit(np.subtract(pa, pb))
        for body, triangle, word, sign in (
            (self.a, ta, "first", -1.0),
            (self.b, tb, "second", 1.0),
        ):
            if body.kind == "open" and towards_a is not None:
                facing = sign * float(np.dot(unit_normal(body, triangle), towards_a))
                if facing < -0.1:
                    self.notes.append(
                        f"the open surface of the {word} part shows its back to the other part "
                        "there"
                    )

    def _contact(
        self, distance: float, pa: Point, pb: Point, ta: int, tb: int, meeting: Meeting
    ) -> Gap:
        """Surfaces that meet without a point found inside."""
        terms: tuple[Term, ...] = self._facets(0.0, (pa, pb, ta, tb))
        state: State = "touching"
        if not (self.a.solid or self.b.solid):
            terms += (Term("depth not measurable", box_shift(self.a, self.b), 0.0, "boxes"),)
            self.notes.append(
                "neither mesh is closed: how deep the parts overlap cannot be measured"
            )
            if meeting.pierced:
                state = "overlapping"
        elif self.unproved > self.contact:
            terms += (Term("depth not excluded", self.unproved, 0.0, "search for inside points"),)
        return Gap(
            distance=distance if state == "touching" else 0.0,
            state=state,
            point_a=pa,
            point_b=pb,
            triangle_a=ta,
            triangle_b=tb,
            depth=None,
            quantity=Quantity.from_terms("gap", 0.0, "mm", terms),
            direction=flat_contact(self.a, self.b, self.pairing, self.contact)
            if self.a.solid and self.b.solid
            else None,
            crossings=meeting.count,
            extent=meeting.extent,
            undecided=self._undecided(),
            notes=tuple(self.notes),
        )

    def _deepest(self, budget: int = BUDGET) -> tuple[bool, Depth] | None:
        """The deeper of a in b (True) and b in a (False); None without an inside point."""
        found: list[tuple[bool, Depth]] = []
        self.unproved = 0.0
        if self.b.solid:
            found.append((True, deepest(self.pairing.free_a, self.b, self.contact, budget)))
        if self.a.solid:
            found.append((False, deepest(self.pairing.free_b, self.a, self.contact, budget)))
        self.unproved = max((depth.bound for _, depth in found), default=0.0)
        found = [entry for entry in found if entry[1].found > self.contact]
        return max(found, key=lambda entry: entry[1].found) if found else None

    def _overlap(
        self, state: State, meeting: Meeting | None, deep: tuple[bool, Depth] | None = None
    ) -> Gap:
        best = self._deepest() if deep is None else deep
        if best is None:
            raise CannotDecide("one part is inside the other, but no depth was found")
        a_reaches, depth = best
        if depth.point is None or depth.nearest is None:
            raise CannotDecide("one part is inside the other, but no depth was found")
        reaching, solid = (self.a, self.b) if a_reaches else (self.b, self.a)
        own, others = shallower(reaching, solid, depth)
        noise = rounding(self.a.tree, self.b.tree)
        terms: list[Term] = [
            facet_term(
                "facets", float(self.a.reach.max() + self.b.reach.max()), 0.0, self.a, self.b
            ),
            facet_term("facets at the deepest point", 0.0, own + others + noise, self.a, self.b),
        ]
        bound = max(depth.bound, self.unproved)
        if not (self.a.solid and self.b.solid):
            bound = max(bound, box_shift(self.a, self.b))
            self.notes.append(
                "one of the meshes is not closed: the depth is that of its points inside the "
                "other, and the overlap may be deeper"
            )
        terms.append(Term("greatest depth", max(0.0, bound - depth.found), 0.0, "search"))
        common, why = overlap_volume(self.a, self.b) if self.wants_volume else (None, "")
        if why:
            self.notes.append(f"no overlap volume: {why}")
        ends = [(depth.point, depth.triangle), (depth.nearest, depth.nearest_triangle)]
        (pa, ta), (pb, tb) = ends if a_reaches else ends[::-1]
        return Gap(
            distance=0.0,
            state=state,
            point_a=pa,
            point_b=pb,
            triangle_a=ta,
            triangle_b=tb,
            depth=depth.found,
            quantity=Quantity.from_terms("gap", -depth.found, "mm", tuple(terms)),
            direction=_unit(np.subtract(pb, pa)),
            crossings=0 if meeting is None else meeting.count,
            extent=None if meeting is None else meeting.extent,
            volume=common,
            notes=tuple(self.notes),
        )


def _unit(vector: FloatArray) -> Point | None:
    length = float(np.linalg.norm(vector))
    return as_point(vector / length) if length > 0.0 else None

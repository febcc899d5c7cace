"""The least gap of two bodies over a whole movement, with what is proved of it.

Apart all the way: the gap is the least distance found, its interval reaches down to what is proved
of the true surfaces over every pose (``geomcheck.fit.motion_search``), and up to what the witness
may be off. A body cannot get inside another without contact, so that is looked at once, where the
movement rests.

Contact somewhere: the pose at which it is first met on the straight way (in the numbers of the
pose) from rest is found by conservative advancement: from each pose on, no contact can come sooner
than the distance there divided by the greatest speed of any point. The overlap is then measured as
for bodies that stand still, in the contact pose, at the far end of that way, and where its deepest
point is taken deepest; the deepest of the three is given. Where they only touch in all of these,
an overlap is looked for on the way to each end of each range. Poses not looked at may overlap more
deeply, by no more than twice the whole travel and no deeper than half the bodies' least extent.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from geomcheck.errors import InputError
from geomcheck.finding import Quantity, Term
from geomcheck.fit.body import Body, FloatArray, as_point
from geomcheck.fit.gap import measure_gap
from geomcheck.fit.inside import swallowed
from geomcheck.fit.interval import facet_term, unit_normal
from geomcheck.fit.motion import Motion, Pose
from geomcheck.fit.motion_contact import (
    deeper,
    direction_at_rest,
    first_contact,
    onward,
    placed,
    point_at_rest,
)
from geomcheck.fit.motion_hold import may_come_to_hold
from geomcheck.fit.motion_search import Least, Search
from geomcheck.fit.motion_state import MovingGap, Stand
from geomcheck.fit.state import Gap
from geomcheck.mesh.placement import apply

#: Boxes of poses, each with a pair of pieces of the meshes, looked at for one proof.
BUDGET = 5_000_000


def least_gap(
    moving: object,
    still: object,
    motion: Motion,
    *,
    tolerance: float = 0.01,
    budget: int = BUDGET,
    stand_moving: Stand | None = None,
    stand_still: Stand | None = None,
    shell_moving: bool = False,
    shell_still: bool = False,
) -> MovingGap:
    """Least gap between two bodies over all poses of a movement.

    Parameters
    ----------
    moving, still : Body, Part, trimesh.Trimesh or (m, 3, 3) float
        Where they stand before the movement, mm.
    motion : Motion
    tolerance : float
        mm by which the proof may fall short of the gap found.
    budget : int
        Boxes looked at in one proof; the answer does not depend on the machine's speed.
    stand_moving, stand_still : Stand, optional
        Further amounts by which the surfaces may be off.
    shell_moving, shell_still : bool
        This surface encloses no material.

    Raises
    ------
    InputError
        A tolerance or a budget that is not positive; a body without triangles.
    """
    if not tolerance > 0.0 or budget < 1:
        raise InputError("tolerance and budget of a movement must be positive")
    return _Measurement(
        Body.of(moving),
        Body.of(still),
        motion,
        (tolerance, budget),
        (stand_moving, stand_still),
        (shell_moving, shell_still),
    ).gap()


class _Measurement:
    """One question between two bodies."""

    def __init__(
        self,
        moving: Body,
        still: Body,
        motion: Motion,
        effort: tuple[float, int],
        stands: tuple[Stand | None, Stand | None],
        shells: tuple[bool, bool],
    ) -> None:
        self.moving, self.still, self.motion = moving, still, motion
        self.tolerance, self.budget = effort
        self.shells = shells
        none = Stand(np.zeros(0)), Stand(np.zeros(0))
        self.names = sum(((stand or none[0]).names for stand in stands), ())
        # A part that grows grows its errors, too; one that shrinks is no truer for it.
        growths = [e for leg in motion.legs for e in leg.elements if e.kind == "growth"]
        grown = [
            1.0 + max((e.high for e in growths if e.of == of and e.high > 0.0), default=0.0)
            for of in ("moving", "still")
        ]
        self.growth = max(grown)
        self.off = [
            scale * (np.zeros(len(body.faces)) if stand is None else stand.amount)
            for scale, body, stand in zip(grown, (moving, still), stands, strict=True)
        ]
        self.away, self.travel = _travel(moving, still, motion)
        self.search = Search(
            still,
            moving,
            motion,
            grown[1] * still.reach + self.off[1],
            grown[0] * moving.reach + self.off[0],
        )

    def gap(self) -> MovingGap:
        """Search first; then, by whether the bodies meet, what else is needed."""
        least = self.search.result(self.tolerance, self.budget)
        if least.distance <= self.search.touch:
            return self._contact(least)
        rest = Pose(self.motion, 0, self.motion.legs[0].rest)
        moving, still = placed(self.moving, rest.moving), placed(self.still, rest.still)
        into_still = still.solid and len(swallowed(moving, still)) > 0
        into_moving = moving.solid and len(swallowed(still, moving)) > 0
        if into_still or into_moving:
            return self._overlap(least, rest, rest, measure_gap(moving, still, volume=False))
        return self._apart(least, self._undecided(moving, still))

    def _apart(self, least: Least, undecided: tuple[str, ...]) -> MovingGap:
        pose = Pose(self.motion, least.leg, least.values)
        terms = [
            Term("poses not tried", least.distance - least.proved, 0.0, "branch and bound"),
            facet_term(
                ", ".join(("facets of both parts over the movement", *self.names)),
                max(0.0, least.proved - least.proved_true),
                self._farther(least, pose),
                self.moving,
                self.still,
            ),
        ]
        if least.proved <= 0.0:
            terms.append(Term("overlap not excluded", self.travel, 0.0, "travel"))
        across = least.point_moving - least.point_still
        return MovingGap(
            state="apart",
            quantity=Quantity.from_terms("least gap", least.distance, "mm", (*terms,)),
            pose=pose,
            first=None,
            point_moving=as_point(least.point_moving),
            point_still=as_point(least.point_still),
            at_rest=point_at_rest(pose.moving, least.point_moving),
            still_at_rest=point_at_rest(pose.still, least.point_still),
            triangle_moving=least.triangle_moving,
            triangle_still=least.triangle_still,
            direction=direction_at_rest(pose, across),
            proved=max(least.proved, 0.0),
            boxes=least.boxes,
            complete=least.complete,
            travel=self.away + self.travel,
            undecided=undecided,
        )

    def _farther(self, least: Least, pose: Pose) -> float:
        """How much farther apart (mm) the true surfaces may be than the witness points."""
        between = least.point_still - least.point_moving
        found = []
        for body, matrix, number in (
            (self.moving, pose.moving, least.triangle_moving),
            (self.still, pose.still, least.triangle_still),
        ):
            normal = matrix[:3, :3] @ unit_normal(body, number)
            sagitta = body.sagitta
            found.append(
                [-sagitta.inward[number] * normal, sagitta.outward[number] * normal],
            )
        greatest = max(
            float(np.linalg.norm(between + there - here)) for here, there in product(*found)
        )
        off = self.off[0][least.triangle_moving] + self.off[1][least.triangle_still]
        return max(0.0, greatest - least.distance) + float(off)

    def _undecided(self, moving: Body, still: Body) -> tuple[str, ...]:
        margin = self.travel
        reasons = []
        for inner, outer, shell, text in (
            (moving, still, self.shells[1], ("moving", "still")),
            (still, moving, self.shells[0], ("still", "moving")),
        ):
            if not outer.solid and not shell and may_come_to_hold(inner, outer, margin):
                reasons.append(
                    f"the mesh of the {text[1]} part is {outer.kind} and lies all round a piece "
                    f"of the {text[0]} part, or may come to: whether that piece gets inside its "
                    "material cannot be told"
                )
        return tuple(reasons)

    # --- contact ------------------------------------------------------------------------------

    def _contact(self, least: Least) -> MovingGap:
        bodies = (self.moving, self.still)
        first = first_contact(self.search, bodies, least, self.tolerance)
        leg = self.motion.legs[least.leg]
        low, high = leg.ranges
        step = least.values - leg.rest
        ends = np.where(step > 0.0, high, np.where(step < 0.0, low, least.values))
        best = self._at(least.leg, least.values)
        for values in (ends, deeper(leg, least.values, best[1])):
            other = self._at(least.leg, values)
            if other[1].quantity.value < best[1].quantity.value:
                best = other
        if best[1].state == "touching":
            # Found as they meet, face on face: a little farther on they may overlap.
            for values in onward(leg, best[0].values):
                other = self._at(least.leg, values)
                if other[1].state not in ("apart", "touching"):
                    best = other
                    break
        return self._overlap(least, best[0], first, best[1])

    def _at(self, leg: int, values: FloatArray) -> tuple[Pose, Gap]:
        pose = Pose(self.motion, leg, values)
        moving, still = placed(self.moving, pose.moving), placed(self.still, pose.still)
        return pose, measure_gap(moving, still, volume=False)

    def _overlap(self, least: Least, pose: Pose, first: Pose, gap: Gap) -> MovingGap:
        off = float(self.off[0].max() + self.off[1].max())
        names = ", ".join(self.names) or "none declared"
        terms = (
            *gap.quantity.terms,
            Term(
                "other poses may overlap more deeply", self._deeper_still(gap), 0.0, "travel, size"
            ),
            Term("allowances of both parts", off, off, names),
        )
        across = None if gap.direction is None else np.asarray(gap.direction)
        return MovingGap(
            state=gap.state,
            quantity=Quantity.from_terms("least gap", gap.quantity.value, "mm", terms),
            pose=pose,
            first=first,
            point_moving=gap.point_a,
            point_still=gap.point_b,
            at_rest=point_at_rest(pose.moving, np.asarray(gap.point_a)),
            still_at_rest=point_at_rest(pose.still, np.asarray(gap.point_b)),
            triangle_moving=gap.triangle_a,
            triangle_still=gap.triangle_b,
            direction=None if across is None else direction_at_rest(pose, across),
            proved=0.0,
            boxes=least.boxes,
            complete=True,
            travel=self.away + self.travel,
            depth=gap.depth,
            undecided=gap.undecided,
            notes=gap.notes,
        )

    def _deeper_still(self, gap: Gap) -> float:
        """How much deeper (mm) another pose may overlap: by twice the travel, by the size at most.

        A point in a body is no farther from its surface than half the body's least extent.
        """
        travel = 2.0 * self.travel
        bodies = [body for body in (self.moving, self.still) if body.solid]
        if not bodies:
            return travel
        extent = max(float(np.ptp(body.bounds, axis=0).min()) for body in bodies)
        return min(travel, max(0.0, 0.5 * self.growth * extent - (gap.depth or 0.0)))


def _travel(moving: Body, still: Body, motion: Motion) -> tuple[float, float]:
    """How far two points may come nearer: from where they stand to rest, and from rest on, mm."""
    away = total = 0.0
    first = motion.legs[0]
    for body, of, matrix in zip(
        (moving, still), ("moving", "still"), first.maps(first.rest), strict=True
    ):
        corners = np.array(list(product(*body.bounds.T)))
        away += float(np.linalg.norm(apply(matrix, corners) - corners, axis=1).max())
        # From leg to leg a part goes to the end of one, then on from there.
        total += sum(leg.travel(corners, leg.rest, of) for leg in motion.legs)
    return away, total

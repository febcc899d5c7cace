"""Least distance of two bodies over a box of poses: attacked first, then proved.

Attack: from a pose, the nearest points are found, every number of the pose is put to that end of
its range which brings these two points nearest, and so on until nothing improves. Proof: branch
and bound (``geomcheck.kernels.moved``), which also finds what the attack missed. What is proved
holds for all poses; the attack only makes it quick.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from geomcheck.fit.body import Body
from geomcheck.fit.motion import FloatArray, Leg, Motion
from geomcheck.fit.motion_arrays import node_boxes, node_reach, scratch
from geomcheck.kernels import moved as kernel
from geomcheck.mesh.placement import apply
from geomcheck.mesh.query import point_distance
from geomcheck.mesh.tree import rounding

#: Pairs looked at for one pose of an attack, at most; the proof finds what is missed.
TRY = 20_000
#: Corners that stand for a whole part in the search for a first bound.
SAMPLE = 64
#: Steps of one attack.
STEPS = 12
_ALL = int(np.iinfo(np.int64).max)
#: When the budget runs out, how much coarser the tolerance becomes with every further try.
COARSER = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Least:
    """What a search found and proved.

    Parameters
    ----------
    distance : float
        Least distance found, mm; 0 where triangles meet.
    proved : float
        No pose has less; at most ``distance``.
    proved_true : float
        No pose brings the true surfaces nearer than this; may be negative.
    leg : int
    values : (k,) float64
        The pose it was found at.
    point_still, point_moving : (3,) float64
        Nearest points there, mm.
    triangle_still, triangle_moving : int
    boxes : int
        Boxes of poses, each with a pair of pieces of the two meshes, that were looked at.
    complete : bool
        Whether the proof came within the tolerance.
    """

    distance: float
    proved: float
    proved_true: float
    leg: int
    values: FloatArray
    point_still: FloatArray
    point_moving: FloatArray
    triangle_still: int
    triangle_moving: int
    boxes: int
    complete: bool


class Search:
    """One pair of bodies and one movement.

    Parameters
    ----------
    still, moving : Body
    motion : Motion
    reach_still, reach_moving : (m,) float64
        How far the true surface may come nearer than each facet, mm.
    """

    def __init__(
        self,
        still: Body,
        moving: Body,
        motion: Motion,
        reach_still: FloatArray,
        reach_moving: FloatArray,
    ) -> None:
        self.still, self.moving, self.motion = still.tree, moving.tree, motion
        self.touch = max(still.resolution, moving.resolution)
        self._boxes = node_boxes(still.tree), node_boxes(moving.tree)
        self._reach = node_reach(still.tree, reach_still), node_reach(moving.tree, reach_moving)
        size = max(float(np.abs(body.bounds).max()) for body in (still, moving))
        for leg in motion.legs:
            size += float(np.abs(leg.chain[:, 3:9]).max())
            for body, of in ((still, "still"), (moving, "moving")):
                size += leg.travel(np.array(list(product(*body.bounds.T))), leg.rest, of)
        # Placing a part by a chain of maps costs a few roundings of the coordinates more.
        self.noise = max(rounding(self.still, self.moving), 64 * np.finfo(np.float64).eps * size)
        self.best = np.array([np.inf, np.inf])
        self.found = np.full(8, -1.0)
        self.leg = 0
        self.values: FloatArray = motion.legs[0].rest
        self.looked = 0

    def at(self, leg: int, values: FloatArray, tolerance: float) -> float:
        """Try one pose; the least distance known after that.

        A pose that is not better by more than ``tolerance`` may not be noticed.
        """
        self._run(leg, np.stack([values, values]), tolerance, TRY)
        return float(self.best[0])

    def attack(self, tolerance: float) -> None:
        """Look for a pose with little distance from where each leg rests, begins and ends."""
        first = self._guess(self.motion.legs[0]) * (1.0 + 1e-9) + 2.0 * tolerance
        self.best = np.array([first, first])
        for number, leg in enumerate(self.motion.legs):
            low, high = leg.ranges
            for start in (leg.rest, 0.5 * (low + high), low, high):
                if self.best[0] == 0.0:
                    return
                before = float(self.best[0])
                if self.at(number, start, tolerance) < before:
                    self._descend(number, leg, tolerance)

    def distance(self, leg: int, values: FloatArray, tolerance: float, cutoff: float) -> float:
        """Distance (mm) at one pose from below, by no more than the tolerance; or the cutoff."""
        best = np.array([cutoff, cutoff, np.inf, np.inf])
        box = np.stack([values, values])
        self._kernel(leg, box, tolerance, _ALL, best, np.zeros(8), values.copy())
        return max(0.0, float(best[0]) - tolerance)

    def _guess(self, leg: Leg) -> float:
        """A distance (mm) that is not less than the least one where a leg rests."""
        moving, still = leg.maps(leg.rest)
        ways = (np.linalg.solve(still, moving), np.linalg.solve(moving, still))
        scale = [float(np.cbrt(np.linalg.det(matrix[:3, :3]))) for matrix in (still, moving)]
        points = self.moving.triangles[:: -(-len(self.moving) // SAMPLE), 0]
        best = np.inf
        for step in range(STEPS):
            # To and fro: nearest on the still part, from there nearest on the moving one.
            side = step % 2
            near = point_distance((self.still, self.moving)[side], apply(ways[side], points))
            k = int(np.argmin(near.distance))
            distance = scale[side] * float(near.distance[k])
            if distance >= 0.999 * best:
                break
            best = distance
            points = near.point[k : k + 1]
        return best

    def _descend(self, number: int, leg: Leg, tolerance: float) -> None:
        for _ in range(STEPS):
            before, here = float(self.best[0]), self.values
            if before == 0.0:
                return
            there = _nearer(leg, here, self.found)
            for share in (1.0, 0.5, 0.25):
                self.at(number, here + share * (there - here), tolerance)
                if self.best[0] < before:
                    break
            if self.best[0] >= before - tolerance:
                return

    def prove(self, tolerance: float, budget: int) -> tuple[float, float, bool]:
        """Prove bounds over all legs.

        Returns
        -------
        proved, proved_true : float
            See ``Least``.
        complete : bool
            Whether they are within the tolerance; if not, the budget ran out.
        """
        least, least_true = np.inf, np.inf
        complete = True
        left = budget
        for number, leg in enumerate(self.motion.legs):
            if self.best[0] == 0.0:
                return 0.0, -np.inf, True
            before = self.looked
            proved, proved_true = self._run(number, leg.ranges, tolerance, max(left, 0))
            used = self.looked - before
            left -= used
            complete = complete and left >= 0
            least, least_true = min(least, proved), min(least_true, proved_true)
        if self.best[0] == 0.0:
            return 0.0, -np.inf, True
        least, least_true = min(least, float(self.best[0])), min(least_true, float(self.best[1]))
        return least, least_true, complete

    def result(self, tolerance: float, budget: int) -> Least:
        """Attack, then prove.

        Parameters
        ----------
        tolerance : float
            mm by which the proof may fall short of the least distance; less, down to ``touch``,
            where that would not tell a small gap from contact.
        budget : int
            Boxes looked at in each proof; if they do not suffice, coarser proofs are tried.
        """
        self.attack(tolerance)
        proved, proved_true, complete = self.prove(tolerance, budget)
        while complete and proved <= 0.0 and float(self.best[0]) > self.touch:
            tolerance = 0.5 * min(tolerance, float(self.best[0]))
            proved, proved_true, complete = self.prove(tolerance, budget)
        coarse = COARSER * tolerance
        done = complete
        while not done and coarse < self.best[0]:
            bound, bound_true, done = self.prove(coarse, budget)
            proved, proved_true = max(proved, bound), max(proved_true, bound_true)
            coarse *= COARSER
        if self.found[6] < 0.0:
            # The budget ran out before anything was found: one pose, looked at in full.
            rest = self.motion.legs[0].rest
            self._run(0, np.stack([rest, rest]), 0.0, _ALL)
        return Least(
            float(self.best[0]),
            min(proved, float(self.best[0])),
            min(proved_true, float(self.best[1])),
            self.leg,
            self.values,
            self.found[:3].copy(),
            self.found[3:6].copy(),
            int(self.still.order[int(self.found[6])]),
            int(self.moving.order[int(self.found[7])]),
            self.looked,
            complete,
        )

    def _run(
        self, leg: int, ranges: FloatArray, tolerance: float, budget: int
    ) -> tuple[float, float]:
        """Search one box of one leg; the bounds of what was dropped."""
        best = np.array([*self.best, np.inf, np.inf])
        values = self.motion.legs[leg].rest
        self.looked += self._kernel(leg, ranges, tolerance, budget, best, self.found, values)
        if best[0] < self.best[0]:
            self.leg, self.values = leg, values
        self.best = best[:2]
        return float(best[2]), float(best[3])

    def _kernel(
        self,
        leg: int,
        ranges: FloatArray,
        tolerance: float,
        budget: int,
        best: FloatArray,
        found: FloatArray,
        values: FloatArray,
    ) -> int:
        chain, start = self.motion.legs[leg].chain, self.motion.legs[leg].start
        box = np.concatenate([0.5 * (ranges[0] + ranges[1]), 0.5 * (ranges[1] - ranges[0])])
        # fmt: off
        looked: int = kernel.search(
            self._boxes[0], self.still.triangles, self._reach[0],
            self._boxes[1], self.moving.triangles, self._reach[1], self.still.leaf,
            chain, start, box, tolerance, self.noise, budget,
            best, found, values, *scratch(len(chain)),
        )
        # fmt: on
        return looked


def _nearer(leg: Leg, here: FloatArray, found: FloatArray) -> FloatArray:
    """The pose in which two points that are nearest at ``here`` come nearest, number by number."""
    moving, still = leg.maps(here)
    # Both points as they are before the leg's elements act on them.
    at_still = np.linalg.solve(still, np.append(found[:3], 1.0))
    at_moving = np.linalg.solve(moving, np.append(found[3:6], 1.0))
    values = here.copy()
    for number, ends in enumerate(leg.ranges.T):
        tries = []
        for value in (values[number], *ends):
            values[number] = value
            moving, still = leg.maps(values)
            tries.append((float(np.linalg.norm(still @ at_still - moving @ at_moving)), value))
        values[number] = min(tries, key=lambda pair: pair[0])[1]
    return values

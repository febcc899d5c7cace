"""The poses of a movement, worked out from the project file's words alone.

A movement is one or more legs; in each, a few dials are turned free of each other. Growth comes
first, then turns in the order given, then shifts. Points are mm, angles degrees, growths change of
length per length.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from geomcheck.project.movements import GrowthEntry, MovementEntry, WayPose
from geomcheck.verify.plain.place import turned
from geomcheck.verify.plain.simple import FloatArray

#: Samples of each dial, by how many dials there are; for more than these, 3.
SAMPLES = {1: 41, 2: 9, 3: 5, 4: 3}
#: Numbers are written to a millionth: what lies that near to the end of a dial is its end.
WRITTEN = 2e-6


@dataclass(frozen=True, slots=True, eq=False)
class Dial:
    """One number of a pose.

    Parameters
    ----------
    name : str
        As findings call it.
    low, high : float
    act : callable
        From a value to a (4, 4) matrix.
    still : bool
        It acts on the part that does not move, which only grows.
    """

    name: str
    low: float
    high: float
    act: Callable[[float], FloatArray]
    still: bool = False

    @property
    def rest(self) -> float:
        """The value nearest to standing still."""
        return min(max(self.low, 0.0), self.high)


@dataclass(frozen=True, slots=True, eq=False)
class Leg:
    """Dials, in the order in which they act, and where the part is taken first."""

    dials: tuple[Dial, ...]

    def maps(self, values: Mapping[str, float]) -> tuple[FloatArray, FloatArray]:
        """(4, 4) of the moving and of the still part."""
        both = [np.eye(4), np.eye(4)]
        for dial in self.dials:
            value = values[dial.name]
            for end in (dial.low, dial.high):
                value = end if abs(value - end) <= WRITTEN else value
            both[dial.still] = dial.act(value) @ both[dial.still]
        return both[0], both[1]

    @property
    def rest(self) -> dict[str, float]:
        """The pose nearest to standing still."""
        return {dial.name: dial.rest for dial in self.dials}

    def grid(self) -> Iterator[dict[str, float]]:
        """Poses all over the leg, the ends of every dial among them."""
        count = SAMPLES.get(len(self.dials), 3 if len(self.dials) < 6 else 2)
        spans = [
            np.unique([*np.linspace(dial.low, dial.high, count), dial.rest]) for dial in self.dials
        ]
        for values in product(*spans):
            yield {dial.name: float(v) for dial, v in zip(self.dials, values, strict=True)}

    def around(self, pose: Mapping[str, float]) -> Iterator[dict[str, float]]:
        """Poses near a pose, to either side of each dial."""
        count = SAMPLES.get(len(self.dials), 3)
        for dial in self.dials:
            step = (dial.high - dial.low) / (count - 1)
            for share in (-0.5, -0.25, -0.1, 0.1, 0.25, 0.5):
                value = min(max(pose[dial.name] + share * step, dial.low), dial.high)
                yield {**pose, dial.name: value}

    def spacing(self, corners: FloatArray) -> float:
        """Farthest (mm) that points within a box's corners lie from a pose of the grid."""
        count = SAMPLES.get(len(self.dials), 3 if len(self.dials) < 6 else 2)
        total = 0.0
        for dial in self.dials:
            steps = np.linspace(dial.low, dial.high, count)
            ways = [
                np.linalg.norm(_carried(dial.act(b), corners) - _carried(dial.act(a), corners),
                               axis=1).max()
                for a, b in pairwise(steps)
            ]  # fmt: skip
            total += 0.5 * float(max(ways))
        return total


def legs_of(entry: MovementEntry, mover: str, other: str) -> list[Leg]:
    """The legs of a movement for two parts, of which the first moves."""
    grown = _growths(entry, mover, other)
    if entry.hinge is not None:
        low, high = entry.hinge.angle
        dial = Dial("hinge", low, high, _turn(entry.hinge.axis, entry.hinge.about))
        return [Leg((*grown, dial))]
    if entry.sweep is not None:
        places = [_matrix(pose) for pose in entry.sweep.poses]
        found = []
        for number, (begin, end) in enumerate(pairwise(places), 1):
            name = f"from pose {number} to pose {number + 1}"
            act = _between(begin, end, np.array(entry.sweep.about))
            found.append(Leg((*grown, Dial(name, 0.0, 1.0, act))))
        return found
    if entry.rock is None:
        return [Leg(tuple(grown))]
    dials = [
        Dial(name, *turning.angle, _turn(turning.axis, turning.about))
        for name, turning in zip(entry.rock.names, entry.rock.turns, strict=True)
        if turning.angle != (0.0, 0.0)
    ]
    for axis, name in enumerate("xyz"):
        low, high = getattr(entry.rock, name)
        if (low, high) != (0.0, 0.0):
            dials.append(Dial(name, low, high, _shift(axis)))
    return [Leg((*grown, *dials))]


def _growths(entry: MovementEntry, mover: str, other: str) -> list[Dial]:
    found = []
    for growing in entry.growths:
        if not growing.parts or mover in growing.parts:
            found.append(_growth(growing, mover, still=False))
    for growing in entry.growths:
        if other in growing.parts:
            found.append(_growth(growing, other, still=True))
    return found


def _growth(entry: GrowthEntry, name: str, *, still: bool) -> Dial:
    ends = [
        1e-6 * alpha * (t - entry.drawn_at) for alpha in entry.alphas for t in entry.temperature
    ]
    about = np.array(entry.about)

    def act(strain: float) -> FloatArray:
        matrix = np.eye(4)
        matrix[:3, :3] *= 1.0 + strain
        matrix[:3, 3] = -strain * about
        return matrix

    return Dial(f"growth of {name}", min(ends), max(ends), act, still)


def _turn(axis: tuple[float, ...], about: tuple[float, ...]) -> Callable[[float], FloatArray]:
    point = np.array(about)

    def act(angle: float) -> FloatArray:
        matrix = np.eye(4)
        matrix[:3, :3] = turned(axis, angle)
        matrix[:3, 3] = point - matrix[:3, :3] @ point
        return matrix

    return act


def _shift(axis: int) -> Callable[[float], FloatArray]:
    def act(value: float) -> FloatArray:
        matrix = np.eye(4)
        matrix[axis, 3] = value
        return matrix

    return act


def _between(
    begin: FloatArray, end: FloatArray, about: FloatArray
) -> Callable[[float], FloatArray]:
    """From one pose to the next: a point goes straight, the part turns evenly about it."""
    here, there = _carried(begin, about), _carried(end, about)
    turn = end[:3, :3] @ begin[:3, :3].T
    # The axis is what the turn leaves alone; the angle's cosine is in the trace.
    angle = math.degrees(math.acos(min(1.0, max(-1.0, 0.5 * (float(np.trace(turn)) - 1.0)))))
    axis = np.linalg.svd(turn - np.eye(3))[2][-1]
    if np.abs(turned(axis, angle) - turn).max() > np.abs(turned(axis, -angle) - turn).max():
        axis = -axis

    def act(share: float) -> FloatArray:
        matrix = np.eye(4)
        matrix[:3, :3] = turned(axis, share * angle)
        matrix[:3, 3] = here + share * (there - here) - matrix[:3, :3] @ here
        return matrix @ begin

    return act


def _matrix(pose: WayPose) -> FloatArray:
    if pose.matrix is not None:
        matrix = np.array(pose.matrix, dtype=np.float64)
        left, _, right = np.linalg.svd(matrix[:3, :3])
        matrix[:3, :3] = left @ right
        return matrix
    matrix = np.eye(4)
    for one in pose.turns:
        matrix = _turn(one.axis, one.about)(one.angle) @ matrix
    matrix[:3, 3] += pose.move
    return matrix


def _carried(matrix: FloatArray, points: FloatArray) -> FloatArray:
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3])

"""Movements as boxes of poses: turns, shifts, ways and growth.

A movement has one or more legs. In each leg a pose is given by a few numbers, each in a range of
its own and free of the others; the leg's poses are a box. A rock on mounts is one leg with angles
and shifts, a hinge one leg with one angle, a sweep one leg from each way pose to the next. Growth
by heat adds a number to every leg.

Angles are degrees at every boundary, and turns are right-handed about axes that stand still. The
elements of a leg are done from the last to the first: growth, then turns, then shifts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from geomcheck.errors import InputError
from geomcheck.finding import Point
from geomcheck.fit.body import as_point
from geomcheck.kernels import moved as kernel
from geomcheck.mesh.placement import apply

FloatArray: TypeAlias = NDArray[np.float64]

#: How turns of these names are told, and what follows the angle.
_TURNED = {"roll": "rolled", "pitch": "pitched", "yaw": "yawed", "hinge": "turned"}
_ON = {"hinge": " on its hinge"}


@dataclass(frozen=True, slots=True)
class Element:
    """One number of a pose, with its range.

    Parameters
    ----------
    name : str
        ``roll``, ``x``, the part that grows: used in sentences.
    kind : {"turn", "shift", "growth", "way"}
    low, high : float
        Degrees, mm, change of length per length, share of the way (0 to 1).
    axis, about, along : Point
        Axis and a point on it (or the point that stays), shift per unit, mm.
    angle : float
        Degrees per unit.
    of : {"moving", "still"}
        Which of two parts it acts on; only a growth may act on the still one.
    alpha, drawn_at : float
        Of a growth with one coefficient: change of length per length and kelvin, and the
        temperature (degrees Celsius) at which nothing has grown; 0 and 0 for others.
    """

    name: str
    kind: Literal["turn", "shift", "growth", "way"]
    low: float
    high: float
    axis: Point = (0.0, 0.0, 0.0)
    about: Point = (0.0, 0.0, 0.0)
    along: Point = (0.0, 0.0, 0.0)
    angle: float = 0.0
    of: Literal["moving", "still"] = "moving"
    alpha: float = 0.0
    drawn_at: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            raise InputError(f"the range of {self.name} must be finite")
        if self.low > self.high:
            raise InputError(
                f"the range of {self.name} is reversed: {self.low:g} to {self.high:g}",
                remedy="Give the lower end first",
            )
        if self.kind == "growth" and self.low <= -0.5:
            raise InputError(f"the range of {self.name} shrinks a part to half and less")

    @property
    def rest(self) -> float:
        """The value nearest to standing still."""
        return min(max(self.low, 0.0), self.high)

    def row(self) -> list[float]:
        """Row of a chain of ``geomcheck.kernels.moved``."""
        growth = 1.0 if self.kind == "growth" else 0.0
        side = 0.0 if self.of == "moving" else 1.0
        turn = math.radians(self.angle)
        return [*self.axis, *self.about, *self.along, turn, growth, side]

    def words(self, value: float) -> str:
        """The value as a modeller says it: ``rolled +3.20 degrees``; empty for nothing to tell."""
        if self.kind == "way":
            return f"{100.0 * value:.0f} % of the way {self.name}"
        if self.kind == "growth" and self.alpha > 0.0 and value != 0.0:
            at = _plain(self.drawn_at + value / self.alpha, 1)
            return f"{self.name} at {at} degrees Celsius"
        if self.kind == "growth":
            told = _plain(abs(1000.0 * value), 3)
            how = "shrunk" if value < 0 else "grown"
            return f"{self.name} {how} by {told} mm per metre" if float(told) else ""
        told = _plain(value)
        if float(told) == 0.0:
            return ""
        if self.kind == "shift":
            return f"shifted {told.lstrip('-')} mm along {'-' if value < 0 else '+'}{self.name}"
        how = _TURNED.get(self.name, "turned")
        name = "" if self.name in _TURNED else f" ({self.name})"
        return f"{how} {'' if value < 0 else '+'}{told} degrees{_ON.get(self.name, name)}"


@dataclass(frozen=True, slots=True)
class Leg:
    """A box of poses.

    Parameters
    ----------
    elements : tuple of Element
        Shifts, then turns (or one way), then growths.
    base : (4, 4) float64 or None
        Where the moving part is taken first; None leaves it in place.
    """

    elements: tuple[Element, ...]
    base: FloatArray | None = None

    def grown(self, growths: tuple[Element, ...]) -> Leg:
        """The leg with growths; what is taken to another place first grows about its point there.

        Growing, then moving rigidly, is the same as moving, then growing about the moved point.
        """
        if self.base is None:
            return replace(self, elements=(*self.elements, *growths))
        there = [
            replace(e, about=as_point(apply(self.base, np.array([e.about]))[0]))
            if e.of == "moving"
            else e
            for e in growths
        ]
        return replace(self, elements=(*self.elements, *there))

    @property
    def chain(self) -> FloatArray:
        """(k, 12) as the kernel takes it."""
        return np.array([element.row() for element in self.elements], dtype=np.float64)

    @property
    def ranges(self) -> FloatArray:
        """(2, k) least and greatest values."""
        ends = [[e.low for e in self.elements], [e.high for e in self.elements]]
        return np.array(ends, dtype=np.float64)

    @property
    def rest(self) -> FloatArray:
        """(k,) the pose nearest to standing still."""
        return np.array([element.rest for element in self.elements], dtype=np.float64)

    def maps(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Maps (4, 4) of the moving and of the still part at a pose (k,)."""
        k = len(self.elements)
        record = np.zeros(kernel.HEAD + kernel.WIDE * k)
        box = np.concatenate([np.asarray(values, dtype=np.float64), np.zeros(k)])
        kernel.pose(self.chain, self.start, box, record)
        out = np.tile(np.eye(4), (2, 1, 1))
        out[:, :3] = record[:24].reshape(2, 3, 4)
        return out[0], out[1]

    @property
    def start(self) -> FloatArray:
        """(3, 4) where the moving part is taken first."""
        base = np.eye(4) if self.base is None else self.base
        return np.ascontiguousarray(base[:3], dtype=np.float64)

    def travel(self, vertices: FloatArray, values: FloatArray, of: str) -> float:
        """Farthest (mm) any pose of the leg takes a part's points from a pose's, at most.

        Parameters
        ----------
        vertices : (n, 3) float64
            Of the part, in place.
        values : (k,) float64
            The pose.
        of : {"moving", "still"}
        """
        low, high = self.ranges
        return self._farthest(vertices, values, np.maximum(high - values, values - low), of)

    def speed(self, vertices: FloatArray, begin: FloatArray, end: FloatArray, of: str) -> float:
        """Greatest way (mm) of a part's points for each unit of the way from pose to pose."""
        middle, half = 0.5 * (begin + end), 0.5 * np.abs(end - begin)
        swing = self._farthest(vertices, middle, half, of)
        # For vanishing widths the bound on the displacement is one on the speed.
        rate = self._farthest(vertices, middle, 1e-9 * half, of, swing) / 1e-9
        return 2.0 * rate

    def _farthest(
        self,
        vertices: FloatArray,
        middle: FloatArray,
        widths: FloatArray,
        of: str,
        more: float = 0.0,
    ) -> float:
        """Displacement (mm) at most, +- ``widths`` about a pose; points ``more`` mm farther out."""
        k = len(self.elements)
        record = np.zeros(kernel.HEAD + kernel.WIDE * k)
        kernel.pose(self.chain, self.start, np.concatenate([middle, widths]), record)
        at = apply(self.maps(middle)[0 if of == "moving" else 1], vertices)
        total = np.zeros(len(at))
        for number, element in enumerate(self.elements):
            if element.of != of:
                continue
            row = record[kernel.HEAD + kernel.WIDE * number :][: kernel.WIDE]
            arm = at - row[3:6]
            along = arm @ row[:3]
            square = (arm * arm).sum(axis=1)
            total += row[12] + row[13] * (np.sqrt(square) + more)
            total += row[9] * (np.sqrt(np.maximum(square - along * along, 0.0)) + more)
        return float(total.max(initial=0.0))


@dataclass(frozen=True, slots=True)
class Motion:
    """Everything two parts do to each other.

    Parameters
    ----------
    legs : tuple of Leg
        All with the same growths.
    """

    legs: tuple[Leg, ...]

    def __post_init__(self) -> None:
        if not self.legs or not any(leg.elements for leg in self.legs):
            raise InputError("a movement with no range moves nothing")
        for leg in self.legs:
            growths = [e.of for e in leg.elements if e.kind == "growth"]
            if len(set(growths)) < len(growths):
                raise InputError("a part cannot grow twice", remedy="Join the two into one range")

    def with_growth(self, growths: Iterable[Element]) -> Motion:
        """The same movement, hot: every leg with these growths, too.

        The points that stay are given where the parts stand; a growth comes before all else.
        """
        more = tuple(growths)
        return Motion(tuple(leg.grown(more) for leg in self.legs))


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """One pose of a movement.

    Parameters
    ----------
    motion : Motion
    leg : int
    values : (k,) float64
    """

    motion: Motion
    leg: int
    values: FloatArray

    @property
    def moving(self) -> FloatArray:
        """(4, 4) map of the moving part from where it stands."""
        return self.motion.legs[self.leg].maps(self.values)[0]

    @property
    def still(self) -> FloatArray:
        """(4, 4) map of the other part: its growth."""
        return self.motion.legs[self.leg].maps(self.values)[1]

    @property
    def words(self) -> str:
        """The pose in a sentence: ``with the moving part rolled +3.20 degrees, shifted ...``."""
        elements = self.motion.legs[self.leg].elements
        told = [(e, e.words(float(v))) for e, v in zip(elements, self.values, strict=True)]
        # What is done first is told first.
        place = [text for e, text in told[::-1] if text and e.kind in ("turn", "way")]
        place += [text for e, text in told if text and e.kind == "shift"]
        grown = [text for e, text in told if text and e.kind == "growth"]
        said = ["the moving part " + ", ".join(place)] if place else []
        return "with " + " and ".join([*said, *grown]) if said or grown else "as they stand"

    @property
    def numbers(self) -> dict[str, float]:
        """The values by name; ``growth of`` a part is its change of length per length."""
        elements = self.motion.legs[self.leg].elements
        names = [f"growth of {e.name}" if e.kind == "growth" else e.name for e in elements]
        return {name: float(v) + 0.0 for name, v in zip(names, self.values, strict=True)}


def _plain(value: float, decimals: int = 2) -> str:
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text

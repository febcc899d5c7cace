"""Joints between the layers a bolt clamps, with the gaskets that are declared in them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geomcheck.fasten.fastener import Fastener
from geomcheck.fasten.layers import Joint
from geomcheck.finding import Point


@dataclass(frozen=True)
class Gasket:
    """What is declared to lie in a joint: two parts, a point and normal of it, thickness, mm.

    ``tolerance`` is how far the faces may stand off that thickness.
    """

    name: str
    parts: frozenset[str]
    at: Point
    normal: Point
    thickness: float
    tolerance: float


@dataclass(frozen=True)
class Held:
    """A joint with what is declared for it.

    Parameters
    ----------
    joint : Joint
    gasket : Gasket or None
    air : float
        What of the gap is neither metal nor gasket, mm; negative where the gasket, as clamped,
        has no room in the placed parts, or the parts overlap.
    """

    joint: Joint
    gasket: Gasket | None
    air: float


def hold(fastener: Fastener, joint: Joint, gaskets: Sequence[Gasket]) -> Held:
    """A joint with the gasket that is declared between its parts at that place."""
    pair = frozenset((joint.upper, joint.lower))
    for gasket in gaskets:
        slope = math.fsum(n * w for n, w in zip(gasket.normal, fastener.axis, strict=True))
        if gasket.parts != pair or abs(slope) < math.cos(math.radians(10.0)):
            continue
        # Where the axis meets the declared face.
        off = math.fsum(
            n * (a - s) for n, a, s in zip(gasket.normal, gasket.at, fastener.at, strict=True)
        )
        if abs(-off / slope - joint.depth) <= gasket.thickness + gasket.tolerance + 1.0:
            return Held(joint, gasket, _clean(joint.gap - gasket.thickness))
    return Held(joint, None, _clean(joint.gap))


def _clean(value: float) -> float:
    """Rounding of the meshes' corners is no air."""
    return 0.0 if abs(value) < 1e-4 else value

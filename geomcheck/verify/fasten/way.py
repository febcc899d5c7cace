"""Re-check of the straight way by which a hand or a finger comes to a place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from geomcheck.finding import Finding, Verdict
from geomcheck.standards import hands
from geomcheck.verify.claims import Claim, confirm, left_open
from geomcheck.verify.fasten.axis import view
from geomcheck.verify.fasten.bolts import Bolt
from geomcheck.verify.scene import Scene
from geomcheck.verify.witness import NEAR

#: So far a way has to be free, mm.
LENGTH = 700.0


def way_in(
    scene: Scene,
    finding: Finding,
    bolt: Bolt,
    places: Sequence[tuple[Any, Any]],
    names: Sequence[str] | None = None,
) -> Iterator[Claim]:
    """That a cylinder as thick as is told leads out from one of some places.

    Parameters
    ----------
    scene, finding, bolt
    places : sequence of (point, direction)
        Where a hand may come to, and the way on from there: the cylinder begins at the point, or
        a little up that way.
    names : sequence of str, optional
        The parts that count; else all that are not out of the way.
    """
    told: Any = finding.details.get("way_in")
    if told is None:
        yield confirm("way in", False, "it passes, and tells of no way for a hand")
        return
    comes = told["comes"]
    if comes == "nothing":
        holds = finding.verdict is not Verdict.PASS
        yield confirm("way in", holds, f"nothing comes there: {finding.verdict}")
        if holds:
            yield left_open("no way in", "directions are not searched again")
        return
    hand = hands()[0]
    width = {"hand": hand.width, "finger": hand.finger}[comes]
    if abs(float(told["width"]) - width) > NEAR:
        yield confirm("way in", False, f"a {comes} is {width:g} mm wide")
        return
    tips = 2.0 * hand.finger if comes == "hand" else hand.finger
    reach = hand.finger_reach if comes == "hand" else 0.0
    way = np.array(told["direction"], dtype=np.float64)
    way /= np.linalg.norm(way)
    rows = [(0.0, reach, 0.5 * tips), (reach, LENGTH, 0.5 * width)]
    best = -np.inf
    for place, up in places:
        for rise in (0.0, 0.5 * tips + 0.5):
            start = np.array(place) + rise * np.array(up)
            if rise > 0.0 and not _clear(scene, finding, bolt, place, up, rise, names):
                continue
            about = view(
                scene, finding.vehicle, start, way, 0.5 * width, keep=bolt.entry.part, names=names
            )
            if about.holder(0.0) is not None:
                continue
            room = min(about.nearest(a, b)[0] - r for a, b, r in rows if b > a)
            best = max(best, room)
            if room > -bolt.near:
                yield confirm(
                    "way in", True, f"for a {comes}, {width:g} mm wide, {LENGTH:g} mm far"
                )
                return
    yield confirm("way in", False, f"metal stands {-best:.3f} mm in the way of a {comes}")


def _clear(
    scene: Scene,
    finding: Finding,
    bolt: Bolt,
    place: Any,
    up: Any,
    rise: float,
    names: Sequence[str] | None,
) -> bool:
    """Whether the line from a place to where the way begins is free."""
    about = view(scene, finding.vehicle, place, up, 1.0, keep=bolt.entry.part, names=names)
    return about.nearest(0.0, rise)[0] > 0.0

"""What the facets of an outline show of the curve they stand for."""

from __future__ import annotations

import numpy as np
import shapely

from geomcheck.finding import Quantity
from geomcheck.verify.claims import Claim, confirm
from geomcheck.verify.flow.duct import Duct
from geomcheck.verify.flow.station import Station
from geomcheck.verify.plain.simple import FloatArray

#: Corners that turn by more than this (degrees) are edges of the part, not of its facets.
EDGE = 30.0
#: Sides that meet at less than this (radians) are one.
FLAT = 3e-4
#: Of what the outline shows; chords of unlike length tell less.
SHARE = 0.5


def chords_miss(ring: FloatArray, most: float) -> float:
    """Area (mm2) between the sides of a closed outline and arcs through its corners, at least.

    A side of length c between corners that both turn the same way, the lesser by t, is a chord of
    an arc that stands off by c t / 8 and adds 2/3 of that over its length (a parabola's). ``most``:
    no side stands off by more (mm).
    """
    p = ring[:-1]
    for _ in range(2):
        p = p[np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1) > 1e-6]
        side = np.roll(p, -1, axis=0) - p
        before = np.roll(side, 1, axis=0)
        cross = before[:, 0] * side[:, 1] - before[:, 1] * side[:, 0]
        turn = np.arctan2(cross, (before * side).sum(axis=1))
        if len(p) < 3:
            return 0.0
        # Two triangles of one flat facet meet without a turn: that is one side.
        kept, p = p, p[np.abs(turn) > FLAT]
    p = kept
    length = np.linalg.norm(side, axis=1)
    turn = np.where(np.abs(turn) > np.radians(EDGE), 0.0, turn)
    other = np.roll(turn, -1)
    alike = turn * other > 0.0
    lesser = np.where(alike, np.minimum(np.abs(turn), np.abs(other)), 0.0)
    off = np.minimum(length * lesser / 8.0, most)
    return float((2.0 / 3.0 * length * off).sum())


def missed(row: Station, duct: Duct) -> float:
    """Area (mm2) between the outlines of a section and the arcs through their corners, at least."""
    given = [duct.sagittas.get(name) for name in duct.names]
    most = max((np.inf if one is None else one) for one in given)
    rings = (
        ring for part in shapely.get_parts(row.open) for ring in (part.exterior, *part.interiors)
    )
    return sum(chords_miss(shapely.get_coordinates(ring), most) for ring in rings)


def allowance(row: Station, duct: Duct, quantity: Quantity) -> Claim:
    """That an area's interval allows for what the facets of its outline show."""
    shown, wide = missed(row, duct), quantity.high - quantity.low
    words = f"{shown:.2f} mm2 between chords and arcs, the interval is {wide:.2f} mm2 wide"
    return confirm("facets", wide >= SHARE * shown, words)

"""Where the outer rim of a scan runs round something that was not seen: a hole open to one side.

Two stretches of one rim that face each other, each running towards the other, are the sides of a
bay. Whether missing data is ringed by surface all round, or broken out to the rim at one end, does
not matter to what may be there: as across a hole, a surface across a bay is taken to bulge no
higher than a half-round over its width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geomcheck.fit.body import Body, FloatArray, IntArray
from geomcheck.fit.outline import Outlines
from geomcheck.mesh.query import point_distance

#: Edges of one rim that are looked at; of longer ones an even choice.
ASKED = 600
#: Cosine between the ways two edges run on and the way from one to the other, at least.
OPPOSITE = 0.5
#: Narrower than this (mm) it is a crack.
CRACK = 1.5
#: Shares of the width, out from either side, at which there must be no surface ...
OUT = np.array([0.125, 0.25, 0.5])
#: ... within this share of the way there.
BARE = 0.3
#: Where on the way across the height is asked.
ACROSS = np.array([0.1, 0.3, 0.5, 0.7, 0.9])


@dataclass(frozen=True, slots=True)
class Bay:
    """The place of a bay where it matters most.

    Parameters
    ----------
    place : (3,) float64
        Middle between its sides, mm.
    width : float
        mm.
    nearest : float
        How near to the other part a surface across it might come, mm.
    """

    place: FloatArray
    width: float
    nearest: float


def bays(where: Outlines, rows: IntArray, other: Body, scan: Body, need: float) -> list[Bay]:
    """Bays in the rims of an open mesh across which something may be nearer than needed.

    Parameters
    ----------
    where : Outlines
    rows : (k,) int
        Edges of rims that count.
    other, scan : Body
    need : float
        mm.
    """
    found = []
    for number in np.unique(where.outline[rows]):
        mine = rows[where.outline[rows] == number]
        mine = mine[:: -(-len(mine) // ASKED)]
        bay = _worst(where.ends[mine].mean(axis=1), where.beyond[mine], other, scan, need)
        if bay is not None:
            found.append(bay)
    return found


def _worst(
    middles: FloatArray, beyond: FloatArray, other: Body, scan: Body, need: float
) -> Bay | None:
    way = middles[None] - middles[:, None]
    width = np.linalg.norm(way, axis=2)
    width[width < CRACK] = np.inf
    unit = way / width[..., None]
    facing = np.einsum("ijk,ik->ij", unit, beyond) >= OPPOSITE
    facing &= facing.T
    width[~facing] = np.inf
    opposite = width.argmin(axis=1)
    first = np.flatnonzero(np.isfinite(width[np.arange(len(middles)), opposite]))
    if len(first) == 0:
        return None
    second = opposite[first]
    wide = width[first, second]
    start, step = middles[first], middles[second] - middles[first]
    # From both sides the mesh must really end: not at a nick, nor at an edge over another layer.
    bare = np.ones(len(first), dtype=bool)
    for rows in (first, second):
        out = wide[:, None] * OUT
        points = (middles[rows][:, None] + out[..., None] * beyond[rows][:, None]).reshape(-1, 3)
        near = point_distance(scan.tree, points).distance.reshape(out.shape)
        bare &= (near > BARE * out).all(axis=1)
    first, wide, start, step = first[bare], wide[bare], start[bare], step[bare]
    if len(first) == 0:
        return None
    points = (start[:, None] + ACROSS[:, None] * step[:, None]).reshape(-1, 3)
    height = wide[:, None] * np.sqrt(ACROSS * (1.0 - ACROSS))
    away = point_distance(other.tree, points, need + float(height.max())).distance
    near = away.reshape(len(first), -1) - height
    row = int(near.min(axis=1).argmin())
    nearest = float(near[row].min())
    if nearest >= need * (1.0 - 1e-9):
        return None
    return Bay(start[row] + 0.5 * step[row], float(wide[row]), max(0.0, nearest))

"""Whether any point of a surface lies deeper in a solid than was told."""

from __future__ import annotations

import numpy as np

from geomcheck.verify.plain.body import Body
from geomcheck.verify.plain.near import nearest
from geomcheck.verify.plain.simple import FloatArray, halves, to_triangles

#: Pieces looked at before the question is left open.
PIECES = 60_000
#: Points asked which side they are on before the question is left open.
SIDES = 20_000


def deeper_than(surface: Body, solid: Body, depth: float) -> float | None:
    """A depth beyond ``depth`` (mm) at which a point of the surface lies in the solid; 0 if none.

    The depth changes by no more than the way between two points, and is nowhere more than the
    distance to any one facet: pieces that these two rule out are dropped, the others halved. None
    where that takes too long.
    """
    low, high = solid.bounds[0] + depth, solid.bounds[1] - depth
    corners = surface.triangles
    pieces = corners[((corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)).all(axis=1)]
    looked = sides = 0
    while len(pieces):
        looked += len(pieces)
        if looked > PIECES:
            return None
        middle = pieces.mean(axis=1)
        radius = np.linalg.norm(pieces - middle[:, None], axis=2).max(axis=1)
        away, facet, _ = nearest(middle, solid.bundles)
        # No piece is deeper than the farthest corner from the facet nearest to its middle.
        facing = _farthest(pieces, solid.triangles[facet])
        doubt = np.flatnonzero((away + radius > depth) & (facing > depth))
        keep = []
        for row in doubt:
            sides += 1
            if sides > SIDES:
                return None
            if solid.holds(middle[row]):
                if away[row] > depth:
                    return float(away[row])
                keep.append(row)
            elif radius[row] > depth + away[row]:
                keep.append(row)
        pieces = halves(pieces[keep])
    return 0.0


def _farthest(pieces: FloatArray, facets: FloatArray) -> FloatArray:
    corners = [to_triangles(pieces[:, k], facets) for k in range(3)]
    return np.asarray(np.max(corners, axis=0))
